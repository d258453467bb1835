//! Passes and their effort.

use gravelbar_ledger::RecordId;
use serde::{Deserialize, Serialize};

use super::{Check, FactError, number};
use crate::names::{Pack, PassKey};

/// A pass begins. Two people may open the same pass; both records are kept.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct PassOpened {
    /// Which.
    pub pass: PassKey,
}

/// A pass ends.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct PassClosed {
    /// Which.
    pub pass: PassKey,
}

/// Where a counter reading comes from. "Read" beats "heard".
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Source {
    /// Called out, and typed by someone else.
    Heard,
    /// Read off the unit.
    Read,
}

/// The energised-seconds counter of one pack over one pass.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Counter {
    /// Which pass.
    pub pass: PassKey,
    /// Which pack.
    pub pack: Pack,
    /// The counter before the pass, s; 0 where it was set to zero.
    pub start_s: f64,
    /// The counter after the pass, s.
    pub end_s: f64,
    /// Read off the unit, or heard.
    pub source: Source,
    /// Earlier readings this one replaces.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub replaces: Vec<RecordId>,
}

impl Counter {
    /// Energised seconds of the pass.
    #[must_use]
    pub fn effort_s(&self) -> f64 {
        self.end_s - self.start_s
    }
}

impl Check for PassOpened {
    fn check(&self, _why: Option<&str>) -> Result<(), FactError> {
        Ok(())
    }
}

impl Check for PassClosed {
    fn check(&self, _why: Option<&str>) -> Result<(), FactError> {
        Ok(())
    }
}

impl Check for Counter {
    fn check(&self, _why: Option<&str>) -> Result<(), FactError> {
        self.pack.check()?;
        number(
            "the counter at the start",
            self.start_s,
            "s",
            0.0,
            1_000_000.0,
        )?;
        number("the counter at the end", self.end_s, "s", 0.0, 1_000_000.0)?;
        if self.end_s < self.start_s {
            return Err(FactError::Incomplete(
                "the counter ends below its start: check both readings, or give 0 as start if it was set to zero",
            ));
        }
        Ok(())
    }
}
