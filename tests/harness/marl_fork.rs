//! A warm-water visit of the largest size expected, as load for tests and benches: Marl Fork,
//! invented, one pass, two packs abreast, seven people, five devices, 2,316 fish of 27 species.
//!
//! The same call gives the same records in every run. Numbers of fish are the scenario's; lengths,
//! masses and moments are drawn, and mean nothing.

use std::sync::OnceLock;

use chrono::{DateTime, FixedOffset, TimeDelta};
use gravelbar_visit::{
    Amend, Batch, Bucket, BucketLabel, BucketMoment, Channel, CountKind, Counter, Device,
    DeviceHeld, DeviceTag, Escape, Fact, FieldValue, Fish, Joined, LengthType, NetEnd, NetEvent,
    NetState, Pack, PassClosed, PassKey, PassOpened, PersonName, Plan, ReachLength, Role,
    RoleTaken, Session, Setting, Source, SpeciesName, Tally, Tick, Undo, Visit, Water, WaterPlace,
    Waveform, Width, Writer,
};

/// Species and fish of the scenario, commonest first.
pub const CATCH: [(&str, u32); 27] = [
    ("central stoneroller", 486),
    ("bluntnose minnow", 351),
    ("sand shiner", 203),
    ("striped shiner", 168),
    ("creek chub", 142),
    ("spotfin shiner", 121),
    ("common shiner", 97),
    ("rainbow darter", 96),
    ("longear sunfish", 74),
    ("johnny darter", 66),
    ("silverjaw minnow", 64),
    ("green sunfish", 61),
    ("white sucker", 58),
    ("fantail darter", 58),
    ("northern hog sucker", 47),
    ("greenside darter", 43),
    ("rock bass", 38),
    ("bluegill", 27),
    ("smallmouth bass", 23),
    ("golden redhorse", 19),
    ("logperch", 18),
    ("stonecat", 14),
    ("fathead minnow", 12),
    ("mottled sculpin", 11),
    ("yellow bullhead", 9),
    ("black redhorse", 6),
    ("largemouth bass", 4),
];

/// Sport fish: every one is measured.
const SPORT: [&str; 7] = [
    "longear sunfish",
    "green sunfish",
    "rock bass",
    "bluegill",
    "smallmouth bass",
    "yellow bullhead",
    "largemouth bass",
];

/// Of the others so many are measured, the rest is counted and weighed together.
const MEASURED: u32 = 25;

/// Fish in a bucket, and in a lot on the balance.
const LOT: u32 = 25;

/// The crew, and the device each writes on.
const CREW: [(&str, usize, Role); 7] = [
    ("Mirelle Ashgrove", 0, Role::Lead),
    ("Hollis Fenn", 1, Role::Netter),
    ("Ilse Varnholt", 2, Role::Netter),
    ("Sabine Quell", 3, Role::Recorder),
    ("Rook Amberly", 4, Role::Recorder),
    ("Okto Brandt", 0, Role::Operator),
    ("Dov Kestrelow", 3, Role::SafetyLead),
];

/// The three who net, by place in [`CREW`].
const NETTERS: [usize; 3] = [0, 1, 2];

/// The two who write at a station, by place in [`CREW`].
const STATIONS: [usize; 2] = [3, 4];

const DEVICES: usize = 5;

/// Xorshift64*.
struct Dice(u64);

impl Dice {
    fn roll(&mut self, most: u32) -> u32 {
        self.0 ^= self.0 >> 12;
        self.0 ^= self.0 << 25;
        self.0 ^= self.0 >> 27;
        let drawn = self.0.wrapping_mul(0x2545_f491_4f6c_dd1d) >> 33;
        u32::try_from(drawn % u64::from(most.max(1))).unwrap_or(0)
    }

    fn one_in(&mut self, many: u32) -> bool {
        self.roll(many) == 0
    }
}

/// The plan.
///
/// # Panics
///
/// When the demo's plan can't be read.
#[must_use]
pub fn plan() -> Plan {
    let text = include_str!("../../demo/marl-fork/plan.json");
    Plan::from_about(text).unwrap_or_else(|e| panic!("{e}"))
}

