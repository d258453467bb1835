//! What opening, committing and reading can be refused for, in words a crew can act on.

use rusqlite::ErrorCode;
use thiserror::Error;

use crate::lock::{Lock, NewLock};
use crate::vault::NoRandomness;

/// Why a data folder could not be opened.
#[derive(Debug, Error)]
#[non_exhaustive]
pub enum OpenError {
    /// Another process has the folder open.
    #[error(
        "this data folder is already open in another Gravelbar on this device; close that one first"
    )]
    InUse,
    /// A newer program wrote the folder.
    #[error(
        "this data folder was written by a newer Gravelbar (format {found}, this one knows up to {known}); \
         update Gravelbar on this device, nothing has been touched"
    )]
    Newer {
        /// The format version found.
        found: i64,
        /// The newest this program knows.
        known: i64,
    },
    /// The folder is locked, and nothing came to open it with.
    #[error("this device's data are locked: {}", what_opens(*lock))]
    Locked {
        /// What opens it.
        lock: Lock,
    },
    /// What came doesn't open it.
    #[error("this doesn't open this device's data: {}", what_opens(*lock))]
    WrongKey {
        /// What opens it.
        lock: Lock,
    },
    /// The record is there and the file that opens it isn't, or can't be read.
    #[error(
        "the files `keys` and `keys-copy` of this data folder are {how}, and without one of them nothing in it can be read; \
         put one back from a copy of the folder"
    )]
    NoKeys {
        /// Missing or damaged.
        how: &'static str,
    },
    /// Written by an older program, and damaged.
    #[error(
        "this data folder is of an older format and damaged ({detail}); open it once with the Gravelbar that wrote it, \
         which sets the damage right, then again with this one. Nothing has been touched"
    )]
    OlderAndDamaged {
        /// What is wrong.
        detail: String,
    },
    /// Nothing to read and no way to write.
    #[error(
        "this data folder cannot be written to and holds nothing to read yet; choose another folder"
    )]
    NothingToRead,
    /// The disk has no room for even an empty record.
    #[error("the disk is full; free some space (photos, downloads) and open again")]
    DiskFull,
    /// The record cannot be read and could not be set aside either.
    #[error(
        "the record in this data folder is damaged ({detail}); keep the folder as it is and copy it before anything else"
    )]
    Damaged {
        /// What the check said.
        detail: String,
    },
    /// The disk or the system refused.
    #[error("the data folder could not be opened: {detail}")]
    Io {
        /// What the system said.
        detail: String,
    },
}

fn what_opens(lock: Lock) -> &'static str {
    match lock {
        Lock::Open => "open it without anything",
        Lock::Passphrase => {
            "enter the passphrase, or the recovery key that was shown when it was set"
        }
        Lock::Platform => {
            "start it the way this device does, or enter the recovery key that was shown when it was set"
        }
    }
}

/// Why a folder's lock was not changed. The old one holds.
#[derive(Debug, Error)]
#[non_exhaustive]
pub enum LockError {
    /// A short passphrase is guessed in no time by who has the device.
    #[error(
        "a passphrase takes at least {} characters: four words that have nothing to do with each other are easy to keep",
        NewLock::SHORTEST
    )]
    TooShort,
    /// No memory to stretch a passphrase.
    #[error(
        "this device has no memory free to lock itself with a passphrase (64 MiB); close other programs and try again"
    )]
    NotStretched,
    /// The system gives no random numbers.
    #[error("the lock was not changed: {0}")]
    NoRandomness(&'static str),
    /// The folder can't be written.
    #[error("the lock was not changed, the data folder can't be written: {detail}")]
    Io {
        /// What the system said.
        detail: String,
    },
}

impl From<NoRandomness> for LockError {
    fn from(_: NoRandomness) -> Self {
        Self::NoRandomness("the system gives no random numbers")
    }
}

impl From<NoRandomness> for OpenError {
    fn from(error: NoRandomness) -> Self {
        Self::Io {
            detail: error.to_string(),
        }
    }
}

impl From<NoRandomness> for CommitError {
    fn from(error: NoRandomness) -> Self {
        rusqlite::Error::from(error).into()
    }
}

impl From<std::io::Error> for LockError {
    fn from(error: std::io::Error) -> Self {
        Self::Io {
            detail: error.to_string(),
        }
    }
}

