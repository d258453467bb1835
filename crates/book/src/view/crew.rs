//! The people, the devices and the secrets.

use std::collections::{BTreeMap, BTreeSet};

use gravelbar_visit::PersonName;

use super::named::{named, whole};
use super::{KnownDevice, Named, SECRETS_RECOGNISED};
use crate::founding::DeviceKey;
use crate::record::{Fact, Person, SecretBytes, Seen};
use crate::roster::Roster;

whole!(Person, PersonName, |person| person.name.clone(), |person| {
    person.dropped
});

pub(super) fn people(counted: &[&Seen]) -> Vec<Named<Person>> {
    named::<Person>(counted).into_values().collect()
}

/// What is said of each device on the roster: the newest that counts, in the order by cause.
pub(super) fn devices(counted: &[&Seen], roster: &Roster, seen: &[Seen]) -> Vec<KnownDevice> {
    let mut known: BTreeMap<DeviceKey, KnownDevice> = (roster.devices.iter())
        .map(|device| {
            let tag = device.key.tag();
            let one = KnownDevice {
                key: device.key,
                name: None,
                holder: device.person.clone(),
                addresses: Vec::new(),
                records: seen.iter().filter(|s| s.id.writer.device == tag).count(),
            };
            (device.key, one)
        })
        .collect();
    for record in counted {
        match &record.entry.what {
            Fact::DeviceNamed(fact) => {
                if let Some(device) = known.get_mut(&fact.key) {
                    device.name = Some(fact.name.clone());
                }
            }
            Fact::DeviceHeld(fact) => {
                if let Some(device) = known.get_mut(&fact.key) {
                    device.holder = Some(fact.person.clone());
                }
            }
            Fact::DeviceMet(fact) => {
                if let Some(device) = known.get_mut(&fact.key) {
                    device.addresses.clone_from(&fact.addresses);
                }
            }
            _ => {}
        }
    }
    known.into_values().collect()
}

/// The newest secrets in the order by cause, each once, newest first.
pub(super) fn secrets(counted: &[&Seen]) -> Vec<SecretBytes> {
    let mut met = BTreeSet::new();
    (counted.iter().rev())
        .filter_map(|seen| match &seen.entry.what {
            Fact::Secret(secret) => Some(secret.bytes),
            _ => None,
        })
        .filter(|bytes| met.insert(*bytes))
        .take(SECRETS_RECOGNISED)
        .collect()
}
