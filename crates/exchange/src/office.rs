//! An office's key: the public half seals files, the secret half opens them.

use std::fmt;
use std::str::FromStr;

use gravelbar_ledger::ChangeHash;
use hpke::kem::X25519HkdfSha256;
use hpke::{Deserializable, Kem, Serializable};
use sha2::{Digest, Sha256};

use crate::error::OfficeKeyError;

const PUBLIC: &str = "gravelbar-office-key-1-";
const SECRET: &str = "gravelbar-office-secret-1-";

/// The public half of an office's key (X25519). Anyone may have it.
#[derive(Clone, Copy, PartialEq, Eq)]
pub struct OfficeKey(pub(crate) [u8; 32]);

/// The secret half. Whoever has it opens what was sealed to the office.
pub struct OfficeSecret(pub(crate) [u8; 32]);

impl OfficeKey {
    /// Eight bytes that tell keys apart.
    pub(crate) fn tag(&self) -> [u8; 8] {
        let mut tag = [0; 8];
        tag.copy_from_slice(&Sha256::digest(self.0)[..8]);
        tag
    }
}

impl OfficeSecret {
    /// A new key, from the system's random numbers.
    ///
    /// # Panics
    ///
    /// Where the system gives no random numbers.
    #[must_use]
    pub fn generate() -> Self {
        let (secret, _) = X25519HkdfSha256::gen_keypair();
        Self(secret.to_bytes().into())
    }

    /// The public half.
    ///
    /// # Errors
    ///
    /// [`OfficeKeyError::NotAKey`] when this is no key.
    pub fn key(&self) -> Result<OfficeKey, OfficeKeyError> {
        let secret = <X25519HkdfSha256 as Kem>::PrivateKey::from_bytes(&self.0)
            .map_err(|_| OfficeKeyError::NotAKey)?;
        Ok(OfficeKey(
            X25519HkdfSha256::sk_to_pk(&secret).to_bytes().into(),
        ))
    }

    /// As it is kept in a file.
    #[must_use]
    pub fn to_text(&self) -> String {
        format!("{SECRET}{}", ChangeHash(self.0))
    }
}

impl fmt::Debug for OfficeSecret {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("OfficeSecret")
    }
}

impl fmt::Display for OfficeKey {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{PUBLIC}{}", ChangeHash(self.0))
    }
}

impl fmt::Debug for OfficeKey {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        fmt::Display::fmt(self, f)
    }
}

fn half(text: &str, this: &str, other: &str) -> Result<[u8; 32], OfficeKeyError> {
    let text = text.trim();
    if text.starts_with(other) {
        return Err(OfficeKeyError::OtherHalf);
    }
    let digits = text.strip_prefix(this).ok_or(OfficeKeyError::NotAKey)?;
    let bytes: ChangeHash = digits.parse().map_err(|_| OfficeKeyError::NotAKey)?;
    Ok(bytes.0)
}

impl FromStr for OfficeKey {
    type Err = OfficeKeyError;

    fn from_str(text: &str) -> Result<Self, OfficeKeyError> {
        half(text, PUBLIC, SECRET).map(Self)
    }
}

impl FromStr for OfficeSecret {
    type Err = OfficeKeyError;

    fn from_str(text: &str) -> Result<Self, OfficeKeyError> {
        half(text, SECRET, PUBLIC).map(Self)
    }
}
