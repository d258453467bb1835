//! The demo's story as data: stage directions and steps, read from lines that people can read too.

use std::collections::BTreeMap;

use chrono::{DateTime, FixedOffset, TimeDelta};
use gravelbar_visit::{Fact, PersonName, Plan};
use serde::Deserialize;
use serde_json::Value;

use super::labels::{Labels, UnknownLabel};

/// A device of the story, by its letter.
pub type Letter = char;

/// An invented visit and what happens in it, line by line.
#[derive(Debug, Clone)]
pub struct Story {
    /// What every device knows beforehand.
    pub plan: Plan,
    /// Who holds which device.
    pub devices: BTreeMap<Letter, Hand>,
    /// What happens, in order.
    pub lines: Vec<Line>,
}

/// A device in someone's hand.
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Hand {
    /// What the crew calls it.
    pub name: String,
    /// Who holds it.
    pub holder: PersonName,
    /// How far its clock is ahead, min.
    #[serde(default)]
    pub ahead_min: i64,
}

impl Hand {
    /// How far its clock is ahead.
    #[must_use]
    pub fn ahead(&self) -> TimeDelta {
        TimeDelta::try_minutes(self.ahead_min).unwrap_or_default()
    }
}

/// One line of the story.
#[derive(Debug, Clone, Deserialize)]
#[serde(untagged)]
pub enum Line {
    /// Someone records something.
    Step(Step),
    /// Something else happens.
    Stage(Stage),
}

/// Someone records something on a device.
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Step {
    /// The device's clock, fast or slow as it is.
    pub at: DateTime<FixedOffset>,
    /// On which device.
    pub device: Letter,
    /// Who.
    pub by: PersonName,
    /// Why, where a reason is asked for.
    #[serde(default)]
    pub why: Option<String>,
    /// A name by which later lines mean these records.
    #[serde(rename = "as", default)]
    pub label: Option<String>,
    /// The records, where "$label" stands for the id of a record of an earlier line and
    /// "$label.2" for that of its second.
    facts: Vec<Value>,
}

impl Step {
    /// The records with their labels replaced by ids.
    ///
    /// # Errors
    ///
    /// [`StoryError`] when a label isn't known or a record can't be read.
    pub fn facts(&self, labels: &Labels) -> Result<Vec<Fact>, StoryError> {
        facts(&self.facts, labels).map_err(|why| StoryError::Step {
            at: self.at,
            device: self.device,
            why,
        })
    }

    /// Whether it says something about records of others, which must have been heard by then.
    #[must_use]
    pub fn names_others(&self) -> bool {
        self.facts.iter().any(super::labels::names_any)
    }
}

fn facts(values: &[Value], labels: &Labels) -> Result<Vec<Fact>, String> {
    values
        .iter()
        .map(|value| {
            let value = labels
                .resolve(value)
                .map_err(|error: UnknownLabel| error.to_string())?;
            serde_json::from_value(value).map_err(|error| error.to_string())
        })
        .collect()
}

/// What happens beside the records.
#[derive(Debug, Clone, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Stage {
    /// The devices, and who holds them. The first line.
    Devices(BTreeMap<Letter, Hand>),
    /// Told to whoever watches.
    Say(String),
    /// Devices of one group hear each other, devices of two groups don't.
    Apart(Vec<Vec<Letter>>),
    /// All devices hear each other.
    Together(bool),
    /// Someone starts the same visit a second time.
    SpareVisit(SpareVisit),
    /// Someone signs what a device holds.
    Sign(SignLine),
    /// The totals are read aloud, once all devices hold the same.
    ReadAloud(bool),
}

/// A second record of the same site and day.
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SpareVisit {
    /// On which device.
    pub device: Letter,
    /// Its clock.
    pub at: DateTime<FixedOffset>,
    /// Who.
    pub by: PersonName,
    /// What keeps the two apart.
    pub nonce: String,
    facts: Vec<Value>,
}

