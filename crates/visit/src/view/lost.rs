//! Devices that are lost, which of their records are held aside, and what of them is missing.
//!
//! Why a cut only ever makes the answer more cautious. What a cut holds aside is left out where it
//! would let something through or count for something: ticks, clears, leavings, the taking of a
//! role or a place on the crew by which someone ticks or clears, acceptances of held records, and
//! all fish and figures. It is left standing where it is in the way: stops, objections, the giving
//! up of a role, records that put a person on the crew who is then waited for, texts nobody can
//! read. Joinings, joinings taken back and other cuts stand as well: each of them, left out, could
//! let through what it keeps out. Whether the author of a cut may make one is judged with all
//! records of all devices, so that a cut can't take itself away.

use std::collections::{BTreeMap, BTreeSet};

use gravelbar_ledger::{DeviceTag, RecordId, Writer};
use serde::Serialize;

use super::Stamp;
use super::flag::{Flag, FlagKind};
use super::named::Named;
use super::seen::{Causality, Seen};
use super::standing::Standings;
use crate::names::{PassKey, PersonName};
use crate::record::{AcceptHeld, DeviceLost, Fact};

/// A device marked as lost.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct LostView {
    /// Short name in record ids.
    pub tag: DeviceTag,
    /// What the crew calls it.
    pub name: String,
    /// Who held it.
    pub holder: Option<PersonName>,
    /// Who marked it and when.
    pub stamp: Stamp,
    /// What was said.
    pub why: Option<String>,
    /// Its key is trusted no more.
    pub revoked: bool,
    /// Its newest record that counts.
    pub last: Option<Stamp>,
    /// Passes it knew as open when it wrote that record: what it recorded in them since isn't here.
    pub open_passes: Vec<PassKey>,
    /// Records it is known to have made which nobody has.
    pub missing: u32,
    /// Its records held aside.
    pub held: Vec<RecordId>,
}

/// Records held aside, and the marks that hold them.
#[derive(Debug, Default)]
pub(crate) struct Held {
    records: BTreeSet<RecordId>,
    /// The marks that count.
    marks: BTreeSet<RecordId>,
}

impl Held {
    /// Reads the marks in `seen`, which is in order by cause.
    pub(crate) fn read(seen: &[Seen], causality: &dyn Causality) -> Self {
        let marks: Vec<(&Seen, &DeviceLost)> = (seen.iter())
            .filter_map(|s| match &s.entry.what {
                Fact::DeviceLost(lost) => Some((s, lost)),
                _ => None,
            })
            .collect();
        if marks.is_empty() {
            return Self::default();
        }
        let nothing = Self::default();
        let standings = Standings::read(seen, causality, &nothing);
        let may =
            |s: &Seen| s.entry.check().is_ok() && standings.may_clear(&s.entry.by, Some(s.id));
        let marks: Vec<(&Seen, &DeviceLost)> = marks.into_iter().filter(|(s, _)| may(s)).collect();
        let cut = |(mark, lost): &(&Seen, &DeviceLost), r: &Seen| {
            if r.id.writer.device != lost.tag || !causality.reaches(mark.id, r.id) {
                return false;
            }
            match lost.runs.iter().find(|run| run.run == r.id.writer) {
                Some(run) => r.id.n > run.last,
                None => !causality.had_seen(mark.id, r.id),
            }
        };
        let held_by: BTreeMap<RecordId, BTreeSet<RecordId>> = (seen.iter())
            .filter_map(|r| {
                let by = marks.iter().filter(|mark| cut(mark, r));
                let by: BTreeSet<RecordId> = by.map(|(mark, _)| mark.id).collect();
                (!by.is_empty()).then_some((r.id, by))
            })
            .collect();
        let accepts: Vec<(&Seen, &AcceptHeld)> = (seen.iter())
            .filter(|s| !held_by.contains_key(&s.id))
            .filter_map(|s| match &s.entry.what {
                Fact::AcceptHeld(accept) if may(s) => Some((s, accept)),
                _ => None,
            })
            .collect();
        let records = (held_by.into_iter())
            .filter(|(record, by)| {
                let accepted: BTreeSet<RecordId> = (accepts.iter())
                    .filter(|(_, a)| a.run == record.writer && record.n <= a.last)
                    .filter(|(s, _)| causality.had_seen(s.id, *record))
                    .flat_map(|(s, a)| a.lost.iter().filter(|l| causality.had_seen(s.id, **l)))
                    .copied()
                    .collect();
                !by.is_subset(&accepted)
            })
            .map(|(record, _)| record)
            .collect();
        Self {
            records,
            marks: marks.iter().map(|(s, _)| s.id).collect(),
        }
    }

    /// Whether a record is held aside.
    pub(crate) fn holds(&self, record: RecordId) -> bool {
        self.records.contains(&record)
    }
}

