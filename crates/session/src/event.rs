//! What a session tells its owner, and what ends a conversation.

use gravelbar_ledger::{DocumentId, Vector};

use crate::limits::FRAME_BYTES;
use crate::shelf::Urgent;
use crate::wire::{NEWEST_VERSION, OLDEST_VERSION, Unreadable};

/// Who speaks, for people to read. It proves nothing: the connection's key does.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Introduction {
    /// What the device is called.
    pub name: String,
    /// The program and its version.
    pub program: String,
}

/// What a frame amounts to.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Event {
    /// The peer introduced itself. First event of every conversation.
    Greeted {
        /// What the peer calls its device.
        name: String,
        /// Its program and version.
        program: String,
    },
    /// The peer has a document that isn't on the shelf. To take it, put it there (empty) and call
    /// [`crate::Session::handle_changed`]. To leave it, do nothing.
    Offered {
        /// Its name.
        document: DocumentId,
        /// What the peer says it is about.
        about: String,
        /// How much of it the peer holds.
        vector: Vector,
    },
    /// What the peer says to how a document stands. Comes right after the document's
    /// [`Event::Offered`] or first [`Event::PeerHas`], where the peer says anything.
    Standing {
        /// The document.
        document: DocumentId,
        /// The peer's [`crate::Offer::standing`].
        bytes: Vec<u8>,
    },
    /// An urgent message of a document on the shelf, ahead of the change that says it. What it is
    /// worth is for the owner to find out; nothing hangs on it here.
    Urgent {
        /// The document.
        document: DocumentId,
        /// The message.
        urgent: Urgent,
    },
    /// Changes came. The owner checks and stores them, then calls [`crate::Session::handle_stored`]; where
    /// it won't have some, also [`crate::Session::handle_refused`].
    Arrived {
        /// The document they belong to, which is on the shelf.
        document: DocumentId,
        /// The peer's number for the batch.
        batch: u64,
        /// The changes, each after all that it builds on.
        changes: Vec<Vec<u8>>,
        /// What the peer sent with them to show whose they are.
        proof: Vec<u8>,
    },
    /// What the peer has stored, all together as far as it has told. What it sends it has.
    PeerHas {
        /// The document.
        document: DocumentId,
        /// How many changes of every writer.
        vector: Vector,
    },
    /// The peer's clock was measured, better than before.
    Clock {
        /// The peer's clock minus ours: subtract it from a time the peer wrote to read it by ours.
        offset_ms: i64,
        /// The true offset is no further away than this.
        uncertainty_ms: i64,
    },
    /// The peer won't have some of what was sent. It isn't sent again on this connection.
    Refused {
        /// The document.
        document: DocumentId,
        /// The refused batch reached to these numbers.
        reach: Vector,
        /// The peer's reason.
        why: String,
    },
}

/// Why the conversation can't go on. The connection is to be closed; the next one starts afresh.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum ProtocolError {
    /// No version is spoken by both.
    #[error(
        "the other device speaks versions {theirs_oldest} to {theirs_newest} of the conversation, this one \
         {OLDEST_VERSION} to {NEWEST_VERSION}: bring the older program up to date"
    )]
    Version {
        /// The newest version the peer speaks.
        theirs_newest: u16,
        /// The oldest version the peer speaks.
        theirs_oldest: u16,
    },
    /// A frame of this kind must be understood and isn't known.
    #[error("the other device sent a message of kind {kind}, which this program doesn't know")]
    UnknownKind {
        /// The kind byte.
        kind: u8,
    },
    /// A frame is longer than any may be.
    #[error("the other device sent a message of {bytes} bytes; {FRAME_BYTES} is the most")]
    FrameTooLong {
        /// Its length.
        bytes: usize,
    },
    /// A frame doesn't have the form its kind has.
    #[error("the other device sent a message that can't be read")]
    Malformed,
    /// Something came at a point where it can't.
    #[error("the other device broke the order of the conversation: {what}")]
    OutOfTurn {
        /// What it did.
        what: &'static str,
    },
    /// The peer asks for more memory than one peer gets.
    #[error("the other device went over a limit: more than {most} {what}")]
    OverLimit {
        /// Of what.
        what: &'static str,
        /// How many are allowed.
        most: usize,
    },
}

impl ProtocolError {
    /// What it means that a frame of so many bytes can't be read.
    pub(crate) fn unreadable(why: Unreadable, bytes: usize) -> Self {
        match why {
            Unreadable::TooLong => Self::FrameTooLong { bytes },
            Unreadable::Malformed => Self::Malformed,
            Unreadable::UnknownKind(kind) => Self::UnknownKind { kind },
        }
    }
}
