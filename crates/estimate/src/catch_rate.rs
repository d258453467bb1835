//! Owns catch per effort: fish per hour of on-time and per area, for one pass and over sites.

use crate::significant::{figure, maybe_figure};
use crate::tail::poisson_limits;
use serde::Serialize;
use thiserror::Error;

/// Why a catch rate can't be given.
#[derive(Debug, Clone, Copy, PartialEq, Error)]
pub enum RateError {
    /// On-time or area not above zero.
    #[error("the {what} must be above 0 and it is {value}; read it off the unit or measure it")]
    Effort {
        /// Which effort.
        what: &'static str,
        /// The value given.
        value: f64,
    },
    /// Too few sites.
    #[error("a spread over sites needs at least two sites and there are {sites}")]
    TooFewSites {
        /// Sites given.
        sites: usize,
    },
    /// A figure that isn't a number.
    #[error("site {site} has a figure that is not a number")]
    NotANumber {
        /// Number of the site, from 1.
        site: usize,
    },
}

/// A rate with the limits of a pure count.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct CatchRate {
    /// Fish per unit.
    #[serde(serialize_with = "figure")]
    pub rate: f64,
    /// Lower exact Poisson 95 % limit.
    #[serde(serialize_with = "figure")]
    pub low_95: f64,
    /// Upper exact Poisson 95 % limit.
    #[serde(serialize_with = "figure")]
    pub high_95: f64,
}

/// Fish per hour of on-time.
///
/// Compare sites by their first pass only: later passes fish a reach that has been thinned. Use the seconds the
/// current was on, not the time from start to end, which grows with the fish handled. The limits are those
/// of a count alone; how the fish clump and how `p` differs between sites isn't in them.
///
/// ```
/// let trout = gravelbar_estimate::catch_per_hour(48, 1184.0)?;
/// assert!((trout.rate - 145.95).abs() < 0.01);
/// # Ok::<(), gravelbar_estimate::RateError>(())
/// ```
///
/// # Errors
/// On-time not above zero.
///
/// # Source
/// Poisson limits by Garwood's chi-square quantiles. On-time rather than elapsed time: Honkanen et al.,
/// Ecology of Freshwater Fish, doi 10.1111/eff.12327.
pub fn catch_per_hour(fish: u32, on_time_s: f64) -> Result<CatchRate, RateError> {
    rate(fish, "on-time", on_time_s, 3600.0)
}

/// First-pass index: fish of the first pass per 100 square metres.
///
/// A number to compare visits by, not an estimate: it has no capture chance in it.
///
/// # Errors
/// An area not above zero.
///
/// # Source
/// Common practice, no source; limits as in [`catch_per_hour`].
pub fn first_pass_index(fish: u32, area_m2: f64) -> Result<CatchRate, RateError> {
    rate(fish, "area", area_m2, 100.0)
}

fn rate(fish: u32, what: &'static str, effort: f64, unit: f64) -> Result<CatchRate, RateError> {
    if !(effort > 0.0 && effort.is_finite()) {
        return Err(RateError::Effort {
            what,
            value: effort,
        });
    }
    let factor = unit / effort;
    let (low, high) = poisson_limits(f64::from(fish));
    Ok(CatchRate {
        rate: factor * f64::from(fish),
        low_95: factor * low,
        high_95: factor * high,
    })
}

/// A ratio over sites.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct RateOverSites {
    /// Fish per hour of on-time, all sites together.
    #[serde(serialize_with = "figure")]
    pub fish_per_h: f64,
    /// Standard error from the differences between sites.
    #[serde(serialize_with = "figure")]
    pub se_fish_per_h: f64,
}

