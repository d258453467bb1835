//! A crew whose devices write records apart and meet when told to.

use chrono::{DateTime, FixedOffset, TimeDelta};
use gravelbar_estimate::Headline;
use gravelbar_reduce::{PassSummary, SpeciesSummary, Summary, summarize};
use gravelbar_visit::{
    Batch, Channel, CountKind, Counter, DeviceTag, Fact, Fish, FlagKind, Joined, LengthType,
    NetEnd, NetEvent, NetState, Pack, PassClosed, PassKey, PassOpened, PersonName, Plan, RecordId,
    Role, RoleTaken, Session, Setting, Source, SpeciesName, Vector, Visit, Waveform, Writer,
};

pub(crate) const LEAD: &str = "Mirelle Ashgrove";
pub(crate) const OPERATOR: &str = "Okto Brandt";

/// Opening, close and energised seconds of the passes of the demo reach.
pub(crate) const TIMES: [(&str, &str, f64); 4] = [
    ("09:42", "10:31", 1_184.0),
    ("11:20", "12:02", 1_132.0),
    ("12:45", "13:22", 1_098.0),
    ("14:10", "14:50", 1_100.0),
];

pub(crate) struct Crew {
    pub(crate) devices: Vec<Visit>,
    /// How far each device's clock is ahead, min.
    pub(crate) ahead_min: Vec<i64>,
}

pub(crate) fn plan() -> Plan {
    Plan::from_about(
        r#"{"version":1,"site":"QB-03","place":"Quillet Brook, Lower Hollow","date":"2026-08-18","passes":3}"#,
    )
    .unwrap()
}

pub(crate) fn name(text: &str) -> PersonName {
    PersonName::new(text).unwrap()
}

pub(crate) fn species(text: &str) -> SpeciesName {
    SpeciesName::new(text).unwrap()
}

pub(crate) fn pass(text: &str) -> PassKey {
    text.parse().unwrap()
}

pub(crate) fn tag(device: usize) -> DeviceTag {
    DeviceTag([u8::try_from(device + 1).unwrap(); 8])
}

pub(crate) fn hour(text: &str) -> DateTime<FixedOffset> {
    format!("2026-08-18T{text}:00-04:00").parse().unwrap()
}

pub(crate) fn fish(pass: &PassKey, of: &str) -> Fish {
    Fish {
        pass: pass.clone(),
        species: species(of),
        length_mm: None,
        length_type: None,
        mass_g: None,
        marks: None,
        anomalies: None,
        fate: None,
        bucket: None,
    }
}

pub(crate) fn measured(pass: &PassKey, of: &str, length_mm: f64, mass_g: Option<f64>) -> Fish {
    Fish {
        length_mm: Some(length_mm),
        length_type: Some(LengthType::Total),
        mass_g,
        ..fish(pass, of)
    }
}

pub(crate) fn batch(pass: &PassKey, of: &str, n: u32) -> Batch {
    Batch {
        pass: pass.clone(),
        species: species(of),
        n,
        counted: CountKind::Counted,
        mass_g: None,
        min_mm: None,
        max_mm: None,
        mean_mm: None,
        bucket: None,
    }
}

pub(crate) fn tally(pass: &PassKey, of: &str, n: u32) -> Fact {
    gravelbar_visit::Tally {
        pass: pass.clone(),
        species: species(of),
        n,
        bucket: None,
    }
    .into()
}

pub(crate) fn setting(pack: &str, peak_v: f64) -> Setting {
    Setting {
        pack: Pack::new(pack).unwrap(),
        waveform: Waveform::PulsedDirectCurrent,
        peak_v,
        pulse_rate_hz: Some(30.0),
        pulse_width_ms: Some(4.0),
        duty_percent: Some(12.0),
        current_a: None,
        ring_mm: None,
    }
}

pub(crate) fn counter(pass: &PassKey, pack: &str, start_s: f64, end_s: f64) -> Fact {
    Counter {
        pass: pass.clone(),
        pack: Pack::new(pack).unwrap(),
        start_s,
        end_s,
        source: Source::Read,
        replaces: Vec::new(),
    }
    .into()
}

pub(crate) fn net(channel: &str, end: NetEnd, state: NetState) -> Fact {
    NetEvent {
        channel: Channel::new(channel).unwrap(),
        end,
        state,
        mesh_mm: None,
    }
    .into()
}

impl Crew {
    pub(crate) fn new(plan: &Plan, devices: usize) -> Self {
        let visit = |device| {
            let writer = Writer {
                device: tag(device),
                session: Session([1; 8]),
            };
            Visit::start(plan.clone(), writer).unwrap()
        };
        Self {
            devices: (0..devices).map(visit).collect(),
            ahead_min: vec![0; devices],
        }
    }

    /// One device in a reach with a lead, nets at both ends and an output on record.
    pub(crate) fn at_the_brook(plan: &Plan) -> Self {
        let mut crew = Self::new(plan, 1);
        crew.joins(0, LEAD, Role::Lead, "08:10");
        crew.nets_hold("main");
        crew.tell(0, OPERATOR, "09:30", vec![setting("1", 350.0).into()]);
        crew
    }

    pub(crate) fn joins(&mut self, device: usize, person: &str, role: Role, at: &str) {
        let person_name = name(person);
        let joined = Joined {
            person: person_name.clone(),
        };
        let taken = RoleTaken {
            person: person_name,
            role,
        };
        self.tell(device, person, at, vec![joined.into(), taken.into()]);
    }

