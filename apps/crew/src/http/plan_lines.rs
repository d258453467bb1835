//! A plan as a person types it: a few fields, one line per species, one line per check.

use gravelbar_electric::Profile;
use gravelbar_visit::{
    CheckItem, KnownGoodOutput, PLAN_VERSION, Plan, PlanError, PlannedSpecies, SpeciesName,
    TakeLimit,
};
use ring::rand::{SecureRandom, SystemRandom};
use serde::Deserialize;

/// A start form, or the text of a plan made before.
#[derive(Deserialize)]
#[serde(untagged)]
pub(super) enum PlanLines {
    /// A planned visit: everyone who opens the same text opens the same visit.
    Text {
        /// The plan's text.
        plan_text: String,
    },
    /// A visit made up on the spot.
    Lines(Box<Lines>),
}

/// The start form.
#[derive(Deserialize)]
pub(super) struct Lines {
    site: String,
    place: String,
    date: String,
    #[serde(default)]
    purpose: String,
    passes: String,
    #[serde(default)]
    species: String,
    #[serde(default)]
    checklist: String,
    #[serde(flatten)]
    limits: LimitLines,
}

/// Limits and targets as they are typed; blank where there is none.
#[derive(Deserialize, Default)]
pub(super) struct LimitLines {
    #[serde(default)]
    water_limit_c: String,
    /// Percent of the estimate.
    #[serde(default)]
    target_percent: String,
    /// `350 V at 68 µS/cm`, or the two numbers.
    #[serde(default)]
    known_good: String,
    /// Names, with commas between them.
    #[serde(default)]
    limit_profiles: String,
}

/// A line that can't be read.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub(super) enum LineError {
    #[error("“{0}” is no day: write year-month-day, such as 2026-08-18")]
    Date(String),
    #[error("“{0}” is no number of passes: write 1 to 20")]
    Passes(String),
    #[error("species line “{line}”: {why}")]
    Species { line: String, why: String },
    #[error("“{0}” is no number: write such as 18 or 18.5")]
    Number(String),
    #[error(
        "“{0}” is no output in known water: write volts and conductivity, such as 350 V at 68 µS/cm"
    )]
    KnownGood(String),
    #[error("no limit profile is called “{name}”: there are {known}")]
    Profile { name: String, known: String },
    #[error(transparent)]
    Plan(#[from] PlanError),
    #[error("no random number could be drawn for the visit's name: try again")]
    NoRandomness,
}

impl PlanLines {
    pub(super) fn plan(self) -> Result<Plan, LineError> {
        match self {
            Self::Text { plan_text } => Ok(Plan::from_about(plan_text.trim())?),
            Self::Lines(lines) => lines.plan(),
        }
    }
}

impl Lines {
    /// The plan with random text in it: a visit made up on the spot.
    fn plan(self) -> Result<Plan, LineError> {
        let mut plan = self.planned()?;
        plan.nonce = nonce()?;
        plan.check()?;
        Ok(plan)
    }

    /// The plan without random text: whoever opens it opens the same visit.
    pub(super) fn planned(self) -> Result<Plan, LineError> {
        let date = (self.date.trim().parse()).map_err(|_| LineError::Date(self.date.clone()))?;
        let passes =
            (self.passes.trim().parse()).map_err(|_| LineError::Passes(self.passes.clone()))?;
        let species: Result<Vec<_>, _> = lines(&self.species).map(species).collect();
        let plan = Plan {
            version: PLAN_VERSION,
            site: self.site.trim().to_owned(),
            place: self.place.trim().to_owned(),
            date,
            purpose: self.purpose.trim().to_owned(),
            passes,
            species: species?,
            checklist: checklist(&self.checklist),
            water_limit_c: self.limits.water_limit_c()?,
            target_relative_half_width: self.limits.target_relative_half_width()?,
            last_catch_share: None,
            known_good: self.limits.known_good()?,
            limit_profiles: self.limits.profiles()?,
            nonce: String::new(),
        };
        plan.check()?;
        Ok(plan)
    }
}

impl LimitLines {
    pub(super) fn water_limit_c(&self) -> Result<Option<f64>, LineError> {
        number(self.water_limit_c.trim_end_matches("°C"))
    }

    pub(super) fn target_relative_half_width(&self) -> Result<Option<f64>, LineError> {
        let percent = self.target_percent.trim().trim_end_matches('%').trim();
        if percent.is_empty() {
            return Ok(None);
        }
        // Read as the decimal it is: a division would leave digits behind that a plan's text
        // doesn't give back as they were.
        number(&format!("{percent}e-2")).map_err(|_| LineError::Number(percent.to_owned()))
    }

