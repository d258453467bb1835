//! Owns the effective conductivity of fish, one value or a band.

use crate::goal::GoalError;
use crate::range::FISH;
use crate::significant::figure;
use serde::Serialize;

/// Effective conductivity of fish, µS/cm: a property of the model, not of a meter.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd, Serialize)]
#[serde(transparent)]
pub struct FishConductivity(#[serde(serialize_with = "figure")] f64);

impl FishConductivity {
    /// Working standard for all fish, 115 µS/cm.
    ///
    /// # Source
    /// Miranda and Dolan 2003, Trans. Am. Fish. Soc., doi 10.1577/T02-093 (abstract); its authors say that few
    /// estimates stand behind it.
    pub const STANDARD: Self = Self(115.0);

    /// Proposed for rainbow trout, 60 µS/cm.
    ///
    /// # Source
    /// Estimating Body Conductivity and Immobilization Threshold in Fish (Wiley, abstract).
    pub const RAINBOW_TROUT: Self = Self(60.0);

    /// Takes another value, µS/cm.
    ///
    /// # Errors
    /// Not a number, or outside 1 to 2000 µS/cm.
    ///
    /// # Source
    /// Bounds: common practice, no source.
    pub fn new(us_cm: f64) -> Result<Self, GoalError> {
        Ok(Self(FISH.take(us_cm)?))
    }

    /// In µS/cm.
    #[must_use]
    pub fn us_cm(self) -> f64 {
        self.0
    }
}

/// A best value for the effective conductivity of fish, with the least and greatest worth looking at.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct FishBand {
    low: FishConductivity,
    best: FishConductivity,
    high: FishConductivity,
}

impl FishBand {
    /// 115 µS/cm, with the published cluster from 50 to 160.
    ///
    /// # Source
    /// Best value as [`FishConductivity::STANDARD`]; cluster of published values as given in Estimating Body
    /// Conductivity and Immobilization Threshold in Fish (Wiley, abstract).
    pub const PUBLISHED: Self = Self {
        low: FishConductivity(50.0),
        best: FishConductivity::STANDARD,
        high: FishConductivity(160.0),
    };

    /// Takes another band, µS/cm.
    ///
    /// # Errors
    /// A value outside 1 to 2000 µS/cm; values not in rising order.
    ///
    /// # Source
    /// Bounds: common practice, no source.
    pub fn new(low_us_cm: f64, best_us_cm: f64, high_us_cm: f64) -> Result<Self, GoalError> {
        let band = Self {
            low: FishConductivity::new(low_us_cm)?,
            best: FishConductivity::new(best_us_cm)?,
            high: FishConductivity::new(high_us_cm)?,
        };
        if band.low <= band.best && band.best <= band.high {
            Ok(band)
        } else {
            Err(GoalError::BandOutOfOrder)
        }
    }

    /// The least.
    #[must_use]
    pub fn low(self) -> FishConductivity {
        self.low
    }

    /// The best value.
    #[must_use]
    pub fn best(self) -> FishConductivity {
        self.best
    }

    /// The greatest.
    #[must_use]
    pub fn high(self) -> FishConductivity {
        self.high
    }
}
