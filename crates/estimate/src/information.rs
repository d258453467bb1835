//! Owns the large-sample spread of a removal estimate: standard errors from `N`, `p` and the passes.

/// A difference below this share of its parts is rounding.
const ROUNDING: f64 = 1e-12;

/// Large-sample standard errors `(se_fish, se_p)` of a removal estimate, at `n_fish`, `p` and `passes`.
///
/// With `A = 1 - q^k`:
///
/// ```text
/// V(N) = N A q^k / [A^2 - (k p)^2 q^(k-1)]          the "(N, p, k)" form
/// V(p) = (q p)^2 A / {N [q A^2 - (k p)^2 q^k]}
/// ```
///
/// `None` where they don't exist: fewer than two passes, no fish, or `p` not strictly between 0 and 1.
/// At `p = 1` the formulas give zero, which is an artefact and not a certainty, so that is `None` too.
///
/// Reliable from about 30 fish removed; below that the spread is too small and the true interval
/// lopsided. Another form of `V(N)` is in print, in which the catch replaces `N A`; it agrees at the
/// conditional estimate and differs elsewhere (Carle-Strub on 138, 55, 48: 16.19 here, 15.63 there).
///
/// ```
/// let (se_fish, se_p) = gravelbar_estimate::standard_errors(62.5, 0.4, 3).unwrap_or_default();
/// assert!((se_fish - 10.4860).abs() < 1e-4 && (se_p - 0.111851).abs() < 1e-6);
/// ```
///
/// # Source
/// Zippin 1956, 1958; Seber 1982; as printed in Hayes et al. 2007, eqs 8.26 and 8.27.
#[must_use]
pub fn standard_errors(n_fish: f64, p: f64, passes: usize) -> Option<(f64, f64)> {
    if passes < 2 || !(n_fish > 0.0 && n_fish.is_finite() && p > 0.0 && p < 1.0) {
        return None;
    }
    let k = passes as f64;
    // Everything as a function of the fall per pass on the log scale, q = exp(-fall): near p = 0 the
    // bracket is the difference of two nearly equal squares, and in this form it is a sum of positives.
    let fall = -libm::log1p(-p);
    let caught = -libm::expm1(-k * fall);
    let q = 1.0 - p;
    let left = libm::exp(-k * fall);
    let bracket = if k * fall < 2.0 {
        left * contrast(k, fall)
    } else {
        caught * caught - (k * p) * (k * p) * libm::exp(-(k - 1.0) * fall)
    };
    let variance_fish = n_fish * caught * left / bracket;
    let variance_p = q * p * p * caught / (n_fish * bracket);
    let (se_fish, se_p) = (libm::sqrt(variance_fish), libm::sqrt(variance_p));
    (se_fish.is_finite() && se_p.is_finite() && se_fish > 0.0).then_some((se_fish, se_p))
}

/// Large-sample standard error of `N` with the catch in it: the form older reports carry for Carle-Strub numbers.
///
/// ```text
/// V(N) = N (N - T) T / [T^2 - N (N - T) (k p)^2 / q]        the "(N, p, T)" form
/// ```
///
/// The same as [`standard_errors`] where `T = N (1 - q^k)`, which holds for the conditional estimate and
/// not for a Carle-Strub number; there this one is smaller. `None` where it doesn't exist: fewer than two
/// passes, every fish caught, `p` not strictly between 0 and 1, or a bracket that isn't positive.
///
/// ```
/// let se = gravelbar_estimate::standard_error_from_catch(120, 88, 0.352, 3);
/// assert!(se.is_some_and(|se| (1.96 * se - 33.8).abs() < 0.05));
/// ```
///
/// # Source
/// Zippin 1956; Seber 1982; the form is named beside Hayes et al. 2007, eqs 8.26 and 8.27.
#[must_use]
pub fn standard_error_from_catch(n_fish: u64, total: u64, p: f64, passes: usize) -> Option<f64> {
    if passes < 2 || n_fish <= total || !(p > 0.0 && p < 1.0) {
        return None;
    }
    let (fish, caught, missed) = (
        n_fish as f64,
        total as f64,
        n_fish.saturating_sub(total) as f64,
    );
    let tries = passes as f64 * p;
    let bracket = caught * caught - fish * missed * tries * tries / (1.0 - p);
    let se = libm::sqrt(fish * missed * caught / bracket);
    // Both parts can be exactly the same (5 fish on 2, 2, 0); what rounding leaves is no spread.
    (bracket > ROUNDING * caught * caught && se.is_finite()).then_some(se)
}

/// `2 (cosh k f - 1) - 2 k^2 (cosh f - 1)`, which is the bracket of the variance over `q^k`.
///
/// `A^2 = q^k 4 sinh^2(kf/2)` and `p^2 q^(k-1) = q^k 4 sinh^2(f/2)`; the power series of the difference
/// is `2 sum over m >= 2 of (k^(2m) - k^2) f^(2m) / (2m)!`, every term positive for two passes or more.
fn contrast(k: f64, fall: f64) -> f64 {
    let (whole, single) = (k * fall * k * fall, fall * fall);
    let (mut whole_power, mut single_power) = (whole / 2.0, single / 2.0);
    let mut sum = 0.0;
    for m in 2..=16_u32 {
        let divisor = f64::from(2 * m * (2 * m - 1));
        whole_power *= whole / divisor;
        single_power *= single / divisor;
        sum += whole_power - k * k * single_power;
    }
    2.0 * sum
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// With `p = T / (kN - X)` the bracket vanishes where `X (X + T) = k N S`: 2, 2, 0 and 5 fish, `6 * 10 = 3 * 5 * 4`.
    #[test]
    fn a_bracket_of_rounding_alone_is_no_spread() {
        assert_eq!(standard_error_from_catch(5, 4, 4.0 / 9.0, 3), None);
        assert!(standard_error_from_catch(120, 88, 0.352, 3).is_some());
    }

    proptest! {
        /// Two passes have closed forms: Seber and Le Cren 1967.
        #[test]
        fn two_passes_meet_the_closed_forms(n in 1.0_f64..1e9, p in 1e-4_f64..0.999) {
            let q = 1.0 - p;
            let (se_fish, se_p) = standard_errors(n, p, 2).unwrap_or_default();
            let fish = (n * q * q * (1.0 + q) / (p * p * p)).sqrt();
            let share = (q * (1.0 + q) / (n * p)).sqrt();
            prop_assert!((se_fish / fish - 1.0).abs() < 1e-9);
            prop_assert!((se_p / share - 1.0).abs() < 1e-9);
        }

        #[test]
        fn more_passes_are_never_less_precise(n in 1.0_f64..1e6, p in 1e-3_f64..0.95, k in 2_usize..12) {
            let (now, _) = standard_errors(n, p, k).unwrap_or_default();
            let (then, _) = standard_errors(n, p, k + 1).unwrap_or_default();
            prop_assert!(then < now);
        }
    }
}
