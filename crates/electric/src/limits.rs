//! Owns the limits in force together: several profiles at one water, the strictest of each kind first.

use crate::coded::coded;
use crate::conductivity::Ambient;
use crate::limit::{Breach, Limit};
use crate::profile::Profile;
use crate::quantity::{Quantity, Rule};
use crate::range::{OutOfRange, TEMPERATURE};
use crate::setting::{Setting, SettingError};
use serde::Serialize;
use std::collections::BTreeSet;
use thiserror::Error;

/// Why limits can't be looked up for a water.
#[derive(Debug, Clone, Copy, PartialEq, Error)]
pub enum WaterError {
    /// A temperature outside its bounds.
    #[error(transparent)]
    OutOfRange(#[from] OutOfRange),
}

impl WaterError {
    /// The reason as one word for machines.
    #[must_use]
    pub fn code(&self) -> &'static str {
        match self {
            Self::OutOfRange(_) => "out_of_range",
        }
    }
}

coded!(WaterError);

/// The water as known now; what isn't known is left out.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct WaterNow {
    /// Conductivity as it is.
    pub ambient: Option<Ambient>,
    /// Temperature, °C.
    pub temperature_c: Option<f64>,
    /// Highest temperature expected before the work ends, °C.
    pub forecast_max_c: Option<f64>,
}

/// The limits in force at one water.
///
/// The strictest of several applies. Where the conductivity isn't known, the limits of every band count,
/// so that not knowing never allows more than knowing.
#[derive(Debug, Clone, PartialEq)]
pub struct Limits {
    lines: Vec<Limit>,
    water: WaterNow,
}

impl Limits {
    /// The lines of several profiles that hold in this water.
    ///
    /// # Errors
    /// A temperature outside -5 to 60 °C.
    ///
    /// # Source
    /// "The strictest applies" is a rule proposed by this project; the permit text governs.
    pub fn of(profiles: &[Profile], water: WaterNow) -> Result<Self, WaterError> {
        TEMPERATURE.take_if(water.temperature_c)?;
        TEMPERATURE.take_if(water.forecast_max_c)?;
        let mut lines: Vec<Limit> = (profiles.iter())
            .flat_map(|profile| profile.lines().iter().map(move |line| (profile, line)))
            .filter(|(_, line)| {
                (water.ambient).is_none_or(|ambient| line.ambient_us_cm.hold(ambient))
            })
            .map(|(profile, line)| Limit::new(profile, line))
            .collect();
        lines.sort_by(|a, b| {
            (a.quantity(), a.rule())
                .cmp(&(b.quantity(), b.rule()))
                .then_with(|| a.stricter(b))
        });
        Ok(Self { lines, water })
    }

    /// The strictest limit of a kind.
    #[must_use]
    pub fn strictest(&self, quantity: Quantity, rule: Rule) -> Option<&Limit> {
        self.of_kind(quantity, rule).next()
    }

    /// All limits of a kind, strictest first.
    pub fn of_kind(&self, quantity: Quantity, rule: Rule) -> impl Iterator<Item = &Limit> {
        (self.lines.iter())
            .filter(move |limit| limit.quantity() == quantity && limit.rule() == rule)
    }

    /// All lines, by quantity and rule, strictest first.
    #[must_use]
    pub fn lines(&self) -> &[Limit] {
        &self.lines
    }

    /// The water they were looked up for.
    #[must_use]
    pub fn water(&self) -> WaterNow {
        self.water
    }

    /// The breach of the strictest limit of a kind, and of the strictest confirmed one beside it.
    pub(crate) fn breach(&self, quantity: Quantity, rule: Rule, value: f64) -> Option<Breach> {
        let breach = self.strictest(quantity, rule)?.breach(value)?;
        let confirmed = if breach.limit().standing().is_confirmed() {
            None
        } else {
            (self.of_kind(quantity, rule))
                .find(|limit| limit.standing().is_confirmed() && limit.breach(value).is_some())
                .cloned()
        };
        Some(breach.with_confirmed(confirmed))
    }

    /// Holds a setting and the water against every limit in force.
    ///
    /// Without a setting, only the water is looked at. A limit on something that wasn't entered is listed as
    /// unchecked: it isn't kept, it is unknown. Limits on pulses don't apply to smooth DC.
    ///
    /// # Errors
    /// A setting that isn't possible, see [`Setting::check`].
    ///
    /// # Source
    /// The profiles.
    pub fn check(&self, setting: Option<&Setting>) -> Result<LimitCheck, SettingError> {
        let known = Known::of(setting, self.water)?;
        let kinds: BTreeSet<(Quantity, Rule)> = (self.lines.iter())
            .map(|limit| (limit.quantity(), limit.rule()))
            .filter(|(quantity, rule)| *rule != Rule::StartAt && known.applies(*quantity))
            .collect();
        let (mut breaches, mut cautions, mut unchecked, mut in_force) =
            (Vec::new(), Vec::new(), Vec::new(), Vec::new());
        for (quantity, rule) in kinds {
            in_force.extend(self.strictest(quantity, rule).cloned());
            let Some(value) = known.value(quantity, rule) else {
                unchecked.extend(self.strictest(quantity, rule).cloned());
                continue;
            };
            let Some(breach) = self.breach(quantity, rule, value) else {
                continue;
            };
            match rule {
                Rule::CautionAbove => cautions.push(breach),
                Rule::AtMost | Rule::AtLeast | Rule::StartAt => breaches.push(breach),
            }
        }
        let hard = |limits: &[Limit]| limits.iter().any(|l| l.rule() != Rule::CautionAbove);
        let verdict = if !breaches.is_empty() {
            LimitVerdict::Breach
        } else if !hard(&in_force) {
            LimitVerdict::NoLimits
        } else if hard(&unchecked) {
            LimitVerdict::NotAllChecked
        } else {
            LimitVerdict::Kept
        };
        let conductivity_unknown = self.water.ambient.is_none();
        Ok(LimitCheck {
            words: words(verdict, &in_force, &breaches, &unchecked, &cautions),
            verdict,
            breaches,
            cautions,
            unchecked,
            in_force,
            conductivity_unknown,
        })
    }
}

