//! Owns the words of caution that travel with results.

use crate::coded::coded;
use crate::significant::said;
use thiserror::Error;

/// What has to stand beside every suggested setting.
///
/// # Source
/// Wording proposed by this project.
pub const CAUTION: &str = "Arithmetic from one setting you found good, and a model with limits. Start lower than shown. \
Never go over your permit or the unit's rating. This program neither senses nor controls the unit.";

/// One thing to bear in mind with a result. Serialized as `{"code", "text"}`.
#[derive(Debug, Clone, Copy, PartialEq, Error)]
pub enum Caution {
    /// Outside the waters in which the power transfer model was tested.
    #[error(
        "{} µS/cm lies outside the 12 to 1030 µS/cm in which the model was tested (Miranda and Dolan 2003)",
        said(*us_cm)
    )]
    OutsideTestedRange {
        /// Conductivity of the water.
        us_cm: f64,
    },
    /// Water of low conductivity.
    #[error(
        "below about 150 µS/cm the same response needs a higher gradient, and warm water of that kind is riskier for fish (EIFAC draft note)"
    )]
    LowConductivity,
    /// A conductivity unusual for a stream.
    #[error("{} µS/cm is unusual for a stream (5 to 3000): check the meter and the unit", said(*us_cm))]
    UnusualConductivity {
        /// Conductivity.
        us_cm: f64,
    },
    /// A temperature unusual for a stream.
    #[error("{temperature_c} °C is unusual for a stream (-0.5 to 35): check the probe")]
    UnusualTemperature {
        /// Temperature.
        temperature_c: f64,
    },
    /// A straight line stretched over too many degrees.
    #[error(
        "{temperature_c} °C lies outside the 10 to 25 °C for which a straight line was found good to about 2 % (Hayashi 2004)"
    )]
    FarFromReference {
        /// Temperature.
        temperature_c: f64,
    },
    /// The coefficient came from nobody who read it in its source.
    #[error("the formula is UNCONFIRMED: {0}")]
    UnconfirmedFormula(&'static str),
    /// Few estimates stand behind the effective conductivity of fish.
    #[error(
        "few estimates of effective fish conductivity exist; species, size and temperature shift it, hence the band"
    )]
    FewFishEstimates,
    /// Peak power needed depends on size.
    #[error(
        "small fish need more peak power than large ones up to 75 to 100 cm³ (Dolan and Miranda 2003): tune on the fish you are after"
    )]
    SizeMatters,
    /// The duty cycle isn't Hz times ms for this current.
    #[error("for bursts, Hz times ms counts only if Hz is the number of single pulses in a second")]
    BurstsCountPulses,
    /// The field of a ring in a real stream.
    #[error(
        "bed, banks and the cathode make a real field stronger and lopsided in shallow water: measure it"
    )]
    BoundedStream,
    /// DC glove ratings.
    #[error(
        "the DC rating comes from trade pages that print the ASTM table, not from 29 CFR 1910.137; pulsed DC is neither plain AC nor DC"
    )]
    DcRating,
    /// Who decides on gloves.
    #[error("the safety officer decides on gloves; class, test date and an air test all count")]
    SafetyOfficer,
}

impl Caution {
    /// The caution as one word for machines.
    #[must_use]
    pub fn code(&self) -> &'static str {
        match self {
            Self::OutsideTestedRange { .. } => "outside_tested_range_12_1030",
            Self::LowConductivity => "low_conductivity_higher_gradient_needed",
            Self::UnusualConductivity { .. } => "unusual_conductivity",
            Self::UnusualTemperature { .. } => "unusual_temperature",
            Self::FarFromReference { .. } => "far_from_reference",
            Self::UnconfirmedFormula(_) => "unconfirmed_formula",
            Self::FewFishEstimates => "few_fish_estimates",
            Self::SizeMatters => "size_matters",
            Self::BurstsCountPulses => "bursts_count_pulses",
            Self::BoundedStream => "bounded_stream",
            Self::DcRating => "dc_rating",
            Self::SafetyOfficer => "safety_officer",
        }
    }
}

coded!(Caution);
