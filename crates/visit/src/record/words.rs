//! Notes, incidents and decisions.

use gravelbar_ledger::RecordId;
use serde::{Deserialize, Serialize};

use super::{Check, FactError, reason, words};
use crate::names::PassKey;

/// A remark, by one author; never edited together.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Note {
    /// The remark.
    pub text: String,
    /// The pass it is about.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub pass: Option<PassKey>,
    /// The record it is about.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub about: Option<RecordId>,
}

/// What sort of incident (common practice, no source).
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum IncidentKind {
    /// Nobody was hurt, this time.
    NearMiss,
    /// Someone was hurt.
    Injury,
    /// Gear failed.
    Fault,
    /// Bystanders, dogs, livestock.
    Public,
    /// Lightning, heat, rising water.
    Weather,
}

/// Something happened that must be kept.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Incident {
    /// What sort.
    pub kind: IncidentKind,
    /// What happened.
    pub text: String,
}

/// A choice, the numbers it was made on, and why.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Decision {
    /// What was asked, such as "another pass?".
    pub question: String,
    /// What was chosen.
    pub choice: String,
    /// The numbers shown at that moment, as the screen said them.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub shown: String,
}

impl Check for Note {
    fn check(&self, _why: Option<&str>) -> Result<(), FactError> {
        words(&self.text, "the note")
    }
}

impl Check for Incident {
    fn check(&self, _why: Option<&str>) -> Result<(), FactError> {
        words(&self.text, "what happened")
    }
}

impl Check for Decision {
    fn check(&self, why: Option<&str>) -> Result<(), FactError> {
        words(&self.question, "the question")?;
        words(&self.choice, "the choice")?;
        if !self.shown.is_empty() {
            words(&self.shown, "the numbers shown")?;
        }
        reason(why, "a decision")
    }
}
