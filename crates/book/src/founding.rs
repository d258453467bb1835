//! What a crew book is about: the crew's name, its founder's device and a random id.

use std::fmt;
use std::str::FromStr;

use gravelbar_ledger::{DeviceTag, DocumentId, Ledger};
use serde::{Deserialize, Serialize};

use crate::words::{TextError, line};

/// The version of the founding text that this program writes.
pub const BOOK_VERSION: u32 = 1;

/// The longest name of a crew, in characters.
pub const CREW_NAME_MAX_CHARS: usize = 60;

/// A device's whole name: the SHA-256 of its public key, written in hexadecimal.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct DeviceKey(pub [u8; 32]);

impl DeviceKey {
    /// The device's short name in record ids: the first eight bytes.
    #[must_use]
    pub fn tag(self) -> DeviceTag {
        let mut tag = [0; 8];
        tag.copy_from_slice(&self.0[..8]);
        DeviceTag(tag)
    }
}

impl fmt::Display for DeviceKey {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.0.iter().try_for_each(|byte| write!(f, "{byte:02x}"))
    }
}

impl fmt::Debug for DeviceKey {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        fmt::Display::fmt(self, f)
    }
}

/// A text that is no device's key.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error("a device's key is 64 hexadecimal digits in lower case")]
pub struct DeviceKeyError;

impl FromStr for DeviceKey {
    type Err = DeviceKeyError;

    fn from_str(text: &str) -> Result<Self, DeviceKeyError> {
        hexadecimal(text).map(Self).ok_or(DeviceKeyError)
    }
}

impl Serialize for DeviceKey {
    fn serialize<S: serde::Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_str(self)
    }
}

impl<'de> Deserialize<'de> for DeviceKey {
    fn deserialize<D: serde::Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        let text = std::borrow::Cow::<'de, str>::deserialize(deserializer)?;
        text.parse().map_err(serde::de::Error::custom)
    }
}

/// Bytes out of lower-case hexadecimal, which has one spelling for each.
pub(crate) fn hexadecimal<const N: usize>(text: &str) -> Option<[u8; N]> {
    let digit = |byte: u8| match byte {
        b'0'..=b'9' => Some(byte - b'0'),
        b'a'..=b'f' => Some(byte - b'a' + 10),
        _ => None,
    };
    let mut out = [0; N];
    if text.len() != 2 * N {
        return None;
    }
    for (byte, two) in out.iter_mut().zip(text.as_bytes().chunks_exact(2)) {
        *byte = digit(two[0])? << 4 | digit(two[1])?;
    }
    Some(out)
}

/// How a crew book begins. Its JSON text is the document's subject, so the book's name follows
/// from it, and with the name the key of the first device that may change the roster.
///
/// ```
/// use gravelbar_book::{DeviceKey, Founding};
///
/// let founding = Founding::new("Quillet crew", DeviceKey([7; 32]), [9; 16])?;
/// let read = Founding::from_about(&founding.about())?;
/// assert_eq!(read.document_id(), founding.document_id());
/// # Ok::<(), Box<dyn std::error::Error>>(())
/// ```
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Founding {
    /// [`BOOK_VERSION`] of the founder's program. A visit's plan has no such field: by it the two
    /// kinds of document are told apart.
    pub book: u32,
    /// What the crew calls itself.
    pub crew: String,
    /// The device that starts the roster, as its lead.
    pub founder: DeviceKey,
    /// Sixteen random bytes in hexadecimal: two crews of one name keep two books.
    pub nonce: String,
}

/// A text that no crew book can begin with.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum FoundingError {
    /// The text isn't the beginning of a crew book.
    #[error("this is not a crew book: {0}")]
    NotABook(String),
    /// A later program wrote it.
    #[error(
        "the crew book was started with a newer program (book version {0}, this one reads {BOOK_VERSION}): update this device"
    )]
    Newer(u32),
    /// The crew's name can't be kept.
    #[error("the crew's name can't be used: {0}")]
    Name(#[from] TextError),
    /// The random id isn't one.
    #[error("the crew book's random id is not 32 hexadecimal digits in lower case")]
    Nonce,
}

impl Founding {
    /// A new crew's book; `random` are sixteen random bytes.
    ///
    /// # Errors
    ///
    /// [`FoundingError::Name`] when the name is blank, too long or not one plain line.
    pub fn new(crew: &str, founder: DeviceKey, random: [u8; 16]) -> Result<Self, FoundingError> {
        let founding = Self {
            book: BOOK_VERSION,
            crew: crew.split_whitespace().collect::<Vec<_>>().join(" "),
            founder,
            nonce: random.iter().map(|byte| format!("{byte:02x}")).collect(),
        };
        founding.check()?;
        Ok(founding)
    }

    /// The text the document is made from: compact JSON in field order.
    #[must_use]
    pub fn about(&self) -> String {
        serde_json::to_string(self).unwrap_or_default()
    }

    /// Whether a document's subject calls itself a crew book, readable or not.
    #[must_use]
    pub fn is_about(about: &str) -> bool {
        #[derive(Deserialize)]
        struct Named {
            #[serde(rename = "book")]
            _book: serde::de::IgnoredAny,
        }
        serde_json::from_str::<Named>(about).is_ok()
    }

    /// Reads the text back.
    ///
    /// # Errors
    ///
    /// [`FoundingError`] when it begins no crew book, a newer one, or one with an unusable name.
    pub fn from_about(about: &str) -> Result<Self, FoundingError> {
        #[derive(Deserialize)]
        struct Versioned {
            book: u32,
        }
        let not_a_book = |e: serde_json::Error| FoundingError::NotABook(e.to_string());
        let versioned: Versioned = serde_json::from_str(about).map_err(not_a_book)?;
        if versioned.book > BOOK_VERSION {
            return Err(FoundingError::Newer(versioned.book));
        }
        let founding: Self = serde_json::from_str(about).map_err(not_a_book)?;
        founding.check()?;
        Ok(founding)
    }

    /// The book's name.
    #[must_use]
    pub fn document_id(&self) -> DocumentId {
        Ledger::document_id(&self.about())
    }

    fn check(&self) -> Result<(), FoundingError> {
        line(&self.crew, CREW_NAME_MAX_CHARS)?;
        hexadecimal::<16>(&self.nonce)
            .map(|_| ())
            .ok_or(FoundingError::Nonce)
    }
}
