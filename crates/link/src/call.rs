//! The calling side of a connection, up to the other end's first word.

use std::net::SocketAddr;
use std::sync::{Arc, OnceLock};

use quinn::{
    Connection, ConnectionError, Endpoint, RecvStream, SendStream, TransportErrorCode, VarInt,
};
use tokio::time::timeout;

use crate::code::Code;
use crate::door::LET_IN;
use crate::identity::{DeviceKeyId, Identity};
use crate::invitation::Invitation;
use crate::joining::{EXPORTER, EXPORTER_CODE, End, Meeting, PROOF_BYTES};
use crate::pake::{CONFIRMATION_BYTES, MESSAGE_BYTES, Run, write_document};
use crate::peer::{Peer, code};
use crate::roster::Roster;
use crate::tuning::{self, GREETING};

/// TLS alert "no application protocol" (RFC 8446 section 6).
const NO_APPLICATION_PROTOCOL: u8 = 120;
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

/// Why a typed code let nobody in.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum EnterError {
    /// The other device showed another code.
    #[error(
        "the code is wrong: compare it with the other device's screen; three wrong tries end it"
    )]
    WrongCode,
    /// The other device shows none, or no longer.
    #[error("the other device has no code open now: have it show a new one")]
    NoCode,
    /// What answered could not prove that it shows this code.
    #[error(
        "what answered at {addr} could not prove that it shows this code: compare the address or \
         label with the other device's screen, and have it show a new code"
    )]
    NotTheCodesDevice {
        /// Where it was called.
        addr: SocketAddr,
    },
    /// No address was given.
    #[error("there is no address to call: type the one that the other device shows")]
    NoAddress,
    /// The device was not reached.
    #[error(transparent)]
    Call(#[from] ConnectError),
}

/// A connection that we began and whose other end has proved its key.
#[derive(Debug)]
pub(crate) struct Call {
    connection: Connection,
    addr: SocketAddr,
    device: DeviceKeyId,
    found: Arc<OnceLock<DeviceKeyId>>,
}

impl Call {
    /// Calls, and returns once the device called has proved to be the one expected, or, where none
    /// is, whichever it is.
    pub(crate) async fn begin(
        endpoint: &Endpoint,
        identity: &Identity,
        addr: SocketAddr,
        expect: Option<DeviceKeyId>,
        alpn: &[u8],
    ) -> Result<Self, ConnectError> {
        let broken = |reason: String| ConnectError::Broken { addr, reason };
        let (config, found) =
            tuning::client(identity, expect, alpn).map_err(|error| broken(error.to_string()))?;
        let connecting = endpoint
            .connect_with(config, addr, "gravelbar")
            .map_err(|error| broken(error.to_string()))?;
        let connection = connecting
            .await
            .map_err(|error| why_not(addr, expect, &found, error))?;
        let device = expect.or_else(|| found.get().copied());
        let device = device.ok_or_else(|| broken("no key was shown".to_owned()))?;
        Ok(Self {
            connection,
            addr,
            device,
            found,
        })
    }

    pub(crate) fn addr(&self) -> SocketAddr {
        self.addr
    }

    /// Goes on as one who is known. The handshake can succeed here before the other end has looked
    /// at our key; its first byte says that it has let us in.
    pub(crate) async fn greet(self, roster: Roster) -> Result<Peer, ConnectError> {
        let (mut sender, mut receiver) = self.stream().await?;
        sender.write_all(&[LET_IN]).await.map_err(|_| self.gone())?;
        let mut answer = [0];
        let read = receiver.read_exact(&mut answer).await;
        read.map_err(|_| self.gone())?;
        if answer != [LET_IN] {
            return Err(ConnectError::OtherVersion { addr: self.addr });
        }
        Ok(self.peer((sender, receiver), roster))
    }

    /// Goes on as one who is invited; puts the inviter on the roster.
    pub(crate) async fn prove(
        self,
        me: DeviceKeyId,
        invitation: &Invitation,
        roster: Roster,
    ) -> Result<Peer, ConnectError> {
        let (secret, document) = (&invitation.secret, invitation.document);
        let meeting =
            Meeting::on(&self.connection, EXPORTER, me, self.device).ok_or_else(|| self.gone())?;
        let (mut sender, mut receiver) = self.stream().await?;
        let proof = meeting.prove(End::Joiner, secret, document);
        sender.write_all(&proof).await.map_err(|_| self.gone())?;
        let mut answer = [0; PROOF_BYTES];
        let read = receiver.read_exact(&mut answer).await;
        read.map_err(|_| self.gone())?;
        if !meeting.check(End::Inviter, secret, document, &answer) {
            return Err(ConnectError::Unproven { addr: self.addr });
        }
        roster.add(self.device);
        Ok(self.peer((sender, receiver), roster))
    }

