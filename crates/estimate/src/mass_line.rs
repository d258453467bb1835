//! Owns Leslie's line on mass: what the fish weigh together where they grow smaller or larger from pass to pass.

use crate::depletion_line::{CumulativeCatch, LeslieLine, RegressionError, leslie_line};
use crate::significant::figure;
use serde::Serialize;
use thiserror::Error;

/// Why a line of masses can't be drawn.
#[derive(Debug, Clone, Copy, PartialEq, Error)]
pub enum MassLineError {
    /// Not one effort for each mass.
    #[error(
        "{passes} masses came with {efforts} efforts; give one effort, such as seconds of on-time, for each pass"
    )]
    Length {
        /// Masses given.
        passes: usize,
        /// Efforts given.
        efforts: usize,
    },
    /// A mass below zero, or no number.
    #[error("pass {pass} weighs {mass_g} g; a catch weighs 0 g or more")]
    Mass {
        /// Number of the pass, from 1.
        pass: usize,
        /// Mass given.
        mass_g: f64,
    },
    /// An effort that isn't above zero.
    #[error("pass {pass} has an effort of {effort}; it must be above 0")]
    Effort {
        /// Number of the pass, from 1.
        pass: usize,
        /// Effort given.
        effort: f64,
    },
    /// No line through these passes.
    #[error(transparent)]
    Line(#[from] RegressionError),
}

/// Leslie's line of mass per effort on cumulative mass.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct MassLine {
    /// Mass of all fish present before pass 1: where the line meets zero, in the unit given.
    #[serde(serialize_with = "figure")]
    pub total_g: f64,
    /// Catchability per unit of effort, the slope downwards.
    #[serde(serialize_with = "figure")]
    pub q: f64,
    /// Mass per effort before any fish was taken.
    #[serde(serialize_with = "figure")]
    pub intercept: f64,
    /// Share of the variation the line accounts for.
    #[serde(serialize_with = "figure")]
    pub r_squared: f64,
    /// Chance of a slope at least this steep, either way, if there were none.
    #[serde(serialize_with = "figure")]
    pub p_value: f64,
    /// Standard error of `q`.
    #[serde(serialize_with = "figure")]
    pub se_q: f64,
    /// Standard error of `total_g`.
    #[serde(serialize_with = "figure")]
    pub se_g: f64,
    /// Asymmetric 95 % limits of `total_g` (Fieller), as for fish.
    #[serde(skip)]
    pub fieller_95_g: Option<(f64, Option<f64>)>,
}

/// Fits Leslie's line to what each pass weighs: `m[i]/f[i] = q M - q K[i]`, with `K[i]` the mass taken before pass `i`.
///
/// The biomass of a reach without a mean mass, so it stays right where the large fish come first. Any unit of mass
/// will do; the total comes out in it. All else as [`leslie`](crate::leslie()).
///
/// ```
/// use gravelbar_estimate::{CumulativeCatch, leslie_mass};
///
/// // Passes that lie on the printed line of a cove: 25.4 kg an hour at first, less by 0.287 for each kg taken.
/// let line = leslie_mass(&[25_400.0, 18_110.0, 12_912.0], &[1.0; 3], CumulativeCatch::BeforePass)?;
/// assert!((line.total_g / 1000.0 - 88.4).abs() < 0.35);
/// # Ok::<(), gravelbar_estimate::MassLineError>(())
/// ```
///
/// # Errors
/// A missing effort; a mass below zero; an effort not above zero; fewer than three passes; a line that doesn't fall.
///
/// # Source
/// Maceina et al. 1995, who fit catches in fish and in mass alike.
pub fn leslie_mass(
    mass_g: &[f64],
    effort: &[f64],
    point: CumulativeCatch,
) -> Result<MassLine, MassLineError> {
    if mass_g.len() != effort.len() {
        return Err(MassLineError::Length {
            passes: mass_g.len(),
            efforts: effort.len(),
        });
    }
    for ((pass, &mass_g), &effort) in (1..).zip(mass_g).zip(effort) {
        if !(0.0..=MOST_MASS).contains(&mass_g) {
            return Err(MassLineError::Mass { pass, mass_g });
        }
        if !(1.0 / MOST_MASS..=MOST_MASS).contains(&effort) {
            return Err(MassLineError::Effort { pass, effort });
        }
    }
    let passes = mass_g.iter().copied().zip(effort.iter().copied());
    let LeslieLine {
        n_fish: total_g,
        q,
        intercept,
        r_squared,
        p_value,
        se_q,
        se_fish: se_g,
        fieller_95_fish: fieller_95_g,
        ..
    } = leslie_line(passes, point)?;
    Ok(MassLine {
        total_g,
        q,
        intercept,
        r_squared,
        p_value,
        se_q,
        se_g,
        fieller_95_g,
    })
}

