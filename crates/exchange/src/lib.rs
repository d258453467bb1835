//! Visits and crew books as one file, for a memory stick or a share.
//!
//! A carry file holds documents as they travel between devices: what each is about, all its
//! changes as they were written, and beside them the openings and signatures that say whose they
//! are ([`gravelbar_proof`]). A manifest in front says what is in it; the device that packed it signs
//! everything at the end. There are no paths in it: documents are named by their ids, and
//! nothing in a file says where anything is to be put. It can be sealed to an office's key
//! ([`seal()`]), so that a stick that is lost shows nothing.
//!
//! [`CarryFile::read`] takes a file or refuses it whole, and says where it is damaged.
//! [`Carried::verify`] then proves every change by itself, years later and with nothing but
//! the file. Who may write in a document is the reader's to say.
//!
//! This crate knows no fish and does no I/O. `FORMAT.md` beside it describes all bytes. A file
//! takes at most [`MAX_FILE_BYTES`]; reading one takes memory for its bytes twice over, and for a
//! document that is verified what its ledger takes.

mod cursor;
mod error;
mod file;
mod manifest;
mod office;
mod pack;
mod seal;
mod stored;
mod verify;

pub use error::{CarryError, NotVerified, OfficeKeyError, PackError, SealError};
pub use file::{CarryFile, Form, form_of};
pub use manifest::{CarriedLine, Manifest};
pub use office::{OfficeKey, OfficeSecret};
pub use pack::{Contents, Packer};
pub use seal::{seal, unseal};
pub use stored::{News, Stored};
pub use verify::{Carried, Parcel, Verified};

/// The longest file read or written, sealed or not.
pub const MAX_FILE_BYTES: usize = 64 * 1024 * 1024;

/// The most documents in one file.
pub const MAX_DOCUMENTS: usize = 64;

/// The most changes in one file.
pub const MAX_CHANGES: usize = 400_000;
