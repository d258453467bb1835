//! Owns mass at length: the curve, its regression from fish weighed, and how far one fish lies off it.

use crate::significant::figure;
use serde::Serialize;
use thiserror::Error;

/// Slopes of a regression of log mass on log length that pass without a second look.
///
/// # Source
/// Across species the median slope is 3.03 (Froese 2006); the range is judgement.
pub const USUAL_SLOPES: std::ops::RangeInclusive<f64> = 2.5..=3.5;

/// Mass at length: `log10 mass_g = intercept + slope x + curvature x^2`, with `x = log10 length_mm`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct MassCurve {
    intercept: f64,
    slope: f64,
    curvature: f64,
}

impl MassCurve {
    /// A straight line on log scales, in millimetres and grams.
    #[must_use]
    pub const fn line(intercept: f64, slope: f64) -> Self {
        Self {
            intercept,
            slope,
            curvature: 0.0,
        }
    }

    /// A curve on log scales, in millimetres and grams.
    #[must_use]
    pub const fn quadratic(intercept: f64, slope: f64, curvature: f64) -> Self {
        Self {
            intercept,
            slope,
            curvature,
        }
    }

    /// `mass_g = a length_cm^b`, the form regional tables print.
    ///
    /// ```
    /// use gravelbar_estimate::MassCurve;
    ///
    /// let chub = MassCurve::from_centimetres(0.0095, 3.05);
    /// assert!((chub.mass_g(100.0) - 0.0095 * 10_f64.powf(3.05)).abs() < 1e-9);
    /// ```
    ///
    /// # Source
    /// `log10 a_mm = log10 a_cm - b`.
    #[must_use]
    pub fn from_centimetres(a: f64, b: f64) -> Self {
        Self::line(libm::log10(a) - b, b)
    }

    /// `mass_lb = 10^intercept length_in^slope`, the form older papers print.
    ///
    /// # Source
    /// One pound is 453.59237 g, one inch 25.4 mm.
    #[must_use]
    pub fn from_inches(intercept: f64, slope: f64) -> Self {
        Self::line(
            intercept + libm::log10(453.592_37) - slope * libm::log10(25.4),
            slope,
        )
    }

    /// Intercept for inches and pounds of a straight line.
    #[must_use]
    pub fn intercept_inches(&self) -> f64 {
        self.intercept - libm::log10(453.592_37) + self.slope * libm::log10(25.4)
    }

    /// Mass in grams at a length in millimetres.
    #[must_use]
    pub fn mass_g(&self, length_mm: f64) -> f64 {
        let x = libm::log10(length_mm);
        libm::pow(10.0, self.intercept + x * (self.slope + self.curvature * x))
    }

    /// The curve at `factor` of its mass: a lean or a fat population.
    #[must_use]
    pub fn scaled(&self, factor: f64) -> Self {
        Self {
            intercept: self.intercept + libm::log10(factor),
            ..*self
        }
    }
}

/// Why no line can be drawn through lengths and masses.
#[derive(Debug, Clone, Copy, PartialEq, Error)]
pub enum FitError {
    /// Too few fish.
    #[error(
        "a length-mass line needs at least three fish weighed and measured, and there are {fish}"
    )]
    TooFewFish {
        /// Fish given.
        fish: usize,
    },
    /// A length or mass that isn't above zero.
    #[error(
        "fish {fish} has a length of {length_mm} mm and a mass of {mass_g} g; both must be above 0"
    )]
    NotAboveZero {
        /// Position of the fish in the list, from 1.
        fish: usize,
        /// Its length.
        length_mm: f64,
        /// Its mass.
        mass_g: f64,
    },
    /// All fish of one length.
    #[error("all fish have the same length, so mass at other lengths stays unknown")]
    OneLength,
}

