//! Where the crew works, and what it does there each time.

use chrono::NaiveDate;
use gravelbar_ledger::{DocumentId, RecordId};
use gravelbar_visit::{CheckItem, KnownGoodOutput, NAME_MAX_CHARS, Plan, SpeciesName};
use serde::{Deserialize, Serialize};

use super::{Check, FactError, WORDS_MAX_CHARS, replaces, text, text_if};

/// A site, with how it was fished last, so that it can be fished so again.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Site {
    /// Site code, such as "QB-03".
    pub code: String,
    /// Stream and place in words.
    pub place: String,
    /// Length of the reach, m.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub reach_m: Option<f64>,
    /// Where it begins and ends, nets, way in, in words.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub reach: String,
    /// How it is fished, in words.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub method: String,
    /// How many passes.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub passes: Option<u8>,
    /// Why it is fished.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub purpose: String,
    /// No longer used.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub dropped: bool,
    /// Earlier records of this site that it takes the place of.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub replaces: Vec<RecordId>,
}

/// A species of the crew's list.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ListedSpecies {
    /// Name on the pads.
    pub name: SpeciesName,
    /// Scientific name, where it has one.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub scientific_name: String,
    /// Lengths in mm at which size groups are cut.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub size_cuts_mm: Vec<f64>,
    /// The group a netter counts it under.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub tallied_as: Option<SpeciesName>,
    /// Fish of each pass measured one by one before the rest is only counted.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub measure_first: Option<u32>,
    /// No longer used.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub dropped: bool,
    /// Earlier records of this species that it takes the place of.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub replaces: Vec<RecordId>,
}

/// A checklist to begin a visit with.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Checklist {
    /// What the crew calls it.
    pub name: String,
    /// Its lines.
    pub items: Vec<CheckItem>,
    /// No longer used.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub dropped: bool,
    /// Earlier records of this checklist that it takes the place of.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub replaces: Vec<RecordId>,
}

/// Limits and targets to begin a visit with.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Limits {
    /// What the crew calls them.
    pub name: String,
    /// Names of the limit profiles for the output.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub profiles: Vec<String>,
    /// Water this warm ends the work, °C.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub water_limit_c: Option<f64>,
    /// Half-width of the 95 % interval that is narrow enough, as a share of the estimate.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub target_relative_half_width: Option<f64>,
    /// An output that was good, and the water it was good in.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub known_good: Option<KnownGoodOutput>,
    /// No longer used.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub dropped: bool,
    /// Earlier records of these limits that it takes the place of.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub replaces: Vec<RecordId>,
}

/// A visit to come. It carries the plan's text, not its meaning: the visit's name follows from the
/// text, so that every device opens the same document, whatever its program reads out of it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct PlannedVisit {
    /// [`Plan::about`].
    pub plan: String,
    /// Earlier plans that it takes the place of.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub replaces: Vec<RecordId>,
}

/// A plan is given up.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct PlanDropped {
    /// Which.
    pub of: Vec<RecordId>,
}

/// A visit belongs to the crew: whoever its devices are may have it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct VisitOpened {
    /// The visit.
    pub visit: DocumentId,
    /// Its site code.
    pub site: String,
    /// Its planned day.
    pub date: NaiveDate,
}

/// A visit that was done: what was caught, and how it was fished. A later one of the same visit
/// takes the place of those it names.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct VisitDone {
    /// The visit.
    pub visit: DocumentId,
    /// Its site code.
    pub site: String,
    /// Its planned day.
    pub date: NaiveDate,
    /// SHA-256 over the visit's heads from which this was worked out.
    pub digest: String,
    /// Fished length, m.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub reach_m: Option<f64>,
    /// Passes fished on the channel with the most.
    pub passes: u8,
    /// What was caught.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub caught: Vec<Caught>,
    /// Earlier records of this visit that it takes the place of.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub replaces: Vec<RecordId>,
}

/// Fish of one species in one visit.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Caught {
    /// Species.
    pub species: SpeciesName,
    /// Fish caught.
    pub caught: u64,
    /// Of these, fish that died.
    #[serde(default)]
    pub dead: u64,
}

impl PlannedVisit {
    /// The plan, where this program can open the visit under its own name.
    #[must_use]
    pub fn read(&self) -> Option<Plan> {
        let plan = Plan::from_about(&self.plan).ok()?;
        (plan.about() == self.plan).then_some(plan)
    }

    /// The visit's name.
    #[must_use]
    pub fn document_id(&self) -> DocumentId {
        gravelbar_ledger::Ledger::document_id(&self.plan)
    }
}

fn metres(value: Option<f64>) -> Result<(), FactError> {
    if value.is_none_or(|m| m.is_finite() && (0.1..=100_000.0).contains(&m)) {
        Ok(())
    } else {
        Err(FactError::Incomplete(
            "a reach is between 0.1 and 100000 m long",
        ))
    }
}