    pub(crate) fn nets_hold(&mut self, channel: &str) {
        let ends = [NetEnd::Upstream, NetEnd::Downstream];
        let facts = ends.map(|end| net(channel, end, NetState::Holding));
        self.tell(0, LEAD, "08:40", facts.to_vec());
    }

    pub(crate) fn tell(
        &mut self,
        device: usize,
        by: &str,
        at: &str,
        facts: Vec<Fact>,
    ) -> Vec<RecordId> {
        self.write(device, by, at, None, facts)
    }

    pub(crate) fn tell_why(
        &mut self,
        device: usize,
        by: &str,
        at: &str,
        why: &str,
        facts: Vec<Fact>,
    ) -> Vec<RecordId> {
        self.write(device, by, at, Some(why), facts)
    }

    fn write(
        &mut self,
        device: usize,
        by: &str,
        at: &str,
        why: Option<&str>,
        facts: Vec<Fact>,
    ) -> Vec<RecordId> {
        let at = hour(at) + TimeDelta::minutes(self.ahead_min[device]);
        let mut records = Vec::new();
        // One change holds a bounded number of records; a crew never writes that many at once.
        for facts in facts.chunks(50) {
            let written = self.devices[device].record(&name(by), at, why, facts.to_vec());
            records.extend(written.unwrap().records);
        }
        records
    }

    /// Opens, fishes and closes a pass on the first device, with the seconds of [`TIMES`].
    pub(crate) fn fishes(&mut self, key: &str) {
        self.opens(key);
        self.closes(key);
    }

    pub(crate) fn opens(&mut self, key: &str) {
        let key = pass(key);
        let (opened, ..) = TIMES[usize::from(key.number) - 1];
        self.tell(0, LEAD, opened, vec![PassOpened { pass: key }.into()]);
    }

    pub(crate) fn closes(&mut self, key: &str) {
        let key = pass(key);
        let (_, closed, seconds) = TIMES[usize::from(key.number) - 1];
        let close = PassClosed { pass: key.clone() };
        self.tell(0, LEAD, closed, vec![close.into()]);
        self.tell(0, OPERATOR, closed, vec![counter(&key, "1", 0.0, seconds)]);
    }

    /// Works up fish of a pass, each with a record of its own.
    pub(crate) fn works_up(&mut self, key: &str, of: &str, n: u32) -> Vec<RecordId> {
        let key = pass(key);
        let (_, closed, _) = TIMES[usize::from(key.number) - 1];
        let facts = (0..n).map(|_| fish(&key, of).into()).collect();
        self.tell(0, LEAD, closed, facts)
    }

    /// Every device takes in what the others have.
    pub(crate) fn meet(&mut self) {
        for _ in 0..2 {
            for from in 0..self.devices.len() {
                for to in 0..self.devices.len() {
                    self.hands_over(from, to);
                }
            }
        }
    }

    /// One device takes in what another has.
    pub(crate) fn hands_over(&mut self, from: usize, to: usize) {
        let than: Vector = self.devices[to].vector().clone();
        let news = self.devices[from].missing(&than, usize::MAX, usize::MAX);
        let received = self.devices[to].receive(news.iter().map(|c| c.bytes.to_vec()).collect());
        assert!(received.refused.is_empty(), "{:?}", received.refused);
    }

    pub(crate) fn summary(&self) -> Summary {
        summarize(&self.devices[0].view())
    }
}

/// A closed reach fished pass after pass, one species, each fish a record.
pub(crate) fn series(of: &str, catch: &[u32]) -> Summary {
    let mut crew = Crew::at_the_brook(&plan());
    for (number, n) in (1..).zip(catch) {
        crew.fishes(&format!("main/{number}"));
        crew.works_up(&format!("main/{number}"), of, *n);
    }
    crew.summary()
}

pub(crate) trait Look {
    fn of(&self, species: &str) -> &SpeciesSummary;
    fn pass(&self, key: &str) -> &PassSummary;
    fn flagged(&self, kind: FlagKind) -> Vec<&str>;
}

impl Look for Summary {
    fn of(&self, species: &str) -> &SpeciesSummary {
        let found = self.species.iter().find(|s| s.species.as_str() == species);
        found.unwrap_or_else(|| panic!("no {species} in {:?}", self.species))
    }

    fn pass(&self, key: &str) -> &PassSummary {
        let found = self.passes.iter().find(|p| p.pass == pass(key));
        found.unwrap_or_else(|| panic!("no pass {key}"))
    }

    fn flagged(&self, kind: FlagKind) -> Vec<&str> {
        (self.flags.iter())
            .filter(|f| f.kind == kind)
            .map(|f| f.words.as_str())
            .collect()
    }
}

/// Number and half-width of an estimate, the latter rounded to one decimal.
pub(crate) fn figures(headline: &Headline) -> (u64, Option<f64>) {
    let width = headline.half_width_95_fish;
    (headline.n_fish, width.map(|w| (w * 10.0).round() / 10.0))
}

pub(crate) fn estimate(species: &SpeciesSummary) -> (u64, Option<f64>) {
    figures(
        species
            .removal
            .headline()
            .unwrap_or_else(|| panic!("no estimate: {}", species.removal.verdict)),
    )
}
