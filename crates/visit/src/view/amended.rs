//! Which value of a field counts, and which stand beside it.

use std::collections::{BTreeMap, BTreeSet};

use gravelbar_ledger::RecordId;

use super::flag::{Flag, FlagKind};
use super::named::Named;
use super::seen::Seen;
use super::{Rival, Settled};
use crate::names::{PassKey, SpeciesName};
use crate::record::{Amend, Fact, FieldName, FieldValue};

fn amend(seen: &Seen) -> Option<&Amend> {
    match &seen.entry.what {
        Fact::Amend(amend) => Some(amend),
        _ => None,
    }
}

/// The most values written out in one flag; the rest are in its list of records.
pub(super) const SAID_AT_MOST: usize = 5;

impl<'a> Named<'a> {
    /// The amendments of one field that no other amendment of it has seen and replaces, newest
    /// last.
    fn standing(&self, amends: &[&'a Seen]) -> Vec<&'a Seen> {
        let here: BTreeSet<RecordId> = amends.iter().map(|s| s.id).collect();
        let mut replaced: BTreeSet<RecordId> = BTreeSet::new();
        for s in amends {
            let named = amend(s).map_or(&[][..], |a| &a.replaces);
            let reached = named.iter().filter(|r| here.contains(r));
            replaced.extend(reached.filter(|r| self.had_seen(s, **r)));
        }
        let standing = amends.iter().filter(|s| !replaced.contains(&s.id));
        standing.copied().collect()
    }

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
        let mut values: Vec<(T, &Seen)> = self
            .standing(amends)
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
    pub(super) fn flag_amendments(&self, flags: &mut Vec<Flag>) {
        for ((of, field), amends) in &self.amends {
            let standing = self.standing(amends);
            let Some((last, earlier)) = standing.split_last() else {
                continue;
            };
            let set = |s: &Seen| amend(s).map(|a| a.set.clone());
            if earlier.iter().any(|s| set(s) != set(last)) {
                let mut who: Vec<String> = standing
                    .iter()
                    .skip(standing.len().saturating_sub(SAID_AT_MOST))
                    .map(|s| format!("{} by {}", said(s), s.entry.by))
                    .collect();
                if standing.len() > who.len() {
                    who.insert(0, format!("{} others", standing.len() - who.len()));
                }
                flags.push(Flag {
                    kind: FlagKind::Disagreement,
                    about: std::iter::once(*of)
                        .chain(standing.iter().map(|s| s.id))
                        .collect(),
                    words: format!(
                        "{} values for the {} of one record: {}. The last one counts until someone settles it",
                        standing.len(),
                        field.words(),
                        who.join("; ")
                    ),
                });
            }
        }
        self.flag_voided_edits(flags);
        self.flag_scopes(flags);
    }

    fn flag_voided_edits(&self, flags: &mut Vec<Flag>) {
        for (of, voids) in self.all_voids() {
            let known: BTreeSet<RecordId> = voids
                .iter()
                .filter_map(|v| match &v.entry.what {
                    Fact::Void(void) => Some(&void.seen),
                    _ => None,
                })
                .flatten()
                .copied()
                .collect();
            // An edit by someone who knew of a void is no surprise to anybody.
            let knew = |edit: &Seen| voids.iter().any(|v| self.had_seen(edit, v.id));
            let unseen: Vec<RecordId> = self
                .amends
                .range((of, FieldName::Pass)..=(of, FieldName::Anomalies))
                .flat_map(|(_, amends)| amends.iter())
                .filter(|edit| !known.contains(&edit.id) && !knew(edit))
                .map(|edit| edit.id)
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

    /// Flags each record that a change of many was meant to reach and had not seen, at the newest
    /// such change of its scope and field.
    fn flag_scopes(&self, flags: &mut Vec<Flag>) {
        let mut changes: BTreeMap<(Reach<'_>, FieldName), Vec<Change<'_>>> = BTreeMap::new();
        for s in self.seen.iter().filter(|s| !self.is_voided(s.id)) {
            let Some((amend, scope)) =
                amend(s).and_then(|a| a.scope.as_ref().map(|scope| (a, scope)))
            else {
                continue;
            };
            changes
                .entry((
                    (scope.pass.as_ref(), scope.species.as_ref()),
                    amend.set.name(),
                ))
                .or_default()
                .push((s, amend.of.iter().copied().collect()));
        }
        if changes.is_empty() {
            return;
        }
        let mut missed: BTreeMap<RecordId, (&Seen, Vec<RecordId>)> = BTreeMap::new();
        for r in self.seen.iter().filter(|r| !self.is_voided(r.id)) {
            for scope in reached_by(&r.entry.what) {
                let first = (scope, FieldName::Pass);
                for ((_, field), changes) in changes.range(first..=(scope, FieldName::Anomalies)) {
                    if self.amends.contains_key(&(r.id, *field)) {
                        continue;
                    }
                    let newest = changes
                        .iter()
                        .rev()
                        .find(|(s, of)| !of.contains(&r.id) && !self.had_seen(s, r.id));
                    if let Some((s, _)) = newest {
                        missed.entry(s.id).or_insert((s, Vec::new())).1.push(r.id);
                    }
                }
            }
        }
        for (s, missed) in missed.into_values() {
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

/// A change of many with the records it names.
type Change<'a> = (&'a Seen, BTreeSet<RecordId>);

/// A scope, part by part.
type Reach<'a> = (Option<&'a PassKey>, Option<&'a SpeciesName>);

/// The scopes that were meant to reach a fact as it was recorded. A scope without pass and
/// species reaches nothing.
fn reached_by(fact: &Fact) -> impl Iterator<Item = Reach<'_>> {
    let of = match fact {
        Fact::Fish(fish) => Some((&fish.pass, &fish.species)),
        Fact::Batch(batch) => Some((&batch.pass, &batch.species)),
        _ => None,
    };
    of.into_iter().flat_map(|(pass, species)| {
        [
            (Some(pass), Some(species)),
            (Some(pass), None),
            (None, Some(species)),
        ]
    })
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
