//! Unsafe wins, whatever is written where and whoever meets whom: random histories on real
//! documents, held against the rule written a second time and against the laws it has to keep.

use std::collections::BTreeSet;

use chrono::TimeDelta;
use gravelbar_visit::{
    Clear, DeviceTag, EnergiserOff, Entry, Fact, Joined, Left, Pack, PassKey, PersonName, RecordId,
    Role, RoleLeft, RoleTaken, Setting, SpeciesName, Stop, Tally, Tick, Untick, View, Waveform,
};
use proptest::prelude::*;
use proptest::strategy::ValueTree;
use proptest::test_runner::{Config, TestRunner};

use crate::crew::{Crew, changes, person, plan, text};
use crate::naive::{Line, Reading, Rule, Said, State, World, broken, laxer, read};

/// The first three hold devices; the last never joins and never gets a role by anyone's record.
pub(crate) const PEOPLE: [&str; 4] = [
    "Mirelle Ashgrove",
    "Okto Brandt",
    "Hollis Fenn",
    "Wandering Stranger",
];
const STRANGER: usize = 3;

/// How a tick is put together.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Care {
    /// Names all that its author sees.
    Honest,
    /// Names no stop.
    OldRound,
    /// Answers no objection.
    Heedless,
    /// For another person.
    ForAnother,
    /// Names stops and objections that were never shown here.
    Guessed,
}

#[derive(Debug, Clone)]
pub(crate) enum Op {
    Meet(usize, usize),
    Restart(usize),
    /// Everything one device has reaches another once more.
    Again(usize, usize),
    Tick(usize, usize, usize, Care),
    /// All that is asked for is ticked by whom it is asked of, with all they see named.
    TickAll(usize),
    Untick(usize, usize, usize, usize),
    /// An objection to a line that isn't there or isn't ticked that way.
    OddUntick(usize, bool),
    Stop(usize, usize),
    /// Clears all stops and obstacles shown; or guessed ones; or without a reason.
    Clear(usize, usize, Care),
    Take(usize, usize, Role),
    GiveUp(usize, usize, Role),
    Join(usize, usize),
    Leave(usize, usize, usize, bool),
    /// Works in the water.
    Work(usize, usize, bool),
    Garbage(usize, usize),
}

