//! Owns "another pass or stop?": what the next pass should take and how much surer it would make the estimate.

use crate::NORMAL_95;
use crate::belief::Belief;
use crate::carle_strub::{CarleStrub, carle_strub, carle_strub_near};
use crate::catch::{Catch, MOST_FISH_PER_PASS};
use crate::information::standard_errors;
use crate::refusal::Refusal;
use crate::series::ln_gamma_drop;
use crate::significant::{figure, maybe_figure};
use crate::weight::BetaWeight;
use crate::zippin::{Zippin, zippin};
use serde::Serialize;

/// What one more pass should take and buy, if it takes the same share as the passes before.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct NextPass {
    /// Fish the next pass should take, `p (N - T)`.
    #[serde(serialize_with = "figure")]
    pub expected_catch: f64,
    /// Standard error now.
    #[serde(rename = "se_now", serialize_with = "maybe_figure")]
    pub se_now_fish: Option<f64>,
    /// Standard error after one more pass.
    #[serde(rename = "se_after", serialize_with = "maybe_figure")]
    pub se_after_fish: Option<f64>,
    /// Standard error over estimate, now.
    #[serde(serialize_with = "maybe_figure")]
    pub cv_now: Option<f64>,
    /// Standard error over estimate, after one more pass.
    #[serde(serialize_with = "maybe_figure")]
    pub cv_after: Option<f64>,
    /// 1.96 standard errors over estimate of the Carle-Strub number, should the next pass take exactly the
    /// expected catch (rounded); `None` where all estimated fish would then be in hand.
    #[serde(serialize_with = "maybe_figure")]
    pub relative_half_width_after: Option<f64>,
}

/// Looks one pass ahead from the conditional estimate: `V(N, p, k)` against `V(N, p, k + 1)`.
///
/// Assumes the same `p` again. It nearly always falls, so the next pass takes less and buys less than this.
/// What a pass costs in time, heat and shock is for the lead to set against it.
///
/// ```
/// use gravelbar_estimate::{Catch, next_pass};
///
/// let ahead = next_pass(&Catch::new(&[24, 17, 8])?)?;
/// assert!((ahead.expected_catch - 5.4).abs() < 1e-9);
/// # Ok::<(), Box<dyn std::error::Error>>(())
/// ```
///
/// # Errors
/// No fish; one pass; no depletion.
///
/// # Source
/// Large-sample variance of Zippin 1956; the comparison is that of Bohlin et al. 1989, Table 2.
pub fn next_pass(catch: &Catch) -> Result<NextPass, Refusal> {
    let fit = zippin(catch)?;
    let weighted = carle_strub(catch, BetaWeight::FLAT)?;
    Ok(one_pass_on(catch, &fit, &weighted))
}

/// The same from known estimates.
pub(crate) fn one_pass_on(catch: &Catch, fit: &Zippin, weighted: &CarleStrub) -> NextPass {
    let spread = |passes: usize| standard_errors(fit.n_fish, fit.p, passes).map(|(se, _)| se);
    let (now, after) = (spread(catch.passes()), spread(catch.passes() + 1));
    let missed = weighted.n_fish.saturating_sub(catch.total()) as f64;
    let expected = rounded(weighted.p * missed);
    NextPass {
        expected_catch: fit.p * (fit.n_fish - catch.t()),
        se_now_fish: now,
        se_after_fish: after,
        cv_now: now.map(|se| se / fit.n_fish),
        cv_after: after.map(|se| se / fit.n_fish),
        relative_half_width_after: relative_half_width_with(catch, weighted.n_fish, expected)
            .flatten(),
    }
}

/// Largest next catch that is looked at one by one.
const MOST_NEXT: u32 = 1_000;

/// Chance that may be left unlooked at; figures are good to about this much.
const UNSEEN: f64 = 1e-4;

/// Chance that the next pass takes fewer than `fish`, every number of fish in the reach weighed by its posterior.
///
/// ```text
/// P(next = x) = sum over N of P(N | c) BetaBinomial(x; N - T, alpha + T, beta + kN - X - T)
/// ```
///
/// ```
/// use gravelbar_estimate::{BetaWeight, Catch, chance_of_fewer};
///
/// let chance = chance_of_fewer(&Catch::new(&[48, 19, 8])?, BetaWeight::FLAT, 10)?;
/// assert!(chance > 0.9 && chance < 1.0);
/// # Ok::<(), Box<dyn std::error::Error>>(())
/// ```
///
/// # Errors
/// A next catch that may well exceed 1,000 fish, too many to look at one by one; a weight under which the
/// likeliest number of fish lies past [`MOST_FISH`](crate::MOST_FISH).
///
/// # Source
/// Posterior predictive distribution of the removal model (derived).
pub fn chance_of_fewer(catch: &Catch, weight: BetaWeight, fish: u32) -> Result<f64, Refusal> {
    let belief = Belief::new(catch, weight, sharpness(fish), catch.total())?;
    let mut chance = 0.0;
    for (next, here) in (0..fish).zip(chances(&belief, catch)) {
        if next > MOST_NEXT {
            return Err(Refusal::NextCatchTooLarge { most: MOST_NEXT });
        }
        chance += here;
        if chance > 1.0 - UNSEEN {
            break;
        }
    }
    Ok(chance.clamp(0.0, 1.0))
}

