//! Checking whose the changes are that came in, before anybody reads them.

use std::collections::BTreeMap;

use gravelbar_ledger::{ChangeHash, Claims, Ledger, Writer};

use crate::chain::Link;
use crate::device::DeviceId;
use crate::error::ProofError;
use crate::head::{HEAD_EVERY, Head, next_mark};
use crate::opening::Opening;
use crate::parcel::{self, RunProof};
use crate::prove::marks_within;
use crate::provenance::Provenance;
use crate::run::Run;

/// What became of a parcel.
#[derive(Debug, Default)]
pub struct Checked {
    /// The writers whose changes are proved.
    pub runs: Vec<ProvedRun>,
    /// Changes that aren't proved, and why. They must not be let in.
    pub unproved: Vec<Unproved>,
}

/// A change that nothing proves.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Unproved {
    /// Its bytes, as they came.
    pub bytes: Vec<u8>,
    /// Why.
    pub why: ProofError,
}

/// Changes of one writer that its device signed.
#[derive(Debug, Clone)]
pub struct ProvedRun {
    writer: Writer,
    device: DeviceId,
    /// The changes, ascending by number.
    pub changes: Vec<Vec<u8>>,
    pub(crate) opening: Option<Opening>,
    first: u64,
    /// Of the changes from `first` on, and of those signed after them.
    hashes: Vec<ChangeHash>,
    pub(crate) heads: Vec<Head>,
}

impl ProvedRun {
    /// Who wrote them.
    #[must_use]
    pub fn writer(&self) -> Writer {
        self.writer
    }

    /// The device that signed them.
    #[must_use]
    pub fn device(&self) -> DeviceId {
        self.device
    }

    /// The number of the first of the changes.
    #[must_use]
    pub fn first(&self) -> u64 {
        self.first
    }

    pub(crate) fn hash(&self, number: u64) -> Option<ChangeHash> {
        let place = usize::try_from(number.checked_sub(self.first)?).ok()?;
        self.hashes.get(place).copied()
    }

    /// The signed hashes of what comes after change `number`.
    pub(crate) fn after(&self, number: u64) -> &[ChangeHash] {
        let place = (number + 1).saturating_sub(self.first);
        // A run that lacks some before `first` can't put these after what it holds.
        if number + 1 < self.first {
            return &[];
        }
        let place = usize::try_from(place).unwrap_or(usize::MAX);
        self.hashes.get(place..).unwrap_or_default()
    }
}

type Claimed = (Claims, Vec<u8>);

impl Provenance {
    /// Which of these changes are proved by what is known here and by `proof`, and which aren't.
    ///
    /// Nothing is changed: what is proved becomes part of what is known by [`Provenance::take`], once the
    /// document has let it in. Each writer stands alone: one that fails takes no other with it.
    #[must_use]
    pub fn check(&self, changes: Vec<Vec<u8>>, proof: &[u8]) -> Checked {
        let mut checked = Checked::default();
        let mut by_writer: BTreeMap<Writer, Vec<Claimed>> = BTreeMap::new();
        for bytes in changes {
            match Ledger::claims(&bytes) {
                Ok(claims) => by_writer
                    .entry(claims.writer)
                    .or_default()
                    .push((claims, bytes)),
                Err(refusal) => checked.unproved.push(Unproved {
                    bytes,
                    why: ProofError::NoChange(refusal),
                }),
            }
        }
        let mut said = parcel::read(proof);
        if let Ok(said) = &said
            && said.keys().any(|writer| !by_writer.contains_key(writer))
        {
            // A proof is made for its parcel: one that speaks of others was tampered with.
            return refuse_all(checked, by_writer, &ProofError::Malformed);
        }
        for (writer, claimed) in by_writer {
            let proof = match &mut said {
                Ok(said) => Ok(said.remove(&writer)),
                Err(_) => Err(ProofError::Malformed),
            };
            match proof.and_then(|proof| self.check_run(writer, &claimed, proof)) {
                Ok(mut run) => {
                    run.changes = in_order(claimed);
                    checked.runs.push(run);
                }
                Err(why) => checked.unproved.extend(unproved(claimed, &why)),
            }
        }
        checked
    }

