//! Owns carrying what was measured over to what was counted: subsamples and batches by weight.

use crate::significant::figure;
use serde::Serialize;
use thiserror::Error;

/// Why a subsample can't be expanded.
#[derive(Debug, Clone, Copy, PartialEq, Error)]
pub enum SubsampleError {
    /// Fewer than two fish measured.
    #[error("a subsample needs at least two fish and {measured} were measured")]
    TooFew {
        /// Fish measured.
        measured: u32,
    },
    /// More fish in the part than in the whole.
    #[error(
        "{part} fish were given of {whole}; the part cannot be larger than the whole, check the counts"
    )]
    PartOverWhole {
        /// Fish in the part.
        part: u32,
        /// Fish in the whole.
        whole: u32,
    },
    /// A mass or estimate that isn't a number in range.
    #[error("the {what} must be 0 or more and a mean above 0; {value} was given")]
    Figure {
        /// Which figure.
        what: &'static str,
        /// The value given.
        value: f64,
    },
}

/// Fish of a class (a length bin, an age, a species in a mixed bucket) with their standard error.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Expanded {
    /// Fish.
    #[serde(serialize_with = "figure")]
    pub fish: f64,
    /// Standard error.
    #[serde(serialize_with = "figure")]
    pub se_fish: f64,
    /// Fish each measured fish stands for.
    #[serde(serialize_with = "figure")]
    pub factor: f64,
}

/// Fish of a class among `caught`, from `in_class` of `measured` fish taken without choice.
///
/// ```text
/// g = n_l / n,   T_l = T g,   V(T_l) = T^2 (1 - n/T) g (1 - g) / (n - 1)
/// ```
///
/// Within one species and pass. Fish picked for their size are no subsample: record the rule by which
/// they were taken.
///
/// ```
/// let small = gravelbar_estimate::expand_catch(62, 25, 10)?;
/// assert!((small.fish - 24.8).abs() < 1e-12);
/// # Ok::<(), gravelbar_estimate::SubsampleError>(())
/// ```
///
/// # Errors
/// Fewer than two fish measured; more measured than caught or in the class than measured.
///
/// # Source
/// Proportion from a simple random sample without replacement (survey sampling; derived).
pub fn expand_catch(caught: u32, measured: u32, in_class: u32) -> Result<Expanded, SubsampleError> {
    let share = class_share(measured, in_class)?;
    if measured > caught {
        return Err(SubsampleError::PartOverWhole {
            part: measured,
            whole: caught,
        });
    }
    let (whole, n) = (f64::from(caught), f64::from(measured));
    let variance = whole * whole * (1.0 - n / whole) * share * (1.0 - share) / (n - 1.0);
    Ok(Expanded {
        fish: whole * share,
        se_fish: libm::sqrt(variance.max(0.0)),
        factor: whole / n,
    })
}

/// Fish of a class in an estimated population, from `in_class` of `measured` fish.
///
/// ```text
/// N_l = N g,   V(N_l) = g^2 V(N) + N^2 V(g) - V(N) V(g),   V(g) = g (1 - g) / (n - 1)
/// ```
///
/// Assumes that the class is caught as well as the others. Length classes aren't: estimate size groups apart.
///
/// # Errors
/// Fewer than two fish measured; more in the class than measured; an estimate below zero.
///
/// # Source
/// Goodman 1960 for the variance of a product.
pub fn expand_estimate(
    n_fish: f64,
    se_fish: f64,
    measured: u32,
    in_class: u32,
) -> Result<Expanded, SubsampleError> {
    let share = class_share(measured, in_class)?;
    let n_fish = not_below_zero("estimate", n_fish)?;
    let variance_fish = square(not_below_zero("standard error of the estimate", se_fish)?);
    let n = f64::from(measured);
    let variance_share = share * (1.0 - share) / (n - 1.0);
    let variance = share * share * variance_fish + n_fish * n_fish * variance_share
        - variance_fish * variance_share;
    Ok(Expanded {
        fish: n_fish * share,
        se_fish: libm::sqrt(variance.max(0.0)),
        factor: n_fish / n,
    })
}

