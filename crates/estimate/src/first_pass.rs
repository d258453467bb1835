//! Owns the models in which the first passes take another share than the rest.

use crate::catch::Catch;
use crate::chi_square::chi_square;
use crate::information::standard_errors;
use crate::integer_ml::{integer_ml, share_per_trial};
use crate::likelihood::{above_limit, best_binomial, change, limit, rest};
use crate::refusal::Refusal;
use crate::search::turning_point;
use crate::significant::{figure, maybe_figure};
use crate::tail::chi_square_above;
use crate::zippin::zippin;
use serde::Serialize;

/// Answers where the first pass has a capture chance of its own.
///
/// Two answers, which can lie far apart where the later passes fall weakly. Show both as the range of
/// models beside the usual estimate; never switch to one of them in silence.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct FirstPassModel {
    /// Conditional estimate: the first catch and the estimate from the later passes.
    #[serde(serialize_with = "figure")]
    pub n_fish_conditional: f64,
    /// Standard error of the conditional estimate, that of the later passes.
    #[serde(serialize_with = "maybe_figure")]
    pub se_fish_conditional: Option<f64>,
    /// Share later passes take, conditional.
    #[serde(serialize_with = "figure")]
    pub p_later_conditional: f64,
    /// Whole number of fish with the highest full likelihood.
    pub n_fish: u64,
    /// Share the first pass took of `n_fish`.
    #[serde(serialize_with = "figure")]
    pub p_first: f64,
    /// Share later passes take, full likelihood.
    #[serde(serialize_with = "figure")]
    pub p_later: f64,
    /// Natural log of the full likelihood.
    #[serde(skip)]
    pub log_likelihood: f64,
    /// Twice the gain in log likelihood over one `p` for all passes; `None` where that has no estimate.
    #[serde(serialize_with = "maybe_figure")]
    pub ratio_statistic: Option<f64>,
    /// Chance of at least this gain if one `p` held for all passes (chi-square, one degree of freedom).
    #[serde(rename = "p_value", serialize_with = "maybe_figure")]
    pub ratio_p_value: Option<f64>,
}

/// Lets the first pass take a share of its own and the later passes one common share.
///
/// ```text
/// conditional:   N = c1 + Zippin(c2 .. ck)            three passes: c1 + c2^2 / (c2 - c3)
/// full:          l(N) = ln best binomial(c1 of N) + l(c2 .. ck; N - c1), highest over whole N
/// ```
///
/// The first catch carries no information on what was left, so the spread is large: going from one share
/// to two about doubles it with four passes.
///
/// ```
/// use gravelbar_estimate::{Catch, first_pass_model};
///
/// let model = first_pass_model(&Catch::new(&[24, 17, 8])?)?;
/// assert!((model.n_fish_conditional - 56.111).abs() < 1e-3 && model.n_fish == 53);
/// # Ok::<(), Box<dyn std::error::Error>>(())
/// ```
///
/// # Errors
/// Fewer than three passes; no fish; later passes that didn't fall.
///
/// # Source
/// Schnute 1983; Otis et al. 1978 (behaviour model as removal); conditional solution derived.
pub fn first_pass_model(catch: &Catch) -> Result<FirstPassModel, Refusal> {
    let later = later_passes(catch, 1)?;
    let fit = zippin(&later).map_err(|_| Refusal::LaterPassesDidNotDeplete { free_passes: 1 })?;
    let first = catch.t() - later.t();
    let before = catch.total() - later.total();
    let rises = |n: u64| {
        let (fish, left) = (n as f64, n.saturating_sub(before));
        // The change of the best binomial chance is the difference of two `rest` with one trial each.
        rest(1.0, fish - first) - rest(1.0, fish) + change(&later, left) > 1e-14 * catch.t() / fish
    };
    let n_fish = turning_point(catch.total(), rises).ok_or(Refusal::NoFiniteMaximum)?;
    let left = n_fish.saturating_sub(before);
    let log_likelihood =
        best_binomial(n_fish as f64, first) + above_limit(&later, left) + limit(&later);
    let one_share = catch.must_deplete().and_then(|()| integer_ml(catch)).ok();
    let ratio_statistic =
        one_share.map(|one| (2.0 * (log_likelihood - one.log_likelihood)).max(0.0));
    Ok(FirstPassModel {
        n_fish_conditional: first + fit.n_fish,
        se_fish_conditional: fit.se_fish,
        p_later_conditional: fit.p,
        n_fish,
        p_first: first / n_fish as f64,
        p_later: share_per_trial(&later, left),
        log_likelihood,
        ratio_statistic,
        ratio_p_value: ratio_statistic.map(|statistic| chi_square_above(statistic, 1.0)),
    })
}

