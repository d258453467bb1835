//! Why a change isn't proved, in words for people.

use gravelbar_ledger::{Refusal, Writer};

/// Why a change, or what is said of one, can't be traced to a device.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum ProofError {
    /// The bytes are no change.
    #[error("these bytes are no record that this program knows: {0}")]
    NoChange(Refusal),
    /// The proof's bytes can't be read.
    #[error("what came with the records to prove whose they are can't be read")]
    Malformed,
    /// Nothing came that would prove it.
    #[error("nothing came with this record that says whose it is")]
    NoProof,
    /// The run's opening is not known and didn't come along.
    #[error("whose writing {writer} is has not been said yet; meet the device that made it")]
    NoOpening {
        /// The writer.
        writer: Writer,
    },
    /// The opening that came names another document, or another writer.
    #[error("the proof belongs to another visit or another device")]
    OtherOpening,
    /// Two openings of one writer.
    #[error(
        "{writer} is said to begin in two ways: two devices answer to one name, or somebody forges records"
    )]
    TwoOpenings {
        /// The writer.
        writer: Writer,
    },
    /// What comes before isn't here.
    #[error("record {first} of {writer} came before its number {missing}, which is not here yet")]
    Early {
        /// The writer.
        writer: Writer,
        /// The first number that came.
        first: u64,
        /// The first number that isn't here.
        missing: u64,
    },
    /// Numbers are missing in the middle, or come twice.
    #[error("the records of {writer} that came don't follow each other by number")]
    NotInARow {
        /// The writer.
        writer: Writer,
    },
    /// Another change is held or signed under this number.
    #[error(
        "number {number} of {writer} is a different record here: two devices answer to one name, or somebody forges records"
    )]
    Contradiction {
        /// The writer.
        writer: Writer,
        /// The number.
        number: u64,
    },
    /// Not the heads that must come.
    #[error("the signatures that must come with the records of {writer} didn't")]
    Heads {
        /// The writer.
        writer: Writer,
    },
    /// A signature doesn't fit.
    #[error(
        "the signature over number {number} of {writer} doesn't fit: the record was altered on the way or forged"
    )]
    Signature {
        /// The writer.
        writer: Writer,
        /// Up to where it should have covered the run.
        number: u64,
    },
}

impl ProofError {
    /// Whether the same change may be proved later, when more has arrived.
    #[must_use]
    pub fn is_early(&self) -> bool {
        matches!(self, Self::Early { .. } | Self::NoOpening { .. })
    }
}

/// Why this device can't prove a change it holds, or can't sign what it wrote.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum ProveError {
    /// Nobody has signed it, as far as is known here.
    #[error("number {number} of {writer} has no signature here; meet the device that made it")]
    Unsigned {
        /// The writer.
        writer: Writer,
        /// The number.
        number: u64,
    },
    /// A gap in what is to be proved.
    #[error("records of {writer} can only be proved in a row")]
    NotInARow {
        /// The writer.
        writer: Writer,
    },
    /// The change isn't the run's next.
    #[error("number {number} of {writer} doesn't follow number {last}")]
    NotNext {
        /// The writer.
        writer: Writer,
        /// The number.
        number: u64,
        /// The last number that is here.
        last: u64,
    },
    /// The writer isn't a run of this device's key.
    #[error("{writer} is not a name of this device")]
    NotOurs {
        /// The writer.
        writer: Writer,
    },
    /// Single proofs are short.
    #[error("{bytes} bytes are too many for a message sent ahead")]
    TooLong {
        /// How many it would take.
        bytes: usize,
    },
}
