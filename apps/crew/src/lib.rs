//! One crew device: the loop that owns its visits, its network, its pages and its command line.

mod carry;
mod cli;
mod clock;
pub mod demo;
mod device;
pub mod http;
mod net;
mod node;
mod pages;

pub use cli::main;
pub use clock::Clock;
pub use device::{Options, Reach, StartError, start};
pub use node::{
    Act, BookLine, BookPicture, CrewAct, CrewDoing, DeviceLine, Joinable, Node, NotSaved, Notice,
    PeerLine, Picture, Saved, Sign, StopLine, VisitLine, asks_for_a_person,
};
