//! The device's side of the network: keeps connections to known devices, lets newcomers in, and
//! passes frames between them and the loop.

mod caller;
mod carry;
mod inviting;
mod presence;

use std::collections::BTreeMap;
use std::net::{IpAddr, SocketAddr};
use std::sync::mpsc::Sender;
use std::sync::{Arc, Mutex, PoisonError};

use gravelbar_link::{CrewSecret, DeviceKeyId, Found, Identity, Joined, Line, Link, Roster};
use gravelbar_visit::DocumentId;
use tokio::sync::{OwnedSemaphorePermit, mpsc};
use tokio::task::JoinHandle;

use crate::device::Reach;
use crate::node::Event;
use caller::Caller;
use carry::carry;
use inviting::Inviting;
pub(crate) use inviting::{Place, USUAL_PORT};
use presence::Presence;

/// Addresses in one invitation.
const MOST_ADDRESSES: usize = 6;

/// One connection, never reused.
pub(crate) type ConnectionNumber = u64;

/// Where connections get their numbers.
type Numbers = Arc<Mutex<u64>>;

/// What the network tells the loop.
pub(crate) enum NetEvent {
    Up(Up),
    Frame {
        connection: ConnectionNumber,
        frame: Vec<u8>,
        /// Given back once the loop is done with the frame: the bound on what waits.
        _room: OwnedSemaphorePermit,
    },
    /// There is room for frames again.
    Writable,
    Down(ConnectionNumber),
    /// An invitation led nowhere.
    NotJoined {
        document: DocumentId,
        why: String,
    },
    /// A typed code was right: the device that showed it, where it is, and what it let us in to.
    Entered {
        entry: u64,
        device: DeviceKeyId,
        address: SocketAddr,
        document: Option<DocumentId>,
    },
    /// A typed code led nowhere.
    NotEntered {
        entry: u64,
        why: String,
    },
    /// The code shown here has ended, by use, wrong tries or time.
    CodeEnded,
    /// A device of the crew is heard on the local network.
    Found(Found),
    /// The devices open for joining have changed.
    Joinable,
    /// This device's own addresses have changed.
    Moved,
}

/// A connection is up.
pub(crate) struct Up {
    pub(crate) connection: ConnectionNumber,
    pub(crate) device: DeviceKeyId,
    pub(crate) address: SocketAddr,
    pub(crate) outgoing: mpsc::Sender<Vec<u8>>,
    pub(crate) line: Line,
    /// This device called.
    pub(crate) called: bool,
    /// The other came in by our invitation.
    pub(crate) joined: Option<Joined>,
}

/// What the loop asks of the network.
pub(crate) struct Net {
    link: Link,
    runtime: tokio::runtime::Handle,
    events: Sender<Event>,
    numbers: Numbers,
    reach: Reach,
    callers: BTreeMap<DeviceKeyId, Caller>,
    inviting: Inviting,
    presence: Presence,
    accepting: JoinHandle<()>,
}

/// Starts the network of a device; `reach` is what invitations name.
pub(crate) fn start(
    identity: &Identity,
    listen: SocketAddr,
    reach: Reach,
    roster: Roster,
    events: Sender<Event>,
    runtime: tokio::runtime::Handle,
) -> Result<Net, gravelbar_link::BindError> {
    let _entered = runtime.enter();
    let link = Link::bind(identity, listen, roster.clone())?;
    let numbers = Numbers::default();
    let accepting = runtime.spawn({
        let (link, events, numbers) = (link.clone(), events.clone(), Arc::clone(&numbers));
        async move {
            while let Some(peer) = link.accept().await {
                tokio::spawn(carry(peer, false, next(&numbers), events.clone()));
            }
        }
    });
    let port = link.local_addr().map_or(0, |addr| addr.port());
    let presence = Presence::start(link.device(), port, roster, &events);
    Ok(Net {
        link,
        runtime,
        events,
        numbers,
        reach,
        callers: BTreeMap::new(),
        inviting: Inviting::default(),
        presence,
        accepting,
    })
}

fn next(numbers: &Mutex<u64>) -> u64 {
    let mut number = numbers.lock().unwrap_or_else(PoisonError::into_inner);
    *number += 1;
    *number
}

impl Net {
    /// Where this device listens.
    pub(crate) fn address(&self) -> Option<SocketAddr> {
        self.link.local_addr().ok()
    }

