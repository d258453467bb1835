//! The plan of a visit: what every device must know before the first record, and the text that
//! makes the document's first change identical on all of them.

use chrono::NaiveDate;
use gravelbar_ledger::DocumentId;
use serde::{Deserialize, Serialize};

use crate::names::SpeciesName;

/// The version of the plan's text that this program writes.
pub const PLAN_VERSION: u32 = 1;

/// What is known before the visit starts. Its JSON text is the document's subject: the visit's id
/// is derived from it, so devices that hold the same plan open the same document.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Plan {
    /// [`PLAN_VERSION`] of the writer.
    pub version: u32,
    /// Site code, such as "QB-03".
    pub site: String,
    /// Stream and place in words.
    pub place: String,
    /// The day.
    pub date: NaiveDate,
    /// Why the reach is fished.
    #[serde(default)]
    pub purpose: String,
    /// How many passes are planned on each channel.
    pub passes: u8,
    /// Species expected here, commonest first.
    #[serde(default)]
    pub species: Vec<PlannedSpecies>,
    /// What is ticked before the water and after every stop.
    #[serde(default)]
    pub checklist: Vec<CheckItem>,
    /// Water this warm ends the work, °C, where the office set a limit.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub water_limit_c: Option<f64>,
    /// Half-width of the 95 % interval that is narrow enough, as a share of the estimate.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub target_relative_half_width: Option<f64>,
    /// An output that held fish well and let them recover, in water of known conductivity.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub known_good: Option<KnownGoodOutput>,
    /// Names of the limit profiles that hold on this visit.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub limit_profiles: Vec<String>,
    /// Last catch, as a share of the first, at or below which no further pass is asked for; 0 is none caught.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub last_catch_share: Option<f64>,
    /// Empty for a planned visit. A visit made up on the spot carries random text here, so that
    /// two crews who do so at one site and day keep two documents.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub nonce: String,
}

/// One species of the plan.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PlannedSpecies {
    /// Name on the pads.
    pub name: SpeciesName,
    /// Scientific name, where it has one.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub scientific_name: String,
    /// Lengths in mm at which size groups are cut for the estimates.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub size_cuts_mm: Vec<f64>,
    /// The group a netter counts it under when fish can't be told apart in the water.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub tallied_as: Option<SpeciesName>,
    /// Take limits, for a species under permit.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub permit: Option<TakeLimit>,
    /// Fish of each pass that are measured one by one before the rest is only counted.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub measure_first: Option<u32>,
}

/// An output known to be good, and the water it was good in.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct KnownGoodOutput {
    /// Peak volts.
    pub peak_v: f64,
    /// Conductivity of that water at its own temperature, µS/cm.
    pub ambient_us_cm: f64,
}

/// How many of a species may be handled and may die, with what the season has used already.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct TakeLimit {
    /// Fish that may be caught in the season.
    pub caught: u32,
    /// Of these, fish that may die.
    pub dead: u32,
    /// Caught this season before this visit.
    #[serde(default)]
    pub caught_before: u32,
    /// Dead this season before this visit.
    #[serde(default)]
    pub dead_before: u32,
}

/// One line of the checklist.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct CheckItem {
    /// Short and stable within the plan, such as "gloves".
    pub item: String,
    /// What is ticked, in words.
    pub words: String,
    /// Whether each person ticks it alone; otherwise once for the crew.
    pub each_person: bool,
}

/// A plan that can't be used.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum PlanError {
    /// The text isn't a plan.
    #[error("this is not a visit plan: {0}")]
    NotAPlan(String),
    /// A later program wrote it.
    #[error(
        "the visit was planned with a newer program (plan version {0}, this one reads {PLAN_VERSION}): update this device"
    )]
    Newer(u32),
    /// A field is blank, too long or out of range.
    #[error("the plan's {field} can't be used: {why}")]
    Field {
        /// Which field.
        field: &'static str,
        /// What is wrong with it.
        why: String,
    },
}

impl Plan {
    /// The text the document is made from: compact JSON in field order.
    #[must_use]
    pub fn about(&self) -> String {
        serde_json::to_string(self).unwrap_or_default()
    }

