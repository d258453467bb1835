//! The records of a visit, findable by name, with what other records did to them: undone,
//! voided, amended, joined.

use std::collections::{BTreeMap, BTreeSet};

use gravelbar_ledger::RecordId;

use super::clocks::Clocks;
use super::flag::{Flag, FlagKind};
use super::lost::Held;
use super::seen::{Causality, Seen};
use super::{Dated, Stamp};
use crate::record::{Fact, FieldName};

/// All records in order by cause, with indexes.
pub(super) struct Named<'a> {
    pub(super) seen: &'a [Seen],
    pub(super) causality: &'a dyn Causality,
    pub(super) clocks: Clocks,
    pub(super) held: &'a Held,
    places: BTreeMap<RecordId, usize>,
    voids: BTreeMap<RecordId, Vec<&'a Seen>>,
    undone: BTreeSet<RecordId>,
    pub(super) amends: BTreeMap<(RecordId, FieldName), Vec<&'a Seen>>,
    first_of: BTreeMap<RecordId, RecordId>,
}

impl<'a> Named<'a> {
    /// Indexes `seen`, which is in order by cause.
    pub(super) fn new(
        seen: &'a [Seen],
        causality: &'a dyn Causality,
        held: &'a Held,
        flags: &mut Vec<Flag>,
    ) -> Self {
        let mut named = Self {
            seen,
            causality,
            clocks: Clocks::read(seen),
            held,
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

    /// Whether the author of `later` held `earlier` when writing it.
    pub(super) fn had_seen(&self, later: &Seen, earlier: RecordId) -> bool {
        self.causality.had_seen(later.id, earlier)
    }

    /// Those of the records `namer` names that are here and that its author had seen: a decision
    /// covers no more, and since nobody has seen what comes later, names can never form a circle.
    fn targets(&self, namer: &Seen, ids: &[RecordId], flags: &mut Vec<Flag>) -> Vec<&'a Seen> {
        let targets: Vec<&Seen> = ids
            .iter()
            .filter(|id| self.had_seen(namer, **id))
            .filter_map(|id| self.record(*id))
            .collect();
        if targets.len() < ids.len() {
            flags.push(names_unseen(namer, ids.len() - targets.len()));
        }
        targets
    }

    fn read_voids(&mut self, flags: &mut Vec<Flag>) {
        let mut lifted = BTreeSet::new();
        for s in self.counting() {
            let Fact::Restore(restore) = &s.entry.what else {
                continue;
            };
            for target in self.targets(s, &restore.voids, flags) {
                if matches!(target.entry.what, Fact::Void(_)) {
                    lifted.insert(target.id);
                } else {
                    flags.push(no_effect(s, target));
                }
            }
        }
        for s in self.counting() {
            let Fact::Void(void) = &s.entry.what else {
                continue;
            };
            for target in self.targets(s, &[void.of], flags) {
                if !may_be_voided(&target.entry.what) {
                    flags.push(no_effect(s, target));
                } else if !lifted.contains(&s.id) {
                    self.voids.entry(target.id).or_default().push(s);
                }
            }
        }
    }

    fn read_undos(&mut self, flags: &mut Vec<Flag>) {
        // Newest first: whether an undo stands is known before what it undoes is looked at.
        for s in self.counting().rev() {
            let Fact::Undo(undo) = &s.entry.what else {
                continue;
            };
            for target in self.targets(s, &[undo.of], flags) {
                if !may_be_undone(&target.entry.what) {
                    flags.push(no_effect(s, target));
                } else if !self.undone.contains(&s.id) {
                    self.undone.insert(target.id);
                }
            }
        }
    }

    fn read_amends(&mut self, flags: &mut Vec<Flag>) {
        for s in self.counting() {
            let Fact::Amend(amend) = &s.entry.what else {
                continue;
            };
            if self.voids.contains_key(&s.id) {
                continue;
            }
            let field = amend.set.name();
            for target in self.targets(s, &amend.of, flags) {
                if !has_field(&target.entry.what, field) {
                    flags.push(no_effect(s, target));
                    continue;
                }
                let amends = self.amends.entry((target.id, field)).or_default();
                // One amendment may name a record twice.
                if amends.last().is_none_or(|last| last.id != s.id) {
                    amends.push(s);
                }
            }
        }
    }

    fn read_same(&mut self, flags: &mut Vec<Flag>) {
        let mut joined = Joined::default();
        for s in self.counting() {
            let Fact::SameThing(same) = &s.entry.what else {
                continue;
            };
            if self.voids.contains_key(&s.id) {
                continue;
            }
            let group = self.targets(s, &same.records, flags);
            let Some(first) = group.first() else {
                continue;
            };
            for member in &group {
                if may_be_joined(&first.entry.what)
                    && first.entry.what.kind() == member.entry.what.kind()
                {
                    joined.join(first.id, member.id);
                } else {
                    flags.push(no_effect(s, member));
                }
            }
        }
        for group in joined.groups() {
            let mut members: Vec<&Seen> = group.iter().filter_map(|id| self.record(*id)).collect();
            members.sort_unstable_by_key(|m| (m.lamport, m.id));
            // The earliest that nobody has taken out speaks for all.
            let standing = |m: &&&Seen| !self.is_voided(m.id) && !self.is_undone(m.id);
            if let Some(speaker) = members.iter().find(standing).or(members.first()) {
                let speaker = speaker.id;
                let said = members.iter().map(|m| (m.id, speaker));
                self.first_of.extend(said);
            }
        }
    }

    /// The record that speaks for the thing `id` tells of; `id` itself where nothing was joined.
    pub(super) fn first_of(&self, id: RecordId) -> RecordId {
        self.first_of.get(&id).copied().unwrap_or(id)
    }

    /// Whether another record of the same thing counts in its stead.
    pub(super) fn is_repeat(&self, id: RecordId) -> bool {
        self.first_of(id) != id
    }

    /// Whether a record is voided, or held aside because its device is lost.
    pub(super) fn is_voided(&self, id: RecordId) -> bool {
        self.voids.contains_key(&id) || self.held.holds(id)
    }

    /// The records that count, in order by cause: all but those held aside.
    fn counting(&self) -> impl DoubleEndedIterator<Item = &'a Seen> + use<'a> {
        let held = self.held;
        self.seen.iter().filter(move |s| !held.holds(s.id))
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

/// Records that tell of one thing, joined pair by pair.
#[derive(Default)]
struct Joined {
    above: BTreeMap<RecordId, RecordId>,
}

impl Joined {
    fn top(&mut self, id: RecordId) -> RecordId {
        let mut top = id;
        while let Some(above) = self.above.get(&top).copied().filter(|above| *above != top) {
            // Halving the way up each time it is walked keeps it short.
            let higher = self.above.get(&above).copied().unwrap_or(above);
            self.above.insert(top, higher);
            top = higher;
        }
        top
    }

    fn join(&mut self, one: RecordId, other: RecordId) {
        let (one, other) = (self.top(one), self.top(other));
        self.above.entry(one).or_insert(one);
        self.above.insert(other, one);
    }

    fn groups(mut self) -> impl Iterator<Item = Vec<RecordId>> {
        let members: Vec<RecordId> = self.above.keys().copied().collect();
        let mut groups: BTreeMap<RecordId, Vec<RecordId>> = BTreeMap::new();
        for member in members {
            groups.entry(self.top(member)).or_default().push(member);
        }
        groups.into_values()
    }
}

/// A flag on a record that names others which it has no hold on.
pub(super) fn names_unseen(namer: &Seen, how_many: usize) -> Flag {
    Flag {
        kind: FlagKind::NamesUnseen,
        about: vec![namer.id],
        words: format!(
            "a “{}” by {} names {how_many} records that aren't here, can't be read or hadn't been seen by its author: that part has no effect",
            namer.entry.what.kind(),
            namer.entry.by
        ),
    }
}

fn no_effect(namer: &Seen, target: &Seen) -> Flag {
    Flag {
        kind: FlagKind::NoEffect,
        about: vec![namer.id, target.id],
        words: format!(
            "a “{}” by {} names a “{}” by {}, to which that can't be done: it has no effect",
            namer.entry.what.kind(),
            namer.entry.by,
            target.entry.what.kind(),
            target.entry.by
        ),
    }
}

/// Whether a tap can be taken back.
pub(crate) fn may_be_undone(fact: &Fact) -> bool {
    matches!(fact, Fact::Tally(_) | Fact::Escape(_) | Fact::Undo(_))
}

/// Whether two records of this kind can tell of one thing.
pub(crate) fn may_be_joined(fact: &Fact) -> bool {
    matches!(
        fact,
        Fact::Tally(_)
            | Fact::Escape(_)
            | Fact::Fish(_)
            | Fact::Batch(_)
            | Fact::Death(_)
            | Fact::PassOpened(_)
            | Fact::PassClosed(_)
    )
}

/// Whether a record of this kind has this field to amend.
pub(crate) fn has_field(fact: &Fact, field: FieldName) -> bool {
    match fact {
        Fact::Fish(_) => field != FieldName::N,
        Fact::Batch(_) => matches!(
            field,
            FieldName::Pass | FieldName::Species | FieldName::N | FieldName::MassG
        ),
        Fact::Tally(_) | Fact::Escape(_) | Fact::Death(_) => {
            matches!(field, FieldName::Pass | FieldName::Species | FieldName::N)
        }
        _ => false,
    }
}

/// Whether a record of this kind can be voided. Nothing about safety or signatures can: an
/// objection or a stop would vanish without anyone answering it.
pub(crate) fn may_be_voided(fact: &Fact) -> bool {
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
            | Fact::DeviceHeld(_)
            | Fact::ClockOffset(_)
            | Fact::Join(_)
            | Fact::Brought(_)
            | Fact::Unjoin(_)
            | Fact::DeviceLost(_)
            | Fact::AcceptHeld(_)
    )
}
