//! Owns the two depletion lines, Leslie's and DeLury's: catch per effort against what went before.

use crate::effort::EffortSeries;
use crate::search::crossing;
use crate::significant::{figure, maybe_figure};
use crate::tail::{student_outside, student_quantile};
use serde::Serialize;
use std::f64::consts::FRAC_PI_2;
use thiserror::Error;

/// Angles at which the most that a line's total can be is first looked for.
const ANGLES: u32 = 256;

/// Why a depletion line can't be drawn.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Error)]
pub enum RegressionError {
    /// Too few passes for a line with a spread.
    #[error("a depletion line needs at least three passes and there are {passes}")]
    TooFewPasses {
        /// Passes given.
        passes: usize,
    },
    /// A line that doesn't fall.
    #[error(
        "catch per effort does not fall, so the line meets no total; fish another pass or report the minimum count"
    )]
    DoesNotFall,
    /// A pass without fish, which has no logarithm.
    #[error(
        "pass {pass} took no fish and has no logarithm; use the line of catch per effort on catch before the pass"
    )]
    EmptyPass {
        /// Number of the pass, from 1.
        pass: usize,
    },
}

/// At which moment of a pass the catch or effort so far is read.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum CumulativeCatch {
    /// At its start.
    BeforePass,
    /// Half-way: half of its own catch or effort counted in (Ricker 1975).
    MiddleOfPass,
}

impl CumulativeCatch {
    fn share(self) -> f64 {
        match self {
            Self::BeforePass => 0.0,
            Self::MiddleOfPass => 0.5,
        }
    }
}

/// Leslie's line: catch per effort on cumulative catch.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct LeslieLine {
    /// Fish present before pass 1: where the line meets zero catch per effort.
    #[serde(serialize_with = "figure")]
    pub n_fish: f64,
    /// Catchability per unit of effort, the slope downwards.
    #[serde(serialize_with = "figure")]
    pub q: f64,
    /// Catch per effort before any fish was taken, `q N`.
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
    /// Standard error of `n_fish`.
    #[serde(serialize_with = "figure")]
    pub se_fish: f64,
    /// Lower symmetric 95 % limit of `q`, `k - 2` degrees of freedom.
    #[serde(serialize_with = "figure")]
    pub low_95_q: f64,
    /// Upper symmetric 95 % limit of `q`.
    #[serde(serialize_with = "figure")]
    pub high_95_q: f64,
    /// Lower symmetric 95 % limit of `n_fish`; may lie below the catch.
    #[serde(serialize_with = "figure")]
    pub low_95_fish: f64,
    /// Upper symmetric 95 % limit of `n_fish`; too low.
    #[serde(serialize_with = "figure")]
    pub high_95_fish: f64,
    /// Asymmetric 95 % limits of `n_fish` (Fieller): the ones to believe. `None` for the upper: no upper limit.
    /// `None` altogether where even the lower end is lost in the scatter.
    #[serde(skip)]
    pub fieller_95_fish: Option<(f64, Option<f64>)>,
}

/// Fits Leslie's line: `c[i]/f[i] = q N - q K[i]`, with `K[i]` the catch before pass `i`.
///
/// ```text
/// q = -slope, N = intercept / q, s^2 the residual variance with k - 2 degrees of freedom
/// SE(q) = s / sqrt(Sxx),  SE(N) = sqrt{(s^2/q^2) [1/n + (N - Kbar)^2 / Sxx]}
/// Fieller: all N with (a - q N)^2 <= t^2 s^2 [1/n + (N - Kbar)^2 / Sxx]
/// ```
///
/// Needs a fair share of the stock taken. Prefer [`effort_ml`](crate::effort_ml), of which this is the
/// approximation older reports carry.
///
/// ```
/// use gravelbar_estimate::{CumulativeCatch, EffortSeries, leslie};
///
/// let cove = EffortSeries::new(&[23, 12, 13, 14, 9, 7], &[1.0; 6])?;
/// let line = leslie(&cove, CumulativeCatch::BeforePass)?;
/// assert!((line.n_fish - 108.395).abs() < 1e-3);
/// # Ok::<(), Box<dyn std::error::Error>>(())
/// ```
///
/// # Errors
/// Fewer than three passes; a line that doesn't fall.
///
/// # Source
/// Leslie and Davis 1939; Maceina et al. 1995; standard error of `N` as in Krebs; Ricker 1975 for the
/// middle of the pass; limits by Fieller's theorem.
pub fn leslie(
    series: &EffortSeries,
    point: CumulativeCatch,
) -> Result<LeslieLine, RegressionError> {
    leslie_line(series.passes(), point)
}

