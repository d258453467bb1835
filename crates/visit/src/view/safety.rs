//! Checklist and stop-work: unsafe wins.
//!
//! Why merging can never make this less cautious than its parts. Every input is a record that is
//! never changed, so a merge only adds records, and never one that lies in the past of a record
//! already there.
//!
//! * A stop holds unless a clear names it, and an objection is open unless a tick, or the person's
//!   leaving, names it. Each of these reaches only what lies in its author's own past, which is
//!   fixed when it is written. So a record added by a merge can settle a stop or an objection only
//!   if its author had it on the screen.
//! * Whether a clear, a leaving or a tick counts at all depends on its own text, on takings of a
//!   role or arrivals in its own past, and on givings-up anywhere (see `standing`). Of these only
//!   the givings-up can be added later, and they only make it count no more. A role taken or a
//!   person put on the crew elsewhere, out of its author's sight, doesn't help it.
//! * A tick counts only while it names every stop known, so any further stop unticks everything;
//!   and only while no leaving of its author is known that it had not seen.
//! * A person is waited for once any record puts them on the crew, and let go only by a leaving
//!   that had seen every such record. So a person put on the crew elsewhere is waited for.
//! * An objection that fits no line, and a record that can't be read and may be about safety, are
//!   obstacles. Of these a clear settles only what it names and what no newer program could read
//!   otherwise.
//!
//! * Documents that are joined are read as one set of records under one rule of who had seen what
//!   (see `joining::sees`), so all of this holds across them; a joining taken back leaves standing
//!   what stopped work. A device that is cut off loses what could let work go on and keeps what
//!   stands in the way (see `lost`).
//!
//! Hence adding a stop, an objection, a crew member, a giving-up or an unreadable record moves the
//! answer only towards caution. What moves it the other way is a person's own tick, clear or
//! leaving, and each reaches exactly as far as that person could see.

use std::collections::{BTreeMap, BTreeSet};

use gravelbar_ledger::RecordId;
use serde::Serialize;

use super::Stamp;
use super::crew::Crew;
use super::flag::{Flag, FlagKind};
use super::named::{Named, names_unseen};
use super::seen::{Seen, Unreadable};
use crate::names::PersonName;
use crate::plan::{CheckItem, Plan};
use crate::record::{Clear, Fact, Tick, Untick};

/// Kinds whose record, could it be read, might stand in the way of work. All but "stop", which is
/// a stop whatever else it says.
const SAFETY_KINDS: [&str; 8] = [
    "tick",
    "untick",
    "clear",
    "energiser_off",
    "joined",
    "left",
    "role_taken",
    "role_left",
];

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
    /// All stops known, unreadable ones among them: what a tick made now has to name.
    pub round: Vec<RecordId>,
    /// Records in the way that fit no line or can't be read at all: whoever may clear a stop
    /// settles them by naming them in a clear.
    pub unplaced: Vec<RecordId>,
    /// All lines, in plan order, people by name.
    pub items: Vec<ItemView>,
}

/// Ticks and objections of one line, for one person or for the crew.
type Line<'a> = (&'a str, Option<&'a PersonName>);

/// Everything that a line's state is read from.
struct Lines<'a> {
    /// All stops known.
    round: BTreeSet<RecordId>,
    ticks: BTreeMap<Line<'a>, Vec<(&'a Seen, &'a Tick)>>,
    unticks: BTreeMap<Line<'a>, Vec<&'a Seen>>,
}

impl<'a> Named<'a> {
    pub(super) fn safety(
        &self,
        plan: &'a Plan,
        unreadable: &[Unreadable],
        crew: &Crew<'a>,
        flags: &mut Vec<Flag>,
    ) -> Safety {
        let clears = self.clears(crew, flags);
        let settled: BTreeSet<RecordId> = clears
            .iter()
            .flat_map(|(s, clear)| clear.stops.iter().filter(|id| self.had_seen(s, **id)))
            .copied()
            .collect();
        let stops = self.stops(&clears);
        let of_kind = |kind: &'static str| {
            let alike = move |u: &&Unreadable| u.kind.as_deref() == Some(kind);
            unreadable.iter().filter(alike).map(|u| u.id)
        };
        let round: BTreeSet<RecordId> = stops
            .iter()
            .map(|stop| stop.stamp.id)
            .chain(of_kind("stop"))
            .collect();
        let holding: Vec<RecordId> = stops
            .iter()
            .filter(|stop| stop.holds)
            .map(|stop| stop.stamp.id)
            .chain(of_kind("stop").filter(|id| !settled.contains(id)))
            .collect();

