//! All whole-crew tests, one binary.

mod arrows;
mod browser;
mod browser_live;
mod browser_queue;
mod browser_text;
mod command_line;
mod demo;
mod disk;
mod estimates;
mod guards;
mod marl_fork;
mod network;
mod processes;
