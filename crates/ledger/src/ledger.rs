//! A document on one device: its log, its records, and the ways in and out.

use std::collections::HashSet;
use std::fmt;
use std::sync::Arc;

use crate::document::{SpoiltError, fenced};
use crate::gate::{self, Chunk, Draft, Refusal};
use crate::history::UnknownHeadsError;
use crate::ids::{ChangeHash, DocumentId, RecordId, Writer};
use crate::logged::{Covered, LoggedChange, Record, Vector};
use crate::outcome::{AboutError, AppendError, Appended, Claims, Received, Refused};
use crate::replica::Replica;
use crate::shape::{
    self, CLOCK_S, MAX_ABOUT_BYTES, MAX_BODY_BYTES, MAX_DEPS, MAX_RECORDS_PER_CHANGE, Writing,
};

/// One document on one device.
pub struct Ledger {
    about: Arc<str>,
    writer: Writer,
    replica: Replica,
    /// Foreign changes applied since the document was last saved, loaded and compared.
    unproven: usize,
}

impl fmt::Debug for Ledger {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Ledger")
            .field("id", &self.replica.id)
            .field("writer", &self.writer)
            .field("changes", &self.replica.history.log().len())
            .finish_non_exhaustive()
    }
}

impl Ledger {
    /// A document about `about` that holds no records yet. `writer` must be new at every start of
    /// the program: numbers are never taken up again.
    ///
    /// # Errors
    ///
    /// `about` is empty or longer than [`MAX_ABOUT_BYTES`].
    pub fn create(about: &str, writer: Writer) -> Result<Self, AboutError> {
        if about.is_empty() {
            return Err(AboutError::Empty);
        }
        if about.len() > MAX_ABOUT_BYTES {
            return Err(AboutError::TooLong { bytes: about.len() });
        }
        Ok(Self {
            about: Arc::from(about),
            writer,
            replica: Replica::starting(about, gate::admit),
            unproven: 0,
        })
    }

    /// The name of the document about `about`: the first sixteen bytes of a SHA-256 over it.
    #[must_use]
    pub fn document_id(about: &str) -> DocumentId {
        shape::document_id(about)
    }

    /// The document with the changes of a stored log, in any order. They pass the gate like foreign
    /// ones: a disk is not to be trusted more than a peer.
    ///
    /// # Errors
    ///
    /// `about` is empty or longer than [`MAX_ABOUT_BYTES`].
    pub fn restore(
        about: &str,
        writer: Writer,
        changes: impl IntoIterator<Item = Vec<u8>>,
    ) -> Result<(Self, Received), AboutError> {
        let mut ledger = Self::create(about, writer)?;
        let received = ledger.take_in(changes.into_iter().collect(), false);
        Ok((ledger, received))
    }

    /// The document's name.
    #[must_use]
    pub fn id(&self) -> DocumentId {
        self.replica.id
    }

    /// What the document is about.
    #[must_use]
    pub fn about(&self) -> &str {
        &self.about
    }

    /// Whom this ledger writes as.
    #[must_use]
    pub fn writer(&self) -> Writer {
        self.writer
    }

    /// The changes nothing else builds on, in ascending order. Equal heads mean equal documents.
    #[must_use]
    pub fn heads(&self) -> Vec<ChangeHash> {
        self.replica.history.heads().iter().copied().collect()
    }

    /// How far each writer's changes reach here.
    #[must_use]
    pub fn vector(&self) -> &Vector {
        self.replica.history.vector()
    }

    /// All records in the order by (`lamport`, `id`), the same on all devices with these heads.
    pub fn records(&self) -> impl DoubleEndedIterator<Item = &Record> + ExactSizeIterator {
        self.replica.history.records()
    }

    /// One record.
    #[must_use]
    pub fn record(&self, id: RecordId) -> Option<&Record> {
        self.replica.history.record(id)
    }

    /// All changes but the document's first, causes before effects.
    #[must_use]
    pub fn log(&self) -> &[Arc<LoggedChange>] {
        self.replica.history.log()
    }

    /// Whether the change is here.
    #[must_use]
    pub fn holds(&self, hash: ChangeHash) -> bool {
        self.replica.history.holds(hash)
    }

    /// What someone who has `have` lacks: causes before effects, at most `max_changes` and about
    /// `max_bytes`, but at least one change while anything is lacking.
    #[must_use]
    pub fn missing(
        &self,
        have: &Vector,
        max_changes: usize,
        max_bytes: usize,
    ) -> Vec<Arc<LoggedChange>> {
        self.replica.history.missing(have, max_changes, max_bytes)
    }

