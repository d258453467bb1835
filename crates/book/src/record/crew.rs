//! The crew: its people, what its devices are called, who uses them, where they were met, and the
//! secret by which they know each other from afar.

use std::fmt;
use std::str::FromStr;

use gravelbar_ledger::RecordId;
use gravelbar_visit::{NAME_MAX_CHARS, PersonName, Role};
use serde::{Deserialize, Serialize};

use super::{Check, FactError, WORDS_MAX_CHARS, person, replaces, text, text_if};
use crate::founding::{DeviceKey, hexadecimal};

/// The most addresses kept of one device.
pub const MAX_ADDRESSES: usize = 6;

/// Someone on the crew, and what they usually do. It gives no right: what a device may change is
/// the roster's, and who clears a stop is the visit's.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Person {
    /// Who.
    pub name: PersonName,
    /// Usual roles.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub roles: Vec<Role>,
    /// First aid, training, whom to call: in words.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub words: String,
    /// No longer on the crew.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub dropped: bool,
    /// Earlier records of this person that it takes the place of.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub replaces: Vec<RecordId>,
}

/// What the crew calls a device.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct DeviceNamed {
    /// Which.
    pub key: DeviceKey,
    /// Its name.
    pub name: String,
}

/// Who uses a device from now on.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct DeviceHeld {
    /// Which.
    pub key: DeviceKey,
    /// Who.
    pub person: PersonName,
}

/// Where a device was met last, so that others can call it too.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct DeviceMet {
    /// Which.
    pub key: DeviceKey,
    /// Where, newest first.
    pub addresses: Vec<std::net::SocketAddr>,
}

/// Thirty-two random bytes that the crew's devices share, from which they make the names under
/// which they look for each other.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct SecretBytes(pub [u8; 32]);

impl fmt::Display for SecretBytes {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.0.iter().try_for_each(|byte| write!(f, "{byte:02x}"))
    }
}

impl fmt::Debug for SecretBytes {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("(a crew's secret)")
    }
}

/// A text that is no secret.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error("a crew's secret is 64 hexadecimal digits in lower case")]
pub struct SecretError;

impl FromStr for SecretBytes {
    type Err = SecretError;

    fn from_str(text: &str) -> Result<Self, SecretError> {
        hexadecimal(text).map(Self).ok_or(SecretError)
    }
}

impl Serialize for SecretBytes {
    fn serialize<S: serde::Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_str(self)
    }
}

impl<'de> Deserialize<'de> for SecretBytes {
    fn deserialize<D: serde::Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        let text = std::borrow::Cow::<'de, str>::deserialize(deserializer)?;
        text.parse().map_err(serde::de::Error::custom)
    }
}

/// A new secret of the crew; the ones before it are recognised for a while.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Secret {
    /// The bytes.
    pub bytes: SecretBytes,
}

impl Check for Person {
    fn check(&self) -> Result<(), FactError> {
        person(&self.name)?;
        text_if(&self.words, "what is known of the person", WORDS_MAX_CHARS)?;
        replaces(&self.replaces)
    }
}

impl Check for DeviceNamed {
    fn check(&self) -> Result<(), FactError> {
        text(&self.name, "the device's name", NAME_MAX_CHARS)
    }
}

impl Check for DeviceHeld {
    fn check(&self) -> Result<(), FactError> {
        person(&self.person)
    }
}

impl Check for DeviceMet {
    fn check(&self) -> Result<(), FactError> {
        if self.addresses.len() <= MAX_ADDRESSES {
            Ok(())
        } else {
            Err(FactError::Incomplete(
                "at most six addresses of a device are kept",
            ))
        }
    }
}

impl Check for Secret {
    fn check(&self) -> Result<(), FactError> {
        Ok(())
    }
}
