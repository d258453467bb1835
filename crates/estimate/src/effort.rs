//! Owns removal with unequal effort: passes whose on-time differs, by maximum likelihood.

use crate::catch::{Catch, CatchError};
use crate::likelihood::orderings;
use crate::profile::{Level, Profile, interval};
use crate::refusal::Refusal;
use crate::search::{crossing, turning_point};
use crate::series::langevin;
use crate::significant::{figure, figures, maybe_figure};
use serde::Serialize;
use thiserror::Error;

/// Least and most effort of a pass over the mean of all passes.
const EFFORT_RANGE: std::ops::RangeInclusive<f64> = 1e-3..=1e3;

/// A fall smaller than this share of catch times effort is rounding.
const ROUNDING: f64 = 1e-11;

/// Why catches and efforts don't make a series.
#[derive(Debug, Clone, Copy, PartialEq, Error)]
pub enum EffortError {
    /// The catch itself.
    #[error(transparent)]
    Catch(#[from] CatchError),
    /// Not one effort for each catch.
    #[error(
        "{passes} catches came with {efforts} efforts; give one effort, such as seconds of on-time, for each pass"
    )]
    Length {
        /// Catches given.
        passes: usize,
        /// Efforts given.
        efforts: usize,
    },
    /// An effort that isn't above zero, or is a thousand times off the mean of the passes.
    #[error(
        "pass {pass} has an effort of {effort}; it must be above 0 and within a thousandfold of the mean of all passes"
    )]
    Effort {
        /// Number of the pass, from 1.
        pass: usize,
        /// Effort given.
        effort: f64,
    },
}

/// The catch and the effort of each pass. Any unit of effort, the same for all passes: seconds of on-time, best.
#[derive(Debug, Clone, PartialEq)]
pub struct EffortSeries {
    catch: Catch,
    effort: Vec<f64>,
}

impl EffortSeries {
    /// Checks catches and efforts, first pass first.
    ///
    /// # Errors
    /// What isn't a catch; a missing effort; an effort not above zero or out of all proportion.
    pub fn new(catch: &[u32], effort: &[f64]) -> Result<Self, EffortError> {
        let catch = Catch::new(catch)?;
        if effort.len() != catch.passes() {
            return Err(EffortError::Length {
                passes: catch.passes(),
                efforts: effort.len(),
            });
        }
        let mean = effort.iter().sum::<f64>() / catch.k();
        let odd = |effort: f64| {
            !(effort > 0.0 && effort.is_finite() && EFFORT_RANGE.contains(&(effort / mean)))
        };
        if let Some((pass, &effort)) = (1..).zip(effort).find(|(_, effort)| odd(**effort)) {
            return Err(EffortError::Effort { pass, effort });
        }
        Ok(Self {
            catch,
            effort: effort.to_vec(),
        })
    }

    /// The catches.
    #[must_use]
    pub fn catch(&self) -> &Catch {
        &self.catch
    }

    /// The efforts, first pass first.
    #[must_use]
    pub fn effort(&self) -> &[f64] {
        &self.effort
    }

    /// Catch and effort of each pass.
    pub(crate) fn passes(&self) -> impl Iterator<Item = (f64, f64)> + '_ {
        self.catch
            .per_pass()
            .iter()
            .map(|&fish| f64::from(fish))
            .zip(self.effort.iter().copied())
    }

    fn whole_effort(&self) -> f64 {
        self.effort.iter().sum()
    }

    /// `sum c[i] (F - f[i] - 2 F[i])`, with `F[i]` the effort before pass `i`: above zero where the catch per effort falls.
    fn depletion(&self) -> f64 {
        let (whole, mut before, mut sum) = (self.whole_effort(), 0.0, 0.0);
        for (caught, effort) in self.passes() {
            sum += caught * (whole - effort - 2.0 * before);
            before += effort;
        }
        sum
    }
}