    /// How far the history of `heads` reaches.
    ///
    /// # Errors
    ///
    /// Some of the heads aren't here.
    pub fn vector_at(&self, heads: &[ChangeHash]) -> Result<Vector, UnknownHeadsError> {
        self.replica.history.vector_at(heads)
    }

    /// The records in the history of `heads`: what a signature on these heads covers.
    ///
    /// # Errors
    ///
    /// Some of the heads aren't here.
    pub fn records_at(&self, heads: &[ChangeHash]) -> Result<Covered, UnknownHeadsError> {
        self.replica.history.records_at(heads)
    }

    /// Writes records down in one change. It takes the same way in as a foreign change does.
    ///
    /// # Errors
    ///
    /// The bodies don't keep to the limits, the clock is absurd, or the document is full. Nothing
    /// was changed then.
    pub fn append(&mut self, bodies: &[String], time_s: i64) -> Result<Appended, AppendError> {
        if bodies.is_empty() || bodies.len() > MAX_RECORDS_PER_CHANGE {
            return Err(AppendError::RecordCount {
                records: bodies.len(),
            });
        }
        for body in bodies {
            if body.is_empty() || body.len() > MAX_BODY_BYTES {
                return Err(AppendError::BodyLength { bytes: body.len() });
            }
        }
        if !CLOCK_S.contains(&time_s) {
            return Err(AppendError::Clock { time_s });
        }
        let deps = self.deps();
        let standing = self.replica.history.standing(self.writer);
        let writing = Writing {
            document: self.replica.id,
            deps: &deps,
            writer: self.writer,
            number: standing.changes + 1,
            start_op: self.replica.history.next_op(&deps),
            time_s,
            first: standing.next_record,
            shard_op: standing.shard_op,
            bodies,
        };
        writing.layout().ok_or(AppendError::Full)?;
        let change = fenced(|| writing.change()).ok_or(AppendError::Library)?;
        let draft = match gate::read(change.raw_bytes()) {
            Ok(draft) => draft,
            Err(Refusal::TooLong { bytes }) => return Err(AppendError::TooLong { bytes }),
            Err(_) => return Err(AppendError::Library),
        };
        let taken = self.take(vec![draft], false);
        let change = taken
            .applied
            .into_iter()
            .next()
            .ok_or(AppendError::Library)?;
        Ok(Appended {
            records: change.record_ids().collect(),
            change,
        })
    }

    /// Whose change these bytes claim to be, without taking it in. Whether that writer may write
    /// here, and whether it is really theirs, is for the caller to check, before
    /// [`receive`](Self::receive).
    ///
    /// # Errors
    ///
    /// The bytes are no change of records, whoever's.
    pub fn claims(bytes: &[u8]) -> Result<Claims, Refusal> {
        let draft = gate::read(bytes)?;
        Ok(Claims {
            writer: draft.writer,
            number: draft.number,
            hash: draft.hash,
        })
    }

    /// What the records in these bytes say, without taking them in: for what must be shown before the history
    /// it belongs to is here. Whose they are is for the caller to check first.
    ///
    /// # Errors
    ///
    /// The bytes are no change of records, whoever's.
    pub fn bodies(bytes: &[u8]) -> Result<Vec<Arc<str>>, Refusal> {
        Ok(gate::read(bytes)?.bodies)
    }

    /// Takes in changes from elsewhere, in any order, whatever the bytes are. A bad one doesn't
    /// keep the good ones out.
    pub fn receive(&mut self, changes: Vec<Vec<u8>>) -> Received {
        let mut received = self.take_in(changes, true);
        received.own = (received.applied.iter())
            .filter(|change| change.writer.device == self.writer.device)
            .count();
        received
    }

    /// Saves the document, loads it again and compares. A spoilt document is first built anew from
    /// the log.
    ///
    /// # Errors
    ///
    /// The library doesn't give back what was put into it.
    pub fn verify(&mut self) -> Result<(), SpoiltError> {
        if self.replica.save().is_err() {
            self.replica = self.replica.replayed(self.replica.history.log());
            self.replica.save()?;
        }
        self.unproven = 0;
        Ok(())
    }

