//! The proof of a parcel of changes: for each writer in it, what the changes themselves don't say.

use std::collections::BTreeMap;

use gravelbar_ledger::{ChangeHash, Writer};

use crate::bytes::{Input, Malformed};
use crate::opening::{ED25519, Opening};

/// What is said of one writer's changes in a parcel, borrowed from the proof's bytes.
#[derive(Debug)]
pub(crate) struct RunProof<'a> {
    /// Comes with the writer's first change.
    pub(crate) opening: Option<Opening>,
    /// Hashes of the changes after the last one in the parcel, up to the last signature.
    pub(crate) tail: &'a [[u8; 32]],
    /// One for each multiple of [`crate::HEAD_EVERY`] among the parcel's numbers, and one for the tail's
    /// end where that isn't such a multiple within the parcel. In order.
    pub(crate) signatures: &'a [[u8; 64]],
}

/// Reads a whole proof.
///
/// There is no count of writers: they follow each other to the end, in ascending order, so time and memory
/// are bounded by the bytes that are there.
pub(crate) fn read(proof: &[u8]) -> Result<BTreeMap<Writer, RunProof<'_>>, Malformed> {
    let mut input = Input(proof);
    let mut runs = BTreeMap::new();
    while !input.0.is_empty() {
        let writer = Writer::from_bytes(input.array()?);
        if runs
            .last_key_value()
            .is_some_and(|(last, _)| *last >= writer)
        {
            return Err(Malformed);
        }
        let mut opened = input;
        let opening = match opened.u8()? {
            0 => {
                input = opened;
                None
            }
            ED25519 => Some(Opening::read(&mut input)?),
            _ => return Err(Malformed),
        };
        let tail = input.u8()?;
        let tail = input.pieces(usize::from(tail))?;
        let signatures = input.u16()?;
        let signatures = input.pieces(usize::from(signatures))?;
        runs.insert(
            writer,
            RunProof {
                opening,
                tail,
                signatures,
            },
        );
    }
    Ok(runs)
}

/// Writes one writer's part. Nothing where there are more than the counts can say, which takes a parcel of a
/// million changes.
pub(crate) fn write(
    out: &mut Vec<u8>,
    writer: Writer,
    opening: Option<&Opening>,
    tail: &[ChangeHash],
    signatures: &[[u8; 64]],
) -> Option<()> {
    let tail_count = u8::try_from(tail.len()).ok()?;
    let signature_count = u16::try_from(signatures.len()).ok()?;
    out.extend(writer.to_bytes());
    match opening {
        None => out.push(0),
        Some(opening) => out.extend(opening.to_bytes()),
    }
    out.push(tail_count);
    tail.iter().for_each(|hash| out.extend(hash.0));
    out.extend(signature_count.to_be_bytes());
    signatures
        .iter()
        .for_each(|signature| out.extend(signature));
    Some(())
}