    fn check_run(
        &self,
        writer: Writer,
        claimed: &[Claimed],
        proof: Option<RunProof<'_>>,
    ) -> Result<ProvedRun, ProofError> {
        let (first, mut hashes) = in_a_row(writer, claimed)?;
        let known = self.runs.get(&writer);
        let Some(proof) = proof else {
            return self.signed_before(writer, first, hashes);
        };
        let opening = self.opening_of(writer, known, proof.opening)?;
        let here = known.map_or(0, Run::here);
        if first > here + 1 {
            return Err(ProofError::Early {
                writer,
                first,
                missing: here + 1,
            });
        }
        let last = first + hashes.len() as u64 - 1;
        hashes.extend(proof.tail.iter().map(|hash| ChangeHash(*hash)));
        let end = last + proof.tail.len() as u64;
        if end > next_mark(last) {
            return Err(ProofError::Heads { writer });
        }
        // Where heads must be: fixed by the numbers, so that nobody can leave one out or slip one in.
        let mut at: Vec<u64> = marks_within(first, last).collect();
        if end > last || !end.is_multiple_of(HEAD_EVERY) {
            at.push(end);
        }
        if at.len() != proof.signatures.len() {
            return Err(ProofError::Heads { writer });
        }
        let mut link = known
            .map_or(Some(opening.origin()), |run| run.link_at(first - 1))
            .ok_or(ProofError::NoOpening { writer })?;
        let mut awaited = at.into_iter().zip(proof.signatures).peekable();
        let mut heads = Vec::new();
        for (number, hash) in (first..).zip(&hashes) {
            if let Some(other) = known.and_then(|run| run.hash(number))
                && other != *hash
            {
                return Err(ProofError::Contradiction { writer, number });
            }
            link = link.over(*hash);
            contradicts_newest(writer, known, number, link)?;
            if let Some((_, signature)) = awaited.next_if(|(at, _)| *at == number) {
                let head = Head {
                    number,
                    link,
                    signature: *signature,
                };
                if !head.is_signed(&opening) {
                    return Err(ProofError::Signature { writer, number });
                }
                heads.push(head);
            }
        }
        Ok(ProvedRun {
            writer,
            device: opening.device(),
            changes: Vec::new(),
            opening: known.is_none().then_some(opening),
            first,
            hashes,
            heads,
        })
    }

    /// The opening to check against: the one that is known, or the one that came, which must be this writer's
    /// in this document.
    fn opening_of(
        &self,
        writer: Writer,
        known: Option<&Run>,
        came: Option<Opening>,
    ) -> Result<Opening, ProofError> {
        match (known.map(|run| &run.opening), came) {
            (Some(known), Some(came)) if *known != came => Err(ProofError::TwoOpenings { writer }),
            (Some(known), _) => Ok(known.clone()),
            (None, None) => Err(ProofError::NoOpening { writer }),
            (None, Some(came)) if came.document() != self.document || came.writer() != writer => {
                Err(ProofError::OtherOpening)
            }
            (None, Some(came)) => Ok(came),
        }
    }

    /// Changes that are held already, or whose hashes were signed ahead of them, need no proof again.
    fn signed_before(
        &self,
        writer: Writer,
        first: u64,
        hashes: Vec<ChangeHash>,
    ) -> Result<ProvedRun, ProofError> {
        let run = self.runs.get(&writer).ok_or(ProofError::NoProof)?;
        for (number, hash) in (first..).zip(&hashes) {
            match run.hash(number) {
                Some(known) if known == *hash => {}
                Some(_) => return Err(ProofError::Contradiction { writer, number }),
                None => return Err(ProofError::NoProof),
            }
        }
        Ok(ProvedRun {
            writer,
            device: run.opening.device(),
            changes: Vec::new(),
            opening: None,
            first,
            hashes,
            heads: Vec::new(),
        })
    }
}

/// The numbers of one writer's changes must be one row; the same change twice is one.
fn in_a_row(writer: Writer, claimed: &[Claimed]) -> Result<(u64, Vec<ChangeHash>), ProofError> {
    let mut row: Vec<(u64, ChangeHash)> = claimed.iter().map(|(c, _)| (c.number, c.hash)).collect();
    row.sort_unstable();
    row.dedup();
    let first = row.first().map_or(0, |(number, _)| *number);
    let in_a_row = (first..).zip(&row).all(|(n, (number, _))| n == *number);
    // No change is numbered 0, nor so high that one couldn't count on.
    if first == 0
        || !in_a_row
        || first
            .checked_add(row.len() as u64 + u64::from(u8::MAX))
            .is_none()
    {
        return Err(ProofError::NotInARow { writer });
    }
    Ok((first, row.into_iter().map(|(_, hash)| hash).collect()))
}

/// A device that is known to have signed another link at this number says two things.
fn contradicts_newest(
    writer: Writer,
    known: Option<&Run>,
    number: u64,
    link: Link,
) -> Result<(), ProofError> {
    match known.and_then(|run| run.newest.as_ref()) {
        Some(newest) if newest.number == number && newest.link != link => {
            Err(ProofError::Contradiction { writer, number })
        }
        _ => Ok(()),
    }
}

fn in_order(mut claimed: Vec<Claimed>) -> Vec<Vec<u8>> {
    claimed.sort_by_key(|(claims, _)| claims.number);
    claimed.dedup_by_key(|(claims, _)| claims.number);
    claimed.into_iter().map(|(_, bytes)| bytes).collect()
}

fn unproved(claimed: Vec<Claimed>, why: &ProofError) -> impl Iterator<Item = Unproved> {
    claimed.into_iter().map(move |(_, bytes)| Unproved {
        bytes,
        why: why.clone(),
    })
}

fn refuse_all(
    mut checked: Checked,
    by_writer: BTreeMap<Writer, Vec<Claimed>>,
    why: &ProofError,
) -> Checked {
    for claimed in by_writer.into_values() {
        checked.unproved.extend(unproved(claimed, why));
    }
    checked
}
