//! All whole-crew tests, one binary.
