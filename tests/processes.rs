//! Five devices as five processes on real sockets, killed without warning while the story is
//! recorded through their doors.
//!
//! What must hold: an act that was answered is on disk, in full and once, whatever happens to the
//! process afterwards or while it answered. So the same act is sent again after a kill, as a
//! screen does, and must count once.

use std::collections::{BTreeMap, BTreeSet};
use std::time::{Duration, Instant};

use gravelbar_crew::demo::{Labels, Line, Stage, Story, story};
use gravelbar_store::Store;
use gravelbar_tests::program::{Answer, Program};
use gravelbar_visit::{RecordId, Visit, Writer};
use serde_json::{Value, json};

/// A merge, or a device's return, that takes longer has failed.
const MERGE_WITHIN: Duration = Duration::from_secs(90);

/// Each device is killed so often.
const KILLS: usize = 2;

/// Where the random moments come from; printed, so that a run can be had again.
fn seed() -> u64 {
    match std::env::var("GRAVELBAR_SEED") {
        Ok(seed) => seed.parse().expect("GRAVELBAR_SEED is a number"),
        Err(_) => 0x51_7e_ed,
    }
}

/// Xorshift64*.
struct Dice(u64);

impl Dice {
    fn roll(&mut self, most: usize) -> usize {
        self.0 ^= self.0 >> 12;
        self.0 ^= self.0 << 25;
        self.0 ^= self.0 >> 27;
        let number = self.0.wrapping_mul(0x2545_f491_4f6c_dd1d) >> 33;
        usize::try_from(number).expect("31 bits") % most
    }
}

struct Crew {
    programs: BTreeMap<char, Program>,
    visit: String,
    labels: Labels,
    /// Records answered for.
    answered: BTreeSet<RecordId>,
}

fn words(answer: &Answer) -> String {
    let said: Value = serde_json::from_str(&answer.body).unwrap_or_default();
    let words = said["words"].as_str().unwrap_or(&answer.body);
    format!("{} {words}", answer.status)
}

impl Crew {
    fn path(&self, of: &str) -> String {
        format!("/v/{}/{of}", self.visit)
    }

    /// Sends one act until it is answered. With `kill`, the process is killed while the act is on
    /// its way, so that nobody knows whether it arrived.
    fn act(
        &mut self,
        device: char,
        path: &str,
        act: &Value,
        kill: Option<Duration>,
    ) -> Vec<RecordId> {
        if let Some(after) = kill {
            let program = &self.programs[&device];
            let process = program.process().expect("it runs").to_string();
            std::thread::scope(|scope| {
                scope.spawn(|| program.post(path, act).ok());
                std::thread::sleep(after);
                let killed = std::process::Command::new("kill")
                    .args(["-9", &process])
                    .status();
                assert!(
                    killed.expect("kill").success(),
                    "{device} could not be killed"
                );
            });
            let program = self.programs.get_mut(&device).expect("a device");
            program.kill();
            program.start();
        }
        let begun = Instant::now();
        loop {
            let answer = self.programs[&device].post(path, act).expect("an answer");
            if answer.status == 200 {
                let saved: Value = serde_json::from_str(&answer.body).expect("what was saved");
                let records = saved["records"].as_array().expect("records").iter();
                let records: Vec<RecordId> = records
                    .map(|id| {
                        id.as_str()
                            .and_then(|id| id.parse().ok())
                            .expect("a record id")
                    })
                    .collect();
                self.answered.extend(&records);
                return records;
            }
            // It may name a record that has not come in yet.
            let words = words(&answer);
            assert!(
                words.contains("isn't on this device yet"),
                "{device} {path}: {words}\n{act}"
            );
            assert!(begun.elapsed() < MERGE_WITHIN, "{device}: {words}");
            std::thread::sleep(Duration::from_millis(50));
        }
    }

    fn post(&self, device: char, path: &str, body: &Value) -> Value {
        let answer = self.programs[&device].post(path, body).expect("an answer");
        assert_eq!(answer.status, 200, "{device} {path}: {}", answer.body);
        serde_json::from_str(&answer.body).expect("an answer in JSON")
    }

    /// The summary on which all devices agree.
    fn merged(&self) -> String {
        let begun = Instant::now();
        loop {
            let shown: BTreeSet<String> = self
                .programs
                .values()
                .map(|p| p.get(&self.path("summary.json")).expect("a summary").body)
                .collect();
            if shown.len() == 1 {
                return shown.into_iter().next().expect("one");
            }
            assert!(begun.elapsed() < MERGE_WITHIN, "the devices didn't merge");
            std::thread::sleep(Duration::from_millis(100));
        }
    }
}

