//! The gate every change passes before the log and the document take it.
//!
//! Why what passes is harmless. A change is determined by eight things: the changes it builds on,
//! its writer, its number, its first operation counter, a clock reading, the number of its first
//! record, the map that record goes into, and the bodies. Four of these follow from the log once
//! the writer and the changes it builds on are known: its number, its counter, its first record's
//! number and the map. So [`Chunk::read`] takes the free ones out of the bytes, [`rewrite`] derives
//! the rest and writes the change that says so, and [`admit`] compares. Equal bytes *are* a change
//! this program would itself have written at that point. Anything else (an overwrite, a delete, a
//! counter, another writer's shard, a key used twice, an unusual encoding, a bomb) differs
//! somewhere and is refused. A mistake in the reader can't let one through, because what it read is
//! only used to write the change again. And since the document is given the change written here,
//! Automerge's parser never meets the bytes from outside.

mod chunk;
mod refusal;

use std::sync::Arc;

use automerge::Change;

pub(crate) use chunk::{Chunk, Draft};
pub use refusal::Refusal;

use crate::document::fenced;
use crate::history::History;
use crate::ids::DocumentId;
use crate::logged::LoggedChange;
use crate::shape::Writing;

/// A change that may enter, with all that the log wants to know of it.
pub(crate) struct Admitted {
    pub(crate) change: Change,
    pub(crate) logged: Arc<LoggedChange>,
    pub(crate) bodies: Vec<Arc<str>>,
    pub(crate) shard_op: u64,
}

/// Reads a change's bytes.
pub(crate) fn read(bytes: &[u8]) -> Result<Draft, Refusal> {
    Chunk::open(bytes)?.read()
}

/// A gate: holds a draft against the log. In use there is only [`admit`]; tests put weaker ones in
/// its place to see that the checks behind it hold too.
pub(crate) type Gate = fn(DocumentId, &History, &Draft) -> Result<Admitted, Refusal>;

/// Lets a draft through if its bytes are what this program would write at that point of the log.
pub(crate) fn admit(
    document: DocumentId,
    history: &History,
    draft: &Draft,
) -> Result<Admitted, Refusal> {
    let admitted = rewrite(document, history, draft)?;
    if admitted.change.raw_bytes() != &*draft.bytes {
        return Err(Refusal::NotAsWritten);
    }
    Ok(admitted)
}

/// Holds a draft against the log and writes the change that says the same.
pub(crate) fn rewrite(
    document: DocumentId,
    history: &History,
    draft: &Draft,
) -> Result<Admitted, Refusal> {
    let Draft { writer, number, .. } = *draft;
    if writer.to_bytes() == document.0 {
        return Err(Refusal::FirstChangeWriter);
    }
    if let Some(held) = history.change_of(writer, number) {
        return Err(Refusal::Fork {
            writer,
            number,
            held: held.hash,
            got: draft.hash,
        });
    }
    let standing = history.standing(writer);
    if number != standing.changes + 1 {
        return Err(Refusal::Gap {
            writer,
            have: standing.changes,
            got: number,
        });
    }
    if let Some(previous) = history.change_of(writer, number - 1)
        && !draft.deps.contains(&previous.hash)
    {
        return Err(Refusal::Branch { writer, number });
    }
    let missing: Vec<_> = (draft.deps.iter().copied())
        .filter(|dep| !history.holds(*dep))
        .collect();
    if !missing.is_empty() {
        return Err(Refusal::UnknownDeps { missing });
    }
    // A counter only grows along a history, so the changes directly built on hold the highest.
    let start_op = history.next_op(&draft.deps);
    if draft.start_op != start_op {
        return Err(Refusal::StartOp {
            expected: start_op,
            got: draft.start_op,
        });
    }

    let writing = Writing {
        document,
        deps: &draft.deps,
        writer,
        number,
        start_op,
        time_s: draft.time_s,
        first: standing.next_record,
        shard_op: standing.shard_op,
        bodies: &draft.bodies,
    };
    let layout = writing.layout().ok_or(Refusal::Full)?;
    Ok(Admitted {
        change: fenced(|| writing.change()).ok_or(Refusal::Library)?,
        logged: Arc::new(LoggedChange {
            writer,
            number,
            hash: draft.hash,
            deps: draft.deps.clone(),
            start_op,
            last_op: layout.last_op,
            time_s: draft.time_s,
            records: layout.records,
            bytes: Arc::clone(&draft.bytes),
        }),
        bodies: draft.bodies.clone(),
        shard_op: layout.shard_op,
    })
}
