//! Ledgers, randomness that repeats, and changes of any making, honest or not.

use automerge::legacy::{Key, ObjectId, Op, OpId, OpType, SortedVec};
use automerge::{ActorId, Change, ExpandedChange, ObjType, ScalarValue};
use gravelbar_ledger::{DeviceTag, Ledger, LoggedChange, Received, Session, Writer};
use sha2::{Digest, Sha256};

pub(crate) const ABOUT: &str = "a made-up brook on a made-up day";
pub(crate) const DAY_S: i64 = 1_770_000_000;

pub(crate) fn writer(device: u8, session: u8) -> Writer {
    Writer {
        device: DeviceTag([device; 8]),
        session: Session([session; 8]),
    }
}

pub(crate) fn ledger(device: u8, session: u8) -> Ledger {
    Ledger::create(ABOUT, writer(device, session)).unwrap()
}

pub(crate) fn add(ledger: &mut Ledger, body: &str) -> Vec<u8> {
    let appended = ledger.append(&[body.to_owned()], DAY_S).unwrap();
    appended.change.bytes.to_vec()
}

pub(crate) fn bytes_of<'a>(
    changes: impl IntoIterator<Item = &'a std::sync::Arc<LoggedChange>>,
) -> Vec<Vec<u8>> {
    changes.into_iter().map(|c| c.bytes.to_vec()).collect()
}

/// Everything `from` holds and `to` doesn't.
pub(crate) fn hand_over(from: &Ledger, to: &mut Ledger) -> Received {
    let news = from.missing(to.vector(), usize::MAX, usize::MAX);
    to.receive(bytes_of(&news))
}

pub(crate) fn restored(from: &Ledger, writer: Writer) -> Ledger {
    let (ledger, received) = Ledger::restore(ABOUT, writer, bytes_of(from.log())).unwrap();
    assert_eq!(received.applied.len(), from.log().len());
    ledger
}

/// Numbers that look random and are the same every time (SplitMix64, Steele, Lea and Flood, Fast
/// splittable pseudorandom number generators, OOPSLA 2014).
pub(crate) struct Dice(pub(crate) u64);

impl Dice {
    pub(crate) fn roll(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    pub(crate) fn below(&mut self, end: usize) -> usize {
        usize::try_from(self.roll() % (end.max(1) as u64)).unwrap()
    }

    pub(crate) fn shuffle<T>(&mut self, items: &mut [T]) {
        for end in (1..items.len()).rev() {
            items.swap(end, self.below(end + 1));
        }
    }
}

pub(crate) fn unsigned(mut value: u64, out: &mut Vec<u8>) {
    loop {
        let low = u8::try_from(value & 0x7f).unwrap();
        value >>= 7;
        if value == 0 {
            return out.push(low);
        }
        out.push(low | 0x80);
    }
}

pub(crate) fn signed(mut value: i64, out: &mut Vec<u8>) {
    loop {
        let low = u8::try_from(value & 0x7f).unwrap();
        value >>= 7;
        if (value == 0 && low & 0x40 == 0) || (value == -1 && low & 0x40 != 0) {
            return out.push(low);
        }
        out.push(low | 0x80);
    }
}

/// Wraps content in a chunk with the right checksum.
pub(crate) fn seal(kind: u8, content: &[u8]) -> Vec<u8> {
    let mut length = Vec::new();
    unsigned(content.len() as u64, &mut length);
    let mut hasher = Sha256::new();
    hasher.update([kind]);
    hasher.update(&length);
    hasher.update(content);
    let mut out = vec![0x85, 0x6f, 0x4a, 0x83];
    out.extend_from_slice(&hasher.finalize()[..4]);
    out.push(kind);
    out.extend(length);
    out.extend_from_slice(content);
    out
}

/// The content of a chunk whose length is written the short way.
pub(crate) fn content(chunk: &[u8]) -> &[u8] {
    let length = chunk[9..]
        .iter()
        .take_while(|byte| **byte & 0x80 != 0)
        .count()
        + 1;
    &chunk[9 + length..]
}

/// A change written out field by field, with whatever the test wants in it.
#[derive(Clone)]
pub(crate) struct Crafted {
    pub(crate) deps: Vec<[u8; 32]>,
    pub(crate) actor: Vec<u8>,
    pub(crate) seq: u64,
    pub(crate) start_op: u64,
    pub(crate) time: i64,
    pub(crate) message: Vec<u8>,
    pub(crate) others: Vec<Vec<u8>>,
    pub(crate) columns: Vec<(u64, Vec<u8>)>,
    pub(crate) extra: Vec<u8>,
}

impl Crafted {
    /// Takes an honest change apart. Its column lengths must be small, as they are in the tests.
    pub(crate) fn from(change: &[u8]) -> Self {
        let mut at = content(change);
        let number = |at: &mut &[u8]| {
            let (mut value, mut shift) = (0_u64, 0);
            loop {
                let byte = at[0];
                *at = &at[1..];
                value |= u64::from(byte & 0x7f) << shift;
                shift += 7;
                if byte & 0x80 == 0 {
                    return value;
                }
            }
        };
        let take = |at: &mut &[u8], length: u64| {
            let (taken, rest) = at.split_at(usize::try_from(length).unwrap());
            *at = rest;
            taken.to_vec()
        };
        let count = number(&mut at);
        let deps = (0..count)
            .map(|_| take(&mut at, 32).try_into().unwrap())
            .collect();
        let length = number(&mut at);
        let actor = take(&mut at, length);
        let seq = number(&mut at);
        let start_op = number(&mut at);
        let before = at;
        while at[0] & 0x80 != 0 {
            at = &at[1..];
        }
        at = &at[1..];
        let mut time = 0;
        let written = &before[..before.len() - at.len()];
        for (index, byte) in written.iter().enumerate() {
            time |= i64::from(byte & 0x7f) << (7 * index);
        }
        let length = number(&mut at);
        let message = take(&mut at, length);
        let count = number(&mut at);
        let others = (0..count)
            .map(|_| {
                let length = number(&mut at);
                take(&mut at, length)
            })
            .collect();
        let count = number(&mut at);
        let specs: Vec<_> = (0..count)
            .map(|_| (number(&mut at), number(&mut at)))
            .collect();
        let columns = specs
            .into_iter()
            .map(|(spec, length)| (spec, take(&mut at, length)))
            .collect();
        Self {
            deps,
            actor,
            seq,
            start_op,
            time,
            message,
            others,
            columns,
            extra: at.to_vec(),
        }
    }