    /// The document as a file that any Automerge program reads, the same for equal heads. It is
    /// built anew from the log, loaded again and compared before it is handed out.
    ///
    /// # Errors
    ///
    /// The library doesn't give back what was put into it.
    pub fn save(&self) -> Result<Vec<u8>, SpoiltError> {
        let fresh = self.replica.replayed(&self.replica.history.settled_order());
        if fresh.history.heads() != self.replica.history.heads() {
            return Err(SpoiltError);
        }
        fresh.save()
    }

    /// What a new change builds on: the heads, and the writer's own previous change, which
    /// Automerge lists even where another builds on it already. If there are more heads than a
    /// change may list, those that reach highest; the next changes take the others.
    fn deps(&self) -> Vec<ChangeHash> {
        let standing = self.replica.history.standing(self.writer);
        let own = self
            .replica
            .history
            .change_of(self.writer, standing.changes);
        let own = own.map(|change| change.hash);
        let mut heads: Vec<_> = (self.replica.history.heads().iter().copied())
            .filter(|head| Some(*head) != own)
            .collect();
        let room = MAX_DEPS - usize::from(own.is_some());
        if heads.len() > room {
            heads.sort_by_key(|head| std::cmp::Reverse(self.replica.history.last_op(*head)));
            heads.truncate(room);
        }
        heads.extend(own);
        heads.sort_unstable();
        heads
    }

    fn take_in(&mut self, changes: Vec<Vec<u8>>, foreign: bool) -> Received {
        let mut received = Received::default();
        let mut drafts = Vec::new();
        let mut seen = HashSet::new();
        for bytes in changes {
            let draft = Chunk::open(&bytes).and_then(|chunk| {
                let known = self.replica.history.holds(chunk.hash) || !seen.insert(chunk.hash);
                if known {
                    Ok(None)
                } else {
                    chunk.read().map(Some)
                }
            });
            match draft {
                Ok(None) => received.duplicates += 1,
                Ok(Some(draft)) => drafts.push(draft),
                Err(refusal) => received.refused.push(Refused { bytes, refusal }),
            }
        }
        let taken = self.take(drafts, foreign);
        received.applied = taken.applied;
        for (draft, refusal) in taken.refused {
            let bytes = draft.bytes.to_vec();
            if refusal.is_early() {
                received.waiting.push(Refused { bytes, refusal });
            } else {
                received.refused.push(Refused { bytes, refusal });
            }
        }
        received
    }

    /// Takes in what the gate allows of the drafts.
    fn take(&mut self, mut drafts: Vec<Draft>, foreign: bool) -> Taken {
        // A change counts its operations on from all it builds on, or the gate refuses it. So in
        // this order everything a change needs comes before it, and one pass is enough.
        drafts.sort_by_key(|draft| draft.start_op);
        let held = self.replica.history.log().len();
        let due = self.unproven + drafts.len() >= PROOF_EVERY.max(held / 2);
        let mut prove = foreign && due;
        let mut refused = Vec::new();
        while !drafts.is_empty() {
            if let Ok(turned_away) = self.replica.extend(&drafts, prove) {
                refused.extend(turned_away);
                if foreign {
                    self.unproven = if due { 0 } else { self.unproven + drafts.len() };
                }
                break;
            }
            // The document is lost; the log as it was before these drafts is not.
            self.replica = self.replica.replayed(&self.replica.history.log()[..held]);
            match self.replica.fails_with(&drafts, prove) {
                // The log itself can't be saved and loaded, whatever came now. Recording goes on;
                // `verify` and `save` say so.
                0 if prove => prove = false,
                0 => refused.extend(drafts.drain(..).map(|draft| (draft, Refusal::Library))),
                count if count <= drafts.len() => {
                    refused.push((drafts.remove(count - 1), Refusal::Library));
                }
                // It was the old document that was spoilt; with the new one they fit.
                _ => {}
            }
        }
        let applied = self.replica.history.log()[held..].to_vec();
        Taken { applied, refused }
    }
}

struct Taken {
    applied: Vec<Arc<LoggedChange>>,
    refused: Vec<(Draft, Refusal)>,
}

/// How many foreign changes come in before the document is saved, loaded and compared again: at
/// least this many, and half of what the document holds.
///
/// The check costs time in proportion to the whole document. Repeated at every half more, all the
/// checks together cost at most three times the last one, so a fixed amount for each change, and
/// a document file is compared once more whenever it is really written ([`Ledger::save`]).
const PROOF_EVERY: usize = 256;

#[cfg(test)]
mod tests;
