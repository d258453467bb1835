//! Channels and nets.

use std::collections::{BTreeMap, BTreeSet};

use gravelbar_ledger::RecordId;

use super::amended::SAID_AT_MOST;
use super::flag::{Flag, FlagKind};
use super::named::Named;
use super::seen::Seen;
use super::{ChannelView, NetView, Rival, Settled};
use crate::names::Channel;
use crate::record::{Fact, NetEnd};

/// One reading of a fact: its record, its value, and the earlier readings it replaces.
pub(super) type Reading<'a, T> = (&'a Seen, T, &'a [RecordId]);

/// Flags a fact with rivals.
pub(super) fn flag_rivals<T>(
    settled: &Settled<T>,
    what: &str,
    say: impl Fn(&T) -> String,
    flags: &mut Vec<Flag>,
) {
    if settled.rivals.is_empty() {
        return;
    }
    let mut others: Vec<String> = settled
        .rivals
        .iter()
        .rev()
        .take(SAID_AT_MOST)
        .map(|r| format!("{} by {}", say(&r.value), r.by))
        .collect();
    if settled.rivals.len() > others.len() {
        others.push(format!("{} more", settled.rivals.len() - others.len()));
    }
    flags.push(Flag {
        kind: FlagKind::Disagreement,
        about: std::iter::once(settled.from)
            .chain(settled.rivals.iter().map(|r| r.from))
            .collect(),
        words: format!(
            "{what} is recorded as {} and also as {}: the first counts until someone settles it",
            say(&settled.value),
            others.join("; ")
        ),
    });
}

impl Named<'_> {
    /// Readings of one fact that no reading which had seen them replaces, with the one that counts
    /// last: `rank` first, then the newest by cause.
    pub(super) fn settled_readings<T: Clone + PartialEq, R: Ord>(
        &self,
        readings: &[Reading<'_, T>],
        rank: impl Fn(&T) -> R,
    ) -> Option<Settled<T>> {
        let mut replaced: BTreeSet<RecordId> = BTreeSet::new();
        for (s, _, replaces) in readings {
            replaced.extend(replaces.iter().filter(|r| self.had_seen(s, **r)));
        }
        let mut standing: Vec<&Reading<'_, T>> = readings
            .iter()
            .filter(|(s, ..)| !replaced.contains(&s.id))
            .collect();
        standing.sort_by_key(|(s, value, _)| (rank(value), s.lamport, s.id));
        let (from, value, _) = standing.pop()?;
        Some(Settled {
            value: value.clone(),
            from: from.id,
            rivals: standing
                .into_iter()
                .filter(|(_, rival, _)| rival != value)
                .map(|(s, rival, _)| Rival {
                    value: rival.clone(),
                    from: s.id,
                    by: s.entry.by.clone(),
                })
                .collect(),
        })
    }

    pub(super) fn channels(&self, flags: &mut Vec<Flag>) -> Vec<ChannelView> {
        let mut channels: BTreeMap<Channel, ChannelView> = BTreeMap::new();
        let mut lengths: BTreeMap<Channel, Vec<Reading<'_, f64>>> = BTreeMap::new();
        for s in self.seen {
            let channel = match &s.entry.what {
                Fact::ReachLength(length) => &length.channel,
                Fact::Width(width) => &width.channel,
                Fact::PassOpened(opened) => &opened.pass.channel,
                _ => continue,
            };
            let view = channels
                .entry(channel.clone())
                .or_insert_with(|| ChannelView {
                    channel: channel.clone(),
                    length_m: None,
                    widths_m: Vec::new(),
                });
            match &s.entry.what {
                Fact::Width(width) => view.widths_m.push(self.dated(s, width.width_m)),
                Fact::ReachLength(length) if !self.is_voided(s.id) => lengths
                    .entry(channel.clone())
                    .or_default()
                    .push((s, length.length_m, &length.replaces)),
                _ => {}
            }
        }
        for (channel, readings) in lengths {
            let length_m = self.settled_readings(&readings, |_| ());
            if let Some(length_m) = &length_m {
                let what = format!("the length of channel {channel}");
                flag_rivals(length_m, &what, |m| format!("{m} m"), flags);
            }
            if let Some(view) = channels.get_mut(&channel) {
                view.length_m = length_m;
            }
        }
        channels.into_values().collect()
    }

    pub(super) fn nets(&self) -> Vec<NetView> {
        let mut nets: BTreeMap<(Channel, NetEnd), NetView> = BTreeMap::new();
        for s in self.seen {
            let Fact::NetEvent(event) = &s.entry.what else {
                continue;
            };
            let net = nets
                .entry((event.channel.clone(), event.end))
                .or_insert_with(|| NetView {
                    channel: event.channel.clone(),
                    end: event.end,
                    states: Vec::new(),
                    mesh_mm: None,
                });
            net.states.push(self.dated(s, event.state));
            if event.mesh_mm.is_some() && !self.is_voided(s.id) {
                net.mesh_mm = event.mesh_mm;
            }
        }
        nets.into_values().collect()
    }
}
