//! The called side: answers calls, and lets in who belongs here.

use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};

use quinn::crypto::rustls::HandshakeData;
use quinn::{Connection, ConnectionError, Endpoint, Incoming, RecvStream, SendStream, VarInt};
use rustls::pki_types::CertificateDer;
use tokio::sync::{OwnedSemaphorePermit, Semaphore, mpsc};
use tokio::time::timeout;

use crate::identity::DeviceKeyId;
use crate::joining::{EXPORTER, EXPORTER_CODE, End, Invitations, Meeting, PROOF_BYTES};
use crate::open_code::{OpenCode, Tried};
use crate::pake::{CONFIRMATION_BYTES, MESSAGE_BYTES, Run, write_document};
use crate::peer::{Joined, Peer, code};
use crate::roster::Roster;
use crate::trust;
use crate::tuning::{ALPN, ALPN_CODE, ALPN_JOIN, GREETING, HANDSHAKES, HANDSHAKES_UNPROVEN, PEERS};

/// The first byte each side sends on the stream: both have been let in.
pub(crate) const LET_IN: u8 = b'G';

/// What a link has turned away since it was bound.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Counts {
    /// Callers without an admitted key, or without proof of it.
    pub strangers: u64,
    /// Callers with a wrong proof of an invitation.
    pub wrong_proofs: u64,
    /// Callers with a wrong code.
    pub wrong_codes: u64,
    /// Callers over the number of connections or handshakes.
    pub over_limit: u64,
}
/// What it takes to let someone in.
#[derive(Debug)]
pub(crate) struct Door {
    pub(crate) me: DeviceKeyId,
    pub(crate) roster: Roster,
    pub(crate) invitations: Arc<Invitations>,
    pub(crate) open_code: Arc<OpenCode>,
    handshakes: Arc<Semaphore>,
    places: Arc<Semaphore>,
    strangers: AtomicU64,
    over_limit: AtomicU64,
}

/// Answers calls until the socket is closed.
pub(crate) async fn answer(endpoint: Endpoint, door: Arc<Door>, let_in: mpsc::Sender<Peer>) {
    while let Some(incoming) = endpoint.accept().await {
        let under_way = HANDSHAKES - door.handshakes.available_permits();
        if under_way >= HANDSHAKES_UNPROVEN
            && !incoming.remote_address_validated()
            && incoming.may_retry()
        {
            let _ = incoming.retry(); // Refused only where it may not be made, which was asked.
            continue;
        }
        let handshake = door.handshakes.clone().try_acquire_owned();
        let place = door.places.clone().try_acquire_owned();
        let (Ok(handshake), Ok(place)) = (handshake, place) else {
            door.over_limit.fetch_add(1, Ordering::Relaxed);
            incoming.refuse();
            continue;
        };
        let (door, let_in) = (door.clone(), let_in.clone());
        tokio::spawn(async move {
            let _handshake = handshake;
            if let Ok(Some(peer)) = timeout(GREETING, door.let_in(incoming, place)).await {
                let _ = let_in.send(peer).await; // Nobody is there to take it: it closes.
            }
        });
    }
}

impl Door {
    pub(crate) fn new(
        me: DeviceKeyId,
        roster: Roster,
        invitations: Arc<Invitations>,
        open_code: Arc<OpenCode>,
    ) -> Self {
        Self {
            me,
            roster,
            invitations,
            open_code,
            handshakes: Arc::new(Semaphore::new(HANDSHAKES)),
            places: Arc::new(Semaphore::new(PEERS)),
            strangers: AtomicU64::new(0),
            over_limit: AtomicU64::new(0),
        }
    }

    pub(crate) fn counts(&self) -> Counts {
        Counts {
            strangers: self.strangers.load(Ordering::Relaxed),
            wrong_proofs: self.invitations.wrong_proofs(),
            wrong_codes: self.open_code.wrong(),
            over_limit: self.over_limit.load(Ordering::Relaxed),
        }
    }

