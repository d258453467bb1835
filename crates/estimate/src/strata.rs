//! Owns adding up estimates of parts that were estimated apart, as size groups and channels are.

use crate::NORMAL_95;
use crate::significant::{figure, maybe_figure};
use serde::Serialize;

/// One part of a total: its estimate and the standard error of it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Stratum {
    /// Estimated fish of the part.
    pub n_fish: f64,
    /// Standard error; `None` where it isn't informative (all caught).
    pub se_fish: Option<f64>,
}

/// Total over parts.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct StrataSum {
    /// Sum of the estimates.
    #[serde(serialize_with = "figure")]
    pub n_fish: f64,
    /// Root of the summed variances; `None` where no part has a standard error.
    #[serde(serialize_with = "maybe_figure")]
    pub se_fish: Option<f64>,
    /// 1.96 standard errors; half-widths of parts don't add, they combine in quadrature.
    #[serde(serialize_with = "maybe_figure")]
    pub half_width_95_fish: Option<f64>,
    /// Parts whose spread isn't known and so isn't in the total's: the total's spread is too small.
    pub parts_without_spread: u32,
}

/// Adds independent strata: `N = sum N[h]`, `V = sum V[h]`.
///
/// Estimate by size group and add, because larger fish are caught better: pooling groups with different
/// `p` makes `N` low (24, 17, 8 with 244, 86, 43: 460.9 apart, 456.2 pooled).
///
/// ```
/// use gravelbar_estimate::{Stratum, sum_of_strata};
///
/// let small = Stratum { n_fish: 34.0, se_fish: Some(3.0) };
/// let large = Stratum { n_fish: 45.0, se_fish: Some(4.0) };
/// assert_eq!(sum_of_strata(&[small, large]).se_fish, Some(5.0));
/// ```
///
/// # Source
/// Hayes et al. 2007, Box 8.8.
#[must_use]
pub fn sum_of_strata(strata: &[Stratum]) -> StrataSum {
    let n_fish = strata.iter().map(|part| part.n_fish).sum();
    let spreads = || strata.iter().filter_map(|part| part.se_fish);
    let variance: f64 = spreads().map(|se| se * se).sum();
    let se_fish = spreads().next().map(|_| libm::sqrt(variance));
    let without = strata.iter().filter(|part| part.se_fish.is_none());
    StrataSum {
        n_fish,
        se_fish,
        half_width_95_fish: se_fish.map(|se| NORMAL_95 * se),
        parts_without_spread: without.fold(0, |parts, _| parts + 1),
    }
}
