//! The air between the demo's devices: a relay in front of each, which lets through only what
//! comes from a device in reach.
//!
//! Devices invite each other to the relays' addresses, so every datagram between two devices
//! passes one, and a cut is a real one: connections starve, time out and are made again.

use std::collections::{BTreeMap, BTreeSet, HashMap};
use std::io;
use std::net::SocketAddr;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use tokio::net::UdpSocket;
use tokio::task::JoinHandle;

use super::story::Letter;

/// A datagram is no longer than this.
const DATAGRAM_BYTES: usize = 65_536;

/// All relays. They end when dropped.
pub(super) struct Air {
    reach: Arc<Reach>,
    relays: BTreeMap<Letter, Relay>,
}

struct Relay {
    front: SocketAddr,
    task: JoinHandle<()>,
    tasks: Tasks,
}

type Tasks = Arc<Mutex<Vec<JoinHandle<()>>>>;

#[derive(Default)]
struct Reach {
    groups: Mutex<Vec<BTreeSet<Letter>>>,
    /// The devices' own sockets.
    sockets: Mutex<BTreeMap<Letter, SocketAddr>>,
}

fn lock<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

impl Reach {
    fn owner(&self, socket: SocketAddr) -> Option<Letter> {
        let sockets = lock(&self.sockets);
        let found = sockets.iter().find(|(_, own)| **own == socket);
        found.map(|(letter, _)| *letter)
    }

    fn socket(&self, device: Letter) -> Option<SocketAddr> {
        lock(&self.sockets).get(&device).copied()
    }

    fn hears(&self, one: Letter, other: Letter) -> bool {
        let groups = lock(&self.groups);
        groups
            .iter()
            .any(|group| group.contains(&one) && group.contains(&other))
    }
}

impl Air {
    /// Air in which these devices hear each other, once they are there.
    pub(super) async fn new(devices: impl Iterator<Item = Letter>) -> io::Result<Self> {
        let reach = Arc::new(Reach::default());
        let mut relays = BTreeMap::new();
        for device in devices {
            let front = Arc::new(UdpSocket::bind("127.0.0.1:0").await?);
            let tasks = Tasks::default();
            let relay = Relay {
                front: front.local_addr()?,
                task: tokio::spawn(carry(device, front, Arc::clone(&reach), Arc::clone(&tasks))),
                tasks,
            };
            relays.insert(device, relay);
        }
        let air = Self { reach, relays };
        air.together();
        Ok(air)
    }

    /// Where other devices call this one.
    pub(super) fn front(&self, device: Letter) -> Option<SocketAddr> {
        self.relays.get(&device).map(|relay| relay.front)
    }

    /// The device's own socket is there.
    pub(super) fn put(&self, device: Letter, socket: SocketAddr) {
        lock(&self.reach.sockets).insert(device, socket);
    }

    /// From now on devices hear each other only within a group.
    pub(super) fn part(&self, groups: Vec<BTreeSet<Letter>>) {
        *lock(&self.reach.groups) = groups;
    }

    /// From now on all devices hear each other.
    pub(super) fn together(&self) {
        self.part(vec![self.relays.keys().copied().collect()]);
    }

    /// The devices that hear this one, itself included.
    pub(super) fn in_reach(&self, device: Letter) -> BTreeSet<Letter> {
        let groups = lock(&self.reach.groups);
        let own = groups.iter().filter(|group| group.contains(&device));
        own.flatten().copied().chain([device]).collect()
    }

    /// The groups.
    pub(super) fn groups(&self) -> Vec<BTreeSet<Letter>> {
        lock(&self.reach.groups).clone()
    }
}

impl Drop for Air {
    fn drop(&mut self) {
        for relay in self.relays.values() {
            relay.task.abort();
            for task in lock(&relay.tasks).drain(..) {
                task.abort();
            }
        }
    }
}

/// Carries what comes for `device`, by a socket of its own for each caller, so that answers find
/// their way back.
async fn carry(device: Letter, front: Arc<UdpSocket>, reach: Arc<Reach>, tasks: Tasks) {
    let mut backs: HashMap<Letter, Arc<UdpSocket>> = HashMap::new();
    let mut datagram = vec![0; DATAGRAM_BYTES];
    loop {
        // On loopback a far socket's closing is told as an error of the next call: go on.
        let Ok((length, from)) = front.recv_from(&mut datagram).await else {
            continue;
        };
        let (Some(caller), Some(to)) = (reach.owner(from), reach.socket(device)) else {
            continue;
        };
        if !reach.hears(caller, device) {
            continue;
        }
        let back = match backs.get(&caller) {
            Some(back) => Arc::clone(back),
            None => {
                let Ok(back) = UdpSocket::bind("127.0.0.1:0").await.map(Arc::new) else {
                    continue;
                };
                backs.insert(caller, Arc::clone(&back));
                let answers = answer(
                    Arc::clone(&back),
                    Arc::clone(&front),
                    (device, caller),
                    Arc::clone(&reach),
                );
                lock(&tasks).push(tokio::spawn(answers));
                back
            }
        };
        // A datagram that can't be sent is a lost one.
        back.send_to(&datagram[..length], to).await.ok();
    }
}

/// Carries what `device` answers to `caller`.
async fn answer(
    back: Arc<UdpSocket>,
    front: Arc<UdpSocket>,
    (device, caller): (Letter, Letter),
    reach: Arc<Reach>,
) {
    let mut datagram = vec![0; DATAGRAM_BYTES];
    loop {
        let Ok((length, _)) = back.recv_from(&mut datagram).await else {
            continue;
        };
        if let Some(to) = reach.socket(caller)
            && reach.hears(device, caller)
        {
            front.send_to(&datagram[..length], to).await.ok();
        }
    }
}
