//! Shared helpers of the whole-crew tests.

pub mod browser;
pub mod crew;
pub mod device;
pub mod marl_fork;
pub mod post;
pub mod program;
