//! Owns fish and grams per area and per length of stream, with their spread.

use crate::NORMAL_95;
use crate::significant::{figure, maybe_figure};
use serde::Serialize;
use thiserror::Error;

/// Why a density or biomass can't be given.
#[derive(Debug, Clone, Copy, PartialEq, Error)]
pub enum DensityError {
    /// A size of the reach that isn't above zero.
    #[error("the {what} of the reach must be above 0 and it is {value}; measure or enter it")]
    Reach {
        /// Which size.
        what: &'static str,
        /// The value given.
        value: f64,
    },
    /// A figure that is below zero or not a number.
    #[error("the {what} must be 0 or more and it is {value}")]
    Figure {
        /// Which figure.
        what: &'static str,
        /// The value given.
        value: f64,
    },
    /// No fish was weighed.
    #[error(
        "at least two fish have to be weighed for a spread of the mean mass, and {weighed} were"
    )]
    TooFewWeighed {
        /// Fish weighed.
        weighed: u32,
    },
}

/// An estimate over the area of a reach. `None` for a spread that isn't known.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Density {
    /// Per square metre.
    #[serde(serialize_with = "figure")]
    pub per_m2: f64,
    /// Standard error of `per_m2`.
    #[serde(serialize_with = "maybe_figure")]
    pub se_per_m2: Option<f64>,
    /// Per 100 square metres.
    #[serde(serialize_with = "figure")]
    pub per_100_m2: f64,
    /// Standard error of `per_100_m2`.
    #[serde(serialize_with = "maybe_figure")]
    pub se_per_100_m2: Option<f64>,
    /// Per hectare.
    #[serde(serialize_with = "figure")]
    pub per_ha: f64,
    /// Standard error of `per_ha`.
    #[serde(serialize_with = "maybe_figure")]
    pub se_per_ha: Option<f64>,
}

/// Fish (or grams) over an area: `D = N / area`, `V(D) = D^2 [V(N)/N^2 + V(area)/area^2]`.
///
/// `se_area_m2` is 0 for an area taken as exact. Each standard error scales like its figure.
///
/// ```
/// let trout = gravelbar_estimate::density(62.5, Some(10.486), 340.0, 0.0)?;
/// assert!((trout.per_100_m2 - 18.382).abs() < 1e-3);
/// # Ok::<(), gravelbar_estimate::DensityError>(())
/// ```
///
/// # Errors
/// An area not above zero; a figure or spread below zero.
///
/// # Source
/// Hayes et al. 2007, p. 365; first-order variance of a quotient.
pub fn density(
    amount: f64,
    se_amount: Option<f64>,
    area_m2: f64,
    se_area_m2: f64,
) -> Result<Density, DensityError> {
    let area_m2 = reach("area", area_m2)?;
    let amount = not_below_zero("amount", amount)?;
    let se_area_m2 = not_below_zero("standard error of the area", se_area_m2)?;
    let per_m2 = amount / area_m2;
    let se_per_m2 =
        spread(se_amount)?.map(|se| libm::hypot(se / area_m2, per_m2 * se_area_m2 / area_m2));
    let scaled = |factor: f64| se_per_m2.map(|se| se * factor);
    Ok(Density {
        per_m2,
        se_per_m2,
        per_100_m2: 100.0 * per_m2,
        se_per_100_m2: scaled(100.0),
        per_ha: 10_000.0 * per_m2,
        se_per_ha: scaled(10_000.0),
    })
}

/// Fish (or grams) over 100 m of stream, with the standard error.
///
/// # Errors
/// A length not above zero; a figure or spread below zero.
///
/// # Source
/// As [`density`], with the length taken as exact.
pub fn per_100_m(
    amount: f64,
    se_amount: Option<f64>,
    length_m: f64,
) -> Result<(f64, Option<f64>), DensityError> {
    let factor = 100.0 / reach("length", length_m)?;
    Ok((
        factor * not_below_zero("amount", amount)?,
        spread(se_amount)?.map(|se| factor * se),
    ))
}

/// Mass of all fish of a reach.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Biomass {
    /// Mass in grams.
    #[serde(serialize_with = "figure")]
    pub mass_g: f64,
    /// Standard error; `None` where the estimate has none.
    #[serde(serialize_with = "maybe_figure")]
    pub se_g: Option<f64>,
    /// Lower 95 % limit, log-normal.
    #[serde(serialize_with = "maybe_figure")]
    pub low_95_g: Option<f64>,
    /// Upper 95 % limit, log-normal.
    #[serde(serialize_with = "maybe_figure")]
    pub high_95_g: Option<f64>,
}

impl Biomass {
    fn new(mass_g: f64, variance_g2: Option<f64>) -> Self {
        // The variance of a product estimate can come out a little below zero where both parts are poor.
        let se_g = variance_g2
            .filter(|variance| *variance > 0.0)
            .map(libm::sqrt);
        let factor = se_g.filter(|_| mass_g > 0.0).map(|se| {
            let cv = se / mass_g;
            libm::exp(NORMAL_95 * libm::sqrt(libm::log1p(cv * cv)))
        });
        Self {
            mass_g,
            se_g,
            low_95_g: factor.map(|factor| mass_g / factor),
            high_95_g: factor.map(|factor| mass_g * factor),
        }
    }
}