/// Chance that after one more pass 1.96 standard errors are at most `target` of the Carle-Strub number.
///
/// Weighs every catch the next pass could take by its posterior predictive chance. A catch that leaves
/// all estimated fish in hand counts as meeting the target.
///
/// ```
/// use gravelbar_estimate::{BetaWeight, Catch, chance_of_target};
///
/// let sculpin = Catch::new(&[41, 28, 19])?;
/// let (close, wide) = (chance_of_target(&sculpin, BetaWeight::FLAT, 0.10)?, chance_of_target(&sculpin, BetaWeight::FLAT, 0.30)?);
/// assert!(close < wide);
/// # Ok::<(), Box<dyn std::error::Error>>(())
/// ```
///
/// # Errors
/// As [`chance_of_fewer`].
///
/// # Source
/// Posterior predictive distribution of the removal model (derived).
pub fn chance_of_target(catch: &Catch, weight: BetaWeight, target: f64) -> Result<f64, Refusal> {
    let belief = Belief::new(catch, weight, sharpness(MOST_NEXT), catch.total())?;
    let expected = belief.mean(|fish| belief.mean_p(fish) * (fish - catch.t()));
    if expected > f64::from(MOST_NEXT) {
        return Err(Refusal::NextCatchTooLarge { most: MOST_NEXT });
    }
    let (mut seen, mut met) = (0.0, 0.0);
    for (next, here) in (0..=MOST_NEXT).zip(chances(&belief, catch)) {
        seen += here;
        let meets = relative_half_width_with(catch, belief.mode(), next)
            .is_some_and(|width| width.is_none_or(|width| width <= target));
        if meets {
            met += here;
        }
        if seen > 1.0 - UNSEEN {
            return Ok(met.clamp(0.0, 1.0));
        }
    }
    Err(Refusal::NextCatchTooLarge { most: MOST_NEXT })
}

/// Expected spread of a planned series: standard error over estimate for `n_fish`, `p` and `passes`.
///
/// ```
/// let cv = gravelbar_estimate::planned_cv(100.0, 0.4, 3);
/// assert!(cv.is_some_and(|cv| (cv - 0.1326).abs() < 1e-4));
/// ```
///
/// # Source
/// Bohlin et al. 1989, Table 2.
#[must_use]
pub fn planned_cv(n_fish: f64, p: f64, passes: usize) -> Option<f64> {
    standard_errors(n_fish, p, passes).map(|(se_fish, _)| se_fish / n_fish)
}

/// Share of the fish that `passes` passes take together, `1 - q^k`.
///
/// # Source
/// Definition.
#[must_use]
pub fn share_caught(p: f64, passes: usize) -> f64 {
    -libm::expm1(passes as f64 * libm::log1p(-p.clamp(0.0, 1.0)))
}

/// How much narrower than the posterior the chance of so many fish is, seen over the log of the fish left.
///
/// A catch of `x` fits numbers left within a share of `1 / sqrt(x)` or more of one another, and the panels of the
/// posterior suit functions three times as narrow as their length.
fn sharpness(most: u32) -> f64 {
    (libm::sqrt(f64::from(most)) / 3.0).max(1.0)
}

/// Chances that the next pass takes 0, 1, 2, ... fish: beta-binomial for each number of fish, averaged.
///
/// From one catch to the next the chance changes by `(n - x)(h + x) / [(x + 1)(m + n - x - 1)]` with `n` fish left, so
/// only the first is worked out by logarithms.
fn chances(belief: &Belief<'_>, catch: &Catch) -> impl Iterator<Item = f64> {
    struct Left {
        share: f64,
        fish: f64,
        hits: f64,
        misses: f64,
        chance: f64,
    }
    let mut nodes: Vec<Left> = Vec::with_capacity(belief.shares().len());
    for (place, (number, share)) in belief.shares().enumerate() {
        let ((hits, misses), fish) = (belief.p_weight(number), number - catch.t());
        let chance = match nodes.last() {
            // One fish more than the node before.
            Some(before) if place < belief.single_terms() && before.chance > UNDERFLOW => {
                before.chance * rise_of_none(before.fish, hits, before.misses, catch.passes())
            }
            _ if fish < 0.0 => 0.0,
            _ => chance_of_none(fish, hits, misses),
        };
        nodes.push(Left {
            share,
            fish,
            hits,
            misses,
            chance,
        });
    }
    (0_u32..).map(move |next| {
        let taken = f64::from(next);
        let mut sum = 0.0;
        for node in &mut nodes {
            sum += node.share * node.chance;
            let left = node.fish - taken;
            node.chance = if left < 1.0 {
                0.0
            } else if node.chance < UNDERFLOW {
                chance_of(node.fish, node.hits, node.misses, taken + 1.0)
            } else {
                node.chance * left * (node.hits + taken)
                    / ((taken + 1.0) * (node.misses + left - 1.0))
            };
        }
        sum
    })
}