    pub(super) fn known_good(&self) -> Result<Option<KnownGoodOutput>, LineError> {
        let text = self.known_good.trim();
        if text.is_empty() {
            return Ok(None);
        }
        let digits = |c: char| c.is_ascii_digit() || c == '.';
        let numbers: Vec<f64> = (text.replace(',', "."))
            .split(|c| !digits(c))
            .filter_map(|part| part.parse().ok())
            .collect();
        match numbers.as_slice() {
            [peak_v, ambient_us_cm] => Ok(Some(KnownGoodOutput {
                peak_v: *peak_v,
                ambient_us_cm: *ambient_us_cm,
            })),
            _ => Err(LineError::KnownGood(text.to_owned())),
        }
    }

    /// The names of profiles that come with the program: the reducer finds no others.
    pub(super) fn profiles(&self) -> Result<Vec<String>, LineError> {
        let names = self.limit_profiles.split([',', '\n']).map(str::trim);
        names
            .filter(|name| !name.is_empty())
            .map(|name| match Profile::named(name) {
                Some(_) => Ok(name.to_owned()),
                None => Err(LineError::Profile {
                    name: name.to_owned(),
                    known: profile_names().join(", "),
                }),
            })
            .collect()
    }
}

/// The limit profiles that come with the program.
pub(crate) fn profile_names() -> Vec<String> {
    let profiles = Profile::embedded().unwrap_or_default();
    profiles.iter().map(|p| p.id().to_owned()).collect()
}

fn number(text: &str) -> Result<Option<f64>, LineError> {
    let text = text.trim();
    if text.is_empty() {
        return Ok(None);
    }
    let number: Result<f64, _> = text.replace(',', ".").parse();
    (number.map(Some)).map_err(|_| LineError::Number(text.to_owned()))
}

pub(super) fn lines(text: &str) -> impl Iterator<Item = &str> {
    text.lines().map(str::trim).filter(|line| !line.is_empty())
}

/// `name, scientific name, cut 100, as minnows, measure 25, permit 20 caught 1 dead, before 9 caught 0 dead`.
pub(super) fn species(line: &str) -> Result<PlannedSpecies, LineError> {
    let error = |why: String| LineError::Species {
        line: line.to_owned(),
        why,
    };
    let mut parts = line.split(',').map(str::trim);
    let name = SpeciesName::new(parts.next().unwrap_or_default());
    let mut species = PlannedSpecies {
        name: name.map_err(|e| error(e.to_string()))?,
        scientific_name: String::new(),
        size_cuts_mm: Vec::new(),
        tallied_as: None,
        permit: None,
        measure_first: None,
    };
    let mut before = (0, 0);
    for part in parts.filter(|p| !p.is_empty()) {
        if let Some(cut) = part.strip_prefix("cut ") {
            let cut = cut.trim_end_matches("mm").trim().parse();
            (species.size_cuts_mm)
                .push(cut.map_err(|_| error("write a size group as: cut 100".to_owned()))?);
        } else if let Some(group) = part.strip_prefix("as ") {
            let group = SpeciesName::new(group).map_err(|e| error(e.to_string()))?;
            species.tallied_as = Some(group);
        } else if let Some(first) = part.strip_prefix("measure ") {
            let first = first.trim_end_matches("of each pass").trim().parse();
            let words = "write whom to measure as: measure 25 (of each pass)";
            species.measure_first = Some(first.map_err(|_| error(words.to_owned()))?);
        } else if let Some(permit) = part.strip_prefix("permit ") {
            let (caught, dead) = two_counts(permit)
                .ok_or_else(|| error("write a permit as: permit 20 caught 1 dead".to_owned()))?;
            species.permit = Some(TakeLimit {
                caught,
                dead,
                caught_before: 0,
                dead_before: 0,
            });
        } else if let Some(used) = part.strip_prefix("before ") {
            before = two_counts(used)
                .ok_or_else(|| error("write earlier take as: before 9 caught 0 dead".to_owned()))?;
        } else {
            species.scientific_name = part.to_owned();
        }
    }
    if let Some(permit) = &mut species.permit {
        (permit.caught_before, permit.dead_before) = before;
    }
    Ok(species)
}

/// `20 caught 1 dead`.
fn two_counts(text: &str) -> Option<(u32, u32)> {
    let words: Vec<&str> = text.split_whitespace().collect();
    match words.as_slice() {
        [caught, "caught", dead, "dead"] => Some((caught.parse().ok()?, dead.parse().ok()?)),
        _ => None,
    }
}