impl SpareVisit {
    /// Its plan.
    #[must_use]
    pub fn plan(&self, plan: &Plan) -> Plan {
        Plan {
            nonce: self.nonce.clone(),
            ..plan.clone()
        }
    }

    /// Its records.
    ///
    /// # Errors
    ///
    /// [`StoryError`] when a record can't be read.
    pub fn facts(&self) -> Result<Vec<Fact>, StoryError> {
        facts(&self.facts, &Labels::default()).map_err(|why| StoryError::Step {
            at: self.at,
            device: self.device,
            why,
        })
    }
}

/// A signature.
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SignLine {
    /// On which device.
    pub device: Letter,
    /// Its clock.
    pub at: DateTime<FixedOffset>,
    /// Who signs.
    pub by: PersonName,
    /// A remark.
    #[serde(default)]
    pub why: Option<String>,
    /// A name by which later lines mean the signature.
    #[serde(rename = "as", default)]
    pub label: Option<String>,
}

/// A story that can't be told.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum StoryError {
    /// The plan can't be used.
    #[error("the story's plan can't be used: {0}")]
    Plan(#[from] gravelbar_visit::PlanError),
    /// A line is neither a step nor a stage direction.
    #[error("line {number} of the story is neither a step nor a stage direction: {why}")]
    Line {
        /// Which, from 1.
        number: usize,
        /// Why.
        why: String,
    },
    /// The story doesn't begin with its devices.
    #[error("the story must begin with its devices")]
    NoDevices,
    /// A device that isn't among the story's.
    #[error("the story has no device {0}")]
    UnknownDevice(Letter),
    /// A step that can't be taken.
    #[error("the step at {at} on device {device} can't be taken: {why}")]
    Step {
        /// Its time.
        at: DateTime<FixedOffset>,
        /// Its device.
        device: Letter,
        /// Why.
        why: String,
    },
}

impl Story {
    /// Reads a story: the plan's text and one line of JSON for each thing that happens.
    ///
    /// # Errors
    ///
    /// [`StoryError`] naming the first line that can't be read.
    pub fn read(plan: &str, lines: &str) -> Result<Self, StoryError> {
        let plan = Plan::from_about(plan)?;
        let read = |(place, text): (usize, &str)| {
            serde_json::from_str(text).map_err(|error| StoryError::Line {
                number: place + 1,
                why: error.to_string(),
            })
        };
        let mut lines: Vec<Line> = lines
            .lines()
            .enumerate()
            .filter(|(_, text)| !text.trim().is_empty())
            .map(read)
            .collect::<Result<_, _>>()?;
        if lines.is_empty() {
            return Err(StoryError::NoDevices);
        }
        let Line::Stage(Stage::Devices(devices)) = lines.remove(0) else {
            return Err(StoryError::NoDevices);
        };
        let story = Self {
            plan,
            devices,
            lines,
        };
        story.check_devices()?;
        Ok(story)
    }

    fn check_devices(&self) -> Result<(), StoryError> {
        let named = self.lines.iter().flat_map(|line| match line {
            Line::Step(step) => vec![step.device],
            Line::Stage(Stage::SpareVisit(spare)) => vec![spare.device],
            Line::Stage(Stage::Sign(sign)) => vec![sign.device],
            Line::Stage(Stage::Apart(groups)) => groups.concat(),
            Line::Stage(_) => Vec::new(),
        });
        for device in named {
            if !self.devices.contains_key(&device) {
                return Err(StoryError::UnknownDevice(device));
            }
        }
        Ok(())
    }
}

/// The visit to Quillet Brook, with its faults: places, people and fish are invented.
///
/// # Errors
///
/// Never for the story this program is built with; a test reads it.
pub fn story() -> Result<Story, StoryError> {
    Story::read(
        include_str!("../../../../demo/quillet-brook/plan.json"),
        include_str!("../../../../demo/quillet-brook/story.jsonl"),
    )
}
