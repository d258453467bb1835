//! All whole-crew tests, one binary.

mod arrows;
mod browser;
mod guards;
mod demo;
mod marl_fork;
mod processes;
