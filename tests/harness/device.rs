//! A device whose pages are opened in a real browser: it keeps their address over a restart.

use std::io::{BufRead, BufReader};
use std::process::{Child, Command, Stdio};

use tempfile::TempDir;

use crate::program::gravelbar;

/// Whatever went wrong, in words.
pub type Trouble = Box<dyn std::error::Error + Send + Sync>;

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
        let (running, url) = run(name, &home, None)?;
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
        let (running, url) = run(&self.name, &self.home, self.port)?;
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

fn run(name: &str, home: &TempDir, port: Option<u16>) -> Result<(Child, String), Trouble> {
    #[derive(serde::Deserialize)]
    struct Said {
        url: String,
    }
    let mut running = Command::new(gravelbar())
        .arg("--folder")
        .arg(home.path())
        .args(["--listen", "0.0.0.0:0", "--no-open", "--name", name])
        .args(["--port", &port.unwrap_or(0).to_string()])
        .stdout(Stdio::piped())
        .spawn()?;
    let out = running.stdout.take().ok_or("the program has no output")?;
    let mut line = String::new();
    BufReader::new(out).read_line(&mut line)?;
    let said: Said = serde_json::from_str(&line)?;
    Ok((running, said.url))
}