/// Beyond any catch and any effort, and far from where squares leave the range of numbers.
const MOST_MASS: f64 = 1e15;

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{EffortSeries, leslie};
    use proptest::prelude::*;

    proptest! {
        /// Whole numbers of grams are fish to the arithmetic; another unit scales the total and nothing else.
        #[test]
        fn grams_are_counted_like_fish_and_units_do_not_matter(
            passes in prop::collection::vec((0_u32..100_000, 0.1_f64..10.0), 3..9), unit in 1e-3_f64..1e3,
        ) {
            let (counts, effort): (Vec<_>, Vec<_>) = passes.into_iter().unzip();
            let fish = leslie(&EffortSeries::new(&counts, &effort).unwrap(), CumulativeCatch::MiddleOfPass);
            let scaled: Vec<f64> = counts.iter().map(|&fish| unit * f64::from(fish)).collect();
            let mass = leslie_mass(&scaled, &effort, CumulativeCatch::MiddleOfPass);
            match (fish, mass) {
                (Ok(fish), Ok(mass)) => {
                    prop_assert!((mass.total_g / unit / fish.n_fish - 1.0).abs() < 1e-6);
                    prop_assert!((mass.q / fish.q - 1.0).abs() < 1e-6 && (mass.se_g / unit - fish.se_fish).abs() < 1e-6 * (1.0 + fish.n_fish.abs()));
                }
                (Err(fish), Err(mass)) => prop_assert_eq!(MassLineError::Line(fish), mass),
                // A slope next to nothing may be lost in rounding on one side.
                (fish, mass) => prop_assert!(fish.is_ok_and(|line| line.r_squared < 1e-20) || mass.is_ok_and(|line| line.r_squared < 1e-20)),
            }
        }
    }

    #[test]
    fn masses_and_efforts_that_cannot_be_are_turned_away() {
        let line =
            |mass: &[f64], effort: &[f64]| leslie_mass(mass, effort, CumulativeCatch::BeforePass);
        assert_eq!(
            line(&[9.0, 5.0, 2.0], &[1.0; 2]),
            Err(MassLineError::Length {
                passes: 3,
                efforts: 2
            })
        );
        assert_eq!(
            line(&[9.0, -5.0, 2.0], &[1.0; 3]),
            Err(MassLineError::Mass {
                pass: 2,
                mass_g: -5.0
            })
        );
        assert!(matches!(
            line(&[9.0, f64::NAN, 2.0], &[1.0; 3]),
            Err(MassLineError::Mass { pass: 2, .. })
        ));
        assert_eq!(
            line(&[9.0, 5.0, 2.0], &[1.0, 1.0, 0.0]),
            Err(MassLineError::Effort {
                pass: 3,
                effort: 0.0
            })
        );
        assert_eq!(
            line(&[9.0, 5.0], &[1.0; 2]),
            Err(MassLineError::Line(RegressionError::TooFewPasses {
                passes: 2
            }))
        );
        assert_eq!(
            line(&[5.0, 9.0, 12.0], &[1.0; 3]),
            Err(MassLineError::Line(RegressionError::DoesNotFall))
        );
    }
}
