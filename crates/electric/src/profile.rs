//! Owns limits as data: a profile is what one agency, permit, office or rating plate allows.
//!
//! A profile is a JSON file with a name, a source, a date and, once a person took responsibility for it,
//! `confirmed_by`. A key that isn't known is refused, so that a misspelt one can't be passed over.

use crate::coded::coded;
use crate::conductivity::Ambient;
use crate::quantity::{Quantity, Rule};
use crate::standing::{Basis, Standing};
use serde::Deserialize;
use thiserror::Error;

/// Why a profile can't be used.
#[derive(Debug, Clone, PartialEq, Eq, Error)]
pub enum ProfileError {
    /// Not a profile in JSON.
    #[error("this is no limit profile: {0}; compare it with one that works")]
    Unreadable(String),
    /// A part of it makes no sense.
    #[error("the limit profile \"{name}\" can't be used: {fault}")]
    Faulty {
        /// Name of the profile.
        name: String,
        /// What is wrong.
        fault: String,
    },
}

impl ProfileError {
    /// The reason as one word for machines.
    #[must_use]
    pub fn code(&self) -> &'static str {
        match self {
            Self::Unreadable(_) => "unreadable_profile",
            Self::Faulty { .. } => "faulty_profile",
        }
    }
}

coded!(ProfileError);

/// Conductivities for which a line holds; all ends left out means every water.
#[derive(Debug, Clone, Copy, PartialEq, Default, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub(crate) struct Waters {
    from: Option<f64>,
    to: Option<f64>,
    below: Option<f64>,
    above: Option<f64>,
}

impl Waters {
    pub(crate) fn hold(&self, water: Ambient) -> bool {
        let c = water.us_cm();
        self.from.is_none_or(|from| c >= from)
            && self.to.is_none_or(|to| c <= to)
            && self.below.is_none_or(|below| c < below)
            && self.above.is_none_or(|above| c > above)
    }

    pub(crate) fn words(&self) -> String {
        let ends = [
            ("from", self.from),
            ("above", self.above),
            ("up to", self.to),
            ("below", self.below),
        ];
        let said: Vec<String> = (ends.iter())
            .filter_map(|(word, end)| end.map(|end| format!("{word} {end}")))
            .collect();
        if said.is_empty() {
            String::new()
        } else {
            format!(" in water {} µS/cm", said.join(" "))
        }
    }

    fn fault(&self) -> Option<String> {
        let ends = [self.from, self.to, self.below, self.above];
        if ends
            .iter()
            .flatten()
            .any(|end| !end.is_finite() || *end < 0.0)
        {
            return Some("a conductivity of its bands isn't a number from 0 up".to_owned());
        }
        let low = self.from.or(self.above);
        let high = self.to.or(self.below);
        match (low, high) {
            (Some(low), Some(high)) if low >= high => {
                Some(format!("the band from {low} to {high} µS/cm is empty"))
            }
            _ => None,
        }
    }
}

/// One line of a profile.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct Line {
    pub(crate) quantity: Quantity,
    pub(crate) rule: Rule,
    pub(crate) value: f64,
    #[serde(default)]
    pub(crate) ambient_us_cm: Waters,
    /// Where it differs from the profile's.
    basis: Option<Basis>,
    pub(crate) note: Option<String>,
}

/// What one agency, permit, office or rating plate allows.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Profile {
    id: String,
    name: String,
    source: String,
    date: String,
    basis: Basis,
    confirmed_by: Option<String>,
    confirmed_on: Option<String>,
    lines: Vec<Line>,
}

/// The profiles that come with the program, by file.
const EMBEDDED: [&str; 5] = [
    include_str!("../profiles/nmfs_2000.json"),
    include_str!("../profiles/nmfs_2000_california_coast.json"),
    include_str!("../profiles/fish_relocation_measure.json"),
    include_str!("../profiles/recovery_proposed.json"),
    include_str!("../profiles/quillet_brook_demo.json"),
];

