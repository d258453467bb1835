//! Owns the power transfer model: how much of the power in the water reaches the fish.

use crate::conductivity::Ambient;
use crate::fish::FishConductivity;
use crate::goal::GoalError;
use crate::range::{DENSITY, GRADIENT};

/// Ratio of fish to water, `q = cf / cw`, without unit.
///
/// 1 is a match. The model is symmetric: 0.1 and 10 transfer the same share.
///
/// # Source
/// Kolz 1989, US Fish Wildl. Serv. Tech. Rep. 22 (principle; form derived from maximum power transfer).
#[must_use]
pub fn mismatch(water: Ambient, fish: FishConductivity) -> f64 {
    fish.us_cm() / water.us_cm()
}

/// Share of the power density in the water that a fish takes up, relative to a match: `4q / (1 + q)^2`.
///
/// 1 at a match, falling on both sides. A model of two resistances in one circuit: it says nothing about
/// the electrodes or about what the fish does.
///
/// ```
/// use gravelbar_electric::{Ambient, FishConductivity, transferred_share};
/// let share = transferred_share(Ambient::new(460.0)?, FishConductivity::STANDARD);
/// assert!((share - 0.64).abs() < 1e-12);
/// # Ok::<(), gravelbar_electric::ConductivityError>(())
/// ```
///
/// # Source
/// Kolz 1989 (principle; form derived from maximum power transfer).
#[must_use]
pub fn transferred_share(water: Ambient, fish: FishConductivity) -> f64 {
    1.0 / multiplier(water, fish)
}

/// Power density needed in the water, relative to a match, for the same power density in the fish:
/// `M = (cw + cf)^2 / (4 cw cf)`.
///
/// Never below 1. Multiplies *peak power density*; a voltage doesn't scale with it, see [`crate::goal()`].
/// Tested from 12 to 1030 µS/cm.
///
/// ```
/// use gravelbar_electric::{Ambient, FishConductivity, multiplier};
/// let fish = FishConductivity::new(100.0)?;
/// assert!((multiplier(Ambient::new(1000.0)?, fish) - 3.025).abs() < 1e-12);
/// assert!((multiplier(Ambient::new(10.0)?, fish) - 3.025).abs() < 1e-12);
/// # Ok::<(), Box<dyn std::error::Error>>(())
/// ```
///
/// # Source
/// Kolz 1989 (principle; form derived from maximum power transfer); Miranda and Dolan 2003 (range).
#[must_use]
pub fn multiplier(water: Ambient, fish: FishConductivity) -> f64 {
    let (cw, cf) = (water.us_cm(), fish.us_cm());
    // Rounding could put a match a last bit below 1.
    ((cw + cf) * (cw + cf) / (4.0 * cw * cf)).max(1.0)
}

/// Power density in water, µW/cm³, from its conductivity and a gradient in V/cm: `D = cw E^2`.
///
/// ```
/// use gravelbar_electric::{Ambient, power_density_uw_cm3};
/// assert_eq!(power_density_uw_cm3(Ambient::new(100.0)?, 1.0)?, 100.0);
/// # Ok::<(), Box<dyn std::error::Error>>(())
/// ```
///
/// # Errors
/// A gradient outside 0 to 10 000 V/cm.
///
/// # Source
/// Ohm's law per volume (derived).
pub fn power_density_uw_cm3(water: Ambient, gradient_v_cm: f64) -> Result<f64, GoalError> {
    let gradient = GRADIENT.take(gradient_v_cm)?;
    Ok(water.us_cm() * gradient * gradient)
}

/// Gradient in V/cm that gives a power density in water, µW/cm³: `E = sqrt(D / cw)`.
///
/// ```
/// use gravelbar_electric::{Ambient, gradient_from_power_density_v_cm};
/// assert_eq!(gradient_from_power_density_v_cm(Ambient::new(250.0)?, 62.5)?, 0.5);
/// # Ok::<(), Box<dyn std::error::Error>>(())
/// ```
///
/// # Errors
/// A power density outside 0 to 10^12 µW/cm³.
///
/// # Source
/// Ohm's law per volume (derived).
pub fn gradient_from_power_density_v_cm(
    water: Ambient,
    density_uw_cm3: f64,
) -> Result<f64, GoalError> {
    Ok(libm::sqrt(DENSITY.take(density_uw_cm3)? / water.us_cm()))
}

/// Gradient in V/cm that water needs so that fish get a power density that suffices at a match, µW/cm³:
/// `E = 1/2 (1 + cf / cw) sqrt(Dm / cf)`.
///
/// Tends to half the matched gradient in very hard water and grows without bound in very soft water.
/// The matched value has to come from your own work: no published threshold is built in.
///
/// # Errors
/// A power density outside 0 to 10^12 µW/cm³.
///
/// # Source
/// Kolz 1989 (principle; form derived: `cw E^2 = Dm M`).
pub fn gradient_needed_v_cm(
    water: Ambient,
    fish: FishConductivity,
    matched_uw_cm3: f64,
) -> Result<f64, GoalError> {
    let matched = DENSITY.take(matched_uw_cm3)?;
    Ok(0.5 * (1.0 + mismatch(water, fish)) * libm::sqrt(matched / fish.us_cm()))
}

/// Current density in µA/cm² that water needs so that fish get a power density that suffices at a
/// match, µW/cm³: `J = 1/2 (1 + cw / cf) sqrt(Dm cf)`.
///
/// # Errors
/// A power density outside 0 to 10^12 µW/cm³.
///
/// # Source
/// Kolz 1989 (principle; form derived: `J^2 / cw = Dm M`).
pub fn current_density_needed_ua_cm2(
    water: Ambient,
    fish: FishConductivity,
    matched_uw_cm3: f64,
) -> Result<f64, GoalError> {
    let matched = DENSITY.take(matched_uw_cm3)?;
    Ok(0.5 * (1.0 + water.us_cm() / fish.us_cm()) * libm::sqrt(matched * fish.us_cm()))
}
