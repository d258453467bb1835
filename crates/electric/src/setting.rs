//! Owns an output setting as entered, and whether it is possible at all.

use crate::coded::coded;
use crate::output::{Output, output};
use crate::quantity::Quantity;
use crate::range::{CURRENT, DUTY_PERCENT, OutOfRange, RATE, VOLTS, WIDTH};
use crate::waveform::{Current, PulseCheck, WaveformError, check_pulses};
use serde::Serialize;
use thiserror::Error;

/// Why a setting isn't possible.
#[derive(Debug, Clone, Copy, PartialEq, Error)]
pub enum SettingError {
    /// A figure outside its bounds.
    #[error(transparent)]
    OutOfRange(#[from] OutOfRange),
    /// Hz, ms and duty that can't be.
    #[error(transparent)]
    Pulses(#[from] WaveformError),
}

impl SettingError {
    /// The reason as one word for machines.
    #[must_use]
    pub fn code(&self) -> &'static str {
        match self {
            Self::OutOfRange(_) => "out_of_range",
            Self::Pulses(error) => error.code(),
        }
    }
}

coded!(SettingError);

/// An output setting as entered; what wasn't entered is left out. Peak volts and peak amps.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Setting {
    /// The shape of the current.
    pub current: Current,
    /// Peak volts.
    pub peak_v: f64,
    /// Peak amps.
    pub peak_a: Option<f64>,
    /// Pulses a second, Hz.
    pub pulse_rate_hz: Option<f64>,
    /// Length of a pulse, ms.
    pub pulse_width_ms: Option<f64>,
    /// Share of the time the current flows, percent.
    pub duty_percent: Option<f64>,
}

impl Setting {
    /// Whether limits on pulses apply to it.
    #[must_use]
    pub fn has_pulses(&self) -> bool {
        matches!(self.current, Current::Pulsed | Current::Bursts)
    }

    /// Takes every figure through its bounds and completes the pulses where two of three are entered.
    ///
    /// `None` for the pulses of smooth DC and AC, and where fewer than two of Hz, ms and duty are entered.
    ///
    /// # Errors
    /// A figure outside its bounds; pulses that overlap.
    ///
    /// # Source
    /// Bounds: common practice, no source.
    pub fn check(&self) -> Result<Option<PulseCheck>, SettingError> {
        VOLTS.take(self.peak_v)?;
        CURRENT.take_if(self.peak_a)?;
        RATE.take_if(self.pulse_rate_hz)?;
        WIDTH.take_if(self.pulse_width_ms)?;
        DUTY_PERCENT.take_if(self.duty_percent)?;
        if !self.has_pulses() {
            return Ok(None);
        }
        match check_pulses(self.pulse_rate_hz, self.pulse_width_ms, self.duty_percent) {
            Ok(check) => Ok(Some(check)),
            Err(WaveformError::TooLittle) => Ok(None),
            Err(error) => Err(error.into()),
        }
    }

    /// Mean and RMS of the output; `None` for shapes or duty that aren't known well enough.
    ///
    /// # Errors
    /// As [`Self::check`].
    ///
    /// # Source
    /// As [`output()`].
    pub fn output(&self) -> Result<Option<Output>, SettingError> {
        let pulses = self.check()?;
        let duty = match self.current {
            Current::Direct => Some(1.0),
            Current::Pulsed => pulses.map(|check| check.pulses.duty),
            Current::Bursts | Current::Alternating => None,
        };
        let Some(duty) = duty else { return Ok(None) };
        Ok(Some(output(self.current, self.peak_v, self.peak_a, duty)?))
    }

    /// Every quantity that limits may be set on and that is known, the third of Hz, ms and duty included.
    pub(crate) fn figures(&self) -> Result<Vec<(Quantity, f64)>, SettingError> {
        let pulses = self.check()?.map(|check| check.pulses);
        let mean_w = (self.output()?)
            .and_then(|output| output.power)
            .map(|power| power.mean_w);
        // Where Hz, ms and duty disagree, the larger duty counts: a slip must not hide a breach.
        let worked_out = pulses.map(|pulses| 100.0 * pulses.duty);
        let duty = match (self.duty_percent, worked_out) {
            (Some(entered), Some(worked_out)) => Some(entered.max(worked_out)),
            (entered, worked_out) => entered.or(worked_out),
        };
        let alternating = f64::from(u8::from(self.current == Current::Alternating));
        let all = [
            (Quantity::PeakV, Some(self.peak_v)),
            (Quantity::PeakA, self.peak_a),
            (Quantity::PeakW, self.peak_a.map(|amps| amps * self.peak_v)),
            (Quantity::MeanW, mean_w),
            (
                Quantity::PulseRateHz,
                self.pulse_rate_hz.or(pulses.map(|p| p.rate_hz)),
            ),
            (
                Quantity::PulseWidthMs,
                self.pulse_width_ms.or(pulses.map(|p| p.width_ms)),
            ),
            (Quantity::DutyPercent, duty),
            (Quantity::AlternatingCurrent, Some(alternating)),
        ];
        Ok((all.into_iter())
            .filter_map(|(quantity, value)| value.map(|value| (quantity, value)))
            .collect())
    }
}
