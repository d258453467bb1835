//! What the document and its changes look like: the one place that writes them.
//!
//! A change is wholly determined by its [`Writing`]: the keys, the maps, the operation order and
//! the encoding all follow from it. Making a change is writing it down; checking one is writing it
//! down again and comparing.

use std::num::NonZeroU64;
use std::ops::RangeInclusive;

use automerge::legacy::{Key, ObjectId, Op, OpId, OpType, SortedVec};
use automerge::{ActorId, Change, ExpandedChange, ObjType, ScalarValue};
use sha2::{Digest, Sha256};

use crate::ids::{ChangeHash, DocumentId, Writer};

/// The longest description of what a document is about, in bytes.
pub const MAX_ABOUT_BYTES: usize = 16 * 1024;
/// The longest body of a record, in bytes.
pub const MAX_BODY_BYTES: usize = 16 * 1024;
/// The most records in one change: one shard's worth. An act that concerns more than that many
/// things names them in the body of one record.
pub const MAX_RECORDS_PER_CHANGE: usize = 256;
/// The longest change, in bytes.
pub const MAX_CHANGE_BYTES: usize = 64 * 1024;
/// The most changes one change may say that it builds on.
pub const MAX_DEPS: usize = 64;
/// The records in one shard map. A change costs time in proportion to the map it lands in.
pub const SHARD_RECORDS: u32 = 256;

/// Clock readings a change may carry: the years 1 to 9999. Wide enough for any clock, however
/// wrong, and narrow enough that no difference of two of them overflows.
pub(crate) const CLOCK_S: RangeInclusive<i64> = -62_135_596_800..=253_402_300_799;

pub(crate) const ABOUT_KEY: &str = "about";
pub(crate) const SHARDS_KEY: &str = "shards";
/// The operation counters of the first change: one for "about", two for "shards".
const SHARDS_OP: u64 = 2;
pub(crate) const GENESIS_LAST_OP: u64 = SHARDS_OP;

/// The name of the document about `about`: whoever is told `about` can check it.
pub(crate) fn document_id(about: &str) -> DocumentId {
    let mut hasher = Sha256::new();
    hasher.update(b"gravelbar document 1\0");
    hasher.update(about.as_bytes());
    let digest: [u8; 32] = hasher.finalize().into();
    let mut id = [0; 16];
    id.copy_from_slice(&digest[..16]);
    DocumentId(id)
}

/// The first change of the document about `about`, the same on every device.
pub(crate) fn genesis(id: DocumentId, about: &str) -> Change {
    let operations = vec![
        op(
            ObjectId::Root,
            ABOUT_KEY,
            OpType::Put(ScalarValue::Str(about.into())),
        ),
        op(ObjectId::Root, SHARDS_KEY, OpType::Make(ObjType::Map)),
    ];
    change(id.0, 1, 1, 0, Vec::new(), operations)
}

/// Everything a change says.
pub(crate) struct Writing<'a, S> {
    pub(crate) document: DocumentId,
    /// In ascending order.
    pub(crate) deps: &'a [ChangeHash],
    pub(crate) writer: Writer,
    pub(crate) number: u64,
    pub(crate) start_op: u64,
    pub(crate) time_s: i64,
    /// The number of the first record.
    pub(crate) first: u32,
    /// The operation that made the writer's newest shard map.
    pub(crate) shard_op: u64,
    pub(crate) bodies: &'a [S],
}

/// Where a change's records and operations come to lie.
#[derive(Debug, PartialEq, Eq)]
pub(crate) struct Layout {
    pub(crate) records: RangeInclusive<u32>,
    pub(crate) last_op: u64,
    /// The operation that makes the newest shard map once the change is in.
    pub(crate) shard_op: u64,
}

/// Whether record `n` is the first of its shard, so that its change makes the shard's map too.
fn opens_shard(n: u32) -> bool {
    n % SHARD_RECORDS == 1
}

/// The operation counter of each record, given the first record's number and the first counter.
/// The operation before a record that opens a shard makes the shard's map.
pub(crate) fn record_ops(records: RangeInclusive<u32>, start_op: u64) -> impl Iterator<Item = u64> {
    let mut next_op = start_op;
    records.map(move |n| {
        let op = next_op + u64::from(opens_shard(n));
        next_op = op + 1;
        op
    })
}

