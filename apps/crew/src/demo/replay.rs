//! The story played in memory: one visit per device, no disk, no network, no waiting.

use std::collections::{BTreeMap, BTreeSet};

use gravelbar_visit::{
    ClockOffset, Device, DeviceHeld, DeviceTag, Fact, PersonName, Session, Visit, Writer,
};

use super::labels::Labels;
use super::story::{Letter, Line, SpareVisit, Stage, Step, Story, StoryError};

/// Changes asked for at once; more than any visit here has.
const ALL: usize = usize::MAX;

/// How far off the clocks' measured offsets may be, ms.
const UNCERTAINTY_MS: i64 = 5;

/// The devices of a story, each with what it has recorded and heard so far.
///
/// A device hears all devices in its reach before it records something; within reach nothing takes
/// time here. Ids are the same in every run.
pub struct Replay<'a> {
    story: &'a Story,
    visits: BTreeMap<Letter, Visit>,
    spare: Option<Visit>,
    groups: Vec<BTreeSet<Letter>>,
    labels: Labels,
}

fn tag(letter: Letter) -> DeviceTag {
    DeviceTag([u8::try_from(letter).unwrap_or(b'?'); 8])
}

fn writer(letter: Letter, run: u8) -> Writer {
    Writer {
        device: tag(letter),
        session: Session([run; 8]),
    }
}

impl<'a> Replay<'a> {
    /// All devices with the visit open, listed, in their holders' hands and their clocks compared,
    /// before the first line.
    ///
    /// # Errors
    ///
    /// [`StoryError`] when the plan can't be used or the story has no line with a time.
    pub fn new(story: &'a Story) -> Result<Self, StoryError> {
        let mut replay = Self {
            story,
            visits: BTreeMap::new(),
            spare: None,
            groups: vec![story.devices.keys().copied().collect()],
            labels: Labels::default(),
        };
        for letter in story.devices.keys() {
            let visit = Visit::start(story.plan.clone(), writer(*letter, 1))
                .map_err(|error| replay.failed(*letter, &error))?;
            replay.visits.insert(*letter, visit);
        }
        for (letter, hand) in &story.devices {
            let others = story.devices.iter().filter(|(other, _)| *other > letter);
            let clocks = others.filter(|(_, other)| other.ahead_min != hand.ahead_min);
            let mut facts: Vec<Fact> = vec![
                Device {
                    tag: tag(*letter),
                    key: format!("{:02x}", u32::from(*letter)).repeat(32),
                    name: hand.name.clone(),
                }
                .into(),
                DeviceHeld {
                    tag: tag(*letter),
                    person: hand.holder.clone(),
                }
                .into(),
            ];
            for (other, theirs) in clocks {
                let measured = ClockOffset {
                    tag: tag(*other),
                    offset_ms: (theirs.ahead() - hand.ahead()).num_milliseconds(),
                    uncertainty_ms: UNCERTAINTY_MS,
                };
                facts.push(measured.into());
            }
            replay.record(*letter, &hand.holder, replay.begin(*letter), None, facts)?;
        }
        Ok(replay)
    }

    /// The time of the first step, on a device's clock.
    fn begin(&self, letter: Letter) -> chrono::DateTime<chrono::FixedOffset> {
        let first = self.story.lines.iter().find_map(|line| match line {
            Line::Step(step) => Some(step.at),
            Line::Stage(_) => None,
        });
        let ahead = self.story.devices.get(&letter).map(super::Hand::ahead);
        first.unwrap_or_default() + ahead.unwrap_or_default()
    }

    fn failed(&self, device: Letter, why: &impl ToString) -> StoryError {
        StoryError::Step {
            at: self.begin(device),
            device,
            why: why.to_string(),
        }
    }