    /// Knows these addresses of a device from now on; `wanted` says whether to call it at once.
    pub(crate) fn call(&mut self, device: DeviceKeyId, addresses: Vec<SocketAddr>, wanted: bool) {
        if let Some(caller) = self.callers.get(&device) {
            caller.know(addresses);
            return;
        }
        let caller = Caller::start(
            self.link.clone(),
            device,
            Arc::clone(&self.numbers),
            self.events.clone(),
            &self.runtime,
        );
        caller.know(addresses);
        caller.want(wanted);
        self.callers.insert(device, caller);
    }

    /// Whether calls to a device make sense: not while it is connected.
    pub(crate) fn want(&self, device: DeviceKeyId, wanted: bool) {
        if let Some(caller) = self.callers.get(&device) {
            caller.want(wanted);
        }
    }

    /// The crew says that a device is at these addresses; it is called there if `wanted`.
    pub(crate) fn told_of(
        &mut self,
        device: DeviceKeyId,
        addresses: Vec<SocketAddr>,
        wanted: bool,
    ) {
        match self.callers.get(&device) {
            Some(caller) => caller.wake(&addresses),
            None => self.call(device, addresses, wanted),
        }
    }

    /// A device was heard: it is called at once where it isn't connected. Where it is, `met_at` being where,
    /// and it has gone somewhere else since, it is called there: the old connection is dead or will be.
    pub(crate) fn found(&mut self, found: &Found, met_at: Option<SocketAddr>) {
        if !self.callers.contains_key(&found.device) {
            self.call(found.device, Vec::new(), met_at.is_none());
        }
        if let Some(caller) = self.callers.get(&found.device) {
            caller.wake(&found.addresses);
        }
        let moved = |met_at| !found.addresses.contains(&met_at);
        if met_at.is_some_and(moved) {
            self.call_anew(found.device);
        }
    }

    /// This device's addresses have changed: says so to whoever can hear it, and calls everybody, also who
    /// is `connected`: nobody can be sure that the other end still finds this one. A call costs a
    /// few hundred bytes, and only what hasn't arrived is sent again.
    pub(crate) fn moved(&self, connected: impl IntoIterator<Item = DeviceKeyId>) {
        self.presence.beacon.network_changed();
        for caller in self.callers.values() {
            caller.wake(&[]);
        }
        for device in connected {
            self.call_anew(device);
        }
    }

    /// Calls a connected device once more; the new connection takes over.
    fn call_anew(&self, device: DeviceKeyId) {
        let Some(caller) = self.callers.get(&device) else {
            return;
        };
        let (link, addresses) = (self.link.clone(), caller.addresses());
        let (number, events) = (next(&self.numbers), self.events.clone());
        self.runtime.spawn(async move {
            if let Ok(peer) = link.connect_any(&addresses, device).await {
                carry(peer, true, number, events).await;
            }
        });
    }

    /// Says "here" to the devices that share one of these secrets, and hears them. Silent without any.
    pub(crate) fn recognise_by(&self, crews: Vec<CrewSecret>) {
        self.presence.beacon.recognise_by(crews);
    }

    /// Addresses to tell others: those of the networks this device is in, and in none, its own.
    pub(crate) fn reachable_at(&self) -> Vec<SocketAddr> {
        let bound = match (&self.reach, self.address()) {
            (Reach::At(addresses), _) => return addresses.clone(),
            (Reach::Interfaces, Some(bound)) if bound.ip().is_unspecified() => bound,
            (Reach::Interfaces, bound) => return bound.into_iter().collect(),
        };
        let mut places: Vec<IpAddr> = if_addrs::get_if_addrs()
            .unwrap_or_default()
            .into_iter()
            .map(|interface| interface.ip())
            .filter(|ip| ip.is_ipv4())
            .collect();
        places.sort_by_key(|ip| (ip.is_loopback(), *ip));
        places.truncate(MOST_ADDRESSES);
        places
            .into_iter()
            .map(|ip| SocketAddr::new(ip, bound.port()))
            .collect()
    }

    /// Hangs up everywhere.
    pub(crate) fn close(self) {
        self.accepting.abort();
        self.presence.end();
        for caller in self.callers.into_values() {
            caller.end();
        }
        let link = self.link;
        self.runtime
            .block_on(async move { link.close("the program was closed").await });
    }
}
