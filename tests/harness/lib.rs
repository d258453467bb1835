//! Shared helpers of the whole-crew tests.
