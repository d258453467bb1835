//! Owns the hand calculation for the bank: a capture chance from two ratios, no root finding.

use crate::catch::Catch;
use crate::refusal::Refusal;
use crate::significant::figure;
use serde::Serialize;

/// Estimate by the ratio shortcut.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct RatioShortcut {
    /// Fish present before pass 1.
    #[serde(serialize_with = "figure")]
    pub n_fish: f64,
    /// Chance that one pass takes one fish.
    #[serde(serialize_with = "figure")]
    pub p: f64,
}

/// Estimates with pencil and paper: `p = 1 - (T - c1) / (T - ck)`, `N = T / (1 - q^k)`.
///
/// For checking a device by hand; the estimators proper use every pass, this one the first and last against the rest.
///
/// ```
/// use gravelbar_estimate::{Catch, ratio_shortcut};
///
/// let trout = ratio_shortcut(&Catch::new(&[244, 86, 43])?)?;
/// assert!((trout.n_fish - 396.7).abs() < 0.05);
/// # Ok::<(), Box<dyn std::error::Error>>(())
/// ```
///
/// # Errors
/// No fish; one pass; the last pass as good as the first; all fish on the first pass.
///
/// # Source
/// Bohlin et al. 1989, example 2; the formula is inferred from the printed answer, which it reproduces.
pub fn ratio_shortcut(catch: &Catch) -> Result<RatioShortcut, Refusal> {
    catch.must_compare()?;
    if catch.all_on_first_pass() {
        return Err(Refusal::AllCaughtNotInformative {
            caught: catch.total(),
        });
    }
    let (Some(&first), Some(&last)) = (catch.per_pass().first(), catch.per_pass().last()) else {
        return Err(Refusal::OnePassOnly {
            minimum: catch.total(),
        });
    };
    if first <= last {
        return Err(Refusal::DidNotDeplete {
            minimum: catch.total(),
        });
    }
    let q = (catch.t() - f64::from(first)) / (catch.t() - f64::from(last));
    Ok(RatioShortcut {
        n_fish: catch.t() / -libm::expm1(catch.k() * libm::log(q)),
        p: 1.0 - q,
    })
}
