//! Owns the power of the test of equal catchability: how often it would notice a falling `p`.

use crate::catch::MOST_PASSES;
use crate::significant::figure;
use crate::tail::{chi_square_above, chi_square_quantile};
use crate::zippin::fall_per_pass;
use serde::Serialize;
use thiserror::Error;

/// Why the power can't be worked out.
#[derive(Debug, Clone, Copy, PartialEq, Error)]
pub enum PowerError {
    /// Too few or too many passes.
    #[error("the test needs 3 to {MOST_PASSES} passes and {passes} were given")]
    Passes {
        /// Passes given.
        passes: usize,
    },
    /// A chance or level not strictly between 0 and 1.
    #[error("capture chances and the level must lie between 0 and 1, and one is {value}")]
    Chance {
        /// The value given.
        value: f64,
    },
    /// A number of fish that isn't above zero.
    #[error("the number of fish must be above 0, and it is {n_fish}")]
    Fish {
        /// Fish given.
        n_fish: f64,
    },
    /// Chances under which the expected catches don't fall.
    #[error(
        "with these capture chances the expected catches do not fall, so there is no estimate to test"
    )]
    DoesNotDeplete,
}

/// What a test of equal catchability can see of a given change of `p`.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Power {
    /// Chance that the test notices.
    #[serde(serialize_with = "figure")]
    pub power: f64,
    /// Estimate over truth, in the limit of many fish: how far off the estimate is while the test looks on.
    #[serde(serialize_with = "figure")]
    pub estimate_over_truth: f64,
    /// The one `p` that is fitted.
    #[serde(serialize_with = "figure")]
    pub fitted_p: f64,
}

/// Power of the chi-square test for `n_fish` fish of which pass after pass takes the shares `p_per_pass`.
///
/// ```text
/// expected catches e -> fit of one p -> noncentrality sum (e - E)^2 / E -> noncentral chi-square, k - 2 df
/// ```
///
/// ```
/// let power = gravelbar_estimate::chi_square_power(200.0, &[0.50, 0.35, 0.245], 0.05)?;
/// assert!((power.power - 0.09).abs() < 0.006 && (power.estimate_over_truth - 0.80).abs() < 0.006);
/// # Ok::<(), gravelbar_estimate::PowerError>(())
/// ```
///
/// # Errors
/// Passes, chances, level or fish out of range; expected catches that don't fall.
///
/// # Source
/// Noncentral chi-square approximation (derived); Riley and Fausch 1992 found the test weak below about
/// 200 fish.
pub fn chi_square_power(n_fish: f64, p_per_pass: &[f64], level: f64) -> Result<Power, PowerError> {
    let passes = p_per_pass.len();
    if !(3..=MOST_PASSES).contains(&passes) {
        return Err(PowerError::Passes { passes });
    }
    let outside = |value: &&f64| !(**value > 0.0 && **value < 1.0);
    if let Some(&value) = p_per_pass.iter().chain([&level]).find(outside) {
        return Err(PowerError::Chance { value });
    }
    if !(n_fish > 0.0 && n_fish.is_finite()) {
        return Err(PowerError::Fish { n_fish });
    }
    let (k, mut left) = (passes as f64, 1.0);
    let mut expected = [0.0; MOST_PASSES];
    let (mut caught, mut delay) = (0.0, 0.0);
    let mut earlier = 0.0;
    for (cell, p) in expected.iter_mut().zip(p_per_pass) {
        *cell = left * p;
        left -= *cell;
        caught += *cell;
        delay += earlier * *cell;
        earlier += 1.0;
    }
    let depletion = (k - 1.0) - 2.0 * delay / caught;
    if depletion <= 0.0 {
        return Err(PowerError::DoesNotDeplete);
    }
    let fall = fall_per_pass(k, delay / caught, depletion);
    let (p, estimate) = (-libm::expm1(-fall), caught / -libm::expm1(-k * fall));
    let (mut distance, mut before) = (0.0, 0.0);
    for cell in expected.iter().take(passes) {
        let fitted = estimate * p * libm::exp(-fall * before);
        distance += (cell - fitted) * (cell - fitted) / fitted;
        before += 1.0;
    }
    let df = k - 2.0;
    let threshold = chi_square_quantile(level, df);
    Ok(Power {
        power: noncentral_above(threshold, df, n_fish * distance),
        estimate_over_truth: estimate,
        fitted_p: p,
    })
}

