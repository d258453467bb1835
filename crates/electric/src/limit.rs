//! Owns one limit in force and its breach; its value never goes anywhere without its standing.
//!
//! Why an unconfirmed value can't be shown as a plain number: `value` is private and has no accessor; the
//! only ways out are `Display` and `Serialize`, and both write the standing beside it. A crate that wants
//! to compare uses [`Limit::breach`].

use crate::profile::{Line, Profile};
use crate::quantity::{Quantity, Rule};
use crate::significant::{figure, six_digits};
use crate::standing::Standing;
use serde::ser::{Serialize, SerializeStruct, Serializer};
use std::cmp::Ordering;
use std::fmt;

/// A limit in force, with where it comes from and who confirmed it.
#[derive(Debug, Clone, PartialEq)]
pub struct Limit {
    quantity: Quantity,
    rule: Rule,
    value: f64,
    waters: String,
    profile: String,
    source: String,
    date: String,
    note: Option<String>,
    standing: Standing,
}

impl Limit {
    pub(crate) fn new(profile: &Profile, line: &Line) -> Self {
        Self {
            quantity: line.quantity,
            rule: line.rule,
            value: line.value,
            waters: line.ambient_us_cm.words(),
            profile: profile.name().to_owned(),
            source: profile.source().to_owned(),
            date: profile.date().to_owned(),
            note: line.note.clone(),
            standing: profile.standing(line),
        }
    }

    /// What it is set on.
    #[must_use]
    pub fn quantity(&self) -> Quantity {
        self.quantity
    }

    /// How it binds.
    #[must_use]
    pub fn rule(&self) -> Rule {
        self.rule
    }

    /// Name of the profile it comes from.
    #[must_use]
    pub fn profile(&self) -> &str {
        &self.profile
    }

    /// How far it may be trusted.
    #[must_use]
    pub fn standing(&self) -> &Standing {
        &self.standing
    }

    pub(crate) fn value(&self) -> f64 {
        self.value
    }

    /// Strictest first; of equal ones, a confirmed one first, then by profile.
    pub(crate) fn stricter(&self, other: &Self) -> Ordering {
        let by_value = match self.rule {
            Rule::AtLeast => other.value.total_cmp(&self.value),
            Rule::AtMost | Rule::StartAt | Rule::CautionAbove => self.value.total_cmp(&other.value),
        };
        by_value
            .then_with(|| (other.standing.is_confirmed()).cmp(&self.standing.is_confirmed()))
            .then_with(|| self.profile.cmp(&other.profile))
    }

    /// How far a value goes past the limit; `None` where it keeps it. A NaN never keeps a limit.
    ///
    /// A place to start is no limit: for [`Rule::StartAt`] this is always `None`.
    #[must_use]
    pub fn breach(&self, value: f64) -> Option<Breach> {
        let (kept, by) = match self.rule {
            Rule::StartAt => (true, 0.0),
            Rule::AtMost | Rule::CautionAbove => (value <= self.value, value - self.value),
            Rule::AtLeast => (value >= self.value, self.value - value),
        };
        (!kept).then(|| Breach {
            limit: self.clone(),
            value,
            by,
            confirmed_too: None,
        })
    }
}

impl fmt::Display for Limit {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let words = self.quantity.words();
        let value = format!("{} {}", self.value, self.quantity.unit());
        let value = value.trim_end();
        match (self.rule, self.quantity) {
            (Rule::AtMost, Quantity::AlternatingCurrent) if self.value < 1.0 => {
                write!(f, "no alternating current")?;
            }
            (Rule::AtMost, _) => write!(f, "{words} at most {value}")?,
            (Rule::AtLeast, _) => write!(f, "{words} at least {value}")?,
            (Rule::StartAt, _) => write!(f, "start with {words} at {value}")?,
            (Rule::CautionAbove, _) => write!(f, "{words} above {value} with care")?,
        }
        write!(
            f,
            "{} [{}, {}; {}]",
            self.waters, self.profile, self.date, self.standing
        )
    }
}

impl Serialize for Limit {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let mut limit = serializer.serialize_struct("Limit", 11)?;
        limit.serialize_field("quantity", &self.quantity)?;
        limit.serialize_field("rule", &self.rule)?;
        limit.serialize_field("value", &six_digits(self.value))?;
        limit.serialize_field("unit", self.quantity.unit())?;
        limit.serialize_field("profile", &self.profile)?;
        limit.serialize_field("source", &self.source)?;
        limit.serialize_field("date", &self.date)?;
        limit.serialize_field("confirmed", &self.standing.is_confirmed())?;
        limit.serialize_field("standing", &self.standing.to_string())?;
        limit.serialize_field("note", &self.note)?;
        limit.serialize_field("text", &self.to_string())?;
        limit.end()
    }
}

/// A value past a limit.
#[derive(Debug, Clone, PartialEq)]
pub struct Breach {
    limit: Limit,
    value: f64,
    by: f64,
    confirmed_too: Option<Limit>,
}

impl Breach {
    /// The limit that was passed, the strictest of its kind.
    #[must_use]
    pub fn limit(&self) -> &Limit {
        &self.limit
    }

    /// The strictest *confirmed* limit passed as well, where [`Self::limit`] is an unconfirmed one: so that
    /// nobody waves a breach away because the strictest limit was never confirmed.
    #[must_use]
    pub fn confirmed_too(&self) -> Option<&Limit> {
        self.confirmed_too.as_ref()
    }

    pub(crate) fn with_confirmed(self, confirmed_too: Option<Limit>) -> Self {
        Self {
            confirmed_too,
            ..self
        }
    }

    /// The reason as one word for machines: `over_peak_v`, `under_temperature_c`.
    #[must_use]
    pub fn code(&self) -> String {
        let side = match self.limit.rule {
            Rule::AtLeast => "under",
            Rule::AtMost | Rule::StartAt | Rule::CautionAbove => "over",
        };
        format!("{side}_{}", self.limit.quantity.code())
    }
}

impl fmt::Display for Breach {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let quantity = self.limit.quantity;
        if quantity == Quantity::AlternatingCurrent {
            return write!(f, "alternating current is set: {}", self.limit);
        }
        let side = match self.limit.rule {
            Rule::AtLeast => "under",
            Rule::AtMost | Rule::StartAt | Rule::CautionAbove => "over",
        };
        write!(
            f,
            "{} {} is {} {side}: {}",
            quantity.words(),
            quantity.with_unit(self.value),
            quantity.with_unit(self.by),
            self.limit
        )?;
        match &self.confirmed_too {
            Some(confirmed) => write!(f, "; also past: {confirmed}"),
            None => Ok(()),
        }
    }
}

impl Serialize for Breach {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        #[derive(serde::Serialize)]
        struct Written<'a> {
            code: String,
            text: String,
            #[serde(serialize_with = "figure")]
            value: f64,
            #[serde(serialize_with = "figure")]
            by: f64,
            limit: &'a Limit,
            confirmed_too: Option<&'a Limit>,
        }
        Written {
            code: self.code(),
            text: self.to_string(),
            value: self.value,
            by: self.by,
            limit: &self.limit,
            confirmed_too: self.confirmed_too.as_ref(),
        }
        .serialize(serializer)
    }
}