/// Estimate from passes of unequal effort.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct EffortMl {
    /// Conditional estimate, `T / (1 - e^(-qF))`.
    #[serde(serialize_with = "figure")]
    pub n_fish_conditional: f64,
    /// Large-sample standard error of the conditional estimate; `None` where all fish came on the first pass.
    #[serde(serialize_with = "maybe_figure")]
    pub se_fish_conditional: Option<f64>,
    /// Catchability per unit of effort, conditional.
    #[serde(serialize_with = "figure")]
    pub q_conditional: f64,
    /// Whole number of fish with the highest full likelihood, to within a ten-thousandth of the standard error.
    pub n_fish: u64,
    /// Catchability per unit of effort at `n_fish`.
    #[serde(serialize_with = "figure")]
    pub q: f64,
    /// Share each pass takes, `1 - e^(-q f)`, at `n_fish`.
    #[serde(serialize_with = "figures")]
    pub p_per_pass: Vec<f64>,
    /// Natural log of the full likelihood.
    #[serde(skip)]
    pub log_likelihood: f64,
    /// 95 % profile-likelihood interval; no upper end where the catch sets none.
    pub profile_95: Profile,
}

/// Estimates from passes of unequal effort: pass `i` takes the share `p[i] = 1 - exp(-q f[i])`.
///
/// ```text
/// conditional:  sum c[i] [f[i]/(e^(q f[i]) - 1) - F[i]] = T F / (e^(qF) - 1),   N = T / (1 - e^(-qF))
/// full:         l(N, q) = ln[N!/(N-T)!] + sum c[i] ln p[i] - q sum f[i] (N - K[i+1]) - sum ln c[i]!
/// V(N) = I_qq / (I_NN I_qq - F^2),  I_NN = (e^(qF) - 1)/N,  I_qq = N sum e^(-q F[i]) f[i]^2 / (e^(q f[i]) - 1)
/// ```
///
/// with `F[i]` the effort and `K[i]` the catch before pass `i`. Equal efforts give the equal-effort
/// estimates. Use it when on-time differs by more than about a tenth between passes (judgement): a third
/// pass at 62 % of the effort of the first looks like depletion and isn't.
///
/// ```
/// use gravelbar_estimate::{EffortSeries, effort_ml};
///
/// let fit = effort_ml(&EffortSeries::new(&[40, 30, 12], &[10.0, 12.0, 8.0])?)?;
/// assert_eq!(fit.n_fish, 106);
/// # Ok::<(), Box<dyn std::error::Error>>(())
/// ```
///
/// # Errors
/// No fish; one pass; a catch per effort that doesn't fall; all fish on the first pass; a likelihood that
/// rises past [`MOST_FISH`](crate::MOST_FISH).
///
/// # Source
/// Gould and Pollock 1997; conditional form Hayes et al. 2007, eqs 8.24 and 8.25; information matrix derived.
pub fn effort_ml(series: &EffortSeries) -> Result<EffortMl, Refusal> {
    let catch = &series.catch;
    catch.must_compare()?;
    // Sums of efforts round: a catch that exactly holds level must not pass for one that falls.
    if series.depletion() <= ROUNDING * catch.t() * series.whole_effort() {
        return Err(Refusal::DidNotDeplete {
            minimum: catch.total(),
        });
    }
    if catch.all_on_first_pass() {
        return Err(Refusal::AllCaughtNotInformative {
            caught: catch.total(),
        });
    }
    let whole = series.whole_effort();
    let q_conditional = conditional_q(series);
    let n_fish_conditional = catch.t() / -libm::expm1(-q_conditional * whole);
    let likelihood = |n: u64| above_limit(series, n);
    let tie = 1e-14 * (1.0 + catch.t());
    let n_fish = turning_point(catch.total(), |n| {
        likelihood(n + 1) - likelihood(n) > tie * catch.t() / (n as f64 * n as f64)
    })
    .ok_or(Refusal::NoFiniteMaximum)?;
    let q = best_q(series, n_fish);
    Ok(EffortMl {
        n_fish_conditional,
        se_fish_conditional: spread(series, n_fish_conditional, q_conditional),
        q_conditional,
        n_fish,
        q,
        p_per_pass: series
            .effort
            .iter()
            .map(|effort| -libm::expm1(-q * effort))
            .collect(),
        log_likelihood: likelihood(n_fish) + limit(series),
        profile_95: interval(catch.total(), Some(n_fish), 0.0, Level::P95, likelihood)
            .ok_or(Refusal::NoFiniteMaximum)?,
    })
}

