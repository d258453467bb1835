//! The water as it was at first and at last.

use chrono::{DateTime, FixedOffset};
use gravelbar_visit::{Dated, RecordId, View, Water, WaterPlace};
use serde::Serialize;

use crate::figure::figure;
use crate::moment::Clocks;

/// First and newest readings of the stream, newest of the live car.
#[derive(Debug, Clone, PartialEq, Default, Serialize)]
pub struct WaterSummary {
    /// First reading of the stream with a temperature.
    pub stream_first: Option<WaterLine>,
    /// Newest such reading.
    pub stream_last: Option<WaterLine>,
    /// Newest such reading of the live car.
    pub live_car_last: Option<WaterLine>,
    /// Newest conductivity of the stream at its own temperature, µS/cm: what the current meets.
    pub ambient_us_cm: Option<f64>,
    /// Newest conductivity of the stream brought to 25 °C, µS/cm.
    pub specific_us_cm: Option<f64>,
}

/// A temperature.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct WaterLine {
    /// The record.
    pub record: RecordId,
    /// When, on the corrected clock.
    pub at: DateTime<FixedOffset>,
    /// Temperature, °C.
    pub temperature_c: f64,
}

pub(crate) fn water(view: &View, clocks: &Clocks) -> WaterSummary {
    let mut readings: Vec<&Dated<Water>> = view.water.iter().filter(|w| !w.voided).collect();
    readings.sort_by_key(|w| (w.stamp.lamport, w.stamp.id));
    let of = |place: WaterPlace| readings.iter().filter(move |w| w.what.place == place);
    let line = |w: &&Dated<Water>| {
        Some(WaterLine {
            record: w.stamp.id,
            at: clocks.shown(&w.stamp),
            temperature_c: w.what.temperature_c.and_then(figure)?,
        })
    };
    let newest = |pick: fn(&Water) -> Option<f64>| {
        let mut found = of(WaterPlace::Stream).filter_map(|w| pick(&w.what).and_then(figure));
        found.next_back()
    };
    WaterSummary {
        stream_first: of(WaterPlace::Stream).find_map(line),
        stream_last: of(WaterPlace::Stream).rev().find_map(line),
        live_car_last: of(WaterPlace::LiveCar).rev().find_map(line),
        ambient_us_cm: newest(|w| w.ambient_us_cm),
        specific_us_cm: newest(|w| w.specific_us_cm),
    }
}
