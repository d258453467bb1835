//! Owns the Beta weight on the chance of capture: what is believed about `p` before the first pass.

use thiserror::Error;

/// Largest parameter of a Beta weight: beyond it `p` would be known better than any crew knows it.
const LARGEST: f64 = 1e9;

/// Why two numbers aren't a Beta weight.
#[derive(Debug, Clone, Copy, PartialEq, Error)]
pub enum WeightError {
    /// A parameter that isn't above 0 and at most 10^9.
    #[error(
        "a Beta weight needs both parameters above 0 and at most 1e9, and these are {alpha} and {beta}"
    )]
    Parameter {
        /// First parameter.
        alpha: f64,
        /// Second parameter.
        beta: f64,
    },
    /// A mean and spread no Beta weight has.
    #[error(
        "a capture chance of {mean} with spread {sd} fits no Beta weight; the mean must lie between 0 and 1 \
         and the spread below sqrt(mean (1 - mean))"
    )]
    Moments {
        /// Mean of `p`.
        mean: f64,
        /// Standard deviation of `p`.
        sd: f64,
    },
}

/// A Beta(alpha, beta) weight on the chance `p` that one pass takes one fish.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct BetaWeight {
    alpha: f64,
    beta: f64,
}

impl BetaWeight {
    /// Every `p` weighs the same: Beta(1, 1), the default where nothing is known.
    pub const FLAT: Self = Self {
        alpha: 1.0,
        beta: 1.0,
    };

    /// A weight by its two parameters.
    ///
    /// # Errors
    /// A parameter not above 0 and at most 10^9.
    pub fn new(alpha: f64, beta: f64) -> Result<Self, WeightError> {
        let fits = |parameter: f64| parameter > 0.0 && parameter <= LARGEST;
        if fits(alpha) && fits(beta) {
            Ok(Self { alpha, beta })
        } else {
            Err(WeightError::Parameter { alpha, beta })
        }
    }

    /// The weight with this mean and spread of `p`, as from a crew's earlier visits with the same species,
    /// size and gear: `t = m (1 - m) / s^2 - 1`, `alpha = m t`, `beta = (1 - m) t`.
    ///
    /// ```
    /// use gravelbar_estimate::BetaWeight;
    ///
    /// let weight = BetaWeight::from_moments(0.5, 0.1)?;
    /// assert!((weight.alpha() - 12.0).abs() < 1e-9 && (weight.beta() - 12.0).abs() < 1e-9);
    /// # Ok::<(), gravelbar_estimate::WeightError>(())
    /// ```
    ///
    /// # Errors
    /// A mean and spread no Beta weight has.
    ///
    /// # Source
    /// Method of moments for the Beta distribution (common practice, no source).
    pub fn from_moments(mean: f64, sd: f64) -> Result<Self, WeightError> {
        let strength = mean * (1.0 - mean) / (sd * sd) - 1.0;
        Self::new(mean * strength, (1.0 - mean) * strength)
            .map_err(|_| WeightError::Moments { mean, sd })
    }

    /// First parameter.
    #[must_use]
    pub fn alpha(&self) -> f64 {
        self.alpha
    }

    /// Second parameter.
    #[must_use]
    pub fn beta(&self) -> f64 {
        self.beta
    }
}

impl Default for BetaWeight {
    fn default() -> Self {
        Self::FLAT
    }
}
