//! Owns the closed form for two passes of equal effort: the quickest estimate on the bank.

use crate::catch::Catch;
use crate::information::standard_errors;
use crate::refusal::Refusal;
use crate::significant::{figure, maybe_figure};
use serde::Serialize;

/// Estimate from two passes by the closed form of Seber and Le Cren.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct TwoPass {
    /// Fish present before pass 1.
    #[serde(serialize_with = "figure")]
    pub n_fish: f64,
    /// Standard error of `n_fish`; `None` where all fish came on the first pass.
    #[serde(serialize_with = "maybe_figure")]
    pub se_fish: Option<f64>,
    /// Chance that one pass takes one fish.
    #[serde(serialize_with = "figure")]
    pub p: f64,
    /// Standard error of `p`; `None` where all fish came on the first pass.
    #[serde(serialize_with = "maybe_figure")]
    pub se_p: Option<f64>,
    /// `n_fish` less its small-sample bias; can fall below the catch where data are few, so offered, not used.
    #[serde(serialize_with = "figure")]
    pub n_fish_bias_corrected: f64,
}

/// Estimates a closed population from the catch of two equal-effort passes.
///
/// ```text
/// N = c1^2 / (c1 - c2)        V(N) = c1^2 c2^2 (c1 + c2) / (c1 - c2)^4
/// p = 1 - c2 / c1             V(p) = c2 (c1 + c2) / c1^3
/// bias of N about q (1 + q) / p^3 fish, taken off in `n_fish_bias_corrected`
/// ```
///
/// The standard error is unreliable below about 200 fish (Seber 1973, cited in Bohlin et al. 1989).
/// A textbook prints `c2 / c1` as the "catchability"; that is the share which escapes.
///
/// ```
/// use gravelbar_estimate::{Catch, two_pass};
///
/// let trout = two_pass(&Catch::new(&[62, 26])?)?;
/// assert!((trout.n_fish - 106.778).abs() < 1e-3);
/// assert!(trout.se_fish.is_some_and(|se| (se - 11.668).abs() < 1e-3));
/// # Ok::<(), Box<dyn std::error::Error>>(())
/// ```
///
/// # Errors
/// Another number of passes; no fish; the second pass as good as the first.
///
/// # Source
/// Seber and Le Cren 1967, as in Bohlin et al. 1989, eqs 13 to 16, and Hayes et al. 2007, eqs 8.19 and
/// 8.21. The bias is the second-order term of an expansion about the true values; a stored print of the
/// former's eq. 13' shows `q (1 - q) / p^3`, which the expansion and simulation don't bear out.
pub fn two_pass(catch: &Catch) -> Result<TwoPass, Refusal> {
    let &[first, second] = catch.per_pass() else {
        return Err(Refusal::OnlyForTwoPasses {
            passes: catch.passes(),
        });
    };
    catch.must_deplete()?;
    let (first, second) = (f64::from(first), f64::from(second));
    let fall = first - second;
    let (p, q) = (fall / first, second / first);
    let n_fish = first * first / fall;
    let spread = standard_errors(n_fish, p, 2);
    Ok(TwoPass {
        n_fish,
        se_fish: spread.map(|(se_fish, _)| se_fish),
        p,
        se_p: spread.map(|(_, se_p)| se_p),
        n_fish_bias_corrected: n_fish - q * (1.0 + q) / (p * p * p),
    })
}
