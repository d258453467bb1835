//! One socket, by which a device calls others and is called.

use std::net::{SocketAddr, UdpSocket};
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, OnceLock};
use std::time::Duration;

use quinn::crypto::rustls::HandshakeData;
use quinn::{
    Connection, ConnectionError, Endpoint, EndpointConfig, Incoming, RecvStream, SendStream,
    TransportErrorCode, VarInt,
};
use ring::rand::{SecureRandom, SystemRandom};
use rustls::pki_types::CertificateDer;
use tokio::sync::{Mutex, OwnedSemaphorePermit, Semaphore, mpsc};
use tokio::task::JoinSet;
use tokio::time::timeout;

use crate::identity::{DeviceKeyId, Identity};
use crate::invitation::{ADDRESSES, Invitation, InviteError};
use crate::joining::{End, Invitations, Meeting, PROOF_BYTES};
use crate::peer::{Joined, Peer, code};
use crate::roster::Roster;
use crate::trust;
use crate::tuning::{self, ALPN, ALPN_JOIN, GREETING, HANDSHAKES, HANDSHAKES_UNPROVEN, PEERS};

/// The first byte each side sends on the stream: both have been let in.
const LET_IN: u8 = b'G';

/// TLS alert "no application protocol" (RFC 8446 section 6).
const NO_APPLICATION_PROTOCOL: u8 = 120;

/// Why a device can't be reached by others or call them.
#[derive(Debug, thiserror::Error)]
pub enum BindError {
    /// The address is taken, or isn't this device's.
    #[error("can't listen on {addr}: {source}")]
    Address {
        /// The address that was asked for.
        addr: SocketAddr,
        /// What the system says.
        source: std::io::Error,
    },
    /// The key can't be used for connections.
    #[error("this device's key can't be used for connections: {0}")]
    Key(String),
}

/// Why a device was not reached.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum ConnectError {
    /// It isn't admitted here.
    #[error("{device} isn't among the devices known here: invite it first")]
    Unknown {
        /// Whom the call was for.
        device: DeviceKeyId,
    },
    /// Nothing answered.
    #[error("no answer from {addr}: is the device on, and in the same network?")]
    NoAnswer {
        /// Where it was called.
        addr: SocketAddr,
    },
    /// Another device answered.
    #[error("at {addr} another device answered: {found}")]
    WrongDevice {
        /// Where it was called.
        addr: SocketAddr,
        /// The device whose certificate was shown.
        found: DeviceKeyId,
    },
    /// Whatever answered showed the right certificate and doesn't hold its key.
    #[error("what answered at {addr} could not prove that it is the device called")]
    Unproven {
        /// Where it was called.
        addr: SocketAddr,
    },
    /// The device doesn't admit this one, or the invitation has ended.
    #[error("the device at {addr} doesn't admit this one: ask for a new invitation")]
    NotAdmitted {
        /// Where it was called.
        addr: SocketAddr,
    },
    /// The device has as many connections as it takes.
    #[error("the device at {addr} has too many connections: try again in a while")]
    Busy {
        /// Where it was called.
        addr: SocketAddr,
    },
    /// The device's program speaks none of the versions spoken here.
    #[error("the program on the device at {addr} is of another version: bring both up to date")]
    OtherVersion {
        /// Where it was called.
        addr: SocketAddr,
    },
    /// Something else.
    #[error("no connection with {addr}: {reason}")]
    Broken {
        /// Where it was called.
        addr: SocketAddr,
        /// What.
        reason: String,
    },
}

/// What a link has turned away since it was bound.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Counts {
    /// Callers without an admitted key, or without proof of it.
    pub strangers: u64,
    /// Callers with a wrong proof of an invitation.
    pub wrong_proofs: u64,
    /// Callers over the number of connections or handshakes.
    pub over_limit: u64,
}

/// A device's socket, in both roles. Copies are the same socket; it closes with the last of them.
#[derive(Debug, Clone)]
pub struct Link(Arc<Inner>);

#[derive(Debug)]
struct Inner {
    identity: Identity,
    door: Arc<Door>,
    endpoint: Endpoint,
    let_in: Mutex<mpsc::Receiver<Peer>>,
}

