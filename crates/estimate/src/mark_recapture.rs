//! Owns two-visit mark and recapture: the check on removal that a marked subset makes possible.

use crate::NORMAL_95;
use crate::search::crossing;
use crate::significant::{figure, maybe_figure};
use crate::tail::{chi_square_above, poisson_limits};
use serde::Serialize;
use thiserror::Error;

/// Why marks give no estimate.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Error)]
pub enum MarkError {
    /// More marked fish seen than there can be.
    #[error(
        "{recaptured} marked fish were seen again, but only {marked} were marked and {second} looked at; check the counts"
    )]
    Impossible {
        /// Fish marked and released.
        marked: u32,
        /// Fish looked at on the second visit.
        second: u32,
        /// Of those, marked.
        recaptured: u32,
    },
    /// Nothing marked or nothing looked at.
    #[error("no fish were marked, or none looked at afterwards")]
    Nothing,
}

/// Counts of a mark and recapture pair of visits.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Marks {
    marked: u32,
    second: u32,
    recaptured: u32,
}

impl Marks {
    /// `marked` fish released, `second` looked at later, `recaptured` of those marked.
    ///
    /// # Errors
    /// Nothing marked or looked at; more recaptures than either.
    pub fn new(marked: u32, second: u32, recaptured: u32) -> Result<Self, MarkError> {
        if marked == 0 || second == 0 {
            return Err(MarkError::Nothing);
        }
        if recaptured > marked.min(second) {
            return Err(MarkError::Impossible {
                marked,
                second,
                recaptured,
            });
        }
        Ok(Self {
            marked,
            second,
            recaptured,
        })
    }

    fn as_figures(self) -> (f64, f64, f64) {
        (
            f64::from(self.marked),
            f64::from(self.second),
            f64::from(self.recaptured),
        )
    }
}

/// Which distribution the limits are from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum LimitRule {
    /// More than a tenth of the second sample was marked: normal limits of the estimate's own variance.
    MarkedShare,
    /// More than 50 recaptures: normal limits.
    Normal,
    /// Few recaptures: exact Poisson limits of their number.
    Poisson,
}

/// Estimate from marks.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct MarkEstimate {
    /// Chapman: nearly unbiased, the one to use. `(M+1)(n+1)/(m+1) - 1`.
    #[serde(serialize_with = "figure")]
    pub chapman_fish: f64,
    /// Standard error of `chapman_fish`.
    #[serde(serialize_with = "figure")]
    pub se_chapman_fish: f64,
    /// Bailey: second sample with replacement, as counts from the bank or by snorkel. `M(n+1)/(m+1)`.
    #[serde(serialize_with = "figure")]
    pub bailey_fish: f64,
    /// Petersen: `M n / m`; biased upwards, `None` without recaptures.
    #[serde(serialize_with = "maybe_figure")]
    pub petersen_fish: Option<f64>,
    /// Lower 95 % limit by `limit_rule`, never below the fish known to be there.
    #[serde(serialize_with = "figure")]
    pub low_95_fish: f64,
    /// Upper 95 % limit by `limit_rule`.
    #[serde(serialize_with = "figure")]
    pub high_95_fish: f64,
    /// Where the limits are from.
    pub limit_rule: LimitRule,
    /// Whether there were the 7 recaptures that keep the bias below 2 % with 95 % surety.
    pub enough_recaptures: bool,
}

/// Estimates a closed population from marked fish seen again.
///
/// ```text
/// Chapman  N = (M+1)(n+1)/(m+1) - 1
///          V = (M+1)(n+1)(M-m)(n-m) / [(m+1)^2 (m+2)]
/// ```
///
/// Assumes that no fish came or went, marks stayed and were seen, marked fish mixed (a day at least) and
/// were as easily caught the second time. Limits: with more than a tenth of the second sample marked, or
/// more than 50 recaptures, 1.96 standard errors; otherwise exact Poisson limits of the recaptures, put into
/// the Chapman formula.
///
/// ```
/// use gravelbar_estimate::{Marks, mark_recapture};
///
/// let trout = mark_recapture(Marks::new(74, 110, 11)?);
/// assert!((trout.chapman_fish - 692.75).abs() < 1e-9);
/// # Ok::<(), gravelbar_estimate::MarkError>(())
/// ```
///
/// # Source
/// Chapman 1951, variance as Hayes et al. 2007, eq. 8.3 (its eq. 8.4 prints a trailing "- 1", a misprint);
/// Bailey 1951, 1952; rule for limits from Seber 1982; seven recaptures from Robson and Regier 1964.
#[must_use]
pub fn mark_recapture(marks: Marks) -> MarkEstimate {
    let (marked, second, again) = marks.as_figures();
    let chapman = |again: f64| (marked + 1.0) * (second + 1.0) / (again + 1.0) - 1.0;
    let variance = (marked + 1.0) * (second + 1.0) * (marked - again) * (second - again)
        / ((again + 1.0) * (again + 1.0) * (again + 2.0));
    let (fish, se) = (chapman(again), libm::sqrt(variance));
    let limit_rule = if again / second > 0.10 {
        LimitRule::MarkedShare
    } else if again > 50.0 {
        LimitRule::Normal
    } else {
        LimitRule::Poisson
    };
    let (low, high) = match limit_rule {
        LimitRule::MarkedShare | LimitRule::Normal => {
            (fish - NORMAL_95 * se, fish + NORMAL_95 * se)
        }
        LimitRule::Poisson => {
            let (few, many) = poisson_limits(again);
            (chapman(many), chapman(few))
        }
    };
    MarkEstimate {
        chapman_fish: fish,
        se_chapman_fish: se,
        bailey_fish: marked * (second + 1.0) / (again + 1.0),
        petersen_fish: (again > 0.0).then(|| marked * second / again),
        low_95_fish: low.max(marked + second - again),
        high_95_fish: high,
        limit_rule,
        enough_recaptures: again >= 7.0,
    }
}