/// Regression of log mass on log length.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct MassFit {
    /// `log10` of the mass in grams at 1 mm.
    #[serde(serialize_with = "figure")]
    pub intercept: f64,
    /// Slope, near 3.
    #[serde(serialize_with = "figure")]
    pub slope: f64,
    /// Standard deviation about the line, in `log10` grams, `n - 2` degrees of freedom.
    #[serde(serialize_with = "figure")]
    pub residual_sd: f64,
    /// Share of the variation the line accounts for.
    #[serde(serialize_with = "figure")]
    pub r_squared: f64,
    /// Fish in the line.
    pub fish: usize,
    /// Whether the slope lies outside [`USUAL_SLOPES`]: look for slips before using the line.
    pub unusual_slope: bool,
    mean_x: f64,
    sxx: f64,
}

impl MassFit {
    /// Fits `log10 W = a + b log10 L` to lengths in millimetres and masses in grams, by least squares.
    ///
    /// ```
    /// use gravelbar_estimate::MassFit;
    ///
    /// let trout = [(72.0, 3.2), (133.0, 21.1), (163.0, 36.1), (201.0, 78.2), (224.0, 125.2)];
    /// let fit = MassFit::of(&trout)?;
    /// assert!(!fit.unusual_slope && fit.r_squared > 0.98);
    /// # Ok::<(), gravelbar_estimate::FitError>(())
    /// ```
    ///
    /// # Errors
    /// Fewer than three fish; a length or mass not above zero; all fish of one length.
    ///
    /// # Source
    /// Least squares on log scales (common practice, no source).
    pub fn of(length_mm_mass_g: &[(f64, f64)]) -> Result<Self, FitError> {
        let fish = length_mm_mass_g.len();
        if fish < 3 {
            return Err(FitError::TooFewFish { fish });
        }
        let fits = |value: f64| value > 0.0 && value.is_finite();
        if let Some((fish, &(length_mm, mass_g))) = (1..)
            .zip(length_mm_mass_g)
            .find(|(_, (length, mass))| !(fits(*length) && fits(*mass)))
        {
            return Err(FitError::NotAboveZero {
                fish,
                length_mm,
                mass_g,
            });
        }
        let logs = || {
            length_mm_mass_g
                .iter()
                .map(|(length, mass)| (libm::log10(*length), libm::log10(*mass)))
        };
        let n = fish as f64;
        let (mean_x, mean_y) = (
            logs().map(|(x, _)| x).sum::<f64>() / n,
            logs().map(|(_, y)| y).sum::<f64>() / n,
        );
        let (mut sxx, mut sxy, mut syy) = (0.0, 0.0, 0.0);
        for (x, y) in logs() {
            sxx += (x - mean_x) * (x - mean_x);
            sxy += (x - mean_x) * (y - mean_y);
            syy += (y - mean_y) * (y - mean_y);
        }
        if sxx < 1e-18 {
            return Err(FitError::OneLength);
        }
        let slope = sxy / sxx;
        let residual = (syy - slope * sxy).max(0.0);
        Ok(Self {
            intercept: mean_y - slope * mean_x,
            slope,
            residual_sd: libm::sqrt(residual / (n - 2.0)),
            r_squared: if syy > 0.0 {
                (slope * sxy / syy).clamp(0.0, 1.0)
            } else {
                0.0
            },
            fish,
            unusual_slope: !USUAL_SLOPES.contains(&slope),
            mean_x,
            sxx,
        })
    }

    /// The fitted curve: the median mass at a length.
    #[must_use]
    pub fn curve(&self) -> MassCurve {
        MassCurve::line(self.intercept, self.slope)
    }

    /// Mean mass at a length: the curve raised by `10^(s^2 ln(10) / 2)`, because a log-normal mean lies above its median.
    ///
    /// # Source
    /// Mean of the log-normal distribution.
    #[must_use]
    pub fn mean_mass_g(&self, length_mm: f64) -> f64 {
        let variance = self.residual_sd * self.residual_sd;
        self.curve().mass_g(length_mm) * libm::pow(10.0, variance * core::f64::consts::LN_10 / 2.0)
    }

