//! The opening of a run: whose it is, in which document, and which run of the device came before it.

use gravelbar_ledger::{DocumentId, Session, Writer};
use sha2::{Digest, Sha256};

use crate::bytes::{Input, Malformed};
use crate::chain::Link;
use crate::device::DeviceId;

/// Names the bytes that follow as an opening with an Ed25519 key.
pub(crate) const ED25519: u8 = 1;
const LABEL: &[u8] = b"gravelbar chain 1";

/// Where a device left off in a document when it started a new run there.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Previous {
    /// The run.
    pub session: Session,
    /// Its last change, as far as the device knew.
    pub number: u64,
    /// The link at that change.
    pub link: [u8; 32],
}

/// What the chain of one run starts from.
///
/// It carries no signature of its own: every head is signed over the chain's first link, which is the hash of
/// the opening, so whoever has one good head has the opening with it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Opening {
    document: DocumentId,
    session: Session,
    key: [u8; 32],
    previous: Option<Previous>,
    device: DeviceId,
    origin: Link,
}

impl Opening {
    pub(crate) fn new(
        document: DocumentId,
        session: Session,
        key: [u8; 32],
        previous: Option<Previous>,
    ) -> Self {
        let mut opening = Self {
            document,
            session,
            key,
            previous,
            device: DeviceId::of_key(&key),
            origin: Link([0; 32]),
        };
        let mut hash = Sha256::new();
        hash.update(LABEL);
        hash.update(opening.to_bytes());
        opening.origin = Link(hash.finalize().into());
        opening
    }

    /// The document.
    #[must_use]
    pub fn document(&self) -> DocumentId {
        self.document
    }

    /// The device, by the hash of its key.
    #[must_use]
    pub fn device(&self) -> DeviceId {
        self.device
    }

    /// Who writes in this run: the device's tag and the run.
    #[must_use]
    pub fn writer(&self) -> Writer {
        Writer {
            device: self.device.tag(),
            session: self.session,
        }
    }

    /// Where the device left off before.
    #[must_use]
    pub fn previous(&self) -> Option<&Previous> {
        self.previous.as_ref()
    }

    /// The writer of the run before.
    #[must_use]
    pub fn previous_writer(&self) -> Option<Writer> {
        self.previous.map(|previous| Writer {
            device: self.device.tag(),
            session: previous.session,
        })
    }

    /// The device's public key (Ed25519).
    pub(crate) fn key(&self) -> &[u8; 32] {
        &self.key
    }

    /// The chain's first link.
    pub(crate) fn origin(&self) -> Link {
        self.origin
    }

    /// Its bytes, as stored and sent.
    #[must_use]
    pub fn to_bytes(&self) -> Vec<u8> {
        let mut bytes = Vec::with_capacity(106);
        bytes.push(ED25519);
        bytes.extend(self.document.0);
        bytes.extend(self.session.0);
        bytes.extend(self.key);
        match &self.previous {
            None => bytes.push(0),
            Some(previous) => {
                bytes.push(1);
                bytes.extend(previous.session.0);
                bytes.extend(previous.number.to_be_bytes());
                bytes.extend(previous.link);
            }
        }
        bytes
    }

    /// Reads the bytes of one opening off the front.
    pub(crate) fn read(input: &mut Input<'_>) -> Result<Self, Malformed> {
        if input.u8()? != ED25519 {
            return Err(Malformed);
        }
        let document = DocumentId(input.array()?);
        let session = Session(input.array()?);
        let key = input.array()?;
        let previous = match input.u8()? {
            0 => None,
            1 => Some(Previous {
                session: Session(input.array()?),
                number: input.u64()?,
                link: input.array()?,
            }),
            _ => return Err(Malformed),
        };
        // A run that nobody wrote in can't be gone on from, nor can one go on from itself.
        if previous.is_some_and(|p| p.number == 0 || p.session == session) {
            return Err(Malformed);
        }
        Ok(Self::new(document, session, key, previous))
    }
}
