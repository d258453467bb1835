//! How QUIC is set: small limits, quick notice of loss, TLS 1.3 and nothing older.

use std::sync::{Arc, OnceLock};
use std::time::Duration;

use quinn::congestion::NewRenoConfig;
use quinn::crypto::rustls::{QuicClientConfig, QuicServerConfig};
use quinn::{ClientConfig, IdleTimeout, ServerConfig, TransportConfig, VarInt};
use rustls::client::Resumption;
use rustls::server::NoServerSessionStorage;
use rustls::version::TLS13;

use crate::framing::FRAME_BYTES;
use crate::identity::{DeviceKeyId, Identity};
use crate::joining::Invitations;
use crate::link::BindError;
use crate::open_code::OpenCode;
use crate::roster::Roster;
use crate::trust::{Admit, ExpectDevice, provider};

/// Between devices that know each other.
pub(crate) const ALPN: &[u8] = b"gravelbar/1";
/// From an invited device to its inviter.
pub(crate) const ALPN_JOIN: &[u8] = b"gravelbar-join/1";
/// From a device on which a code was typed, to the one that shows it.
pub(crate) const ALPN_CODE: &[u8] = b"gravelbar-code/1";

/// Handshakes under way at once; more are turned away.
pub(crate) const HANDSHAKES: usize = 64;
/// From this many on, a caller must first show that it receives at the address it gives.
pub(crate) const HANDSHAKES_UNPROVEN: usize = 16;
/// Connections that others made to us, at once.
pub(crate) const PEERS: usize = 128;
/// A handshake and the first words after it take no longer.
pub(crate) const GREETING: Duration = Duration::from_secs(10);

const IDLE_MS: u32 = 10_000;
const KEEP_ALIVE: Duration = Duration::from_secs(3);
/// The crew is on one local network; with quinn's third of a second a handshake in bad air has
/// time for few tries.
const FIRST_GUESS_OF_TRIP: Duration = Duration::from_millis(100);

/// Streams that the other end may open: the one of frames, and blobs' one after the other.
const STREAMS: u32 = 3;

/// Room for two frames of full size, and for as much on the streams of blobs, which thereby never fill the
/// frames' room.
///
/// A lost datagram means, on the radio of a crew, bad air much rather than a crowded road, so the pace
/// is brought down by little for it. With 30 % lost each way and 0 to 20 ms of jitter (the relay of the
/// tests), 12 pairs at once each exchanging 0.8 MB: with quinn's default 4 of 12 got through, in 21
/// to 81 s, the others lost their connections; with this 12 of 12, in 2 to 14 s.
fn transport() -> Arc<TransportConfig> {
    let window = VarInt::from_u32(2 * 1024 * 1024);
    let mut pace = NewRenoConfig::default();
    pace.loss_reduction_factor(0.95).initial_window(32 * 1024);
    let mut transport = TransportConfig::default();
    transport
        .max_concurrent_bidi_streams(VarInt::from_u32(STREAMS))
        .max_concurrent_uni_streams(VarInt::from_u32(0))
        .datagram_receive_buffer_size(None)
        .stream_receive_window(window)
        .receive_window(VarInt::from_u32(4 * 1024 * 1024))
        .send_window(2 * FRAME_BYTES as u64)
        .initial_rtt(FIRST_GUESS_OF_TRIP)
        .congestion_controller_factory(Arc::new(pace))
        .crypto_buffer_size(16 * 1024)
        .max_idle_timeout(Some(IdleTimeout::from(VarInt::from_u32(IDLE_MS))))
        .keep_alive_interval(Some(KEEP_ALIVE));
    Arc::new(transport)
}

fn broken(error: impl std::fmt::Display) -> BindError {
    BindError::Key(error.to_string())
}

/// The called side.
pub(crate) fn server(
    identity: &Identity,
    roster: Roster,
    invitations: Arc<Invitations>,
    open_code: Arc<OpenCode>,
) -> Result<ServerConfig, BindError> {
    let provider = provider();
    let admit = Admit {
        roster,
        invitations,
        open_code,
        algorithms: provider.signature_verification_algorithms,
    };
    let mut tls = rustls::ServerConfig::builder_with_provider(provider)
        .with_protocol_versions(&[&TLS13])
        .map_err(broken)?
        .with_client_cert_verifier(Arc::new(admit))
        .with_single_cert(vec![identity.certificate()], identity.key())
        .map_err(broken)?;
    tls.alpn_protocols = vec![ALPN.to_vec(), ALPN_JOIN.to_vec(), ALPN_CODE.to_vec()];
    // A resumed handshake shows no certificate, and early data can be replayed: neither is had.
    tls.session_storage = Arc::new(NoServerSessionStorage {});
    tls.send_tls13_tickets = 0;
    tls.max_early_data_size = 0;
    let tls = QuicServerConfig::try_from(tls).map_err(broken)?;
    let mut config = ServerConfig::with_crypto(Arc::new(tls));
    config
        .transport_config(transport())
        .max_incoming(HANDSHAKES)
        .incoming_buffer_size(64 * 1024)
        .incoming_buffer_size_total(1024 * 1024);
    Ok(config)
}

/// The calling side of one connection. Which device answered is noted in the second part.
pub(crate) fn client(
    identity: &Identity,
    expect: Option<DeviceKeyId>,
    alpn: &[u8],
) -> Result<(ClientConfig, Arc<OnceLock<DeviceKeyId>>), BindError> {
    let provider = provider();
    let found = Arc::new(OnceLock::new());
    let verifier = ExpectDevice {
        expect,
        found: found.clone(),
        algorithms: provider.signature_verification_algorithms,
    };
    let mut tls = rustls::ClientConfig::builder_with_provider(provider)
        .with_protocol_versions(&[&TLS13])
        .map_err(broken)?
        .dangerous()
        .with_custom_certificate_verifier(Arc::new(verifier))
        .with_client_auth_cert(vec![identity.certificate()], identity.key())
        .map_err(broken)?;
    tls.alpn_protocols = vec![alpn.to_vec()];
    tls.enable_sni = false;
    tls.resumption = Resumption::disabled();
    tls.enable_early_data = false;
    let tls = QuicClientConfig::try_from(tls).map_err(broken)?;
    let mut config = ClientConfig::new(Arc::new(tls));
    config.transport_config(transport());
    Ok((config, found))
}
