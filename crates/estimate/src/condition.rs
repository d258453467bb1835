//! Owns how fat a fish is for its length: Fulton's factor, relative condition and relative weight.

use crate::mass_curve::MassCurve;
use thiserror::Error;

/// Why a condition can't be given.
#[derive(Debug, Clone, Copy, PartialEq, Error)]
pub enum ConditionError {
    /// A length or mass that isn't above zero.
    #[error(
        "a length of {length_mm} mm and a mass of {mass_g} g give no condition; both must be above 0"
    )]
    NotAboveZero {
        /// Length given.
        length_mm: f64,
        /// Mass given.
        mass_g: f64,
    },
    /// A length outside the range of the standard weight.
    #[error(
        "a fish of {length_mm} mm lies outside the lengths this standard weight is for, from {shortest_mm} mm"
    )]
    OutsideRange {
        /// Length given.
        length_mm: f64,
        /// Shortest length of the standard.
        shortest_mm: f64,
    },
}

/// Fulton's condition factor, `K = 10^5 W / L^3` (g, mm).
///
/// Compare only fish of one species and much the same length: `K` shifts with length wherever mass doesn't
/// grow with its cube.
///
/// ```
/// let k = gravelbar_estimate::fulton_k(200.0, 80.0)?;
/// assert!((k - 1.0).abs() < 1e-12);
/// # Ok::<(), gravelbar_estimate::ConditionError>(())
/// ```
///
/// # Errors
/// A length or mass not above zero.
///
/// # Source
/// Definition; its history in Nash, Valencia and Geffen 2006.
pub fn fulton_k(length_mm: f64, mass_g: f64) -> Result<f64, ConditionError> {
    above_zero(length_mm, mass_g)?;
    Ok(1e5 * mass_g / (length_mm * length_mm * length_mm))
}

/// Relative condition: the mass of a fish over that of a local curve at its length, 1 being the usual.
///
/// The measure for species without a standard weight, as most small stream fish.
///
/// # Errors
/// A length or mass not above zero.
///
/// # Source
/// Definition, `Kn = W / W_predicted` (common practice, no source).
pub fn relative_condition(
    length_mm: f64,
    mass_g: f64,
    curve: &MassCurve,
) -> Result<f64, ConditionError> {
    above_zero(length_mm, mass_g)?;
    Ok(mass_g / curve.mass_g(length_mm))
}

/// A published standard weight of a species, total length in millimetres.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct StandardWeight {
    /// What the equation is for, with its kind where there is more than one.
    pub name: &'static str,
    /// The equation.
    pub curve: MassCurve,
    /// Shortest total length it may be used for.
    pub shortest_mm: f64,
    /// Longest, where one is stated.
    pub longest_mm: Option<f64>,
    /// Where the figures were read.
    pub source: &'static str,
}

/// Standard weights whose figures were read in their source. Others are for the office to load; none is shipped from memory.
pub const STANDARD_WEIGHTS: [StandardWeight; 5] = [
    StandardWeight {
        name: "brown trout, lakes",
        curve: MassCurve::line(-5.422, 3.194),
        shortest_mm: 140.0,
        longest_mm: Some(750.0),
        source: "Hyatt and Hubert 2001, J. Freshwater Ecology, doi 10.1080/02705060.2001.9663787 (abstract)",
    },
    StandardWeight {
        name: "Arctic grayling, regression-line-percentile",
        curve: MassCurve::line(-5.241, 3.083),
        shortest_mm: 150.0,
        longest_mm: None,
        source: "Gilham et al. 2021, North American Journal of Fisheries Management (abstract)",
    },
    StandardWeight {
        name: "Arctic grayling, empirical-percentile",
        curve: MassCurve::line(-5.279, 3.096),
        shortest_mm: 150.0,
        longest_mm: None,
        source: "Gilham et al. 2021, North American Journal of Fisheries Management (abstract)",
    },
    StandardWeight {
        name: "Suwannee bass, regression-line-percentile",
        curve: MassCurve::line(-5.548, 3.303),
        shortest_mm: 110.0,
        longest_mm: None,
        source: "North American Journal of Fisheries Management 30:983-988 (2010), doi 10.1577/M10-034.1 (abstract)",
    },
    StandardWeight {
        name: "Suwannee bass, empirical-percentile",
        curve: MassCurve::quadratic(-1.014, -0.583, 0.828),
        shortest_mm: 110.0,
        longest_mm: None,
        source: "North American Journal of Fisheries Management 30:983-988 (2010), doi 10.1577/M10-034.1 (abstract)",
    },
];

/// Relative weight, `Wr = 100 W / Ws`, in percent of the standard weight.
///
/// Report as whole numbers by length class, name the equation, and look for a trend with length before
/// averaging. Weights under a tenth of what the scale holds aren't good enough.
///
/// ```
/// use gravelbar_estimate::{STANDARD_WEIGHTS, relative_weight};
///
/// let [_, grayling, ..] = STANDARD_WEIGHTS;
/// let wr = relative_weight(300.0, 248.87, &grayling)?;
/// assert!((wr - 100.0).abs() < 0.01);
/// # Ok::<(), gravelbar_estimate::ConditionError>(())
/// ```
///
/// # Errors
/// A length or mass not above zero; a length outside the range of the standard.
///
/// # Source
/// Definition; reporting rules Blackwell et al. 2000 and Murphy et al. 1991, as cited in course notes.
pub fn relative_weight(
    length_mm: f64,
    mass_g: f64,
    standard: &StandardWeight,
) -> Result<f64, ConditionError> {
    above_zero(length_mm, mass_g)?;
    let too_long = standard
        .longest_mm
        .is_some_and(|longest| length_mm > longest);
    if length_mm < standard.shortest_mm || too_long {
        return Err(ConditionError::OutsideRange {
            length_mm,
            shortest_mm: standard.shortest_mm,
        });
    }
    Ok(100.0 * mass_g / standard.curve.mass_g(length_mm))
}

fn above_zero(length_mm: f64, mass_g: f64) -> Result<(), ConditionError> {
    let fits = |value: f64| value > 0.0 && value.is_finite();
    if fits(length_mm) && fits(mass_g) {
        Ok(())
    } else {
        Err(ConditionError::NotAboveZero { length_mm, mass_g })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_fish_too_short_for_the_standard_gets_no_relative_weight() {
        let [trout, ..] = STANDARD_WEIGHTS;
        assert!(matches!(
            relative_weight(139.0, 20.0, &trout),
            Err(ConditionError::OutsideRange { .. })
        ));
        assert!(matches!(
            relative_weight(751.0, 5000.0, &trout),
            Err(ConditionError::OutsideRange { .. })
        ));
        assert!(relative_weight(140.0, 20.0, &trout).is_ok());
        assert!(matches!(
            fulton_k(100.0, 0.0),
            Err(ConditionError::NotAboveZero { .. })
        ));
    }

    /// Mean `K` of a regression in centimetres is `100 a L^(b-3)` (Froese 2006).
    #[test]
    fn fulton_follows_a_regression_as_froese_says() -> Result<(), ConditionError> {
        let curve = MassCurve::from_centimetres(0.0105, 3.1);
        for length_mm in [50.0, 80.0, 210.0] {
            let expected = 100.0 * 0.0105 * (length_mm / 10.0_f64).powf(0.1);
            assert!((fulton_k(length_mm, curve.mass_g(length_mm))? - expected).abs() < 1e-9);
        }
        Ok(())
    }
}
