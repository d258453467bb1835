//! The conversation with one peer, without I/O: what to say next, and what to make of an answer.
//!
//! Two devices that meet tell each other which documents they hold and, for each, a version
//! vector: how many changes of every writer are stored. From then on each sends what the other
//! lacks, in batches, and new changes as they come. What arrives is handed to the owner; only when
//! the owner says it is stored does the peer hear that it is.
//!
//! What others wrote is passed on after a short hold, since whoever wrote it mostly sends it too:
//! devices that are all in reach of each other carry a change about once to each.
//!
//! A [`Session`] knows no clock, no socket and no disk. It takes frames and returns events, and
//! gives the next frame when asked. It keeps no changes: they are read from the owner's [`Shelf`]
//! at the moment they are sent, so a slow peer costs no memory. `WIRE.md` states the bytes.

mod clock;
mod event;
mod limits;
mod session;
mod shelf;
mod talk;
mod wire;

/// For every writer, how many of its changes are stored: all from number one up to this one.
pub use gravelbar_ledger::Vector;

pub use event::{Event, Introduction, ProtocolError};
pub use limits::{FRAME_BYTES, Limits, PROOF_BYTES, STANDING_BYTES, URGENT_BYTES};
pub use session::Session;
pub use shelf::{Offer, Outgoing, Parcel, Shelf, Urgent};
pub use wire::{NEWEST_VERSION, OLDEST_VERSION};