    /// Takes one caller through the handshake, and its first word. Nothing is sent to it on
    /// the stream before it is known to belong here.
    async fn let_in(&self, incoming: Incoming, place: OwnedSemaphorePermit) -> Option<Peer> {
        let handshake = match incoming.accept() {
            Ok(connecting) => connecting.await,
            Err(refused) => Err(refused),
        };
        let connection = match handshake {
            Ok(connection) => connection,
            Err(error) => {
                if let ConnectionError::TransportError(_) = error {
                    self.strangers.fetch_add(1, Ordering::Relaxed);
                }
                return None;
            }
        };
        let device = shown_by(&connection)?;
        let protocol = connection
            .handshake_data()?
            .downcast::<HandshakeData>()
            .ok()?
            .protocol?;
        if protocol == ALPN_JOIN {
            return self.let_join(connection, device, place).await;
        }
        if protocol == ALPN_CODE {
            return self.let_enter(connection, device, place).await;
        }
        // The handshake lets strangers through while an invitation is open; here they end.
        if protocol != ALPN || !self.roster.contains(device) {
            self.strangers.fetch_add(1, Ordering::Relaxed);
            connection.close(VarInt::from_u32(code::NOT_ADMITTED), b"not admitted");
            return None;
        }
        let (mut sender, mut receiver) = connection.accept_bi().await.ok()?;
        let mut first = [0];
        receiver.read_exact(&mut first).await.ok()?;
        if first != [LET_IN] {
            connection.close(VarInt::from_u32(code::BROKEN), b"unknown greeting");
            return None;
        }
        sender.write_all(&[LET_IN]).await.ok()?;
        let streams = (sender, receiver);
        let roster = self.roster.clone();
        Some(Peer::new(
            connection,
            streams,
            device,
            roster,
            Some(place),
            None,
        ))
    }

    async fn let_join(
        &self,
        connection: Connection,
        device: DeviceKeyId,
        place: OwnedSemaphorePermit,
    ) -> Option<Peer> {
        let meeting = Meeting::on(&connection, EXPORTER, device, self.me)?;
        let (mut sender, mut receiver) = connection.accept_bi().await.ok()?;
        let mut proof = [0; PROOF_BYTES];
        receiver.read_exact(&mut proof).await.ok()?;
        let Some(invitation) = self.invitations.proved(&meeting, &proof) else {
            connection.close(VarInt::from_u32(code::WRONG_PROOF), b"no such invitation");
            return None;
        };
        self.roster.add(device);
        let answer = meeting.prove(End::Inviter, &invitation.secret, invitation.document);
        sender.write_all(&answer).await.ok()?;
        let joined = Joined {
            device,
            document: invitation.document,
        };
        let streams = (sender, receiver);
        Some(self.joined(connection, streams, place, joined))
    }

    /// Takes one caller through the exchange that proves a code. Its confirmation is checked before
    /// ours is sent; a run without one tells the caller nothing and is no try.
    async fn let_enter(
        &self,
        connection: Connection,
        device: DeviceKeyId,
        place: OwnedSemaphorePermit,
    ) -> Option<Peer> {
        let ended = || {
            connection.close(VarInt::from_u32(code::NO_CODE), b"no code open");
            None
        };
        let Some(open) = self.open_code.now() else {
            return ended();
        };
        let meeting = Meeting::on(&connection, EXPORTER_CODE, device, self.me)?;
        let (mut sender, mut receiver) = connection.accept_bi().await.ok()?;
        let mut theirs = [0; MESSAGE_BYTES];
        receiver.read_exact(&mut theirs).await.ok()?;
        let run = Run::begin(End::Inviter, &open.code, &meeting)?;
        let message = run.message();
        let key = run.key(&theirs);
        let mut proof = [0; CONFIRMATION_BYTES];
        if key.is_some() {
            sender.write_all(&message).await.ok()?;
            receiver.read_exact(&mut proof).await.ok()?;
        }
        let is_right = || {
            let checked = key.as_ref();
            checked.is_some_and(|key| key.check(End::Joiner, &meeting, b"", &proof))
        };
        let document = match self.open_code.attempt(open.serial, is_right) {
            Tried::Right(document) => document,
            Tried::Wrong => {
                connection.close(VarInt::from_u32(code::WRONG_PROOF), b"wrong code");
                return None;
            }
            Tried::Ended => return ended(),
        };
        self.roster.add(device);
        let name = write_document(document);
        let answer = key?.confirm(End::Inviter, &meeting, &name);
        sender
            .write_all(&[&answer[..], &name].concat())
            .await
            .ok()?;
        let streams = (sender, receiver);
        let joined = Joined { device, document };
        Some(self.joined(connection, streams, place, joined))
    }

    fn joined(
        &self,
        connection: Connection,
        streams: (SendStream, RecvStream),
        place: OwnedSemaphorePermit,
        joined: Joined,
    ) -> Peer {
        let (device, roster) = (joined.device, self.roster.clone());
        Peer::new(
            connection,
            streams,
            device,
            roster,
            Some(place),
            Some(joined),
        )
    }
}

/// The device whose key the other end has proved.
fn shown_by(connection: &Connection) -> Option<DeviceKeyId> {
    let shown = connection
        .peer_identity()?
        .downcast::<Vec<CertificateDer<'static>>>()
        .ok()?;
    trust::device_of(shown.first()?).ok()
}