/// One model of the generalised removal method: so many first passes free, the rest with one share.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct GeneralisedStep {
    /// First passes with a share of their own.
    pub free_passes: usize,
    /// Their catch and the conditional estimate from the rest; `None` where the rest didn't fall.
    #[serde(serialize_with = "maybe_figure")]
    pub n_fish: Option<f64>,
    /// Standard error of the estimate.
    #[serde(serialize_with = "maybe_figure")]
    pub se_fish: Option<f64>,
    /// Share each of the other passes takes.
    #[serde(serialize_with = "maybe_figure")]
    pub p_later: Option<f64>,
    /// Statistic of the test of one share for the rest.
    #[serde(serialize_with = "maybe_figure")]
    pub statistic: Option<f64>,
    /// Degrees of freedom of the test, `k - free - 2`.
    pub df: usize,
    /// Chance of a statistic at least this large if one share held for the rest.
    #[serde(serialize_with = "maybe_figure")]
    pub p_value: Option<f64>,
}

/// All models of the generalised removal method and the one its rule picks.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct GeneralisedRemoval {
    /// Models with 0, 1, 2, ... free passes, as long as the test has a degree of freedom.
    pub steps: Vec<GeneralisedStep>,
    /// Free passes of the first model the test accepts; `None` where it accepts none.
    pub selected_free_passes: Option<usize>,
}

/// Significance at or above which the generalised removal method accepts a model.
///
/// # Source
/// Otis et al. 1978 as remembered; the level isn't checked against the paper.
pub const GENERALISED_LEVEL: f64 = 0.20;

/// Fits models with more and more free first passes until the rest looks like one share.
///
/// A model is accepted at an observed significance of `level` or more. It may be that none is
/// (57, 28, 22, 8, 3, 10). The test is weak, so accepting the first model clears nothing.
///
/// ```
/// use gravelbar_estimate::{Catch, GENERALISED_LEVEL, generalised_removal};
///
/// let models = generalised_removal(&Catch::new(&[62, 26, 17, 8, 9, 6])?, GENERALISED_LEVEL)?;
/// assert_eq!(models.selected_free_passes, Some(0));
/// # Ok::<(), Box<dyn std::error::Error>>(())
/// ```
///
/// # Errors
/// Fewer than three passes, or no fish.
///
/// # Source
/// Otis, Burnham, White and Anderson 1978, Wildlife Monographs 62.
pub fn generalised_removal(catch: &Catch, level: f64) -> Result<GeneralisedRemoval, Refusal> {
    later_passes(catch, 0)?;
    let mut steps = Vec::new();
    for free_passes in 0..catch.passes().saturating_sub(2) {
        let later = later_passes(catch, free_passes)?;
        let fit = zippin(&later).ok();
        let test = chi_square(&later).ok();
        steps.push(GeneralisedStep {
            free_passes,
            n_fish: fit.map(|fit| catch.t() - later.t() + fit.n_fish),
            se_fish: fit
                .and_then(|fit| standard_errors(fit.n_fish, fit.p, later.passes()))
                .map(|(se, _)| se),
            p_later: fit.map(|fit| fit.p),
            statistic: test.map(|test| test.statistic),
            df: later.passes() - 2,
            p_value: test.map(|test| test.p_value),
        });
    }
    let accepted = steps
        .iter()
        .find(|step| step.p_value.is_some_and(|p| p >= level));
    let selected_free_passes = accepted.map(|step| step.free_passes);
    Ok(GeneralisedRemoval {
        steps,
        selected_free_passes,
    })
}

/// The passes after the free ones, as a catch of their own.
fn later_passes(catch: &Catch, free_passes: usize) -> Result<Catch, Refusal> {
    if catch.total() == 0 {
        return Err(Refusal::NothingCaught {
            passes: catch.passes(),
        });
    }
    if catch.passes() < 3 {
        return Err(Refusal::NeedsThreePasses {
            passes: catch.passes(),
        });
    }
    // A part of a checked catch with a pass in it is a catch.
    catch
        .per_pass()
        .get(free_passes..)
        .and_then(|later| Catch::new(later).ok())
        .ok_or(Refusal::LaterPassesDidNotDeplete { free_passes })
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// The textbook full likelihood with the first pass free, by plain sums, less the orderings of the catches.
    fn plain(catch: &Catch, n: u64) -> f64 {
        let share = |hits: f64, trials: f64| {
            let misses = trials - hits;
            let part = |part: f64| {
                if part > 0.5 {
                    part * (part / trials).ln()
                } else {
                    0.0
                }
            };
            part(hits) + part(misses)
        };
        let first = f64::from(catch.per_pass()[0]);
        let (mut left, mut trials) = (n as f64 - first, 0.0);
        for &fish in &catch.per_pass()[1..] {
            trials += left;
            left -= f64::from(fish);
        }
        let orderings: f64 = (0..catch.total()).map(|j| ((n - j) as f64).ln()).sum();
        orderings + share(first, n as f64) + share(catch.t() - first, trials)
    }

    proptest! {
        #[test]
        fn the_search_finds_the_highest_of_the_textbook_likelihood(counts in prop::collection::vec(0_u32..30, 3..6)) {
            let catch = Catch::new(&counts).unwrap();
            if let Ok(model) = first_pass_model(&catch) {
                prop_assume!(model.n_fish < 3000);
                let best = (catch.total()..catch.total() + 4000)
                    .map(|n| plain(&catch, n))
                    .fold(f64::NEG_INFINITY, f64::max);
                prop_assert!((plain(&catch, model.n_fish) - best).abs() < 1e-9);
            }
        }
    }
}
