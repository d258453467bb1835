//! The safety rule a second time, in the plainest way: from what was written and what each author
//! had seen, without indexes, by going through everything. Also readings with a planted mistake.

use std::collections::{BTreeMap, BTreeSet};

use gravelbar_visit::{Fact, PersonName, Plan, RecordId, Role, SafetyState, View};

/// What a record says.
#[derive(Debug, Clone)]
#[expect(
    clippy::large_enum_variant,
    reason = "nearly all are read, and there are few"
)]
pub(crate) enum Said {
    Read {
        by: PersonName,
        /// Whether a reason is given.
        why: bool,
        what: Fact,
    },
    /// It can't be read; the kind it calls itself, where that can be told.
    Unread(Option<&'static str>),
}

/// A record and what its author had seen.
#[derive(Debug, Clone)]
pub(crate) struct Line {
    pub(crate) id: RecordId,
    pub(crate) lamport: u64,
    pub(crate) past: BTreeSet<RecordId>,
    pub(crate) said: Said,
}

/// All records ever written, by whomever.
pub(crate) type World = BTreeMap<RecordId, Line>;

/// A line of the checklist and the person who ticks it.
pub(crate) type Slot = (String, Option<PersonName>);

#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) enum State {
    Ready,
    NotReady,
    Stopped,
}

/// What a reading comes to.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Reading {
    pub(crate) state: State,
    /// Stops that hold.
    pub(crate) stops: BTreeSet<RecordId>,
    /// Objections and obstacles that stand.
    pub(crate) open: BTreeSet<RecordId>,
    /// Lines that are asked for, and whether they are ticked.
    pub(crate) lines: BTreeMap<Slot, bool>,
}

impl Reading {
    /// What the program says.
    pub(crate) fn of(view: &View) -> Self {
        let safety = &view.safety;
        let state = match &safety.state {
            SafetyState::Ready => State::Ready,
            SafetyState::NotReady { .. } => State::NotReady,
            SafetyState::Stopped { .. } => State::Stopped,
        };
        let stops = match &safety.state {
            SafetyState::Stopped { stops } => stops.iter().copied().collect(),
            _ => BTreeSet::new(),
        };
        for stop in &safety.stops {
            assert_eq!(stop.holds, stops.contains(&stop.stamp.id));
            assert_eq!(stop.holds, stop.cleared.is_empty());
        }
        let objections = safety.items.iter().flat_map(|item| &item.objections);
        Self {
            state,
            stops,
            open: objections
                .map(|(stamp, _)| stamp.id)
                .chain(safety.unplaced.iter().copied())
                .collect(),
            lines: safety
                .items
                .iter()
                .map(|item| ((item.item.clone(), item.person.clone()), item.ticked))
                .collect(),
        }
    }
}

/// The rule, or the rule with one mistake.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Rule {
    AsItIs,
    /// Of a line's ticks and objections the last one written counts.
    LastWriterWins,
    /// A clear lifts all stops known now.
    ClearLiftsAll,
    /// More ticks than objections.
    MajorityVote,
    /// A tick from before a stop counts after it.
    TickIgnoresRound,
    /// A clear or tick reaches what it names, seen or not.
    NamedIsEnough,
    /// Whoever holds the role now may have cleared then.
    RoleHeldNow,
    /// A leaving ends the waiting, whatever it had seen.
    LeavingIsEnough,
    /// Anybody's tick counts for anybody.
    TickForOthers,
}

struct Held<'a> {
    rule: Rule,
    plan: &'a Plan,
    lines: Vec<&'a Line>,
}

/// Reads the records that are held.
pub(crate) fn read(rule: Rule, plan: &Plan, world: &World, held: &BTreeSet<RecordId>) -> Reading {
    Held {
        rule,
        plan,
        lines: held.iter().map(|id| &world[id]).collect(),
    }
    .reading()
}

impl<'a> Held<'a> {
    fn facts(&self) -> impl Iterator<Item = (&'a Line, &'a PersonName, bool, &'a Fact)> {
        self.lines.iter().filter_map(|line| match &line.said {
            Said::Read { by, why, what } => Some((*line, by, *why, what)),
            Said::Unread(_) => None,
        })
    }

    fn reaches(&self, line: &Line, named: RecordId) -> bool {
        self.rule == Rule::NamedIsEnough || line.past.contains(&named)
    }

    /// Some taking in the act's past had seen every giving-up, save those that had seen the act.
    fn stood(
        &self,
        act: &Line,
        taking: impl Fn(&Fact) -> bool,
        giving: impl Fn(&Fact) -> bool,
    ) -> bool {
        if self.rule == Rule::RoleHeldNow {
            let mut last: Vec<_> = self
                .facts()
                .filter(|(.., f)| taking(f) || giving(f))
                .collect();
            last.sort_by_key(|(line, ..)| (line.lamport, line.id));
            return last.last().is_some_and(|(.., f)| taking(f));
        }
        self.facts().any(|(t, _, _, fact)| {
            taking(fact)
                && act.past.contains(&t.id)
                && self.facts().all(|(g, _, _, fact)| {
                    !giving(fact) || t.past.contains(&g.id) || g.past.contains(&act.id)
                })
        })
    }

