//! Checklist and stop-work: unsafe wins.
//!
//! Why merging can never make this less cautious than its parts. Every input is a record that is
//! never changed, so a merge only adds records. A stop holds unless a valid clear names it, and
//! an objection is open unless a valid tick names it; a clear or tick is valid only for what lies
//! in its author's own past, and that past is fixed when it is written. So a record added by a
//! merge can settle a stop or objection only if its author had it on the screen. A tick counts
//! only while it names every stop known, so any further stop unticks everything. Adding a stop,
//! an objection, an unreadable safety record, a crew member or a given-up role can therefore only
//! move the answer towards caution; the only records that move it the other way are a person's
//! own tick, clear or leaving, and each reaches exactly as far as that person could see.

use std::collections::BTreeSet;

use gravelbar_ledger::RecordId;
use serde::Serialize;

use super::Stamp;
use super::crew::{arrivals, gone};
use super::flag::{Flag, FlagKind};
use super::named::Named;
use super::seen::{Causality, Past, Seen, Unreadable};
use crate::names::PersonName;
use crate::plan::{CheckItem, Plan};
use crate::record::{Fact, Left, Role, Tick, Untick};

/// Kinds that a record of this name would be one of if it could be read.
const SAFETY_KINDS: [&str; 6] = ["tick", "untick", "stop", "clear", "energiser_off", "left"];

/// Whether the record allows work to go on. A notebook's answer: it sees no current and cuts none.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case", tag = "state")]
pub enum SafetyState {
    /// Someone has stopped work and no clear names that stop.
    Stopped {
        /// Stops that hold.
        stops: Vec<RecordId>,
    },
    /// No stop holds, but the checklist isn't complete.
    NotReady {
        /// What is missing, in words.
        missing: Vec<String>,
    },
    /// No stop holds and every line is ticked since the last one.
    Ready,
}

/// One stop.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct StopView {
    /// Who and when.
    pub stamp: Stamp,
    /// Reason, where given.
    pub why: Option<String>,
    /// Who confirmed the energiser off.
    pub energiser_off: Vec<Stamp>,
    /// Who cleared it, with the right to.
    pub cleared: Vec<Stamp>,
    /// The reasons given for clearing.
    pub clear_reasons: Vec<String>,
    /// Holds: no valid clear names it.
    pub holds: bool,
}

/// One line of the checklist, for one person or for the crew.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct ItemView {
    /// The line.
    pub item: String,
    /// In words.
    pub words: String,
    /// For whom; `None` for the crew.
    pub person: Option<PersonName>,
    /// Counts as ticked.
    pub ticked: bool,
    /// Valid ticks since the last stop.
    pub ticks: Vec<Stamp>,
    /// Objections nobody has answered, with their reasons.
    pub objections: Vec<(Stamp, Option<String>)>,
}

/// Checklist and stops.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Safety {
    /// The answer.
    pub state: SafetyState,
    /// All stops, in order by cause.
    pub stops: Vec<StopView>,
    /// All lines, in plan order, people by name.
    pub items: Vec<ItemView>,
}

/// Whether an unreadable record may be about safety: a known kind written in a way this program
/// can't follow, a kind that says so in its name, or one that can't even be told.
fn may_be_safety(record: &Unreadable) -> bool {
    record
        .kind
        .as_deref()
        .is_none_or(|kind| SAFETY_KINDS.contains(&kind) || kind.starts_with("safety_"))
}

/// Someone went home, as far as the author of that record could see.
pub(super) struct Leaving<'a> {
    pub(super) left: &'a Left,
    pub(super) past: Past,
}

struct Ticked<'a> {
    seen: &'a Seen,
    tick: &'a Tick,
}

