//! Signatures and what came after them.

use std::collections::BTreeSet;

use gravelbar_ledger::RecordId;
use serde::Serialize;

use super::Stamp;
use super::named::Named;
use super::seen::{Causality, Seen};
use crate::record::Fact;

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
    /// Records of the visit that it doesn't cover.
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

/// Records that say something about the visit itself; the rest (signatures, devices met, clocks)
/// may follow a signature without changing what was signed.
fn is_of_the_visit(fact: &Fact) -> bool {
    !matches!(
        fact,
        Fact::Signature(_)
            | Fact::Reopen(_)
            | Fact::AcceptLate(_)
            | Fact::Device(_)
            | Fact::DeviceHeld(_)
            | Fact::ClockOffset(_)
    )
}

impl Named<'_> {
    /// Signatures with what each covers. A signature covers its heads and nothing else, whatever
    /// order things arrive in: the heads name one closed part of the history.
    pub(super) fn signatures(&self, causality: &impl Causality) -> Vec<SignatureView> {
        let mut signatures = Vec::new();
        for s in self.seen {
            let Fact::Signature(signature) = &s.entry.what else {
                continue;
            };
            let covered = causality.past_at(&signature.heads);
            let of_the_visit = self.seen.iter().filter(|r| is_of_the_visit(&r.entry.what));
            let (inside, after): (Vec<&Seen>, Vec<&Seen>) = of_the_visit
                .partition(|r| covered.as_ref().is_some_and(|past| past.contains(r.id)));
            signatures.push(SignatureView {
                stamp: self.stamp(s),
                version: u32::try_from(signatures.len() + 1).unwrap_or(u32::MAX),
                digest: signature.digest.clone(),
                covers: covered.is_some().then_some(inside.len()),
                not_heard: signature.not_heard.clone(),
                arrived_after: after.iter().map(|r| r.id).collect(),
                accepted: Vec::new(),
                reopened: None,
            });
        }
        for s in self.seen {
            match &s.entry.what {
                Fact::AcceptLate(accept) => {
                    for signature in &mut signatures {
                        let late: BTreeSet<_> = signature.arrived_after.iter().copied().collect();
                        signature
                            .accepted
                            .extend(accept.records.iter().filter(|r| late.contains(r)));
                    }
                }
                Fact::Reopen(reopen) => {
                    for signature in &mut signatures {
                        if signature.stamp.id == reopen.signature {
                            signature.reopened = Some(self.stamp(s));
                        }
                    }
                }
                _ => {}
            }
        }
        for signature in &mut signatures {
            signature.accepted.sort_unstable();
            signature.accepted.dedup();
        }
        signatures
    }
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