/// Leslie's line through pairs of catch and effort, whatever the catch is counted in.
pub(crate) fn leslie_line(
    passes: impl Iterator<Item = (f64, f64)>,
    point: CumulativeCatch,
) -> Result<LeslieLine, RegressionError> {
    let mut before = 0.0;
    let line = Line::through(passes.map(|(caught, effort)| {
        let at = before + point.share() * caught;
        before += caught;
        (at, caught / effort)
    }))?;
    let q = -line.slope;
    let n_fish = line.intercept() / q;
    let df = line.n - 2.0;
    let t = student_quantile(0.05, df);
    let distance = n_fish - line.mean_x;
    let se_q = libm::sqrt(line.residual_variance / line.sxx);
    let se_fish =
        libm::sqrt(line.residual_variance * (1.0 / line.n + distance * distance / line.sxx)) / q;
    Ok(LeslieLine {
        n_fish,
        q,
        intercept: line.intercept(),
        r_squared: line.r_squared(),
        p_value: if se_q > 0.0 {
            student_outside(q / se_q, df)
        } else {
            0.0
        },
        se_q,
        se_fish,
        low_95_q: q - t * se_q,
        high_95_q: q + t * se_q,
        low_95_fish: n_fish - t * se_fish,
        high_95_fish: n_fish + t * se_fish,
        fieller_95_fish: line.fieller(t),
    })
}

/// DeLury's line: log catch per effort on cumulative effort.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct DeLuryLine {
    /// Fish present before pass 1, `exp(intercept) / q`.
    #[serde(serialize_with = "figure")]
    pub n_fish: f64,
    /// Catchability per unit of effort, the slope downwards.
    #[serde(serialize_with = "figure")]
    pub q: f64,
    /// Share of the variation the line accounts for.
    #[serde(serialize_with = "figure")]
    pub r_squared: f64,
    /// Standard error of `q`.
    #[serde(serialize_with = "maybe_figure")]
    pub se_q: Option<f64>,
    /// Asymmetric 95 % limits of `n_fish`, what Fieller's are to Leslie's line. `None` for the upper: no upper limit.
    #[serde(skip)]
    pub limits_95_fish: (f64, Option<f64>),
}

/// Fits DeLury's line: `ln(c[i]/f[i]) = ln(q N) - q F[i]`, with `F[i]` the effort before pass `i`.
///
/// Its limits are all `N` for which the best line bound to that `N` isn't rejected beside the free one:
///
/// ```text
/// min over q of sum (y - ln(q N) + q F)^2 - sum of the free line's squares  <=  t^2 s^2,     k - 2 degrees of freedom
/// ```
///
/// Fieller's theorem is the same rule where the total is a ratio, as for Leslie's line. There is no upper limit exactly where
/// the slope could be none.
///
/// Meant for many units of effort that each take little; with electrofishing passes that take half the
/// fish it is a rough check only.
///
/// ```
/// use gravelbar_estimate::{CumulativeCatch, EffortSeries, delury};
///
/// let series = EffortSeries::new(&[40, 30, 12], &[10.0, 12.0, 8.0])?;
/// assert!((delury(&series, CumulativeCatch::MiddleOfPass)?.n_fish - 109.801).abs() < 1e-3);
/// # Ok::<(), Box<dyn std::error::Error>>(())
/// ```
///
/// # Errors
/// Fewer than three passes; a pass without fish; a line that doesn't fall.
///
/// # Source
/// DeLury 1947; Ricker 1975 for the middle of the pass; limits derived (F test of one constraint).
pub fn delury(
    series: &EffortSeries,
    point: CumulativeCatch,
) -> Result<DeLuryLine, RegressionError> {
    if let Some((pass, _)) = (1..)
        .zip(series.catch().per_pass())
        .find(|(_, fish)| **fish == 0)
    {
        return Err(RegressionError::EmptyPass { pass });
    }
    let mut before = 0.0;
    let line = Line::through(series.passes().map(|(caught, effort)| {
        let at = before + point.share() * effort;
        before += effort;
        (at, libm::log(caught / effort))
    }))?;
    let q = -line.slope;
    let n_fish = libm::exp(line.intercept()) / q;
    if !n_fish.is_finite() {
        return Err(RegressionError::DoesNotFall);
    }
    let se_q = libm::sqrt(line.residual_variance / line.sxx);
    Ok(DeLuryLine {
        n_fish,
        q,
        r_squared: line.r_squared(),
        se_q: se_q.is_finite().then_some(se_q),
        limits_95_fish: line.log_limits(student_quantile(0.05, line.n - 2.0)),
    })
}