    pub(crate) fn column(&mut self, spec: u64) -> &mut Vec<u8> {
        let found = self.columns.iter_mut().find(|(s, _)| *s == spec);
        &mut found.unwrap().1
    }

    pub(crate) fn bytes(&self) -> Vec<u8> {
        let mut out = Vec::new();
        unsigned(self.deps.len() as u64, &mut out);
        out.extend(self.deps.iter().flatten());
        unsigned(self.actor.len() as u64, &mut out);
        out.extend(&self.actor);
        unsigned(self.seq, &mut out);
        unsigned(self.start_op, &mut out);
        signed(self.time, &mut out);
        unsigned(self.message.len() as u64, &mut out);
        out.extend(&self.message);
        unsigned(self.others.len() as u64, &mut out);
        for other in &self.others {
            unsigned(other.len() as u64, &mut out);
            out.extend(other);
        }
        unsigned(self.columns.len() as u64, &mut out);
        for (spec, data) in &self.columns {
            unsigned(*spec, &mut out);
            unsigned(data.len() as u64, &mut out);
        }
        out.extend(self.columns.iter().flat_map(|(_, data)| data));
        out.extend(&self.extra);
        seal(1, &out)
    }
}

/// An honest change, taken apart by the library into its operations.
pub(crate) fn expanded(change: &[u8]) -> ExpandedChange {
    Change::from_bytes(change.to_vec()).unwrap().decode()
}

/// The bytes of a change put together by the library.
pub(crate) fn written(change: ExpandedChange) -> Vec<u8> {
    Change::from(change).raw_bytes().to_vec()
}

/// The name of an operation of `writer`.
pub(crate) fn op_id(counter: u64, writer: Writer) -> OpId {
    OpId(counter, ActorId::from(writer.to_bytes()))
}

pub(crate) fn op(obj: ObjectId, key: &str, action: OpType, pred: Vec<OpId>) -> Op {
    Op {
        action,
        obj,
        key: Key::Map(key.into()),
        pred: SortedVec::from(pred),
        insert: false,
    }
}

pub(crate) fn put(obj: ObjectId, key: &str, value: &str) -> Op {
    op(
        obj,
        key,
        OpType::Put(ScalarValue::Str(value.into())),
        vec![],
    )
}

pub(crate) fn make_map(obj: ObjectId, key: &str) -> Op {
    op(obj, key, OpType::Make(ObjType::Map), vec![])
}
