//! The log of changes, and what can be said from it alone: heads, vectors, records, causes.

use std::collections::{BTreeMap, BTreeSet, HashMap};
use std::sync::Arc;

use crate::ids::{ChangeHash, RecordId, Writer};
use crate::logged::{Covered, LoggedChange, Record, Vector};
use crate::shape::{GENESIS_LAST_OP, record_ops};

/// These heads aren't all known here.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{} of the named changes haven't arrived on this device yet", missing.len())]
pub struct UnknownHeadsError {
    /// The ones that aren't.
    pub missing: Vec<ChangeHash>,
}

/// One writer's changes and records so far.
#[derive(Debug, Clone, Default)]
struct Chain {
    /// Where its changes stand in the log.
    places: Vec<usize>,
    /// The operation counters of its records, by number.
    lamports: Vec<u64>,
    /// The operation that made its newest shard map; 0 before there is one.
    shard_op: u64,
}

/// Where a writer goes on.
pub(crate) struct Standing {
    /// How many changes it has made.
    pub(crate) changes: u64,
    /// The number its next record gets.
    pub(crate) next_record: u32,
    /// The operation that made its newest shard map; 0 before there is one.
    pub(crate) shard_op: u64,
}

/// The log in causal order, with its indexes.
#[derive(Debug, Clone)]
pub(crate) struct History {
    genesis: ChangeHash,
    log: Vec<Arc<LoggedChange>>,
    places: HashMap<ChangeHash, usize>,
    /// For each change, where those it builds on stand in the log.
    causes: Vec<Box<[usize]>>,
    chains: BTreeMap<Writer, Chain>,
    vector: Vector,
    heads: BTreeSet<ChangeHash>,
    records: BTreeMap<(u64, RecordId), Record>,
}

impl History {
    pub(crate) fn starting_from(genesis: ChangeHash) -> Self {
        Self {
            genesis,
            log: Vec::new(),
            places: HashMap::new(),
            causes: Vec::new(),
            chains: BTreeMap::new(),
            vector: Vector::new(),
            heads: BTreeSet::from([genesis]),
            records: BTreeMap::new(),
        }
    }

    pub(crate) fn log(&self) -> &[Arc<LoggedChange>] {
        &self.log
    }

    pub(crate) fn vector(&self) -> &Vector {
        &self.vector
    }

    pub(crate) fn heads(&self) -> &BTreeSet<ChangeHash> {
        &self.heads
    }

    pub(crate) fn standing(&self, writer: Writer) -> Standing {
        let (changes, records, shard_op) = self.chains.get(&writer).map_or((0, 0, 0), |chain| {
            (chain.places.len(), chain.lamports.len(), chain.shard_op)
        });
        Standing {
            changes: changes as u64,
            // Each record takes one of the document's operation counters, and those stay within
            // 32 bits, so the numbers can't run out first.
            next_record: u32::try_from(records).unwrap_or(u32::MAX).saturating_add(1),
            shard_op,
        }
    }

    /// The writer's change of that number.
    pub(crate) fn change_of(&self, writer: Writer, number: u64) -> Option<&Arc<LoggedChange>> {
        let index = usize::try_from(number.checked_sub(1)?).ok()?;
        let place = *self.chains.get(&writer)?.places.get(index)?;
        self.log.get(place)
    }

    pub(crate) fn holds(&self, hash: ChangeHash) -> bool {
        hash == self.genesis || self.places.contains_key(&hash)
    }

    /// The counter of the first operation of a change that builds on `deps`.
    pub(crate) fn next_op(&self, deps: &[ChangeHash]) -> u64 {
        let highest = deps.iter().filter_map(|dep| self.last_op(*dep)).max();
        highest.unwrap_or(0) + 1
    }

    /// The counter of a known change's last operation.
    pub(crate) fn last_op(&self, hash: ChangeHash) -> Option<u64> {
        if hash == self.genesis {
            return Some(GENESIS_LAST_OP);
        }
        let place = *self.places.get(&hash)?;
        Some(self.log.get(place)?.last_op)
    }

