//! A document of immutable records that many devices extend at once.
//!
//! A [`Ledger`] is one such document on one device. It starts from a first change that every
//! device builds for itself, byte for byte the same, from what the document is about. After that
//! every change adds records to maps that only its writer fills, so two devices can never write to
//! one place, and merging is adding up. A record, once written, stays as it is: corrections are
//! further records, and what records mean is for the reader to say. This crate takes a record's
//! body as text and doesn't look inside.
//!
//! The truth is the log of changes. The Automerge document beside it, and any file saved from it,
//! can be built again from the log at any time.
//!
//! Every change passes the [gate](Refusal) before the log and the document take it, whether it was
//! made here, came from another device or was read back from disk. The gate reads a change with a
//! parser of its own, writes the same change anew, and lets through only what is equal to the byte.
//! Automerge's own parser is never shown bytes from outside. Its sync protocol isn't spoken at all,
//! so there is no sync message to guard: devices compare [`Vector`]s and send each other what is
//! [missing](Ledger::missing).
//!
//! `FORMAT.md` beside this crate describes the document and its changes byte by byte.
//!
//! ```
//! use gravelbar_ledger::{DeviceTag, Ledger, Session, Writer};
//!
//! let writer = |device, session| Writer { device: DeviceTag([device; 8]), session: Session([session; 8]) };
//! let mut bank = Ledger::create("a stream, a day", writer(1, 1))?;
//! let mut netter = Ledger::create("a stream, a day", writer(2, 1))?;
//!
//! netter.append(&[r#"{"tap":"trout"}"#.to_owned()], 1_770_000_000)?;
//! let news = netter.missing(bank.vector(), 256, 1 << 20);
//! let received = bank.receive(news.iter().map(|change| change.bytes.to_vec()).collect());
//!
//! assert_eq!(received.applied.len(), 1);
//! assert_eq!(bank.heads(), netter.heads());
//! assert_eq!(&*bank.records().next().ok_or("nothing arrived")?.body, r#"{"tap":"trout"}"#);
//! # Ok::<(), Box<dyn std::error::Error>>(())
//! ```

mod document;
mod gate;
mod history;
mod ids;
mod ledger;
mod logged;
mod outcome;
mod replica;
mod shape;

pub use document::SpoiltError;
pub use gate::Refusal;
pub use history::UnknownHeadsError;
pub use ids::{ChangeHash, DeviceTag, DocumentId, IdError, RecordId, Session, Writer};
pub use ledger::Ledger;
pub use logged::{Covered, LoggedChange, Record, Vector};
pub use outcome::{AboutError, AppendError, Appended, Claims, Received, Refused};
pub use shape::{
    MAX_ABOUT_BYTES, MAX_BODY_BYTES, MAX_CHANGE_BYTES, MAX_DEPS, MAX_RECORDS_PER_CHANGE,
    SHARD_RECORDS,
};