/// The whole visit as the lead's device holds it, with `scale` times the scenario's fish: about
/// 4,000 records for each. Devices hear each other whenever a bucket reaches the bank.
///
/// # Panics
///
/// When a record is refused: the scenario is wrong then.
#[must_use]
pub fn marl_fork(scale: u32) -> Visit {
    let mut load = Load::begin();
    load.before();
    for round in 0..scale {
        load.fish(round);
    }
    load.after();
    load.meet();
    let mut visits = load.visits;
    visits.swap_remove(0)
}

/// The five devices' copies of [`marl_fork`] if none had heard another since the fishing began.
///
/// # Panics
///
/// As [`marl_fork`].
#[must_use]
pub fn marl_fork_apart(scale: u32) -> Vec<Visit> {
    let mut load = Load::begin();
    load.before();
    load.meet();
    load.alone = true;
    for round in 0..scale {
        load.fish(round);
    }
    load.after();
    load.visits
}

struct Load {
    visits: Vec<Visit>,
    dice: Dice,
    at: DateTime<FixedOffset>,
    alone: bool,
}

fn writer(device: usize) -> Writer {
    let letter = b'A' + u8::try_from(device).unwrap_or(0);
    Writer {
        device: DeviceTag([letter; 8]),
        session: Session([1; 8]),
    }
}

fn name(text: &str) -> SpeciesName {
    SpeciesName::new(text).unwrap_or_else(|e| panic!("{e}"))
}

fn person(who: usize) -> PersonName {
    PersonName::new(CREW[who].0).unwrap_or_else(|e| panic!("{e}"))
}

fn pass() -> PassKey {
    PassKey::main(1)
}

impl Load {
    fn begin() -> Self {
        let visits = (0..DEVICES).map(|device| Visit::start(plan(), writer(device)));
        let at = DateTime::parse_from_rfc3339("2026-07-22T08:00:00-04:00");
        Self {
            visits: visits
                .map(|v| v.unwrap_or_else(|e| panic!("{e}")))
                .collect(),
            dice: Dice(0x6d61_726c),
            at: at.unwrap_or_else(|e| panic!("{e}")),
            alone: false,
        }
    }

    /// One record by one person, a few seconds after the one before.
    fn write(&mut self, who: usize, fact: impl Into<Fact>) -> gravelbar_visit::RecordId {
        self.write_because(who, None, fact)
    }

    fn write_because(
        &mut self,
        who: usize,
        why: Option<&str>,
        fact: impl Into<Fact>,
    ) -> gravelbar_visit::RecordId {
        self.at += TimeDelta::milliseconds(i64::from(500 + self.dice.roll(9_000)));
        let written = self.visits[CREW[who].1]
            .record(&person(who), self.at, why, vec![fact.into()])
            .unwrap_or_else(|e| panic!("{e}"));
        written.records[0]
    }

    /// Every device hears every other.
    fn meet(&mut self) {
        for hearing in 0..DEVICES {
            for heard in 0..DEVICES {
                let than = self.visits[hearing].vector().clone();
                let missing = self.visits[heard].missing(&than, usize::MAX, usize::MAX);
                let missing = missing.iter().map(|change| change.bytes.to_vec());
                self.visits[hearing].receive(missing.collect());
            }
        }
    }

