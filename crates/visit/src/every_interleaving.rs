//! Stop-work and one line of the checklist on three devices: every order of up to five events,
//! meetings among them, read by the real reading and by the rule written a second time.

use std::cell::Cell;
use std::collections::{BTreeMap, BTreeSet};

use chrono::{DateTime, FixedOffset};
use gravelbar_ledger::{DeviceTag, RecordId, Session, Writer};

use crate::naive::{Line, Reading, Rule, Said, World, broken, laxer, read};
use crate::names::PersonName;
use crate::plan::Plan;
use crate::record::{Clear, Entry, Fact, Joined, Role, RoleTaken, Stop, Tick, Untick};
use crate::view::{Causality, Heading, Past, Seen, Unreadable, View};

const DEVICES: usize = 3;

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Event {
    Tick(usize),
    Untick(usize),
    Stop(usize),
    Clear(usize),
    Meet(usize, usize),
}

/// All events, in which the devices named are at most one more than were named before: three
/// devices that nothing has told apart yet are alike.
fn events(named: usize) -> impl Iterator<Item = Event> {
    let devices = (named + 1).min(DEVICES);
    let acts = (0..devices).flat_map(|d| {
        [
            Event::Tick(d),
            Event::Untick(d),
            Event::Stop(d),
            Event::Clear(d),
        ]
    });
    let meetings = [(0, 1), (0, 2), (1, 2)].map(|(a, b)| Event::Meet(a, b));
    acts.chain(meetings)
}

fn named_after(named: usize, event: Event) -> usize {
    match event {
        Event::Tick(d) | Event::Untick(d) | Event::Stop(d) | Event::Clear(d) => named.max(d + 1),
        // A meeting of devices of which one wasn't named before tells it apart by what it has got;
        // taking all as named then only repeats some cases.
        Event::Meet(..) => DEVICES,
    }
}

/// The records' pasts as sets, which is all that the reading asks for.
struct Known<'a>(&'a World);

impl Causality for Known<'_> {
    fn past_of(&self, record: RecordId) -> Past {
        let mut past = Past::default();
        for id in self.0.get(&record).into_iter().flat_map(|line| &line.past) {
            let last = past.0.entry(id.writer).or_default();
            *last = id.n.max(*last);
        }
        past
    }

    fn had_seen(&self, record: RecordId, other: RecordId) -> bool {
        (self.0.get(&record)).is_some_and(|line| line.past.contains(&other))
    }

    fn past_at(&self, _heads: &[String]) -> Option<Past> {
        None
    }
}

#[derive(Clone)]
struct Scene {
    world: World,
    held: [BTreeSet<RecordId>; DEVICES],
    readings: [Reading; DEVICES],
}

struct Stage {
    plan: Plan,
    lead: PersonName,
    at: DateTime<FixedOffset>,
    merges: Cell<u32>,
    scenes: Cell<u32>,
    /// Rules with a planted mistake, and how many merges showed it.
    mistakes: [(Rule, Cell<u32>); 4],
}

impl Stage {
    fn seen(&self, line: &Line) -> Option<Seen> {
        match &line.said {
            Said::Read { by, what, .. } => Some(Seen {
                id: line.id,
                lamport: line.lamport,
                entry: Entry {
                    at: self.at,
                    by: by.clone(),
                    why: Some("because".to_owned()),
                    what: what.clone(),
                },
            }),
            Said::Unread(_) => None,
        }
    }

    fn view(&self, world: &World, held: &BTreeSet<RecordId>) -> View {
        let unreadable: Vec<Unreadable> = held
            .iter()
            .filter_map(|id| match world[id].said {
                Said::Unread(kind) => Some(Unreadable {
                    id: *id,
                    lamport: world[id].lamport,
                    kind: kind.map(str::to_owned),
                }),
                Said::Read { .. } => None,
            })
            .collect();
        let mut seen: Vec<Seen> = held.iter().filter_map(|id| self.seen(&world[id])).collect();
        seen.sort_by_key(|s| (s.lamport, s.id));
        let heading = Heading {
            document: self.plan.document_id(),
            heads: Vec::new(),
            plan: &self.plan,
            joined: &[],
            flags: &[],
        };
        View::read(heading, &seen, &unreadable, &Known(world))
    }

    fn write(scene: &mut Scene, device: usize, said: Said) {
        let past = scene.held[device].clone();
        let tag = u8::try_from(device).unwrap() + 1;
        let writer = Writer {
            device: DeviceTag([tag; 8]),
            session: Session([tag; 8]),
        };
        let mine = past.iter().filter(|id| id.writer == writer).count();
        let id = RecordId {
            writer,
            n: u32::try_from(mine).unwrap() + 1,
        };
        let highest = past.iter().map(|id| scene.world[id].lamport).max();
        let line = Line {
            id,
            lamport: highest.unwrap_or(0) + 1,
            past,
            said,
        };
        scene.world.insert(id, line);
        scene.held[device].insert(id);
    }

    fn lead_says(&self, what: Fact) -> Said {
        Said::Read {
            by: self.lead.clone(),
            why: true,
            what,
        }
    }

    fn reading(&self, scene: &Scene, device: usize) -> Reading {
        let reading = Reading::of(&self.view(&scene.world, &scene.held[device]));
        let plain = read(Rule::AsItIs, &self.plan, &scene.world, &scene.held[device]);
        assert_eq!(reading, plain);
        reading
    }

