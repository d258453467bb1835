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
pub(crate) fn chi_square_quantile(above: f64, df: f64) -> f64 {
    // Beyond this the tail is under 1e-12 for every `df` there is.
    let top = 2.0 * df + 20.0 * libm::sqrt(df) + 200.0;
    crossing(0.0, top, |statistic| {
        chi_square_above(statistic, df) > above
    })
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
