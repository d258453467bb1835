//! Owns the bounds inside which a figure may enter a formula.
//!
//! Why nothing here can give NaN or infinity: every public function takes its figures through
//! [`Range::take`], which refuses NaN, infinities and everything outside bounds many orders of
//! magnitude inside those of `f64`; each formula is then a short chain of products, quotients,
//! roots and logarithms of positive, bounded numbers. `tests/laws.rs` tries to break it.

use crate::significant::plain;
use thiserror::Error;

/// A figure that no meter in a stream shows.
#[derive(Debug, Clone, Copy, PartialEq, Error)]
#[error(
    "the {what} must lie from {low} to {high} {unit} and it is {shown}; read it again and enter it anew",
    shown = plain(*value)
)]
pub struct OutOfRange {
    /// Which figure.
    pub what: &'static str,
    /// Its unit.
    pub unit: &'static str,
    /// Least that is taken.
    pub low: f64,
    /// Most that is taken.
    pub high: f64,
    /// What was given.
    pub value: f64,
}

/// Bounds of one kind of figure.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Range {
    what: &'static str,
    unit: &'static str,
    low: f64,
    high: f64,
}

impl Range {
    const fn new(what: &'static str, unit: &'static str, low: f64, high: f64) -> Self {
        Self {
            what,
            unit,
            low,
            high,
        }
    }

    /// The figure, if it lies inside; a NaN never does.
    pub(crate) fn take(self, value: f64) -> Result<f64, OutOfRange> {
        if value >= self.low && value <= self.high {
            Ok(value)
        } else {
            Err(OutOfRange {
                what: self.what,
                unit: self.unit,
                low: self.low,
                high: self.high,
                value,
            })
        }
    }

    pub(crate) fn take_if(self, value: Option<f64>) -> Result<Option<f64>, OutOfRange> {
        value.map(|value| self.take(value)).transpose()
    }
}

// Wide enough for every stream and every portable unit (common practice, no source).
pub(crate) const CONDUCTIVITY: Range = Range::new("conductivity", "µS/cm", 0.1, 100_000.0);
pub(crate) const FISH: Range = Range::new("effective fish conductivity", "µS/cm", 1.0, 2_000.0);
pub(crate) const TEMPERATURE: Range = Range::new("water temperature", "°C", -5.0, 60.0);
pub(crate) const REFERENCE: Range = Range::new("reference temperature", "°C", 15.0, 30.0);
pub(crate) const COEFFICIENT: Range = Range::new("temperature coefficient", "per °C", 0.001, 0.05);
pub(crate) const BASE: Range = Range::new("base of the exponential form", "per °C", 1.001, 1.05);
pub(crate) const VOLTS: Range = Range::new("peak voltage", "V", 1.0, 2_000.0);
pub(crate) const CAP_VOLTS: Range = Range::new("voltage cap", "V", 1.0, 10_000.0);
pub(crate) const CURRENT: Range = Range::new("peak current", "A", 0.0, 200.0);
pub(crate) const AMPS: Range = Range::new("peak current", "A", 0.001, 200.0);
pub(crate) const WATTS: Range = Range::new("power", "W", 0.001, 400_000.0);
pub(crate) const RATE: Range = Range::new("pulse rate", "Hz", 0.1, 1_000.0);
pub(crate) const WIDTH: Range = Range::new("pulse width", "ms", 0.01, 1_000.0);
pub(crate) const DUTY: Range = Range::new("duty cycle as a share", "(1 = always on)", 0.000_1, 1.0);
pub(crate) const DUTY_PERCENT: Range = Range::new("duty cycle", "%", 0.01, 100.0);
pub(crate) const OHMS: Range = Range::new("resistance", "ohm", 0.01, 1_000_000.0);
pub(crate) const TOLERANCE: Range = Range::new("tolerance as a share", "(0.5 = half)", 0.01, 0.99);
pub(crate) const ON_TIME: Range = Range::new("time with current on", "s", 0.0, 1_000_000.0);
pub(crate) const BATTERY: Range = Range::new("usable battery energy", "Wh", 0.0, 100_000.0);
pub(crate) const RING: Range = Range::new("ring radius", "m", 0.01, 2.0);
pub(crate) const ROD: Range = Range::new("rod radius", "m", 0.000_5, 0.1);
pub(crate) const DISTANCE: Range = Range::new("distance", "m", 0.0, 100.0);
pub(crate) const GRADIENT: Range = Range::new("voltage gradient", "V/cm", 0.0, 10_000.0);
pub(crate) const DENSITY: Range = Range::new("power density", "µW/cm³", 0.0, 1e12);
pub(crate) const GLOVE_VOLTS: Range = Range::new("highest peak voltage", "V", 0.0, 1_000_000.0);
pub(crate) const UPRIGHT: Range = Range::new("time to upright", "s", 0.0, 86_400.0);
