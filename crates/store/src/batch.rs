//! The records a device keeps, and the batch that saves several of them in one sync.

/// What one [`crate::Store::commit`] writes: all of it or none of it.
///
/// An empty batch is harmless. Within a batch the parts are written in the order of the fields here.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Batch {
    /// The device's private key (PKCS #8 bytes), when the device is set up; it takes the place of any before it.
    pub identity: Option<Vec<u8>>,
    /// Documents to list; one already listed under the same id is replaced.
    pub documents: Vec<Document>,
    /// Changes to append to the logs of their documents.
    pub changes: Vec<Change>,
    /// Where runs of writers start from; one already kept under the same document and writer is replaced.
    pub openings: Vec<Opening>,
    /// Signatures over runs of changes; one already kept under the same document, writer and slot is replaced.
    pub heads: Vec<Head>,
    /// Answers given to taps, as `(tap id, answer)`. The first answer to a tap stands for good.
    pub answers: Vec<(String, String)>,
    /// Devices of the crew; one already known under the same key is replaced.
    pub peers: Vec<Peer>,
    /// When devices were last heard.
    pub heard: Vec<Heard>,
    /// Clock offsets measured at meetings; every one is kept.
    pub offsets: Vec<Offset>,
    /// Bytes that were refused, kept for a person to look at. Bounded: see [`crate::Quarantine`].
    pub quarantine: Vec<Refused>,
    /// Small settings of the app, as `(name, value)`; one of the same name is replaced.
    pub settings: Vec<(String, String)>,
}

impl Batch {
    /// Whether there is nothing to write.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        *self == Self::default()
    }
}

/// A document the device holds: a visit or a crew book. The store does not know which.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Document {
    /// The document's id.
    pub id: [u8; 16],
    /// A line of the app's own about the document; empty if the row that held it is damaged or was never written.
    pub about: String,
    /// When the device first listed it, milliseconds since 1970 by the device's clock.
    pub added_ms: i64,
}

/// One change of a document, as signed and sent.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Change {
    /// The document it belongs to.
    pub document: [u8; 16],
    /// The writer that made it (one writer per start of a device).
    pub writer: [u8; 16],
    /// The writer's running number of the change within the document.
    pub number: u64,
    /// The bytes, kept as they are.
    pub bytes: Vec<u8>,
    /// Key id of the device it was heard from; `None` if it was made here.
    pub heard_from: Option<[u8; 32]>,
    /// When it arrived here, milliseconds since 1970 by the device's clock.
    pub at_ms: i64,
}

/// What a writer's run of changes starts from, as the app has it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Opening {
    /// The document.
    pub document: [u8; 16],
    /// The writer.
    pub writer: [u8; 16],
    /// The bytes, kept as they are.
    pub bytes: Vec<u8>,
}

/// A signature over a writer's changes, as the app has it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Head {
    /// The document.
    pub document: [u8; 16],
    /// The writer.
    pub writer: [u8; 16],
    /// Which of the run's signatures it is; the app numbers them.
    pub slot: u64,
    /// The bytes, kept as they are.
    pub bytes: Vec<u8>,
}

/// A device of the crew, as this device knows it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Peer {
    /// Hash of its public key.
    pub key_id: [u8; 32],
    /// The name people use for it.
    pub name: String,
    /// Addresses where it was met, newest first or as the app likes; none may contain a line break.
    pub addresses: Vec<String>,
    /// When it was last heard, milliseconds since 1970 by this device's clock. Written through [`Heard`]
    /// or, if `Some`, with the peer; `None` leaves what is known.
    pub last_heard_ms: Option<i64>,
}

/// A device was heard.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Heard {
    /// Whose key.
    pub peer: [u8; 32],
    /// When, milliseconds since 1970 by this device's clock.
    pub at_ms: i64,
}

/// One measurement of another device's clock against ours.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Offset {
    /// The other device's key id.
    pub peer: [u8; 32],
    /// When it was measured, milliseconds since 1970 by this device's clock.
    pub at_ms: i64,
    /// Their clock minus ours, milliseconds.
    pub offset_ms: i64,
    /// Half width of what the offset may be wrong by, milliseconds.
    pub uncertainty_ms: i64,
}

/// Bytes that were not let into a document, and why.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Refused {
    /// The document they claimed to belong to.
    pub document: [u8; 16],
    /// The device that sent them; `None` if they came in a file.
    pub peer: Option<[u8; 32]>,
    /// The bytes as they came.
    pub bytes: Vec<u8>,
    /// Why they were refused, in words for a person.
    pub reason: String,
    /// When, milliseconds since 1970 by this device's clock.
    pub at_ms: i64,
}