/// `each: …` is ticked by everyone alone, `crew: …` or a bare line once.
pub(super) fn checklist(text: &str) -> Vec<CheckItem> {
    let mut items: Vec<CheckItem> = Vec::new();
    for line in lines(text) {
        let (each_person, words) = if let Some(words) = line.strip_prefix("each:") {
            (true, words.trim())
        } else {
            (false, line.strip_prefix("crew:").unwrap_or(line).trim())
        };
        let short = short_name(words);
        let taken = items.iter().filter(|i| i.item.starts_with(&short)).count();
        items.push(CheckItem {
            item: if taken == 0 {
                short
            } else {
                format!("{short}-{}", taken + 1)
            },
            words: words.to_owned(),
            each_person,
        });
    }
    items
}

/// The first words in lower case, joined by dashes.
fn short_name(words: &str) -> String {
    let plain: String = (words.chars())
        .map(|c| {
            if c.is_alphanumeric() {
                c.to_ascii_lowercase()
            } else {
                ' '
            }
        })
        .collect();
    let first: Vec<&str> = plain.split_whitespace().take(4).collect();
    if first.is_empty() {
        "line".to_owned()
    } else {
        first.join("-")
    }
}

/// Random text, so that two crews who make up a visit at one site and day keep two documents.
fn nonce() -> Result<String, LineError> {
    let mut bytes = [0; 8];
    SystemRandom::new()
        .fill(&mut bytes)
        .map_err(|_| LineError::NoRandomness)?;
    Ok(bytes.iter().map(|byte| format!("{byte:02x}")).collect())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_species_line_carries_size_groups_group_and_permit() {
        let line = "American brook lamprey, Lethenteron appendix, cut 100, as lampreys, \
                    permit 20 caught 1 dead, before 9 caught 0 dead";
        let species = species(line).expect("a species");
        assert_eq!(species.name.as_str(), "american brook lamprey");
        assert_eq!(species.scientific_name, "Lethenteron appendix");
        assert_eq!(species.size_cuts_mm, [100.0]);
        assert_eq!(species.tallied_as, SpeciesName::new("lampreys").ok());
        let permit = species.permit.expect("a permit");
        assert_eq!((permit.caught, permit.dead), (20, 1));
        assert_eq!((permit.caught_before, permit.dead_before), (9, 0));
    }

    fn start_form(more: &str) -> Result<Plan, LineError> {
        let text = format!(
            r#"{{"site":"QB-03","place":"Quillet Brook","date":"2026-08-18","passes":"3",{more}}}"#
        );
        let lines: Lines = serde_json::from_str(&text).expect("a form");
        lines.planned()
    }

    #[test]
    fn limits_and_targets_are_read_as_people_write_them() {
        let plan = start_form(
            r#""water_limit_c":"18,5 °C","target_percent":"33,3 %","known_good":"350 V at 68 µS/cm","species":"dace, measure 25""#,
        )
        .expect("a plan");
        assert_eq!(plan.water_limit_c, Some(18.5));
        assert_eq!(plan.target_relative_half_width, Some(0.333));
        let again = Plan::from_about(&plan.about()).expect("a plan");
        assert_eq!(again.document_id(), plan.document_id());
        let known = plan.known_good.expect("an output");
        assert_eq!((known.peak_v, known.ambient_us_cm), (350.0, 68.0));
        assert_eq!(plan.species[0].measure_first, Some(25));
        assert!(plan.nonce.is_empty());
    }

    #[test]
    fn what_is_left_blank_is_no_limit() {
        let plan = start_form(r#""water_limit_c":" ","known_good":"","limit_profiles":" , ""#);
        let plan = plan.expect("a plan");
        assert_eq!((plan.water_limit_c, plan.known_good), (None, None));
        assert!(plan.limit_profiles.is_empty());
    }

    #[test]
    fn a_limit_profile_that_nobody_knows_is_refused_with_those_there_are() {
        let error = start_form(r#""limit_profiles":"no such office""#).expect_err("unknown");
        let words = error.to_string();
        assert!(
            words.contains("no such office") && words.contains(&profile_names()[0]),
            "{words}"
        );
        for name in profile_names() {
            assert!(start_form(&format!(r#""limit_profiles":"{name}""#)).is_ok());
        }
    }

    #[test]
    fn an_unreadable_line_is_named() {
        let error = species("brook trout, cut long").expect_err("no number");
        assert!(error.to_string().contains("brook trout, cut long"));
    }

    #[test]
    fn equal_check_lines_get_names_of_their_own() {
        let items = checklist("each: gloves\ncrew: gloves\ngloves\n\n");
        let names: Vec<&str> = items.iter().map(|i| i.item.as_str()).collect();
        assert_eq!(names, ["gloves", "gloves-2", "gloves-3"]);
        assert_eq!(items.iter().filter(|i| i.each_person).count(), 1);
    }
}
