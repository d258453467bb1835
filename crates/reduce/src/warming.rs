//! How warm the water is and how fast it changes, in the stream and in the live car.

use chrono::{DateTime, FixedOffset};
use gravelbar_visit::{Dated, Water, WaterPlace};

use crate::advice::Bank;
use crate::figure::{figure, plain};
use crate::moment::{hour, minutes};

/// Readings older than this, before the newest, say nothing of how fast it warms now, min
/// (judgement, no source).
const WINDOW_MIN: f64 = 180.0;

/// Readings closer together than this show the meter rather than the water, min (judgement, no
/// source).
const SHORTEST_MIN: f64 = 15.0;

/// A slope that prints as none, °C/h.
const STEADY_C_PER_H: f64 = 0.05;

/// The newest reading of one place, and the trend up to it.
pub(crate) struct Warming {
    pub(crate) place: WaterPlace,
    pub(crate) temperature_c: f64,
    pub(crate) at: DateTime<FixedOffset>,
    /// Least squares over the readings of the last three hours; `None` for too few or too close.
    pub(crate) slope_c_per_h: Option<f64>,
    /// Readings the slope is drawn through.
    pub(crate) readings: usize,
    /// Whether the readings' clocks can be told apart from each other.
    pub(crate) clocks_compared: bool,
}

impl Warming {
    /// The trend of one place; `None` where its temperature was never read.
    pub(crate) fn of(bank: &Bank<'_>, place: WaterPlace) -> Option<Self> {
        let mut readings: Vec<(&Dated<Water>, f64)> = (bank.view.water.iter())
            .filter(|w| !w.voided && w.what.place == place)
            .filter_map(|w| Some((w, w.what.temperature_c.and_then(figure)?)))
            .collect();
        readings.sort_by_key(|(w, _)| (w.stamp.lamport, w.stamp.id));
        let (newest, temperature_c) = *readings.last()?;
        // Hours before the newest reading and degrees. A sum of floats depends on its order, so
        // the order by cause is kept.
        let mut clocks_compared = true;
        let mut points: Vec<(f64, f64)> = Vec::new();
        for (reading, c) in &readings {
            let before_min = minutes(reading.stamp.corrected, newest.stamp.corrected);
            if let Some(min) = before_min.filter(|min| *min <= WINDOW_MIN) {
                points.push((-min / 60.0, *c));
                clocks_compared &= bank.clocks.comparable(&reading.stamp, &newest.stamp);
            }
        }
        Some(Self {
            place,
            temperature_c,
            at: bank.clocks.shown(&newest.stamp),
            slope_c_per_h: slope(&points),
            readings: points.len(),
            clocks_compared,
        })
    }

    /// `stream 15.8 °C at 13:22, rising 0.9 °C/h`.
    pub(crate) fn words(&self) -> String {
        let trend = match self.slope_c_per_h {
            None => String::new(),
            Some(slope) if slope.abs() < STEADY_C_PER_H => ", steady".to_owned(),
            Some(slope) if slope > 0.0 => format!(", rising {slope:.1} °C/h"),
            Some(slope) => format!(", falling {:.1} °C/h", -slope),
        };
        format!(
            "{} {} °C at {}{trend}",
            place_words(self.place),
            plain(self.temperature_c),
            hour(self.at)
        )
    }

    /// Minutes from the newest reading until the limit is reached at this slope: 0 at or over it,
    /// `None` where it isn't being approached.
    pub(crate) fn minutes_to(&self, limit_c: f64) -> Option<f64> {
        if self.temperature_c >= limit_c {
            return Some(0.0);
        }
        let slope = self.slope_c_per_h.filter(|s| *s >= STEADY_C_PER_H)?;
        figure(60.0 * (limit_c - self.temperature_c) / slope)
    }
}

/// Least squares, °C/h.
fn slope(points: &[(f64, f64)]) -> Option<f64> {
    let n = points.len() as f64;
    let first = points.iter().map(|p| p.0).fold(0.0_f64, f64::min);
    if points.len() < 2 || -60.0 * first < SHORTEST_MIN {
        return None;
    }
    let mean_x = points.iter().map(|p| p.0).sum::<f64>() / n;
    let mean_y = points.iter().map(|p| p.1).sum::<f64>() / n;
    let sxx: f64 = points.iter().map(|p| (p.0 - mean_x) * (p.0 - mean_x)).sum();
    let sxy: f64 = points.iter().map(|p| (p.0 - mean_x) * (p.1 - mean_y)).sum();
    (sxx > 0.0).then(|| figure(sxy / sxx)).flatten()
}

pub(crate) fn place_words(place: WaterPlace) -> &'static str {
    match place {
        WaterPlace::Stream => "stream",
        WaterPlace::LiveCar => "live car",
    }
}
