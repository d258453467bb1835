//! The device's side of the network: keeps connections to known devices, and passes frames
//! between them and the loop.

use std::collections::BTreeMap;
use std::net::{IpAddr, SocketAddr};
use std::sync::mpsc::Sender;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use gravelbar_link::{
    DeviceKeyId, FrameReceiver, FrameSender, Identity, Invitation, Joined, Line, Link, Peer, Roster,
};
use gravelbar_visit::DocumentId;
use tokio::sync::{OwnedSemaphorePermit, Semaphore, mpsc};
use tokio::task::JoinHandle;

use crate::device::Reach;
use crate::node::Event;

/// Frames from one peer that may wait for the loop; the peer is not read beyond that.
const FRAMES_WAITING: usize = 8;

/// Frames to one peer that may wait for the network; the session is not asked for more.
pub(crate) const FRAMES_LEAVING: usize = 4;

/// Between two calls to a device that doesn't answer: at first, and at most.
const CALL_AGAIN: (Duration, Duration) = (Duration::from_millis(500), Duration::from_secs(20));

/// How long an invitation stays open.
const INVITATION_OPEN: Duration = Duration::from_secs(8 * 3600);

/// Addresses in one invitation.
const MOST_ADDRESSES: usize = 6;

/// One connection, never reused.
pub(crate) type ConnectionNumber = u64;

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
    numbers: Arc<Mutex<u64>>,
    reach: Reach,
    callers: BTreeMap<DeviceKeyId, Caller>,
    accepting: JoinHandle<()>,
}

struct Caller {
    addresses: Arc<Mutex<Vec<SocketAddr>>>,
    wanted: tokio::sync::watch::Sender<bool>,
    task: JoinHandle<()>,
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
    let link = Link::bind(identity, listen, roster)?;
    let numbers = Arc::new(Mutex::new(0));
    let accepting = runtime.spawn({
        let (link, events, numbers) = (link.clone(), events.clone(), Arc::clone(&numbers));
        async move {
            while let Some(peer) = link.accept().await {
                tokio::spawn(carry(peer, false, next(&numbers), events.clone()));
            }
        }
    });
    Ok(Net {
        link,
        runtime,
        events,
        numbers,
        reach,
        callers: BTreeMap::new(),
        accepting,
    })
}

fn next(numbers: &Mutex<u64>) -> ConnectionNumber {
    let mut number = numbers.lock().unwrap_or_else(PoisonError::into_inner);
    *number += 1;
    *number
}

/// Announces a connection to the loop and carries its frames until it ends.
async fn carry(peer: Peer, called: bool, connection: ConnectionNumber, events: Sender<Event>) {
    let (device, address, joined) = (peer.device(), peer.remote_addr(), peer.joined());
    let (line, sender, receiver) = peer.split();
    let (outgoing, leaving) = mpsc::channel(FRAMES_LEAVING);
    let up = Up {
        connection,
        device,
        address,
        outgoing,
        line: line.clone(),
        called,
        joined,
    };
    if events.send(Event::Net(NetEvent::Up(up))).is_err() {
        return;
    }
    tokio::select! {
        () = receive(receiver, connection, &events) => {}
        () = send(sender, leaving, &events) => {}
        _ = line.closed() => {}
    }
    line.close("the conversation ended");
    events.send(Event::Net(NetEvent::Down(connection))).ok();
}

async fn receive(
    mut receiver: FrameReceiver,
    connection: ConnectionNumber,
    events: &Sender<Event>,
) {
    let room = Arc::new(Semaphore::new(FRAMES_WAITING));
    while let Ok(permit) = Arc::clone(&room).acquire_owned().await {
        let Ok(Some(frame)) = receiver.receive().await else {
            return;
        };
        let event = NetEvent::Frame {
            connection,
            frame,
            _room: permit,
        };
        if events.send(Event::Net(event)).is_err() {
            return;
        }
    }
}