/// Below this a chance has lost digits, and the next isn't worked out from it.
const UNDERFLOW: f64 = 1e-290;

/// Beta-binomial chance of none out of `fish`.
fn chance_of_none(fish: f64, hits: f64, misses: f64) -> f64 {
    libm::exp(ln_gamma_drop(hits + misses, fish) - ln_gamma_drop(misses, fish))
}

/// What one more fish, and the more misses that makes on each of the passes so far, does to the chance of none.
fn rise_of_none(fish: f64, hits: f64, misses: f64, passes: usize) -> f64 {
    let (mut rise, mut place) = (1.0, 0.0);
    for _ in 0..passes {
        let (now, then) = (misses + place, misses + fish + place);
        rise *= then / (hits + then) * ((hits + now) / now);
        place += 1.0;
    }
    let then = misses + fish + place;
    rise * then / (hits + then)
}

/// Beta-binomial chance of `taken` out of `fish`.
fn chance_of(fish: f64, hits: f64, misses: f64, taken: f64) -> f64 {
    let left = fish - taken;
    if left < 0.0 {
        return 0.0;
    }
    let ways = -ln_gamma_drop(left + 1.0, taken) - libm::lgamma(taken + 1.0);
    let share = ln_gamma_drop(hits + misses, fish)
        - ln_gamma_drop(hits, taken)
        - ln_gamma_drop(misses, left);
    libm::exp(ways + share)
}

/// 1.96 standard errors over the Carle-Strub number with `next` fish on a further pass. `None` where there
/// is no answer, `Some(None)` where every estimated fish would be in hand.
fn relative_half_width_with(catch: &Catch, guess: u64, next: u32) -> Option<Option<f64>> {
    let longer = catch.and(next).ok()?;
    longer.must_deplete().ok()?;
    let best = carle_strub_near(&longer, BetaWeight::FLAT, guess).ok()?;
    if best.n_fish == longer.total() {
        return Some(None);
    }
    best.se_fish_from_catch
        .map(|se| Some(NORMAL_95 * se / best.n_fish as f64))
}

fn rounded(fish: f64) -> u32 {
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "clamped to what a pass may have"
    )]
    let fish = libm::round(fish).clamp(0.0, f64::from(MOST_FISH_PER_PASS)) as u32;
    fish
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::CatchError;

    #[test]
    fn the_chances_of_all_next_catches_make_one() -> Result<(), CatchError> {
        for counts in [&[24, 17, 8][..], &[5, 0, 0], &[48, 19, 8], &[5, 5]] {
            let catch = Catch::new(counts)?;
            // A strict weight keeps the tail short enough to add up.
            let weight = BetaWeight::from_moments(0.5, 0.1).unwrap();
            let belief = Belief::new(&catch, weight, sharpness(400), 0).unwrap();
            let sum: f64 = chances(&belief, &catch).take(400).sum();
            assert!((sum - 1.0).abs() < 1e-6, "{counts:?} {sum}");
        }
        Ok(())
    }

    /// A next pass without a fish, summed over numbers of fish and `p` by brute force on a grid.
    #[test]
    fn the_chance_of_an_empty_pass_is_the_integral_over_p() -> Result<(), CatchError> {
        let catch = Catch::new(&[14, 6, 4])?;
        let (mut all, mut empty) = (0.0, 0.0);
        let steps = 2000;
        for step in 0..steps {
            let p = (f64::from(step) + 0.5) / f64::from(steps);
            let q: f64 = 1.0 - p;
            // Beta(6, 6) on p; likelihood up to a constant, by recurrence over N from T.
            let weight = (p * q).powi(5);
            let mut likelihood = p.powi(24) * q.powi(3 * 24 - 34 - 24);
            let mut ways = 1.0_f64;
            for n in 24..3000_i32 {
                let term = weight * ways * likelihood / f64::from(n + 1);
                all += term;
                empty += term * q.powi(n - 24);
                ways *= f64::from(n + 1) / f64::from(n + 1 - 24);
                likelihood *= q.powi(3);
            }
        }
        assert_eq!(catch.weighted_total(), 34);
        let all_over = empty / all;
        let here = chance_of_fewer(&catch, BetaWeight::new(6.0, 6.0).unwrap(), 1).unwrap();
        assert!((here - all_over).abs() < 1e-6, "{here} {all_over}");
        Ok(())
    }
}
