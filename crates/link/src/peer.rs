//! One connection to one known device.

use std::net::SocketAddr;
use std::sync::Arc;

use quinn::{Connection, ConnectionError, RecvStream, SendStream, VarInt};
use tokio::sync::OwnedSemaphorePermit;

use crate::framing::{FrameReceiver, FrameSender, ReceiveError, SendError};
use crate::identity::DeviceKeyId;
use crate::roster::Roster;

/// Close codes, as `WIRE.md` lists them.
pub(crate) mod code {
    pub(crate) const BYE: u32 = 0;
    pub(crate) const NOT_ADMITTED: u32 = 1;
    pub(crate) const WRONG_PROOF: u32 = 2;
    pub(crate) const BROKEN: u32 = 3;
    pub(crate) const NO_CODE: u32 = 4;
}

/// Why a connection is gone.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum Closed {
    /// This side closed it.
    #[error("the connection was closed here")]
    Here,
    /// The other device closed it.
    #[error("the other device closed the connection: {reason}")]
    There {
        /// What it said.
        reason: String,
    },
    /// The other device doesn't, or no longer, know this one.
    #[error("the other device doesn't admit this one: it must be invited (again)")]
    NotAdmitted,
    /// Nothing was heard for ten seconds.
    #[error("the other device is out of reach")]
    OutOfReach,
    /// Something else went wrong between the two.
    #[error("the connection broke: {reason}")]
    Broken {
        /// What.
        reason: String,
    },
}

impl From<ConnectionError> for Closed {
    fn from(error: ConnectionError) -> Self {
        match error {
            ConnectionError::LocallyClosed => Self::Here,
            ConnectionError::ApplicationClosed(close)
                if close.error_code == VarInt::from_u32(code::NOT_ADMITTED) =>
            {
                Self::NotAdmitted
            }
            ConnectionError::ApplicationClosed(close) => Self::There {
                reason: String::from_utf8_lossy(&close.reason).into_owned(),
            },
            ConnectionError::TimedOut | ConnectionError::Reset => Self::OutOfReach,
            other => Self::Broken {
                reason: other.to_string(),
            },
        }
    }
}

/// How a device came in by an invitation or a code of ours.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Joined {
    /// The device, which is on the roster from now on.
    pub device: DeviceKeyId,
    /// The document it was invited to, if the invitation or code named one.
    pub document: Option<[u8; 16]>,
}

/// A connection as a whole: whose it is, and its end. Copies are the same connection; it is closed
/// when the last of them, and of its sender and receiver, is dropped.
#[derive(Debug, Clone)]
pub struct Line(Arc<Inner>);

#[derive(Debug)]
struct Inner {
    connection: Connection,
    device: DeviceKeyId,
    /// One of the places for connections that others made.
    _place: Option<OwnedSemaphorePermit>,
}

impl Drop for Inner {
    fn drop(&mut self) {
        self.connection.close(VarInt::from_u32(code::BYE), b"bye");
    }
}

impl Line {
    fn new(
        connection: Connection,
        device: DeviceKeyId,
        roster: Roster,
        place: Option<OwnedSemaphorePermit>,
    ) -> Self {
        let watched = connection.clone();
        tokio::spawn(async move {
            tokio::select! {
                _ = watched.closed() => {}
                () = roster.removed(device) => {
                    watched.close(VarInt::from_u32(code::NOT_ADMITTED), b"not admitted");
                }
            }
        });
        Self(Arc::new(Inner {
            connection,
            device,
            _place: place,
        }))
    }

    /// The device at the other end. It has proved that it holds this key.
    #[must_use]
    pub fn device(&self) -> DeviceKeyId {
        self.0.device
    }

    /// Where it is now. It may change while the connection lasts.
    #[must_use]
    pub fn remote_addr(&self) -> SocketAddr {
        self.0.connection.remote_address()
    }

    /// Closes the connection at once, with a reason for the other side's people to read. What was
    /// sent and hasn't arrived may be lost: see [`FrameSender::finish`].
    pub fn close(&self, reason: &str) {
        self.0
            .connection
            .close(VarInt::from_u32(code::BYE), reason.as_bytes());
    }

    /// Waits until the connection is gone.
    pub async fn closed(&self) -> Closed {
        self.0.connection.closed().await.into()
    }

    pub(crate) fn refuse(&self, reason: &str) {
        self.0
            .connection
            .close(VarInt::from_u32(code::BROKEN), reason.as_bytes());
    }

    pub(crate) fn connection(&self) -> &Connection {
        &self.0.connection
    }

    /// Why reading or writing failed.
    pub(crate) fn why_gone(&self) -> Closed {
        self.0.connection.close_reason().map_or_else(
            || Closed::Broken {
                reason: "the other device stopped listening".to_owned(),
            },
            Closed::from,
        )
    }
}

/// A connection to a known device, both of whom have heard from each other.
#[derive(Debug)]
pub struct Peer {
    line: Line,
    sender: FrameSender,
    receiver: FrameReceiver,
    joined: Option<Joined>,
}

impl Peer {
    pub(crate) fn new(
        connection: Connection,
        streams: (SendStream, RecvStream),
        device: DeviceKeyId,
        roster: Roster,
        place: Option<OwnedSemaphorePermit>,
        joined: Option<Joined>,
    ) -> Self {
        let line = Line::new(connection, device, roster, place);
        Self {
            sender: FrameSender::new(streams.0, line.clone()),
            receiver: FrameReceiver::new(streams.1, line.clone()),
            line,
            joined,
        }
    }

    /// The device at the other end. It has proved that it holds this key.
    #[must_use]
    pub fn device(&self) -> DeviceKeyId {
        self.line.device()
    }

    /// Where it is now.
    #[must_use]
    pub fn remote_addr(&self) -> SocketAddr {
        self.line.remote_addr()
    }

    /// Set when the device came in just now by an invitation or code of ours. It is on the roster; the
    /// owner keeps it there over a restart.
    #[must_use]
    pub fn joined(&self) -> Option<Joined> {
        self.joined
    }

    /// Takes the connection apart, so that one task sends while another receives.
    #[must_use]
    pub fn split(self) -> (Line, FrameSender, FrameReceiver) {
        (self.line, self.sender, self.receiver)
    }

    /// As [`FrameSender::send`].
    ///
    /// # Errors
    ///
    /// [`SendError`].
    pub async fn send(&mut self, frame: &[u8]) -> Result<(), SendError> {
        self.sender.send(frame).await
    }

    /// As [`FrameReceiver::receive`].
    ///
    /// # Errors
    ///
    /// [`ReceiveError`].
    pub async fn receive(&mut self) -> Result<Option<Vec<u8>>, ReceiveError> {
        self.receiver.receive().await
    }

    /// As [`Line::close`].
    pub fn close(&self, reason: &str) {
        self.line.close(reason);
    }

    /// As [`Line::closed`].
    pub async fn closed(&self) -> Closed {
        self.line.closed().await
    }
}