/// Why a batch was not saved. In every case nothing of the batch may be shown as saved.
#[derive(Debug, Error, PartialEq, Eq)]
#[non_exhaustive]
pub enum CommitError {
    /// No room.
    #[error(
        "not saved: the disk is full. Free some space on this device, then enter it again; \
         a stop-work can still be saved from the reserve"
    )]
    DiskFull,
    /// The folder can only be read.
    #[error(
        "not saved: this data folder can only be read. Move the data to a disk that can be written, or record on another device"
    )]
    ReadOnly,
    /// The disk failed while saving. The store takes no more until it is reopened.
    #[error(
        "not saved: the disk failed while saving ({detail}). Record on another device or on paper until this one has checked its disk"
    )]
    SyncFailed {
        /// What the disk said.
        detail: String,
    },
    /// An earlier commit failed on the disk and the store has not been reopened since.
    #[error(
        "not saved: an earlier save failed ({because}) and this device has not yet checked its disk"
    )]
    Halted {
        /// The failure that halted the store.
        because: String,
    },
    /// The same writer and number is already kept with other bytes.
    #[error(
        "not saved: change {number} of writer {} is already kept with different bytes; \
         two devices write under one name, as after a restored backup",
        hex(writer)
    )]
    Fork {
        /// The document.
        document: [u8; 16],
        /// The writer both changes name.
        writer: [u8; 16],
        /// The number both changes bear.
        number: u64,
    },
    /// The record on disk is damaged where the batch had to write.
    #[error(
        "not saved: the record on this device's disk is damaged ({detail}). Record on another device; opening the folder again sets the damaged file aside"
    )]
    Damaged {
        /// What was found.
        detail: String,
    },
}

/// Why something could not be read.
#[derive(Debug, Error, PartialEq, Eq)]
#[non_exhaustive]
pub enum ReadError {
    /// The row is there, but not as it was written.
    #[error("{what} on this device's disk is damaged and cannot be trusted")]
    Damaged {
        /// What was asked for.
        what: String,
    },
    /// The disk or the database refused.
    #[error("reading from this device's disk failed: {detail}")]
    Io {
        /// What was said.
        detail: String,
    },
    /// An attempt to reopen failed, so nothing is open.
    #[error("the data folder is not open; try to reopen it")]
    Closed,
}

pub(crate) fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|byte| format!("{byte:02x}")).collect()
}

/// The few causes that matter to a crew, told apart from a database error.
pub(crate) enum Cause {
    Full,
    ReadOnly,
    Busy,
    Damaged,
    Other,
}

pub(crate) fn cause(error: &rusqlite::Error) -> Cause {
    match error.sqlite_error_code() {
        Some(ErrorCode::DiskFull) => Cause::Full,
        Some(ErrorCode::ReadOnly) => Cause::ReadOnly,
        Some(ErrorCode::DatabaseBusy | ErrorCode::DatabaseLocked) => Cause::Busy,
        Some(ErrorCode::DatabaseCorrupt | ErrorCode::NotADatabase) => Cause::Damaged,
        _ => Cause::Other,
    }
}

impl From<rusqlite::Error> for CommitError {
    fn from(error: rusqlite::Error) -> Self {
        match cause(&error) {
            Cause::Full => Self::DiskFull,
            Cause::ReadOnly => Self::ReadOnly,
            Cause::Damaged => Self::Damaged {
                detail: error.to_string(),
            },
            Cause::Busy | Cause::Other => Self::SyncFailed {
                detail: error.to_string(),
            },
        }
    }
}

impl From<rusqlite::Error> for ReadError {
    fn from(error: rusqlite::Error) -> Self {
        match cause(&error) {
            Cause::Damaged => Self::Damaged {
                what: "the record".into(),
            },
            _ => Self::Io {
                detail: error.to_string(),
            },
        }
    }
}

impl From<rusqlite::Error> for OpenError {
    fn from(error: rusqlite::Error) -> Self {
        match cause(&error) {
            Cause::Full => Self::DiskFull,
            Cause::Busy => Self::InUse,
            Cause::Damaged => Self::Damaged {
                detail: error.to_string(),
            },
            Cause::ReadOnly | Cause::Other => Self::Io {
                detail: error.to_string(),
            },
        }
    }
}

impl From<std::io::Error> for OpenError {
    fn from(error: std::io::Error) -> Self {
        if error.kind() == std::io::ErrorKind::StorageFull {
            Self::DiskFull
        } else {
            Self::Io {
                detail: error.to_string(),
            }
        }
    }
}