/// A falling least-squares line.
struct Line {
    n: f64,
    mean_x: f64,
    mean_y: f64,
    sxx: f64,
    syy: f64,
    slope: f64,
    residual_variance: f64,
}

impl Line {
    fn through(points: impl Iterator<Item = (f64, f64)>) -> Result<Self, RegressionError> {
        let points: Vec<(f64, f64)> = points.collect();
        if points.len() < 3 {
            return Err(RegressionError::TooFewPasses {
                passes: points.len(),
            });
        }
        let n = points.len() as f64;
        let mean_x = points.iter().map(|(x, _)| x).sum::<f64>() / n;
        let mean_y = points.iter().map(|(_, y)| y).sum::<f64>() / n;
        let (mut sxx, mut sxy, mut syy) = (0.0, 0.0, 0.0);
        for (x, y) in points {
            sxx += (x - mean_x) * (x - mean_x);
            sxy += (x - mean_x) * (y - mean_y);
            syy += (y - mean_y) * (y - mean_y);
        }
        let slope = sxy / sxx;
        // Without spread in x there is no slope; a slope lost in rounding is none.
        if !(slope < 0.0 && sxy * sxy > 1e-24 * sxx * syy) {
            return Err(RegressionError::DoesNotFall);
        }
        let residual_variance = (syy - slope * sxy).max(0.0) / (n - 2.0);
        Ok(Self {
            n,
            mean_x,
            mean_y,
            sxx,
            syy,
            slope,
            residual_variance,
        })
    }

    fn intercept(&self) -> f64 {
        self.mean_y - self.slope * self.mean_x
    }

    fn r_squared(&self) -> f64 {
        (self.slope * self.slope * self.sxx / self.syy).min(1.0)
    }

    /// Limits of `exp(intercept) / q` for a line through logarithms.
    ///
    /// All lines that lose at most `t^2 s^2` against the best have their height at the mean of `x` and their `q` on an
    /// ellipse, so the limits are the least and the most of `ln N = height + q xbar - ln q` on it. Below the centre that is, as a function of `q`, a
    /// sum of convex terms, so it has one lowest point, and halving on its slope finds it. Above the centre it may
    /// have several highest points: the best of many angles, then halving between its neighbours.
    fn log_limits(&self, t: f64) -> (f64, Option<f64>) {
        let reach = t * libm::sqrt(self.residual_variance);
        let (of_height, of_q) = (reach / libm::sqrt(self.n), reach / libm::sqrt(self.sxx));
        let q = |angle: f64| -self.slope + of_q * libm::sin(angle);
        let ln_fish = |angle: f64| {
            self.mean_y + of_height * libm::cos(angle) + q(angle) * self.mean_x
                - libm::log(q(angle))
        };
        // Derivative of the above by the angle, divided by nothing that could be zero.
        let slope = |angle: f64| {
            -of_height * libm::sin(angle) + of_q * libm::cos(angle) * (self.mean_x - 1.0 / q(angle))
        };
        // From steep to flat lines through heights below the centre.
        let least = crossing(FRAC_PI_2, 3.0 * FRAC_PI_2, |angle| {
            q(angle) > 0.0 && slope(angle) < 0.0
        });
        let low = libm::exp(ln_fish(least));
        if -self.slope <= of_q {
            return (low, None);
        }
        let step = std::f64::consts::PI / f64::from(ANGLES);
        let angle = |place: u32| -FRAC_PI_2 + step * f64::from(place);
        let best = (0..=ANGLES)
            .map(angle)
            .max_by(|one, other| ln_fish(*one).total_cmp(&ln_fish(*other)))
            .unwrap_or(0.0);
        let most = crossing(best - step, best + step, |angle| slope(angle) > 0.0);
        let high = libm::exp(ln_fish(most));
        (low, high.is_finite().then_some(high))
    }

