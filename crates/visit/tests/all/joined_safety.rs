//! Unsafe wins across a joining: random histories in two documents that are joined, brought,
//! taken apart and joined again, held against the rule written a second time, which knows nothing
//! of documents: only what was written and what each author had on the screen.

use std::collections::{BTreeMap, BTreeSet};

use gravelbar_visit::{
    Clear, Fact, Join, JoinNames, Joined, Left, RecordId, Role, RoleLeft, RoleTaken, SafetyState,
    Stop, Tick, Unjoin, Untick,
};
use proptest::prelude::*;
use proptest::strategy::ValueTree;
use proptest::test_runner::{Config, TestRunner};

use crate::crew::pair::Pair;
use crate::crew::{person, plan, text};
use crate::naive::{Line, Reading, Rule, Said, State, World, broken, read};

const PEOPLE: [&str; 3] = ["Mirelle Ashgrove", "Okto Brandt", "Hollis Fenn"];

#[derive(Debug, Clone)]
enum Op {
    Meet(usize, usize, usize),
    Restart(usize),
    Bring(usize),
    Join(usize),
    Unjoin(usize),
    /// All that is asked for is ticked by whom it is asked of.
    TickAll(usize, usize),
    Untick(usize, usize, usize, usize),
    Stop(usize, usize),
    Clear(usize, usize),
    Take(usize, usize, usize),
    GiveUp(usize, usize, usize),
    Arrive(usize, usize, usize),
    Leave(usize, usize, usize),
}

fn ops() -> impl Strategy<Value = Vec<Op>> {
    let d = || 0..3_usize;
    let v = || 0..2_usize;
    let op = prop_oneof![
        5 => (d(), d(), v()).prop_map(|(a, b, v)| Op::Meet(a, b, v)),
        1 => d().prop_map(Op::Restart),
        4 => d().prop_map(Op::Bring),
        2 => d().prop_map(Op::Join),
        1 => d().prop_map(Op::Unjoin),
        7 => (d(), v()).prop_map(|(d, v)| Op::TickAll(d, v)),
        2 => (d(), v(), 0..2_usize, d()).prop_map(|(d, v, i, p)| Op::Untick(d, v, i, p)),
        2 => (d(), v()).prop_map(|(d, v)| Op::Stop(d, v)),
        3 => (d(), v()).prop_map(|(d, v)| Op::Clear(d, v)),
        2 => (d(), v(), d()).prop_map(|(d, v, p)| Op::Take(d, v, p)),
        1 => (d(), v(), d()).prop_map(|(d, v, p)| Op::GiveUp(d, v, p)),
        2 => (d(), v(), d()).prop_map(|(d, v, p)| Op::Arrive(d, v, p)),
        1 => (d(), v(), d()).prop_map(|(d, v, p)| Op::Leave(d, v, p)),
    ];
    proptest::collection::vec(op, 1..36)
}

/// What a joining or bringing came to.
struct Moment {
    parts: [BTreeSet<RecordId>; 2],
    all: BTreeSet<RecordId>,
}

/// The devices, beside a plain account of what each holds and each author had on the screen.
struct Story {
    pair: Pair,
    held: Vec<[BTreeSet<RecordId>; 2]>,
    world: World,
    second: BTreeSet<RecordId>,
    /// What each record that carries something carries.
    carries: BTreeMap<RecordId, BTreeSet<RecordId>>,
    moments: Vec<Moment>,
    states: BTreeSet<State>,
}

impl Story {
    fn new() -> Self {
        Self {
            pair: Pair::with(&PEOPLE),
            held: vec![Default::default(); 3],
            world: World::new(),
            second: BTreeSet::new(),
            carries: BTreeMap::new(),
            moments: Vec::new(),
            states: BTreeSet::new(),
        }
    }

    fn fact(&self, id: &RecordId) -> Option<&Fact> {
        match &self.world.get(id)?.said {
            Said::Read { what, .. } => Some(what),
            Said::Unread(_) => None,
        }
    }

    /// Records of the second document that these of the first one carry.
    fn carried(&self, held: &BTreeSet<RecordId>) -> BTreeSet<RecordId> {
        let carried = held.iter().filter_map(|id| self.carries.get(id));
        carried.flatten().copied().collect()
    }

    fn own(&self, held: &BTreeSet<RecordId>) -> BTreeSet<RecordId> {
        let own = held.iter().filter(|id| !self.carries.contains_key(id));
        own.copied().collect()
    }

    fn joins<'s>(&'s self, held: &'s BTreeSet<RecordId>) -> impl Iterator<Item = &'s RecordId> {
        held.iter()
            .filter(|id| matches!(self.fact(id), Some(Fact::Join(_))))
    }

    fn stands(&self, held: &BTreeSet<RecordId>) -> bool {
        let taken_back = |join: &RecordId| {
            held.iter().any(|id| match self.fact(id) {
                Some(Fact::Unjoin(unjoin)) => {
                    unjoin.joins.contains(join) && self.world[id].past.contains(join)
                }
                _ => false,
            })
        };
        self.joins(held).any(|join| !taken_back(join))
    }