        let mut missing = Vec::new();
        let mut unplaced: Vec<RecordId> = unreadable
            .iter()
            .filter(|u| u.kind.is_none())
            .map(|u| u.id)
            .collect();
        for s in self.seen {
            if let Fact::Untick(untick) = &s.entry.what
                && !fits(plan, untick)
            {
                unplaced.push(s.id);
            }
        }
        unplaced.retain(|id| !settled.contains(id));
        unplaced.sort_unstable();

        let lines = self.lines(plan, round, crew, flags);
        let items = self.items(plan, &lines, crew);
        missing.extend(items.iter().filter(|i| !i.ticked).map(|i| match &i.person {
            Some(person) => format!("{person}: {}", i.words),
            None => i.words.clone(),
        }));
        if !unplaced.is_empty() {
            missing.push(format!(
                "{} records that can't be read or object to a line that isn't on the checklist: the crew lead looks at them and clears them",
                unplaced.len()
            ));
        }
        let newer = unreadable.iter().filter(|u| is_of_newer_safety(u)).count();
        if newer > 0 {
            missing.push(format!(
                "{newer} safety records this device can't read: ask the others, and update this device"
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
            round: lines.round.into_iter().collect(),
            unplaced,
            items,
        }
    }

    /// Clears that count: with a reason, by someone who was crew lead or safety lead when writing.
    fn clears(&self, crew: &Crew<'a>, flags: &mut Vec<Flag>) -> Vec<(&'a Seen, &'a Clear)> {
        let mut clears = Vec::new();
        for s in self.seen {
            let Fact::Clear(clear) = &s.entry.what else {
                continue;
            };
            if self.held.holds(s.id) {
                continue;
            }
            if !crew.standings.may_clear(&s.entry.by, Some(s.id)) {
                flags.push(Flag {
                    kind: FlagKind::ClearWithoutRole,
                    about: vec![s.id],
                    words: format!(
                        "{} cleared a stop without being crew lead or safety lead at that moment: the stop holds",
                        s.entry.by
                    ),
                });
            } else if s.entry.check().is_ok() {
                let unseen = clear.stops.iter().filter(|id| !self.had_seen(s, **id));
                match unseen.count() {
                    0 => {}
                    unseen => flags.push(names_unseen(s, unseen)),
                }
                clears.push((s, clear));
            }
        }
        clears
    }

    fn stops(&self, clears: &[(&'a Seen, &'a Clear)]) -> Vec<StopView> {
        let mut stops = Vec::new();
        let mut places = BTreeMap::new();
        for s in self.seen {
            if let Fact::Stop(_) = &s.entry.what {
                places.insert(s.id, stops.len());
                stops.push(StopView {
                    stamp: self.stamp(s),
                    why: s.entry.why.clone(),
                    energiser_off: Vec::new(),
                    cleared: Vec::new(),
                    clear_reasons: Vec::new(),
                    holds: true,
                });
            }
        }
        let named = |s: &Seen, ids: &[RecordId]| -> BTreeSet<usize> {
            let seen = ids.iter().filter(|id| self.had_seen(s, **id));
            seen.filter_map(|id| places.get(id).copied()).collect()
        };
        for s in self.seen {
            if let Fact::EnergiserOff(off) = &s.entry.what {
                let counts = !self.held.holds(s.id);
                for place in named(s, &off.stops).into_iter().filter(|_| counts) {
                    stops[place].energiser_off.push(self.stamp(s));
                }
            }
        }
        for (s, clear) in clears {
            for place in named(s, &clear.stops) {
                let stop = &mut stops[place];
                stop.cleared.push(self.stamp(s));
                stop.clear_reasons.extend(s.entry.why.clone());
                stop.holds = false;
            }
        }
        stops
    }

    /// Ticks by the right person that name only what their author had seen, and all objections.
    fn lines(
        &self,
        plan: &Plan,
        round: BTreeSet<RecordId>,
        crew: &Crew<'a>,
        flags: &mut Vec<Flag>,
    ) -> Lines<'a> {
        let mut lines = Lines {
            round,
            ticks: BTreeMap::new(),
            unticks: BTreeMap::new(),
        };
        for s in self.seen {
            match &s.entry.what {
                Fact::Untick(untick) => {
                    let line = (untick.item.as_str(), untick.person.as_ref());
                    lines.unticks.entry(line).or_default().push(s);
                }
                Fact::Tick(tick)
                    if !self.held.holds(s.id) && self.counts(s, tick, plan, crew, flags) =>
                {
                    let line = (tick.item.as_str(), tick.person.as_ref());
                    lines.ticks.entry(line).or_default().push((s, tick));
                }
                _ => {}
            }
        }
        lines
    }

