//! Device clocks against one reference clock, from the offsets measured when devices met.

use std::collections::{BTreeMap, BTreeSet};

use chrono::{DateTime, FixedOffset, TimeDelta};
use gravelbar_ledger::DeviceTag;

use super::seen::Seen;
use crate::record::{Fact, Role};

/// Each device's clock minus the reference device's.
pub(super) struct Clocks {
    offsets: BTreeMap<DeviceTag, Offset>,
}

#[derive(Clone, Copy)]
pub(super) struct Offset {
    pub(super) offset_ms: i64,
    pub(super) uncertainty_ms: i64,
}

impl Clocks {
    /// Chains the measured offsets from the reference device outward, least uncertain first. The
    /// reference is the device on which the lead's role was first taken, else the device of the
    /// first record: any fixed choice that every replica makes alike would do.
    pub(super) fn read(seen: &[Seen]) -> Self {
        let lead = seen
            .iter()
            .find(|s| matches!(&s.entry.what, Fact::RoleTaken(taken) if taken.role == Role::Lead));
        let Some(reference) = lead.or(seen.first()).map(|s| s.id.writer.device) else {
            return Self {
                offsets: BTreeMap::new(),
            };
        };
        // The newest measurement of a pair of devices holds, in both directions.
        let mut pairs: BTreeMap<(DeviceTag, DeviceTag), Offset> = BTreeMap::new();
        for s in seen {
            let Fact::ClockOffset(measured) = &s.entry.what else {
                continue;
            };
            let (author, other) = (s.id.writer.device, measured.tag);
            let uncertainty_ms = measured.uncertainty_ms.max(0);
            for (from, to, offset_ms) in [
                (author, other, measured.offset_ms),
                (other, author, measured.offset_ms.saturating_neg()),
            ] {
                pairs.insert(
                    (from, to),
                    Offset {
                        offset_ms,
                        uncertainty_ms,
                    },
                );
            }
        }
        Self {
            offsets: outward(reference, &pairs),
        }
    }

    pub(super) fn offset(&self, device: DeviceTag) -> Option<Offset> {
        self.offsets.get(&device).copied()
    }

    /// A device's time on the reference clock; unchanged where no chain of meetings tells.
    pub(super) fn corrected(
        &self,
        device: DeviceTag,
        at: DateTime<FixedOffset>,
    ) -> DateTime<FixedOffset> {
        self.offset(device)
            .and_then(|o| TimeDelta::try_milliseconds(o.offset_ms))
            .and_then(|offset| at.checked_sub_signed(offset))
            .unwrap_or(at)
    }
}

/// Shortest paths by uncertainty, ties by tag.
fn outward(
    reference: DeviceTag,
    pairs: &BTreeMap<(DeviceTag, DeviceTag), Offset>,
) -> BTreeMap<DeviceTag, Offset> {
    let mut known = BTreeMap::new();
    let mut next: BTreeSet<(i64, DeviceTag, i64)> = BTreeSet::from([(0, reference, 0)]);
    while let Some((uncertainty_ms, device, offset_ms)) = next.pop_first() {
        if known.contains_key(&device) {
            continue;
        }
        known.insert(
            device,
            Offset {
                offset_ms,
                uncertainty_ms,
            },
        );
        let first = (device, DeviceTag([0; 8]));
        let last = (device, DeviceTag([u8::MAX; 8]));
        for ((_, to), step) in pairs.range(first..=last) {
            next.insert((
                uncertainty_ms.saturating_add(step.uncertainty_ms),
                *to,
                offset_ms.saturating_add(step.offset_ms),
            ));
        }
    }
    known
}
