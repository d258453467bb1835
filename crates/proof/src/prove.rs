//! Proving changes that are here to another device.

use std::collections::BTreeMap;

use gravelbar_ledger::Writer;

use crate::error::ProveError;
use crate::head::{HEAD_EVERY, next_mark};
use crate::parcel;
use crate::provenance::Provenance;

impl Provenance {
    /// The proof of these changes, given by writer and number, in any order: each writer's in a row.
    ///
    /// A writer's opening goes along with its first change, so that whoever holds any change of a writer holds
    /// the opening too.
    ///
    /// # Errors
    ///
    /// [`ProveError`] naming a change that can't be proved from here.
    pub fn prove(&self, changes: &[(Writer, u64)]) -> Result<Vec<u8>, ProveError> {
        let mut spans: BTreeMap<Writer, (u64, u64, u64)> = BTreeMap::new();
        for (writer, number) in changes {
            let (first, last, count) = spans.entry(*writer).or_insert((*number, *number, 0));
            *first = (*first).min(*number);
            *last = (*last).max(*number);
            *count += 1;
        }
        let mut proof = Vec::new();
        for (writer, (first, last, count)) in spans {
            if last - first + 1 != count {
                return Err(ProveError::NotInARow { writer });
            }
            self.prove_run(&mut proof, writer, first, last)?;
        }
        Ok(proof)
    }

    fn prove_run(
        &self,
        proof: &mut Vec<u8>,
        writer: Writer,
        first: u64,
        last: u64,
    ) -> Result<(), ProveError> {
        let unsigned = |number| ProveError::Unsigned { writer, number };
        let run = self.runs.get(&writer).ok_or(unsigned(first))?;
        if first == 0 || last > run.here() {
            return Err(unsigned(last));
        }
        let (end, over_all) = run
            .head_over(last)
            .filter(|(end, _)| *end <= next_mark(last))
            .ok_or(unsigned(last))?;
        let tail = run.hashes(last + 1, end).ok_or(unsigned(last))?;
        let mut signatures = Vec::new();
        for mark in marks_within(first, last) {
            signatures.push(*run.heads.get(&mark).ok_or(unsigned(mark))?);
        }
        if end > last || !end.is_multiple_of(HEAD_EVERY) {
            signatures.push(over_all);
        }
        let opening = Some(&run.opening).filter(|_| first == 1);
        parcel::write(proof, writer, opening, &tail, &signatures).ok_or(unsigned(last))
    }

    /// How far a writer's changes can be proved from here, from number one.
    #[must_use]
    pub fn provable(&self, writer: Writer) -> u64 {
        (self.runs.get(&writer))
            .and_then(|run| Some(run.here().min(*run.heads.last_key_value()?.0)))
            .unwrap_or(0)
    }
}

/// The multiples of [`HEAD_EVERY`] from `first` to `last`.
pub(crate) fn marks_within(first: u64, last: u64) -> impl Iterator<Item = u64> {
    (first.div_ceil(HEAD_EVERY)..=last / HEAD_EVERY).map(|n| n * HEAD_EVERY)
}