async fn send(
    mut sender: FrameSender,
    mut leaving: mpsc::Receiver<Vec<u8>>,
    events: &Sender<Event>,
) {
    while let Some(frame) = leaving.recv().await {
        if sender.send(&frame).await.is_err() {
            return;
        }
        if events.send(Event::Net(NetEvent::Writable)).is_err() {
            return;
        }
    }
}

impl Net {
    /// Where this device listens.
    pub(crate) fn address(&self) -> Option<SocketAddr> {
        self.link.local_addr().ok()
    }

    /// Knows these addresses of a device from now on; `wanted` says whether to call it at once.
    pub(crate) fn call(&mut self, device: DeviceKeyId, addresses: Vec<SocketAddr>, wanted: bool) {
        if let Some(caller) = self.callers.get(&device) {
            *caller
                .addresses
                .lock()
                .unwrap_or_else(PoisonError::into_inner) = addresses;
            return;
        }
        let addresses = Arc::new(Mutex::new(addresses));
        let (wanted, want) = tokio::sync::watch::channel(wanted);
        let task = self.runtime.spawn(keep_calling(
            self.link.clone(),
            device,
            Arc::clone(&addresses),
            want,
            Arc::clone(&self.numbers),
            self.events.clone(),
        ));
        self.callers.insert(
            device,
            Caller {
                addresses,
                wanted,
                task,
            },
        );
    }

    /// Whether calls to a device make sense: not while it is connected.
    pub(crate) fn want(&self, device: DeviceKeyId, wanted: bool) {
        if let Some(caller) = self.callers.get(&device) {
            caller.wanted.send_replace(wanted);
        }
    }

    /// Opens an invitation to a document.
    pub(crate) fn invite(
        &self,
        document: [u8; 16],
    ) -> Result<Invitation, gravelbar_link::InviteError> {
        let _entered = self.runtime.enter();
        self.link
            .invite(Some(document), &self.reachable_at(), INVITATION_OPEN)
    }

    /// Addresses for an invitation: those of the networks this device is in, and in none, its own.
    fn reachable_at(&self) -> Vec<SocketAddr> {
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

    /// Answers another device's invitation to a document.
    pub(crate) fn answer_invitation(&self, invitation: Invitation, document: DocumentId) {
        let (link, number, events) = (self.link.clone(), next(&self.numbers), self.events.clone());
        self.runtime.spawn(async move {
            match link.join(&invitation).await {
                Ok(peer) => carry(peer, true, number, events).await,
                Err(error) => {
                    let told = NetEvent::NotJoined {
                        document,
                        why: error.to_string(),
                    };
                    events.send(Event::Net(told)).ok();
                }
            }
        });
    }

    /// Hangs up everywhere.
    pub(crate) fn close(self) {
        self.accepting.abort();
        for caller in self.callers.into_values() {
            caller.task.abort();
        }
        let link = self.link;
        self.runtime
            .block_on(async move { link.close("the program was closed").await });
    }
}

/// Calls a device whenever it is wanted, with growing pauses while it doesn't answer. The pauses
/// start small again after each connection.
async fn keep_calling(
    link: Link,
    device: DeviceKeyId,
    addresses: Arc<Mutex<Vec<SocketAddr>>>,
    mut wanted: tokio::sync::watch::Receiver<bool>,
    numbers: Arc<Mutex<u64>>,
    events: Sender<Event>,
) {
    let mut pause = CALL_AGAIN.0;
    loop {
        if wanted.wait_for(|wanted| *wanted).await.is_err() {
            return;
        }
        let places = addresses
            .lock()
            .unwrap_or_else(PoisonError::into_inner)
            .clone();
        let mut answered = None;
        for place in places {
            if let Ok(peer) = link.connect(place, device).await {
                answered = Some(peer);
                break;
            }
        }
        if let Some(peer) = answered {
            pause = CALL_AGAIN.0;
            carry(peer, true, next(&numbers), events.clone()).await;
        } else {
            // Someone told us that the device is back, or has just gone: no need to wait it out.
            let told = tokio::time::timeout(pause, wanted.changed()).await;
            pause = match told {
                Ok(_) => CALL_AGAIN.0,
                Err(_) => (pause * 2).min(CALL_AGAIN.1),
            };
        }
    }
}