    fn may_clear(&self, act: &Line, by: &PersonName) -> bool {
        [Role::Lead, Role::SafetyLead].into_iter().any(|role| {
            self.stood(
                act,
                |f| matches!(f, Fact::RoleTaken(t) if t.person == *by && t.role == role),
                |f| match f {
                    Fact::RoleLeft(l) => l.person == *by && l.role == role,
                    Fact::Left(l) => l.person == *by,
                    _ => false,
                },
            )
        })
    }

    fn on_crew(&self, act: &Line, by: &PersonName) -> bool {
        self.stood(
            act,
            |f| match f {
                Fact::Joined(j) => j.person == *by,
                Fact::RoleTaken(t) => t.person == *by,
                _ => false,
            },
            |f| matches!(f, Fact::Left(l) if l.person == *by),
        )
    }

    /// Whether a clear that counts names it.
    fn cleared(&self, id: RecordId) -> bool {
        self.facts().any(|(line, by, why, fact)| match fact {
            Fact::Clear(clear) => {
                why && self.may_clear(line, by)
                    && !clear.stops.is_empty()
                    && (self.rule == Rule::ClearLiftsAll
                        || clear.stops.contains(&id) && self.reaches(line, id))
            }
            _ => false,
        })
    }

    fn all_stops(&self) -> BTreeSet<RecordId> {
        let is_stop = |line: &&&Line| match &line.said {
            Said::Read { what, .. } => matches!(what, Fact::Stop(_)),
            Said::Unread(kind) => *kind == Some("stop"),
        };
        self.lines
            .iter()
            .filter(is_stop)
            .map(|line| line.id)
            .collect()
    }

    /// The ticks of a box that count as ticks by the right person, whatever the round.
    fn ticks(&self, of: &Slot) -> Vec<(&'a Line, &'a gravelbar_visit::Tick, &'a PersonName)> {
        self.facts()
            .filter_map(|(line, by, _, fact)| match fact {
                Fact::Tick(tick) if (&tick.item, &tick.person) == (&of.0, &of.1) => {
                    Some((line, tick, by))
                }
                _ => None,
            })
            .filter(|(line, tick, by)| {
                let own = match &of.1 {
                    Some(person) => person == *by || self.rule == Rule::TickForOthers,
                    None => self.on_crew(line, by),
                };
                own && tick
                    .clears
                    .iter()
                    .chain(&tick.round)
                    .all(|named| self.reaches(line, *named))
            })
            .collect()
    }

