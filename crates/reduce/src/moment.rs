//! Which of two records came first, and what the clock on the wall said.

use std::collections::BTreeSet;

use chrono::{DateTime, FixedOffset};
use gravelbar_visit::{DeviceTag, Stamp, View};

/// Clock times outside the years 1 to 9998 are kept but never shown or reckoned with: no crew was
/// out then, and the calendar runs out not far beyond.
const FIRST_S: i64 = -62_135_596_800;
const LAST_S: i64 = 253_370_764_800;

/// What is known about the devices' clocks.
pub(crate) struct Clocks {
    measured: BTreeSet<DeviceTag>,
    zone: Option<FixedOffset>,
}

impl Clocks {
    /// Times are shown in the zone of the record that stands first in the order by cause, so that
    /// a device set to another zone doesn't make a pass look hours long.
    pub(crate) fn of(view: &View) -> Self {
        let stamps = || {
            let passes = view.passes.iter();
            let marks = passes.flat_map(|p| p.opened.iter().chain(&p.closed).map(|d| &d.stamp));
            let fish = view.fish.iter().map(|f| &f.stamp);
            marks.chain(fish)
        };
        Self {
            measured: (view.devices.iter())
                .filter(|d| d.clock_offset_ms.is_some())
                .map(|d| d.tag)
                .collect(),
            zone: stamps()
                .min_by_key(|s| (s.lamport, s.id))
                .map(|s| *s.at.offset()),
        }
    }

    /// Whether the times of two records can be told apart: one device made both, or the clocks of
    /// both devices have been compared.
    pub(crate) fn comparable(&self, a: &Stamp, b: &Stamp) -> bool {
        let (first, second) = (a.id.writer.device, b.id.writer.device);
        first == second || self.measured.contains(&first) && self.measured.contains(&second)
    }

    /// Whether `a` came before `b`. One device's records stand in the order it made them. Between
    /// devices whose clocks have been compared the corrected time tells, because the order by
    /// cause places a device that was out of reach too early. Between others only the order by
    /// cause is left.
    pub(crate) fn before(&self, a: &Stamp, b: &Stamp) -> bool {
        if a.id.writer.device != b.id.writer.device && self.comparable(a, b) {
            (a.corrected, a.lamport, a.id) < (b.corrected, b.lamport, b.id)
        } else {
            (a.lamport, a.id) < (b.lamport, b.id)
        }
    }

    /// The corrected time in the visit's zone.
    pub(crate) fn shown(&self, stamp: &Stamp) -> DateTime<FixedOffset> {
        match self.zone {
            Some(zone) if tellable(stamp.corrected) => stamp.corrected.with_timezone(&zone),
            _ => stamp.corrected,
        }
    }
}

/// Hours and minutes.
pub(crate) fn hour(at: DateTime<FixedOffset>) -> String {
    if tellable(at) {
        at.format("%H:%M").to_string()
    } else {
        "--:--".to_owned()
    }
}

fn tellable(at: DateTime<FixedOffset>) -> bool {
    (FIRST_S..LAST_S).contains(&at.timestamp())
}

/// Minutes from `a` to `b`; `None` where either clock shows no time a crew was out, or `b` lies
/// before `a`.
pub(crate) fn minutes(a: DateTime<FixedOffset>, b: DateTime<FixedOffset>) -> Option<f64> {
    if !(tellable(a) && tellable(b)) {
        return None;
    }
    let ms = b.signed_duration_since(a).num_milliseconds();
    (ms >= 0).then_some(ms as f64 / 60_000.0)
}