    fn counts(
        &self,
        s: &Seen,
        tick: &Tick,
        plan: &Plan,
        crew: &Crew<'a>,
        flags: &mut Vec<Flag>,
    ) -> bool {
        let Some(line) = plan.checklist.iter().find(|line| line.item == tick.item) else {
            return false;
        };
        let own = match &tick.person {
            Some(person) => line.each_person && *person == s.entry.by,
            None => !line.each_person,
        };
        // A line ticked once for the crew is ticked by one of the crew.
        let entitled = line.each_person || crew.standings.on_crew(&s.entry.by, Some(s.id));
        if !own || !entitled {
            let why = if own {
                "without being on the crew: it doesn't count"
            } else {
                "for someone else: it doesn't count, each person ticks alone"
            };
            flags.push(Flag {
                kind: FlagKind::TickForSomeoneElse,
                about: vec![s.id],
                words: format!("{} ticked “{}” {why}", s.entry.by, line.words),
            });
            return false;
        }
        let named = tick.clears.iter().chain(&tick.round);
        let unseen = named.filter(|id| !self.had_seen(s, **id)).count();
        if unseen > 0 {
            flags.push(names_unseen(s, unseen));
        }
        unseen == 0 && s.entry.check().is_ok()
    }

    fn items(&self, plan: &'a Plan, lines: &Lines<'a>, crew: &Crew<'a>) -> Vec<ItemView> {
        let mut objected: BTreeMap<&str, BTreeSet<&PersonName>> = BTreeMap::new();
        for (item, person) in lines.unticks.keys() {
            objected.entry(item).or_default().extend(*person);
        }
        let mut items = Vec::new();
        for line in &plan.checklist {
            if !line.each_person {
                items.push(self.item(line, None, lines, crew));
                continue;
            }
            let mut people: BTreeSet<&PersonName> = crew.arrivals.keys().copied().collect();
            people.extend(objected.get(line.item.as_str()).into_iter().flatten());
            for person in people {
                let view = self.item(line, Some(person), lines, crew);
                // Someone who went home or never came needs no tick, but an objection their
                // leaving had not seen still stands.
                let waited_for = crew.arrivals.contains_key(person) && !crew.gone.contains(person);
                if waited_for || !view.objections.is_empty() {
                    items.push(view);
                }
            }
        }
        items
    }

    fn item(
        &self,
        line: &'a CheckItem,
        person: Option<&'a PersonName>,
        lines: &Lines<'a>,
        crew: &Crew<'a>,
    ) -> ItemView {
        let key = (line.item.as_str(), person);
        let ticks = lines.ticks.get(&key).map_or(&[][..], Vec::as_slice);
        let unticks = lines.unticks.get(&key).map_or(&[][..], Vec::as_slice);
        let mut answered: BTreeSet<RecordId> = BTreeSet::new();
        if !unticks.is_empty() {
            answered.extend(ticks.iter().flat_map(|(_, tick)| &tick.clears));
            for (s, left) in person.and_then(|p| crew.left.get(p)).into_iter().flatten() {
                answered.extend(left.seen.iter().filter(|id| self.had_seen(s, **id)));
            }
        }
        let objections: Vec<(Stamp, Option<String>)> = unticks
            .iter()
            .filter(|s| !answered.contains(&s.id))
            .map(|s| (self.stamp(s), s.entry.why.clone()))
            .collect();
        // Whoever comes back ticks again; a line ticked for the crew outlasts its author's stay.
        let leavings = person.map_or(&[][..], |p| crew.standings.leavings(p));
        let counting: Vec<Stamp> = ticks
            .iter()
            .filter(|(_, tick)| tick.round.iter().copied().collect::<BTreeSet<_>>() == lines.round)
            .filter(|(s, _)| leavings.iter().all(|left| self.had_seen(s, left.id)))
            .map(|(s, _)| self.stamp(s))
            .collect();
        ItemView {
            item: line.item.clone(),
            words: line.words.clone(),
            ticked: !counting.is_empty() && objections.is_empty(),
            person: person.cloned(),
            ticks: counting,
            objections,
        }
    }
}

/// Whether an objection is to a line of the checklist, in the way that line is ticked.
fn fits(plan: &Plan, untick: &Untick) -> bool {
    let line = plan.checklist.iter().find(|line| line.item == untick.item);
    line.is_some_and(|line| line.each_person == untick.person.is_some())
}

/// Whether an unreadable record may be about safety in a way that a newer program can tell: a
/// known kind written in a way this program can't follow, or a kind that says so in its name.
fn is_of_newer_safety(record: &Unreadable) -> bool {
    let kind = record.kind.as_deref().unwrap_or_default();
    SAFETY_KINDS.contains(&kind) || kind.starts_with("safety_")
}
