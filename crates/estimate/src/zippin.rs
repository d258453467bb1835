//! Owns the conditional maximum-likelihood estimate from any number of passes.

use crate::catch::Catch;
use crate::information::standard_errors;
use crate::refusal::Refusal;
use crate::search::root;
use crate::series::langevin;
use crate::significant::{figure, maybe_figure};
use serde::Serialize;

/// Estimate by conditional maximum likelihood.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Zippin {
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
    #[serde(skip)]
    pub se_p: Option<f64>,
}

/// Estimates a closed population from `k` equal-effort passes by conditional maximum likelihood.
///
/// Given the total, the shares of the passes depend on `p` alone; the likeliest `p` solves
///
/// ```text
/// q/p - k q^k / (1 - q^k) = sum (i - 1) c[i] / T,      then N = T / (1 - q^k)
/// ```
///
/// The left side rises with `q` from 0 to `(k-1)/2`, so there is one root exactly where the catch
/// depletes (`S > 0`). Two passes give [`two_pass`](crate::two_pass()). Standard errors are the large-sample
/// ones of [`standard_errors`], to be trusted from about 30 fish.
///
/// ```
/// use gravelbar_estimate::{Catch, zippin};
///
/// let trout = zippin(&Catch::new(&[24, 17, 8])?)?;
/// assert!((trout.n_fish - 62.5).abs() < 1e-9 && (trout.p - 0.4).abs() < 1e-9);
/// # Ok::<(), Box<dyn std::error::Error>>(())
/// ```
///
/// # Errors
/// No fish; one pass; no depletion.
///
/// # Source
/// Moran 1951; Zippin 1956, 1958; Bohlin et al. 1989, eq. 6.
pub fn zippin(catch: &Catch) -> Result<Zippin, Refusal> {
    catch.must_deplete()?;
    if catch.all_on_first_pass() {
        return Ok(Zippin {
            n_fish: catch.t(),
            se_fish: None,
            p: 1.0,
            se_p: None,
        });
    }
    let mean_delay = (catch.k() - 1.0) - catch.x() / catch.t();
    let fall = fall_per_pass(
        catch.k(),
        mean_delay,
        catch.depletion_criterion() as f64 / catch.t(),
    );
    let p = -libm::expm1(-fall);
    let n_fish = catch.t() / -libm::expm1(-catch.k() * fall);
    let spread = standard_errors(n_fish, p, catch.passes());
    Ok(Zippin {
        n_fish,
        se_fish: spread.map(|(se, _)| se),
        p,
        se_p: spread.map(|(_, se)| se),
    })
}

/// Solves the likelihood equation for the fall per pass `f`, where `q = exp(-f)`.
///
/// `mean_delay` is `sum (i - 1) c[i] / T`, `depletion` is `S / T`, above zero. In `f` the left side is
/// `1/(e^f - 1) - k/(e^(kf) - 1)`. For a slow fall both terms are large and nearly equal; with
/// `1/(e^f - 1) = coth(f/2)/2 - 1/2` the equation becomes, without that difference,
/// `k L(kf/2) - L(f/2) = S/T` with the Langevin function `L`.
pub(crate) fn fall_per_pass(k: f64, mean_delay: f64, depletion: f64) -> f64 {
    // Slow falls run as the depletion; of fast ones the first term is the whole, and the root a little below.
    let slow = 6.0 * depletion / (k * k - 1.0);
    let guess = if slow < 1.0 {
        slow
    } else {
        libm::log1p(1.0 / mean_delay)
    };
    // With one fish of 2 * 10^10 caught late the fall is below ln(2 * 10^10) + ln k < 27.
    root(0.0, 64.0, guess, |fall| {
        let (one, all) = (1.0 / libm::expm1(fall), 1.0 / libm::expm1(k * fall));
        let value = if k * fall < 4.0 {
            0.5 * (depletion - (k * langevin(k * fall / 2.0) - langevin(fall / 2.0)))
        } else {
            one - k * all - mean_delay
        };
        let slope = if k * fall < 0.1 {
            (1.0 - k * k) / 12.0
        } else {
            k * k * all * (1.0 + all) - one * (1.0 + one)
        };
        (value, slope)
    })
}