/// Limits by exact Poisson quantiles of the recaptures, whatever the rule would choose.
///
/// # Source
/// Chi-square quantiles with `2m` and `2m + 2` degrees of freedom, put into the Chapman formula.
#[must_use]
pub fn poisson_mark_limits(marks: Marks) -> (f64, f64) {
    let (marked, second, again) = marks.as_figures();
    let (few, many) = poisson_limits(again);
    let chapman = |again: f64| (marked + 1.0) * (second + 1.0) / (again + 1.0) - 1.0;
    (chapman(many), chapman(few))
}

/// Shortest 95 % interval for `N` from few recaptures: the smallest `M n (1/low - 1/high)`, 5 % outside in all.
///
/// `None` without recaptures: there is then no upper limit.
///
/// ```
/// use gravelbar_estimate::{Marks, shortest_mark_limits};
///
/// let limits = shortest_mark_limits(Marks::new(100, 100, 10)?);
/// // printed multipliers of M n for 10 recaptures: 0.0468 and 0.188
/// assert!(limits.is_some_and(|(low, high)| (low - 468.0).abs() < 2.0 && (high - 1880.0).abs() < 8.0));
/// # Ok::<(), gravelbar_estimate::MarkError>(())
/// ```
///
/// # Source
/// Chapman 1948, International Pacific Salmon Fisheries Commission Bulletin 2.
#[must_use]
pub fn shortest_mark_limits(marks: Marks) -> Option<(f64, f64)> {
    let (marked, second, again) = marks.as_figures();
    if again < 1.0 {
        return None;
    }
    // Chance of a count of `again` or fewer if the mean is `mean`, and of `again` or more.
    let at_most = |mean: f64| chi_square_above(2.0 * mean, 2.0 * again + 2.0);
    let at_least = |mean: f64| 1.0 - chi_square_above(2.0 * mean, 2.0 * again);
    let top = 2.0 * again + 60.0;
    let smallest_mean = |share: f64| crossing(0.0, top, |mean| at_least(mean) < share);
    let largest_mean = |share: f64| crossing(0.0, top, |mean| at_most(mean) > share);
    let width = |share: f64| 1.0 / smallest_mean(share) - 1.0 / largest_mean(0.05 - share);
    // The width has one lowest point; narrow it by thirds of the golden section.
    let (mut low, mut high) = (1e-9, 0.05 - 1e-9);
    for _ in 0..60 {
        let third = 0.381_966_011_250_105 * (high - low);
        if width(low + third) < width(high - third) {
            high -= third;
        } else {
            low += third;
        }
    }
    let share = 0.5 * (low + high);
    Some((
        marked * second / largest_mean(0.05 - share),
        marked * second / smallest_mean(share),
    ))
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn limits_hold_the_estimate_and_never_fall_below_the_fish_seen(marked in 1_u32..5000, second in 1_u32..5000, again in 0_u32..5000) {
            let again = again.min(marked).min(second);
            let here = mark_recapture(Marks::new(marked, second, again).unwrap());
            prop_assert!(here.high_95_fish >= here.chapman_fish - 1e-9 && here.high_95_fish.is_finite());
            prop_assert!(here.low_95_fish >= f64::from(marked + second - again));
            prop_assert!(here.chapman_fish >= f64::from(marked.max(second)) - 1e-9);
            if let Some(petersen) = here.petersen_fish {
                prop_assert!(here.chapman_fish <= petersen + 1e-6);
            }
        }
    }

    #[test]
    fn counts_that_cannot_be_are_turned_away() {
        assert_eq!(
            Marks::new(5, 9, 6),
            Err(MarkError::Impossible {
                marked: 5,
                second: 9,
                recaptured: 6
            })
        );
        assert_eq!(Marks::new(0, 9, 0), Err(MarkError::Nothing));
        assert_eq!(
            shortest_mark_limits(Marks {
                marked: 5,
                second: 9,
                recaptured: 0
            }),
            None
        );
    }
}
