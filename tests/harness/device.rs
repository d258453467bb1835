//! A device whose pages are opened in a real browser: it keeps their address over a restart.

use std::process::{Child, Command};

use tempfile::TempDir;

use crate::program::{Trouble, launch};

/// Any port, reachable from every network of the machine.
const ANYWHERE: &str = "0.0.0.0:0";

/// One device of a crew.
pub struct Device {
    name: String,
    home: TempDir,
    /// Kept over a restart, so that the pages keep their address.
    port: Option<u16>,
    running: Child,
    url: String,
}

impl Device {
    /// Starts a device with an empty folder.
    ///
    /// # Errors
    ///
    /// When the program doesn't build, start or say where its pages are.
    pub fn start(name: &str) -> Result<Self, Trouble> {
        let home = TempDir::new()?;
        let (running, url) = launch(&[], home.path(), ANYWHERE, 0, name)?;
        let mut device = Self {
            name: name.to_owned(),
            home,
            port: None,
            running,
            url,
        };
        device.port = device
            .address()
            .parse::<std::net::SocketAddr>()
            .ok()
            .map(|a| a.port());
        Ok(device)
    }

    /// The address that opens its pages.
    #[must_use]
    pub fn url(&self) -> &str {
        &self.url
    }

    /// Address and port of its pages.
    #[must_use]
    pub fn address(&self) -> &str {
        let rest = self.url.trim_start_matches("http://");
        rest.split('/').next().unwrap_or(rest)
    }

    /// Ends it as a dead battery does.
    ///
    /// # Errors
    ///
    /// When the process can't be ended.
    pub fn kill(&mut self) -> Result<(), Trouble> {
        self.running.kill()?;
        self.running.wait()?;
        Ok(())
    }

    /// Starts it again on the same folder and port, with a new secret.
    ///
    /// # Errors
    ///
    /// As for [`Self::start`].
    pub fn restart(&mut self) -> Result<(), Trouble> {
        let (running, url) = launch(
            &[],
            self.home.path(),
            ANYWHERE,
            self.port.unwrap_or(0),
            &self.name,
        )?;
        self.running = running;
        self.url = url;
        Ok(())
    }

    /// Freezes it: it takes connections and answers nothing.
    ///
    /// # Errors
    ///
    /// When the signal can't be sent.
    pub fn freeze(&self) -> Result<(), Trouble> {
        self.signal("-STOP")
    }

    /// Lets it go on.
    ///
    /// # Errors
    ///
    /// When the signal can't be sent.
    pub fn thaw(&self) -> Result<(), Trouble> {
        self.signal("-CONT")
    }

    fn signal(&self, name: &str) -> Result<(), Trouble> {
        let sent = Command::new("kill")
            .args([name, &self.running.id().to_string()])
            .status()?;
        if sent.success() {
            Ok(())
        } else {
            Err(format!("kill {name} failed").into())
        }
    }
}

impl Drop for Device {
    fn drop(&mut self) {
        self.kill().ok();
    }
}
