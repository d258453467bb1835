//! What the log holds: changes, the records they brought, and how far a set of them reaches.

use std::collections::BTreeMap;
use std::fmt;
use std::ops::RangeInclusive;
use std::sync::Arc;

use crate::ids::{ChangeHash, RecordId, Writer};

/// How far a history reaches: the number of the last change of every writer in it. Each writer's
/// changes are numbered from one without gaps, so this names the whole set.
pub type Vector = BTreeMap<Writer, u64>;

/// One change as the log holds it.
#[derive(Clone, PartialEq, Eq)]
pub struct LoggedChange {
    /// Who wrote it.
    pub writer: Writer,
    /// Its number among the writer's changes, from one.
    pub number: u64,
    /// Its name.
    pub hash: ChangeHash,
    /// The changes it builds on, in ascending order. The document's first change is named here
    /// too, though it is in no log.
    pub deps: Vec<ChangeHash>,
    /// The operation counter of its first operation: one more than the highest of all it builds on.
    pub start_op: u64,
    /// The operation counter of its last operation.
    pub last_op: u64,
    /// The writer's clock when it was written, in seconds since 1970. Never used for ordering.
    pub time_s: i64,
    /// The numbers of the first and the last of the writer's records in it.
    pub records: RangeInclusive<u32>,
    /// The change itself, as stored and sent.
    pub bytes: Arc<[u8]>,
}

impl LoggedChange {
    /// The names of the records it brought, in order.
    pub fn record_ids(&self) -> impl Iterator<Item = RecordId> + use<> {
        let writer = self.writer;
        self.records.clone().map(move |n| RecordId { writer, n })
    }
}

impl fmt::Debug for LoggedChange {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(
            f,
            "change {} of {} ({}, records {:?}, {} bytes)",
            self.number,
            self.writer,
            self.hash,
            self.records,
            self.bytes.len()
        )
    }
}

/// One record.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Record {
    /// Its name.
    pub id: RecordId,
    /// Its operation counter. Whoever wrote a record had seen only records of lower counters, so
    /// the order by (`lamport`, `id`) never puts an answer before what it answers.
    pub lamport: u64,
    /// The writer's clock when its change was written, in seconds since 1970.
    pub time_s: i64,
    /// What it says, as its writer gave it.
    pub body: Arc<str>,
}

/// The records that a set of heads covers.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Covered {
    pub(crate) last: BTreeMap<Writer, u32>,
}

impl Covered {
    /// Whether the heads' history holds this record.
    #[must_use]
    pub fn contains(&self, id: RecordId) -> bool {
        id.n >= 1 && self.last.get(&id.writer).is_some_and(|last| id.n <= *last)
    }

    /// The number of the last covered record of each writer who has one.
    #[must_use]
    pub fn last(&self) -> &BTreeMap<Writer, u32> {
        &self.last
    }
}