    /// Takes a change that the gate let through.
    pub(crate) fn push(&mut self, change: Arc<LoggedChange>, bodies: Vec<Arc<str>>, shard_op: u64) {
        let place = self.log.len();
        for dep in &change.deps {
            self.heads.remove(dep);
        }
        self.heads.insert(change.hash);
        let causes = change.deps.iter().filter_map(|dep| self.places.get(dep));
        self.causes.push(causes.copied().collect());
        self.places.insert(change.hash, place);
        self.vector.insert(change.writer, change.number);
        let chain = self.chains.entry(change.writer).or_default();
        chain.places.push(place);
        chain.shard_op = shard_op;
        let lamports = record_ops(change.records.clone(), change.start_op);
        for ((id, lamport), body) in change.record_ids().zip(lamports).zip(bodies) {
            chain.lamports.push(lamport);
            let record = Record {
                id,
                lamport,
                time_s: change.time_s,
                body,
            };
            self.records.insert((lamport, id), record);
        }
        self.log.push(change);
    }

    pub(crate) fn records(&self) -> impl DoubleEndedIterator<Item = &Record> + ExactSizeIterator {
        self.records.values()
    }

    pub(crate) fn record(&self, id: RecordId) -> Option<&Record> {
        let index = usize::try_from(id.n.checked_sub(1)?).ok()?;
        let lamport = *self.chains.get(&id.writer)?.lamports.get(index)?;
        self.records.get(&(lamport, id))
    }

    /// What someone who has `have` lacks, causes before effects, up to the limits but never
    /// nothing while something is lacking.
    ///
    /// The log is in causal order and `have` is a whole history, so what a change of the answer
    /// builds on is either in `have` or stands earlier in the answer.
    pub(crate) fn missing(
        &self,
        have: &Vector,
        max_changes: usize,
        max_bytes: usize,
    ) -> Vec<Arc<LoggedChange>> {
        let mut places: Vec<usize> = Vec::new();
        for (writer, chain) in &self.chains {
            let held = have.get(writer).copied().unwrap_or(0);
            let from = usize::try_from(held)
                .unwrap_or(usize::MAX)
                .min(chain.places.len());
            let lacking = &chain.places[from..];
            places.extend(&lacking[..lacking.len().min(max_changes.max(1))]);
        }
        places.sort_unstable();
        places.truncate(max_changes.max(1));
        let mut bytes = 0_usize;
        let mut out: Vec<Arc<LoggedChange>> = Vec::new();
        for change in places.iter().filter_map(|place| self.log.get(*place)) {
            bytes = bytes.saturating_add(change.bytes.len());
            if bytes > max_bytes && !out.is_empty() {
                break;
            }
            out.push(Arc::clone(change));
        }
        out
    }

    /// The history that `heads` cover.
    pub(crate) fn vector_at(&self, heads: &[ChangeHash]) -> Result<Vector, UnknownHeadsError> {
        let missing: Vec<_> = heads
            .iter()
            .copied()
            .filter(|head| !self.holds(*head))
            .collect();
        if !missing.is_empty() {
            return Err(UnknownHeadsError { missing });
        }
        // Causes stand before effects in the log, so one walk from its end meets every covered
        // change after all those that build on it.
        let mut covered = vec![false; self.log.len()];
        for place in heads.iter().filter_map(|head| self.places.get(head)) {
            covered[*place] = true;
        }
        let mut vector = Vector::new();
        for (place, change) in self.log.iter().enumerate().rev() {
            if covered[place] {
                // A writer's later change builds on the earlier ones, so the first met is the last.
                vector.entry(change.writer).or_insert(change.number);
                for cause in &self.causes[place] {
                    covered[*cause] = true;
                }
            }
        }
        Ok(vector)
    }

    /// The records that `heads` cover.
    pub(crate) fn records_at(&self, heads: &[ChangeHash]) -> Result<Covered, UnknownHeadsError> {
        let last = self
            .vector_at(heads)?
            .into_iter()
            .filter_map(|(writer, number)| {
                let change = self.change_of(writer, number)?;
                Some((writer, *change.records.end()))
            })
            .collect();
        Ok(Covered { last })
    }

    /// All log changes in an order that depends on nothing but the set: a change's first operation
    /// is counted above all it builds on, so this is a causal order too.
    pub(crate) fn settled_order(&self) -> Vec<Arc<LoggedChange>> {
        let mut order = self.log.clone();
        order.sort_by_key(|change| (change.start_op, change.hash));
        order
    }
}
