//! The log and the document together, extended as one.

use std::sync::Arc;

use crate::document::{Document, SpoiltError};
use crate::gate::{self, Draft, Gate, Refusal};
use crate::history::History;
use crate::ids::{ChangeHash, DocumentId};
use crate::logged::LoggedChange;
use crate::shape;

/// The log, and the Automerge document that follows from it.
///
/// The document takes every batch directly, not on a copy: it *is* the copy. The log alone is the
/// truth, so when the library panics, errs or gives back something else than it was given, the
/// whole replica is thrown away and replayed from the part of the log that was there before. A copy
/// of the document for every batch would cost more than applying the batch does.
#[derive(Clone)]
pub(crate) struct Replica {
    pub(crate) id: DocumentId,
    about: Arc<str>,
    pub(crate) history: History,
    document: Document,
    gate: Gate,
}

impl Replica {
    /// The document with nothing but its first change.
    pub(crate) fn starting(about: &str, gate: Gate) -> Self {
        let id = shape::document_id(about);
        let genesis = shape::genesis(id, about);
        Self {
            id,
            about: Arc::from(about),
            history: History::starting_from(ChangeHash(genesis.hash().0)),
            document: Document::starting_from(genesis),
            gate,
        }
    }

    /// The same document with these changes, which were all let in before, in an order that was let in
    /// before. Should the library fail on them nonetheless, the log is whole and whatever is to be
    /// added is refused.
    pub(crate) fn replayed(&self, log: &[Arc<LoggedChange>]) -> Self {
        let mut replica = Self::starting(&self.about, self.gate);
        let drafts: Vec<_> = (log.iter())
            .filter_map(|change| gate::read(&change.bytes).ok())
            .collect();
        let (changes, _) = replica.stage(&drafts);
        // A failure shows in the heads, which are compared at every extension.
        let _applied = replica.document.apply(changes, &replica.history);
        replica
    }

    /// Takes in those of the drafts that the gate allows, and says why not the others. The library
    /// has to give each of them back; with `prove`, also after saving and loading everything. After an error the replica is to be thrown
    /// away.
    pub(crate) fn extend(
        &mut self,
        drafts: &[Draft],
        prove: bool,
    ) -> Result<Vec<(Draft, Refusal)>, SpoiltError> {
        let before = self.history.log().len();
        let (changes, refused) = self.stage(drafts);
        self.document.apply(changes, &self.history)?;
        self.document.gives_back(&self.history.log()[before..])?;
        if prove {
            self.save()?;
        }
        Ok(refused)
    }

    /// How many of the drafts it takes for extending to fail: 0 if it fails without any, more than
    /// there are if it doesn't fail.
    pub(crate) fn fails_with(&self, drafts: &[Draft], prove: bool) -> usize {
        let mut counts = 0..drafts.len() + 1;
        while !counts.is_empty() {
            let middle = counts.start.midpoint(counts.end);
            let mut trial = self.clone();
            if trial.extend(&drafts[..middle], prove).is_ok() {
                counts.start = middle + 1;
            } else {
                counts.end = middle;
            }
        }
        counts.start
    }

    /// The document's file, loaded again and compared with the log.
    pub(crate) fn save(&self) -> Result<Vec<u8>, SpoiltError> {
        self.document.save(&self.about, &self.history)
    }

    /// Lets the drafts through the gate one by one, each held against a log that holds those before
    /// it already.
    fn stage(&mut self, drafts: &[Draft]) -> (Vec<automerge::Change>, Vec<(Draft, Refusal)>) {
        let mut changes = Vec::with_capacity(drafts.len());
        let mut refused = Vec::new();
        for draft in drafts {
            match (self.gate)(self.id, &self.history, draft) {
                Ok(admitted) => {
                    self.history
                        .push(admitted.logged, admitted.bodies, admitted.shard_op);
                    changes.push(admitted.change);
                }
                Err(refusal) => refused.push((draft.clone(), refusal)),
            }
        }
        (changes, refused)
    }
}
