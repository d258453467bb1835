//! How the holder of the device gets in: an address with a secret made for this start.

use ring::rand::{SecureRandom, SystemRandom};
use tokio::net::TcpListener;

/// The way in to the pages of one start.
pub(crate) struct Entrance {
    /// To be opened in the device's browser.
    pub(crate) url: String,
    /// The secret in it.
    pub(crate) token: String,
}

impl Entrance {
    /// Draws a secret for the pages that will be served on `listener`.
    ///
    /// # Errors
    ///
    /// When the system gives no random numbers, or the listener is gone.
    pub(crate) fn to(listener: &TcpListener) -> std::io::Result<Self> {
        let mut bytes = [0; 16];
        SystemRandom::new()
            .fill(&mut bytes)
            .map_err(|_| std::io::Error::other("the system gives no random numbers"))?;
        let token: String = bytes.iter().map(|byte| format!("{byte:02x}")).collect();
        let port = listener.local_addr()?.port();
        Ok(Self {
            url: format!("http://127.0.0.1:{port}/enter?token={token}"),
            token,
        })
    }
}
