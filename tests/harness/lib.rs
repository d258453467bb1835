//! Shared helpers of the whole-crew tests.

pub mod crew;
pub mod program;