    fn unticks(&self, of: &Slot) -> Vec<&'a Line> {
        self.facts()
            .filter(|(.., fact)| matches!(fact, Fact::Untick(u) if (&u.item, &u.person) == (&of.0, &of.1)))
            .map(|(line, ..)| line)
            .collect()
    }

    /// Leavings of a person that count.
    fn leavings(&self, person: &PersonName) -> Vec<(&'a Line, &'a gravelbar_visit::Left)> {
        self.facts()
            .filter_map(|(line, by, _, fact)| match fact {
                Fact::Left(left) if left.person == *person => {
                    (by == person || self.may_clear(line, by)).then_some((line, left))
                }
                _ => None,
            })
            .collect()
    }

    fn objections(&self, of: &Slot) -> BTreeSet<RecordId> {
        let by_tick = |u: RecordId| self.ticks(of).iter().any(|(_, t, _)| t.clears.contains(&u));
        let by_leaving = |u: RecordId| {
            of.1.as_ref().is_some_and(|person| {
                self.leavings(person)
                    .iter()
                    .any(|(line, left)| left.seen.contains(&u) && self.reaches(line, u))
            })
        };
        self.unticks(of)
            .iter()
            .map(|line| line.id)
            .filter(|u| !by_tick(*u) && !by_leaving(*u))
            .collect()
    }

    fn ticked(&self, of: &Slot) -> bool {
        let stops = self.all_stops();
        let counting: Vec<_> = self
            .ticks(of)
            .into_iter()
            .filter(|(line, tick, _)| {
                let round: BTreeSet<RecordId> = tick.round.iter().copied().collect();
                let stayed = of.1.as_ref().is_none_or(|person| {
                    self.facts().all(|(left, _, _, fact)| {
                        !matches!(fact, Fact::Left(l) if l.person == *person)
                            || line.past.contains(&left.id)
                    })
                });
                stayed && (self.rule == Rule::TickIgnoresRound || round == stops)
            })
            .collect();
        match self.rule {
            Rule::LastWriterWins => {
                let key = |line: &&Line| (line.lamport, line.id);
                let tick = counting
                    .iter()
                    .map(|(line, ..)| line)
                    .max_by_key(|l| key(l));
                let untick = self.unticks(of).into_iter().max_by_key(key);
                match (tick, untick) {
                    (Some(tick), Some(untick)) => key(tick) > key(&untick),
                    (tick, _) => tick.is_some(),
                }
            }
            Rule::MajorityVote => counting.len() > self.unticks(of).len(),
            _ => !counting.is_empty() && self.objections(of).is_empty(),
        }
    }

    /// The records that make a person one of the crew.
    fn arrivals(&self, person: &PersonName) -> Vec<&'a Line> {
        let listed: Vec<&Line> = self
            .facts()
            .filter(|(.., fact)| match fact {
                Fact::Joined(j) => j.person == *person,
                Fact::RoleTaken(t) => t.person == *person,
                _ => false,
            })
            .map(|(line, ..)| line)
            .collect();
        if !listed.is_empty() {
            return listed;
        }
        self.facts()
            .filter(|(_, by, _, fact)| {
                *by == person && matches!(fact, Fact::Tally(_) | Fact::EnergiserOff(_))
            })
            .map(|(line, ..)| line)
            .collect()
    }

    fn waited_for(&self, person: &PersonName) -> bool {
        let arrivals = self.arrivals(person);
        let gone = self.leavings(person).iter().any(|(line, _)| {
            self.rule == Rule::LeavingIsEnough
                || arrivals
                    .iter()
                    .all(|arrival| line.past.contains(&arrival.id))
        });
        !arrivals.is_empty() && !gone
    }

    fn reading(&self) -> Reading {
        let stops: BTreeSet<RecordId> = self
            .all_stops()
            .into_iter()
            .filter(|stop| !self.cleared(*stop))
            .collect();
        let mut people: BTreeSet<PersonName> = BTreeSet::new();
        for (_, by, _, fact) in self.facts() {
            people.insert(by.clone());
            match fact {
                Fact::Joined(j) => people.insert(j.person.clone()),
                Fact::RoleTaken(t) => people.insert(t.person.clone()),
                Fact::Untick(u) => u.person.clone().is_some_and(|p| people.insert(p)),
                _ => false,
            };
        }
        let mut lines = BTreeMap::new();
        let mut open = BTreeSet::new();
        for line in &self.plan.checklist {
            let boxes: Vec<Slot> = if line.each_person {
                people
                    .iter()
                    .map(|p| (line.item.clone(), Some(p.clone())))
                    .collect()
            } else {
                vec![(line.item.clone(), None)]
            };
            for of in boxes {
                let objections = self.objections(&of);
                let asked = of.1.as_ref().is_none_or(|p| self.waited_for(p));
                if asked || !objections.is_empty() {
                    lines.insert(of.clone(), self.ticked(&of));
                    open.extend(objections);
                }
            }
        }
        let mut newer = false;
        for line in &self.lines {
            let unplaced = match &line.said {
                Said::Read {
                    what: Fact::Untick(u),
                    ..
                } => !self
                    .plan
                    .checklist
                    .iter()
                    .any(|item| item.item == u.item && item.each_person == u.person.is_some()),
                Said::Read { .. } => false,
                Said::Unread(None) => true,
                Said::Unread(Some(kind)) => {
                    let safe = ["stop", "note", "photo"];
                    newer |= !safe.contains(kind);
                    false
                }
            };
            if unplaced && !self.cleared(line.id) {
                open.insert(line.id);
            }
        }
        let complete = open.is_empty() && !newer && lines.values().all(|ticked| *ticked);
        let state = match (stops.is_empty(), complete) {
            (false, _) => State::Stopped,
            (true, false) => State::NotReady,
            (true, true) => State::Ready,
        };
        Reading {
            state,
            stops,
            open,
            lines,
        }
    }
}