/// Root of the conditional likelihood equation.
///
/// With `f/(e^(qf) - 1) = 1/q + (f/2)(L(qf/2) - 1)`, `L` the Langevin function, the terms in `1/q` cancel
/// and `sum c f L(qf/2) - T F L(qF/2)` has to make up for the depletion; it falls as `q` grows.
fn conditional_q(series: &EffortSeries) -> f64 {
    let (whole, t) = (series.whole_effort(), series.catch.t());
    let depletion = series.depletion();
    crossing(0.0, steepest(series), |q| {
        let parts: f64 = series
            .passes()
            .map(|(caught, effort)| caught * effort * langevin(q * effort / 2.0))
            .sum();
        depletion + parts > t * whole * langevin(q * whole / 2.0)
    })
}

/// Catchability at which the smallest effort leaves less than one fish of 10^27.
fn steepest(series: &EffortSeries) -> f64 {
    64.0 / series.effort.iter().copied().fold(f64::INFINITY, f64::min)
}

/// Best catchability for `n` fish: `sum c f / (e^(qf) - 1) = sum f[i] (n - K[i+1])`.
fn best_q(series: &EffortSeries, n: u64) -> f64 {
    let exposed = effort_times_missed(series, n);
    crossing(0.0, steepest(series), |q| {
        series
            .passes()
            .map(|(caught, effort)| caught * effort / libm::expm1(q * effort))
            .sum::<f64>()
            > exposed
    })
}

fn effort_times_missed(series: &EffortSeries, n: u64) -> f64 {
    let mut left = n as f64;
    series
        .passes()
        .map(|(caught, effort)| {
            left -= caught;
            effort * left
        })
        .sum()
}

/// Log likelihood of `n` fish less its limit for infinitely many.
fn above_limit(series: &EffortSeries, n: u64) -> f64 {
    let (t, whole, fish) = (series.catch.t(), series.whole_effort(), n as f64);
    let q = best_q(series, n);
    let shares: f64 = series
        .passes()
        .filter(|(caught, _)| *caught > 0.5)
        .map(|(caught, effort)| {
            caught * libm::log(-libm::expm1(-q * effort) * (fish / t) * (whole / effort))
        })
        .sum();
    orderings(n, series.catch.total()) + shares - q * effort_times_missed(series, n) + t
}

/// The limit [`above_limit`] leaves out: `sum c ln(T f / F) - T - sum ln c!`.
fn limit(series: &EffortSeries) -> f64 {
    let (t, whole) = (series.catch.t(), series.whole_effort());
    let parts = series.passes().map(|(caught, effort)| {
        caught * libm::log(t * effort / whole) - libm::lgamma(caught + 1.0)
    });
    parts.sum::<f64>() - t
}