impl Check for Site {
    fn check(&self) -> Result<(), FactError> {
        text(&self.code, "the site code", 120)?;
        text(&self.place, "the place", 120)?;
        text_if(&self.reach, "the reach", WORDS_MAX_CHARS)?;
        text_if(&self.method, "the method", WORDS_MAX_CHARS)?;
        text_if(&self.purpose, "the purpose", WORDS_MAX_CHARS)?;
        metres(self.reach_m)?;
        if self.passes.is_some_and(|n| !(1..=20).contains(&n)) {
            return Err(FactError::Incomplete("a site is fished in 1 to 20 passes"));
        }
        replaces(&self.replaces)
    }
}

impl Check for ListedSpecies {
    fn check(&self) -> Result<(), FactError> {
        if !self.name.is_clean() || self.tallied_as.as_ref().is_some_and(|n| !n.is_clean()) {
            return Err(FactError::Incomplete(
                "a species' name is one tidy line in lower case",
            ));
        }
        text_if(&self.scientific_name, "the scientific name", NAME_MAX_CHARS)?;
        let cuts = &self.size_cuts_mm;
        if cuts.len() > 10 || !cuts.iter().all(|c| c.is_finite() && *c > 0.0) || !cuts.is_sorted() {
            return Err(FactError::Incomplete(
                "size groups are cut at up to ten rising lengths in mm",
            ));
        }
        if self.measure_first == Some(0) {
            return Err(FactError::Incomplete("measure at least one fish"));
        }
        replaces(&self.replaces)
    }
}

impl Check for Checklist {
    fn check(&self) -> Result<(), FactError> {
        text(&self.name, "the checklist's name", NAME_MAX_CHARS)?;
        if self.items.len() > 100 {
            return Err(FactError::Incomplete("a checklist has 100 lines at most"));
        }
        for item in &self.items {
            text(&item.item, "a checklist line's short name", 120)?;
            text(&item.words, "a checklist line", WORDS_MAX_CHARS)?;
        }
        replaces(&self.replaces)
    }
}

impl Check for Limits {
    fn check(&self) -> Result<(), FactError> {
        text(&self.name, "the limits' name", NAME_MAX_CHARS)?;
        if self.profiles.len() > 20 {
            return Err(FactError::Incomplete("at most 20 limit profiles"));
        }
        for profile in &self.profiles {
            text(profile, "a limit profile's name", 120)?;
        }
        let within = |value: Option<f64>, low: f64, high: f64| {
            value.is_none_or(|v| (low..=high).contains(&v))
        };
        if !within(self.water_limit_c, 0.1, 40.0) {
            return Err(FactError::Incomplete("a water limit is 0.1 to 40 °C"));
        }
        if !within(self.target_relative_half_width, 0.001, 1.0) {
            return Err(FactError::Incomplete(
                "a target half-width is a share of 0.001 to 1",
            ));
        }
        let output = self.known_good;
        if !within(output.map(|o| o.peak_v), 1.0, 2_000.0)
            || !within(output.map(|o| o.ambient_us_cm), 0.1, 100_000.0)
        {
            return Err(FactError::Incomplete(
                "an output known to be good is 1 to 2000 V in 0.1 to 100000 µS/cm",
            ));
        }
        replaces(&self.replaces)
    }
}

impl Check for PlannedVisit {
    fn check(&self) -> Result<(), FactError> {
        let plan = Plan::from_about(&self.plan)?;
        if plan.about() != self.plan {
            return Err(FactError::Incomplete(
                "the plan isn't written as this program writes plans: type it anew",
            ));
        }
        if !plan.nonce.is_empty() {
            return Err(FactError::Incomplete(
                "this plan was made up on the spot and carries random text: plan it in the book",
            ));
        }
        replaces(&self.replaces)
    }
}

impl Check for PlanDropped {
    fn check(&self) -> Result<(), FactError> {
        if self.of.is_empty() {
            return Err(FactError::Incomplete("say which plan is given up"));
        }
        replaces(&self.of)
    }
}

impl Check for VisitOpened {
    fn check(&self) -> Result<(), FactError> {
        text(&self.site, "the site code", 120)
    }
}

impl Check for VisitDone {
    fn check(&self) -> Result<(), FactError> {
        text(&self.site, "the site code", 120)?;
        metres(self.reach_m)?;
        if crate::founding::hexadecimal::<32>(&self.digest).is_none() {
            return Err(FactError::Incomplete(
                "a visit's state is named by 64 hexadecimal digits",
            ));
        }
        if self.caught.len() > 300 || self.caught.iter().any(|c| !c.species.is_clean()) {
            return Err(FactError::Incomplete(
                "a visit catches at most 300 species, each named in one tidy line",
            ));
        }
        replaces(&self.replaces)
    }
}
