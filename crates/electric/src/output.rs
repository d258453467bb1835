//! Owns peak, mean and RMS of an output, its energy, and what a battery holds.

use crate::range::{BATTERY, CURRENT, DUTY, ON_TIME, VOLTS, WATTS};
use crate::significant::figure;
use crate::waveform::{Current, WaveformError};
use serde::Serialize;

/// What every mean here assumes.
pub const SQUARE_PULSES: &str = "Square pulses that fall to zero between them, and a load that is a plain resistance. \
Other shapes need other factors: record the shape, and whether the display shows peak or mean.";

/// Mean and RMS of an output of square pulses or smooth DC.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Output {
    /// Peak volts.
    #[serde(serialize_with = "figure")]
    pub peak_v: f64,
    /// Mean volts, `d V`.
    #[serde(serialize_with = "figure")]
    pub mean_v: f64,
    /// RMS volts, `sqrt(d) V`.
    #[serde(serialize_with = "figure")]
    pub rms_v: f64,
    /// Share of the time the current flows; 1 for smooth DC.
    #[serde(serialize_with = "figure")]
    pub duty: f64,
    /// Amps and watts, where a current is known.
    pub power: Option<OutputPower>,
    /// The formula.
    pub formula: &'static str,
    /// What this assumes.
    pub assumes: &'static str,
}

/// Amps and watts of an output.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct OutputPower {
    /// Peak amps.
    #[serde(serialize_with = "figure")]
    pub peak_a: f64,
    /// Mean amps, `d I`.
    #[serde(serialize_with = "figure")]
    pub mean_a: f64,
    /// RMS amps, `sqrt(d) I`.
    #[serde(serialize_with = "figure")]
    pub rms_a: f64,
    /// Peak watts, `V I`.
    #[serde(serialize_with = "figure")]
    pub peak_w: f64,
    /// Mean watts, `d V I`: peak watts times duty, **not** mean volts times mean amps.
    #[serde(serialize_with = "figure")]
    pub mean_w: f64,
}

/// Mean and RMS of an output: `mean = d peak`, `RMS = sqrt(d) peak`, `mean W = d V I`.
///
/// Peak volts, peak amps where known, duty as a share (1 for smooth DC). Misleads for pulses that aren't
/// square and for a unit whose display shows means.
///
/// ```
/// use gravelbar_electric::{Current, output};
/// let out = output(Current::Pulsed, 300.0, Some(2.0), 0.25)?;
/// assert_eq!((out.mean_v, out.rms_v), (75.0, 150.0));
/// assert_eq!(out.power.map(|power| power.mean_w), Some(150.0));
/// # Ok::<(), gravelbar_electric::WaveformError>(())
/// ```
///
/// # Errors
/// A figure outside its bounds; bursts and alternating current, whose shape isn't known well enough; smooth
/// DC with a duty other than 1.
///
/// # Source
/// Definitions of mean and RMS, integrated over a square pulse (derived).
pub fn output(
    current: Current,
    peak_v: f64,
    peak_a: Option<f64>,
    duty: f64,
) -> Result<Output, WaveformError> {
    let (peak_v, peak_a, duty) = (
        VOLTS.take(peak_v)?,
        CURRENT.take_if(peak_a)?,
        DUTY.take(duty)?,
    );
    match current {
        Current::Pulsed => {}
        Current::Direct if duty >= 1.0 => {}
        Current::Direct | Current::Bursts | Current::Alternating => {
            return Err(WaveformError::ShapeUnknown);
        }
    }
    let root = libm::sqrt(duty);
    Ok(Output {
        peak_v,
        mean_v: duty * peak_v,
        rms_v: root * peak_v,
        duty,
        power: peak_a.map(|peak_a| OutputPower {
            peak_a,
            mean_a: duty * peak_a,
            rms_a: root * peak_a,
            peak_w: peak_v * peak_a,
            mean_w: duty * (peak_v * peak_a),
        }),
        formula: "mean = d peak, RMS = sqrt(d) peak, mean W = d V I",
        assumes: SQUARE_PULSES,
    })
}

/// Peak watts from mean watts of square pulses: `P = mean / d`.
///
/// ```
/// use gravelbar_electric::peak_from_mean_w;
/// assert!((peak_from_mean_w(100.0, 0.24)? - 416.6667).abs() < 1e-4);
/// # Ok::<(), gravelbar_electric::WaveformError>(())
/// ```
///
/// # Errors
/// Watts outside 0.001 to 400 000, a duty outside 0.0001 to 1.
///
/// # Source
/// Definition; inputs of the example from Chiaramonte et al. 2020.
pub fn peak_from_mean_w(mean_w: f64, duty: f64) -> Result<f64, WaveformError> {
    Ok(WATTS.take(mean_w)? / DUTY.take(duty)?)
}

/// Energy put into the water in Wh: `mean W × seconds with current on / 3600`.
///
/// Seconds from the unit's counter, not from the clock. Mean watts, not peak.
///
/// ```
/// use gravelbar_electric::energy_wh;
/// // 100 W mean over the 1184 s of a pass.
/// assert!((energy_wh(100.0, 1184.0)? - 32.888_89).abs() < 1e-4);
/// # Ok::<(), gravelbar_electric::WaveformError>(())
/// ```
///
/// # Errors
/// Watts outside 0.001 to 400 000, seconds outside 0 to 1 000 000.
///
/// # Source
/// Common practice, no source (energy is power times time).
pub fn energy_wh(mean_w: f64, on_time_s: f64) -> Result<f64, WaveformError> {
    Ok(WATTS.take(mean_w)? * ON_TIME.take(on_time_s)? / 3_600.0)
}

/// Hours of current that a battery holds: `usable Wh / mean W drawn from it`.
///
/// The draw is what the battery gives, which is more than what reaches the water: the unit's own
/// losses come on top. Cold and age take from the usable energy. Gives hours with current on.
///
/// ```
/// use gravelbar_electric::battery_h;
/// assert_eq!(battery_h(240.0, 120.0)?, 2.0);
/// # Ok::<(), gravelbar_electric::WaveformError>(())
/// ```
///
/// # Errors
/// Energy outside 0 to 100 000 Wh, a draw outside 0.001 to 400 000 W.
///
/// # Source
/// Common practice, no source.
pub fn battery_h(usable_wh: f64, mean_draw_w: f64) -> Result<f64, WaveformError> {
    Ok(BATTERY.take(usable_wh)? / WATTS.take(mean_draw_w)?)
}
