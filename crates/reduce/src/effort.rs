//! Energised seconds of a pass, by pack, against length, area and the first pass.

use gravelbar_visit::{Pack, PassView, PersonName, RecordId, Source};
use serde::Serialize;

use crate::channel::ChannelSummary;
use crate::figure::{figure, ratio};

/// Energised effort of one pass.
#[derive(Debug, Clone, PartialEq, Default, Serialize)]
pub struct Effort {
    /// By pack, by name.
    pub packs: Vec<PackEffort>,
    /// All packs together, s; `None` where no counter was read.
    pub total_s: Option<f64>,
    /// Per metre of channel, s/m.
    pub s_per_m: Option<f64>,
    /// Per square metre of channel, s/m².
    pub s_per_m2: Option<f64>,
    /// Against pass 1 of the channel; 1 is the same.
    pub share_of_first: Option<f64>,
}

/// One pack's counter.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct PackEffort {
    /// Which pack.
    pub pack: Pack,
    /// The reading that counts.
    pub record: RecordId,
    /// Counter before the pass, s.
    pub start_s: f64,
    /// Counter after the pass, s.
    pub end_s: f64,
    /// The difference, s.
    pub effort_s: f64,
    /// Read off the unit, or heard.
    pub source: Source,
    /// Other readings, still unsettled.
    pub others: Vec<OtherReading>,
}

/// A reading that stands beside the one that counts.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct OtherReading {
    /// Energised seconds it gives, s.
    pub effort_s: f64,
    /// Who gave it.
    pub by: PersonName,
    /// Read off the unit, or heard.
    pub source: Source,
}

/// What the counters tell. A counter that ends below its start tells nothing and is left out.
pub(crate) fn effort(
    pass: Option<&PassView>,
    channel: Option<&ChannelSummary>,
    first_s: Option<f64>,
) -> Effort {
    let counters = pass.map_or(&[][..], |p| &p.counters);
    let mut packs: Vec<PackEffort> = (counters.iter())
        .filter_map(|counter| {
            let reading = counter.reading.value;
            let mut others: Vec<OtherReading> = (counter.reading.rivals.iter())
                .filter_map(|rival| {
                    Some(OtherReading {
                        effort_s: figure(rival.value.end_s - rival.value.start_s)?,
                        by: rival.by.clone(),
                        source: rival.value.source,
                    })
                })
                .collect();
            others.sort_by(|a, b| a.effort_s.total_cmp(&b.effort_s).then(a.by.cmp(&b.by)));
            Some(PackEffort {
                pack: counter.pack.clone(),
                record: counter.reading.from,
                start_s: figure(reading.start_s)?,
                end_s: figure(reading.end_s)?,
                effort_s: figure(reading.end_s - reading.start_s).filter(|s| *s >= 0.0)?,
                source: reading.source,
                others,
            })
        })
        .collect();
    packs.sort_by(|a, b| a.pack.cmp(&b.pack).then(a.record.cmp(&b.record)));
    let sum: f64 = packs.iter().map(|p| p.effort_s).sum();
    let total_s = (!packs.is_empty()).then(|| figure(sum)).flatten();
    let per = |whole: Option<f64>| total_s.zip(whole).and_then(|(s, whole)| ratio(s, whole));
    Effort {
        s_per_m: per(channel.and_then(|c| c.length_m)),
        s_per_m2: per(channel.and_then(|c| c.area_m2)),
        share_of_first: per(first_s.or(total_s)),
        packs,
        total_s,
    }
}