    /// What whoever holds this of the first document can have read there: while the two are apart
    /// again, of the other one the stops alone.
    fn on_screen(&self, held: &BTreeSet<RecordId>) -> BTreeSet<RecordId> {
        let mut shown = self.own(held);
        let carried = self.carried(held);
        if self.stands(held) {
            shown.extend(carried);
        } else if self.joins(held).next().is_some() {
            let stops = carried.into_iter();
            shown.extend(stops.filter(|id| matches!(self.fact(id), Some(Fact::Stop(_)))));
        }
        shown
    }

    /// What counts: while the two are apart again, stops of the other one that nobody has cleared.
    fn counts(&self, held: &BTreeSet<RecordId>) -> BTreeSet<RecordId> {
        if self.stands(held) || self.joins(held).next().is_none() {
            return self.on_screen(held);
        }
        let there = read(Rule::AsItIs, &plan(), &self.world, &self.carried(held));
        let mut with_stops = self.own(held);
        with_stops.extend(&there.stops);
        let here = read(Rule::AsItIs, &plan(), &self.world, &with_stops);
        let mut counts = self.own(held);
        counts.extend(there.stops.intersection(&here.stops));
        counts
    }

    fn past(&self, device: usize, visit: usize) -> BTreeSet<RecordId> {
        match visit {
            0 => self.on_screen(&self.held[device][0]),
            _ => self.held[device][1].clone(),
        }
    }

    fn write(&mut self, device: usize, visit: usize, by: usize, what: Fact) {
        let by = person(PEOPLE[by]);
        let Ok(written) = self.pair.act_as(device, visit, &by, vec![what.clone()]) else {
            return;
        };
        let id = written.records[0];
        let past = self.past(device, visit);
        let why = true;
        let line = Line {
            id,
            lamport: 0,
            past,
            said: Said::Read { by, why, what },
        };
        self.world.insert(id, line);
        self.held[device][visit].insert(id);
        if visit == 1 {
            self.second.insert(id);
        }
    }

    fn bring(&mut self, device: usize) {
        let [first, second] = &self.held[device];
        let news: BTreeSet<RecordId> = second.difference(&self.carried(first)).copied().collect();
        let written = self.pair.bring(device);
        let records: Vec<RecordId> = written.into_iter().flat_map(|w| w.records).collect();
        // So few changes fit into the last record; before it comes the plan.
        for (n, id) in records.iter().rev().enumerate() {
            let carried = if n == 0 {
                news.clone()
            } else {
                BTreeSet::new()
            };
            self.carries.insert(*id, carried);
            self.held[device][0].insert(*id);
        }
    }

    fn step(&mut self, op: &Op) -> Result<(), String> {
        let (device, visit) = match *op {
            Op::Meet(a, b, v) => {
                if a != b {
                    self.pair.meet(a, b, v);
                    let all: BTreeSet<RecordId> =
                        self.held[a][v].union(&self.held[b][v]).copied().collect();
                    self.held[a][v].clone_from(&all);
                    self.held[b][v] = all;
                    let views = [a, b].map(|d| text(&self.pair.view(d, v)));
                    if views[0] != views[1] {
                        return Err(format!("{}\n{}", views[0], views[1]));
                    }
                }
                (a, v)
            }
            Op::Restart(d) => {
                self.pair.restart(d);
                (d, 0)
            }
            Op::Join(d) | Op::Bring(d) | Op::Unjoin(d) => (d, 0),
            Op::TickAll(d, v)
            | Op::Untick(d, v, ..)
            | Op::Stop(d, v)
            | Op::Clear(d, v)
            | Op::Take(d, v, _)
            | Op::GiveUp(d, v, _)
            | Op::Arrive(d, v, _)
            | Op::Leave(d, v, _) => (d, v),
        };
        let safety = self.pair.view(device, visit).safety;
        let parts = [
            self.counts(&self.held[device][0]),
            self.carried(&self.held[device][0]),
        ];
        match *op {
            Op::Meet(..) | Op::Restart(_) => {}
            Op::Bring(d) => self.bring(d),
            Op::Join(d) => {
                let join = Join {
                    visit: self.pair.id(1),
                    names: JoinNames::default(),
                };
                self.write(d, 0, d, join.into());
            }
            Op::Unjoin(d) => {
                let joins: Vec<RecordId> = self.joins(&self.held[d][0]).copied().collect();
                self.write(d, 0, d, Unjoin { joins }.into());
            }
            Op::TickAll(d, v) => {
                for asked in safety.items {
                    let by = PEOPLE.iter().position(|p| asked.person == Some(person(p)));
                    let clears = asked.objections.iter().map(|(stamp, _)| stamp.id);
                    let tick = Tick {
                        item: asked.item.clone(),
                        person: asked.person.clone(),
                        clears: clears.collect(),
                        round: safety.round.clone(),
                    };
                    self.write(d, v, by.unwrap_or(d), tick.into());
                }
            }
            Op::Untick(d, v, line, of) => {
                let (item, each) = [("gloves", true), ("first_aid", false)][line];
                let untick = Untick {
                    item: item.to_owned(),
                    person: each.then(|| person(PEOPLE[of])),
                };
                self.write(d, v, d, untick.into());
            }
            Op::Stop(d, v) => self.write(d, v, d, Stop {}.into()),
            Op::Clear(d, v) => {
                let stops = match safety.state {
                    SafetyState::Stopped { stops } => stops,
                    _ => Vec::new(),
                };
                self.write(d, v, d, Clear { stops }.into());
            }
            Op::Take(d, v, of) => {
                let role = Role::Lead;
                let person = person(PEOPLE[of]);
                self.write(d, v, d, RoleTaken { person, role }.into());
            }
            Op::GiveUp(d, v, of) => {
                let role = Role::Lead;
                let person = person(PEOPLE[of]);
                self.write(d, v, d, RoleLeft { person, role }.into());
            }
            Op::Arrive(d, v, of) => {
                let person = person(PEOPLE[of]);
                self.write(d, v, d, Joined { person }.into());
            }
            Op::Leave(d, v, of) => {
                let person = person(PEOPLE[of]);
                let of_them = (safety.items.iter()).filter(|i| i.person.as_ref() == Some(&person));
                let seen = of_them.flat_map(|i| &i.objections).map(|(s, _)| s.id);
                let seen = seen.collect();
                self.write(d, v, of, Left { person, seen }.into());
            }
        }
        if matches!(op, Op::Join(_) | Op::Bring(_)) && self.stands(&self.held[device][0]) {
            let all = self.counts(&self.held[device][0]);
            let readings = parts
                .each_ref()
                .map(|part| read(Rule::AsItIs, &plan(), &self.world, part));
            let merged = Reading::of(&self.pair.view(device, 0));
            if let Some(how) = broken(&plan(), &self.world, &all, &readings, &merged) {
                return Err(how);
            }
            self.moments.push(Moment { parts, all });
        }
        self.check(device)
    }

