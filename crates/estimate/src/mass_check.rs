//! Owns the question at the scale: does this mass belong to this length, and if not, what was meant?

use crate::mass_curve::MassCurve;
use crate::significant::figure;
use serde::Serialize;

/// How far from the curve a mass may lie without a question, as shares of the mass expected.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct MassBand {
    /// Lowest share.
    pub low: f64,
    /// Highest share.
    pub high: f64,
}

impl MassBand {
    /// Half to one and a half times the mass expected.
    ///
    /// # Source
    /// Judgement: condition of live fish rarely leaves this range.
    pub const USUAL: Self = Self {
        low: 0.5,
        high: 1.5,
    };
}

/// What may have been meant by a length and mass that don't go together.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Slip {
    /// The decimal point of the mass is one place too far right: 473.0 for 47.3.
    MassTenTimesTooLarge,
    /// The decimal point of the mass is one place too far left: 4.73 for 47.3.
    MassTenTimesTooSmall,
    /// The mass was entered in kilograms.
    MassInKilograms,
    /// The mass was entered in ounces.
    MassInOunces,
    /// The length was entered in centimetres.
    LengthInCentimetres,
    /// The length was entered in inches.
    LengthInInches,
    /// A digit too many in the length: 1710 for 171.
    LengthTenTimesTooLarge,
}

impl Slip {
    const ALL: [Self; 7] = [
        Self::MassTenTimesTooLarge,
        Self::MassTenTimesTooSmall,
        Self::MassInKilograms,
        Self::MassInOunces,
        Self::LengthInCentimetres,
        Self::LengthInInches,
        Self::LengthTenTimesTooLarge,
    ];

    /// Factors that turn what was entered into what would have been meant: of the length and of the mass.
    fn factors(self) -> (f64, f64) {
        match self {
            Self::MassTenTimesTooLarge => (1.0, 0.1),
            Self::MassTenTimesTooSmall => (1.0, 10.0),
            Self::MassInKilograms => (1.0, 1000.0),
            Self::MassInOunces => (1.0, 28.349_523_125),
            Self::LengthInCentimetres => (10.0, 1.0),
            Self::LengthInInches => (25.4, 1.0),
            Self::LengthTenTimesTooLarge => (0.1, 1.0),
        }
    }
}

/// A reading under which length and mass would go together. To be asked about, never put in by itself.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct SuggestedReading {
    /// What would have gone wrong.
    pub slip: Slip,
    /// Length that would have been meant.
    #[serde(serialize_with = "figure")]
    pub length_mm: f64,
    /// Mass that would have been meant.
    #[serde(serialize_with = "figure")]
    pub mass_g: f64,
    /// That mass over the mass expected at that length.
    #[serde(serialize_with = "figure")]
    pub relative_mass: f64,
}

/// Answer to the question at the scale.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[serde(rename_all = "snake_case", tag = "verdict")]
pub enum MassCheck {
    /// Mass and length go together.
    Plausible {
        /// Mass over the mass expected.
        relative_mass: f64,
    },
    /// They don't: weigh and measure again. The record stands as entered until a person corrects it.
    Unlikely {
        /// Mass over the mass expected.
        relative_mass: f64,
        /// Readings that would fit, the best first; empty where none does.
        readings: Vec<SuggestedReading>,
    },
    /// Length or mass isn't above zero, so there is nothing to compare.
    NoReading,
}