fn spread(series: &EffortSeries, n_fish: f64, q: f64) -> Option<f64> {
    let (whole, mut before, mut sum) = (series.whole_effort(), 0.0, 0.0);
    for effort in &series.effort {
        sum += libm::exp(-q * before) * effort * effort / libm::expm1(q * effort);
        before += effort;
    }
    let (fish, catchability) = (libm::expm1(q * whole) / n_fish, n_fish * sum);
    let se = libm::sqrt(catchability / (fish * catchability - whole * whole));
    (se.is_finite() && se > 0.0).then_some(se)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{integer_ml, profile, zippin};
    use proptest::prelude::*;

    proptest! {
        /// Equal effort is the special case, in whatever unit.
        #[test]
        fn equal_efforts_give_the_equal_effort_answers(counts in prop::collection::vec(0_u32..200, 2..7), unit in 0.01_f64..5000.0) {
            let series = EffortSeries::new(&counts, &vec![unit; counts.len()]).unwrap();
            let catch = Catch::new(&counts).unwrap();
            if let Ok(fit) = effort_ml(&series) {
                let equal = zippin(&catch).unwrap();
                prop_assert!((fit.n_fish_conditional / equal.n_fish - 1.0).abs() < 1e-8);
                prop_assert!((-(-fit.q_conditional * unit).exp_m1() - equal.p).abs() < 1e-9);
                if equal.p > 0.05 {
                    prop_assert!((fit.se_fish_conditional.unwrap() / equal.se_fish.unwrap() - 1.0).abs() < 1e-6);
                }
                let whole = integer_ml(&catch).unwrap();
                // Neighbours on a flat top differ by less than rounding.
                let slack = 1e-4 * equal.se_fish.unwrap();
                prop_assert!(fit.n_fish.abs_diff(whole.n_fish) as f64 <= slack);
                prop_assert!((fit.log_likelihood - whole.log_likelihood).abs() < 1e-8);
                let interval = profile(&catch, Level::P95).unwrap();
                prop_assert!(fit.profile_95.low.abs_diff(interval.low) as f64 <= slack);
                prop_assert_eq!(fit.profile_95.high.is_some(), interval.high.is_some());
                if let (Some(here), Some(there)) = (fit.profile_95.high, interval.high) {
                    prop_assert!(here.abs_diff(there) as f64 <= slack.max(1e-6 * there as f64));
                }
            }
        }

        /// One likelihood at a grid of `q` beside the best one, by the printed formula.
        #[test]
        fn no_other_catchability_does_better(
            passes in prop::collection::vec((0_u32..80, 50.0_f64..900.0), 2..6), factor in 0.2_f64..3.0, more in 0_u64..200,
        ) {
            let (counts, effort): (Vec<_>, Vec<_>) = passes.into_iter().unzip();
            let series = EffortSeries::new(&counts, &effort).unwrap();
            let Ok(fit) = effort_ml(&series) else { return Ok(()) };
            let printed = |n: u64, q: f64| {
                let (mut left, mut sum) = (n as f64, (0..series.catch.total()).map(|j| ((n - j) as f64).ln()).sum::<f64>());
                for (caught, effort) in series.passes() {
                    left -= caught;
                    if caught > 0.0 {
                        sum += caught * (1.0 - (-q * effort).exp()).ln();
                    }
                    sum -= q * effort * left + libm::lgamma(caught + 1.0);
                }
                sum
            };
            prop_assert!((printed(fit.n_fish, fit.q) - fit.log_likelihood).abs() < 1e-7);
            let other = (series.catch.total() + more, fit.q * factor);
            prop_assert!(printed(other.0, other.1) <= fit.log_likelihood + 1e-7);
        }
    }

    #[test]
    fn efforts_that_cannot_be_are_turned_away() {
        assert_eq!(
            EffortSeries::new(&[3, 2], &[1.0]),
            Err(EffortError::Length {
                passes: 2,
                efforts: 1
            })
        );
        assert!(matches!(
            EffortSeries::new(&[3, 2], &[1.0, 0.0]),
            Err(EffortError::Effort { pass: 2, .. })
        ));
        assert!(matches!(
            EffortSeries::new(&[3, 2], &[f64::NAN, 1.0]),
            Err(EffortError::Effort { .. })
        ));
        assert!(matches!(
            EffortSeries::new(&[3, 2], &[1.0, 1e7]),
            Err(EffortError::Effort { pass: 1, .. })
        ));
    }

    /// Less effort on later passes looks like a fall; by effort there is none.
    #[test]
    fn a_fall_that_is_only_less_effort_is_refused() {
        let series = EffortSeries::new(&[30, 20, 10], &[900.0, 600.0, 300.0]).unwrap();
        assert_eq!(
            effort_ml(&series),
            Err(Refusal::DidNotDeplete { minimum: 60 })
        );
    }
}
