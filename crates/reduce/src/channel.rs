//! The arms of the stream: length, width, area.

use std::collections::{BTreeMap, BTreeSet};

use gravelbar_visit::{Channel, PersonName, View};
use serde::Serialize;

use crate::count::Counts;
use crate::figure::{figure, ratio};

/// One arm of the stream.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ChannelSummary {
    /// Which.
    pub channel: Channel,
    /// Fished length, m.
    pub length_m: Option<f64>,
    /// Other lengths somebody taped, still unsettled.
    pub other_lengths_m: Vec<OtherLength>,
    /// How many widths were taken.
    pub widths: usize,
    /// Their mean, m.
    pub mean_width_m: Option<f64>,
    /// Length times mean width, m².
    pub area_m2: Option<f64>,
}

/// A length that stands beside the one that counts.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct OtherLength {
    /// Length, m.
    pub length_m: f64,
    /// Who taped it.
    pub by: PersonName,
}

/// Every channel that was measured, fished or named by a record.
pub(crate) fn channels(view: &View, counts: &Counts) -> Vec<ChannelSummary> {
    let measured = view.channels.iter().map(|c| &c.channel);
    let fished = counts.passes.keys().map(|pass| &pass.channel);
    let named: BTreeSet<&Channel> = measured.chain(fished).collect();
    let views: BTreeMap<&Channel, _> = view.channels.iter().map(|c| (&c.channel, c)).collect();
    (named.into_iter())
        .map(|channel| {
            let known = views.get(channel);
            let length = known.and_then(|c| c.length_m.as_ref());
            let mut others: Vec<OtherLength> = (length.iter())
                .flat_map(|l| &l.rivals)
                .filter_map(|rival| {
                    Some(OtherLength {
                        length_m: figure(rival.value)?,
                        by: rival.by.clone(),
                    })
                })
                .collect();
            others.sort_by(|a, b| a.length_m.total_cmp(&b.length_m).then(a.by.cmp(&b.by)));
            let mut widths: Vec<_> = (known.iter())
                .flat_map(|c| &c.widths_m)
                .filter(|w| !w.voided && w.what.is_finite())
                .collect();
            // A sum of floats depends on its order, so the order is fixed.
            widths.sort_by_key(|w| w.stamp.id);
            let length_m = length.and_then(|l| figure(l.value));
            let sum: f64 = widths.iter().map(|w| w.what).sum();
            let mean_width_m = ratio(sum, widths.len() as f64);
            let area = length_m.zip(mean_width_m).map(|(l, w)| l * w);
            ChannelSummary {
                channel: channel.clone(),
                length_m,
                other_lengths_m: others,
                widths: widths.len(),
                mean_width_m,
                area_m2: area.and_then(figure).filter(|a| *a > 0.0),
            }
        })
        .collect()
}
