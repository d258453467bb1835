//! Owns the question whether fish recover well, and what to ease first if they don't.

use crate::coded::coded;
use crate::limit::Breach;
use crate::limits::Limits;
use crate::quantity::{Quantity, Rule};
use crate::range::{OutOfRange, UPRIGHT};
use crate::significant::{maybe_figure, said};
use serde::Serialize;
use thiserror::Error;

/// Why recovery can't be judged.
#[derive(Debug, Clone, Copy, PartialEq, Error)]
pub enum RecoveryError {
    /// A time outside its bounds.
    #[error(transparent)]
    OutOfRange(#[from] OutOfRange),
}

impl RecoveryError {
    /// The reason as one word for machines.
    #[must_use]
    pub fn code(&self) -> &'static str {
        match self {
            Self::OutOfRange(_) => "out_of_range",
        }
    }
}

coded!(RecoveryError);

/// Signs of harm counted among the fish watched.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize)]
pub struct Signs {
    /// Fish with a dark bar or chevron.
    pub brands: u32,
    /// Fish bent, or bleeding at gill or vent.
    pub bent_or_bleeding: u32,
    /// Fish dead.
    pub deaths: u32,
}

/// Why the settings should be looked at again.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum RecoveryReason {
    /// A fish died.
    Death,
    /// A fish bent or bleeding.
    BentOrBleeding,
    /// A dark bar or chevron.
    Brand,
    /// One fish past the limit for any.
    SlowRecovery,
    /// The median past its mark.
    SlowMedian,
}

impl RecoveryReason {
    /// What to ease first.
    ///
    /// # Source
    /// Frequency and smooth DC: Snyder 2003, Dalbey 1994. Voltage, then width: common practice, no source. Deaths: from memory, NMFS 2000.
    #[must_use]
    pub fn first_change(self) -> &'static str {
        match self {
            Self::Death => {
                "stop; cool, aerate and release; start again only with changed settings, or not at all"
            }
            Self::BentOrBleeding | Self::Brand => {
                "lower the pulse rate (30 Hz or less) or use smooth DC; keep fish off the anode"
            }
            Self::SlowRecovery | Self::SlowMedian => {
                "lower the voltage, then the pulse width; net and lift sooner; stay less in one spot"
            }
        }
    }
}

/// How fish recover, and what to do about it.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct RecoveryReview {
    /// Whether the settings should be looked at again.
    pub review: bool,
    /// Why, the gravest first.
    pub reasons: Vec<RecoveryReason>,
    /// Fish timed.
    pub timed: usize,
    /// Median seconds to upright.
    #[serde(serialize_with = "maybe_figure")]
    pub median_s: Option<f64>,
    /// Longest, s.
    #[serde(serialize_with = "maybe_figure")]
    pub worst_s: Option<f64>,
    /// The times past a limit.
    pub breaches: Vec<Breach>,
    /// What to ease first; `None` where nothing is wrong.
    pub first_change: Option<&'static str>,
    /// In words, for the crew.
    pub words: String,
}

/// Asks whether fish recover well enough, from seconds to upright and signs of harm.
///
/// Times are held against the recovery lines of `limits`; no time limit is built in, and none that was
/// read gives seconds. Any sign of harm asks for a review by itself. Easing between passes breaks
/// equal effort: log it, and expect the estimate to be flagged.
///
/// ```
/// use gravelbar_electric::{Limits, Profile, Signs, WaterNow, review_recovery};
/// let rules = Profile::named("recovery_proposed").into_iter().collect::<Vec<_>>();
/// let limits = Limits::of(&rules, WaterNow::default())?;
/// let three = review_recovery(&[20.0, 75.0, 130.0], Signs::default(), &limits)?;
/// assert!(three.review);
/// assert_eq!(three.median_s, Some(75.0));
/// # Ok::<(), Box<dyn std::error::Error>>(())
/// ```
///
/// # Errors
/// A time that isn't a number from 0 to a day.
///
/// # Source
/// Limits as their profile says; that harm asks for a change: NMFS 2000, from memory.
pub fn review_recovery(
    upright_s: &[f64],
    signs: Signs,
    limits: &Limits,
) -> Result<RecoveryReview, RecoveryError> {
    let mut times = (upright_s.iter())
        .map(|time| UPRIGHT.take(*time))
        .collect::<Result<Vec<f64>, _>>()?;
    times.sort_by(f64::total_cmp);
    let worst_s = times.last().copied();
    let median_s = median(&times);
    let past = |quantity: Quantity, value: Option<f64>| {
        let value = value?;
        (limits.breach(quantity, Rule::AtMost, value))
            .or_else(|| limits.breach(quantity, Rule::CautionAbove, value))
    };
    let slow = past(Quantity::UprightS, worst_s);
    let slow_median = past(Quantity::MedianUprightS, median_s);
    let reasons: Vec<RecoveryReason> = [
        (signs.deaths > 0, RecoveryReason::Death),
        (signs.bent_or_bleeding > 0, RecoveryReason::BentOrBleeding),
        (signs.brands > 0, RecoveryReason::Brand),
        (slow.is_some(), RecoveryReason::SlowRecovery),
        (slow_median.is_some(), RecoveryReason::SlowMedian),
    ]
    .into_iter()
    .filter_map(|(seen, reason)| seen.then_some(reason))
    .collect();
    let breaches: Vec<Breach> = slow.into_iter().chain(slow_median).collect();
    let first_change = reasons.first().map(|reason| reason.first_change());
    Ok(RecoveryReview {
        review: !reasons.is_empty(),
        timed: times.len(),
        words: words(&times, median_s, signs, &breaches, first_change),
        reasons,
        median_s,
        worst_s,
        breaches,
        first_change,
    })
}

fn median(sorted: &[f64]) -> Option<f64> {
    let middle = sorted.len() / 2;
    let upper = *sorted.get(middle)?;
    if sorted.len() % 2 == 1 {
        return Some(upper);
    }
    let lower = *sorted.get(middle.checked_sub(1)?)?;
    Some(lower + (upper - lower) / 2.0)
}

fn words(
    times: &[f64],
    median_s: Option<f64>,
    signs: Signs,
    breaches: &[Breach],
    first_change: Option<&'static str>,
) -> String {
    let mut said_so = match (median_s, times.last()) {
        (Some(median), Some(worst)) => format!(
            "{} fish timed, half upright within {} s, the slowest in {} s",
            times.len(),
            said(median),
            said(*worst)
        ),
        _ => "no fish timed".to_owned(),
    };
    let harm = [
        (signs.deaths, "dead"),
        (signs.bent_or_bleeding, "bent or bleeding"),
        (signs.brands, "with dark bars"),
    ];
    for (count, what) in harm.into_iter().filter(|(count, _)| *count > 0) {
        said_so.push_str(&format!("; {count} {what}"));
    }
    for breach in breaches {
        said_so.push_str(&format!("; {breach}"));
    }
    match first_change {
        Some(change) => said_so.push_str(&format!(". First: {change}")),
        None if times.is_empty() => {}
        None => said_so.push_str("; no limit entered is passed"),
    }
    said_so
}
