//! Joined visits: what one document takes in of another is brought by every device that holds
//! both, a little in each turn.

use std::collections::BTreeMap;

use gravelbar_visit::{DocumentId, JoinNames, Visit};
use ring::rand::{SecureRandom, SystemRandom};

use super::Device;
use crate::node::Joinable;

/// What others wrote is left to whoever wrote it for this long, and up to as long again: most of
/// it is brought by then, and a crew of twelve doesn't carry everything twelve times.
const LEFT_TO_OTHERS_MS: i64 = 3_000;

/// When the next change of one document is to be brought into another.
pub(super) type Due = BTreeMap<(DocumentId, DocumentId), i64>;

impl Device {
    /// The visits here that one takes in, apart from what those take in themselves.
    fn taken_in(&self, into: DocumentId) -> Vec<DocumentId> {
        let held = self.visit(into);
        held.map_or_else(Vec::new, |held| held.visit.takes_in().collect())
    }

    /// Brings what is due, at most one parcel for each pair of documents, and notes what is due
    /// later. What this device wrote goes at once.
    pub(super) fn bring_joined(&mut self) {
        if self.not_saving.is_some() {
            return;
        }
        let now_ms = self.now().timestamp_millis();
        let visits: Vec<DocumentId> = self.visits().map(|(id, _)| id).collect();
        let mut due = Due::new();
        for into in visits {
            for from in self.taken_in(into) {
                self.ensure_open(from);
                if !self.lacks(into, from) {
                    continue;
                }
                let ours = [into, from].iter().any(|id| self.turn.written.contains(id));
                let known = self.to_bring.get(&(into, from)).copied();
                let at_ms = if ours {
                    now_ms
                } else {
                    known.unwrap_or_else(|| now_ms + LEFT_TO_OTHERS_MS + some_of(LEFT_TO_OTHERS_MS))
                };
                if at_ms > now_ms {
                    due.insert((into, from), at_ms);
                } else {
                    self.bring(into, from);
                    if self.lacks(into, from) {
                        due.insert((into, from), now_ms);
                    }
                }
            }
        }
        self.to_bring = due;
    }

    fn lacks(&self, into: DocumentId, from: DocumentId) -> bool {
        match (self.visit(into), self.visit(from)) {
            (Some(into), Some(from)) => into.visit.lacks_of(&from.visit),
            _ => false,
        }
    }

    fn bring(&mut self, into: DocumentId, from: DocumentId) {
        let (by, at) = (self.speaker(into), self.now());
        let Some(mut held) = self.documents.remove(&into) else {
            return;
        };
        let other = self.visit(from).map(|held| &held.visit);
        let brought = match (held.as_visit_mut(), other) {
            (Some(visit), Some(other)) => visit.visit.bring(other, &by, at),
            _ => Ok(Vec::new()),
        };
        match brought {
            Ok(written) => {
                let changes: Vec<_> = written.into_iter().map(|w| w.change).collect();
                held.moved(&changes);
                self.documents.insert(into, held);
                for change in changes {
                    self.put_down(into, &change, None);
                }
            }
            Err(error) => {
                self.documents.insert(into, held);
                self.notice(format!(
                    "records of a joined visit can't be brought over: {error}"
                ));
            }
        }
    }

    /// Two visits side by side, and how they stand to each other; the one that takes in the other
    /// first.
    pub(super) fn joinable_visits(
        &mut self,
        one: DocumentId,
        other: DocumentId,
    ) -> Option<Joinable> {
        self.ensure_open(one);
        self.ensure_open(other);
        let (into, from) = (one.min(other), one.max(other));
        let visit = |id| self.visit(id).map(|held| &held.visit);
        let (into, from): (&Visit, &Visit) = (visit(into)?, visit(from)?);
        if into.id() == from.id() {
            return None;
        }
        let joined = into.joined().iter().find(|j| j.visit == from.id());
        let names = joined.map_or_else(JoinNames::default, |joined| joined.names.clone());
        Some(Joinable {
            preview: into.preview(from, &names),
            joined: joined.cloned(),
        })
    }

    /// The visit here that takes in another one.
    pub(super) fn joined_into(&self, from: DocumentId) -> Option<DocumentId> {
        let mut visits = self.visits();
        let into = visits.find(|(_, held)| held.visit.joined_as(from).is_some());
        into.map(|(id, _)| id)
    }
}

/// A random part of some milliseconds; none where the system gives no random numbers, which costs
/// some parcels that another device brings as well.
fn some_of(ms: i64) -> i64 {
    let mut byte = [0_u8; 1];
    match SystemRandom::new().fill(&mut byte) {
        Ok(()) => ms * i64::from(byte[0]) / 256,
        Err(_) => 0,
    }
}
