//! One change proved alone, ahead of the history it belongs to.

use std::sync::Arc;

use gravelbar_ledger::{ChangeHash, Claims, DocumentId, Ledger, Writer};

use crate::bytes::{Input, Malformed};
use crate::chain::Link;
use crate::device::DeviceId;
use crate::error::{ProofError, ProveError};
use crate::head::{Head, next_mark};
use crate::opening::Opening;
use crate::provenance::Provenance;

/// The longest single proof, change included.
pub const MAX_SINGLE_BYTES: usize = 64 * 1024;

/// A change whose device is known, though what it builds on may not be here.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Single {
    /// The device that signed it.
    pub device: DeviceId,
    /// Its writer, number and hash.
    pub claims: Claims,
    /// The change.
    pub change: Vec<u8>,
    /// What its records say.
    pub bodies: Vec<Arc<str>>,
}

impl Provenance {
    /// The proof of one change alone, with the change in it.
    ///
    /// # Errors
    ///
    /// [`ProveError`] if it can't be proved from here or is too long.
    pub fn prove_single(
        &self,
        writer: Writer,
        number: u64,
        change: &[u8],
    ) -> Result<Vec<u8>, ProveError> {
        let unsigned = ProveError::Unsigned { writer, number };
        let run = self.runs.get(&writer).ok_or(unsigned)?;
        let before = number.checked_sub(1).and_then(|n| run.link_at(n));
        let before = before.ok_or(unsigned)?;
        let (end, signature) = run
            .head_over(number)
            .filter(|(end, _)| *end <= next_mark(number))
            .ok_or(unsigned)?;
        let tail = run.hashes(number + 1, end).ok_or(unsigned)?;
        let mut bytes = run.opening.to_bytes();
        bytes.extend(before.0);
        // No longer than to the next multiple of sixteen.
        bytes.push(u8::try_from(tail.len()).map_err(|_| unsigned)?);
        tail.iter().for_each(|hash| bytes.extend(hash.0));
        bytes.extend(signature);
        bytes.extend(change);
        if bytes.len() > MAX_SINGLE_BYTES {
            return Err(ProveError::TooLong { bytes: bytes.len() });
        }
        Ok(bytes)
    }
}

impl Single {
    /// Reads and checks the proof of one change of `document`. It says who signed the change, and nothing about
    /// what comes before it or whether it may be let in.
    ///
    /// # Errors
    ///
    /// [`ProofError`] if it isn't signed by the device it names.
    pub fn check(document: DocumentId, bytes: &[u8]) -> Result<Self, ProofError> {
        let read = read(bytes).map_err(|Malformed| ProofError::Malformed)?;
        if read.opening.document() != document {
            return Err(ProofError::OtherOpening);
        }
        let claims = Ledger::claims(read.change).map_err(ProofError::NoChange)?;
        if claims.writer != read.opening.writer() {
            return Err(ProofError::OtherOpening);
        }
        let (writer, number) = (claims.writer, claims.number);
        let end = number.checked_add(read.tail.len() as u64);
        let number = end
            .filter(|end| *end <= next_mark(number))
            .ok_or(ProofError::Heads { writer })?;
        let link = (read.tail.iter()).fold(read.before.over(claims.hash), |link, hash| {
            link.over(ChangeHash(*hash))
        });
        let head = Head {
            number,
            link,
            signature: read.signature,
        };
        if !head.is_signed(&read.opening) {
            return Err(ProofError::Signature { writer, number });
        }
        Ok(Self {
            device: read.opening.device(),
            claims,
            change: read.change.to_vec(),
            bodies: Ledger::bodies(read.change).map_err(ProofError::NoChange)?,
        })
    }
}

struct Read<'a> {
    opening: Opening,
    before: Link,
    tail: &'a [[u8; 32]],
    signature: [u8; 64],
    change: &'a [u8],
}

fn read(bytes: &[u8]) -> Result<Read<'_>, Malformed> {
    if bytes.len() > MAX_SINGLE_BYTES {
        return Err(Malformed);
    }
    let mut input = Input(bytes);
    let opening = Opening::read(&mut input)?;
    let before = Link(input.array()?);
    let tail = input.u8()?;
    let tail = input.pieces(usize::from(tail))?;
    let signature = input.array()?;
    Ok(Read {
        opening,
        before,
        tail,
        signature,
        change: input.0,
    })
}