impl<S: AsRef<str>> Writing<'_, S> {
    /// Where everything comes to lie; none if there are no records or the counters have run out.
    /// Automerge counts operations in 32 bits.
    pub(crate) fn layout(&self) -> Option<Layout> {
        let more = u32::try_from(self.bodies.len().checked_sub(1)?).ok()?;
        let records = self.first..=self.first.checked_add(more)?;
        let mut last_op = 0;
        let mut shard_op = self.shard_op;
        for (n, op) in records
            .clone()
            .zip(record_ops(records.clone(), self.start_op))
        {
            if opens_shard(n) {
                shard_op = op - 1;
            }
            last_op = op;
        }
        u32::try_from(last_op).ok()?;
        Some(Layout {
            records,
            last_op,
            shard_op,
        })
    }

    /// The change, in the only way it is ever written.
    pub(crate) fn change(&self) -> Change {
        let shards = ObjectId::Id(OpId(SHARDS_OP, ActorId::from(self.document.0)));
        let actor = ActorId::from(self.writer.to_bytes());
        let mut operations = Vec::with_capacity(self.bodies.len() + 1);
        let mut shard = ObjectId::Id(OpId(self.shard_op, actor.clone()));
        let numbers = self.first..=u32::MAX;
        let places = numbers.clone().zip(record_ops(numbers, self.start_op));
        for ((n, record_op), body) in places.zip(self.bodies) {
            if opens_shard(n) {
                let key = format!("{}/{}", self.writer, n / SHARD_RECORDS);
                operations.push(op(shards.clone(), &key, OpType::Make(ObjType::Map)));
                shard = ObjectId::Id(OpId(record_op - 1, actor.clone()));
            }
            let body = ScalarValue::Str(body.as_ref().into());
            operations.push(op(shard.clone(), &n.to_string(), OpType::Put(body)));
        }
        let deps = self.deps.iter().map(|dep| automerge::ChangeHash(dep.0));
        change(
            self.writer.to_bytes(),
            self.number,
            self.start_op,
            self.time_s,
            deps.collect(),
            operations,
        )
    }
}

fn op(obj: ObjectId, key: &str, action: OpType) -> Op {
    Op {
        action,
        obj,
        key: Key::Map(key.into()),
        pred: SortedVec::new(),
        insert: false,
    }
}

fn change(
    actor: [u8; 16],
    seq: u64,
    start_op: u64,
    time: i64,
    deps: Vec<automerge::ChangeHash>,
    operations: Vec<Op>,
) -> Change {
    Change::from(ExpandedChange {
        operations,
        actor_id: ActorId::from(actor),
        hash: None,
        seq,
        // Counters start at one, so this is the counter itself.
        start_op: NonZeroU64::new(start_op).unwrap_or(NonZeroU64::MIN),
        time,
        message: None,
        deps,
        extra_bytes: Vec::new(),
        author: None,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::ids::{DeviceTag, Session};

    fn layout(first: u32, start_op: u64, records: usize) -> Option<Layout> {
        Writing {
            document: DocumentId([0; 16]),
            deps: &[],
            writer: Writer {
                device: DeviceTag([1; 8]),
                session: Session([1; 8]),
            },
            number: 1,
            start_op,
            time_s: 0,
            first,
            shard_op: 3,
            bodies: &vec!["record"; records],
        }
        .layout()
    }

    #[test]
    fn a_shard_is_made_by_its_first_record() {
        let expected = |records, last_op, shard_op| Layout {
            records,
            last_op,
            shard_op,
        };
        assert_eq!(layout(1, 10, 1), Some(expected(1..=1, 11, 10)));
        assert_eq!(layout(2, 10, 2), Some(expected(2..=3, 11, 3)));
        assert_eq!(layout(255, 10, 2), Some(expected(255..=256, 11, 3)));
        assert_eq!(layout(255, 10, 4), Some(expected(255..=258, 14, 12)));
        let ops: Vec<_> = record_ops(255..=258, 10).collect();
        assert_eq!(ops, [10, 11, 13, 14]);
    }

    #[test]
    fn counters_stay_within_32_bits() {
        let most = u64::from(u32::MAX);
        assert!(layout(2, most, 1).is_some());
        assert_eq!(layout(2, most, 2), None);
        assert_eq!(layout(257, most, 1), None, "the shard's map takes one too");
        assert!(layout(257, most - 1, 1).is_some());
        assert!(layout(u32::MAX, 10, 1).is_some());
        assert_eq!(layout(u32::MAX, 10, 2), None);
        assert_eq!(layout(2, 10, 0), None);
    }
}
