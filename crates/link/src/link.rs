//! One socket, by which a device calls others and is called.

use std::net::{SocketAddr, UdpSocket};
use std::sync::Arc;
use std::time::Duration;

use quinn::{Endpoint, EndpointConfig, VarInt};
use ring::rand::{SecureRandom, SystemRandom};
use tokio::sync::{Mutex, mpsc};
use tokio::task::JoinSet;

use crate::call::{Call, ConnectError, EnterError, within_greeting};
use crate::code::Code;
use crate::door::{Counts, Door, answer};
use crate::identity::{DeviceKeyId, Identity};
use crate::invitation::{ADDRESSES, Invitation, InviteError};
use crate::joining::Invitations;
use crate::open_code::{LONGEST, OpenCode};
use crate::peer::{Peer, code};
use crate::roster::Roster;
use crate::tuning::{self, ALPN, ALPN_CODE, ALPN_JOIN, HANDSHAKES};

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
        let open_code = Arc::new(OpenCode::default());
        let server = tuning::server(
            identity,
            roster.clone(),
            invitations.clone(),
            open_code.clone(),
        )?;
        let socket = UdpSocket::bind(addr).map_err(at_addr)?;
        let runtime = quinn::default_runtime()
            .ok_or_else(|| at_addr(std::io::Error::other("no tokio runtime is running")))?;
        let endpoint = Endpoint::new(EndpointConfig::default(), Some(server), socket, runtime)
            .map_err(at_addr)?;
        let door = Arc::new(Door::new(identity.device(), roster, invitations, open_code));
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
        let roster = self.0.door.roster.clone();
        within_greeting(addr, async {
            self.call(addr, Some(expect), ALPN)
                .await?
                .greet(roster)
                .await
        })
        .await
    }

    /// As [`Link::connect`], at all of these addresses at once; the first to prove that it is the device is
    /// gone on with.
    ///
    /// # Errors
    ///
    /// [`ConnectError`], of the last address to fail; [`ConnectError::Unknown`] also without any.
    pub async fn connect_any(
        &self,
        addresses: &[SocketAddr],
        expect: DeviceKeyId,
    ) -> Result<Peer, ConnectError> {
        let unknown = ConnectError::Unknown { device: expect };
        if !self.0.door.roster.contains(expect) {
            return Err(unknown);
        }
        let call = self.call_any(addresses, Some(expect), ALPN).await;
        let call = call.map_err(|failed| failed.unwrap_or(unknown))?;
        within_greeting(call.addr(), call.greet(self.0.door.roster.clone())).await
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

    /// Whether an invitation is open.
    #[must_use]
    pub fn is_open(&self, invitation: &Invitation) -> bool {
        self.0.door.invitations.is_open(&invitation.secret)
    }

    /// How many invitations are open.
    #[must_use]
    pub fn open_invitations(&self) -> usize {
        self.0.door.invitations.count()
    }

    /// What was turned away.
    #[must_use]
    pub fn counts(&self) -> Counts {
        self.0.door.counts()
    }

    /// Calls the device that an invitation names, at all its addresses at once, proves the
    /// invitation, and has each on the other's roster from then on.
    ///
    /// # Errors
    ///
    /// [`ConnectError`]: [`ConnectError::NotAdmitted`] when the invitation has ended or isn't one
    /// that the device gave.
    pub async fn join(&self, invitation: &Invitation) -> Result<Peer, ConnectError> {
        let inviter = Some(invitation.inviter);
        let none = ConnectError::Unknown {
            device: invitation.inviter,
        };
        let call = self.call_any(&invitation.addresses, inviter, ALPN_JOIN);
        let call = call.await.map_err(|failed| failed.unwrap_or(none))?;
        let (addr, roster) = (call.addr(), self.0.door.roster.clone());
        within_greeting(addr, call.prove(self.device(), invitation, roster)).await
    }

    /// Opens a short code, drawn now, for one device to join by: until `lifetime` (at most two
    /// minutes, by the device's monotonic clock) is over, a device has come in by it, three
    /// wrong tries came, or [`Link::end_code`]. A code that was open before ends.
    ///
    /// # Errors
    ///
    /// [`InviteError::NoSecret`].
    pub fn open_code(
        &self,
        document: Option<[u8; 16]>,
        lifetime: Duration,
    ) -> Result<Code, InviteError> {
        let code = Code::draw().ok_or(InviteError::NoSecret)?;
        let lifetime = lifetime.min(LONGEST);
        let serial = self.0.door.open_code.begin(code, document, lifetime);
        let open_code = Arc::downgrade(&self.0.door.open_code);
        tokio::spawn(async move {
            tokio::time::sleep(lifetime).await;
            if let Some(open_code) = open_code.upgrade() {
                open_code.end(serial);
            }
        });
        Ok(code)
    }

    /// The code that is open, with the tries it has left.
    #[must_use]
    pub fn code(&self) -> Option<(Code, u8)> {
        let open = self.0.door.open_code.now();
        open.map(|open| (open.code, open.tries_left))
    }

    /// Ends the code that is open, if one is.
    pub fn end_code(&self) {
        if let Some(open) = self.0.door.open_code.now() {
            self.0.door.open_code.end(open.serial);
        }
    }

    /// Waits until this code is no longer open.
    pub async fn code_ended(&self, code: Code) {
        let mut changes = self.0.door.open_code.changes();
        // An error would mean that the link is gone, and with it the code.
        let _ = changes
            .wait_for(|open| open.is_none_or(|open| open.code != code))
            .await;
    }

    /// Calls the device that shows this code, at all its addresses at once, and has each on the
    /// other's roster from then on. With the connection comes the name of the document that the code
    /// is to, if it is to one.
    ///
    /// Calls once: each run of the exchange gives whoever answered in that device's place one
    /// guess of the digits, so it is for the person to type them again.
    ///
    /// # Errors
    ///
    /// [`EnterError`].
    pub async fn enter(
        &self,
        addresses: &[SocketAddr],
        code: &Code,
    ) -> Result<(Peer, Option<[u8; 16]>), EnterError> {
        let call = match self.call_any(addresses, None, ALPN_CODE).await {
            Ok(call) => call,
            Err(None) => return Err(EnterError::NoAddress),
            Err(Some(ConnectError::NotAdmitted { .. })) => return Err(EnterError::NoCode),
            Err(Some(error)) => return Err(EnterError::Call(error)),
        };
        let (addr, roster) = (call.addr(), self.0.door.roster.clone());
        within_greeting(addr, call.enter(self.device(), code, roster)).await
    }

    /// The first of several calls to be answered; or why the last failed, if there was any.
    async fn call_any(
        &self,
        addresses: &[SocketAddr],
        expect: Option<DeviceKeyId>,
        alpn: &'static [u8],
    ) -> Result<Call, Option<ConnectError>> {
        let mut calls = JoinSet::new();
        for addr in addresses.iter().copied().take(ADDRESSES) {
            let link = self.clone();
            calls.spawn(within_greeting(addr, async move {
                link.call(addr, expect, alpn).await
            }));
        }
        let mut failed = None;
        while let Some(call) = calls.join_next().await {
            match call {
                Ok(Ok(call)) => return Ok(call),
                Ok(Err(error)) => failed = Some(error),
                Err(_) => {} // Only cancelled tasks end so here, and none is.
            }
        }
        Err(failed)
    }

    /// Closes the socket and all connections, telling the other devices why; waits until they
    /// have been told.
    pub async fn close(&self, reason: &str) {
        self.0
            .endpoint
            .close(VarInt::from_u32(code::BYE), reason.as_bytes());
        self.0.endpoint.wait_idle().await;
    }

    async fn call(
        &self,
        addr: SocketAddr,
        expect: Option<DeviceKeyId>,
        alpn: &[u8],
    ) -> Result<Call, ConnectError> {
        Call::begin(&self.0.endpoint, &self.0.identity, addr, expect, alpn).await
    }
}