/// What came of holding a setting and the water against limits.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum LimitVerdict {
    /// Every limit in force is kept.
    Kept,
    /// At least one is passed.
    Breach,
    /// None is passed, but some couldn't be checked.
    NotAllChecked,
    /// No profile sets a limit on any of this.
    NoLimits,
}

/// A setting and the water held against the limits in force.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct LimitCheck {
    /// What came of it.
    pub verdict: LimitVerdict,
    /// Limits passed, by quantity.
    pub breaches: Vec<Breach>,
    /// Values allowed, but only with care.
    pub cautions: Vec<Breach>,
    /// Limits on something that wasn't entered.
    pub unchecked: Vec<Limit>,
    /// The strictest limit of each kind that was looked at.
    pub in_force: Vec<Limit>,
    /// Whether the limits of every conductivity band counted, because the conductivity isn't known.
    pub conductivity_unknown: bool,
    /// In words, for the crew.
    pub words: String,
}

/// "all 3 limits in force, 2 of them UNCONFIRMED": what was kept is only as good as who stands behind it.
fn counted(in_force: &[Limit]) -> String {
    let standings: Vec<bool> = (in_force.iter())
        .filter(|limit| limit.rule() != Rule::CautionAbove)
        .map(|limit| limit.standing().is_confirmed())
        .collect();
    let all = match standings.len() {
        1 => "the one limit in force".to_owned(),
        several => format!("all {several} limits in force"),
    };
    match standings.iter().filter(|confirmed| !**confirmed).count() {
        0 => all,
        some if some == standings.len() => format!("{all}, UNCONFIRMED"),
        some => format!("{all}, {some} of them UNCONFIRMED"),
    }
}

fn words(
    verdict: LimitVerdict,
    in_force: &[Limit],
    breaches: &[Breach],
    unchecked: &[Limit],
    cautions: &[Breach],
) -> String {
    let listed = |lines: Vec<String>| lines.join("; ");
    let mut said = match verdict {
        LimitVerdict::Kept => format!("within {}", counted(in_force)),
        LimitVerdict::NoLimits => "no limits are entered: the permit text governs".to_owned(),
        LimitVerdict::NotAllChecked => format!(
            "no limit passed, but not all could be checked ({})",
            counted(in_force)
        ),
        LimitVerdict::Breach => format!(
            "PAST A LIMIT: {}",
            listed(breaches.iter().map(Breach::to_string).collect())
        ),
    };
    if !unchecked.is_empty() {
        let missing = listed(unchecked.iter().map(Limit::to_string).collect());
        said.push_str(&format!(". Not entered, so not checked: {missing}"));
    }
    if !cautions.is_empty() {
        let careful = listed(cautions.iter().map(Breach::to_string).collect());
        said.push_str(&format!(". With care: {careful}"));
    }
    said
}

/// The values that limits are held against.
struct Known<'a> {
    setting: Option<&'a Setting>,
    figures: Vec<(Quantity, f64)>,
    forecast_max_c: Option<f64>,
}

impl<'a> Known<'a> {
    fn of(setting: Option<&'a Setting>, water: WaterNow) -> Result<Self, SettingError> {
        let mut figures = match setting {
            Some(setting) => setting.figures()?,
            None => Vec::new(),
        };
        let water_figures = [
            (Quantity::AmbientUsCm, water.ambient.map(Ambient::us_cm)),
            (Quantity::TemperatureC, water.temperature_c),
        ];
        figures.extend((water_figures.into_iter()).filter_map(|(q, v)| v.map(|v| (q, v))));
        Ok(Self {
            setting,
            figures,
            forecast_max_c: water.forecast_max_c,
        })
    }

    /// Whether a limit on this quantity is a question here at all.
    fn applies(&self, quantity: Quantity) -> bool {
        match quantity {
            Quantity::AmbientUsCm | Quantity::TemperatureC => true,
            Quantity::UprightS | Quantity::MedianUprightS => false,
            Quantity::PulseRateHz | Quantity::PulseWidthMs | Quantity::DutyPercent => {
                self.setting.is_some_and(Setting::has_pulses)
            }
            _ => self.setting.is_some(),
        }
    }

    fn value(&self, quantity: Quantity, rule: Rule) -> Option<f64> {
        let value = (self.figures.iter())
            .find(|(known, _)| *known == quantity)
            .map(|(_, value)| *value);
        match (quantity, rule, self.forecast_max_c) {
            // Water that will be too warm before the work ends is too warm now.
            (Quantity::TemperatureC, Rule::AtMost | Rule::CautionAbove, Some(forecast)) => {
                value.map(|now| now.max(forecast))
            }
            _ => value,
        }
    }
}
