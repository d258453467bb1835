//! The program as a process of its own: started on a folder, killed without warning, started
//! again, and spoken to at the same door as its pages.

use std::io::{self, BufRead, BufReader, Read, Write};
use std::net::{SocketAddr, TcpStream};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::OnceLock;
use std::time::Duration;

use serde_json::Value;

use crate::air::Place;

/// Whatever went wrong, in words.
pub type Trouble = Box<dyn std::error::Error + Send + Sync>;

/// An answer that takes longer is none.
const ANSWER_WITHIN: Duration = Duration::from_secs(20);

/// The program's own file: the one that `GRAVELBAR_PROGRAM` names, where whoever runs the tests has
/// built it already, or else built now.
///
/// # Panics
///
/// When it can't be built.
#[must_use]
pub fn gravelbar() -> &'static Path {
    static BUILT: OnceLock<PathBuf> = OnceLock::new();
    BUILT.get_or_init(|| {
        if let Some(program) = std::env::var_os("GRAVELBAR_PROGRAM") {
            return PathBuf::from(program);
        }
        let tests = std::env::current_exe().unwrap_or_else(|e| panic!("{e}"));
        // target/<profile>/deps/<tests>
        let profile = tests.ancestors().nth(2);
        let profile = profile.unwrap_or_else(|| panic!("{} lies nowhere", tests.display()));
        let mut cargo = Command::new(env!("CARGO"));
        cargo.args([
            "build",
            "--quiet",
            "-p",
            "gravelbar-crew",
            "--bin",
            "gravelbar",
        ]);
        cargo.arg("--manifest-path");
        cargo.arg(Path::new(env!("CARGO_MANIFEST_DIR")).join("../Cargo.toml"));
        cargo.env("CARGO_TARGET_DIR", profile.join(".."));
        if profile.ends_with("release") {
            cargo.arg("--release");
        }
        let built = cargo.status().unwrap_or_else(|e| panic!("cargo: {e}"));
        assert!(built.success(), "the program can't be built");
        profile.join("gravelbar")
    })
}

/// An answer of the program's door.
#[derive(Debug)]
pub struct Answer {
    /// HTTP status.
    pub status: u16,
    /// The cookie it sets.
    pub cookie: Option<String>,
    /// The body.
    pub body: String,
}

/// The program on one device.
pub struct Program {
    folder: PathBuf,
    name: String,
    place: Place,
    running: Option<Running>,
}

struct Running {
    child: Child,
    door: SocketAddr,
    cookie: String,
}

impl Program {
    /// A device with its data in `folder`, not yet running. Other devices find it at the same
    /// place after every start.
    ///
    /// # Panics
    ///
    /// When the system has no free port.
    #[must_use]
    pub fn new(folder: PathBuf, name: &str) -> Self {
        let free = Place::loopback();
        Self::at(
            free.unwrap_or_else(|e| panic!("no free port: {e}")),
            folder,
            name,
        )
    }

    /// As [`Self::new`], at a place of its own.
    #[must_use]
    pub fn at(place: Place, folder: PathBuf, name: &str) -> Self {
        Self {
            folder,
            name: name.to_owned(),
            place,
            running: None,
        }
    }

    /// Where it lives.
    #[must_use]
    pub fn place(&self) -> &Place {
        &self.place
    }

    /// Starts it and enters its door.
    ///
    /// # Panics
    ///
    /// When it doesn't start, or says something else than where it is.
    pub fn start(&mut self) {
        self.start_by(&[]);
    }

