//! One connection between the network and the loop: its frames each way, until it ends.

use std::sync::Arc;
use std::sync::mpsc::Sender;

use gravelbar_link::{FrameReceiver, FrameSender, Peer};
use tokio::sync::{Semaphore, mpsc};

use super::{ConnectionNumber, NetEvent, Up};
use crate::node::Event;

/// Frames from one peer that may wait for the loop; the peer is not read beyond that.
const FRAMES_WAITING: usize = 8;

/// Frames to one peer that may wait for the network; the session is not asked for more.
const FRAMES_LEAVING: usize = 4;

/// Announces a connection to the loop and carries its frames until it ends.
pub(super) async fn carry(
    peer: Peer,
    called: bool,
    connection: ConnectionNumber,
    events: Sender<Event>,
) {
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