    /// Limits of where the line meets zero. With `d` the distance from the mean of x the limits solve
    /// `d^2 (b^2 - t^2 s^2/Sxx) + 2 b ybar d + ybar^2 - t^2 s^2/n = 0`.
    fn fieller(&self, t: f64) -> Option<(f64, Option<f64>)> {
        let noise = t * t * self.residual_variance;
        let a = self.slope * self.slope - noise / self.sxx;
        let half_b = self.slope * self.mean_y;
        let c = self.mean_y * self.mean_y - noise / self.n;
        let root = half_b * half_b - a * c;
        if root < 0.0 {
            return None;
        }
        let root = libm::sqrt(root);
        if a > 0.0 {
            Some((
                self.mean_x + (-half_b - root) / a,
                Some(self.mean_x + (-half_b + root) / a),
            ))
        } else if a < 0.0 && c > 0.0 {
            // Everything beyond the larger root and below the smaller; only the former can be a total.
            Some((self.mean_x + (-half_b - root) / a, None))
        } else {
            None
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn no_series_makes_a_line_of_no_number(passes in prop::collection::vec((0_u32..1_000_000_000, 0.1_f64..10.0), 1..12)) {
            let (counts, effort): (Vec<_>, Vec<_>) = passes.into_iter().unzip();
            let series = EffortSeries::new(&counts, &effort).unwrap();
            for point in [CumulativeCatch::BeforePass, CumulativeCatch::MiddleOfPass] {
                if let Ok(line) = leslie(&series, point) {
                    for figure in [line.n_fish, line.q, line.se_q, line.se_fish, line.r_squared, line.p_value, line.low_95_fish] {
                        prop_assert!(figure.is_finite());
                    }
                    if let Some((low, high)) = line.fieller_95_fish {
                        prop_assert!(low <= line.n_fish * (1.0 + 1e-9) + 1e-9);
                        prop_assert!(high.is_none_or(|high| high >= line.n_fish * (1.0 - 1e-9)));
                    }
                }
                if let Ok(line) = delury(&series, point) {
                    prop_assert!(line.n_fish.is_finite() && line.q > 0.0);
                    let (low, high) = line.limits_95_fish;
                    prop_assert!(low >= 0.0 && low <= line.n_fish * (1.0 + 1e-9));
                    prop_assert!(high.is_none_or(|high| high >= line.n_fish * (1.0 - 1e-9)));
                }
            }
        }

        /// A stock fished without scatter: `c[i] = q f[i] (N - K[i])` lies on Leslie's line.
        #[test]
        fn an_exact_leslie_stock_is_found(n_fish in 1e6_f64..1e8, q in 0.05_f64..0.4) {
            let effort = [1.0, 1.3, 0.8, 1.1];
            let mut before = 0.0;
            let counts: [u32; 4] = effort.map(|effort| {
                let caught = (q * effort * (n_fish - before)).round();
                before += caught;
                format!("{caught}").parse().unwrap()
            });
            let line = leslie(&EffortSeries::new(&counts, &effort).unwrap(), CumulativeCatch::BeforePass).unwrap();
            prop_assert!((line.n_fish / n_fish - 1.0).abs() < 1e-3 && (line.q / q - 1.0).abs() < 1e-3);
        }
    }
}