    /// [`Self::start`] by way of another program that ends in becoming this one.
    ///
    /// # Panics
    ///
    /// As for [`Self::start`].
    pub fn start_by(&mut self, way: &[&str]) {
        let listen = self.place.listen().to_string();
        let launched = self
            .place
            .inside(|| launch(way, &self.folder, &listen, 0, &self.name));
        let (child, url) = launched
            .and_then(|launched| launched)
            .unwrap_or_else(|e| panic!("{} doesn't start: {e}", self.name));
        let (door, path) = url
            .strip_prefix("http://")
            .and_then(|rest| rest.split_once('/'))
            .unwrap_or_else(|| panic!("{} names no pages: {url}", self.name));
        let door = door.parse().unwrap_or_else(|e| panic!("{door}: {e}"));
        let path = format!("/{path}");
        let entered = self.place.inside(|| ask(door, "GET", &path, None, None));
        let cookie = entered.ok().and_then(Result::ok).and_then(|a| a.cookie);
        self.running = Some(Running {
            child,
            door,
            cookie: cookie.unwrap_or_else(|| panic!("{} lets nobody in", self.name)),
        });
    }

    /// Kills it as a power cut would: it learns nothing of it.
    pub fn kill(&mut self) {
        if let Some(mut running) = self.running.take() {
            // It may have ended by itself, which the next start shows.
            running.child.kill().ok();
            running.child.wait().ok();
        }
    }

    /// What it holds in memory, where the system tells.
    #[must_use]
    pub fn resident_kib(&self) -> Option<u64> {
        let status = std::fs::read_to_string(format!("/proc/{}/status", self.process()?)).ok()?;
        let line = status
            .lines()
            .find_map(|line| line.strip_prefix("VmRSS:"))?;
        line.split_whitespace().next()?.parse().ok()
    }

    /// Freezes it, as a system does with a program that nobody looks at: it hears and says nothing.
    ///
    /// # Panics
    ///
    /// When it isn't running.
    pub fn freeze(&self) {
        self.signal("-STOP");
    }

    /// Lets it go on.
    ///
    /// # Panics
    ///
    /// When it isn't running.
    pub fn thaw(&self) {
        self.signal("-CONT");
    }

    fn signal(&self, signal: &str) {
        let process = self.process().map(|process| process.to_string());
        let process = process.unwrap_or_else(|| panic!("{} isn't running", self.name));
        let sent = Command::new("kill").args([signal, &process]).status();
        assert!(sent.is_ok_and(|sent| sent.success()), "kill {signal}");
    }

    /// Where its data are.
    #[must_use]
    pub fn folder(&self) -> &Path {
        &self.folder
    }

    /// The number of its process.
    #[must_use]
    pub fn process(&self) -> Option<u32> {
        self.running.as_ref().map(|running| running.child.id())
    }

    /// Asks for something.
    ///
    /// # Errors
    ///
    /// What the connection says, when there is no whole answer.
    pub fn get(&self, path: &str) -> io::Result<Answer> {
        self.ask("GET", path, None)
    }

    /// Sends something.
    ///
    /// # Errors
    ///
    /// As for [`Self::get`].
    pub fn post(&self, path: &str, body: &Value) -> io::Result<Answer> {
        self.ask("POST", path, Some(&body.to_string()))
    }

    /// Listens to a stream of events until `heard` makes something of one's data, or the time is over:
    /// then the default.
    ///
    /// # Errors
    ///
    /// What the connection says.
    pub fn listen<T: Default + Send>(
        &self,
        path: &str,
        within: Duration,
        heard: impl Fn(&str) -> Option<T> + Send + Sync,
    ) -> Result<T, Trouble> {
        let running = self.running.as_ref().ok_or("it isn't running")?;
        self.place.inside(|| {
            let begun = std::time::Instant::now();
            let mut stream = TcpStream::connect_timeout(&running.door, ANSWER_WITHIN)?;
            write!(
                stream,
                "GET {path} HTTP/1.1\r\nhost: {}\r\ncookie: {}\r\n\r\n",
                running.door, running.cookie
            )?;
            let mut lines = BufReader::new(stream.try_clone()?);
            while let Some(left) = within.checked_sub(begun.elapsed()) {
                stream.set_read_timeout(Some(left.max(Duration::from_millis(1))))?;
                let mut line = String::new();
                match lines.read_line(&mut line) {
                    Ok(0) => return Err("the stream ended".into()),
                    Ok(_) => {}
                    Err(e)
                        if matches!(
                            e.kind(),
                            io::ErrorKind::WouldBlock | io::ErrorKind::TimedOut
                        ) =>
                    {
                        break;
                    }
                    Err(e) => return Err(e.into()),
                }
                if let Some(made) = line
                    .strip_prefix("data:")
                    .and_then(|data| heard(data.trim()))
                {
                    return Ok(made);
                }
            }
            Ok(T::default())
        })?
    }

