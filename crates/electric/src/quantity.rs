//! Owns the quantities that limits are set on, with their units and words.

use crate::significant::said;
use serde::{Deserialize, Serialize};

/// What a limit is set on.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Quantity {
    /// Peak volts.
    PeakV,
    /// Peak amps.
    PeakA,
    /// Peak watts.
    PeakW,
    /// Mean watts.
    MeanW,
    /// Pulses a second, Hz.
    PulseRateHz,
    /// Length of a pulse, ms.
    PulseWidthMs,
    /// Share of the time the current flows, percent.
    DutyPercent,
    /// Alternating current, 1 where it is used and 0 where not, so that "at most 0" forbids it.
    AlternatingCurrent,
    /// Ambient conductivity of the water, µS/cm.
    AmbientUsCm,
    /// Temperature of the water, °C.
    TemperatureC,
    /// Seconds until any one fish held itself upright.
    UprightS,
    /// Median of these seconds.
    MedianUprightS,
}

impl Quantity {
    /// The quantity as one word for machines, as in profiles.
    #[must_use]
    pub fn code(self) -> &'static str {
        match self {
            Self::PeakV => "peak_v",
            Self::PeakA => "peak_a",
            Self::PeakW => "peak_w",
            Self::MeanW => "mean_w",
            Self::PulseRateHz => "pulse_rate_hz",
            Self::PulseWidthMs => "pulse_width_ms",
            Self::DutyPercent => "duty_percent",
            Self::AlternatingCurrent => "alternating_current",
            Self::AmbientUsCm => "ambient_us_cm",
            Self::TemperatureC => "temperature_c",
            Self::UprightS => "upright_s",
            Self::MedianUprightS => "median_upright_s",
        }
    }

    /// Its unit.
    #[must_use]
    pub fn unit(self) -> &'static str {
        match self {
            Self::PeakV => "V",
            Self::PeakA => "A",
            Self::PeakW | Self::MeanW => "W",
            Self::PulseRateHz => "Hz",
            Self::PulseWidthMs => "ms",
            Self::DutyPercent => "%",
            Self::AlternatingCurrent => "",
            Self::AmbientUsCm => "µS/cm",
            Self::TemperatureC => "°C",
            Self::UprightS | Self::MedianUprightS => "s",
        }
    }

    /// The quantity in words.
    #[must_use]
    pub fn words(self) -> &'static str {
        match self {
            Self::PeakV => "peak volts",
            Self::PeakA => "peak amps",
            Self::PeakW => "peak watts",
            Self::MeanW => "mean watts",
            Self::PulseRateHz => "pulse rate",
            Self::PulseWidthMs => "pulse width",
            Self::DutyPercent => "duty cycle",
            Self::AlternatingCurrent => "alternating current",
            Self::AmbientUsCm => "ambient conductivity",
            Self::TemperatureC => "water temperature",
            Self::UprightS => "time to upright",
            Self::MedianUprightS => "median time to upright",
        }
    }

    /// A value with its unit.
    pub(crate) fn with_unit(self, value: f64) -> String {
        format!("{} {}", said(value), self.unit())
            .trim_end()
            .to_owned()
    }
}

/// How a limit binds.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Rule {
    /// Never above.
    AtMost,
    /// Never below.
    AtLeast,
    /// Where to start.
    StartAt,
    /// Allowed above, with care.
    CautionAbove,
}
