//! The Automerge document built from the log, behind a fence that holds its panics.

use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::Arc;

use automerge::{Automerge, Change, ObjType, ROOT, ReadDoc, ScalarValueRef, ValueRef};

use crate::history::History;
use crate::ids::{ChangeHash, RecordId};
use crate::logged::LoggedChange;
use crate::shape::{ABOUT_KEY, SHARDS_KEY};

/// The document library doesn't give back what was put into it. The log and the records in hand are
/// untouched by this; only files in the library's own format can't be written.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error(
    "the document library doesn't give back what was recorded; all records are safe in the log, \
     but no document file can be written from them"
)]
pub struct SpoiltError;

/// Runs library code; none if it panicked.
///
/// The closures given to this only touch a document that is thrown away when they fail, so a state
/// left half-changed is never seen: that is what `AssertUnwindSafe` asserts.
pub(crate) fn fenced<T>(run: impl FnOnce() -> T) -> Option<T> {
    catch_unwind(AssertUnwindSafe(run)).ok()
}

/// The document as the library holds it. It is a cache: whatever happens to it, it can be built
/// again from the log.
#[derive(Clone)]
pub(crate) struct Document(Automerge);

impl Document {
    /// The document with nothing but its first change.
    pub(crate) fn starting_from(genesis: Change) -> Self {
        let mut document = Automerge::new();
        // The change is our own and the first, so there is nothing for the library to refuse; if it
        // did, the heads would differ and every later change would be refused.
        let _applied = fenced(|| document.apply_changes([genesis]).is_ok());
        Self(document)
    }

    /// Applies changes in one go and looks whether the library has exactly the log's heads then.
    /// After an error the document is to be thrown away.
    pub(crate) fn apply(
        &mut self,
        changes: Vec<Change>,
        history: &History,
    ) -> Result<(), SpoiltError> {
        held(|| self.0.apply_changes(changes).is_ok() && has_heads(&self.0, history))
    }

    /// Looks whether the library, asked for these changes, puts the same bytes together again from
    /// its operations: what it will have to do when it loads the document from a file.
    pub(crate) fn gives_back(&self, changes: &[Arc<LoggedChange>]) -> Result<(), SpoiltError> {
        held(|| {
            changes.iter().all(|change| {
                let hash = automerge::ChangeHash(change.hash.0);
                (self.0.get_change_by_hash(&hash))
                    .is_some_and(|back| back.raw_bytes() == &*change.bytes)
            })
        })
    }

    /// Saves the document and loads it again; the bytes, if nothing was lost on the way.
    pub(crate) fn save(&self, about: &str, history: &History) -> Result<Vec<u8>, SpoiltError> {
        fenced(|| {
            let bytes = self.0.save();
            let loaded = Automerge::load(&bytes).ok()?;
            (has_heads(&loaded, history) && holds(&loaded, about, history)?).then_some(bytes)
        })
        .flatten()
        .ok_or(SpoiltError)
    }
}

/// Whether library code ran through and was content.
fn held(run: impl FnOnce() -> bool) -> Result<(), SpoiltError> {
    match fenced(run) {
        Some(true) => Ok(()),
        Some(false) | None => Err(SpoiltError),
    }
}

fn has_heads(document: &Automerge, history: &History) -> bool {
    let mut heads: Vec<_> = (document.get_heads().iter())
        .map(|head| ChangeHash(head.0))
        .collect();
    heads.sort_unstable();
    heads.iter().eq(history.heads())
}

/// Whether the document says what the log does: `about`, and each record once, in a map of its own
/// writer, without a second value beside it.
fn holds(document: &Automerge, about: &str, history: &History) -> Option<bool> {
    let (value, _) = document.get(ROOT, ABOUT_KEY).ok()??;
    if value.as_str() != Some(about) {
        return Some(false);
    }
    let (_, shards) = document.get(ROOT, SHARDS_KEY).ok()??;
    let mut records = 0;
    for shard in document.map_range(&shards, ..) {
        let (writer, _) = shard.key.split_once('/')?;
        let writer = writer.parse().ok()?;
        if shard.conflict || !matches!(shard.value, ValueRef::Object(ObjType::Map)) {
            return Some(false);
        }
        for item in document.map_range(shard.id(), ..) {
            let n = item.key.parse().ok()?;
            let ValueRef::Scalar(ScalarValueRef::Str(text)) = &item.value else {
                return Some(false);
            };
            let record = history.record(RecordId { writer, n })?;
            if item.conflict || *text != *record.body {
                return Some(false);
            }
            records += 1;
        }
    }
    Some(records == history.records().len())
}
