//! Names of devices, writers, records and documents, and their written forms.

use std::fmt;
use std::str::FromStr;

use serde::{Deserialize, Deserializer, Serialize, Serializer};

/// Digits of the written form: base 32 without the letters that look like digits (i, l, o) or
/// make words (u).
const DIGITS: &[u8; 32] = b"0123456789abcdefghjkmnpqrstvwxyz";

fn write_base32(bytes: &[u8], f: &mut fmt::Formatter<'_>) -> fmt::Result {
    let mut pending: u32 = 0;
    let mut bits = 0;
    for byte in bytes {
        pending = (pending << 8) | u32::from(*byte);
        bits += 8;
        while bits >= 5 {
            bits -= 5;
            write_digit(pending >> bits, f)?;
        }
        pending &= (1 << bits) - 1;
    }
    if bits > 0 {
        write_digit(pending << (5 - bits), f)?;
    }
    Ok(())
}

fn write_digit(value: u32, f: &mut fmt::Formatter<'_>) -> fmt::Result {
    fmt::Write::write_char(f, char::from(DIGITS[(value & 31) as usize]))
}

fn read_base32<const N: usize>(text: &str) -> Result<[u8; N], IdError> {
    let mut out = [0; N];
    let mut filled = 0;
    let mut pending: u32 = 0;
    let mut bits = 0;
    if text.len() != (N * 8).div_ceil(5) {
        return Err(IdError);
    }
    for byte in text.bytes() {
        let digit = DIGITS.iter().position(|d| *d == byte).ok_or(IdError)?;
        pending = (pending << 5) | u32::try_from(digit).map_err(|_| IdError)?;
        bits += 5;
        if bits >= 8 {
            bits -= 8;
            let whole = (pending >> bits) & 0xff;
            *out.get_mut(filled).ok_or(IdError)? = u8::try_from(whole).map_err(|_| IdError)?;
            filled += 1;
            pending &= (1 << bits) - 1;
        }
    }
    // What is left over pads the last digit and has one spelling only.
    if filled == N && pending == 0 {
        Ok(out)
    } else {
        Err(IdError)
    }
}

/// The text is not the written form of an id.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error("this is not an id as the program writes them")]
pub struct IdError;

macro_rules! written_id {
    ($(#[$doc:meta])* $name:ident, $bytes:literal) => {
        $(#[$doc])*
        #[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
        pub struct $name(pub [u8; $bytes]);

        impl fmt::Display for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                write_base32(&self.0, f)
            }
        }

        impl fmt::Debug for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                write_base32(&self.0, f)
            }
        }

        impl FromStr for $name {
            type Err = IdError;

            fn from_str(text: &str) -> Result<Self, IdError> {
                read_base32(text).map(Self)
            }
        }
    };
}

written_id! {
    /// The short name of a device: the first eight bytes of the SHA-256 of its public key.
    DeviceTag, 8
}

written_id! {
    /// One run of the program on one device, drawn at random at every start, so that a device
    /// restored from an old copy can never number two different changes alike.
    Session, 8
}

written_id! {
    /// The name of a document, derived from what it is about.
    DocumentId, 16
}

written_id! {
    /// The SHA-256 that names a change and, through the changes it builds on, its whole history.
    ChangeHash, 32
}

/// Whoever numbers changes: one device during one run of its program. Its sixteen bytes are the
/// document library's actor id.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Writer {
    /// The device.
    pub device: DeviceTag,
    /// The run of the program on it.
    pub session: Session,
}

impl Writer {
    /// The sixteen bytes: device, then session.
    #[must_use]
    pub fn to_bytes(self) -> [u8; 16] {
        let mut bytes = [0; 16];
        bytes[..8].copy_from_slice(&self.device.0);
        bytes[8..].copy_from_slice(&self.session.0);
        bytes
    }

    /// Reads the sixteen bytes back.
    #[must_use]
    pub fn from_bytes(bytes: [u8; 16]) -> Self {
        let (mut device, mut session) = ([0; 8], [0; 8]);
        device.copy_from_slice(&bytes[..8]);
        session.copy_from_slice(&bytes[8..]);
        Self {
            device: DeviceTag(device),
            session: Session(session),
        }
    }
}

impl fmt::Display for Writer {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}.{}", self.device, self.session)
    }
}

impl fmt::Debug for Writer {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        fmt::Display::fmt(self, f)
    }
}

impl FromStr for Writer {
    type Err = IdError;

    fn from_str(text: &str) -> Result<Self, IdError> {
        let (device, session) = text.split_once('.').ok_or(IdError)?;
        Ok(Self {
            device: device.parse()?,
            session: session.parse()?,
        })
    }
}

/// The name of one record: who wrote it, and which of theirs it is, counted from one.
///
/// ```
/// use gravelbar_ledger::RecordId;
///
/// let text = "0g40r40m30e20.41061050r3gg2.17";
/// let id: RecordId = text.parse()?;
/// assert_eq!(id.n, 17);
/// assert_eq!(id.to_string(), text);
/// # Ok::<(), gravelbar_ledger::IdError>(())
/// ```
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct RecordId {
    /// Who wrote it.
    pub writer: Writer,
    /// Its number among the writer's records, from one.
    pub n: u32,
}

impl fmt::Display for RecordId {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}.{}", self.writer, self.n)
    }
}

impl fmt::Debug for RecordId {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        fmt::Display::fmt(self, f)
    }
}

impl FromStr for RecordId {
    type Err = IdError;

    fn from_str(text: &str) -> Result<Self, IdError> {
        let (writer, n) = text.rsplit_once('.').ok_or(IdError)?;
        let number: u32 = n.parse().map_err(|_| IdError)?;
        // One spelling per number: no sign, no leading zero.
        if number == 0 || number.to_string() != n {
            return Err(IdError);
        }
        Ok(Self {
            writer: writer.parse()?,
            n: number,
        })
    }
}

/// Ids travel in text formats as their written form.
macro_rules! written_serde {
    ($($name:ty),*) => {$(
        impl Serialize for $name {
            fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
                serializer.collect_str(self)
            }
        }

        impl<'de> Deserialize<'de> for $name {
            fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
                let text = std::borrow::Cow::<'de, str>::deserialize(deserializer)?;
                text.parse().map_err(serde::de::Error::custom)
            }
        }
    )*};
}

written_serde!(DeviceTag, DocumentId, ChangeHash, Writer, RecordId);