    /// Crew, checks, reach, water, output.
    fn before(&mut self) {
        for (place, (_, device, role)) in CREW.into_iter().enumerate() {
            self.write(
                0,
                Joined {
                    person: person(place),
                },
            );
            if CREW.iter().position(|c| c.1 == device) == Some(place) {
                let tag = writer(device).device;
                self.write(
                    place,
                    Device {
                        tag,
                        key: tag.0.map(|b| format!("{b:02x}")).concat().repeat(4),
                        name: format!("device {}", device + 1),
                    },
                );
                let held = DeviceHeld {
                    tag,
                    person: person(place),
                };
                self.write(place, held);
            }
            let taken = RoleTaken {
                person: person(place),
                role,
            };
            self.write(place, taken);
        }
        for line in plan().checklist {
            let ticking = if line.each_person {
                0..CREW.len()
            } else {
                0..1
            };
            for who in ticking {
                let tick = Tick {
                    item: line.item.clone(),
                    person: line.each_person.then(|| person(who)),
                    clears: Vec::new(),
                    round: Vec::new(),
                };
                self.write(who, tick);
            }
        }
        for end in [NetEnd::Downstream, NetEnd::Upstream] {
            self.net(end, NetState::Holding);
        }
        let length = ReachLength {
            channel: Channel::main(),
            length_m: 180.0,
            replaces: Vec::new(),
        };
        self.write(0, length);
        for width_m in [8.8, 9.0, 9.4, 9.6, 9.2, 9.1, 9.3, 8.9, 9.5, 9.2] {
            let channel = Channel::main();
            self.write(0, Width { channel, width_m });
        }
        self.water(WaterPlace::Stream, 24.1);
        for pack in ["L", "R"] {
            let setting = Setting {
                pack: Pack::new(pack).unwrap_or_else(|e| panic!("{e}")),
                waveform: Waveform::PulsedDirectCurrent,
                peak_v: 160.0,
                pulse_rate_hz: Some(60.0),
                pulse_width_ms: None,
                duty_percent: Some(20.0),
                current_a: None,
                ring_mm: None,
            };
            self.write(5, setting);
        }
        self.write(0, PassOpened { pass: pass() });
    }

    fn net(&mut self, end: NetEnd, state: NetState) {
        let event = NetEvent {
            channel: Channel::main(),
            end,
            state,
            mesh_mm: None,
        };
        self.write(1, event);
    }

    fn water(&mut self, place: WaterPlace, temperature_c: f64) {
        let stream = place == WaterPlace::Stream;
        let water = Water {
            place,
            temperature_c: Some(temperature_c),
            ambient_us_cm: stream.then_some(520.0),
            specific_us_cm: None,
            oxygen_mg_l: Some(7.2),
            ph: None,
            turbidity_ntu: None,
            flow_m3_s: None,
        };
        self.write(6, water);
    }

    /// The scenario's fish once: netted one by one as they come, worked up bucket by bucket at two
    /// stations while netting goes on.
    fn fish(&mut self, round: u32) {
        let mut swimming: Vec<usize> = (CATCH.iter().enumerate())
            .flat_map(|(species, (_, n))| std::iter::repeat_n(species, *n as usize))
            .collect();
        let mut measured = [0; CATCH.len()];
        let mut waiting = [0; CATCH.len()];
        let mut bucket = 0;
        while !swimming.is_empty() {
            let label = format!("{}-{bucket}", round + 1);
            let label = BucketLabel::new(&label).unwrap_or_else(|e| panic!("{e}"));
            let mut netted = Vec::new();
            let who = NETTERS[self.dice.roll(3) as usize];
            self.moment(who, &label, BucketMoment::FirstFish);
            while netted.len() < LOT as usize && !swimming.is_empty() {
                let most = u32::try_from(swimming.len()).unwrap_or(1);
                let species = swimming.swap_remove(self.dice.roll(most) as usize);
                self.tap(species, &label);
                netted.push(species);
            }
            self.moment(who, &label, BucketMoment::HandedOver);
            if !self.alone {
                self.meet();
            }
            let station = STATIONS[bucket % 2];
            for species in netted {
                let (name, _) = CATCH[species];
                if SPORT.contains(&name) || measured[species] < MEASURED {
                    measured[species] += 1;
                    self.measure(station, species, &label);
                } else {
                    waiting[species] += 1;
                    if waiting[species] == LOT {
                        self.weigh(station, species, LOT, &label);
                        waiting[species] = 0;
                    }
                }
            }
            self.moment(station, &label, BucketMoment::Emptied);
            if bucket % 3 == 0 {
                let tenths = f64::from(self.dice.roll(20));
                self.water(WaterPlace::LiveCar, 23.5 + tenths / 10.0);
            }
            bucket += 1;
        }
        let last = format!("{}-last", round + 1);
        let last = BucketLabel::new(&last).unwrap_or_else(|e| panic!("{e}"));
        for (species, n) in waiting.into_iter().enumerate() {
            if n > 0 {
                self.weigh(STATIONS[0], species, n, &last);
            }
        }
    }