impl Drop for Inner {
    fn drop(&mut self) {
        self.endpoint.close(VarInt::from_u32(code::BYE), b"bye");
    }
}

/// What it takes to let someone in.
#[derive(Debug)]
struct Door {
    me: DeviceKeyId,
    roster: Roster,
    invitations: Arc<Invitations>,
    handshakes: Arc<Semaphore>,
    places: Arc<Semaphore>,
    strangers: AtomicU64,
    over_limit: AtomicU64,
}

impl Link {
    /// Opens one UDP socket at `addr` (port 0: any free one) and begins to answer calls from the
    /// devices of the roster. To be called within a tokio runtime.
    ///
    /// # Errors
    ///
    /// [`BindError`].
    pub fn bind(identity: &Identity, addr: SocketAddr, roster: Roster) -> Result<Self, BindError> {
        let at_addr = |source| BindError::Address { addr, source };
        let invitations = Arc::new(Invitations::default());
        let server = tuning::server(identity, roster.clone(), invitations.clone())?;
        let socket = UdpSocket::bind(addr).map_err(at_addr)?;
        let runtime = quinn::default_runtime()
            .ok_or_else(|| at_addr(std::io::Error::other("no tokio runtime is running")))?;
        let endpoint = Endpoint::new(EndpointConfig::default(), Some(server), socket, runtime)
            .map_err(at_addr)?;
        let door = Arc::new(Door {
            me: identity.device(),
            roster,
            invitations,
            handshakes: Arc::new(Semaphore::new(HANDSHAKES)),
            places: Arc::new(Semaphore::new(PEERS)),
            strangers: AtomicU64::new(0),
            over_limit: AtomicU64::new(0),
        });
        let (let_in, arrivals) = mpsc::channel(HANDSHAKES);
        tokio::spawn(answer(endpoint.clone(), door.clone(), let_in));
        Ok(Self(Arc::new(Inner {
            identity: identity.clone(),
            door,
            endpoint,
            let_in: Mutex::new(arrivals),
        })))
    }

    /// Where the socket is.
    ///
    /// # Errors
    ///
    /// What the system says, when the socket is gone.
    pub fn local_addr(&self) -> std::io::Result<SocketAddr> {
        self.0.endpoint.local_addr()
    }

    /// This device.
    #[must_use]
    pub fn device(&self) -> DeviceKeyId {
        self.0.door.me
    }

    /// Moves to another local address, connections included: they go on from there.
    ///
    /// # Errors
    ///
    /// [`BindError::Address`]; everything then stays as it was.
    pub fn rebind(&self, addr: SocketAddr) -> Result<(), BindError> {
        let at_addr = |source| BindError::Address { addr, source };
        let socket = UdpSocket::bind(addr).map_err(at_addr)?;
        self.0.endpoint.rebind(socket).map_err(at_addr)
    }

    /// Calls a known device. Returns once both have let each other in, with proof.
    ///
    /// # Errors
    ///
    /// [`ConnectError`].
    pub async fn connect(
        &self,
        addr: SocketAddr,
        expect: DeviceKeyId,
    ) -> Result<Peer, ConnectError> {
        if !self.0.door.roster.contains(expect) {
            return Err(ConnectError::Unknown { device: expect });
        }
        within_greeting(addr, async {
            let call = self.call(addr, expect, ALPN).await?;
            let (mut sender, mut receiver) = call.stream().await?;
            sender.write_all(&[LET_IN]).await.map_err(|_| call.gone())?;
            let mut answer = [0];
            let read = receiver.read_exact(&mut answer).await;
            read.map_err(|_| call.gone())?;
            if answer != [LET_IN] {
                return Err(ConnectError::OtherVersion { addr });
            }
            let streams = (sender, receiver);
            let roster = self.0.door.roster.clone();
            Ok(Peer::new(
                call.connection,
                streams,
                expect,
                roster,
                None,
                None,
            ))
        })
        .await
    }

    /// The next device that called and was let in; nothing once the link is closed.
    pub async fn accept(&self) -> Option<Peer> {
        self.0.let_in.lock().await.recv().await
    }

