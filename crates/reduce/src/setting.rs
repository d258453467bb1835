//! The output in force during a pass, pack by pack.

use std::collections::{BTreeMap, BTreeSet};

use chrono::{DateTime, FixedOffset};
use gravelbar_visit::{Dated, Pack, PassView, RecordId, Setting, View, Waveform};
use serde::Serialize;

use crate::figure::plain;
use crate::moment::Clocks;
use crate::span::Span;

/// One pack's output during one pass.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct PackSetting {
    /// Which pack.
    pub pack: Pack,
    /// In force when the pass began; `None` where none was on record by then.
    pub at_start: Option<SettingLine>,
    /// Changes during the pass, in order.
    pub changes: Vec<SettingLine>,
}

/// An output setting.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct SettingLine {
    /// The record.
    pub record: RecordId,
    /// When it was recorded, on the corrected clock.
    pub at: DateTime<FixedOffset>,
    /// In words: "pulsed DC 350 V, 30 Hz, 4 ms".
    pub words: String,
}

/// Settings in order by cause, by pack.
pub(crate) struct Settings<'a>(BTreeMap<&'a Pack, Vec<&'a Dated<Setting>>>);

impl<'a> Settings<'a> {
    pub(crate) fn of(view: &'a View) -> Self {
        let mut by_pack: BTreeMap<&Pack, Vec<&Dated<Setting>>> = BTreeMap::new();
        for setting in view.settings.iter().filter(|s| !s.voided) {
            by_pack.entry(&setting.what.pack).or_default().push(setting);
        }
        for settings in by_pack.values_mut() {
            settings.sort_by_key(|s| (s.stamp.lamport, s.stamp.id));
        }
        Self(by_pack)
    }

    /// Settings of the packs whose counters were read in the pass; of all packs where none was.
    pub(crate) fn during(
        &self,
        clocks: &Clocks,
        pass: Option<&PassView>,
        span: &Span<'_>,
    ) -> Vec<PackSetting> {
        let counted: BTreeSet<&Pack> = (pass.iter())
            .flat_map(|p| p.counters.iter().map(|c| &c.pack))
            .collect();
        let packs = if counted.is_empty() {
            self.0.keys().copied().collect()
        } else {
            counted
        };
        (packs.into_iter())
            .map(|pack| {
                let all = self.0.get(pack).map_or(&[][..], Vec::as_slice);
                let before = |s: &&&Dated<Setting>| match span.from {
                    Some(from) => clocks.before(&s.stamp, from),
                    None => true,
                };
                let line = |s: &Dated<Setting>| SettingLine {
                    record: s.stamp.id,
                    at: clocks.shown(&s.stamp),
                    words: words(&s.what),
                };
                PackSetting {
                    pack: pack.clone(),
                    at_start: all.iter().rfind(before).map(|s| line(s)),
                    changes: (all.iter())
                        .filter(|s| !before(s) && span.holds(clocks, &s.stamp))
                        .map(|s| line(s))
                        .collect(),
                }
            })
            .collect()
    }
}

/// An output in words, the same for the same numbers.
pub(crate) fn words(setting: &Setting) -> String {
    let waveform = match setting.waveform {
        Waveform::DirectCurrent => "smooth DC",
        Waveform::PulsedDirectCurrent => "pulsed DC",
        Waveform::BurstsOfPulses => "bursts of pulsed DC",
        Waveform::AlternatingCurrent => "AC",
    };
    let mut said = format!("{waveform} {} V", plain(setting.peak_v));
    for (value, unit) in [
        (setting.pulse_rate_hz, "Hz"),
        (setting.pulse_width_ms, "ms"),
        (setting.duty_percent, "% duty"),
        (setting.current_a, "A"),
        (setting.ring_mm, "mm ring"),
    ] {
        if let Some(value) = value {
            said.push_str(&format!(", {} {unit}", plain(value)));
        }
    }
    said
}
