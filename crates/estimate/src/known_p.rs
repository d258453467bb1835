//! Owns what can be said when the chance of capture comes from elsewhere: one pass, or no fish at all.

use crate::significant::{figure, maybe_figure};
use serde::Serialize;
use thiserror::Error;

/// Why a capture chance can't be used.
#[derive(Debug, Clone, Copy, PartialEq, Error)]
pub enum KnownPError {
    /// A chance not above 0 and at most 1.
    #[error(
        "the capture chance must be above 0 and at most 1, and it is {p}; take it from marked fish or earlier visits"
    )]
    Chance {
        /// Chance given.
        p: f64,
    },
    /// A spread below zero or not a number.
    #[error("the standard error of the capture chance must be 0 or more, and it is {se_p}")]
    Spread {
        /// Spread given.
        se_p: f64,
    },
    /// No pass.
    #[error("at least one pass is needed to say anything from an empty catch")]
    NoPass,
}

/// Estimate from one pass and a capture chance known from elsewhere.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct KnownP {
    /// Fish present, `c / p`.
    #[serde(serialize_with = "figure")]
    pub n_fish: f64,
    /// Likeliest whole number, `floor(c / p)`; where `c / p` is whole, one fish fewer is as likely.
    pub n_fish_likeliest: u64,
    /// Standard error, the spread of `p` included; `None` for an empty catch or a chance of 1 without spread.
    #[serde(serialize_with = "maybe_figure")]
    pub se_fish: Option<f64>,
}

/// Estimates a population from one pass and a capture chance `p` with standard error `se_p` from elsewhere.
///
/// ```text
/// N = c / p        V(N) = N q / p + N^2 V(p) / p^2      (first order)
/// ```
///
/// Only as good as `p`: a chance borrowed from other water, flow or crew moves `N` in proportion.
///
/// ```
/// use gravelbar_estimate::single_pass;
///
/// let trout = single_pass(20, 0.4, 0.0)?;
/// assert_eq!(trout.n_fish_likeliest, 50);
/// # Ok::<(), gravelbar_estimate::KnownPError>(())
/// ```
///
/// # Errors
/// A chance not above 0 and at most 1, or a spread below 0.
///
/// # Source
/// Binomial likelihood, Hayes et al. 2007, Box 8.2; variance by first-order expansion.
pub fn single_pass(fish: u32, p: f64, se_p: f64) -> Result<KnownP, KnownPError> {
    if !(p > 0.0 && p <= 1.0) {
        return Err(KnownPError::Chance { p });
    }
    if !(se_p >= 0.0 && se_p.is_finite()) {
        return Err(KnownPError::Spread { se_p });
    }
    let n_fish = f64::from(fish) / p;
    let relative = se_p / p;
    let variance = n_fish * (1.0 - p) / p + n_fish * n_fish * relative * relative;
    Ok(KnownP {
        n_fish,
        n_fish_likeliest: whole_part(n_fish),
        se_fish: (variance > 0.0 && variance.is_finite()).then(|| libm::sqrt(variance)),
    })
}

/// Largest number of fish that would go uncaught in all passes with a chance of at least 5 %:
/// `ln 0.05 / (k ln(1 - p))`.
///
/// What a catch of none is worth: with `p` of 0.3 three empty passes leave room for 2.8 fish, and three
/// fish or more are improbable. Says nothing of a fish too small, hidden or otherwise out of reach.
///
/// ```
/// let bound = gravelbar_estimate::empty_catch_bound(3, 0.3)?;
/// assert!((bound - 2.79968).abs() < 1e-5);
/// # Ok::<(), gravelbar_estimate::KnownPError>(())
/// ```
///
/// # Errors
/// No pass, or a chance not above 0 and at most 1.
///
/// # Source
/// `(1 - p)^(k N) = 0.05`, solved for `N`.
pub fn empty_catch_bound(passes: usize, p: f64) -> Result<f64, KnownPError> {
    if passes == 0 {
        return Err(KnownPError::NoPass);
    }
    if !(p > 0.0 && p <= 1.0) {
        return Err(KnownPError::Chance { p });
    }
    Ok(libm::log(0.05) / (passes as f64 * libm::log1p(-p)))
}

/// Whole part, a quotient that misses a whole number by rounding alone counted as that number.
fn whole_part(n_fish: f64) -> u64 {
    let whole = libm::floor(n_fish * (1.0 + 4.0 * f64::EPSILON));
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "a whole number, never below zero; a cast past the largest number stops there"
    )]
    let whole = whole as u64;
    whole
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_quotient_that_misses_a_whole_number_by_rounding_is_that_number() -> Result<(), KnownPError>
    {
        for (fish, p, whole) in [(3, 0.1, 30), (7, 0.7, 10), (29, 0.29, 100), (20, 0.41, 48)] {
            assert_eq!(single_pass(fish, p, 0.0)?.n_fish_likeliest, whole);
        }
        Ok(())
    }

    /// The binomial likelihood itself, `C(N, c) p^c q^(N-c)`, walked by its ratio `N q / (N - c)`.
    #[test]
    fn the_likeliest_number_beats_its_neighbours() -> Result<(), KnownPError> {
        for fish in 1..60 {
            for p in [0.13, 0.29, 0.4, 0.5, 0.77] {
                let n = single_pass(fish, p, 0.0)?.n_fish_likeliest as f64;
                let step = |n: f64| n * (1.0 - p) / (n - f64::from(fish));
                assert!(n <= f64::from(fish) || step(n) >= 1.0 - 1e-12);
                assert!(step(n + 1.0) <= 1.0 + 1e-12);
            }
        }
        Ok(())
    }

    #[test]
    fn a_spread_of_p_widens_the_estimate() -> Result<(), KnownPError> {
        let known = single_pass(40, 0.5, 0.0)?.se_fish;
        let doubtful = single_pass(40, 0.5, 0.1)?.se_fish;
        // sqrt(80 * 0.5 / 0.5) and sqrt(80 + 80^2 * 0.04)
        assert!(known.is_some_and(|se| (se - 80_f64.sqrt()).abs() < 1e-12));
        assert!(doubtful.is_some_and(|se| (se - 336_f64.sqrt()).abs() < 1e-9));
        assert_eq!(single_pass(0, 0.5, 0.1)?.se_fish, None);
        assert!(single_pass(1, 0.0, 0.1).is_err() && single_pass(1, f64::NAN, 0.1).is_err());
        Ok(())
    }
}