/// Bodies that can't be read, with the kind they call themselves.
const GARBAGE: [(&str, Option<&str>); 9] = [
    ("{", None),
    ("[[[[]]]]", None),
    (r#"{"what":{"stop":{},"note":{"text":"both"}}}"#, None),
    (r#"{"what":{"stop":{}}}"#, Some("stop")),
    (
        r#"{"at":"noon","by":"Okto Brandt","what":{"stop":{}}}"#,
        Some("stop"),
    ),
    (
        r#"{"at":"2026-08-18T08:10:00-04:00","by":"Okto Brandt","what":{"tick":{"item":7}}}"#,
        Some("tick"),
    ),
    (
        r#"{"what":{"safety_hold":{"until":"noon"}}}"#,
        Some("safety_hold"),
    ),
    (
        r#"{"what":{"role_left":{"person":"Mirelle Ashgrove","role":"pilot"}}}"#,
        Some("role_left"),
    ),
    (r#"{"what":{"photo":{"sha256":"00"}}}"#, Some("photo")),
];

pub(crate) fn ops() -> impl Strategy<Value = Vec<Op>> {
    let device = || 0..3_usize;
    let anyone = || 0..4_usize;
    let crew = || 0..3_usize;
    let care = || {
        prop_oneof![
            6 => Just(Care::Honest),
            1 => Just(Care::OldRound),
            1 => Just(Care::Heedless),
            1 => Just(Care::ForAnother),
            1 => Just(Care::Guessed),
        ]
    };
    let role = || prop_oneof![Just(Role::Lead), Just(Role::SafetyLead), Just(Role::Netter)];
    let op = prop_oneof![
        6 => (device(), device()).prop_map(|(a, b)| Op::Meet(a, b)),
        1 => device().prop_map(Op::Restart),
        1 => (device(), device()).prop_map(|(a, b)| Op::Again(a, b)),
        8 => (device(), anyone(), 0..2_usize, care()).prop_map(|(d, p, i, c)| Op::Tick(d, p, i, c)),
        3 => device().prop_map(Op::TickAll),
        3 => (device(), anyone(), 0..2_usize, anyone())
            .prop_map(|(d, p, i, of)| Op::Untick(d, p, i, of)),
        1 => (device(), any::<bool>()).prop_map(|(d, known)| Op::OddUntick(d, known)),
        2 => (device(), anyone()).prop_map(|(d, p)| Op::Stop(d, p)),
        4 => (device(), anyone(), care()).prop_map(|(d, p, c)| Op::Clear(d, p, c)),
        2 => (device(), crew(), role()).prop_map(|(d, p, r)| Op::Take(d, p, r)),
        1 => (device(), crew(), role()).prop_map(|(d, p, r)| Op::GiveUp(d, p, r)),
        1 => (device(), crew()).prop_map(|(d, p)| Op::Join(d, p)),
        2 => (device(), anyone(), crew(), any::<bool>())
            .prop_map(|(d, p, of, seen)| Op::Leave(d, p, of, seen)),
        1 => (device(), anyone(), any::<bool>()).prop_map(|(d, p, net)| Op::Work(d, p, net)),
        1 => (device(), 0..GARBAGE.len()).prop_map(|(d, g)| Op::Garbage(d, g)),
    ];
    proptest::collection::vec(op, 1..28)
}

/// What happened, for readings other than the program's.
pub(crate) enum Moment {
    Met {
        parts: [BTreeSet<RecordId>; 2],
        all: BTreeSet<RecordId>,
    },
    /// Something was written that must not let anything through.
    Wary {
        before: BTreeSet<RecordId>,
        after: BTreeSet<RecordId>,
    },
}

/// The crew, beside a plain account of what each device holds and each author had seen.
pub(crate) struct Story {
    pub(crate) crew: Crew,
    held: Vec<BTreeSet<RecordId>>,
    world: World,
    /// All records in the order they were written.
    order: Vec<RecordId>,
    moments: Vec<Moment>,
    /// What the program said after each step, with records named by their place in `order`.
    said: Vec<(State, Vec<usize>, Vec<usize>)>,
}

fn item(n: usize) -> (&'static str, bool) {
    [("gloves", true), ("first_aid", false)][n]
}

impl Story {
    fn new(tags: [u8; 3], ahead_s: [i64; 3]) -> Self {
        let tags = tags.map(|t| DeviceTag([t; 8]));
        let mut story = Self {
            crew: Crew::with_tags(&plan(), &PEOPLE[..3], &tags),
            held: vec![BTreeSet::new(); 3],
            world: World::new(),
            order: Vec::new(),
            moments: Vec::new(),
            said: Vec::new(),
        };
        for (device, ahead) in story.crew.devices.iter_mut().zip(ahead_s) {
            device.ahead = TimeDelta::seconds(ahead);
        }
        story
    }

    pub(crate) fn reading(&self, device: usize) -> Reading {
        Reading::of(&self.view(device))
    }

    fn view(&self, device: usize) -> View {
        self.crew.view(device)
    }

    fn account(&mut self, device: usize, id: RecordId, said: Said) {
        let records = self.crew.devices[device].visit.records();
        let line = Line {
            id,
            lamport: records.iter().find(|s| s.id == id).map_or(0, |s| s.lamport),
            past: self.held[device].clone(),
            said,
        };
        self.world.insert(id, line);
        self.order.push(id);
        self.held[device].insert(id);
    }

    /// Writes a fact, past the program's refusal if it refuses.
    fn write(&mut self, device: usize, by: usize, why: Option<&str>, what: Fact) {
        let by = person(PEOPLE[by]);
        let written = self.crew.act_as(device, &by, why, vec![what.clone()]);
        let id = written.map(|w| w.records[0]).unwrap_or_else(|_refused| {
            let at = self.crew.now + self.crew.devices[device].ahead;
            let entry = Entry {
                at,
                by: by.clone(),
                why: why.map(str::to_owned),
                what: what.clone(),
            };
            self.crew
                .forge(device, &[serde_json::to_string(&entry).unwrap()])[0]
        });
        let why = why.is_some();
        self.account(device, id, Said::Read { by, why, what });
    }

    fn stops(&self, ids: impl Iterator<Item = RecordId>) -> Vec<RecordId> {
        ids.filter(|id| match &self.world[id].said {
            Said::Read { what, .. } => matches!(what, Fact::Stop(_)),
            Said::Unread(kind) => *kind == Some("stop"),
        })
        .collect()
    }

    fn tick(&mut self, device: usize, by: usize, line: usize, care: Care) {
        let (item, each) = item(line);
        let whom = if care == Care::ForAnother {
            (by + 1) % 4
        } else {
            by
        };
        let of = each.then(|| person(PEOPLE[whom]));
        let safety = self.view(device).safety;
        let shown = safety
            .items
            .iter()
            .filter(|i| i.item == item && i.person == of);
        let mut clears: Vec<RecordId> = shown
            .flat_map(|i| &i.objections)
            .map(|(stamp, _)| stamp.id)
            .collect();
        let mut round = safety.round;
        match care {
            Care::Honest | Care::ForAnother => {}
            Care::OldRound => round.clear(),
            Care::Heedless => clears.clear(),
            Care::Guessed => {
                round = self.stops(self.order.iter().copied());
                let unticks = self.world.values().filter(|l| {
                    matches!(&l.said, Said::Read { what: Fact::Untick(u), .. } if u.item == item && u.person == of)
                });
                clears = unticks.map(|l| l.id).collect();
            }
        }
        let tick = Tick {
            item: item.to_owned(),
            person: of,
            clears,
            round,
        };
        self.write(device, by, None, tick.into());
    }

    fn clear(&mut self, device: usize, by: usize, care: Care) {
        let safety = self.view(device).safety;
        let mut stops: Vec<RecordId> = safety.unplaced;
        stops.extend(safety.round);
        if care == Care::Guessed {
            stops = self.order.clone();
            stops.truncate(200);
        }
        if stops.is_empty() {
            // Nothing to clear: name whatever is there, which has no effect.
            stops.extend(self.held[device].first());
        }
        if !stops.is_empty() {
            let why = (care != Care::Heedless).then_some("thunder has passed");
            self.write(device, by, why, Clear { stops }.into());
        }
    }

    fn leave(&mut self, device: usize, by: usize, of: usize, seen: bool) {
        let of = person(PEOPLE[of]);
        let items = self.view(device).safety.items;
        let shown = items
            .iter()
            .filter(|i| seen && i.person.as_ref() == Some(&of));
        let seen = shown
            .flat_map(|i| &i.objections)
            .map(|(stamp, _)| stamp.id)
            .collect();
        self.write(device, by, None, Left { person: of, seen }.into());
    }

    /// Does one thing; says what was broken by it.
    fn step(&mut self, op: &Op) -> Result<(), String> {
        let pass = PassKey::main(1);
        let (device, wary) = match *op {
            Op::Meet(a, b) => return self.meet(a, b),
            Op::Restart(d) => {
                let before = text(&self.view(d));
                self.crew.restart(d);
                same(&before, &text(&self.view(d)), "a restart")?;
                return self.check(d);
            }
            Op::Again(from, to) if from == to => return Ok(()),
            Op::Again(from, to) => {
                let parts = [self.reading(from), self.reading(to)];
                let bytes = changes(&self.crew.devices[from].visit);
                let twice = bytes.iter().rev().chain(&bytes).cloned().collect();
                self.crew.devices[to].visit.receive(twice);
                let before = [self.held[from].clone(), self.held[to].clone()];
                self.held[to].extend(&before[0]);
                return self.merged(to, before, parts);
            }
            Op::Tick(d, by, _, Care::ForAnother) | Op::Clear(d, by, _) if by == STRANGER => {
                (d, true)
            }
            Op::Clear(d, _, Care::Heedless) => (d, true),
            Op::Tick(d, ..) | Op::Clear(d, ..) | Op::TickAll(d) => (d, false),
            Op::Leave(d, by, of, _) => (d, by == STRANGER && of != STRANGER),
            Op::Untick(d, ..)
            | Op::OddUntick(d, _)
            | Op::Stop(d, _)
            | Op::Take(d, ..)
            | Op::GiveUp(d, ..)
            | Op::Join(d, _)
            | Op::Work(d, ..)
            | Op::Garbage(d, _) => (d, true),
        };
        let before = (self.reading(device), self.held[device].clone());
        match *op {
            Op::Meet(..) | Op::Restart(_) | Op::Again(..) => {}
            Op::Tick(d, by, line, care) => self.tick(d, by, line, care),
            Op::TickAll(d) => {
                for asked in self.view(d).safety.items {
                    let by = PEOPLE.iter().position(|p| asked.person == Some(person(p)));
                    let line = usize::from(by.is_none());
                    self.tick(d, by.unwrap_or(d), line, Care::Honest);
                }
            }
            Op::Untick(d, by, line, of) => {
                let (item, each) = item(line);
                let untick = Untick {
                    item: item.to_owned(),
                    person: each.then(|| person(PEOPLE[of])),
                };
                self.write(d, by, None, untick.into());
            }
            Op::OddUntick(d, known) => {
                let item = if known { "gloves" } else { "helmets" };
                let untick = Untick {
                    item: item.to_owned(),
                    person: None,
                };
                self.write(d, d, None, untick.into());
            }
            Op::Stop(d, by) => self.write(d, by, None, Stop {}.into()),
            Op::Clear(d, by, care) => self.clear(d, by, care),
            Op::Take(d, of, role) => {
                let person = person(PEOPLE[of]);
                self.write(d, d, None, RoleTaken { person, role }.into());
            }
            Op::GiveUp(d, of, role) => {
                let person = person(PEOPLE[of]);
                self.write(d, d, None, RoleLeft { person, role }.into());
            }
            Op::Join(d, of) => {
                let person = person(PEOPLE[of]);
                self.write(d, d, None, Joined { person }.into());
            }
            Op::Leave(d, by, of, seen) => self.leave(d, by, of, seen),
            Op::Work(d, by, netting) => {
                let tally = Tally {
                    pass,
                    species: SpeciesName::new("brook trout").unwrap(),
                    n: 1,
                    bucket: None,
                };
                let off = EnergiserOff {
                    stops: self.stops(self.held[d].iter().copied()),
                };
                let work: Fact = if netting || off.stops.is_empty() {
                    tally.into()
                } else {
                    off.into()
                };
                self.write(d, by, None, work);
            }
            Op::Garbage(d, which) => {
                let (body, kind) = GARBAGE[which];
                let id = self.crew.forge(d, &[body.to_owned()])[0];
                self.account(d, id, Said::Unread(kind));
            }
        }
        if wary {
            let after = self.reading(device);
            if let Some(how) = laxer(&before.0, &after) {
                return Err(format!("P4, P7: {how}"));
            }
            self.moments.push(Moment::Wary {
                before: before.1,
                after: self.held[device].clone(),
            });
        }
        self.check(device)
    }

    fn meet(&mut self, a: usize, b: usize) -> Result<(), String> {
        if a == b {
            return Ok(());
        }
        let parts = [self.reading(a), self.reading(b)];
        let before = [self.held[a].clone(), self.held[b].clone()];
        self.crew.meet(a, b);
        let all: BTreeSet<RecordId> = before[0].union(&before[1]).copied().collect();
        self.held[a].clone_from(&all);
        self.held[b] = all;
        same(&text(&self.view(a)), &text(&self.view(b)), "a meeting")?;
        self.merged(a, before, parts)
    }

    /// Checks what came of a merge.
    fn merged(
        &mut self,
        device: usize,
        before: [BTreeSet<RecordId>; 2],
        parts: [Reading; 2],
    ) -> Result<(), String> {
        let all = self.held[device].clone();
        let merged = self.reading(device);
        if let Some(how) = broken(&plan(), &self.world, &all, &parts, &merged) {
            return Err(how);
        }
        self.moments.push(Moment::Met { parts: before, all });
        self.check(device)
    }

    /// The program says what the plain rule says.
    fn check(&mut self, device: usize) -> Result<(), String> {
        let reading = self.reading(device);
        let plain = read(Rule::AsItIs, &plan(), &self.world, &self.held[device]);
        if reading != plain {
            return Err(format!(
                "the program reads {reading:#?}\nthe plain rule {plain:#?}"
            ));
        }
        let places = |ids: &BTreeSet<RecordId>| -> Vec<usize> {
            let order = self.order.iter().enumerate();
            order
                .filter(|(_, id)| ids.contains(id))
                .map(|(place, _)| place)
                .collect()
        };
        let said = (reading.state, places(&reading.stops), places(&reading.open));
        self.said.push(said);
        Ok(())
    }

    pub(crate) fn run(tags: [u8; 3], ahead_s: [i64; 3], ops: &[Op]) -> Result<Self, String> {
        let mut story = Self::new(tags, ahead_s);
        for (place, op) in ops.iter().enumerate() {
            story
                .step(op)
                .map_err(|how| format!("step {place}, {op:?}: {how}"))?;
        }
        for (a, b) in [(0, 1), (1, 2), (0, 1), (0, 2)] {
            story
                .meet(a, b)
                .map_err(|how| format!("at the end: {how}"))?;
        }
        Ok(story)
    }
}

fn same(one: &str, other: &str, after: &str) -> Result<(), String> {
    if one == other {
        Ok(())
    } else {
        Err(format!(
            "after {after} one view is\n{one}\nand the other\n{other}"
        ))
    }
}

proptest! {
    #![proptest_config(Config { cases: 700, ..Config::default() })]

    #[test]
    fn merging_never_settles_what_nobody_who_saw_it_settled(ops in ops()) {
        if let Err(how) = Story::run([1, 2, 3], [0, 0, 0], &ops) {
            return Err(TestCaseError::fail(how));
        }
    }
}

proptest! {
    #![proptest_config(Config { cases: 60, ..Config::default() })]

    #[test]
    fn clocks_and_device_names_change_no_answer(
        ops in ops(),
        ahead_s in [-700_000_000_i64..700_000_000, -3_600..3_600_i64, 0..60_i64],
    ) {
        let one = Story::run([1, 2, 3], [0, 0, 0], &ops).map_err(TestCaseError::fail)?;
        let other = Story::run([200, 7, 90], ahead_s, &ops).map_err(TestCaseError::fail)?;
        prop_assert_eq!(one.said, other.said);
    }
}

/// Histories that are the same at every run.
fn histories(count: usize) -> Vec<Vec<Op>> {
    let mut runner = TestRunner::deterministic();
    (0..count)
        .map(|_| ops().new_tree(&mut runner).unwrap().current())
        .collect()
}

/// How many of the histories show that a rule breaks a law.
fn caught(rule: Rule, stories: &[Story]) -> usize {
    let plan = plan();
    let breaks = |story: &&Story| {
        let said = |held| read(rule, &plan, &story.world, held);
        story.moments.iter().any(|moment| match moment {
            Moment::Met { parts, all } => {
                let parts = parts.each_ref().map(&said);
                broken(&plan, &story.world, all, &parts, &said(all)).is_some()
            }
            Moment::Wary { before, after } => laxer(&said(before), &said(after)).is_some(),
        })
    };
    stories.iter().filter(breaks).count()
}

#[test]
fn the_laws_catch_every_planted_mistake() {
    let stories: Vec<Story> = histories(300)
        .iter()
        .map(|ops| Story::run([1, 2, 3], [0, 0, 0], ops).unwrap())
        .collect();
    assert_eq!(caught(Rule::AsItIs, &stories), 0);
    for mistake in [
        Rule::LastWriterWins,
        Rule::ClearLiftsAll,
        Rule::MajorityVote,
        Rule::TickIgnoresRound,
        Rule::NamedIsEnough,
        Rule::RoleHeldNow,
        Rule::LeavingIsEnough,
        Rule::TickForOthers,
    ] {
        let caught = caught(mistake, &stories);
        assert!(caught > 0, "{mistake:?} passes for right");
    }
    // The histories reach every state, or they'd prove little.
    for state in [State::Ready, State::NotReady, State::Stopped] {
        let reached = |story: &&Story| story.said.iter().any(|(said, ..)| *said == state);
        assert!(stories.iter().filter(reached).count() >= 3, "{state:?}");
    }
}

#[test]
fn a_checklist_ticked_for_one_visit_says_nothing_of_another() {
    let mut one = Crew::joined(&PEOPLE[..1]);
    let mut elsewhere = plan();
    "SR-02".clone_into(&mut elsewhere.site);
    let mut other = Crew::with(&elsewhere, &PEOPLE[..1]);
    let whole: Vec<Fact> = [("gloves", Some(person(PEOPLE[0]))), ("first_aid", None)]
        .into_iter()
        .map(|(item, person)| {
            let item = item.to_owned();
            Tick {
                item,
                person,
                clears: vec![],
                round: vec![],
            }
            .into()
        })
        .collect();
    one.act(0, None, whole).unwrap();
    assert_eq!(Reading::of(&one.view(0)).state, State::Ready);

    let before = other.view(0);
    let received = other.devices[0]
        .visit
        .receive(changes(&one.devices[0].visit));
    assert!(received.applied.is_empty());
    assert_eq!(text(&other.view(0)), text(&before));
    assert_eq!(Reading::of(&before).state, State::NotReady);
}

#[test]
fn whoever_runs_a_pack_unlisted_is_asked_for_their_checks() {
    let mut crew = Crew::joined(&PEOPLE[..2]);
    let stranger: PersonName = person(PEOPLE[STRANGER]);
    let setting = Setting {
        pack: Pack::new("L").unwrap(),
        waveform: Waveform::DirectCurrent,
        peak_v: 300.0,
        pulse_rate_hz: None,
        pulse_width_ms: None,
        duty_percent: None,
        current_a: None,
        ring_mm: None,
    };
    let asked = |crew: &Crew| {
        let lines = Reading::of(&crew.view(0)).lines;
        lines
            .get(&("gloves".to_owned(), Some(stranger.clone())))
            .copied()
    };
    assert_eq!(asked(&crew), None);
    crew.act_as(0, &stranger, None, vec![setting.into()])
        .unwrap();
    assert_eq!(asked(&crew), Some(false));
}