    /// Reads the text back.
    ///
    /// # Errors
    ///
    /// [`PlanError`] when it is not a plan, is newer than this program, or holds an unusable field.
    pub fn from_about(about: &str) -> Result<Self, PlanError> {
        #[derive(Deserialize)]
        struct Versioned {
            version: u32,
        }
        let versioned: Versioned =
            serde_json::from_str(about).map_err(|e| PlanError::NotAPlan(e.to_string()))?;
        if versioned.version > PLAN_VERSION {
            return Err(PlanError::Newer(versioned.version));
        }
        let plan: Self =
            serde_json::from_str(about).map_err(|e| PlanError::NotAPlan(e.to_string()))?;
        plan.check()?;
        Ok(plan)
    }

    /// The visit's id.
    #[must_use]
    pub fn document_id(&self) -> DocumentId {
        gravelbar_ledger::Ledger::document_id(&self.about())
    }

    /// Refuses what no visit could be planned with.
    ///
    /// # Errors
    ///
    /// [`PlanError::Field`] naming the first unusable field.
    pub fn check(&self) -> Result<(), PlanError> {
        let field = |field, why: &str| {
            Err(PlanError::Field {
                field,
                why: why.to_owned(),
            })
        };
        for (name, text) in [("site", &self.site), ("place", &self.place)] {
            if text.trim().is_empty() {
                return field(name, "it is blank");
            }
            if text.chars().count() > 120 || text.chars().any(char::is_control) {
                return field(name, "use one line of at most 120 characters");
            }
        }
        if !(1..=20).contains(&self.passes) {
            return field("number of passes", "plan 1 to 20");
        }
        if self.species.len() > 200 {
            return field("species list", "at most 200 names");
        }
        for species in &self.species {
            if !species.name.is_clean() {
                return field("species list", "a name is blank or not one plain line");
            }
            let cuts = &species.size_cuts_mm;
            if cuts.len() > 10
                || !cuts.iter().all(|c| c.is_finite() && *c > 0.0)
                || !cuts.is_sorted()
            {
                return field("size groups", "cuts are rising lengths in mm");
            }
            if species.measure_first == Some(0) {
                return field("rule of whom to measure", "measure at least one fish");
            }
        }
        self.check_limits()?;
        if self.checklist.len() > 100 {
            return field("checklist", "at most 100 lines");
        }
        let mut items: Vec<_> = self.checklist.iter().map(|c| c.item.as_str()).collect();
        items.sort_unstable();
        if items.windows(2).any(|two| two[0] == two[1]) || items.contains(&"") {
            return field("checklist", "every line needs a short name of its own");
        }
        Ok(())
    }

    /// Refuses limits and targets that no water, unit or estimate can meet.
    fn check_limits(&self) -> Result<(), PlanError> {
        let within = |value: f64, low: f64, high: f64| (low..=high).contains(&value);
        let field = |field, why: &str| {
            Err(PlanError::Field {
                field,
                why: why.to_owned(),
            })
        };
        if self.water_limit_c.is_some_and(|c| !within(c, 0.1, 40.0)) {
            return field("water temperature limit", "give 0.1 to 40 °C");
        }
        let target = self.target_relative_half_width;
        if target.is_some_and(|share| !within(share, 0.001, 1.0)) {
            return field("target half-width", "give a share of 0.001 to 1");
        }
        if self
            .last_catch_share
            .is_some_and(|share| !within(share, 0.0, 1.0))
        {
            return field(
                "share of the first catch to stop at",
                "give a share of 0 to 1",
            );
        }
        if let Some(known) = self.known_good
            && !(within(known.peak_v, 1.0, 2_000.0) && within(known.ambient_us_cm, 0.1, 100_000.0))
        {
            return field(
                "output known to be good",
                "give 1 to 2000 V and 0.1 to 100000 µS/cm",
            );
        }
        let plain = |name: &String| {
            !name.trim().is_empty()
                && name.chars().count() <= 120
                && !name.chars().any(char::is_control)
        };
        if self.limit_profiles.len() > 20 || !self.limit_profiles.iter().all(plain) {
            return field("limit profiles", "name at most 20, one line each");
        }
        Ok(())
    }

    /// The planned species of this name.
    #[must_use]
    pub fn species(&self, name: &SpeciesName) -> Option<&PlannedSpecies> {
        self.species.iter().find(|s| s.name == *name)
    }

    /// The name netters count a species under.
    #[must_use]
    pub fn tallied_as<'a>(&'a self, name: &'a SpeciesName) -> &'a SpeciesName {
        self.species(name)
            .and_then(|s| s.tallied_as.as_ref())
            .unwrap_or(name)
    }
}
