//! Ends of QUIC connections that don't keep our rules, for tests that ours hold against them.

#![allow(dead_code, reason = "each test binary uses a part")]

use std::error::Error;
use std::net::SocketAddr;
use std::sync::Arc;

use gravelbar_link::Identity;
use quinn::crypto::rustls::{QuicClientConfig, QuicServerConfig};
use quinn::{ClientConfig, Endpoint, ServerConfig};
use rcgen::{CertificateParams, KeyPair, date_time_ymd};
use rustls::client::ResolvesClientCert;
use rustls::client::danger::{HandshakeSignatureValid, ServerCertVerified, ServerCertVerifier};
use rustls::pki_types::{CertificateDer, PrivateKeyDer, PrivatePkcs8KeyDer, ServerName, UnixTime};
use rustls::server::danger::{ClientCertVerified, ClientCertVerifier};
use rustls::server::{ClientHello, ResolvesServerCert};
use rustls::sign::CertifiedKey;
use rustls::{DigitallySignedStruct, DistinguishedName, SignatureScheme};

pub(crate) type Outcome<T = ()> = Result<T, Box<dyn Error + Send + Sync>>;

pub(crate) const LOOPBACK: SocketAddr =
    SocketAddr::new(std::net::IpAddr::V4(std::net::Ipv4Addr::LOCALHOST), 0);

/// A certificate for this device's key that ended in 1980, and the key.
pub(crate) fn expired(identity: &Identity) -> Outcome<Arc<CertifiedKey>> {
    let key = KeyPair::try_from(identity.pkcs8())?;
    let mut params = CertificateParams::new(vec!["someone.example".to_owned()])?;
    params.not_before = date_time_ymd(1970, 1, 1);
    params.not_after = date_time_ymd(1980, 1, 1);
    let certificate = params.self_signed(&key)?.der().clone();
    certified(certificate, identity)
}

/// Any certificate put together with any device's key.
pub(crate) fn certified(
    certificate: CertificateDer<'static>,
    key: &Identity,
) -> Outcome<Arc<CertifiedKey>> {
    let key = PrivateKeyDer::Pkcs8(PrivatePkcs8KeyDer::from(key.pkcs8().to_vec()));
    let key = rustls::crypto::ring::sign::any_supported_type(&key)?;
    Ok(Arc::new(CertifiedKey::new(vec![certificate], key)))
}

/// A certificate that shows this device's key.
pub(crate) fn certificate_of(identity: &Identity) -> Outcome<CertificateDer<'static>> {
    Ok(expired(identity)?.cert[0].clone())
}

/// A caller that shows this and takes any answer.
pub(crate) fn caller(shows: Option<Arc<CertifiedKey>>, alpn: &[u8]) -> Outcome<Endpoint> {
    let builder = rustls::ClientConfig::builder_with_provider(Arc::new(
        rustls::crypto::ring::default_provider(),
    ))
    .with_protocol_versions(&[&rustls::version::TLS13])?
    .dangerous()
    .with_custom_certificate_verifier(Arc::new(Anyone));
    let mut tls = match shows {
        Some(shows) => builder.with_client_cert_resolver(Arc::new(Shows(shows))),
        None => builder.with_no_client_auth(),
    };
    tls.alpn_protocols = vec![alpn.to_vec()];
    let mut endpoint = Endpoint::client(LOOPBACK)?;
    endpoint.set_default_client_config(ClientConfig::new(Arc::new(QuicClientConfig::try_from(
        tls,
    )?)));
    Ok(endpoint)
}

/// The names of our protocols.
pub(crate) const OURS: &[&[u8]] = &[b"gravelbar/1", b"gravelbar-join/1", b"gravelbar-code/1"];

/// One that answers, shows this, and lets anyone in.
pub(crate) fn answerer(shows: Arc<CertifiedKey>, alpn: &[&[u8]]) -> Outcome<Endpoint> {
    let mut tls = rustls::ServerConfig::builder_with_provider(Arc::new(
        rustls::crypto::ring::default_provider(),
    ))
    .with_protocol_versions(&[&rustls::version::TLS13])?
    .with_client_cert_verifier(Arc::new(Anyone))
    .with_cert_resolver(Arc::new(Shows(shows)));
    tls.alpn_protocols = alpn.iter().map(|name| name.to_vec()).collect();
    let server = ServerConfig::with_crypto(Arc::new(QuicServerConfig::try_from(tls)?));
    Ok(Endpoint::server(server, LOOPBACK)?)
}

#[derive(Debug)]
struct Shows(Arc<CertifiedKey>);

impl ResolvesClientCert for Shows {
    fn resolve(&self, _: &[&[u8]], _: &[SignatureScheme]) -> Option<Arc<CertifiedKey>> {
        Some(self.0.clone())
    }

    fn has_certs(&self) -> bool {
        true
    }
}

impl ResolvesServerCert for Shows {
    fn resolve(&self, _: ClientHello<'_>) -> Option<Arc<CertifiedKey>> {
        Some(self.0.clone())
    }
}

/// Believes everything.
#[derive(Debug)]
struct Anyone;

impl ServerCertVerifier for Anyone {
    fn verify_server_cert(
        &self,
        _: &CertificateDer<'_>,
        _: &[CertificateDer<'_>],
        _: &ServerName<'_>,
        _: &[u8],
        _: UnixTime,
    ) -> Result<ServerCertVerified, rustls::Error> {
        Ok(ServerCertVerified::assertion())
    }

    fn verify_tls12_signature(
        &self,
        _: &[u8],
        _: &CertificateDer<'_>,
        _: &DigitallySignedStruct,
    ) -> Result<HandshakeSignatureValid, rustls::Error> {
        Ok(HandshakeSignatureValid::assertion())
    }

    fn verify_tls13_signature(
        &self,
        _: &[u8],
        _: &CertificateDer<'_>,
        _: &DigitallySignedStruct,
    ) -> Result<HandshakeSignatureValid, rustls::Error> {
        Ok(HandshakeSignatureValid::assertion())
    }

    fn supported_verify_schemes(&self) -> Vec<SignatureScheme> {
        vec![SignatureScheme::ED25519]
    }
}

impl ClientCertVerifier for Anyone {
    fn root_hint_subjects(&self) -> &[DistinguishedName] {
        &[]
    }

    fn verify_client_cert(
        &self,
        _: &CertificateDer<'_>,
        _: &[CertificateDer<'_>],
        _: UnixTime,
    ) -> Result<ClientCertVerified, rustls::Error> {
        Ok(ClientCertVerified::assertion())
    }

    fn verify_tls12_signature(
        &self,
        _: &[u8],
        _: &CertificateDer<'_>,
        _: &DigitallySignedStruct,
    ) -> Result<HandshakeSignatureValid, rustls::Error> {
        Ok(HandshakeSignatureValid::assertion())
    }

    fn verify_tls13_signature(
        &self,
        _: &[u8],
        _: &CertificateDer<'_>,
        _: &DigitallySignedStruct,
    ) -> Result<HandshakeSignatureValid, rustls::Error> {
        Ok(HandshakeSignatureValid::assertion())
    }

    fn supported_verify_schemes(&self) -> Vec<SignatureScheme> {
        vec![SignatureScheme::ED25519]
    }
}
