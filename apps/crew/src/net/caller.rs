//! Calling one device whenever it isn't connected, without wearing out the battery or its patience.

use std::net::SocketAddr;
use std::sync::mpsc::Sender;
use std::time::Duration;

use gravelbar_link::{DeviceKeyId, Link};
use tokio::sync::watch;
use tokio::task::JoinHandle;
use tokio::time::{Instant, sleep_until, timeout};

use super::carry::carry;
use super::{Numbers, next};
use crate::node::Event;

/// Between the beginnings of two calls to a device that doesn't answer: at first, while it may come
/// back any moment, and once it has been away for long. A beacon, a change of the
/// network, or the device itself cut the longer ones short.
const AT_FIRST: Duration = Duration::from_millis(500);
const WHILE_AWAY: Duration = Duration::from_secs(20);
const LONG_AWAY: Duration = Duration::from_secs(120);

/// From so many failed calls on a device is long away: some ten minutes.
const LONG_AWAY_AFTER: u32 = 30;

/// Addresses tried at once: those where the device was seen last.
const ADDRESSES: usize = 4;

/// What a caller is to know; each change wakes it.
#[derive(Debug, Clone, Default)]
struct Want {
    wanted: bool,
    addresses: Vec<SocketAddr>,
}

/// Calls one device.
pub(super) struct Caller {
    want: watch::Sender<Want>,
    task: JoinHandle<()>,
}

impl Caller {
    pub(super) fn start(
        link: Link,
        device: DeviceKeyId,
        numbers: Numbers,
        events: Sender<Event>,
        runtime: &tokio::runtime::Handle,
    ) -> Self {
        let (want, wants) = watch::channel(Want::default());
        let task = runtime.spawn(keep_calling(link, device, wants, numbers, events));
        Self { want, task }
    }

    /// Knows these addresses from now on, best first.
    pub(super) fn know(&self, addresses: Vec<SocketAddr>) {
        self.want.send_if_modified(|want| {
            let news = want.addresses != addresses;
            want.addresses = addresses;
            news
        });
    }

    /// Whether calls make sense: not while the device is connected.
    pub(super) fn want(&self, wanted: bool) {
        self.want
            .send_if_modified(|want| std::mem::replace(&mut want.wanted, wanted) != wanted);
    }

    /// The device is there, perhaps at these addresses: calls it at once if it is wanted.
    pub(super) fn wake(&self, seen_at: &[SocketAddr]) {
        self.want.send_modify(|want| {
            let before = std::mem::take(&mut want.addresses);
            want.addresses = seen_at.to_vec();
            let others = before.into_iter().filter(|addr| !seen_at.contains(addr));
            want.addresses.extend(others.take(ADDRESSES));
        });
    }

    /// Where to call it.
    pub(super) fn addresses(&self) -> Vec<SocketAddr> {
        nearest(&self.want.borrow())
    }

    pub(super) fn end(self) {
        self.task.abort();
    }
}

fn nearest(want: &Want) -> Vec<SocketAddr> {
    want.addresses.iter().copied().take(ADDRESSES).collect()
}

/// Calls a device whenever it is wanted, with growing pauses while it doesn't answer. The pauses
/// start small again after each connection and with each word that the device may be there.
async fn keep_calling(
    link: Link,
    device: DeviceKeyId,
    mut wants: watch::Receiver<Want>,
    numbers: Numbers,
    events: Sender<Event>,
) {
    let mut failed = 0;
    loop {
        let wanted = |want: &Want| want.wanted && !want.addresses.is_empty();
        let Ok(want) = wants.wait_for(wanted).await.map(|want| want.clone()) else {
            return;
        };
        let begun = Instant::now();
        let addresses = nearest(&want);
        let answered = tokio::select! {
            answered = link.connect_any(&addresses, device) => answered.ok(),
            // It has called us meanwhile, or is somewhere else.
            changed = wants.changed() => {
                if changed.is_err() {
                    return;
                }
                failed = 0;
                // However often someone says that it is there, it is called twice a second at most.
                sleep_until(begun + AT_FIRST).await;
                continue;
            }
        };
        if let Some(peer) = answered {
            failed = 0;
            carry(peer, true, next(&numbers), events.clone()).await;
            continue;
        }
        failed += 1;
        let next_call = begun + pause(failed);
        let left = next_call.saturating_duration_since(Instant::now());
        if timeout(left, wants.changed()).await.is_ok() {
            failed = 0;
            sleep_until(begun + AT_FIRST).await;
        }
    }
}

/// From the beginning of the last of so many failed calls to the next.
fn pause(failed: u32) -> Duration {
    let doubled = AT_FIRST * 2_u32.saturating_pow(failed.min(10).saturating_sub(1));
    doubled.min(if failed < LONG_AWAY_AFTER {
        WHILE_AWAY
    } else {
        LONG_AWAY
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn pauses_double_to_twenty_seconds_and_are_two_minutes_once_a_device_is_long_away() {
        let seconds: Vec<f64> = (1..9).map(|n| pause(n).as_secs_f64()).collect();
        assert_eq!(seconds, [0.5, 1.0, 2.0, 4.0, 8.0, 16.0, 20.0, 20.0]);
        assert_eq!(pause(29), WHILE_AWAY);
        assert_eq!(pause(30), Duration::from_secs(120));
        assert_eq!(pause(u32::MAX), LONG_AWAY);
    }
}
