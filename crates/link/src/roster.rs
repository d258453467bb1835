//! The devices that may connect.

use std::collections::BTreeSet;
use std::sync::Arc;

use tokio::sync::watch;

use crate::identity::DeviceKeyId;

/// The devices admitted here. Copies share one list; it changes while connections are up, and
/// a device taken from it is cut off at once.
#[derive(Debug, Clone)]
pub struct Roster {
    admitted: Arc<watch::Sender<BTreeSet<DeviceKeyId>>>,
}

impl Roster {
    /// A roster of these devices.
    #[must_use]
    pub fn new(devices: impl IntoIterator<Item = DeviceKeyId>) -> Self {
        Self {
            admitted: Arc::new(watch::Sender::new(devices.into_iter().collect())),
        }
    }

    /// Admits a device. Whether it is new.
    pub fn add(&self, device: DeviceKeyId) -> bool {
        self.admitted
            .send_if_modified(|admitted| admitted.insert(device))
    }

    /// No longer admits a device; its connections are closed. Whether it was admitted.
    pub fn remove(&self, device: DeviceKeyId) -> bool {
        self.admitted
            .send_if_modified(|admitted| admitted.remove(&device))
    }

    /// Whether a device is admitted.
    #[must_use]
    pub fn contains(&self, device: DeviceKeyId) -> bool {
        self.admitted.borrow().contains(&device)
    }

    /// All admitted devices.
    #[must_use]
    pub fn devices(&self) -> Vec<DeviceKeyId> {
        self.admitted.borrow().iter().copied().collect()
    }

    /// Ends once the device isn't admitted.
    pub(crate) async fn removed(&self, device: DeviceKeyId) {
        let mut changes = self.admitted.subscribe();
        // An error would mean that the list is gone, which this very copy keeps from happening.
        let _ = changes
            .wait_for(|admitted| !admitted.contains(&device))
            .await;
    }
}