    fn ask(&self, method: &str, path: &str, body: Option<&str>) -> io::Result<Answer> {
        let running = self.running.as_ref();
        let running = running.ok_or_else(|| io::Error::other("it isn't running"))?;
        self.place
            .inside(|| ask(running.door, method, path, Some(&running.cookie), body))
            .map_err(|e| io::Error::other(e.to_string()))?
    }
}

/// Starts the program on a folder, by way of `way` where that names another one first; gives the
/// address of its pages.
///
/// # Errors
///
/// When it doesn't start, or says something else than where it is.
pub(crate) fn launch(
    way: &[&str],
    folder: &Path,
    listen: &str,
    port: u16,
    name: &str,
) -> Result<(Child, String), Trouble> {
    #[derive(serde::Deserialize)]
    struct Said {
        url: String,
    }
    let mut command = match way.split_first() {
        Some((first, rest)) => {
            let mut command = Command::new(first);
            command.args(rest).arg(gravelbar());
            command
        }
        None => Command::new(gravelbar()),
    };
    let mut child = command
        .arg("--folder")
        .arg(folder)
        .args(["--listen", listen, "--port", &port.to_string()])
        .args(["--no-open", "--name", name])
        .stdout(Stdio::piped())
        .spawn()?;
    let out = child.stdout.take().ok_or("the program has no output")?;
    let mut line = String::new();
    BufReader::new(out).read_line(&mut line)?;
    let said: Said = serde_json::from_str(&line).map_err(|e| format!("it says “{line}”: {e}"))?;
    Ok((child, said.url))
}

impl Drop for Program {
    fn drop(&mut self) {
        self.kill();
    }
}

/// One request on a connection of its own.
fn ask(
    door: SocketAddr,
    method: &str,
    path: &str,
    cookie: Option<&str>,
    body: Option<&str>,
) -> io::Result<Answer> {
    let mut stream = TcpStream::connect_timeout(&door, ANSWER_WITHIN)?;
    stream.set_read_timeout(Some(ANSWER_WITHIN))?;
    let body = body.unwrap_or_default();
    let cookie = cookie.map_or(String::new(), |c| format!("cookie: {c}\r\n"));
    write!(
        stream,
        "{method} {path} HTTP/1.1\r\nhost: {door}\r\nconnection: close\r\n\
         content-type: application/json\r\ncontent-length: {}\r\n{cookie}\r\n{body}",
        body.len()
    )?;
    let mut text = String::new();
    stream.read_to_string(&mut text)?;
    let (head, body) = text
        .split_once("\r\n\r\n")
        .ok_or(io::ErrorKind::UnexpectedEof)?;
    let mut lines = head.lines();
    let status = lines.next().and_then(|line| line.split(' ').nth(1));
    let field = |name: &str| {
        let fields = head.lines().filter_map(|line| line.split_once(':'));
        let mut found = fields.filter(|(n, _)| n.eq_ignore_ascii_case(name));
        found.next().map(|(_, value)| value.trim().to_owned())
    };
    let length = field("content-length").and_then(|n| n.parse().ok());
    if length.is_some_and(|length: usize| body.len() < length) {
        return Err(io::ErrorKind::UnexpectedEof.into());
    }
    Ok(Answer {
        status: status
            .and_then(|s| s.parse().ok())
            .ok_or(io::ErrorKind::InvalidData)?,
        cookie: field("set-cookie").and_then(|c| c.split(';').next().map(str::to_owned)),
        body: body.to_owned(),
    })
}
