//! Owns the test of whether every pass took the same share of the fish.

use crate::catch::Catch;
use crate::refusal::Refusal;
use crate::significant::figure;
use crate::tail::chi_square_above;
use crate::zippin::{Zippin, zippin};
use serde::Serialize;

/// Expected catch below which a pass is joined to the one before it in the pooled form of the test.
///
/// # Source
/// Common practice, no source.
pub const SMALLEST_EXPECTED: f64 = 2.0;

/// Chi-square test of equal catchability.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct ChiSquare {
    /// Sum over passes of (caught - expected)^2 / expected.
    #[serde(serialize_with = "figure")]
    pub statistic: f64,
    /// Degrees of freedom.
    pub df: u32,
    /// Chance of a statistic at least this large if `p` were the same on every pass.
    #[serde(serialize_with = "figure")]
    pub p_value: f64,
    /// Smallest expected catch among the cells; below about 2 the p-value is only rough.
    #[serde(skip)]
    pub smallest_expected: f64,
}

/// Tests whether one `p` explains all passes: `E[i] = N p q^(i-1)` at the conditional estimate, `k - 2` degrees of freedom.
///
/// A small p-value speaks against equal catchability. A large one clears nothing: with `p` falling from
/// 0.50 to 0.25 over three passes, 200 fish and the 5 % level, the test notices 9 times in 100. Every
/// pass is a cell of its own here; see [`chi_square_pooled`] where expected catches are small.
///
/// ```
/// use gravelbar_estimate::{Catch, chi_square};
///
/// let test = chi_square(&Catch::new(&[24, 17, 8])?)?;
/// assert!((test.statistic - 0.417778).abs() < 1e-6 && test.df == 1);
/// # Ok::<(), Box<dyn std::error::Error>>(())
/// ```
///
/// # Errors
/// Fewer than three passes; no depletion; all fish on the first pass.
///
/// # Source
/// Zippin 1956; Hayes et al. 2007, eqs 8.28 to 8.32. Power: Riley and Fausch 1992 found the test weak
/// below about 200 fish.
pub fn chi_square(catch: &Catch) -> Result<ChiSquare, Refusal> {
    test(catch, &zippin(catch)?, 0.0)
}

/// The same test after joining passes, from the last backwards, until each cell expects at least
/// [`SMALLEST_EXPECTED`] fish; degrees of freedom are the cells less two.
///
/// # Errors
/// As [`chi_square`]; or fewer than three cells are left.
///
/// # Source
/// Zippin 1956 for the test; joining small cells is common practice, no source.
pub fn chi_square_pooled(catch: &Catch) -> Result<ChiSquare, Refusal> {
    test(catch, &zippin(catch)?, SMALLEST_EXPECTED)
}

/// The test at a known conditional estimate.
pub(crate) fn test(catch: &Catch, fit: &Zippin, least_expected: f64) -> Result<ChiSquare, Refusal> {
    if catch.passes() < 3 {
        return Err(Refusal::NeedsThreePasses {
            passes: catch.passes(),
        });
    }
    if catch.all_on_first_pass() {
        return Err(Refusal::AllCaughtNotInformative {
            caught: catch.total(),
        });
    }
    let fall = -libm::log1p(-fit.p);
    let mut passes_before = catch.k();
    let (mut statistic, mut cells, mut smallest) = (0.0, 0_u32, f64::INFINITY);
    let (mut caught, mut expected) = (0.0, 0.0);
    for &fish in catch.per_pass().iter().rev() {
        passes_before -= 1.0;
        caught += f64::from(fish);
        expected += fit.n_fish * fit.p * libm::exp(-fall * passes_before);
        let first_pass = passes_before < 0.5;
        if first_pass && expected < least_expected {
            return Err(Refusal::ExpectedTooSmall);
        }
        if first_pass || expected >= least_expected {
            statistic += (caught - expected) * (caught - expected) / expected;
            smallest = smallest.min(expected);
            cells += 1;
            (caught, expected) = (0.0, 0.0);
        }
    }
    let df = cells.saturating_sub(2);
    if df == 0 {
        return Err(Refusal::ExpectedTooSmall);
    }
    Ok(ChiSquare {
        statistic,
        df,
        p_value: chi_square_above(statistic, f64::from(df)),
        smallest_expected: smallest,
    })
}
