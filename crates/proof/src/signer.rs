//! The device's secret key, for signing its own chain.

use std::fmt;

use gravelbar_ledger::{DocumentId, Session};
use ring::signature::{Ed25519KeyPair, KeyPair};

use crate::chain::Link;
use crate::device::DeviceId;
use crate::head::{Head, message};
use crate::opening::{Opening, Previous};

/// The device's key can't sign.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error(
    "the stored device key is damaged: restore the data folder from a copy, or start anew and be invited again"
)]
pub struct SignerError;

/// Signs what this device writes.
pub struct Signer {
    pair: Ed25519KeyPair,
    key: [u8; 32],
    device: DeviceId,
}

impl fmt::Debug for Signer {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "Signer({})", self.device)
    }
}

impl Signer {
    /// Takes the device's key (PKCS #8, RFC 5958, with or without the public half).
    ///
    /// # Errors
    ///
    /// [`SignerError`] if the bytes are no Ed25519 key.
    pub fn from_pkcs8(pkcs8: &[u8]) -> Result<Self, SignerError> {
        let pair = Ed25519KeyPair::from_pkcs8_maybe_unchecked(pkcs8).map_err(|_| SignerError)?;
        let key = pair
            .public_key()
            .as_ref()
            .try_into()
            .map_err(|_| SignerError)?;
        Ok(Self {
            pair,
            key,
            device: DeviceId::of_key(&key),
        })
    }

    /// Whose key it is.
    #[must_use]
    pub fn device(&self) -> DeviceId {
        self.device
    }

    /// The opening of a run of this device.
    #[must_use]
    pub fn open(
        &self,
        document: DocumentId,
        session: Session,
        previous: Option<Previous>,
    ) -> Opening {
        Opening::new(document, session, self.key, previous)
    }

    pub(crate) fn sign(&self, opening: &Opening, number: u64, link: Link) -> Head {
        let signed = self.pair.sign(&message(opening, number, link));
        let mut signature = [0; 64];
        // An Ed25519 signature is 64 bytes (RFC 8032, section 5.1.6).
        signature.copy_from_slice(signed.as_ref());
        Head {
            number,
            link,
            signature,
        }
    }
}
