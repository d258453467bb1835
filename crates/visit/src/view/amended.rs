//! Which value of a field counts, and which stand beside it.

use gravelbar_ledger::RecordId;

use super::flag::{Flag, FlagKind};
use super::named::Named;
use super::seen::{Causality, Seen};
use super::{Rival, Settled};
use crate::record::{Amend, Fact, FieldName, FieldValue, Scope};

fn amend(seen: &Seen) -> Option<&Amend> {
    match &seen.entry.what {
        Fact::Amend(amend) => Some(amend),
        _ => None,
    }
}

/// The amendments of one field that no other amendment of it replaces, newest last.
fn standing<'a>(amends: &[&'a Seen]) -> Vec<&'a Seen> {
    amends
        .iter()
        .filter(|candidate| {
            !amends.iter().any(|other| {
                other.lamport > candidate.lamport
                    && amend(other).is_some_and(|a| a.replaces.contains(&candidate.id))
            })
        })
        .copied()
        .collect()
}

impl Named<'_> {
    /// The value of `field` of `origin`: what was recorded, unless amended. Of amendments that
    /// had not seen each other the newest by cause counts meanwhile, ties by record name, and the
    /// others stand beside it.
    pub(super) fn settled<T: Clone + PartialEq>(
        &self,
        origin: &Seen,
        field: FieldName,
        recorded: Option<T>,
        read: fn(&FieldValue) -> Option<T>,
    ) -> Option<Settled<T>> {
        let amends = self
            .amends
            .get(&(origin.id, field))
            .map_or(&[][..], Vec::as_slice);
        let mut values: Vec<(T, &Seen)> = standing(amends)
            .into_iter()
            .filter_map(|s| amend(s).and_then(|a| read(&a.set)).map(|value| (value, s)))
            .collect();
        let Some((value, from)) = values.pop() else {
            return recorded.map(|value| Settled {
                value,
                from: origin.id,
                rivals: Vec::new(),
            });
        };
        let rivals = values
            .into_iter()
            .filter(|(rival, _)| *rival != value)
            .map(|(rival, s)| Rival {
                value: rival,
                from: s.id,
                by: s.entry.by.clone(),
            })
            .collect();
        Some(Settled {
            value,
            from: from.id,
            rivals,
        })
    }

    /// [`Self::settled`] for a field that always has a value.
    pub(super) fn settled_always<T: Clone + PartialEq>(
        &self,
        origin: &Seen,
        field: FieldName,
        recorded: T,
        read: fn(&FieldValue) -> Option<T>,
    ) -> Settled<T> {
        self.settled(origin, field, Some(recorded.clone()), read)
            .unwrap_or(Settled {
                value: recorded,
                from: origin.id,
                rivals: Vec::new(),
            })
    }

    /// Flags fields with several standing values, records voided by someone who hadn't seen an
    /// edit, and records a rename was meant to reach but had not seen.
    pub(super) fn flag_amendments(&self, causality: &impl Causality, flags: &mut Vec<Flag>) {
        for ((of, field), amends) in &self.amends {
            let standing = standing(amends);
            let Some((last, earlier)) = standing.split_last() else {
                continue;
            };
            let set = |s: &Seen| amend(s).map(|a| a.set.clone());
            if earlier.iter().any(|s| set(s) != set(last)) {
                let who: Vec<String> = standing
                    .iter()
                    .map(|s| format!("{} by {}", said(s), s.entry.by))
                    .collect();
                flags.push(Flag {
                    kind: FlagKind::Disagreement,
                    about: std::iter::once(*of)
                        .chain(standing.iter().map(|s| s.id))
                        .collect(),
                    words: format!(
                        "two values for the {} of one record: {}. The last one counts until someone settles it",
                        field.words(),
                        who.join("; ")
                    ),
                });
            }
        }
        self.flag_voided_edits(flags);
        self.flag_scopes(causality, flags);
    }

    fn flag_voided_edits(&self, flags: &mut Vec<Flag>) {
        for (of, voids) in self.all_voids() {
            let unseen: Vec<RecordId> = self
                .amends
                .range((of, FieldName::Pass)..=(of, FieldName::Anomalies))
                .flat_map(|(_, amends)| amends.iter())
                .filter(|a| {
                    !voids.iter().any(
                        |v| matches!(&v.entry.what, Fact::Void(void) if void.seen.contains(&a.id)),
                    )
                })
                .map(|a| a.id)
                .collect();
            if let (Some(void), false) = (voids.first(), unseen.is_empty()) {
                flags.push(Flag {
                    kind: FlagKind::VoidedWhileEdited,
                    about: std::iter::once(of)
                        .chain(voids.iter().map(|v| v.id))
                        .chain(unseen)
                        .collect(),
                    words: format!(
                        "{} voided a record while it was being corrected elsewhere: it stays out of the totals; restore it if the correction is right",
                        void.entry.by
                    ),
                });
            }
        }
    }

    fn flag_scopes(&self, causality: &impl Causality, flags: &mut Vec<Flag>) {
        for s in self.seen {
            let Some((amend, scope)) =
                amend(s).and_then(|a| a.scope.as_ref().map(|scope| (a, scope)))
            else {
                continue;
            };
            if self.is_voided(s.id) {
                continue;
            }
            let past = causality.past_of(s.id);
            let missed: Vec<RecordId> = self
                .seen
                .iter()
                .filter(|r| reaches(scope, &r.entry.what))
                .filter(|r| !amend.of.contains(&r.id) && !past.contains(r.id))
                .filter(|r| !self.amends.contains_key(&(r.id, amend.set.name())))
                .filter(|r| !self.is_voided(r.id))
                .map(|r| r.id)
                .collect();
            if !missed.is_empty() {
                flags.push(Flag {
                    kind: FlagKind::ArrivedAfterChange,
                    words: format!(
                        "{} records arrived that the change “{}” by {} was meant to reach but had not seen: confirm it for them or leave them",
                        missed.len(),
                        said(s),
                        s.entry.by
                    ),
                    about: std::iter::once(s.id).chain(missed).collect(),
                });
            }
        }
    }
}

/// Whether a change with this scope was meant to reach the fact as it was recorded.
fn reaches(scope: &Scope, fact: &Fact) -> bool {
    let (pass, species) = match fact {
        Fact::Fish(fish) => (&fish.pass, &fish.species),
        Fact::Batch(batch) => (&batch.pass, &batch.species),
        _ => return false,
    };
    scope.pass.as_ref().is_none_or(|p| p == pass)
        && scope.species.as_ref().is_none_or(|s| s == species)
        && (scope.pass.is_some() || scope.species.is_some())
}

/// An amendment's new value in words.
pub(super) fn said(seen: &Seen) -> String {
    amend(seen).map_or_else(String::new, |a| in_words(&a.set))
}

pub(super) fn in_words(value: &FieldValue) -> String {
    let field = value.name().words();
    match value {
        FieldValue::Pass(pass) => format!("{field} {pass}"),
        FieldValue::Species(species) => format!("{field} {species}"),
        FieldValue::LengthMm(mm) => format!("{field} {mm} mm"),
        FieldValue::LengthType(which) => {
            format!("{field} {}", format!("{which:?}").to_lowercase())
        }
        FieldValue::MassG(g) => format!("{field} {g} g"),
        FieldValue::N(n) => format!("{field} {n}"),
        FieldValue::Fate(fate) => format!("{field} {}", format!("{fate:?}").to_lowercase()),
        FieldValue::Marks(text) | FieldValue::Anomalies(text) => format!("{field} “{text}”"),
    }
}
