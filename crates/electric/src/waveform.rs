//! Owns pulses: rate, width and duty cycle, and whether the three agree.

use crate::coded::coded;
use crate::range::{DUTY, DUTY_PERCENT, OutOfRange, RATE, WIDTH};
use crate::significant::{figure, said};
use serde::{Deserialize, Serialize};
use thiserror::Error;

/// The shape of the current.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Current {
    /// Smooth direct current.
    Direct,
    /// Pulsed direct current with one pulse per period.
    Pulsed,
    /// Pulsed direct current in bursts.
    Bursts,
    /// Alternating current.
    Alternating,
}

/// Why pulses can't be worked out.
#[derive(Debug, Clone, Copy, PartialEq, Error)]
pub enum WaveformError {
    /// A figure outside its bounds.
    #[error(transparent)]
    OutOfRange(#[from] OutOfRange),
    /// Pulses longer than the time between their starts.
    #[error(
        "{rate_hz} Hz with pulses of {width_ms} ms is a duty cycle of {percent} %: pulses would overlap; check Hz and ms",
        percent = said(100.0 * duty)
    )]
    DutyOverOne {
        /// Pulses a second.
        rate_hz: f64,
        /// Length of a pulse.
        width_ms: f64,
        /// Their product as a share.
        duty: f64,
    },
    /// Less than two of Hz, ms and duty.
    #[error("pulses need two of Hz, ms and duty cycle; enter one more")]
    TooLittle,
    /// Mean and RMS asked for a current whose shape isn't known well enough.
    #[error(
        "mean and RMS are worked out for smooth DC and square pulses only; read them from the display"
    )]
    ShapeUnknown,
}

impl WaveformError {
    /// The reason as one word for machines.
    #[must_use]
    pub fn code(&self) -> &'static str {
        match self {
            Self::OutOfRange(_) => "out_of_range",
            Self::DutyOverOne { .. } => "duty_over_1",
            Self::TooLittle => "too_little",
            Self::ShapeUnknown => "shape_unknown",
        }
    }
}

coded!(WaveformError);

/// Share of the time the current flows: `d = f w`, Hz times seconds.
///
/// `rate_hz` counts single pulses, so bursts count each pulse. A result a last bit above 1 counts as 1.
///
/// ```
/// use gravelbar_electric::duty;
/// assert!((duty(30.0, 0.5)? - 0.015).abs() < 1e-12);
/// assert_eq!(duty(120.0, 10.0).unwrap_err().code(), "duty_over_1");
/// # Ok::<(), gravelbar_electric::WaveformError>(())
/// ```
///
/// # Errors
/// A rate outside 0.1 to 1000 Hz, a width outside 0.01 to 1000 ms, a duty cycle over 1.
///
/// # Source
/// Definition. Check values: 60 Hz and 4 ms at 24 % (Chiaramonte et al. 2020, doi 10.1002/nafm.10440).
pub fn duty(rate_hz: f64, width_ms: f64) -> Result<f64, WaveformError> {
    let (rate_hz, width_ms) = (RATE.take(rate_hz)?, WIDTH.take(width_ms)?);
    let duty = rate_hz * width_ms / 1_000.0;
    if duty > 1.0 + 1e-9 {
        return Err(WaveformError::DutyOverOne {
            rate_hz,
            width_ms,
            duty,
        });
    }
    Ok(duty.min(1.0))
}

/// Length of a pulse in ms from rate and duty cycle (a share): `w = 1000 d / f`.
///
/// ```
/// use gravelbar_electric::width_ms;
/// assert!((width_ms(60.0, 0.24)? - 4.0).abs() < 1e-12);
/// # Ok::<(), gravelbar_electric::WaveformError>(())
/// ```
///
/// # Errors
/// A rate outside 0.1 to 1000 Hz, a duty outside 0.0001 to 1.
///
/// # Source
/// Definition; check value from Chiaramonte et al. 2020.
pub fn width_ms(rate_hz: f64, duty: f64) -> Result<f64, WaveformError> {
    Ok(1_000.0 * DUTY.take(duty)? / RATE.take(rate_hz)?)
}

