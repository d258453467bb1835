//! A device's name, and how it follows from its key.

use std::fmt;

use gravelbar_ledger::{ChangeHash, DeviceTag};
use sha2::{Digest, Sha256};

/// What stands before an Ed25519 key in its standard form (RFC 8410, section 4).
const ED25519_SPKI: [u8; 12] = [
    0x30, 0x2a, 0x30, 0x05, 0x06, 0x03, 0x2b, 0x65, 0x70, 0x03, 0x21, 0x00,
];

/// The name of a device: the SHA-256 of its public key in standard form.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct DeviceId(pub [u8; 32]);

impl DeviceId {
    /// The name that belongs to an Ed25519 key.
    #[must_use]
    pub fn of_key(key: &[u8; 32]) -> Self {
        let mut hash = Sha256::new();
        hash.update(ED25519_SPKI);
        hash.update(key);
        Self(hash.finalize().into())
    }

    /// The short form that writers carry: the first eight bytes.
    #[must_use]
    pub fn tag(self) -> DeviceTag {
        let [a, b, c, d, e, f, g, h, ..] = self.0;
        DeviceTag([a, b, c, d, e, f, g, h])
    }
}

/// Written as other names of 32 bytes are.
impl fmt::Display for DeviceId {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        fmt::Display::fmt(&ChangeHash(self.0), f)
    }
}

impl fmt::Debug for DeviceId {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        fmt::Display::fmt(self, f)
    }
}