impl Named<'_> {
    pub(super) fn safety(
        &self,
        plan: &Plan,
        unreadable: &[Unreadable],
        causality: &impl Causality,
        flags: &mut Vec<Flag>,
    ) -> Safety {
        let stops = self.stops(causality, flags);
        let known: BTreeSet<RecordId> = stops.iter().map(|s| s.stamp.id).collect();
        let items = self.items(plan, &known, causality, flags);
        let holding: Vec<RecordId> = stops
            .iter()
            .filter(|s| s.holds)
            .map(|s| s.stamp.id)
            .chain(
                unreadable
                    .iter()
                    .filter(|u| u.kind.as_deref() == Some("stop"))
                    .map(|u| u.id),
            )
            .collect();
        let mut missing: Vec<String> = items
            .iter()
            .filter(|i| !i.ticked)
            .map(|i| match &i.person {
                Some(person) => format!("{person}: {}", i.words),
                None => i.words.clone(),
            })
            .collect();
        let unread = unreadable.iter().filter(|u| may_be_safety(u)).count();
        if unread > 0 {
            missing.push(format!(
                "{unread} safety records this device can't read: ask the others, and update this device"
            ));
        }
        let state = if !holding.is_empty() {
            SafetyState::Stopped { stops: holding }
        } else if missing.is_empty() {
            SafetyState::Ready
        } else {
            SafetyState::NotReady { missing }
        };
        Safety {
            state,
            stops,
            items,
        }
    }

    fn stops(&self, causality: &impl Causality, flags: &mut Vec<Flag>) -> Vec<StopView> {
        let mut stops: Vec<StopView> = self
            .seen
            .iter()
            .filter(|s| matches!(s.entry.what, Fact::Stop(_)))
            .map(|s| StopView {
                stamp: self.stamp(s),
                why: s.entry.why.clone(),
                energiser_off: Vec::new(),
                cleared: Vec::new(),
                clear_reasons: Vec::new(),
                holds: true,
            })
            .collect();
        for s in self.seen {
            let (named, clears) = match &s.entry.what {
                Fact::Clear(clear) => (&clear.stops, true),
                Fact::EnergiserOff(off) => (&off.stops, false),
                _ => continue,
            };
            let past = causality.past_of(s.id);
            let entitled = !clears || self.may_clear(s, &past, causality);
            if !entitled {
                flags.push(Flag {
                    kind: FlagKind::ClearWithoutRole,
                    about: vec![s.id],
                    words: format!(
                        "{} cleared a stop without being crew lead or safety lead at that moment: the stop holds",
                        s.entry.by
                    ),
                });
                continue;
            }
            for stop in stops
                .iter_mut()
                .filter(|stop| named.contains(&stop.stamp.id) && past.contains(stop.stamp.id))
            {
                if clears {
                    stop.cleared.push(self.stamp(s));
                    stop.clear_reasons.extend(s.entry.why.clone());
                    stop.holds = false;
                } else {
                    stop.energiser_off.push(self.stamp(s));
                }
            }
        }
        stops
    }

    /// Whether the author of a clear was crew lead or safety lead when writing it: had taken the
    /// role, and nobody gave it up for them, except before that taking or after the clear was
    /// seen. A giving-up made apart from the clear counts against it: the cautious reading.
    fn may_clear(&self, clear: &Seen, past: &Past, causality: &impl Causality) -> bool {
        let entitling = |role: Role| matches!(role, Role::Lead | Role::SafetyLead);
        self.seen.iter().any(|taking| {
            let Fact::RoleTaken(taken) = &taking.entry.what else {
                return false;
            };
            if taken.person != clear.entry.by || !entitling(taken.role) || !past.contains(taking.id)
            {
                return false;
            }
            let before = causality.past_of(taking.id);
            !self.seen.iter().any(|giving| {
                matches!(&giving.entry.what, Fact::RoleLeft(left)
                    if left.person == taken.person && left.role == taken.role)
                    && !before.contains(giving.id)
                    && !causality.past_of(giving.id).contains(clear.id)
            })
        })
    }

    fn items(
        &self,
        plan: &Plan,
        stops: &BTreeSet<RecordId>,
        causality: &impl Causality,
        flags: &mut Vec<Flag>,
    ) -> Vec<ItemView> {
        let ticks = self.valid_ticks(plan, causality, flags);
        let leavings = self.leavings(causality);
        let gone = gone(self.seen, &leavings);
        let unticks: Vec<(&Seen, &Untick)> = self
            .seen
            .iter()
            .filter_map(|s| match &s.entry.what {
                Fact::Untick(untick) => Some((s, untick)),
                _ => None,
            })
            .collect();
        let mut items = Vec::new();
        for line in &plan.checklist {
            let people: Vec<Option<PersonName>> = if line.each_person {
                arrivals(self.seen).into_keys().map(Some).collect()
            } else {
                vec![None]
            };
            for person in people {
                let view = self.item(line, person, stops, &ticks, &leavings, &unticks);
                let away = view.person.as_ref().is_some_and(|p| gone.contains(p));
                // Someone who went home needs no tick, but an objection their leaving had not
                // seen still stands.
                if !(away && view.objections.is_empty()) {
                    items.push(view);
                }
            }
        }
        items
    }

    fn item(
        &self,
        line: &CheckItem,
        person: Option<PersonName>,
        stops: &BTreeSet<RecordId>,
        ticks: &[Ticked<'_>],
        leavings: &[Leaving<'_>],
        unticks: &[(&Seen, &Untick)],
    ) -> ItemView {
        let here: Vec<&Ticked<'_>> = ticks
            .iter()
            .filter(|t| t.tick.item == line.item && t.tick.person == person)
            .collect();
        let by_leaving = leavings
            .iter()
            .filter(|l| Some(&l.left.person) == person.as_ref())
            .flat_map(|l| l.left.seen.iter().filter(|u| l.past.contains(**u)));
        let answered: BTreeSet<RecordId> = here
            .iter()
            .flat_map(|t| t.tick.clears.iter())
            .chain(by_leaving)
            .copied()
            .collect();
        let objections: Vec<(Stamp, Option<String>)> = unticks
            .iter()
            .filter(|(s, untick)| {
                untick.item == line.item && untick.person == person && !answered.contains(&s.id)
            })
            .map(|(s, _)| (self.stamp(s), s.entry.why.clone()))
            .collect();
        let counting: Vec<Stamp> = here
            .iter()
            .filter(|t| t.tick.round.iter().copied().collect::<BTreeSet<_>>() == *stops)
            .map(|t| self.stamp(t.seen))
            .collect();
        ItemView {
            item: line.item.clone(),
            words: line.words.clone(),
            ticked: !counting.is_empty() && objections.is_empty(),
            person,
            ticks: counting,
            objections,
        }
    }

    /// Leavings that count: said by the person, or by whoever may clear a stop.
    pub(super) fn leavings(&self, causality: &impl Causality) -> Vec<Leaving<'_>> {
        self.seen
            .iter()
            .filter_map(|s| match &s.entry.what {
                Fact::Left(left) => Some((s, left)),
                _ => None,
            })
            .filter_map(|(s, left)| {
                let past = causality.past_of(s.id);
                (left.person == s.entry.by || self.may_clear(s, &past, causality))
                    .then_some(Leaving { left, past })
            })
            .collect()
    }

    /// Ticks by the right person that name only what their author had seen.
    fn valid_ticks(
        &self,
        plan: &Plan,
        causality: &impl Causality,
        flags: &mut Vec<Flag>,
    ) -> Vec<Ticked<'_>> {
        let mut valid = Vec::new();
        for s in self.seen {
            let Fact::Tick(tick) = &s.entry.what else {
                continue;
            };
            let Some(line) = plan.checklist.iter().find(|line| line.item == tick.item) else {
                continue;
            };
            let own = if line.each_person {
                tick.person.as_ref() == Some(&s.entry.by)
            } else {
                tick.person.is_none()
            };
            if !own {
                flags.push(Flag {
                    kind: FlagKind::TickForSomeoneElse,
                    about: vec![s.id],
                    words: format!(
                        "{} ticked “{}” for someone else: it doesn't count, each person ticks alone",
                        s.entry.by, line.words
                    ),
                });
                continue;
            }
            let past = causality.past_of(s.id);
            if tick
                .clears
                .iter()
                .chain(&tick.round)
                .all(|named| past.contains(*named))
            {
                valid.push(Ticked { seen: s, tick });
            }
        }
        valid
    }
}