impl Named<'_> {
    /// The devices that are lost, with what is missing and held aside.
    pub(super) fn lost(&self, flags: &mut Vec<Flag>) -> Vec<LostView> {
        let mut lost: BTreeMap<DeviceTag, LostView> = BTreeMap::new();
        let mut made: BTreeMap<Writer, u32> = BTreeMap::new();
        for s in self.seen {
            let Fact::DeviceLost(mark) = &s.entry.what else {
                continue;
            };
            if !self.held.marks.contains(&s.id) {
                flags.push(Flag {
                    kind: FlagKind::NoEffect,
                    about: vec![s.id],
                    words: format!(
                        "{} marked a device as lost without being crew lead or safety lead at that moment: it has no effect",
                        s.entry.by
                    ),
                });
                continue;
            }
            for run in &mark.runs {
                let known = made.entry(run.run).or_default();
                *known = run.made.unwrap_or(0).max(*known);
            }
            let revoked = mark.revoked || lost.get(&mark.tag).is_some_and(|l| l.revoked);
            lost.insert(mark.tag, self.lost_device(s, mark.tag, revoked));
        }
        let mut here: BTreeMap<Writer, u32> = BTreeMap::new();
        for s in self.seen {
            let last = here.entry(s.id.writer).or_default();
            *last = s.id.n.max(*last);
        }
        for (run, made) in made {
            if let Some(device) = lost.get_mut(&run.device) {
                let lacking = made.saturating_sub(here.get(&run).copied().unwrap_or(0));
                device.missing = device.missing.saturating_add(lacking);
            }
        }
        flags.extend(lost.values().map(flag_lost));
        lost.into_values().collect()
    }

    fn lost_device(&self, mark: &Seen, tag: DeviceTag, revoked: bool) -> LostView {
        let of_device = || self.seen.iter().filter(|s| s.id.writer.device == tag);
        let last = of_device().rfind(|s| !self.held.holds(s.id));
        let mut name = tag.to_string();
        let mut holder = None;
        for s in self.seen {
            match &s.entry.what {
                Fact::Device(device) if device.tag == tag => name.clone_from(&device.name),
                Fact::DeviceHeld(held) if held.tag == tag && !self.held.holds(s.id) => {
                    holder = Some(held.person.clone());
                }
                _ => {}
            }
        }
        LostView {
            tag,
            name,
            holder,
            stamp: self.stamp(mark),
            why: mark.entry.why.clone(),
            revoked,
            last: last.map(|s| self.stamp(s)),
            open_passes: last.map(|s| self.open_for(s)).unwrap_or_default(),
            missing: 0,
            held: (of_device().filter(|s| self.held.holds(s.id)))
                .map(|s| s.id)
                .collect(),
        }
    }

    /// The passes that were open as far as the author of a record knew.
    fn open_for(&self, last: &Seen) -> Vec<PassKey> {
        let knew = |s: &Seen| s.id == last.id || self.had_seen(last, s.id);
        let mut open: BTreeMap<&PassKey, bool> = BTreeMap::new();
        for s in self
            .seen
            .iter()
            .filter(|s| knew(s) && !self.is_voided(s.id))
        {
            match &s.entry.what {
                Fact::PassOpened(opened) => open.insert(&opened.pass, true),
                Fact::PassClosed(closed) => open.insert(&closed.pass, false),
                _ => None,
            };
        }
        let open = open.into_iter().filter(|(_, open)| *open);
        open.map(|(pass, _)| pass.clone()).collect()
    }
}

fn flag_lost(lost: &LostView) -> Flag {
    let whose = match &lost.holder {
        Some(holder) => format!("{holder}'s device “{}”", lost.name),
        None => format!("device “{}”", lost.name),
    };
    let state = if lost.revoked {
        "is trusted no more"
    } else {
        "is lost"
    };
    let mut words = vec![match &lost.last {
        Some(last) => format!(
            "{whose} {state}: last heard {}",
            last.corrected.format("%H:%M")
        ),
        None => format!("{whose} {state}: nothing of it counts"),
    }];
    if let (Some(last), false) = (&lost.last, lost.open_passes.is_empty()) {
        let passes: Vec<String> = lost.open_passes.iter().map(ToString::to_string).collect();
        words.push(format!(
            "pass {} open: its records after number {} are missing",
            passes.join(", "),
            last.id.n
        ));
    }
    if lost.missing > 0 {
        words.push(format!(
            "{} records it is known to have made are on no device here",
            lost.missing
        ));
    }
    if !lost.held.is_empty() {
        words.push(format!(
            "{} of its records are held aside and count for nothing until the crew lead or safety lead accepts them; a stop among them counts",
            lost.held.len()
        ));
    }
    Flag {
        kind: FlagKind::DeviceLost,
        about: std::iter::once(lost.stamp.id)
            .chain(lost.held.iter().copied())
            .collect(),
        words: words.join(", "),
    }
}

impl LostView {
    /// Whether something it recorded may be missing from the totals.
    #[must_use]
    pub fn leaves_a_gap(&self) -> bool {
        !self.open_passes.is_empty() || self.missing > 0 || !self.held.is_empty()
    }
}