    /// Opens an invitation: until `lifetime` is over, or three wrong proofs came, or
    /// [`Link::end_invitation`], whoever has its text may join, any number of devices.
    ///
    /// `addresses` are where this device can be reached; without any it is the address that
    /// the link is bound to.
    ///
    /// # Errors
    ///
    /// [`InviteError`].
    pub fn invite(
        &self,
        document: Option<[u8; 16]>,
        addresses: &[SocketAddr],
        lifetime: Duration,
    ) -> Result<Invitation, InviteError> {
        let mut addresses = addresses.to_vec();
        if addresses.is_empty() {
            let bound = self.local_addr().ok();
            addresses.extend(bound.filter(|addr| !addr.ip().is_unspecified()));
        }
        if addresses.is_empty() {
            return Err(InviteError::NoAddress);
        }
        if addresses.len() > ADDRESSES {
            return Err(InviteError::TooManyAddresses(addresses.len()));
        }
        let mut secret = [0; 16];
        SystemRandom::new()
            .fill(&mut secret)
            .map_err(|_| InviteError::NoSecret)?;
        self.0.door.invitations.begin(secret, document)?;
        let invitations = Arc::downgrade(&self.0.door.invitations);
        tokio::spawn(async move {
            tokio::time::sleep(lifetime).await;
            if let Some(invitations) = invitations.upgrade() {
                invitations.end(&secret);
            }
        });
        Ok(Invitation {
            inviter: self.device(),
            secret,
            document,
            addresses,
        })
    }

    /// Ends an invitation. Whether it was open.
    #[must_use = "false means that it had ended already"]
    pub fn end_invitation(&self, invitation: &Invitation) -> bool {
        self.0.door.invitations.end(&invitation.secret)
    }

    /// How many invitations are open.
    #[must_use]
    pub fn open_invitations(&self) -> usize {
        self.0.door.invitations.count()
    }

    /// What was turned away.
    #[must_use]
    pub fn counts(&self) -> Counts {
        let door = &self.0.door;
        Counts {
            strangers: door.strangers.load(Ordering::Relaxed),
            wrong_proofs: door.invitations.wrong_proofs(),
            over_limit: door.over_limit.load(Ordering::Relaxed),
        }
    }

    /// Calls the device that an invitation names, at all its addresses at once, proves the
    /// invitation, and has each on the other's roster from then on.
    ///
    /// # Errors
    ///
    /// [`ConnectError`]: [`ConnectError::NotAdmitted`] when the invitation has ended or isn't one
    /// that the device gave.
    pub async fn join(&self, invitation: &Invitation) -> Result<Peer, ConnectError> {
        let inviter = invitation.inviter;
        let mut calls = JoinSet::new();
        for addr in invitation.addresses.iter().copied() {
            let link = self.clone();
            calls.spawn(within_greeting(addr, async move {
                link.call(addr, inviter, ALPN_JOIN).await
            }));
        }
        let mut failed = None;
        while let Some(call) = calls.join_next().await {
            match call {
                Ok(Ok(call)) => {
                    return within_greeting(call.addr, self.prove(call, invitation)).await;
                }
                Ok(Err(error)) => failed = Some(error),
                Err(_) => {} // Only cancelled tasks end so here, and none is.
            }
        }
        Err(failed.unwrap_or(ConnectError::Unknown { device: inviter }))
    }

    /// Closes the socket and all connections, telling the other devices why; waits until they
    /// have been told.
    pub async fn close(&self, reason: &str) {
        self.0
            .endpoint
            .close(VarInt::from_u32(code::BYE), reason.as_bytes());
        self.0.endpoint.wait_idle().await;
    }

    async fn prove(&self, call: Call, invitation: &Invitation) -> Result<Peer, ConnectError> {
        let meeting = Meeting::on(&call.connection, self.device(), invitation.inviter)
            .ok_or_else(|| call.gone())?;
        let (mut sender, mut receiver) = call.stream().await?;
        let proof = meeting.prove(End::Joiner, &invitation.secret, invitation.document);
        sender.write_all(&proof).await.map_err(|_| call.gone())?;
        let mut answer = [0; PROOF_BYTES];
        let read = receiver.read_exact(&mut answer).await;
        read.map_err(|_| call.gone())?;
        if !meeting.check(
            End::Inviter,
            &invitation.secret,
            invitation.document,
            &answer,
        ) {
            return Err(ConnectError::Unproven { addr: call.addr });
        }
        let roster = self.0.door.roster.clone();
        roster.add(invitation.inviter);
        let streams = (sender, receiver);
        Ok(Peer::new(
            call.connection,
            streams,
            invitation.inviter,
            roster,
            None,
            None,
        ))
    }