/// Pulses a second from width and duty cycle (a share): `f = 1000 d / w`.
///
/// # Errors
/// A width outside 0.01 to 1000 ms, a duty outside 0.0001 to 1.
///
/// # Source
/// Definition.
pub fn rate_hz(width_ms: f64, duty: f64) -> Result<f64, WaveformError> {
    Ok(1_000.0 * DUTY.take(duty)? / WIDTH.take(width_ms)?)
}

/// Hz, ms and duty cycle of square pulses, two entered and the third worked out.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Pulses {
    /// Pulses a second.
    #[serde(serialize_with = "figure")]
    pub rate_hz: f64,
    /// Length of a pulse, ms.
    #[serde(serialize_with = "figure")]
    pub width_ms: f64,
    /// Share of the time the current flows.
    #[serde(serialize_with = "figure")]
    pub duty: f64,
}

/// How far apart the duty shown and Hz times ms may be before it is asked about, in percentage points
/// (common practice, no source): displays round to whole percent.
pub const DUTY_SLACK_POINTS: f64 = 1.0;

/// Hz, ms and duty cycle as entered, held against each other.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct PulseCheck {
    /// The pulses, with Hz and ms leading where all three were entered.
    pub pulses: Pulses,
    /// Duty cycle as entered less Hz times ms, in percentage points; `None` where only two were entered.
    #[serde(serialize_with = "crate::significant::maybe_figure")]
    pub off_points: Option<f64>,
    /// Whether the three agree within [`DUTY_SLACK_POINTS`]; true where only two were entered.
    pub agrees: bool,
    /// In words.
    pub words: String,
}

/// Completes Hz, ms and duty cycle (percent) from any two and asks whether three entered agree.
///
/// Nothing is corrected: where they disagree, the words say so and Hz and ms lead.
///
/// ```
/// use gravelbar_electric::check_pulses;
/// let agreeing = check_pulses(Some(30.0), Some(4.0), Some(12.0))?;
/// assert!(agreeing.agrees);
/// let odd = check_pulses(Some(30.0), Some(4.0), Some(24.0))?;
/// assert!(!odd.agrees);
/// # Ok::<(), gravelbar_electric::WaveformError>(())
/// ```
///
/// # Errors
/// A figure outside its bounds, fewer than two figures, pulses that overlap, a third figure worked out
/// that no unit has.
///
/// # Source
/// Definition; the slack is common practice, no source.
pub fn check_pulses(
    rate: Option<f64>,
    width: Option<f64>,
    duty_percent: Option<f64>,
) -> Result<PulseCheck, WaveformError> {
    let shown = DUTY_PERCENT.take_if(duty_percent)?;
    let (pulses, off_points) = match (rate, width, shown) {
        (Some(rate), Some(width), shown) => {
            let duty = duty(rate, width)?;
            let pulses = Pulses {
                rate_hz: rate,
                width_ms: width,
                duty,
            };
            (pulses, shown.map(|shown| shown - 100.0 * duty))
        }
        (Some(rate), None, Some(shown)) => {
            let width = WIDTH.take(width_ms(rate, shown / 100.0)?)?;
            let pulses = Pulses {
                rate_hz: rate,
                width_ms: width,
                duty: shown / 100.0,
            };
            (pulses, None)
        }
        (None, Some(width), Some(shown)) => {
            let rate = RATE.take(rate_hz(width, shown / 100.0)?)?;
            let pulses = Pulses {
                rate_hz: rate,
                width_ms: width,
                duty: shown / 100.0,
            };
            (pulses, None)
        }
        _ => return Err(WaveformError::TooLittle),
    };
    let agrees = off_points.is_none_or(|off| off.abs() <= DUTY_SLACK_POINTS);
    let triple = format!(
        "{} Hz × {} ms = {} % duty",
        said(pulses.rate_hz),
        said(pulses.width_ms),
        said(100.0 * pulses.duty)
    );
    let words = match shown {
        Some(shown) if !agrees => format!(
            "{triple}, and {} % is written: one of the three is wrong",
            said(shown)
        ),
        _ => triple,
    };
    Ok(PulseCheck {
        pulses,
        off_points,
        agrees,
        words,
    })
}