/// Fish per hour over several sites: all fish over all on-time.
///
/// ```text
/// R = sum c / sum f        V(R) = sum (c - R f)^2 / [n (n - 1) fbar^2]
/// ```
///
/// ```
/// let all = gravelbar_estimate::rate_over_sites(&[(48, 1184.0), (30, 900.0), (11, 610.0)])?;
/// assert!((all.fish_per_h - 3600.0 * 89.0 / 2694.0).abs() < 1e-9);
/// # Ok::<(), gravelbar_estimate::RateError>(())
/// ```
///
/// # Errors
/// Fewer than two sites; an on-time not above zero.
///
/// # Source
/// Ratio estimator of survey sampling (common practice, no source).
pub fn rate_over_sites(sites: &[(u32, f64)]) -> Result<RateOverSites, RateError> {
    if sites.len() < 2 {
        return Err(RateError::TooFewSites { sites: sites.len() });
    }
    if let Some(&(_, value)) = sites
        .iter()
        .find(|(_, on_time_s)| !(*on_time_s > 0.0 && on_time_s.is_finite()))
    {
        return Err(RateError::Effort {
            what: "on-time",
            value,
        });
    }
    let n = sites.len() as f64;
    let hours = |on_time_s: f64| on_time_s / 3600.0;
    let effort: f64 = sites.iter().map(|(_, on_time_s)| hours(*on_time_s)).sum();
    let caught: f64 = sites.iter().map(|(fish, _)| f64::from(*fish)).sum();
    let ratio = caught / effort;
    let apart: f64 = sites
        .iter()
        .map(|(fish, on_time_s)| {
            let distance = f64::from(*fish) - ratio * hours(*on_time_s);
            distance * distance
        })
        .sum();
    let mean = effort / n;
    Ok(RateOverSites {
        fish_per_h: ratio,
        se_fish_per_h: libm::sqrt(apart / (n * (n - 1.0))) / mean,
    })
}

/// Mean of a figure over sites.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct SiteMean {
    /// Mean.
    #[serde(serialize_with = "figure")]
    pub mean: f64,
    /// Standard deviation between sites, `n - 1`.
    #[serde(serialize_with = "figure")]
    pub sd: f64,
    /// Standard error of the mean.
    #[serde(serialize_with = "figure")]
    pub se: f64,
    /// Standard deviation over mean; `None` for a mean of zero.
    #[serde(serialize_with = "maybe_figure")]
    pub cv: Option<f64>,
}

/// Mean of a density or other figure over sites, every site weighing the same.
///
/// # Errors
/// Fewer than two sites; a figure that isn't a number.
///
/// # Source
/// Maceina et al. 1995, Table 1.
pub fn mean_over_sites(figures: &[f64]) -> Result<SiteMean, RateError> {
    if figures.len() < 2 {
        return Err(RateError::TooFewSites {
            sites: figures.len(),
        });
    }
    if let Some((site, _)) = (1..).zip(figures).find(|(_, figure)| !figure.is_finite()) {
        return Err(RateError::NotANumber { site });
    }
    let n = figures.len() as f64;
    let mean = figures.iter().sum::<f64>() / n;
    let squares: f64 = figures
        .iter()
        .map(|figure| (figure - mean) * (figure - mean))
        .sum();
    let sd = libm::sqrt(squares / (n - 1.0));
    Ok(SiteMean {
        mean,
        sd,
        se: sd / libm::sqrt(n),
        cv: (mean > 0.0).then_some(sd / mean),
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn limits_hold_the_rate_and_scale_with_the_effort(fish in 0_u32..1_000_000_000, on_time_s in 1.0_f64..20_000.0) {
            let rate = catch_per_hour(fish, on_time_s).unwrap();
            prop_assert!(rate.low_95 <= rate.rate && rate.rate < rate.high_95 && rate.high_95.is_finite());
            let twice = catch_per_hour(fish, 2.0 * on_time_s).unwrap();
            prop_assert!((twice.high_95 * 2.0 / rate.high_95 - 1.0).abs() < 1e-12);
        }
    }

    /// Sites in proportion leave no spread; the rest is by hand: rates 1 and 3 per hour with equal effort.
    #[test]
    fn the_ratio_over_sites_has_the_spread_between_them() -> Result<(), RateError> {
        let even = rate_over_sites(&[(10, 3600.0), (20, 7200.0)])?;
        assert!((even.fish_per_h - 10.0).abs() < 1e-12 && even.se_fish_per_h < 1e-9);
        let apart = rate_over_sites(&[(1, 3600.0), (3, 3600.0)])?;
        // (1 + 1) / (2 * 1 * 1)
        assert!(
            (apart.fish_per_h - 2.0).abs() < 1e-12 && (apart.se_fish_per_h - 1.0).abs() < 1e-12
        );
        Ok(())
    }

    #[test]
    fn a_pass_without_seconds_has_no_rate() {
        assert!(matches!(
            catch_per_hour(3, 0.0),
            Err(RateError::Effort { .. })
        ));
        assert!(matches!(
            rate_over_sites(&[(3, 10.0)]),
            Err(RateError::TooFewSites { sites: 1 })
        ));
        assert!(matches!(
            mean_over_sites(&[1.0, f64::NAN]),
            Err(RateError::NotANumber { site: 2 })
        ));
    }
}
