//! Being found on the local network, and finding: the beacon, and the system's word that this device's
//! own addresses have changed.

use std::sync::mpsc::Sender;

use gravelbar_link::{Beacon, DeviceKeyId, Network, Roster};
use tokio::sync::mpsc;
use tokio::task::JoinHandle;

use super::NetEvent;
use crate::node::Event;

/// Sightings that may wait for the loop.
const WAITING: usize = 64;

/// The beacon, and the tasks that pass on what it and the system tell.
pub(super) struct Presence {
    pub(super) beacon: Beacon,
    tasks: Vec<JoinHandle<()>>,
}

impl Presence {
    /// To be called within the runtime.
    pub(super) fn start(
        me: DeviceKeyId,
        port: u16,
        roster: Roster,
        events: &Sender<Event>,
    ) -> Self {
        let (found, mut finds) = mpsc::channel(WAITING);
        let beacon = Beacon::start(me, port, roster, found);
        let told = events.clone();
        let finding = tokio::spawn(async move {
            while let Some(found) = finds.recv().await {
                if told.send(Event::Net(NetEvent::Found(found))).is_err() {
                    return;
                }
            }
        });
        let told = events.clone();
        let watching = tokio::spawn(async move {
            // Where the system doesn't tell, lost connections and the pauses between calls do.
            let Ok(mut network) = Network::watch() else {
                return;
            };
            // First come the addresses found at the start.
            let mut told_before = false;
            while network.changed().await {
                let news = std::mem::replace(&mut told_before, true);
                if news && told.send(Event::Net(NetEvent::Moved)).is_err() {
                    return;
                }
            }
        });
        let mut joinable = beacon.joinable();
        let told = events.clone();
        let listing = tokio::spawn(async move {
            while joinable.changed().await.is_ok() {
                if told.send(Event::Net(NetEvent::Joinable)).is_err() {
                    return;
                }
            }
        });
        Self {
            beacon,
            tasks: vec![finding, watching, listing],
        }
    }

    pub(super) fn end(self) {
        for task in self.tasks {
            task.abort();
        }
    }
}
