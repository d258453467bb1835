//! Whom the handshake lets through: a key is looked up, a signature checked, nothing else.
//!
//! Why this holds: TLS 1.3 has each side sign the handshake so far, which contains fresh random
//! values of both, with the key of the certificate it showed (RFC 8446 section 4.4.3). The verifiers
//! here take the key's hash from the certificate and compare it, and hand the signature to rustls
//! with that same certificate. So who gets through showed an admitted key *and* holds its
//! secret; a copied certificate fails at the signature. What else stands in a certificate (names, dates,
//! issuer, its own signature) is read by nobody.

use std::sync::{Arc, OnceLock};

use ring::digest;
use rustls::client::danger::{HandshakeSignatureValid, ServerCertVerified, ServerCertVerifier};
use rustls::crypto::{CryptoProvider, WebPkiSupportedAlgorithms, verify_tls13_signature};
use rustls::pki_types::{CertificateDer, ServerName, UnixTime};
use rustls::server::ParsedCertificate;
use rustls::server::danger::{ClientCertVerified, ClientCertVerifier};
use rustls::{CertificateError, DigitallySignedStruct, DistinguishedName, Error, SignatureScheme};

use crate::identity::DeviceKeyId;
use crate::joining::Invitations;
use crate::open_code::OpenCode;
use crate::roster::Roster;

/// Keys a device may have: Ed25519, and P-256 for those whose hardware keeps no other.
const SCHEMES: [SignatureScheme; 2] = [
    SignatureScheme::ED25519,
    SignatureScheme::ECDSA_NISTP256_SHA256,
];

/// The device that a certificate shows.
pub(crate) fn device_of(certificate: &CertificateDer<'_>) -> Result<DeviceKeyId, Error> {
    let key = ParsedCertificate::try_from(certificate)?.subject_public_key_info();
    let mut id = [0; 32];
    id.copy_from_slice(digest::digest(&digest::SHA256, key.as_ref()).as_ref());
    Ok(DeviceKeyId(id))
}

/// The one device that was shown, no chain behind it.
fn shown(
    certificate: &CertificateDer<'_>,
    intermediates: &[CertificateDer<'_>],
) -> Result<DeviceKeyId, Error> {
    if intermediates.is_empty() {
        device_of(certificate)
    } else {
        Err(Error::InvalidCertificate(CertificateError::BadEncoding))
    }
}

fn refused() -> Error {
    Error::InvalidCertificate(CertificateError::ApplicationVerificationFailure)
}

fn tls12() -> Error {
    Error::General("only TLS 1.3 is spoken".to_owned())
}

/// The calling side: lets one device through, or any where the code that follows is to prove who it
/// is; notes which one answered.
#[derive(Debug)]
pub(crate) struct ExpectDevice {
    pub(crate) expect: Option<DeviceKeyId>,
    pub(crate) found: Arc<OnceLock<DeviceKeyId>>,
    pub(crate) algorithms: WebPkiSupportedAlgorithms,
}

impl ServerCertVerifier for ExpectDevice {
    fn verify_server_cert(
        &self,
        end_entity: &CertificateDer<'_>,
        intermediates: &[CertificateDer<'_>],
        _: &ServerName<'_>,
        _: &[u8],
        _: UnixTime,
    ) -> Result<ServerCertVerified, Error> {
        let device = shown(end_entity, intermediates)?;
        let _ = self.found.set(device);
        if self.expect.is_none_or(|expect| device == expect) {
            Ok(ServerCertVerified::assertion())
        } else {
            Err(refused())
        }
    }

    fn verify_tls12_signature(
        &self,
        _: &[u8],
        _: &CertificateDer<'_>,
        _: &DigitallySignedStruct,
    ) -> Result<HandshakeSignatureValid, Error> {
        Err(tls12())
    }

    fn verify_tls13_signature(
        &self,
        message: &[u8],
        certificate: &CertificateDer<'_>,
        signature: &DigitallySignedStruct,
    ) -> Result<HandshakeSignatureValid, Error> {
        verify_tls13_signature(message, certificate, signature, &self.algorithms)
    }

    fn supported_verify_schemes(&self) -> Vec<SignatureScheme> {
        SCHEMES.to_vec()
    }
}

/// The called side: lets through who is on the roster, and strangers only while an invitation or a
/// code is open; those get no further than its proof (`joining.rs`, `pake.rs`).
#[derive(Debug)]
pub(crate) struct Admit {
    pub(crate) roster: Roster,
    pub(crate) invitations: Arc<Invitations>,
    pub(crate) open_code: Arc<OpenCode>,
    pub(crate) algorithms: WebPkiSupportedAlgorithms,
}

impl ClientCertVerifier for Admit {
    fn root_hint_subjects(&self) -> &[DistinguishedName] {
        &[]
    }

    fn verify_client_cert(
        &self,
        end_entity: &CertificateDer<'_>,
        intermediates: &[CertificateDer<'_>],
        _: UnixTime,
    ) -> Result<ClientCertVerified, Error> {
        let device = shown(end_entity, intermediates)?;
        let inviting = self.invitations.any() || self.open_code.now().is_some();
        if self.roster.contains(device) || inviting {
            Ok(ClientCertVerified::assertion())
        } else {
            Err(refused())
        }
    }

    fn verify_tls12_signature(
        &self,
        _: &[u8],
        _: &CertificateDer<'_>,
        _: &DigitallySignedStruct,
    ) -> Result<HandshakeSignatureValid, Error> {
        Err(tls12())
    }

    fn verify_tls13_signature(
        &self,
        message: &[u8],
        certificate: &CertificateDer<'_>,
        signature: &DigitallySignedStruct,
    ) -> Result<HandshakeSignatureValid, Error> {
        verify_tls13_signature(message, certificate, signature, &self.algorithms)
    }

    fn supported_verify_schemes(&self) -> Vec<SignatureScheme> {
        SCHEMES.to_vec()
    }
}

/// The cryptography that rustls uses here.
pub(crate) fn provider() -> Arc<CryptoProvider> {
    Arc::new(rustls::crypto::ring::default_provider())
}