    /// The program says of both documents what the plain rule says.
    fn check(&mut self, device: usize) -> Result<(), String> {
        let counts = [
            self.counts(&self.held[device][0]),
            self.held[device][1].clone(),
        ];
        for (visit, held) in counts.iter().enumerate() {
            let reading = Reading::of(&self.pair.view(device, visit));
            let plain = read(Rule::AsItIs, &plan(), &self.world, held);
            if reading != plain {
                return Err(format!(
                    "of visit {visit} the program reads {reading:#?}\nthe plain rule {plain:#?}"
                ));
            }
            if visit == 0 && self.stands(&self.held[device][0]) {
                self.states.insert(reading.state);
            }
        }
        Ok(())
    }

    fn run(ops: &[Op]) -> Result<Self, String> {
        let mut story = Self::new();
        for (place, op) in ops.iter().enumerate() {
            let done = story.step(op);
            done.map_err(|how| format!("step {place}, {op:?}: {how}"))?;
        }
        for op in [0, 1, 2].map(Op::Bring) {
            story.step(&op)?;
        }
        for (a, b) in [(0, 1), (1, 2), (0, 1), (0, 2)] {
            for visit in 0..2 {
                story.step(&Op::Meet(a, b, visit))?;
            }
        }
        Ok(story)
    }
}

proptest! {
    #![proptest_config(Config { cases: 500, ..Config::default() })]

    #[test]
    fn joining_never_settles_what_nobody_who_saw_it_settled(ops in ops()) {
        Story::run(&ops).map_err(TestCaseError::fail)?;
    }
}

/// The same history, told as though whoever wrote in one document had read the other one too.
fn told_wrongly(story: &Story) -> World {
    let mut world = story.world.clone();
    let first: BTreeSet<RecordId> = (world.keys().copied())
        .filter(|id| !story.second.contains(id))
        .collect();
    for (id, line) in &mut world {
        let other = if story.second.contains(id) {
            &first
        } else {
            &story.second
        };
        line.past.extend(other);
    }
    world
}

#[test]
fn taking_what_lay_in_the_other_document_for_seen_would_be_noticed() {
    let mut runner = TestRunner::deterministic();
    let (mut noticed, mut moments) = (0, 0);
    let mut states = BTreeSet::new();
    for _ in 0..150 {
        let ops = ops().new_tree(&mut runner).unwrap().current();
        let story = Story::run(&ops).unwrap();
        let wrong = told_wrongly(&story);
        states.extend(story.states.iter().copied());
        for Moment { parts, all } in &story.moments {
            moments += 1;
            let says = |held| read(Rule::AsItIs, &plan(), &wrong, held);
            let parts = parts.each_ref().map(&says);
            let merged = says(all);
            noticed += usize::from(broken(&plan(), &story.world, all, &parts, &merged).is_some());
        }
    }
    assert!(moments > 100, "{moments}");
    assert!(noticed > 0, "the laws would not notice");
    let every = [State::Ready, State::NotReady, State::Stopped];
    assert_eq!(states, BTreeSet::from(every));
}