    async fn call(
        &self,
        addr: SocketAddr,
        expect: DeviceKeyId,
        alpn: &[u8],
    ) -> Result<Call, ConnectError> {
        let broken = |reason: String| ConnectError::Broken { addr, reason };
        let (config, found) = tuning::client(&self.0.identity, expect, alpn)
            .map_err(|error| broken(error.to_string()))?;
        let connecting = self
            .0
            .endpoint
            .connect_with(config, addr, "gravelbar")
            .map_err(|error| broken(error.to_string()))?;
        let connection = connecting
            .await
            .map_err(|error| why_not(addr, expect, &found, error))?;
        Ok(Call {
            connection,
            addr,
            expect,
            found,
        })
    }
}

/// A connection that we began and whose other end has proved its key.
#[derive(Debug)]
struct Call {
    connection: Connection,
    addr: SocketAddr,
    expect: DeviceKeyId,
    found: Arc<OnceLock<DeviceKeyId>>,
}

impl Call {
    async fn stream(&self) -> Result<(SendStream, RecvStream), ConnectError> {
        self.connection.open_bi().await.map_err(|_| self.gone())
    }

    fn gone(&self) -> ConnectError {
        let error = self.connection.close_reason();
        let error = error.unwrap_or(ConnectionError::Reset);
        why_not(self.addr, self.expect, &self.found, error)
    }
}

async fn within_greeting<T>(
    addr: SocketAddr,
    greeting: impl Future<Output = Result<T, ConnectError>>,
) -> Result<T, ConnectError> {
    timeout(GREETING, greeting)
        .await
        .unwrap_or(Err(ConnectError::NoAnswer { addr }))
}

/// What a failed call means.
fn why_not(
    addr: SocketAddr,
    expect: DeviceKeyId,
    found: &OnceLock<DeviceKeyId>,
    error: ConnectionError,
) -> ConnectError {
    let is_tls = |code: TransportErrorCode| (0x100..0x200).contains(&u64::from(code));
    match error {
        ConnectionError::TransportError(error) if is_tls(error.code) => {
            match found.get().filter(|found| **found != expect) {
                Some(found) => ConnectError::WrongDevice {
                    addr,
                    found: *found,
                },
                None => ConnectError::Unproven { addr },
            }
        }
        ConnectionError::ConnectionClosed(close)
            if close.error_code == TransportErrorCode::crypto(NO_APPLICATION_PROTOCOL) =>
        {
            ConnectError::OtherVersion { addr }
        }
        ConnectionError::ConnectionClosed(close) if is_tls(close.error_code) => {
            ConnectError::NotAdmitted { addr }
        }
        ConnectionError::ConnectionClosed(close)
            if close.error_code == TransportErrorCode::CONNECTION_REFUSED =>
        {
            ConnectError::Busy { addr }
        }
        ConnectionError::ApplicationClosed(close)
            if close.error_code == VarInt::from_u32(code::NOT_ADMITTED)
                || close.error_code == VarInt::from_u32(code::WRONG_PROOF) =>
        {
            ConnectError::NotAdmitted { addr }
        }
        ConnectionError::VersionMismatch => ConnectError::OtherVersion { addr },
        ConnectionError::TimedOut | ConnectionError::Reset => ConnectError::NoAnswer { addr },
        other => ConnectError::Broken {
            addr,
            reason: other.to_string(),
        },
    }
}

/// Answers calls until the socket is closed.
async fn answer(endpoint: Endpoint, door: Arc<Door>, let_in: mpsc::Sender<Peer>) {
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
        let meeting = Meeting::on(&connection, device, self.me)?;
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
        let roster = self.roster.clone();
        Some(Peer::new(
            connection,
            streams,
            device,
            roster,
            Some(place),
            Some(joined),
        ))
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
