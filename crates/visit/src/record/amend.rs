//! Changes of mind: each is a record of its own that names what it replaces.

use gravelbar_ledger::RecordId;
use serde::{Deserialize, Serialize};

use super::catch::{length, mass};
use super::{Check, FactError, Fate, LengthType, number, reason, words};
use crate::names::{PassKey, SpeciesName};

/// The most records one change of mind may name.
pub(crate) const MOST_NAMED: usize = 400;

/// A tap taken back: a tally, an escape, or another undo.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Undo {
    /// What is taken back.
    pub of: RecordId,
}

/// The name of a field that can be put right.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum FieldName {
    /// The pass a record belongs to.
    Pass,
    /// The species.
    Species,
    /// The length.
    LengthMm,
    /// Which length.
    LengthType,
    /// The mass.
    MassG,
    /// How many.
    N,
    /// What became of it.
    Fate,
    /// Marks and tags.
    Marks,
    /// Anomalies.
    Anomalies,
}

impl FieldName {
    /// The field in words.
    #[must_use]
    pub fn words(self) -> &'static str {
        match self {
            Self::Pass => "pass",
            Self::Species => "species",
            Self::LengthMm => "length",
            Self::LengthType => "length type",
            Self::MassG => "mass",
            Self::N => "count",
            Self::Fate => "fate",
            Self::Marks => "marks",
            Self::Anomalies => "anomalies",
        }
    }
}

/// A field and its new value.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum FieldValue {
    /// Belongs to this pass.
    Pass(PassKey),
    /// Is this species.
    Species(SpeciesName),
    /// Is this long, mm.
    LengthMm(f64),
    /// Was measured so.
    LengthType(LengthType),
    /// Weighs this, g.
    MassG(f64),
    /// Is this many.
    N(u32),
    /// Became of it.
    Fate(Fate),
    /// Bears these marks.
    Marks(String),
    /// Shows these anomalies.
    Anomalies(String),
}

impl FieldValue {
    /// Which field it is.
    #[must_use]
    pub fn name(&self) -> FieldName {
        match self {
            Self::Pass(_) => FieldName::Pass,
            Self::Species(_) => FieldName::Species,
            Self::LengthMm(_) => FieldName::LengthMm,
            Self::LengthType(_) => FieldName::LengthType,
            Self::MassG(_) => FieldName::MassG,
            Self::N(_) => FieldName::N,
            Self::Fate(_) => FieldName::Fate,
            Self::Marks(_) => FieldName::Marks,
            Self::Anomalies(_) => FieldName::Anomalies,
        }
    }
}

/// What a change of many records was meant to reach, so that records which arrive later from a
/// device out of sight can be flagged. It covers nothing by itself.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Scope {
    /// All of this pass.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub pass: Option<PassKey>,
    /// All recorded as this species.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub species: Option<SpeciesName>,
}

/// One field put right on exactly the records named: a correction of one fish, a rename of a
/// pass's fish, a move of a bucket, a name for an unknown fish, or the settlement of two
/// corrections that had not seen each other.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Amend {
    /// The records it covers.
    pub of: Vec<RecordId>,
    /// The field and its new value.
    pub set: FieldValue,
    /// Earlier amendments of that field it has seen and replaces.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub replaces: Vec<RecordId>,
    /// What it was meant to reach.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub scope: Option<Scope>,
}

/// A record taken out of all totals, and kept.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Void {
    /// What is voided.
    pub of: RecordId,
    /// Its amendments seen when it was voided.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub seen: Vec<RecordId>,
}

/// Voids lifted: exactly those named.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Restore {
    /// The voids lifted.
    pub voids: Vec<RecordId>,
}

/// These records tell of one and the same thing, such as a death logged twice: the earliest
/// counts, the others are kept.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct SameThing {
    /// The records, two or more.
    pub records: Vec<RecordId>,
}

fn named(records: &[RecordId]) -> Result<(), FactError> {
    if records.is_empty() {
        Err(FactError::Incomplete("name at least one record"))
    } else if records.len() > MOST_NAMED {
        Err(FactError::Incomplete(
            "at most 400 records can be changed at once: do it pass by pass",
        ))
    } else {
        Ok(())
    }
}

impl Check for Undo {
    fn check(&self, _why: Option<&str>) -> Result<(), FactError> {
        Ok(())
    }
}

impl Check for Amend {
    fn check(&self, why: Option<&str>) -> Result<(), FactError> {
        named(&self.of)?;
        if self.replaces.len() > MOST_NAMED {
            return Err(FactError::Incomplete(
                "too many earlier corrections are named",
            ));
        }
        match &self.set {
            FieldValue::LengthMm(value) => length("the length", Some(*value))?,
            FieldValue::MassG(value) => mass("the mass", Some(*value))?,
            FieldValue::N(n) => number("the count", f64::from(*n), "fish", 1.0, 100_000.0)?,
            FieldValue::Species(species) => species.check()?,
            FieldValue::Marks(text) => words(text, "the marks")?,
            FieldValue::Anomalies(text) => words(text, "the anomalies")?,
            FieldValue::Pass(_) | FieldValue::LengthType(_) | FieldValue::Fate(_) => {}
        }
        reason(why, "a correction")
    }
}

impl Check for Void {
    fn check(&self, why: Option<&str>) -> Result<(), FactError> {
        reason(why, "voiding a record")
    }
}

impl Check for Restore {
    fn check(&self, why: Option<&str>) -> Result<(), FactError> {
        named(&self.voids)?;
        reason(why, "restoring a record")
    }
}

impl Check for SameThing {
    fn check(&self, why: Option<&str>) -> Result<(), FactError> {
        named(&self.records)?;
        if self.records.len() < 2 {
            return Err(FactError::Incomplete("name both records of the one thing"));
        }
        reason(why, "joining records")
    }
}
