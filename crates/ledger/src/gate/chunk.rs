//! Reads one change's bytes, bounded at every step, and takes out only what can't be computed.

use std::sync::Arc;

use sha2::{Digest, Sha256};

use super::Refusal;
use crate::ids::{ChangeHash, Writer};
use crate::shape::{
    CLOCK_S, MAX_BODY_BYTES, MAX_CHANGE_BYTES, MAX_DEPS, MAX_RECORDS_PER_CHANGE, SHARD_RECORDS,
};

const MAGIC: [u8; 4] = [0x85, 0x6f, 0x4a, 0x83];
const CHANGE_KIND: u8 = 1;
const DEFLATED: u64 = 0b1000;
/// Object actor and counter, key text, insert, action, value kind, value, predecessor count: the
/// columns of a change that makes maps and puts text under keys nobody had used.
const COLUMNS: [u64; 8] = [0x01, 0x02, 0x15, 0x34, 0x42, VALUE_KINDS, VALUES, 0x70];
const VALUE_KINDS: u64 = 0x56;
const VALUES: u64 = 0x57;
const NULL_KIND: u64 = 0;
const TEXT_KIND: u64 = 6;
/// Records, and a map for each shard they may open.
const MAX_ROWS: u64 =
    (MAX_RECORDS_PER_CHANGE + MAX_RECORDS_PER_CHANGE.div_ceil(SHARD_RECORDS as usize)) as u64;

/// A change chunk whose frame is whole: kind, length and checksum are right.
#[derive(Clone, Copy)]
pub(crate) struct Chunk<'a> {
    bytes: &'a [u8],
    content: &'a [u8],
    pub(crate) hash: ChangeHash,
}

/// What a change claims, not yet held against the log.
#[derive(Debug, Clone)]
pub(crate) struct Draft {
    pub(crate) bytes: Arc<[u8]>,
    pub(crate) hash: ChangeHash,
    pub(crate) deps: Vec<ChangeHash>,
    pub(crate) writer: Writer,
    pub(crate) number: u64,
    pub(crate) start_op: u64,
    pub(crate) time_s: i64,
    pub(crate) bodies: Vec<Arc<str>>,
}

impl<'a> Chunk<'a> {
    /// Looks at the frame.
    pub(crate) fn open(bytes: &'a [u8]) -> Result<Self, Refusal> {
        if bytes.len() > MAX_CHANGE_BYTES {
            return Err(Refusal::TooLong { bytes: bytes.len() });
        }
        let mut input = Input(bytes);
        if input.array() != Ok(MAGIC) {
            return Err(Refusal::NotAChange);
        }
        let checksum: [u8; 4] = input.array()?;
        let named = input.0;
        let [kind] = input.array()?;
        if kind != CHANGE_KIND {
            return Err(Refusal::NotAPlainChange { kind });
        }
        let length = input.unsigned()?;
        let content = input.0;
        if usize::try_from(length) != Ok(content.len()) {
            return Err(Refusal::Length);
        }
        // The name is taken over the length as it is written the short way. Written any other way
        // there would be two chunks of one name, and the bad one could stand in for the good.
        let short = 1 + (u64::BITS - length.leading_zeros()).div_ceil(7).max(1) as usize;
        if named.len() - content.len() != short {
            return Err(Refusal::Length);
        }
        // SHA-256 over kind, length and content is the name Automerge gives a change.
        let hash = ChangeHash(Sha256::digest(named).into());
        if hash.0[..4] != checksum {
            return Err(Refusal::Checksum);
        }
        Ok(Self {
            bytes,
            content,
            hash,
        })
    }

    /// Reads the content.
    ///
    /// Every length is checked against what is left before it is used, run lengths are added up
    /// with saturation before anything is expanded, and nothing is inflated; so time and memory are
    /// proportional to the input, which is itself limited.
    pub(crate) fn read(&self) -> Result<Draft, Refusal> {
        let mut input = Input(self.content);
        let deps = read_deps(&mut input)?;
        let writer = Writer::from_bytes(input.actor()?);
        let number = input.unsigned()?;
        if number == 0 {
            return Err(Refusal::Number);
        }
        let start_op = input.unsigned()?;
        let time_s = input.signed()?;
        if !CLOCK_S.contains(&time_s) {
            return Err(Refusal::Clock { time_s });
        }
        if input.unsigned()? != 0 {
            return Err(Refusal::Message);
        }
        // Shard maps hang on the document's first change; nothing else of anybody else's is touched.
        match input.unsigned()? {
            0 => {}
            1 => {
                input.actor()?;
            }
            _ => return Err(Refusal::OtherActors),
        }
        let (kinds, values) = read_columns(&mut input)?;
        if !input.0.is_empty() {
            return Err(Refusal::ExtraBytes);
        }
        let bodies = read_bodies(kinds, values)?;
        Ok(Draft {
            bytes: Arc::from(self.bytes),
            hash: self.hash,
            deps,
            writer,
            number,
            start_op,
            time_s,
            bodies,
        })
    }
}

