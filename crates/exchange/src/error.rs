//! What goes wrong with files: in words for whoever holds the stick.

use gravelbar_ledger::{DocumentId, Refusal};
use gravelbar_proof::{ProofError, ProveError};

use crate::{MAX_CHANGES, MAX_DOCUMENTS, MAX_FILE_BYTES};

/// A document that can't be packed.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum PackError {
    /// The device's key can't be used.
    #[error("this device's key can't sign: restore its data folder from a copy")]
    Key,
    /// Nothing to pack, or too much.
    #[error("{0} documents can't go into one file: pack 1 to {MAX_DOCUMENTS}")]
    Documents(usize),
    /// Some changes aren't proved here.
    #[error(
        "visit {document} holds records that nothing here proves ({why}): meet the device that made them, then pack again"
    )]
    Unproved {
        /// The document.
        document: DocumentId,
        /// Which.
        why: ProveError,
    },
    /// The file would be longer than any device reads.
    #[error("this takes more than {} MiB or {MAX_CHANGES} records: pack fewer visits", MAX_FILE_BYTES / 1024 / 1024)]
    TooLong,
}

/// A file that isn't taken. Nothing of it was.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum CarryError {
    /// Longer than any device reads.
    #[error("this file has {bytes} bytes: a carry file has at most {MAX_FILE_BYTES}")]
    TooLong {
        /// How many.
        bytes: usize,
    },
    /// Something else altogether.
    #[error("this is not a carry file: give one that “gravelbar carry out” wrote")]
    NotOne,
    /// A later program wrote it.
    #[error(
        "this file is of format {0}, which is newer than this program: update this device, the file stays good"
    )]
    Newer(u8),
    /// It is sealed.
    #[error("this file is sealed to an office's key: only the office opens it")]
    Sealed,
    /// Its end is missing, or something stands behind it.
    #[error(
        "this file has {bytes} bytes and should have {should}: copy it again from where it was written"
    )]
    Length {
        /// How many it has.
        bytes: usize,
        /// How many it should have.
        should: usize,
    },
    /// Bytes were changed.
    #[error(
        "this file is damaged between byte {from} and byte {to}: copy it again from where it was written"
    )]
    Damaged {
        /// The first byte of the stretch.
        from: usize,
        /// The last byte of the stretch.
        to: usize,
    },
    /// The signature over all doesn't fit.
    #[error(
        "the signature of the device that packed this file doesn't fit: it was altered after it was packed, or its last bytes are damaged; copy it again"
    )]
    Signature,
    /// It was signed like this: the program that packed it is faulty or hostile.
    #[error(
        "what this file says isn't so at byte {at} ({what}): it was packed by a faulty or tampered program; don't take records from there"
    )]
    Malformed {
        /// Where.
        at: usize,
        /// What.
        what: &'static str,
    },
}

/// A document of a file whose records don't prove themselves. Nothing of it is to be taken.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum NotVerified {
    /// A change isn't proved.
    #[error(
        "records in the file are not by the devices they name ({0}): it was packed by a faulty or tampered program; nothing of it is taken"
    )]
    Unproved(ProofError),
    /// A change isn't one of this document.
    #[error(
        "records in the file don't fit its visit ({0}): it was packed by a faulty or tampered program; nothing of it is taken"
    )]
    Refused(Refusal),
    /// A change is there twice or builds on others that aren't there, or the end isn't what the
    /// manifest says.
    #[error("the file doesn't hold the whole visit that it says it holds: pack it again")]
    NotWhole,
}

/// A key that isn't one.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum OfficeKeyError {
    /// Not a key, or mistyped.
    #[error("this is no office key: give the line that begins with “gravelbar-office-key-1-”")]
    NotAKey,
    /// The secret half where the public one belongs, or the other way round.
    #[error(
        "this is the other half of an office key: files are sealed with the public one and opened with the secret one"
    )]
    OtherHalf,
}

/// A file that can't be sealed or opened.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum SealError {
    /// The file itself.
    #[error(transparent)]
    File(#[from] CarryError),
    /// It isn't sealed.
    #[error("this file isn't sealed: it can be read as it is")]
    NotSealed,
    /// Sealed to another key.
    #[error("this file was sealed to another office's key ({0}…)")]
    OtherKey(String),
    /// Bytes were changed, left out or put in.
    #[error(
        "this sealed file is damaged at byte {at} or behind it: copy it again from where it was written"
    )]
    Damaged {
        /// Where.
        at: usize,
    },
    /// The key can't be used.
    #[error("the office's key can't be used: make a new one")]
    Key,
}