/// Biomass from a number of fish and a mean mass: `B = N w`, `V(B) = w^2 V(N) + N^2 V(w) - V(N) V(w)`.
///
/// Work by size group and add masses and variances, because small fish are both lighter and caught worse. Limits
/// are log-normal, `B exp(+/- 1.96 sqrt(ln(1 + V/B^2)))`; the printed formula takes the bare standard error, in
/// grams, for a spread of logarithms, which cannot be meant.
///
/// ```
/// let mean_se = 5.1 / 49_f64.sqrt();
/// let trout = gravelbar_estimate::biomass(62.5, Some(10.486), 12.4, mean_se)?;
/// assert!((trout.mass_g - 775.0).abs() < 1e-9);
/// # Ok::<(), gravelbar_estimate::DensityError>(())
/// ```
///
/// # Errors
/// A figure or spread below zero.
///
/// # Source
/// Goodman 1960; Hayes et al. 2007, eqs 8.40 to 8.44.
pub fn biomass(
    n_fish: f64,
    se_fish: Option<f64>,
    mean_mass_g: f64,
    se_mean_mass_g: f64,
) -> Result<Biomass, DensityError> {
    let n_fish = not_below_zero("number of fish", n_fish)?;
    let mean = not_below_zero("mean mass", mean_mass_g)?;
    let variance_mean = square(not_below_zero(
        "standard error of the mean mass",
        se_mean_mass_g,
    )?);
    let variance = spread(se_fish)?.map(|se| {
        mean * mean * se * se + n_fish * n_fish * variance_mean - se * se * variance_mean
    });
    Ok(Biomass::new(n_fish * mean, variance))
}

/// What was weighed of a catch.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct WeighedCatch {
    /// Mass of all fish caught, in grams.
    pub caught_mass_g: f64,
    /// Fish caught.
    pub caught: u64,
    /// Fish weighed one by one.
    pub weighed: u32,
    /// Mean mass of those.
    pub mean_mass_g: f64,
    /// Standard deviation of those.
    pub sd_mass_g: f64,
}

/// Biomass where the catch itself was weighed, so that only the fish never seen are predicted.
///
/// ```text
/// B = W + (N - T) w        V(B) = w^2 V(N) + (N - T)^2 s^2/n + (N - T) s^2
/// ```
///
/// Assumes that missed fish are like caught ones; by size group that is nearly so, over all sizes it isn't.
///
/// ```
/// use gravelbar_estimate::{WeighedCatch, biomass_with_catch};
///
/// let caught = WeighedCatch { caught_mass_g: 607.6, caught: 49, weighed: 49, mean_mass_g: 12.4, sd_mass_g: 5.1 };
/// let trout = biomass_with_catch(62.5, Some(10.486), caught)?;
/// assert!((trout.mass_g - 775.0).abs() < 1e-9);
/// # Ok::<(), gravelbar_estimate::DensityError>(())
/// ```
///
/// # Errors
/// A figure or spread below zero; fewer than two fish weighed.
///
/// # Source
/// Idea of Shepard, Taper and Zale, Intermountain Journal of Sciences; formula derived.
pub fn biomass_with_catch(
    n_fish: f64,
    se_fish: Option<f64>,
    catch: WeighedCatch,
) -> Result<Biomass, DensityError> {
    let missed = (not_below_zero("number of fish", n_fish)? - catch.caught as f64).max(0.0);
    let caught_mass_g = not_below_zero("mass of the catch", catch.caught_mass_g)?;
    let mean = not_below_zero("mean mass", catch.mean_mass_g)?;
    let variance_one = square(not_below_zero(
        "standard deviation of mass",
        catch.sd_mass_g,
    )?);
    if catch.weighed < 2 {
        return Err(DensityError::TooFewWeighed {
            weighed: catch.weighed,
        });
    }
    let variance = spread(se_fish)?.map(|se| {
        mean * mean * se * se
            + missed * missed * variance_one / f64::from(catch.weighed)
            + missed * variance_one
    });
    Ok(Biomass::new(caught_mass_g + missed * mean, variance))
}

fn square(value: f64) -> f64 {
    value * value
}

fn reach(what: &'static str, value: f64) -> Result<f64, DensityError> {
    if value > 0.0 && value.is_finite() {
        Ok(value)
    } else {
        Err(DensityError::Reach { what, value })
    }
}

fn not_below_zero(what: &'static str, value: f64) -> Result<f64, DensityError> {
    if value >= 0.0 && value.is_finite() {
        Ok(value)
    } else {
        Err(DensityError::Figure { what, value })
    }
}

fn spread(se: Option<f64>) -> Result<Option<f64>, DensityError> {
    se.map(|se| not_below_zero("standard error", se))
        .transpose()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_spread_of_the_area_adds_in_quadrature_and_scales() -> Result<(), DensityError> {
        let trout = density(80.0, Some(8.0), 400.0, 0.0)?;
        assert!((trout.se_per_100_m2.unwrap() - 2.0).abs() < 1e-12);
        let rough = density(80.0, Some(8.0), 400.0, 40.0)?;
        // 10 % and 10 % in quadrature
        assert!((rough.se_per_ha.unwrap() / rough.per_ha - 0.02_f64.sqrt()).abs() < 1e-12);
        assert_eq!(density(80.0, None, 400.0, 0.0)?.se_per_m2, None);
        Ok(())
    }

    #[test]
    fn a_reach_without_size_has_no_density() {
        assert!(matches!(
            density(5.0, None, 0.0, 0.0),
            Err(DensityError::Reach { what: "area", .. })
        ));
        assert!(matches!(
            per_100_m(5.0, None, f64::NAN),
            Err(DensityError::Reach { what: "length", .. })
        ));
        assert!(matches!(
            biomass(-1.0, None, 3.0, 0.1),
            Err(DensityError::Figure { .. })
        ));
    }
}
