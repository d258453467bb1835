//! Permits: how many fish of a species may be caught and may die, and until when.

use chrono::NaiveDate;
use gravelbar_ledger::RecordId;
use gravelbar_visit::{NAME_MAX_CHARS, SpeciesName};
use serde::{Deserialize, Serialize};

use super::{Check, FactError, WORDS_MAX_CHARS, replaces, text, text_if};

/// A permit. What the season has used of it is counted from the visits that are done.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Permit {
    /// Its number or name.
    pub name: String,
    /// First day it holds.
    pub from: NaiveDate,
    /// Last day it holds.
    pub until: NaiveDate,
    /// What may be taken.
    pub species: Vec<Allowed>,
    /// Conditions, and whom to call, in words.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub words: String,
    /// No longer used.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub dropped: bool,
    /// Earlier records of this permit that it takes the place of.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub replaces: Vec<RecordId>,
}

/// What a permit allows of one species.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Allowed {
    /// Species.
    pub species: SpeciesName,
    /// Fish that may be caught.
    pub caught: u32,
    /// Of these, fish that may die.
    pub dead: u32,
    /// Fish that others had caught under it before the book began to count.
    #[serde(default)]
    pub caught_before: u32,
    /// Of these, fish that died.
    #[serde(default)]
    pub dead_before: u32,
}

impl Check for Permit {
    fn check(&self) -> Result<(), FactError> {
        text(&self.name, "the permit's name", NAME_MAX_CHARS)?;
        text_if(&self.words, "the permit's conditions", WORDS_MAX_CHARS)?;
        if self.until < self.from {
            return Err(FactError::Incomplete(
                "a permit's last day isn't before its first",
            ));
        }
        let mut names: Vec<&str> = self.species.iter().map(|s| s.species.as_str()).collect();
        names.sort_unstable();
        names.dedup();
        if names.len() != self.species.len() || self.species.len() > 100 {
            return Err(FactError::Incomplete(
                "a permit names each species once, at most 100",
            ));
        }
        if self.species.iter().any(|s| !s.species.is_clean()) {
            return Err(FactError::Incomplete(
                "a species' name is one tidy line in lower case",
            ));
        }
        replaces(&self.replaces)
    }
}
