//! Whether this device's own addresses change, told by the system, without asking again and again.

use std::collections::BTreeSet;
use std::future::poll_fn;
use std::time::Duration;

use if_watch::IpNet;
use if_watch::tokio::IfWatcher;

/// An interface that comes up gets its addresses one after the other; they are told as one change.
const SETTLING: Duration = Duration::from_millis(200);

/// Watches the addresses of this device's network interfaces.
#[derive(Debug)]
pub struct Network {
    watcher: IfWatcher,
    known: BTreeSet<IpNet>,
}

impl Network {
    /// Begins to watch. To be called within a tokio runtime.
    ///
    /// # Errors
    ///
    /// What the system says where it can't be watched.
    pub fn watch() -> std::io::Result<Self> {
        Ok(Self {
            watcher: IfWatcher::new()?,
            known: BTreeSet::new(),
        })
    }

    /// Waits for the next change; the first comes at once, as the addresses found at the start. Whether
    /// more may follow: false means that the system has stopped telling.
    pub async fn changed(&mut self) -> bool {
        loop {
            if !self.told().await {
                return false;
            }
            while let Ok(more) = tokio::time::timeout(SETTLING, self.told()).await {
                if !more {
                    return false;
                }
            }
            let now: BTreeSet<IpNet> = self.watcher.iter().copied().collect();
            if now != self.known {
                self.known = now;
                return true;
            }
        }
    }

    async fn told(&mut self) -> bool {
        poll_fn(|context| self.watcher.poll_if_event(context))
            .await
            .is_ok()
    }
}