/// Whether what a merge comes to breaks "unsafe wins"; says how. `parts` are the readings of the
/// replicas before they met, `all` their records together.
pub(crate) fn broken(
    plan: &Plan,
    world: &World,
    all: &BTreeSet<RecordId>,
    parts: &[Reading],
    merged: &Reading,
) -> Option<String> {
    let named_by = |of: &Fact| match of {
        Fact::Tick(tick) => tick.clears.clone(),
        Fact::Left(left) => left.seen.clone(),
        Fact::Clear(clear) => clear.stops.clone(),
        _ => Vec::new(),
    };
    // Named by a tick, leaving or clear of an author who had seen it.
    let answered = |id: &RecordId, clears_only: bool| {
        all.iter().map(|r| &world[r]).any(|line| match &line.said {
            Said::Read { what, .. } => {
                (!clears_only || matches!(what, Fact::Clear(_)))
                    && line.past.contains(id)
                    && named_by(what).contains(id)
            }
            Said::Unread(_) => false,
        })
    };
    for part in parts {
        if let Some(open) = part
            .open
            .iter()
            .find(|u| !merged.open.contains(u) && !answered(u, false))
        {
            return Some(format!("P1: objection {open} vanished"));
        }
        if let Some(stop) = part
            .stops
            .iter()
            .find(|s| !merged.stops.contains(s) && !answered(s, true))
        {
            return Some(format!("P3: stop {stop} vanished"));
        }
    }
    // Whoever is asked for is let go only by a leaving that knew all that put them on the crew.
    let asked = parts.iter().flat_map(|part| part.lines.keys());
    for person in asked.filter_map(|of| of.1.as_ref()) {
        let facts = || {
            all.iter().filter_map(|id| match &world[id].said {
                Said::Read { what, .. } => Some((*id, what)),
                Said::Unread(_) => None,
            })
        };
        let arrivals: Vec<RecordId> = facts()
            .filter(|(_, what)| match what {
                Fact::Joined(joined) => joined.person == *person,
                Fact::RoleTaken(taken) => taken.person == *person,
                _ => false,
            })
            .map(|(id, _)| id)
            .collect();
        let listed = merged.lines.keys().any(|of| of.1.as_ref() == Some(person));
        let let_go = facts().any(|(id, what)| {
            matches!(what, Fact::Left(left) if left.person == *person)
                && arrivals
                    .iter()
                    .all(|arrival| world[&id].past.contains(arrival))
        });
        if !listed && !arrivals.is_empty() && !let_go {
            return Some(format!(
                "{person} is asked for no more by a leaving that didn't know"
            ));
        }
    }
    for id in all {
        let line = &world[id];
        let (is_stop, is_untick) = match &line.said {
            Said::Read { what, .. } => (
                matches!(what, Fact::Stop(_)),
                matches!(what, Fact::Untick(_)),
            ),
            Said::Unread(kind) => (*kind == Some("stop"), false),
        };
        if is_stop && !merged.stops.contains(id) && !answered(id, true) {
            return Some(format!(
                "P3: stop {id} doesn't hold and nobody who saw it cleared it"
            ));
        }
        if is_untick && merged.state == State::Ready && !answered(id, false) {
            return Some(format!("ready over the unanswered objection {id}"));
        }
    }
    let stops: BTreeSet<RecordId> = all
        .iter()
        .filter(|id| match &world[*id].said {
            Said::Read { what, .. } => matches!(what, Fact::Stop(_)),
            Said::Unread(kind) => *kind == Some("stop"),
        })
        .copied()
        .collect();
    for (of, _) in merged.lines.iter().filter(|(_, ticked)| **ticked) {
        let each = plan
            .checklist
            .iter()
            .any(|l| l.item == of.0 && l.each_person);
        let ticks: Vec<(&Line, &gravelbar_visit::Tick)> = all
            .iter()
            .filter_map(|id| match &world[id].said {
                Said::Read {
                    by,
                    what: Fact::Tick(t),
                    ..
                } if t.item == of.0 && t.person == of.1 && (!each || Some(by) == of.1.as_ref()) => {
                    Some((&world[id], t))
                }
                _ => None,
            })
            .collect();
        // A tick whose author knew of every stop there is.
        if !ticks
            .iter()
            .any(|(line, _)| stops.iter().all(|stop| line.past.contains(stop)))
        {
            return Some(format!(
                "P2: {of:?} is ticked, but by nobody who knew all stops"
            ));
        }
        for id in all {
            let objects = matches!(&world[id].said, Said::Read { what: Fact::Untick(u), .. }
                if (&u.item, &u.person) == (&of.0, &of.1));
            if objects && !answered(id, false) {
                return Some(format!("P1: {of:?} is ticked over the objection {id}"));
            }
        }
    }
    None
}

/// Whether a reading lets through anything that another didn't; says what.
pub(crate) fn laxer(before: &Reading, after: &Reading) -> Option<String> {
    if after.state < before.state {
        return Some(format!("{:?} became {:?}", before.state, after.state));
    }
    if let Some(stop) = before.stops.difference(&after.stops).next() {
        return Some(format!("stop {stop} doesn't hold any more"));
    }
    if let Some(open) = before.open.difference(&after.open).next() {
        return Some(format!("objection {open} is gone"));
    }
    for (of, ticked) in &before.lines {
        match after.lines.get(of) {
            Some(true) if !ticked => return Some(format!("{of:?} became ticked")),
            None => return Some(format!("{of:?} is asked for no more")),
            _ => {}
        }
    }
    None
}
