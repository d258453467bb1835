//! What becomes of what is put into a ledger: taken in, turned away, or not possible.

use std::sync::Arc;

use crate::gate::Refusal;
use crate::ids::{ChangeHash, RecordId, Writer};
use crate::logged::LoggedChange;
use crate::shape::{MAX_ABOUT_BYTES, MAX_BODY_BYTES, MAX_CHANGE_BYTES, MAX_RECORDS_PER_CHANGE};

/// A document can't be about this.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum AboutError {
    /// Nothing was said.
    #[error("a document has to be about something")]
    Empty,
    /// Too much was said.
    #[error("what a document is about takes {bytes} bytes; at most {MAX_ABOUT_BYTES} are allowed")]
    TooLong {
        /// How much.
        bytes: usize,
    },
}

/// Records weren't written down. Nothing was changed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum AppendError {
    /// No records, or too many for one change.
    #[error("one act writes one to {MAX_RECORDS_PER_CHANGE} records, not {records}")]
    RecordCount {
        /// How many.
        records: usize,
    },
    /// A record says nothing or too much.
    #[error("a record holds one to {MAX_BODY_BYTES} bytes, not {bytes}; split it in two")]
    BodyLength {
        /// How much.
        bytes: usize,
    },
    /// The records are too long together.
    #[error(
        "these records take {bytes} bytes together, and one act has room for {MAX_CHANGE_BYTES}; write them in several acts"
    )]
    TooLong {
        /// How much.
        bytes: usize,
    },
    /// The clock is outside the years 1 to 9999.
    #[error("the clock reads {time_s} s, which is no year from 1 to 9999; set it and try again")]
    Clock {
        /// What it reads.
        time_s: i64,
    },
    /// The document has no operation counters left, after four thousand million operations.
    #[error("this document is full; start another")]
    Full,
    /// The document library failed. The log and all earlier records are as before.
    #[error("the document library failed on these records; earlier ones are safe")]
    Library,
}

/// What was written down.
#[derive(Debug, Clone)]
pub struct Appended {
    /// The change, to be stored and sent.
    pub change: Arc<LoggedChange>,
    /// The names of the new records, in the order of the bodies.
    pub records: Vec<RecordId>,
}

/// What a change says of itself.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Claims {
    /// Whose it claims to be.
    pub writer: Writer,
    /// Its number among theirs.
    pub number: u64,
    /// Its name, which covers all it says and all it builds on.
    pub hash: ChangeHash,
}

/// A change that was turned away.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Refused {
    /// Its bytes, as they came.
    pub bytes: Vec<u8>,
    /// Why.
    pub refusal: Refusal,
}

/// What became of the changes that came in.
#[derive(Debug, Clone, Default)]
pub struct Received {
    /// Taken, causes before effects. To be stored before they are acknowledged.
    pub applied: Vec<Arc<LoggedChange>>,
    /// How many were held already or came twice.
    pub duplicates: usize,
    /// Turned away because what they build on isn't here. They aren't kept: ask again.
    pub waiting: Vec<Refused>,
    /// Turned away for good.
    pub refused: Vec<Refused>,
    /// How many of the applied were written under this device's own tag, though this device didn't
    /// hold them: it was restored from an old copy, or another device bears its name.
    pub own: usize,
}