fn read_deps(input: &mut Input<'_>) -> Result<Vec<ChangeHash>, Refusal> {
    let count = input.unsigned()?;
    let count = usize::try_from(count).unwrap_or(usize::MAX);
    if count == 0 || count > MAX_DEPS {
        return Err(Refusal::DepCount { count });
    }
    let mut deps = Vec::with_capacity(count);
    for _ in 0..count {
        let dep = ChangeHash(input.array()?);
        if deps.last().is_some_and(|last| *last >= dep) {
            return Err(Refusal::DepOrder);
        }
        deps.push(dep);
    }
    Ok(deps)
}

/// The value kinds and the values; the other columns only have to be allowed ones in their order.
fn read_columns<'a>(input: &mut Input<'a>) -> Result<(&'a [u8], &'a [u8]), Refusal> {
    let count = input.unsigned()?;
    let mut specs = Vec::with_capacity(COLUMNS.len());
    for _ in 0..count.min(COLUMNS.len() as u64 + 1) {
        let spec = input.unsigned()?;
        let length = input.unsigned()?;
        if spec & DEFLATED != 0 {
            return Err(Refusal::Deflated);
        }
        if !COLUMNS.contains(&spec) {
            return Err(Refusal::Column { spec });
        }
        if specs.last().is_some_and(|(last, _)| *last >= spec) {
            return Err(Refusal::ColumnOrder);
        }
        specs.push((spec, length));
    }
    let (mut kinds, mut values): (&[u8], &[u8]) = (&[], &[]);
    for (spec, length) in specs {
        let data = input.take(usize::try_from(length).unwrap_or(usize::MAX))?;
        match spec {
            VALUE_KINDS => kinds = data,
            VALUES => values = data,
            _ => {}
        }
    }
    Ok((kinds, values))
}

/// The texts among the values, in order. Their kinds come as runs: a positive count and one kind
/// that repeats, a negative count and that many kinds, or zero and a count of rows without one.
fn read_bodies(kinds: &[u8], values: &[u8]) -> Result<Vec<Arc<str>>, Refusal> {
    let (mut kinds, mut values) = (Input(kinds), Input(values));
    let mut rows = 0_u64;
    let mut bodies = Vec::new();
    while !kinds.0.is_empty() {
        let run = kinds.signed()?;
        if run == 0 {
            return Err(Refusal::ValueKind);
        }
        let length = run.unsigned_abs();
        rows = rows.saturating_add(length);
        if rows > MAX_ROWS {
            return Err(Refusal::TooManyRows);
        }
        let mut repeated = None;
        for _ in 0..length {
            let kind = match repeated {
                Some(kind) => kind,
                None => kinds.unsigned()?,
            };
            if run > 0 {
                repeated = Some(kind);
            }
            if kind == NULL_KIND {
                continue;
            }
            if kind & 0xf != TEXT_KIND {
                return Err(Refusal::ValueKind);
            }
            let bytes = usize::try_from(kind >> 4).unwrap_or(usize::MAX);
            if bytes == 0 || bytes > MAX_BODY_BYTES {
                return Err(Refusal::BodyLength { bytes });
            }
            let body = str::from_utf8(values.take(bytes)?).map_err(|_| Refusal::NotText)?;
            bodies.push(Arc::from(body));
        }
    }
    if !values.0.is_empty() {
        return Err(Refusal::ExtraBytes);
    }
    if bodies.is_empty() || bodies.len() > MAX_RECORDS_PER_CHANGE {
        return Err(Refusal::RecordCount {
            records: bodies.len(),
        });
    }
    Ok(bodies)
}

/// The bytes still to be read.
struct Input<'a>(&'a [u8]);

impl<'a> Input<'a> {
    fn take(&mut self, length: usize) -> Result<&'a [u8], Refusal> {
        let (taken, rest) = self.0.split_at_checked(length).ok_or(Refusal::Length)?;
        self.0 = rest;
        Ok(taken)
    }

    fn array<const N: usize>(&mut self) -> Result<[u8; N], Refusal> {
        let (taken, rest) = self.0.split_first_chunk().ok_or(Refusal::Length)?;
        self.0 = rest;
        Ok(*taken)
    }

    fn actor(&mut self) -> Result<[u8; 16], Refusal> {
        if self.unsigned()? != 16 {
            return Err(Refusal::ActorLength);
        }
        self.array()
    }

    /// LEB128, at most the ten bytes that a 64-bit number takes.
    fn unsigned(&mut self) -> Result<u64, Refusal> {
        let mut value = 0_u64;
        for shift in (0..64).step_by(7) {
            let [byte] = self.array()?;
            let low = u64::from(byte & 0x7f);
            if shift == 63 && low > 1 {
                return Err(Refusal::NumberTooLarge);
            }
            value |= low << shift;
            if byte & 0x80 == 0 {
                return Ok(value);
            }
        }
        Err(Refusal::NumberTooLarge)
    }

    /// Signed LEB128, at most the ten bytes that a 64-bit number takes.
    fn signed(&mut self) -> Result<i64, Refusal> {
        let mut value = 0_i64;
        for shift in (0..64).step_by(7) {
            let [byte] = self.array()?;
            let low = i64::from(byte & 0x7f);
            if shift == 63 && low != 0 && low != 0x7f {
                return Err(Refusal::NumberTooLarge);
            }
            value |= low << shift;
            if byte & 0x80 == 0 {
                let used = shift + 7;
                if byte & 0x40 != 0 && used < 64 {
                    value |= -1 << used;
                }
                return Ok(value);
            }
        }
        Err(Refusal::NumberTooLarge)
    }
}