/// Fish in a batch that was weighed whole, from the mean mass of `weighed` fish of it.
///
/// ```text
/// T = W / wbar,   V(T) = (T^2 / n) (s / wbar)^2 (1 - n/T)
/// ```
///
/// ```
/// let dace = gravelbar_estimate::batch_count(163.8, 25, 2.6, 1.0)?;
/// assert!((dace.fish - 63.0).abs() < 1e-12);
/// # Ok::<(), gravelbar_estimate::SubsampleError>(())
/// ```
///
/// # Errors
/// Fewer than two fish weighed; a mean mass not above zero; a mass or spread below zero.
///
/// # Source
/// Ratio of a known total to a sample mean, first order, finite population (derived).
pub fn batch_count(
    batch_mass_g: f64,
    weighed: u32,
    mean_mass_g: f64,
    sd_mass_g: f64,
) -> Result<Expanded, SubsampleError> {
    if weighed < 2 {
        return Err(SubsampleError::TooFew { measured: weighed });
    }
    let batch = not_below_zero("mass of the batch", batch_mass_g)?;
    let sd = not_below_zero("standard deviation of mass", sd_mass_g)?;
    if !(mean_mass_g > 0.0 && mean_mass_g.is_finite()) {
        return Err(SubsampleError::Figure {
            what: "mean mass",
            value: mean_mass_g,
        });
    }
    let (fish, n) = (batch / mean_mass_g, f64::from(weighed));
    let unweighed = if fish > n { 1.0 - n / fish } else { 0.0 };
    let variance = fish * fish / n * square(sd / mean_mass_g) * unweighed;
    Ok(Expanded {
        fish,
        se_fish: libm::sqrt(variance),
        factor: fish / n,
    })
}

fn class_share(measured: u32, in_class: u32) -> Result<f64, SubsampleError> {
    if measured < 2 {
        return Err(SubsampleError::TooFew { measured });
    }
    if in_class > measured {
        return Err(SubsampleError::PartOverWhole {
            part: in_class,
            whole: measured,
        });
    }
    Ok(f64::from(in_class) / f64::from(measured))
}

fn square(value: f64) -> f64 {
    value * value
}

fn not_below_zero(what: &'static str, value: f64) -> Result<f64, SubsampleError> {
    if value >= 0.0 && value.is_finite() {
        Ok(value)
    } else {
        Err(SubsampleError::Figure { what, value })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn classes_add_up_to_the_catch(caught in 10_u32..5000, measured in 2_u32..10, first in 0_u32..10) {
            let first = first.min(measured);
            let (one, rest) = (expand_catch(caught, measured, first).unwrap(), expand_catch(caught, measured, measured - first).unwrap());
            prop_assert!((one.fish + rest.fish - f64::from(caught)).abs() < 1e-8);
            prop_assert!((one.se_fish - rest.se_fish).abs() < 1e-8);
        }
    }

    /// All ways to draw 3 of 6 fish, 2 of them small: the mean of the estimates is 2, and the mean of the
    /// estimated variances is the variance of the estimates.
    #[test]
    fn over_all_subsamples_the_answer_and_its_spread_are_right() -> Result<(), SubsampleError> {
        let (mut estimates, mut variances) = (Vec::new(), Vec::new());
        for drawn in 0_u32..64 {
            if drawn.count_ones() == 3 {
                let small = (drawn & 0b11).count_ones();
                let here = expand_catch(6, 3, small)?;
                estimates.push(here.fish);
                variances.push(here.se_fish * here.se_fish);
            }
        }
        let n = estimates.len() as f64;
        assert_eq!(estimates.len(), 20);
        let mean = estimates.iter().sum::<f64>() / n;
        let spread = estimates
            .iter()
            .map(|fish| (fish - mean) * (fish - mean))
            .sum::<f64>()
            / n;
        assert!((mean - 2.0).abs() < 1e-12);
        assert!((spread - variances.iter().sum::<f64>() / n).abs() < 1e-12);
        Ok(())
    }

    #[test]
    fn a_fully_measured_catch_has_no_spread_and_odd_counts_are_turned_away()
    -> Result<(), SubsampleError> {
        assert!(expand_catch(25, 25, 10)?.se_fish < 1e-12);
        assert!(matches!(
            expand_catch(20, 25, 10),
            Err(SubsampleError::PartOverWhole {
                part: 25,
                whole: 20
            })
        ));
        assert!(matches!(
            expand_catch(20, 5, 6),
            Err(SubsampleError::PartOverWhole { .. })
        ));
        assert!(matches!(
            expand_estimate(100.0, 5.0, 1, 1),
            Err(SubsampleError::TooFew { .. })
        ));
        assert!(matches!(
            batch_count(100.0, 5, 0.0, 1.0),
            Err(SubsampleError::Figure { .. })
        ));
        // 10 of 50 in the class, N = 100 with SE 5: 0.04 * 25 + 10^4 * 0.16/49 - 25 * 0.16/49
        let class = expand_estimate(100.0, 5.0, 50, 10)?;
        assert!((class.se_fish * class.se_fish - (1.0 + 9975.0 * 0.16 / 49.0)).abs() < 1e-9);
        Ok(())
    }
}