/// Chance that a noncentral chi-square variable exceeds `threshold`: a Poisson mixture of central ones.
fn noncentral_above(threshold: f64, df: f64, noncentrality: f64) -> f64 {
    let half = noncentrality / 2.0;
    // Past this the threshold lies more than ten standard deviations below the mean.
    if noncentrality > 4.0 * threshold + 1000.0 {
        return 1.0;
    }
    // Both the Poisson weight of `j` and the central tail with `df + 2j` follow from those of `j - 1`:
    // Q(a + 1, x) = Q(a, x) + x^a e^-x / gamma(a + 1). What lies ten standard deviations below the Poisson mean
    // weighs less than 1e-15.
    let mut j = libm::floor((half - 10.0 * libm::sqrt(half) - 10.0).max(0.0));
    let (x, shape) = (threshold / 2.0, df / 2.0 + j);
    let mut weight = libm::exp(-half + j * libm::log(half.max(1e-300)) - libm::lgamma(j + 1.0));
    let mut above = chi_square_above(threshold, 2.0 * shape);
    let mut more = libm::exp(shape * libm::log(x) - x - libm::lgamma(shape + 1.0));
    let (mut chance, mut seen, first) = (0.0, 0.0, j);
    while seen < 1.0 - 1e-12 && j < half + 50.0 * libm::sqrt(half + 1.0) + 50.0 {
        chance += weight * above;
        seen += weight;
        j += 1.0;
        weight *= half / j;
        above += more;
        more *= x / (shape + j - first);
    }
    chance.clamp(0.0, 1.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A table worked out independently, printed to two digits: true chances, estimate over truth, fitted
    /// chance, power for 100, 200 and 500 fish at the 5 % level. The last row is 0.28 falling 1.7-fold in two
    /// passes (Peterson, Thurow and Guzevich 2004).
    #[test]
    fn the_power_table_comes_out_as_printed() -> Result<(), PowerError> {
        for (p, ratio, fitted, power) in [
            ([0.50, 0.45, 0.405], 0.93, 0.53, [0.05, 0.06, 0.07]),
            ([0.50, 0.40, 0.32], 0.86, 0.57, [0.06, 0.07, 0.11]),
            ([0.50, 0.35, 0.245], 0.80, 0.62, [0.07, 0.09, 0.16]),
            ([0.60, 0.48, 0.384], 0.91, 0.65, [0.07, 0.10, 0.17]),
            ([0.40, 0.32, 0.256], 0.80, 0.50, [0.06, 0.06, 0.08]),
            ([0.28, 0.214_75, 0.164_71], 0.65, 0.43, [0.05, 0.05, 0.06]),
        ] {
            for (n_fish, power) in [100.0, 200.0, 500.0].into_iter().zip(power) {
                let here = chi_square_power(n_fish, &p, 0.05)?;
                assert!(
                    (here.power - power).abs() < 0.0055,
                    "{p:?} {n_fish} {here:?}"
                );
                assert!(
                    (here.estimate_over_truth - ratio).abs() < 0.0055,
                    "{p:?} {here:?}"
                );
                assert!((here.fitted_p - fitted).abs() < 0.0055, "{p:?} {here:?}");
            }
        }
        Ok(())
    }

    #[test]
    fn without_a_change_the_power_is_the_level() -> Result<(), PowerError> {
        let steady = chi_square_power(1000.0, &[0.4; 4], 0.05)?;
        assert!(
            (steady.power - 0.05).abs() < 1e-6 && (steady.estimate_over_truth - 1.0).abs() < 1e-9
        );
        assert!(chi_square_power(1e12, &[0.5, 0.35, 0.25], 0.05)?.power > 0.999);
        assert_eq!(
            chi_square_power(100.0, &[0.1, 0.3, 0.6], 0.05),
            Err(PowerError::DoesNotDeplete)
        );
        Ok(())
    }
}