    /// What a person on the device would write, naming all that the screen shows.
    fn fact(&self, scene: &Scene, event: Event) -> Option<(usize, Fact)> {
        let shown = |device: usize| self.view(&scene.world, &scene.held[device]).safety;
        Some(match event {
            Event::Tick(d) => {
                let safety = shown(d);
                let objections = safety.items.iter().flat_map(|item| &item.objections);
                let tick = Tick {
                    item: "first_aid".to_owned(),
                    person: None,
                    clears: objections.map(|(stamp, _)| stamp.id).collect(),
                    round: safety.round,
                };
                (d, tick.into())
            }
            Event::Untick(d) => {
                let item = "first_aid".to_owned();
                (d, Untick { item, person: None }.into())
            }
            Event::Stop(d) => (d, Stop {}.into()),
            Event::Clear(d) => {
                let holding = shown(d).stops.into_iter().filter(|stop| stop.holds);
                let stops: Vec<RecordId> = holding.map(|stop| stop.stamp.id).collect();
                if stops.is_empty() {
                    return None;
                }
                (d, Clear { stops }.into())
            }
            Event::Meet(..) => return None,
        })
    }

    fn play(&self, scene: &Scene, event: Event) -> Option<Scene> {
        let mut next = scene.clone();
        if let Event::Meet(a, b) = event {
            if scene.held[a] == scene.held[b] {
                return None;
            }
            let all: BTreeSet<RecordId> = scene.held[a].union(&scene.held[b]).copied().collect();
            let parts = [scene.readings[a].clone(), scene.readings[b].clone()];
            next.held[a].clone_from(&all);
            next.held[b].clone_from(&all);
            let merged = self.reading(&next, a);
            let breach = broken(&self.plan, &next.world, &all, &parts, &merged);
            assert_eq!(breach, None);
            for (rule, caught) in &self.mistakes {
                let says = |held| read(*rule, &self.plan, &next.world, held);
                let parts = [says(&scene.held[a]), says(&scene.held[b])];
                if broken(&self.plan, &next.world, &all, &parts, &says(&all)).is_some() {
                    caught.set(caught.get() + 1);
                }
            }
            next.readings[a].clone_from(&merged);
            next.readings[b] = merged;
            self.merges.set(self.merges.get() + 1);
        } else {
            let (device, fact) = self.fact(scene, event)?;
            let wary = matches!(fact, Fact::Stop(_) | Fact::Untick(_));
            Self::write(&mut next, device, self.lead_says(fact));
            let reading = self.reading(&next, device);
            if wary {
                assert_eq!(laxer(&scene.readings[device], &reading), None);
            }
            next.readings[device] = reading;
        }
        self.scenes.set(self.scenes.get() + 1);
        Some(next)
    }

    fn explore(&self, scene: &Scene, named: usize, events_left: usize) {
        if events_left == 0 {
            return;
        }
        for event in events(named) {
            if let Some(next) = self.play(scene, event) {
                self.explore(&next, named_after(named, event), events_left - 1);
            }
        }
    }
}

#[test]
fn no_order_of_five_events_on_three_devices_lets_work_go_on_unseen() {
    let plan = r#"{"version":1,"site":"QB-03","place":"Quillet Brook","date":"2026-08-18","passes":3,"checklist":[{"item":"first_aid","words":"first-aid kit on the bank","each_person":false}]}"#;
    let stage = Stage {
        plan: Plan::from_about(plan).unwrap(),
        lead: PersonName::new("Mirelle Ashgrove").unwrap(),
        at: "2026-08-18T10:00:00-04:00".parse().unwrap(),
        merges: Cell::new(0),
        scenes: Cell::new(0),
        mistakes: [
            Rule::LastWriterWins,
            Rule::MajorityVote,
            Rule::ClearLiftsAll,
            Rule::TickIgnoresRound,
        ]
        .map(|rule| (rule, Cell::new(0))),
    };
    let nothing = read(
        Rule::AsItIs,
        &stage.plan,
        &BTreeMap::new(),
        &BTreeSet::new(),
    );
    let mut start = Scene {
        world: World::new(),
        held: Default::default(),
        readings: std::array::from_fn(|_| nothing.clone()),
    };
    // One person leads, and may use any device; all devices know it.
    let person = stage.lead.clone();
    let role = Role::Lead;
    let known: [Fact; 2] = [
        Joined {
            person: person.clone(),
        }
        .into(),
        RoleTaken { person, role }.into(),
    ];
    for fact in known {
        Stage::write(&mut start, 0, stage.lead_says(fact));
    }
    // A kind of a newer program that isn't about safety stands in nobody's way.
    Stage::write(&mut start, 0, Said::Unread(Some("photo")));
    start.held = std::array::from_fn(|_| start.held[0].clone());
    start.readings = std::array::from_fn(|device| stage.reading(&start, device));
    stage.explore(&start, 0, 5);
    // Enough to say that the search went somewhere; how far is a matter of counting the orders.
    assert!(stage.scenes.get() > 40_000, "{} scenes", stage.scenes.get());
    assert!(stage.merges.get() > 5_000, "{} merges", stage.merges.get());
    for (rule, caught) in &stage.mistakes {
        assert!(caught.get() > 0, "{rule:?} passes for right");
    }
}
