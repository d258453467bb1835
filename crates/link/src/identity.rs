//! A device's key, and the name that follows from it.

use std::fmt;
use std::str::FromStr;

use rcgen::{CertificateParams, KeyPair, PKCS_ED25519};
use rustls::pki_types::{CertificateDer, PrivateKeyDer, PrivatePkcs8KeyDer};

use crate::base32;
use crate::trust;

/// The name of a device: the SHA-256 of its public key in standard form (the DER of its
/// `SubjectPublicKeyInfo`). Its first eight bytes are the short tag that records carry.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct DeviceKeyId(pub [u8; 32]);

impl fmt::Display for DeviceKeyId {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&base32::write(&self.0))
    }
}

impl fmt::Debug for DeviceKeyId {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        fmt::Display::fmt(self, f)
    }
}

/// The text is not the written form of a device's name.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error("this is not the name of a device as the program writes it")]
pub struct KeyIdError;

impl FromStr for DeviceKeyId {
    type Err = KeyIdError;

    fn from_str(text: &str) -> Result<Self, KeyIdError> {
        let bytes = base32::read(text).ok_or(KeyIdError)?;
        bytes.try_into().map(Self).map_err(|_| KeyIdError)
    }
}

/// Why a device has no key.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum IdentityError {
    /// The system gave no randomness, or the key could not be made.
    #[error("this device could not make a key: {0}")]
    NotMade(String),
    /// The stored bytes are no Ed25519 key.
    #[error(
        "the stored device key is damaged: restore the data folder from a copy, or start anew and \
         be invited again ({0})"
    )]
    Unreadable(String),
}

/// A device's secret key, with the certificate that shows its public half.
///
/// The certificate carries nothing that anyone relies on but the key; it is made anew at every start.
#[derive(Clone)]
pub struct Identity {
    pkcs8: Vec<u8>,
    certificate: CertificateDer<'static>,
    device: DeviceKeyId,
}

impl fmt::Debug for Identity {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "Identity({})", self.device)
    }
}

impl Identity {
    /// Makes a new key: an Ed25519 key from the system's randomness.
    ///
    /// # Errors
    ///
    /// [`IdentityError::NotMade`].
    pub fn generate() -> Result<Self, IdentityError> {
        let key = KeyPair::generate_for(&PKCS_ED25519)
            .map_err(|error| IdentityError::NotMade(error.to_string()))?;
        Self::with_key(&key)
    }

    /// Takes a key that [`Identity::pkcs8`] gave.
    ///
    /// # Errors
    ///
    /// [`IdentityError::Unreadable`].
    pub fn from_pkcs8(pkcs8: &[u8]) -> Result<Self, IdentityError> {
        let key =
            KeyPair::from_pkcs8_der_and_sign_algo(&PrivatePkcs8KeyDer::from(pkcs8), &PKCS_ED25519)
                .map_err(|error| IdentityError::Unreadable(error.to_string()))?;
        Self::with_key(&key)
    }

    /// The secret key, to be kept where nobody else reads it (PKCS #8, RFC 5958).
    #[must_use]
    pub fn pkcs8(&self) -> &[u8] {
        &self.pkcs8
    }

    /// The device's name.
    #[must_use]
    pub fn device(&self) -> DeviceKeyId {
        self.device
    }

    fn with_key(key: &KeyPair) -> Result<Self, IdentityError> {
        let not_made = |error: &dyn fmt::Display| IdentityError::NotMade(error.to_string());
        let certificate = CertificateParams::default()
            .self_signed(key)
            .map_err(|error| not_made(&error))?;
        let certificate = certificate.der().clone();
        let device = trust::device_of(&certificate).map_err(|error| not_made(&error))?;
        Ok(Self {
            pkcs8: key.serialize_der(),
            certificate,
            device,
        })
    }

    pub(crate) fn certificate(&self) -> CertificateDer<'static> {
        self.certificate.clone()
    }

    pub(crate) fn key(&self) -> PrivateKeyDer<'static> {
        PrivateKeyDer::Pkcs8(PrivatePkcs8KeyDer::from(self.pkcs8.clone()))
    }
}
