//! Who had seen what: for every change, how many records of each writer its author held.

use std::collections::{BTreeMap, HashMap};

use gravelbar_ledger::{ChangeHash, LoggedChange, RecordId, Writer};

use crate::view::Past;

/// One change: what its author held before it, and the records it added.
struct Reach {
    /// The number of the last record held of each writer, by the writer's place; writers beyond
    /// its end weren't known.
    before: Box<[u32]>,
    writer: usize,
    last: u32,
}

/// The pasts of all changes, extended change by change. A writer's records are numbered as they
/// are made and each has seen the one before it, so one number per writer says it all. Writers are
/// kept by place, in the order met here, so that a question costs two look-ups.
#[derive(Default)]
pub(crate) struct Causes {
    places: BTreeMap<Writer, usize>,
    writers: Vec<Writer>,
    changes: HashMap<ChangeHash, usize>,
    reaches: Vec<Reach>,
    /// For each writer, the last record of each of its changes and the change.
    chains: Vec<Vec<(u32, usize)>>,
}

impl Causes {
    /// Takes a change whose causes were taken before.
    pub(crate) fn push(&mut self, change: &LoggedChange) {
        let before = self.joined(change.deps.iter().filter_map(|d| self.changes.get(d)));
        let next = self.writers.len();
        let writer = *self.places.entry(change.writer).or_insert(next);
        if writer == next {
            self.writers.push(change.writer);
            self.chains.push(Vec::new());
        }
        let place = self.reaches.len();
        let last = *change.records.end();
        self.changes.insert(change.hash, place);
        self.chains[writer].push((last, place));
        self.reaches.push(Reach {
            before: before.into_boxed_slice(),
            writer,
            last,
        });
    }

    /// What these changes and all they build on hold together.
    fn joined<'c>(&self, changes: impl Iterator<Item = &'c usize>) -> Vec<u32> {
        let mut held: Vec<u32> = Vec::new();
        for reach in changes.filter_map(|place| self.reaches.get(*place)) {
            if held.len() < reach.before.len() {
                held.resize(reach.before.len(), 0);
            }
            for (have, more) in held.iter_mut().zip(&reach.before) {
                *have = (*have).max(*more);
            }
            if held.len() <= reach.writer {
                held.resize(reach.writer + 1, 0);
            }
            held[reach.writer] = held[reach.writer].max(reach.last);
        }
        held
    }

    fn change_of(&self, record: RecordId) -> Option<&Reach> {
        let chain = self.chains.get(*self.places.get(&record.writer)?)?;
        let at = chain.partition_point(|(last, _)| *last < record.n);
        self.reaches.get(chain.get(at)?.1)
    }

    /// The last record of the change that holds `record`.
    pub(crate) fn change_end(&self, record: RecordId) -> Option<RecordId> {
        self.change_of(record).map(|reach| RecordId {
            writer: record.writer,
            n: reach.last,
        })
    }

    /// Whether the author of `record` held `other` when writing it. Within one change, each record
    /// has seen the one before it.
    pub(crate) fn had_seen(&self, record: RecordId, other: RecordId) -> bool {
        if record.writer == other.writer {
            return other.n < record.n && self.change_of(record).is_some();
        }
        let held = (self.places.get(&other.writer))
            .and_then(|place| self.change_of(record)?.before.get(*place));
        held.is_some_and(|last| other.n <= *last)
    }

    /// What the author of `record` held when writing it.
    pub(crate) fn past_of(&self, record: RecordId) -> Past {
        let Some(reach) = self.change_of(record) else {
            return Past::default();
        };
        let mut past = self.named(&reach.before);
        if record.n > 1 {
            past.0.insert(record.writer, record.n - 1);
        }
        past
    }

    /// What these changes cover; none of them may be unknown, except where `known` says that it
    /// holds no records.
    pub(crate) fn past_at(
        &self,
        heads: &[ChangeHash],
        known: impl Fn(ChangeHash) -> bool,
    ) -> Option<Past> {
        let mut places = Vec::with_capacity(heads.len());
        for head in heads {
            match self.changes.get(head) {
                Some(place) => places.push(*place),
                None if known(*head) => {}
                None => return None,
            }
        }
        Some(self.named(&self.joined(places.iter())))
    }

    fn named(&self, held: &[u32]) -> Past {
        let named = self.writers.iter().zip(held).filter(|(_, last)| **last > 0);
        Past(named.map(|(writer, last)| (*writer, *last)).collect())
    }
}
