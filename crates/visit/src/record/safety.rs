//! Checklist ticks and stop-work, as records that name what their authors had seen.

use gravelbar_ledger::RecordId;
use serde::{Deserialize, Serialize};

use super::{Check, FactError, reason};
use crate::names::PersonName;

/// A line of the checklist ticked.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Tick {
    /// The line of the plan's checklist.
    pub item: String,
    /// For whom; only the person's own tick counts. Left out for lines ticked once for the crew.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub person: Option<PersonName>,
    /// Un-ticks of this line and person that the author was shown.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub clears: Vec<RecordId>,
    /// All stops the author knew of: a tick from before a stop doesn't count after it.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub round: Vec<RecordId>,
}

/// An objection to a line, written even when the box looks empty. Anyone may object.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Untick {
    /// The line.
    pub item: String,
    /// For whom; left out for lines ticked once for the crew.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub person: Option<PersonName>,
}

/// Stop work. Anyone, any time, with or without a reason.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Stop {}

/// The operator has switched the energiser off after these stops.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct EnergiserOff {
    /// The stops answered.
    pub stops: Vec<RecordId>,
}

/// The lead lets work go on after exactly these stops.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Clear {
    /// The stops cleared.
    pub stops: Vec<RecordId>,
}

fn item(text: &str) -> Result<(), FactError> {
    if text.is_empty() || text.len() > 120 {
        Err(FactError::Incomplete("say which line of the checklist"))
    } else {
        Ok(())
    }
}

/// Whose line it is, where a line is ticked by each person.
fn person(name: Option<&PersonName>) -> Result<(), FactError> {
    Ok(name.map_or(Ok(()), PersonName::check)?)
}

fn stops(named: &[RecordId]) -> Result<(), FactError> {
    if named.is_empty() {
        Err(FactError::Incomplete("name the stop"))
    } else {
        Ok(())
    }
}

impl Check for Tick {
    fn check(&self, _why: Option<&str>) -> Result<(), FactError> {
        person(self.person.as_ref())?;
        item(&self.item)
    }
}

impl Check for Untick {
    fn check(&self, _why: Option<&str>) -> Result<(), FactError> {
        person(self.person.as_ref())?;
        item(&self.item)
    }
}

impl Check for Stop {
    fn check(&self, _why: Option<&str>) -> Result<(), FactError> {
        Ok(())
    }
}

impl Check for EnergiserOff {
    fn check(&self, _why: Option<&str>) -> Result<(), FactError> {
        stops(&self.stops)
    }
}

impl Check for Clear {
    fn check(&self, why: Option<&str>) -> Result<(), FactError> {
        stops(&self.stops)?;
        reason(why, "clearing a stop")
    }
}