    /// Plays one line.
    ///
    /// # Errors
    ///
    /// [`StoryError`] when a record is refused or a device is unknown.
    pub fn play(&mut self, line: &Line) -> Result<(), StoryError> {
        match line {
            Line::Step(step) => self.step(step),
            Line::Stage(Stage::Apart(groups)) => {
                self.set_groups(groups.iter().map(|g| g.iter().copied().collect()).collect());
                Ok(())
            }
            Line::Stage(Stage::Together(_)) => {
                self.set_groups(vec![self.story.devices.keys().copied().collect()]);
                Ok(())
            }
            Line::Stage(Stage::SpareVisit(spare)) => self.start_spare(spare),
            Line::Stage(Stage::Sign(sign)) => {
                self.hear(sign.device);
                let visit = self.visit(sign.device)?;
                let facts = vec![visit.signature(Vec::new()).into()];
                let records =
                    self.record(sign.device, &sign.by, sign.at, sign.why.as_deref(), facts)?;
                if let Some(label) = &sign.label {
                    self.labels.put(label, records);
                }
                Ok(())
            }
            Line::Stage(Stage::Devices(_) | Stage::Say(_) | Stage::ReadAloud(_)) => Ok(()),
        }
    }

    fn step(&mut self, step: &Step) -> Result<(), StoryError> {
        self.hear(step.device);
        let facts = step.facts(&self.labels)?;
        let records = self.record(step.device, &step.by, step.at, step.why.as_deref(), facts)?;
        if let Some(label) = &step.label {
            self.labels.put(label, records);
        }
        Ok(())
    }

    fn start_spare(&mut self, spare: &SpareVisit) -> Result<(), StoryError> {
        let refused = |why: String| StoryError::Step {
            at: spare.at,
            device: spare.device,
            why,
        };
        let plan = spare.plan(&self.story.plan);
        let mut visit =
            Visit::start(plan, writer(spare.device, 2)).map_err(|e| refused(e.to_string()))?;
        visit
            .record(&spare.by, spare.at, None, spare.facts()?)
            .map_err(|e| refused(e.to_string()))?;
        self.spare = Some(visit);
        Ok(())
    }

    fn record(
        &mut self,
        device: Letter,
        by: &PersonName,
        at: chrono::DateTime<chrono::FixedOffset>,
        why: Option<&str>,
        facts: Vec<Fact>,
    ) -> Result<Vec<gravelbar_visit::RecordId>, StoryError> {
        let visit = self
            .visits
            .get_mut(&device)
            .ok_or(StoryError::UnknownDevice(device))?;
        let written = visit
            .record(by, at, why, facts)
            .map_err(|error| StoryError::Step {
                at,
                device,
                why: error.to_string(),
            })?;
        Ok(written.records)
    }

    /// Before they go apart, devices in reach have heard each other.
    fn set_groups(&mut self, groups: Vec<BTreeSet<Letter>>) {
        self.meet();
        self.groups = groups;
    }

    /// Every device hears all devices in its reach.
    pub fn meet(&mut self) {
        for device in self.visits.keys().copied().collect::<Vec<_>>() {
            self.hear(device);
        }
    }

    /// A device hears all devices in its reach.
    fn hear(&mut self, device: Letter) {
        let in_reach: Vec<Letter> = self
            .groups
            .iter()
            .filter(|group| group.contains(&device))
            .flatten()
            .copied()
            .filter(|other| *other != device)
            .collect();
        let Some(mut visit) = self.visits.remove(&device) else {
            return;
        };
        for other in in_reach {
            if let Some(other) = self.visits.get(&other) {
                let missing = other.missing(visit.vector(), ALL, ALL);
                if !missing.is_empty() {
                    visit.receive(missing.iter().map(|c| c.bytes.to_vec()).collect());
                }
            }
        }
        self.visits.insert(device, visit);
    }

    /// A device's copy of the visit, as far as it has heard the others.
    ///
    /// # Errors
    ///
    /// [`StoryError::UnknownDevice`].
    pub fn visit(&self, device: Letter) -> Result<&Visit, StoryError> {
        self.visits
            .get(&device)
            .ok_or(StoryError::UnknownDevice(device))
    }

    /// The visit that was started twice.
    #[must_use]
    pub fn spare(&self) -> Option<&Visit> {
        self.spare.as_ref()
    }

    /// A labelled record.
    #[must_use]
    pub fn labelled(&self, label: &str) -> Option<gravelbar_visit::RecordId> {
        self.labels.record(label)
    }
}

/// Plays the whole story and returns what device A, the lead's, holds at its end.
///
/// # Errors
///
/// [`StoryError`].
pub fn replay(story: &Story) -> Result<Visit, StoryError> {
    let mut replay = Replay::new(story)?;
    for line in &story.lines {
        replay.play(line)?;
    }
    replay.meet();
    replay
        .visits
        .remove(&'A')
        .ok_or(StoryError::UnknownDevice('A'))
}
