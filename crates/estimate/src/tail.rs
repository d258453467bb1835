//! Owns the tails and quantiles of the distributions behind tests and limits.

use crate::search::crossing;
use statrs::function::beta::checked_beta_reg;
use statrs::function::gamma::checked_gamma_ur;

/// Chance that a chi-square variable with `df` degrees of freedom is at least `statistic`.
pub(crate) fn chi_square_above(statistic: f64, df: f64) -> f64 {
    if statistic <= 0.0 {
        return 1.0;
    }
    // Refused only for arguments that aren't positive and finite, where the tail is empty.
    checked_gamma_ur(df / 2.0, statistic / 2.0)
        .unwrap_or(0.0)
        .clamp(0.0, 1.0)
}

/// Value that a chi-square variable with `df` degrees of freedom exceeds with the chance `above`.
///
/// Newton from Wilson and Hilferty's cube, which is a few percent off at most where limits are asked for; a step that
/// leaves what is known to hold the value halves it instead, so it ends for every chance.
pub(crate) fn chi_square_quantile(above: f64, df: f64) -> f64 {
    // Beyond this the tail is under 1e-12 for every `df` there is.
    let (mut low, mut high) = (0.0, 2.0 * df + 20.0 * libm::sqrt(df) + 200.0);
    let root = 1.0 - 2.0 / (9.0 * df) + normal_quantile(above) * libm::sqrt(2.0 / (9.0 * df));
    let mut value = (df * root * root * root).clamp(0.01 * df, 0.99 * high);
    let ln_gamma = libm::lgamma(0.5 * df);
    for _ in 0..MOST_STEPS {
        let excess = chi_square_above(value, df) - above;
        if excess > 0.0 {
            low = value;
        } else {
            high = value;
        }
        let half = 0.5 * value;
        let density = 0.5 * libm::exp((0.5 * df - 1.0) * libm::log(half) - half - ln_gamma);
        let aim = value + excess / density;
        let next = if aim > low && aim < high {
            aim
        } else {
            0.5 * (low + high)
        };
        if (next - value).abs() <= 1e-14 * value || high - low <= 1e-15 * high {
            return next;
        }
        value = next;
    }
    value
}

/// Newton takes four to eight steps and halving sixty; what goes on after that is rounding.
const MOST_STEPS: usize = 200;

/// Value that a standard normal variable exceeds with the chance `above`, to 5e-4: where a search begins.
///
/// # Source
/// Abramowitz and Stegun 1964, 26.2.23.
fn normal_quantile(above: f64) -> f64 {
    let t = libm::sqrt(-2.0 * libm::log(above.min(1.0 - above).max(1e-300)));
    let size = t
        - (2.515_517 + t * (0.802_853 + t * 0.010_328))
            / (1.0 + t * (1.432_788 + t * (0.189_269 + t * 0.001_308)));
    if above < 0.5 { size } else { -size }
}

/// Chance that Student's t with `df` degrees of freedom lies outside `-t..t`.
pub(crate) fn student_outside(t: f64, df: f64) -> f64 {
    checked_beta_reg(df / 2.0, 0.5, df / (df + t * t))
        .unwrap_or(0.0)
        .clamp(0.0, 1.0)
}

/// Value beyond which, on both sides together, Student's t with `df` degrees of freedom lies with the chance `outside`.
pub(crate) fn student_quantile(outside: f64, df: f64) -> f64 {
    crossing(0.0, 1e6, |t| student_outside(t, df) > outside)
}

/// Exact 95 % limits of the mean of a Poisson count: half the chi-square quantiles with `2c` and `2c + 2` degrees of freedom.
pub(crate) fn poisson_limits(count: f64) -> (f64, f64) {
    if count > 1e4 {
        // Wilson and Hilferty's cube is good to 1e-8 there, and the exact quantile slow.
        let cube = |count: f64, z: f64| {
            let root = 1.0 - 1.0 / (9.0 * count) + z / (3.0 * libm::sqrt(count));
            count * root * root * root
        };
        return (
            cube(count, -NORMAL_QUANTILE),
            cube(count + 1.0, NORMAL_QUANTILE),
        );
    }
    let low = if count > 0.0 {
        chi_square_quantile(0.975, 2.0 * count) / 2.0
    } else {
        0.0
    };
    (low, chi_square_quantile(0.025, 2.0 * count + 2.0) / 2.0)
}

/// Quantile 0.975 of the standard normal distribution.
const NORMAL_QUANTILE: f64 = 1.959_963_984_540_054;

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        /// The quantile is where the tail has the chance asked for, by halving as well.
        #[test]
        fn quantiles_are_where_the_tail_says(decades in -9.0_f64..-0.001, df in 1_u32..400, upper: bool) {
            let chance = 10_f64.powf(decades);
            let (above, df) = (if upper { 1.0 - chance } else { chance }, f64::from(df));
            let by_halving = crossing(0.0, 2.0 * df + 20.0 * df.sqrt() + 200.0, |value| chi_square_above(value, df) > above);
            let here = chi_square_quantile(above, df);
            // Far below, where the tail is one but for a few last digits, the value has no more digits than these.
            let slack = 1e-9 + 1e-6 * f64::from(upper && chance < 1e-4);
            prop_assert!((here / by_halving - 1.0).abs() < slack, "{above} {df} {here} {by_halving}");
        }
    }

    /// Printed tables of the distributions.
    #[test]
    fn quantiles_are_those_of_the_tables() {
        for (above, df, value) in [
            (0.05, 1.0, 3.841),
            (0.10, 1.0, 2.706),
            (0.05, 2.0, 5.991),
            (0.025, 10.0, 20.483),
            (0.975, 10.0, 3.247),
        ] {
            assert!(
                (chi_square_quantile(above, df) - value).abs() < 0.0006,
                "{above} {df}"
            );
        }
        for (outside, df, value) in [
            (0.05, 1.0, 12.706),
            (0.05, 4.0, 2.776),
            (0.05, 10.0, 2.228),
            (0.05, 120.0, 1.980),
        ] {
            assert!(
                (student_quantile(outside, df) - value).abs() < 0.0006,
                "{outside} {df}"
            );
        }
        // The two forms meet at the change-over.
        let (exact, cube) = (poisson_limits(10_000.0), poisson_limits(10_000.5));
        assert!((cube.0 - exact.0 - 0.5).abs() < 0.01 && (cube.1 - exact.1 - 0.5).abs() < 0.01);
        // Garwood's limits for a count of 10 and of none.
        let (low, high) = poisson_limits(10.0);
        assert!((low - 4.795).abs() < 0.0006 && (high - 18.390).abs() < 0.0006);
        let (low, high) = poisson_limits(0.0);
        assert!(low.abs() < 1e-12 && (high - 3.689).abs() < 0.0006);
    }
}