impl Profile {
    /// Reads a profile from JSON.
    ///
    /// ```
    /// use gravelbar_electric::Profile;
    /// let permit = Profile::from_json(r#"{
    ///   "id": "permit", "name": "Permit 12", "source": "permit text, clause 4", "date": "2026-05-01",
    ///   "basis": "read_in_source", "confirmed_by": "J. Harrowgate", "confirmed_on": "2026-05-03",
    ///   "lines": [{ "quantity": "peak_v", "rule": "at_most", "value": 300 }]
    /// }"#)?;
    /// assert_eq!(permit.name(), "Permit 12");
    /// # Ok::<(), gravelbar_electric::ProfileError>(())
    /// ```
    ///
    /// # Errors
    /// Text that isn't a profile, an unknown key, an empty name, source or date, a blank `confirmed_by`, no
    /// lines, a value below zero or not a number, an empty band.
    ///
    /// # Source
    /// Format of this project.
    pub fn from_json(text: &str) -> Result<Self, ProfileError> {
        let profile: Self =
            serde_json::from_str(text).map_err(|e| ProfileError::Unreadable(e.to_string()))?;
        match profile.fault() {
            None => Ok(profile),
            Some(fault) => Err(ProfileError::Faulty {
                name: profile.name,
                fault,
            }),
        }
    }

    /// The profiles that come with the program. None of them is confirmed: an office confirms its own.
    ///
    /// # Errors
    /// A file among them can't be read; a test holds that all can.
    pub fn embedded() -> Result<Vec<Self>, ProfileError> {
        EMBEDDED.into_iter().map(Self::from_json).collect()
    }

    /// The embedded profile of that id.
    #[must_use]
    pub fn named(id: &str) -> Option<Self> {
        (EMBEDDED.into_iter())
            .filter_map(|text| Self::from_json(text).ok())
            .find(|profile| profile.id == id)
    }

    /// Its id.
    #[must_use]
    pub fn id(&self) -> &str {
        &self.id
    }

    /// Its name.
    #[must_use]
    pub fn name(&self) -> &str {
        &self.name
    }

    /// Where its values come from.
    #[must_use]
    pub fn source(&self) -> &str {
        &self.source
    }

    /// Its date, as written in it.
    #[must_use]
    pub fn date(&self) -> &str {
        &self.date
    }

    pub(crate) fn lines(&self) -> &[Line] {
        &self.lines
    }

    /// How far one of its lines may be trusted. A person who confirms a profile confirms every line.
    pub(crate) fn standing(&self, line: &Line) -> Standing {
        match &self.confirmed_by {
            Some(by) => Standing::Confirmed {
                by: by.clone(),
                on: self.confirmed_on.clone(),
            },
            None => Standing::Unconfirmed(line.basis.unwrap_or(self.basis)),
        }
    }

    fn fault(&self) -> Option<String> {
        let named = [
            ("id", Some(&self.id)),
            ("name", Some(&self.name)),
            ("source", Some(&self.source)),
            ("date", Some(&self.date)),
            ("confirmed_by", self.confirmed_by.as_ref()),
            ("confirmed_on", self.confirmed_on.as_ref()),
        ];
        let blank =
            (named.iter()).find(|(_, text)| text.is_some_and(|text| text.trim().is_empty()));
        if let Some((key, _)) = blank {
            return Some(format!("its {key} is blank; say it or leave it out"));
        }
        if self.confirmed_on.is_some() && self.confirmed_by.is_none() {
            return Some("confirmed_on needs confirmed_by".to_owned());
        }
        if self.lines.is_empty() {
            return Some("it has no lines".to_owned());
        }
        self.lines.iter().find_map(|line| {
            let what = line.quantity.words();
            // A floor under the temperature may lie below zero; nothing else can.
            let least = if line.quantity == Quantity::TemperatureC {
                -5.0
            } else {
                0.0
            };
            if !line.value.is_finite() || line.value < least {
                return Some(format!(
                    "the value for {what} isn't a number from {least} up"
                ));
            }
            (line.ambient_us_cm.fault()).map(|fault| format!("in the line for {what}, {fault}"))
        })
    }
}
