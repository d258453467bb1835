//! Owns the two conductivities of water, as two types so that neither is taken for the other.

use crate::caution::Caution;
use crate::coded::coded;
use crate::range::{CONDUCTIVITY, OutOfRange, REFERENCE};
use crate::significant::figure;
use serde::Serialize;
use thiserror::Error;

/// Least and greatest ambient conductivity in which the power transfer model was tested, µS/cm.
///
/// # Source
/// Miranda and Dolan 2003, Trans. Am. Fish. Soc., doi 10.1577/T02-093 (abstract).
pub const TESTED_US_CM: (f64, f64) = (12.0, 1_030.0);

/// Below this a higher gradient is needed for the same response, µS/cm.
///
/// # Source
/// EIFAC Working Party on Fish Monitoring, draft information note on electric fishing best practice.
pub const LOW_US_CM: f64 = 150.0;

/// Why a conductivity can't be taken or converted.
#[derive(Debug, Clone, Copy, PartialEq, Error)]
pub enum ConductivityError {
    /// A figure outside its bounds.
    #[error(transparent)]
    OutOfRange(#[from] OutOfRange),
    /// A straight line carried to where it says that water doesn't conduct.
    #[error(
        "at {temperature_c} °C the straight-line formula says that water doesn't conduct at all; check the temperature and the coefficient"
    )]
    NonPositiveDenominator {
        /// Temperature given.
        temperature_c: f64,
    },
}

impl ConductivityError {
    /// The reason as one word for machines.
    #[must_use]
    pub fn code(&self) -> &'static str {
        match self {
            Self::OutOfRange(_) => "out_of_range",
            Self::NonPositiveDenominator { .. } => "non_positive_denominator",
        }
    }
}

coded!(ConductivityError);

/// Conductivity of the water as it is, at its own temperature, µS/cm. What the current meets.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd, Serialize)]
#[serde(transparent)]
pub struct Ambient(#[serde(serialize_with = "figure")] f64);

impl Ambient {
    /// Takes an ambient conductivity in µS/cm.
    ///
    /// A meter that corrects to 20 or 25 °C doesn't show this; see [`Specific`].
    ///
    /// ```
    /// use gravelbar_electric::Ambient;
    /// assert_eq!(Ambient::new(68.0)?.us_cm(), 68.0);
    /// assert_eq!(Ambient::new(f64::NAN).unwrap_err().code(), "out_of_range");
    /// # Ok::<(), gravelbar_electric::ConductivityError>(())
    /// ```
    ///
    /// # Errors
    /// Not a number, or outside 0.1 to 100 000 µS/cm.
    ///
    /// # Source
    /// Bounds: common practice, no source. That the field follows the ambient value: Meador, Cuffney and
    /// Gurtz 1993, USGS OFR 93-104.
    pub fn new(us_cm: f64) -> Result<Self, ConductivityError> {
        Ok(Self(CONDUCTIVITY.take(us_cm)?))
    }

    /// For results of formulas over figures already checked, which may lie outside the bounds of entry.
    pub(crate) fn computed(us_cm: f64) -> Self {
        Self(us_cm)
    }

    /// In µS/cm.
    #[must_use]
    pub fn us_cm(self) -> f64 {
        self.0
    }

    /// In S/m: 1 µS/cm is 0.0001 S/m.
    #[must_use]
    pub fn s_m(self) -> f64 {
        self.0 / 10_000.0
    }

    /// What to bear in mind with water of this conductivity.
    #[must_use]
    pub fn cautions(self) -> Vec<Caution> {
        let us_cm = self.0;
        let mut cautions = Vec::new();
        if !(5.0..=3_000.0).contains(&us_cm) {
            cautions.push(Caution::UnusualConductivity { us_cm });
        }
        if us_cm < TESTED_US_CM.0 || us_cm > TESTED_US_CM.1 {
            cautions.push(Caution::OutsideTestedRange { us_cm });
        }
        if us_cm < LOW_US_CM {
            cautions.push(Caution::LowConductivity);
        }
        cautions
    }
}

/// Conductivity brought to a reference temperature ("specific conductance"), µS/cm.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Specific {
    #[serde(serialize_with = "figure")]
    us_cm: f64,
    reference_c: f64,
}

impl Specific {
    /// Takes a specific conductance in µS/cm and the temperature it was brought to, mostly 25 °C, on some meters 20 °C.
    ///
    /// # Errors
    /// Not a number; outside 0.1 to 100 000 µS/cm; a reference outside 15 to 30 °C.
    ///
    /// # Source
    /// Bounds: common practice, no source.
    pub fn new(us_cm: f64, reference_c: f64) -> Result<Self, ConductivityError> {
        Ok(Self {
            us_cm: CONDUCTIVITY.take(us_cm)?,
            reference_c: REFERENCE.take(reference_c)?,
        })
    }

    pub(crate) fn computed(us_cm: f64, reference_c: f64) -> Self {
        Self { us_cm, reference_c }
    }

    /// In µS/cm.
    #[must_use]
    pub fn us_cm(self) -> f64 {
        self.us_cm
    }

    /// The temperature it was brought to, °C.
    #[must_use]
    pub fn reference_c(self) -> f64 {
        self.reference_c
    }
}
