//! Owns the whole number of fish with the highest full likelihood.

use crate::catch::Catch;
use crate::likelihood::{above_limit, limit, rises};
use crate::refusal::Refusal;
use crate::search::{MOST_FISH, turning_point_near};
use crate::significant::figure;
use serde::Serialize;

/// Estimate by full maximum likelihood over whole numbers of fish.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct IntegerMl {
    /// Fish present before pass 1; of two equally likely numbers the smaller.
    pub n_fish: u64,
    /// Chance that one pass takes one fish, `T / (kN - X)`.
    #[serde(serialize_with = "figure")]
    pub p: f64,
    /// Natural log of the full likelihood at `n_fish` and `p`.
    #[serde(skip)]
    pub log_likelihood: f64,
}

/// Finds the number of fish under which the catch is likeliest, every whole number tried with its best `p`.
///
/// ```text
/// l(N) = ln[N! / (N-T)!] + T ln p + (kN - X - T) ln(1 - p) - sum ln c[i]!,     p = T / (kN - X)
/// ```
///
/// A highest point exists wherever `S > -k`; between `-k` and 0 it means nothing (5, 5 gives 17), so
/// [`Analysis`](crate::Analysis) shows it only where the catch depletes. It lies a little below the
/// conditional estimate (24, 17, 8: 60 against 62.5): always say which one is shown.
///
/// ```
/// use gravelbar_estimate::{Catch, integer_ml};
///
/// assert_eq!(integer_ml(&Catch::new(&[24, 17, 8])?)?.n_fish, 60);
/// # Ok::<(), Box<dyn std::error::Error>>(())
/// ```
///
/// # Errors
/// No fish; one pass; a likelihood that rises without end or past [`MOST_FISH`].
///
/// # Source
/// Moran 1951 and Zippin 1956 for the likelihood; Otis et al. 1978 for whole numbers. The rule
/// `S > -k` follows from expanding `l` in `1/N`.
pub fn integer_ml(catch: &Catch) -> Result<IntegerMl, Refusal> {
    integer_ml_near(catch, catch.total())
}

/// The same, looked for around a guess.
pub(crate) fn integer_ml_near(catch: &Catch, guess: u64) -> Result<IntegerMl, Refusal> {
    catch.must_compare()?;
    // At S <= -k the limit at infinity is approached from below: the search would find rounding.
    let below_all = catch.depletion_criterion() + i64::try_from(catch.passes()).unwrap_or(0) <= 0;
    if below_all {
        return Err(Refusal::NoFiniteMaximum);
    }
    let n_fish = turning_point_near(catch.total(), guess, MOST_FISH, |n| rises(catch, n))
        .ok_or(Refusal::NoFiniteMaximum)?;
    Ok(IntegerMl {
        n_fish,
        p: share_per_trial(catch, n_fish),
        log_likelihood: above_limit(catch, n_fish) + limit(catch),
    })
}

/// `T / (kN - X)`: fish taken over the chances there were to take one.
pub(crate) fn share_per_trial(catch: &Catch, n_fish: u64) -> f64 {
    catch.t() / (catch.k() * n_fish as f64 - catch.x())
}