/// Looks at a fish just entered: its mass over the mass expected at its length, within a band.
///
/// `scale_step_g` is the step the scale shows (0.1 for one decimal); half a step either way counts in the fish's
/// favour, because the last digit of a two-gram fish is a twentieth of it. Outside the band, slips of the point
/// and of the unit are tried, and those that would bring the fish into the band are offered.
///
/// ```
/// use gravelbar_estimate::{MassBand, MassCheck, MassCurve, check_mass};
///
/// let trout = MassCurve::quadratic(-3.364, 1.378, 0.397).scaled(0.90);
/// let MassCheck::Unlikely { readings, .. } = check_mass(171.0, 473.0, &trout, MassBand::USUAL, 0.1) else {
///     return;
/// };
/// assert!((readings[0].mass_g - 47.3).abs() < 1e-9);
/// ```
///
/// # Source
/// Band and slips are judgement (common practice, no source).
#[must_use]
pub fn check_mass(
    length_mm: f64,
    mass_g: f64,
    curve: &MassCurve,
    band: MassBand,
    scale_step_g: f64,
) -> MassCheck {
    let fits = |value: f64| value > 0.0 && value.is_finite();
    let relative = |length_mm: f64, mass_g: f64| mass_g / curve.mass_g(length_mm);
    let relative_mass = relative(length_mm, mass_g);
    if !(fits(length_mm) && fits(mass_g) && fits(relative_mass)) {
        return MassCheck::NoReading;
    }
    let half_step = scale_step_g.max(0.0) / 2.0;
    let inside = |length_mm: f64, mass_g: f64, half_step: f64| {
        relative(length_mm, mass_g + half_step) >= band.low
            && relative(length_mm, mass_g - half_step) <= band.high
    };
    if inside(length_mm, mass_g, half_step) {
        return MassCheck::Plausible { relative_mass };
    }
    let mut readings: Vec<SuggestedReading> = Slip::ALL
        .into_iter()
        .map(|slip| {
            let (of_length, of_mass) = slip.factors();
            let (length_mm, mass_g) = (length_mm * of_length, mass_g * of_mass);
            SuggestedReading {
                slip,
                length_mm,
                mass_g,
                relative_mass: relative(length_mm, mass_g),
            }
        })
        .filter(|reading| inside(reading.length_mm, reading.mass_g, 0.0))
        .collect();
    let off = |reading: &SuggestedReading| libm::fabs(libm::log(reading.relative_mass));
    readings.sort_by(|one, other| off(one).total_cmp(&off(other)));
    MassCheck::Unlikely {
        relative_mass,
        readings,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn trout() -> MassCurve {
        MassCurve::line(-5.0, 3.0)
    }

    proptest! {
        /// Any true fish of usual condition, entered with one slip, is questioned or at least never lost: the
        /// true reading is among those offered wherever the slip takes it out of the band.
        #[test]
        fn a_slip_of_a_usual_fish_is_found(length_mm in 60.0_f64..500.0, condition in 0.75_f64..1.3, slip in 0_usize..7) {
            let slip = Slip::ALL[slip];
            let mass_g = condition * trout().mass_g(length_mm);
            let (of_length, of_mass) = slip.factors();
            match check_mass(length_mm / of_length, mass_g / of_mass, &trout(), MassBand::USUAL, 0.0) {
                MassCheck::Unlikely { readings, .. } => {
                    let found = readings.iter().find(|reading| reading.slip == slip);
                    prop_assert!(found.is_some_and(|reading| (reading.mass_g / mass_g - 1.0).abs() < 1e-9
                        && (reading.length_mm / length_mm - 1.0).abs() < 1e-9));
                }
                other => prop_assert!(false, "{other:?}"),
            }
        }

        #[test]
        fn no_entry_stops_the_check(length_mm in prop::num::f64::ANY, mass_g in prop::num::f64::ANY, step in prop::num::f64::ANY) {
            match check_mass(length_mm, mass_g, &trout(), MassBand::USUAL, step) {
                MassCheck::Plausible { relative_mass } | MassCheck::Unlikely { relative_mass, .. } => {
                    prop_assert!(relative_mass > 0.0 && relative_mass.is_finite());
                }
                MassCheck::NoReading => {}
            }
        }

        #[test]
        fn a_usual_fish_passes(length_mm in 20.0_f64..900.0, condition in 0.51_f64..1.49) {
            let mass_g = condition * trout().mass_g(length_mm);
            let passed = matches!(check_mass(length_mm, mass_g, &trout(), MassBand::USUAL, 0.1), MassCheck::Plausible { .. });
            prop_assert!(passed);
        }
    }

    /// 0.1 g is all a small fish may show: 0.04 g expected at 16 mm.
    #[test]
    fn the_step_of_the_scale_counts_in_the_fishs_favour() {
        let (length_mm, mass_g) = (16.0, 0.1);
        assert!(matches!(
            check_mass(length_mm, mass_g, &trout(), MassBand::USUAL, 0.1),
            MassCheck::Plausible { .. }
        ));
        assert!(matches!(
            check_mass(length_mm, mass_g, &trout(), MassBand::USUAL, 0.0),
            MassCheck::Unlikely { .. }
        ));
    }
}
