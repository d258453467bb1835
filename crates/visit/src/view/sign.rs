//! Signatures and what came after them.

use std::collections::{BTreeMap, BTreeSet};

use gravelbar_ledger::{RecordId, Writer};
use serde::Serialize;

use super::Stamp;
use super::flag::{Flag, FlagKind};
use super::named::{Named, names_unseen};
use super::seen::{Past, Seen, Unreadable};
use crate::record::{Fact, Signature};
use crate::visit::digest;

/// Signatures whose later records are listed one by one, newest first. A visit has a handful;
/// the bound keeps thousands of signatures from listing thousands of records each.
const LISTED_SIGNATURES: usize = 50;

/// A signature.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct SignatureView {
    /// Who and when.
    pub stamp: Stamp,
    /// First signature is version 1.
    pub version: u32,
    /// What is printed on the sheet.
    pub digest: String,
    /// How many records it covers; `None` where some of them aren't here.
    pub covers: Option<usize>,
    /// Devices named as not heard.
    pub not_heard: Vec<String>,
    /// Records of the visit that it doesn't cover; listed for the newest 50 signatures.
    pub arrived_after: Vec<RecordId>,
    /// Of these, records someone has accepted.
    pub accepted: Vec<RecordId>,
    /// Opened again by.
    pub reopened: Option<Stamp>,
}

/// How the visit stands.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case", tag = "state")]
pub enum SignState {
    /// Nobody has signed.
    Open,
    /// Signed, and nothing has come since.
    Signed {
        /// Version signed.
        version: u32,
    },
    /// Records came after the newest signature.
    ChangedAfter {
        /// Version signed.
        version: u32,
        /// How many records came after it.
        arrived_after: usize,
        /// Of these, not yet accepted.
        waiting: usize,
    },
    /// Opened again.
    Reopened {
        /// Version set aside.
        version: u32,
    },
}

/// Kinds that may follow a signature without changing what was signed: signatures, devices met,
/// clocks. All others, unreadable ones among them, say something about the visit itself.
const BESIDE_THE_VISIT: [&str; 7] = [
    "signature",
    "reopen",
    "accept_late",
    "device",
    "device_held",
    "clock_offset",
    "safety_brought",
];

impl Named<'_> {
    /// Signatures with what each covers. A signature covers its heads, as far as its author had
    /// seen them, and nothing else, whatever order things arrive in: the heads name one closed
    /// part of the history.
    pub(super) fn signatures(
        &self,
        unreadable: &[Unreadable],
        flags: &mut Vec<Flag>,
    ) -> Vec<SignatureView> {
        let signed: Vec<(&Seen, &Signature)> = self
            .seen
            .iter()
            .filter(|s| !self.held.holds(s.id))
            .filter_map(|s| match &s.entry.what {
                Fact::Signature(signature) => Some((s, signature)),
                _ => None,
            })
            .collect();
        if signed.is_empty() {
            return Vec::new();
        }
        let readable = self
            .seen
            .iter()
            .map(|s| (s.lamport, s.id, s.entry.what.kind()));
        let others = unreadable
            .iter()
            .map(|u| (u.lamport, u.id, u.kind.as_deref().unwrap_or_default()));
        let mut of_the_visit: Vec<(u64, RecordId)> = readable
            .chain(others)
            .filter(|(.., kind)| !BESIDE_THE_VISIT.contains(kind))
            .map(|(lamport, id, _)| (lamport, id))
            .collect();
        of_the_visit.sort_unstable();
        let mut numbers: BTreeMap<Writer, Vec<u32>> = BTreeMap::new();
        for (_, id) in &of_the_visit {
            numbers.entry(id.writer).or_default().push(id.n);
        }
        let accepted = self.accepted(flags);
        let unlisted = signed.len().saturating_sub(LISTED_SIGNATURES);

        let mut places = BTreeMap::new();
        let mut signatures = Vec::with_capacity(signed.len());
        for (place, (s, signature)) in signed.into_iter().enumerate() {
            if digest(&signature.heads) != signature.digest {
                flags.push(Flag {
                    kind: FlagKind::OddValue,
                    about: vec![s.id],
                    words: format!(
                        "the digest of a signature by {} doesn't fit the heads it names: it covers these heads, whatever was printed",
                        s.entry.by
                    ),
                });
            }
            let covered = self
                .causality
                .past_at(&signature.heads)
                .map(|past| seen_of(past, self.causality.past_of(s.id)));
            let holds = |id: RecordId| covered.as_ref().is_some_and(|past| past.contains(id));
            let arrived_after: Vec<RecordId> = if place < unlisted {
                Vec::new()
            } else {
                let after = of_the_visit.iter().filter(|(_, id)| !holds(*id));
                after.map(|(_, id)| *id).collect()
            };
            let mut late: Vec<RecordId> = arrived_after
                .iter()
                .filter(|id| accepted.contains(id))
                .copied()
                .collect();
            late.sort_unstable();
            places.insert(s.id, place);
            signatures.push(SignatureView {
                stamp: self.stamp(s),
                version: u32::try_from(place + 1).unwrap_or(u32::MAX),
                digest: signature.digest.clone(),
                covers: covered.as_ref().map(|past| count(past, &numbers)),
                not_heard: signature.not_heard.clone(),
                arrived_after,
                accepted: late,
                reopened: None,
            });
        }
        for s in self.seen {
            if let Fact::Reopen(reopen) = &s.entry.what
                && !self.held.holds(s.id)
                && let Some(place) = places.get(&reopen.signature)
                && self.had_seen(s, reopen.signature)
            {
                signatures[*place].reopened = Some(self.stamp(s));
            }
        }
        signatures
    }

    /// Records that someone who had them has accepted.
    fn accepted(&self, flags: &mut Vec<Flag>) -> BTreeSet<RecordId> {
        let mut accepted = BTreeSet::new();
        for s in self.seen {
            let Fact::AcceptLate(accept) = &s.entry.what else {
                continue;
            };
            if self.held.holds(s.id) {
                continue;
            }
            let (seen, unseen): (Vec<RecordId>, Vec<RecordId>) =
                accept.records.iter().partition(|id| self.had_seen(s, **id));
            if !unseen.is_empty() {
                flags.push(names_unseen(s, unseen.len()));
            }
            accepted.extend(seen);
        }
        accepted
    }
}

/// The part of `past` that lies in `seen` too.
fn seen_of(past: Past, seen: Past) -> Past {
    let both = past.0.into_iter().filter_map(|(writer, last)| {
        let seen = *seen.0.get(&writer)?;
        Some((writer, last.min(seen)))
    });
    Past(both.collect())
}

/// How many of the records, given by their numbers, lie in `past`.
fn count(past: &Past, numbers: &BTreeMap<Writer, Vec<u32>>) -> usize {
    let of_each = past.0.iter().filter_map(|(writer, last)| {
        let numbers = numbers.get(writer)?;
        Some(numbers.partition_point(|n| n <= last))
    });
    of_each.sum()
}

/// How the visit stands by its newest signature.
pub(super) fn sign_state(signatures: &[SignatureView]) -> SignState {
    let Some(newest) = signatures.last() else {
        return SignState::Open;
    };
    let version = newest.version;
    if newest.reopened.is_some() {
        SignState::Reopened { version }
    } else if newest.arrived_after.is_empty() {
        SignState::Signed { version }
    } else {
        SignState::ChangedAfter {
            version,
            arrived_after: newest.arrived_after.len(),
            waiting: newest.arrived_after.len() - newest.accepted.len(),
        }
    }
}
