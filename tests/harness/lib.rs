//! Shared helpers of the whole-crew tests.

pub mod air;
pub mod browser;
pub mod crew;
pub mod device;
pub mod marl_fork;
pub mod node;
pub mod post;
pub mod program;
