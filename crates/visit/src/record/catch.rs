//! Fish: tallied in the water, moved in buckets, worked up on the bank, lost.

use gravelbar_ledger::RecordId;
use serde::{Deserialize, Serialize};

use super::{Check, FactError, number, number_if, words};
use crate::names::{BucketLabel, PassKey, SpeciesName};

/// The most fish one tap or batch may count.
const MOST_FISH: u32 = 100_000;

fn count(n: u32) -> Result<(), FactError> {
    number("the count", f64::from(n), "fish", 1.0, f64::from(MOST_FISH))
}

/// A netter's tap: `n` fish netted.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Tally {
    /// Pass they were netted in.
    pub pass: PassKey,
    /// Species or group.
    pub species: SpeciesName,
    /// How many.
    pub n: u32,
    /// The bucket they went into.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub bucket: Option<BucketLabel>,
}

/// Fish seen that got away.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Escape {
    /// Pass they were seen in.
    pub pass: PassKey,
    /// Species or group.
    pub species: SpeciesName,
    /// How many.
    pub n: u32,
}

/// What a bucket went through.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum BucketMoment {
    /// The first fish went in.
    FirstFish,
    /// It was handed to the bank.
    HandedOver,
    /// All its fish are worked up.
    Emptied,
}

/// A bucket's label, its pass, and what happened to it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Bucket {
    /// What is written on it.
    pub label: BucketLabel,
    /// The pass its fish were netted in.
    pub pass: PassKey,
    /// What happened.
    pub moment: BucketMoment,
}

/// Which length was measured.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum LengthType {
    /// Snout to the end of the pinched tail fin.
    Total,
    /// Snout to the fork of the tail fin.
    Fork,
    /// Snout to the end of the backbone.
    Standard,
}

/// What became of a fish.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Fate {
    /// Let go alive.
    Released,
    /// Kept as a voucher or sample.
    Kept,
    /// Dead.
    Dead,
}

/// One fish on the measuring board.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Fish {
    /// Pass it was caught in.
    pub pass: PassKey,
    /// Species, or a provisional name.
    pub species: SpeciesName,
    /// Length, mm.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub length_mm: Option<f64>,
    /// Which length; needed where one is given.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub length_type: Option<LengthType>,
    /// Mass, g.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub mass_g: Option<f64>,
    /// Marks and tags, in words.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub marks: Option<String>,
    /// Anomalies and injuries, in words.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub anomalies: Option<String>,
    /// What became of it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub fate: Option<Fate>,
    /// The bucket it came out of.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub bucket: Option<BucketLabel>,
}

/// How a batch's number was found.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum CountKind {
    /// Counted one by one.
    Counted,
    /// Estimated.
    Estimated,
}

/// Fish of one species counted together, weighed together or not.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Batch {
    /// Pass they were caught in.
    pub pass: PassKey,
    /// Species.
    pub species: SpeciesName,
    /// How many.
    pub n: u32,
    /// Counted or estimated.
    pub counted: CountKind,
    /// Mass of all together, g.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub mass_g: Option<f64>,
    /// Shortest, mm.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub min_mm: Option<f64>,
    /// Longest, mm.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub max_mm: Option<f64>,
    /// Mean length, mm.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub mean_mm: Option<f64>,
    /// The bucket they came out of.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub bucket: Option<BucketLabel>,
}

/// When fish died.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum DeathStage {
    /// In the current.
    Shock,
    /// On or in a net.
    Net,
    /// While handled.
    Handling,
    /// In bucket or live car.
    Holding,
}

/// Fish judged dead.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Death {
    /// Pass they were caught in.
    pub pass: PassKey,
    /// Species.
    pub species: SpeciesName,
    /// How many.
    pub n: u32,
    /// When.
    pub stage: DeathStage,
    /// The fish's own record, where it has one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub fish: Option<RecordId>,
}

/// The bucket's label, where one is given.
fn bucket(label: Option<&BucketLabel>) -> Result<(), FactError> {
    Ok(label.map_or(Ok(()), BucketLabel::check)?)
}

impl Check for Tally {
    fn check(&self, _why: Option<&str>) -> Result<(), FactError> {
        self.species.check()?;
        bucket(self.bucket.as_ref())?;
        count(self.n)
    }
}

impl Check for Escape {
    fn check(&self, _why: Option<&str>) -> Result<(), FactError> {
        self.species.check()?;
        count(self.n)
    }
}

impl Check for Bucket {
    fn check(&self, _why: Option<&str>) -> Result<(), FactError> {
        Ok(self.label.check()?)
    }
}

/// A fish's length, mm: bounds that only keep out nonsense.
pub(super) fn length(what: &'static str, value: Option<f64>) -> Result<(), FactError> {
    number_if(what, value, "mm", 1.0, 3_000.0)
}

/// A fish's mass, g.
pub(super) fn mass(what: &'static str, value: Option<f64>) -> Result<(), FactError> {
    number_if(what, value, "g", 0.001, 200_000.0)
}

impl Check for Fish {
    fn check(&self, _why: Option<&str>) -> Result<(), FactError> {
        self.species.check()?;
        bucket(self.bucket.as_ref())?;
        length("the length", self.length_mm)?;
        mass("the mass", self.mass_g)?;
        if self.length_mm.is_some() && self.length_type.is_none() {
            return Err(FactError::Incomplete(
                "say which length it is: total, fork or standard",
            ));
        }
        if let Some(marks) = &self.marks {
            words(marks, "the marks")?;
        }
        if let Some(anomalies) = &self.anomalies {
            words(anomalies, "the anomalies")?;
        }
        Ok(())
    }
}

impl Check for Batch {
    fn check(&self, _why: Option<&str>) -> Result<(), FactError> {
        self.species.check()?;
        bucket(self.bucket.as_ref())?;
        count(self.n)?;
        length("the shortest length", self.min_mm)?;
        length("the longest length", self.max_mm)?;
        length("the mean length", self.mean_mm)?;
        number_if(
            "the mass of the batch",
            self.mass_g,
            "g",
            0.001,
            2_000_000.0,
        )?;
        if let (Some(min), Some(max)) = (self.min_mm, self.max_mm)
            && min > max
        {
            return Err(FactError::Incomplete(
                "the shortest fish is longer than the longest: check both lengths",
            ));
        }
        Ok(())
    }
}

impl Check for Death {
    fn check(&self, _why: Option<&str>) -> Result<(), FactError> {
        self.species.check()?;
        count(self.n)?;
        if self.fish.is_some() && self.n != 1 {
            return Err(FactError::Incomplete(
                "a death tied to one fish counts one: record the others apart",
            ));
        }
        Ok(())
    }
}
