//! All whole-crew tests, one binary.

mod arrows;
mod demo;
mod processes;
