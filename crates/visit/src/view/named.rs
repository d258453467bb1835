//! The records of a visit, findable by name, with what other records did to them: undone,
//! voided, amended, joined.

use std::collections::{BTreeMap, BTreeSet};

use gravelbar_ledger::RecordId;

use super::clocks::Clocks;
use super::flag::{Flag, FlagKind};
use super::seen::Seen;
use super::{Dated, Stamp};
use crate::record::{Fact, FieldName};

/// All records in order by cause, with indexes.
pub(super) struct Named<'a> {
    pub(super) seen: &'a [Seen],
    pub(super) clocks: Clocks,
    places: BTreeMap<RecordId, usize>,
    voids: BTreeMap<RecordId, Vec<&'a Seen>>,
    undone: BTreeSet<RecordId>,
    pub(super) amends: BTreeMap<(RecordId, FieldName), Vec<&'a Seen>>,
    first_of: BTreeMap<RecordId, RecordId>,
}

impl<'a> Named<'a> {
    /// Indexes `seen`, which is in order by cause.
    pub(super) fn new(seen: &'a [Seen], flags: &mut Vec<Flag>) -> Self {
        let mut named = Self {
            seen,
            clocks: Clocks::read(seen),
            places: seen.iter().enumerate().map(|(i, s)| (s.id, i)).collect(),
            voids: BTreeMap::new(),
            undone: BTreeSet::new(),
            amends: BTreeMap::new(),
            first_of: BTreeMap::new(),
        };
        named.read_voids(flags);
        named.read_undos(flags);
        named.read_amends(flags);
        named.read_same(flags);
        named
    }