    /// How many standard deviations a fish lies above (or, negative, below) the line, its own leverage counted.
    ///
    /// Beyond 3 either way: measure and weigh it again. `None` where the line has no scatter.
    ///
    /// # Source
    /// Internally studentized residual (common practice, no source); the threshold is judgement.
    #[must_use]
    pub fn standardised_residual(&self, length_mm: f64, mass_g: f64) -> Option<f64> {
        let x = libm::log10(length_mm);
        let leverage = 1.0 / self.fish as f64 + (x - self.mean_x) * (x - self.mean_x) / self.sxx;
        let sd = self.residual_sd * libm::sqrt((1.0 - leverage).max(0.0));
        let off = libm::log10(mass_g) - (self.intercept + self.slope * x);
        let residual = off / sd;
        (sd > 0.0 && residual.is_finite()).then_some(residual)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        /// Fish exactly on a curve give the curve back.
        #[test]
        fn an_exact_curve_is_found(a in -6.0_f64..-4.0, b in 2.6_f64..3.4, start in 30.0_f64..100.0) {
            let curve = MassCurve::line(a, b);
            let fish: Vec<(f64, f64)> = (0..8).map(|n| start * 1.2_f64.powi(n)).map(|l| (l, curve.mass_g(l))).collect();
            let fit = MassFit::of(&fish).unwrap();
            prop_assert!((fit.slope - b).abs() < 1e-9 && (fit.intercept - a).abs() < 1e-8);
            prop_assert!(fit.residual_sd < 1e-7);
            prop_assert!((fit.curve().mass_g(150.0) / curve.mass_g(150.0) - 1.0).abs() < 1e-7);
        }

        /// Least squares leaves nothing that goes with length.
        #[test]
        fn residuals_have_no_mean_and_no_trend(fish in prop::collection::vec((20.0_f64..400.0, 0.2_f64..900.0), 3..40)) {
            let Ok(fit) = MassFit::of(&fish) else { return Ok(()) };
            let residual = |(length, mass): &(f64, f64)| mass.log10() - fit.intercept - fit.slope * length.log10();
            let sum: f64 = fish.iter().map(residual).sum();
            let trend: f64 = fish.iter().map(|one| residual(one) * one.0.log10()).sum();
            prop_assert!(sum.abs() < 1e-8 && trend.abs() < 1e-7);
            let squares: f64 = fish.iter().map(|one| residual(one) * residual(one)).sum();
            prop_assert!((fit.residual_sd - (squares / (fish.len() as f64 - 2.0)).sqrt()).abs() < 1e-7);
        }
    }

    #[test]
    fn fish_that_make_no_line_are_turned_away() {
        assert_eq!(
            MassFit::of(&[(80.0, 5.0); 2]),
            Err(FitError::TooFewFish { fish: 2 })
        );
        assert_eq!(MassFit::of(&[(80.0, 5.0); 5]), Err(FitError::OneLength));
        assert!(matches!(
            MassFit::of(&[(80.0, 5.0), (90.0, 0.0), (99.0, 8.0)]),
            Err(FitError::NotAboveZero { fish: 2, .. })
        ));
    }

    /// A weight ten times too large stands out from its school.
    #[test]
    fn a_slip_of_the_decimal_point_stands_out() -> Result<(), FitError> {
        let mut trout: Vec<(f64, f64)> = vec![
            (163.0, 36.1),
            (201.0, 78.2),
            (183.0, 57.7),
            (146.0, 28.9),
            (185.0, 59.9),
            (133.0, 21.1),
            (200.0, 80.9),
            (142.0, 24.5),
            (130.0, 18.0),
            (224.0, 125.2),
            (139.0, 22.6),
            (131.0, 20.1),
            (180.0, 47.0),
            (72.0, 3.2),
        ];
        trout.push((171.0, 473.0));
        let fit = MassFit::of(&trout)?;
        assert!(
            fit.standardised_residual(171.0, 473.0)
                .is_some_and(|residual| residual > 3.0)
        );
        assert!(
            fit.standardised_residual(171.0, 47.3)
                .is_some_and(|residual| residual.abs() < 3.0)
        );
        Ok(())
    }
}