    fn moment(&mut self, who: usize, label: &BucketLabel, moment: BucketMoment) {
        let bucket = Bucket {
            label: label.clone(),
            pass: pass(),
            moment,
        };
        self.write(who, bucket);
    }

    /// One fish, one tap; now and then a slip that is taken back, or a fish that gets away.
    fn tap(&mut self, species: usize, label: &BucketLabel) {
        let who = NETTERS[self.dice.roll(3) as usize];
        let planned = name(CATCH[species].0);
        let group = plan_group(&planned);
        let tally = |species: SpeciesName| Tally {
            pass: pass(),
            species,
            n: 1,
            bucket: Some(label.clone()),
        };
        if self.dice.one_in(30) {
            let slip = self.write(who, tally(name("creek chub")));
            self.write(who, Undo { of: slip });
        }
        if self.dice.one_in(12) {
            let escape = Escape {
                pass: pass(),
                species: group.clone(),
                n: 1,
            };
            self.write(who, escape);
        }
        self.write(who, tally(group));
    }

    /// One fish on the board; one in twenty is put right afterwards.
    fn measure(&mut self, station: usize, species: usize, label: &BucketLabel) {
        let length_mm = f64::from(40 + self.dice.roll(160));
        let spread = 0.9 + f64::from(self.dice.roll(20)) / 100.0;
        // About the mass of a fish of its length, for the look of it.
        let mass_g = (1.05e-5 * length_mm.powi(3) * spread * 10.0).round() / 10.0;
        let fish = Fish {
            pass: pass(),
            species: name(CATCH[species].0),
            length_mm: Some(length_mm),
            length_type: Some(LengthType::Total),
            mass_g: Some(mass_g),
            marks: None,
            anomalies: None,
            fate: None,
            bucket: Some(label.clone()),
        };
        let fish = self.write(station, fish);
        if self.dice.one_in(20) {
            let amend = Amend {
                of: vec![fish],
                set: FieldValue::LengthMm(length_mm + 1.0),
                replaces: Vec::new(),
                scope: None,
            };
            self.write_because(station, Some("board read again"), amend);
        }
    }

    /// Fish counted and weighed together.
    fn weigh(&mut self, station: usize, species: usize, n: u32, label: &BucketLabel) {
        let batch = Batch {
            pass: pass(),
            species: name(CATCH[species].0),
            n,
            counted: CountKind::Counted,
            mass_g: Some(f64::from(n) * (1.0 + f64::from(self.dice.roll(60)) / 10.0)),
            min_mm: Some(35.0),
            max_mm: Some(f64::from(60 + self.dice.roll(60))),
            mean_mm: None,
            bucket: Some(label.clone()),
        };
        self.write(station, batch);
    }

    /// The counters, and the nets out.
    fn after(&mut self) {
        self.write(0, PassClosed { pass: pass() });
        for (pack, end_s) in [("L", 3_410.0), ("R", 3_286.0)] {
            let counter = Counter {
                pass: pass(),
                pack: Pack::new(pack).unwrap_or_else(|e| panic!("{e}")),
                start_s: 0.0,
                end_s,
                source: Source::Read,
                replaces: Vec::new(),
            };
            self.write(5, counter);
        }
        for end in [NetEnd::Downstream, NetEnd::Upstream] {
            self.net(end, NetState::Lifted);
        }
    }
}

/// The name netters tap for a species.
fn plan_group(species: &SpeciesName) -> SpeciesName {
    static PLAN: OnceLock<Plan> = OnceLock::new();
    PLAN.get_or_init(plan).tallied_as(species).clone()
}