    /// The record of this name.
    pub(super) fn record(&self, id: RecordId) -> Option<&'a Seen> {
        self.places.get(&id).map(|place| &self.seen[*place])
    }

    /// The record `namer` names, if it is here and can have been seen by its author. Whatever an
    /// author has seen stands lower in the order by cause, so names can never form a circle.
    fn target(&self, namer: &Seen, id: RecordId, flags: &mut Vec<Flag>) -> Option<&'a Seen> {
        let target = self.record(id).filter(|t| t.lamport < namer.lamport);
        if target.is_none() {
            flags.push(Flag {
                kind: FlagKind::NamesUnseen,
                about: vec![namer.id],
                words: format!(
                    "a “{}” by {} names record {id}, which isn't here or came later: that part has no effect",
                    namer.entry.what.kind(),
                    namer.entry.by
                ),
            });
        }
        target
    }

    fn read_voids(&mut self, flags: &mut Vec<Flag>) {
        let lifted: BTreeSet<RecordId> = self
            .seen
            .iter()
            .filter_map(|s| match &s.entry.what {
                Fact::Restore(restore) => Some((s, &restore.voids)),
                _ => None,
            })
            .flat_map(|(s, voids)| voids.iter().map(move |v| (s, *v)))
            .filter(|(s, v)| self.target(s, *v, flags).is_some())
            .map(|(_, v)| v)
            .collect();
        for s in self.seen {
            let Fact::Void(void) = &s.entry.what else {
                continue;
            };
            let Some(target) = self.target(s, void.of, flags) else {
                continue;
            };
            // Nothing about safety or signatures can be taken out by a void: an objection or a
            // stop would vanish without anyone answering it.
            if may_be_voided(&target.entry.what) && !lifted.contains(&s.id) {
                self.voids.entry(void.of).or_default().push(s);
            }
        }
    }

    fn read_undos(&mut self, flags: &mut Vec<Flag>) {
        // Newest first: whether an undo stands is known before what it undoes is looked at.
        for s in self.seen.iter().rev() {
            let Fact::Undo(undo) = &s.entry.what else {
                continue;
            };
            if self.undone.contains(&s.id) {
                continue;
            }
            if let Some(target) = self.target(s, undo.of, flags)
                && matches!(
                    target.entry.what,
                    Fact::Tally(_) | Fact::Escape(_) | Fact::Undo(_)
                )
            {
                self.undone.insert(undo.of);
            }
        }
    }

    fn read_amends(&mut self, flags: &mut Vec<Flag>) {
        for s in self.seen {
            let Fact::Amend(amend) = &s.entry.what else {
                continue;
            };
            if self.voids.contains_key(&s.id) {
                continue;
            }
            for of in &amend.of {
                if self.target(s, *of, flags).is_some() {
                    self.amends
                        .entry((*of, amend.set.name()))
                        .or_default()
                        .push(s);
                }
            }
        }
    }

    fn read_same(&mut self, flags: &mut Vec<Flag>) {
        for s in self.seen {
            let Fact::SameThing(same) = &s.entry.what else {
                continue;
            };
            if self.voids.contains_key(&s.id) {
                continue;
            }
            let mut group: Vec<&Seen> = Vec::new();
            for id in &same.records {
                group.extend(self.target(s, *id, flags));
            }
            // The first of a group may have been joined to an earlier one before.
            let firsts: BTreeSet<(u64, RecordId)> = group
                .iter()
                .filter_map(|g| self.record(self.first_of(g.id)))
                .map(|f| (f.lamport, f.id))
                .collect();
            let Some((_, first)) = firsts.first().copied() else {
                continue;
            };
            let joined: BTreeSet<RecordId> = firsts.iter().map(|(_, id)| *id).collect();
            for member in self.first_of.values_mut() {
                if joined.contains(member) {
                    *member = first;
                }
            }
            for member in group.iter().map(|g| g.id).chain(joined) {
                if member != first {
                    self.first_of.insert(member, first);
                }
            }
        }
    }

    /// The earliest record of the thing `id` tells of; `id` itself where nothing was joined.
    pub(super) fn first_of(&self, id: RecordId) -> RecordId {
        self.first_of.get(&id).copied().unwrap_or(id)
    }

    /// Whether it is told by an earlier record too.
    pub(super) fn is_repeat(&self, id: RecordId) -> bool {
        self.first_of(id) != id
    }

    /// Whether a record is voided.
    pub(super) fn is_voided(&self, id: RecordId) -> bool {
        self.voids.contains_key(&id)
    }

    /// Whether a tap is taken back.
    pub(super) fn is_undone(&self, id: RecordId) -> bool {
        self.undone.contains(&id)
    }

    /// Records that voids stand against, with those voids.
    pub(super) fn all_voids(&self) -> impl Iterator<Item = (RecordId, &[&'a Seen])> {
        self.voids.iter().map(|(id, voids)| (*id, voids.as_slice()))
    }

    /// Who wrote a record and when.
    pub(super) fn stamp(&self, seen: &Seen) -> Stamp {
        Stamp {
            id: seen.id,
            lamport: seen.lamport,
            by: seen.entry.by.clone(),
            at: seen.entry.at,
            corrected: self.clocks.corrected(seen.id.writer.device, seen.entry.at),
        }
    }

    /// A record that is kept as it is.
    pub(super) fn dated<T>(&self, seen: &Seen, what: T) -> Dated<T> {
        Dated {
            stamp: self.stamp(seen),
            why: seen.entry.why.clone(),
            what,
            voided: self.is_voided(seen.id),
        }
    }
}

fn may_be_voided(fact: &Fact) -> bool {
    !matches!(
        fact,
        Fact::Tick(_)
            | Fact::Untick(_)
            | Fact::Stop(_)
            | Fact::Clear(_)
            | Fact::EnergiserOff(_)
            | Fact::Left(_)
            | Fact::Joined(_)
            | Fact::RoleTaken(_)
            | Fact::RoleLeft(_)
            | Fact::Void(_)
            | Fact::Restore(_)
            | Fact::Undo(_)
            | Fact::Signature(_)
            | Fact::Reopen(_)
            | Fact::AcceptLate(_)
            | Fact::Device(_)
    )
}
