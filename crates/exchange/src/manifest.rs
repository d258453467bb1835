//! What a file says of itself, in front: which documents, how many changes, packed by what.

use gravelbar_ledger::{ChangeHash, DocumentId};
use serde::{Deserialize, Serialize};

use crate::cursor::Cursor;
use crate::error::CarryError;
use crate::{MAX_CHANGES, MAX_DOCUMENTS};

/// The longest manifest.
pub(crate) const MAX_MANIFEST_BYTES: usize = 256 * 1024;

/// The most heads a document is said to have.
const MAX_HEADS: usize = 64;

/// The longest name of a program.
const MAX_PROGRAM_CHARS: usize = 100;

/// What is in a file.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Manifest {
    /// The program that packed it, with its version.
    pub program: String,
    /// When, by the packing device's clock, seconds since 1970. For show only.
    pub packed_at_s: i64,
    /// The documents, ascending by id.
    pub documents: Vec<CarriedLine>,
}

/// One document of a file.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct CarriedLine {
    /// Its id.
    pub id: DocumentId,
    /// How long the text is that says what it is about, bytes.
    pub about_bytes: usize,
    /// Its heads, ascending; none where it holds no changes.
    pub heads: Vec<ChangeHash>,
    /// How many changes it holds.
    pub changes: usize,
    /// How long they are together with what proves them, bytes.
    pub bytes: usize,
}

impl Manifest {
    /// Reads a manifest, spelled as it is written and in no other way.
    pub(crate) fn read(cursor: &mut Cursor<'_>) -> Result<Self, CarryError> {
        let length = cursor.at_most(MAX_MANIFEST_BYTES, "the manifest's length")?;
        let wrong = cursor.wrong("the manifest");
        let text = cursor.take(length, "the manifest's length")?;
        let manifest: Self = serde_json::from_slice(text).map_err(|_| wrong.clone())?;
        if manifest.to_bytes() == text && manifest.is_sound() {
            Ok(manifest)
        } else {
            Err(wrong)
        }
    }

    pub(crate) fn to_bytes(&self) -> Vec<u8> {
        // Every key is a text and every value a number or a text, so nothing can be refused.
        serde_json::to_vec(self).unwrap_or_default()
    }

    fn is_sound(&self) -> bool {
        let ids = || self.documents.iter().map(|d| d.id);
        let ascending = ids().zip(ids().skip(1)).all(|(one, next)| one < next);
        let changes = (self.documents.iter()).try_fold(0_usize, |n, d| n.checked_add(d.changes));
        (1..=MAX_DOCUMENTS).contains(&self.documents.len())
            && ascending
            && changes.is_some_and(|n| n <= MAX_CHANGES)
            && self.program.chars().count() <= MAX_PROGRAM_CHARS
            && !self.program.chars().any(char::is_control)
            && (self.documents.iter()).all(|d| d.heads.len() <= MAX_HEADS)
    }
}