    /// Goes on as one on whose screen a code was typed: proves it, wants it proved, and puts the
    /// inviter on the roster. With it comes the document's name.
    pub(crate) async fn enter(
        self,
        me: DeviceKeyId,
        code: &Code,
        roster: Roster,
    ) -> Result<(Peer, Option<[u8; 16]>), EnterError> {
        let meeting = Meeting::on(&self.connection, EXPORTER_CODE, me, self.device)
            .ok_or_else(|| self.code_gone())?;
        let run = Run::begin(End::Joiner, code, &meeting).ok_or_else(|| self.unproven())?;
        let (mut sender, mut receiver) = self.stream().await?;
        let sent = sender.write_all(&run.message()).await;
        sent.map_err(|_| self.code_gone())?;
        let theirs: [u8; MESSAGE_BYTES] = self.read(&mut receiver).await?;
        let key = run.key(&theirs).ok_or_else(|| self.unproven())?;
        let proof = key.confirm(End::Joiner, &meeting, b"");
        let sent = sender.write_all(&proof).await;
        sent.map_err(|_| self.code_gone())?;
        let proof: [u8; CONFIRMATION_BYTES] = self.read(&mut receiver).await?;
        let document = match self.read(&mut receiver).await? {
            [0] => None,
            [1] => Some(self.read(&mut receiver).await?),
            [_] => return Err(self.unproven()),
        };
        if !key.check(End::Inviter, &meeting, &write_document(document), &proof) {
            return Err(self.unproven());
        }
        roster.add(self.device);
        Ok((self.peer((sender, receiver), roster), document))
    }

    async fn read<const N: usize>(&self, from: &mut RecvStream) -> Result<[u8; N], EnterError> {
        let mut bytes = [0; N];
        match from.read_exact(&mut bytes).await {
            Ok(()) => Ok(bytes),
            Err(_) => Err(self.code_gone()),
        }
    }

    fn unproven(&self) -> EnterError {
        EnterError::NotTheCodesDevice { addr: self.addr }
    }

    fn code_gone(&self) -> EnterError {
        match self.connection.close_reason() {
            Some(ConnectionError::ApplicationClosed(close))
                if close.error_code == VarInt::from_u32(code::WRONG_PROOF) =>
            {
                EnterError::WrongCode
            }
            Some(ConnectionError::ApplicationClosed(close))
                if close.error_code == VarInt::from_u32(code::NO_CODE) =>
            {
                EnterError::NoCode
            }
            _ => match self.gone() {
                // The handshake turns strangers away while nothing is open.
                ConnectError::NotAdmitted { .. } => EnterError::NoCode,
                other => EnterError::Call(other),
            },
        }
    }

    fn peer(self, streams: (SendStream, RecvStream), roster: Roster) -> Peer {
        Peer::new(self.connection, streams, self.device, roster, None, None)
    }

    async fn stream(&self) -> Result<(SendStream, RecvStream), ConnectError> {
        self.connection.open_bi().await.map_err(|_| self.gone())
    }

    fn gone(&self) -> ConnectError {
        let error = self.connection.close_reason();
        let error = error.unwrap_or(ConnectionError::Reset);
        why_not(self.addr, Some(self.device), &self.found, error)
    }
}

pub(crate) async fn within_greeting<T, E: From<ConnectError>>(
    addr: SocketAddr,
    greeting: impl Future<Output = Result<T, E>>,
) -> Result<T, E> {
    timeout(GREETING, greeting)
        .await
        .unwrap_or_else(|_| Err(ConnectError::NoAnswer { addr }.into()))
}

/// What a failed call means.
fn why_not(
    addr: SocketAddr,
    expect: Option<DeviceKeyId>,
    found: &OnceLock<DeviceKeyId>,
    error: ConnectionError,
) -> ConnectError {
    let is_tls = |code: TransportErrorCode| (0x100..0x200).contains(&u64::from(code));
    match error {
        ConnectionError::TransportError(error) if is_tls(error.code) => {
            match found
                .get()
                .filter(|found| expect.is_some_and(|expect| **found != expect))
            {
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
