//! What is known to exist and isn't here, and telling other devices the newest that was signed.

use gravelbar_ledger::Writer;

use crate::bytes::{Input, Malformed};
use crate::chain::Link;
use crate::device::DeviceId;
use crate::error::ProofError;
use crate::head::Head;
use crate::opening::Opening;
use crate::provenance::{Provenance, ToStore};
use crate::restore::{StoredHead, StoredOpening, reach_bytes};
use crate::run::Run;

/// The longest list of newest heads that is sent or read.
pub const MAX_STANDING_BYTES: usize = 64 * 1024;

/// Runs of one document that are known at most, as far as other devices only tell of them.
const MOST_RUNS: usize = 16 * 1024;

/// Changes of one run that a device has signed and that aren't here.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Gap {
    /// The run.
    pub writer: Writer,
    /// Its device.
    pub device: DeviceId,
    /// The last number that is here; 0 for none.
    pub here: u64,
    /// The highest number that is known to exist.
    pub known: u64,
}

impl Provenance {
    /// Where this device lacks what others are known to have written, by writer.
    #[must_use]
    pub fn gaps(&self) -> Vec<Gap> {
        let mut gaps: Vec<Gap> = (self.runs.iter())
            .filter(|(_, run)| run.known() > run.here())
            .map(|(writer, run)| Gap {
                writer: *writer,
                device: run.opening.device(),
                here: run.here(),
                known: run.known(),
            })
            .collect();
        // A run that is only named as the one before another.
        for run in self.runs.values() {
            let (Some(previous), Some(writer)) =
                (run.opening.previous(), run.opening.previous_writer())
            else {
                continue;
            };
            if gaps.iter().any(|gap| gap.writer == writer) {
                continue;
            }
            let here = match (self.runs.get(&writer), self.loose.get(&writer)) {
                (Some(before), _) => before.here(),
                (None, Some(loose)) => loose.len() as u64,
                (None, None) => 0,
            };
            if here < previous.number {
                gaps.push(Gap {
                    writer,
                    device: run.opening.device(),
                    here,
                    known: previous.number,
                });
            }
        }
        gaps.sort_by_key(|gap| gap.writer);
        gaps
    }

    /// The opening and the newest head of every run, for another device to see what it lacks. What isn't here
    /// comes first, as far as there is room.
    #[must_use]
    pub fn standing(&self) -> Vec<u8> {
        let mut runs: Vec<&Run> = self
            .runs
            .values()
            .filter(|run| run.newest.is_some())
            .collect();
        runs.sort_by_key(|run| run.known() <= run.here());
        let mut bytes = Vec::new();
        for run in runs {
            let Some(newest) = &run.newest else { continue };
            let mut entry = run.opening.to_bytes();
            entry.extend(head_bytes(newest));
            if bytes.len() + entry.len() > MAX_STANDING_BYTES {
                break;
            }
            bytes.extend(entry);
        }
        bytes
    }

    /// Takes what another device says is the newest that was signed, of devices that may write here.
    ///
    /// Returns what is new and to be stored, and what of it contradicts what is known.
    ///
    /// # Errors
    ///
    /// [`ProofError::Malformed`] if it can't be read; nothing is taken then.
    pub fn hear(
        &mut self,
        standing: &[u8],
        may_write: impl Fn(DeviceId) -> bool,
    ) -> Result<(ToStore, Vec<ProofError>), ProofError> {
        let entries = read(standing).map_err(|Malformed| ProofError::Malformed)?;
        let (mut to_store, mut strange) = (ToStore::default(), Vec::new());
        for (opening, head) in entries {
            if opening.document() != self.document {
                strange.push(ProofError::OtherOpening);
            } else if may_write(opening.device()) {
                match self.hear_one(opening, head) {
                    Ok(more) => to_store.add(more),
                    Err(error) => strange.push(error),
                }
            }
        }
        Ok((to_store, strange))
    }

    fn hear_one(&mut self, opening: Opening, head: Head) -> Result<ToStore, ProofError> {
        let writer = opening.writer();
        let mut to_store = ToStore::default();
        let known = self.runs.get(&writer);
        let number = head.number;
        if known.is_some_and(|run| {
            run.opening == opening
                && run.newest.as_ref().is_some_and(|newest| {
                    newest.number > number || (newest.number == number && newest.link == head.link)
                })
        }) {
            return Ok(to_store);
        }
        if !head.is_signed(&opening) {
            return Err(ProofError::Signature { writer, number });
        }
        if known.is_some_and(|run| run.opening != opening) {
            return Err(ProofError::TwoOpenings { writer });
        }
        if known.is_some_and(|run| run.link_at(number).is_some_and(|link| link != head.link))
            || known
                .and_then(|run| run.newest.as_ref())
                .is_some_and(|newest| newest.number == number && newest.link != head.link)
        {
            return Err(ProofError::Contradiction { writer, number });
        }
        if known.is_none() {
            if self.runs.len() >= MOST_RUNS {
                return Ok(to_store);
            }
            let mut run = Run::new(opening);
            if let Some(loose) = self.loose.get(&writer) {
                if number != loose.len() as u64 {
                    // One that ends before the last of them leaves the later ones open, and one that ends
                    // after them can't be led up to: it may fit when more has come.
                    return Ok(to_store);
                }
                if run.link().over_all(loose) != head.link {
                    return Err(ProofError::Contradiction { writer, number });
                }
                loose.iter().for_each(|change| run.hold(*change));
                self.loose.remove(&writer);
            }
            to_store.openings.push(StoredOpening::of(&run.opening));
            self.runs.insert(writer, run);
        }
        if let Some(run) = self.runs.get_mut(&writer) {
            if number <= run.here() {
                run.heads.insert(number, head.signature);
                to_store.heads.extend(StoredHead::mark(writer, &head));
                run.drop_passing_heads();
                run.sign_newest(head);
                to_store.heads.extend(reach_bytes(writer, run));
            } else {
                to_store.heads.push(StoredHead::newest(writer, &head));
                run.sign_newest(head);
            }
        }
        Ok(to_store)
    }
}

pub(crate) fn head_bytes(head: &Head) -> Vec<u8> {
    let mut bytes = Vec::with_capacity(104);
    bytes.extend(head.number.to_be_bytes());
    bytes.extend(head.link.0);
    bytes.extend(head.signature);
    bytes
}

pub(crate) fn read_head(input: &mut Input<'_>) -> Result<Head, Malformed> {
    let head = Head {
        number: input.u64()?,
        link: Link(input.array()?),
        signature: input.array()?,
    };
    if head.number == 0 {
        return Err(Malformed);
    }
    Ok(head)
}

fn read(standing: &[u8]) -> Result<Vec<(Opening, Head)>, Malformed> {
    if standing.len() > MAX_STANDING_BYTES {
        return Err(Malformed);
    }
    let mut input = Input(standing);
    let mut entries = Vec::new();
    while !input.0.is_empty() {
        entries.push((Opening::read(&mut input)?, read_head(&mut input)?));
    }
    Ok(entries)
}