/// Lines of the story at which a device is killed, and how long after the act was sent.
fn moments(story: &Story, dice: &mut Dice) -> BTreeMap<usize, Duration> {
    let mut moments = BTreeMap::new();
    for device in story.devices.keys() {
        let mut own: Vec<usize> = (story.lines.iter().enumerate())
            .filter(|(_, line)| matches!(line, Line::Step(step) if step.device == *device))
            .map(|(number, _)| number)
            .collect();
        for _ in 0..KILLS {
            let number = own.swap_remove(dice.roll(own.len()));
            let after = u64::try_from(dice.roll(12_000)).expect("few");
            moments.insert(number, Duration::from_micros(after));
        }
    }
    moments
}

#[test]
fn five_processes_killed_at_random_moments_lose_nothing_that_was_answered() {
    let seed = seed();
    println!("GRAVELBAR_SEED={seed}");
    let mut dice = Dice(seed | 1);
    let story = story().expect("the story reads");
    let home = tempfile::tempdir().expect("a folder");

    let mut programs = BTreeMap::new();
    for (letter, hand) in &story.devices {
        let mut program = Program::new(home.path().join(letter.to_string()), &hand.name);
        program.start();
        programs.insert(*letter, program);
    }
    let mut crew = Crew {
        programs,
        visit: String::new(),
        labels: Labels::default(),
        answered: BTreeSet::new(),
    };
    let started = crew.post('A', "/start", &json!({ "plan_text": story.plan.about() }));
    let next = started["next"].as_str().expect("where to go next");
    crew.visit = next.split('/').nth(2).expect("the visit").to_owned();
    for (letter, hand) in &story.devices {
        if *letter != 'A' {
            let invited = crew.post('A', &crew.path("invite"), &json!({}));
            crew.post(*letter, "/join", &invited);
        }
        let held = json!({ "tap_id": format!("held-by-{letter}"), "person": hand.holder });
        crew.post(*letter, &crew.path("be"), &held);
    }

    let kills = moments(&story, &mut dice);
    println!("killed at lines {kills:?}");
    for (number, line) in story.lines.iter().enumerate() {
        match line {
            Line::Step(step) => {
                let facts = step.facts(&crew.labels).expect("labels are known");
                let act = json!({
                    "tap_id": format!("step-{number}-of-{}", step.device),
                    "by": step.by, "at": step.at, "why": step.why, "facts": facts,
                });
                let kill = kills.get(&number).copied();
                let records = crew.act(step.device, &crew.path("act"), &act, kill);
                assert_eq!(records.len(), facts.len());
                if let Some(label) = &step.label {
                    crew.labels.put(label, records);
                }
            }
            Line::Stage(Stage::Sign(sign)) => {
                crew.merged();
                let act = json!({
                    "tap_id": format!("sign-{number}"),
                    "by": sign.by, "at": sign.at, "why": sign.why,
                });
                let records = crew.act(sign.device, &crew.path("signature"), &act, None);
                if let Some(label) = &sign.label {
                    crew.labels.put(label, records);
                }
            }
            Line::Stage(_) => {}
        }
    }

    // Equal to the byte, and the invented scenario's own totals: 327 fish, 329 taps.
    let summary: Value = serde_json::from_str(&crew.merged()).expect("a summary");
    assert_eq!(summary["worked_up"], 327);
    assert_eq!(summary["tallied"], 329);

    // What was answered is on every device's disk.
    for (letter, program) in &mut crew.programs {
        program.kill();
        let stored = stored(program, &crew.visit);
        let missing: Vec<&RecordId> = crew.answered.difference(&stored).collect();
        assert!(missing.is_empty(), "device {letter} lost {missing:?}");
    }
    assert!(crew.answered.len() > 450, "{}", crew.answered.len());
}

/// The records of the visit in a device's data folder.
fn stored(program: &Program, visit: &str) -> BTreeSet<RecordId> {
    let folder = program.folder();
    let witness = folder.join("device.witness");
    let store = Store::open(&folder.join("device"), Some(&witness)).expect("the store opens");
    assert!(store.opened().damaged.is_empty(), "{:?}", store.opened());
    let documents = store.documents().expect("documents");
    let found = documents
        .iter()
        .find(|d| gravelbar_visit::DocumentId(d.id).to_string() == visit);
    let document = found.expect("the visit is in the store");
    let log = store.log(document.id).expect("its log");
    let writer = Writer::from_bytes([9; 16]);
    let (visit, received) =
        Visit::restore(&document.about, writer, log.changes).expect("the visit opens");
    assert!(received.refused.is_empty(), "{:?}", received.refused);
    visit.records().iter().map(|seen| seen.id).collect()
}
