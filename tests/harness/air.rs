//! Where devices of a test live: each in a network namespace of its own, all on one bridge, with their
//! own loopback, addresses and multicast; or, where the system makes no namespaces, all on this machine's loopback.
//! Between them stand relays that lose, delay, reorder and cut.

use std::io::Write;
use std::net::{IpAddr, Ipv4Addr, SocketAddr};
use std::process::{Command, Stdio};
use std::sync::atomic::{AtomicU8, AtomicU32, Ordering};
use std::sync::{Arc, Mutex, PoisonError, mpsc};

use crate::program::Trouble;

#[path = "../../crates/link/tests/relay/mod.rs"]
mod bad_air;

pub use bad_air::{Relay, Weather};

/// Where devices listen in a namespace of their own.
const PORT: u16 = 47_410;

/// The bridge's own address, at which relays stand.
const BRIDGE: Ipv4Addr = Ipv4Addr::new(10, 77, 0, 1);

/// One network.
pub struct Air {
    /// The namespace of the bridge; nothing on loopback.
    bridge: Option<String>,
    next: AtomicU8,
    relays: tokio::runtime::Handle,
    end: Option<tokio::sync::oneshot::Sender<()>>,
}

/// A device's place in the network.
#[derive(Debug, Clone)]
pub struct Place {
    namespace: Option<Arc<Namespace>>,
    address: Arc<Mutex<SocketAddr>>,
}

/// Goes with the last place in it.
#[derive(Debug)]
struct Namespace(String);

impl Drop for Namespace {
    fn drop(&mut self) {
        // One that is gone already is gone.
        let _ = ip(&["netns", "del", &self.0], "");
    }
}

impl Air {
    /// A network of its own; on loopback, and saying so, where namespaces can't be made.
    ///
    /// # Errors
    ///
    /// When there is no thread to be had for the relays.
    pub fn open() -> Result<Self, Trouble> {
        static NUMBER: AtomicU32 = AtomicU32::new(0);
        let number = NUMBER.fetch_add(1, Ordering::Relaxed);
        let name = format!("gravelbar-{}-{number}", std::process::id());
        let bridge = match bridge(&name) {
            Ok(()) => Some(name),
            Err(error) => {
                println!("No network namespaces here ({error}): this test runs on loopback.");
                let _ = ip(&["netns", "del", &name], "");
                None
            }
        };
        let (told, handle) = mpsc::channel();
        let (end, ended) = tokio::sync::oneshot::channel();
        let inside = bridge.clone();
        std::thread::spawn(move || {
            let runtime = enter(inside.as_deref()).and_then(|()| {
                let mut builder = tokio::runtime::Builder::new_current_thread();
                Ok(builder.enable_all().build()?)
            });
            match runtime {
                Ok(runtime) => {
                    told.send(Ok(runtime.handle().clone())).ok();
                    runtime.block_on(async { ended.await.ok() });
                }
                Err(error) => {
                    told.send(Err(error)).ok();
                }
            }
        });
        Ok(Self {
            bridge,
            next: AtomicU8::new(10),
            relays: handle.recv()??,
            end: Some(end),
        })
    }

    /// Whether it is made of namespaces, so that addresses, interfaces and multicast can be had and lost.
    #[must_use]
    pub fn is_real(&self) -> bool {
        self.bridge.is_some()
    }

    /// A place for one more device.
    ///
    /// # Errors
    ///
    /// What `ip` says.
    pub fn place(&self) -> Result<Place, Trouble> {
        let number = self.next.fetch_add(1, Ordering::Relaxed);
        let Some(bridge) = &self.bridge else {
            let free = std::net::UdpSocket::bind("127.0.0.1:0")?.local_addr()?;
            return Ok(Place {
                namespace: None,
                address: Arc::new(Mutex::new(free)),
            });
        };
        let name = format!("{bridge}-{number}");
        let address = Ipv4Addr::new(10, 77, 0, number);
        ip(&["netns", "add", &name], "")?;
        let namespace = Arc::new(Namespace(name.clone()));
        ip(
            &["-n", bridge, "-batch", "-"],
            &format!(
                "link add v{number} type veth peer name eth0 netns {name}\n\
                 link set v{number} master air up\n"
            ),
        )?;
        ip(
            &["-n", &name, "-batch", "-"],
            &format!(
                "link set lo up\nlink set eth0 up\naddr add {address}/24 dev eth0\n\
                 route add 224.0.0.0/4 dev eth0\n"
            ),
        )?;
        Ok(Place {
            namespace: Some(namespace),
            address: Arc::new(Mutex::new(SocketAddr::from((address, PORT)))),
        })
    }

    /// A relay in front of a device: whoever calls it there is in this weather.
    ///
    /// # Errors
    ///
    /// When no socket can be had.
    pub fn relay(&self, target: &Place, weather: Weather, seed: u64) -> Result<Relay, Trouble> {
        let ip = match self.bridge {
            Some(_) => IpAddr::V4(BRIDGE),
            None => IpAddr::V4(Ipv4Addr::LOCALHOST),
        };
        let (told, relay) = mpsc::channel();
        let target = target.address();
        self.relays.spawn(async move {
            told.send(Relay::start_at(ip, target, weather, seed).await)
                .ok();
        });
        Ok(relay.recv()??)
    }

    /// The hotspot lets no multicast through from now on. Whether that can be had here.
    ///
    /// # Errors
    ///
    /// What `nft` says.
    pub fn block_multicast(&self) -> Result<bool, Trouble> {
        let Some(bridge) = &self.bridge else {
            return Ok(false);
        };
        let rules = "table bridge air {\n chain forward {\n type filter hook forward priority 0;\n \
                     ether type ip ip daddr 224.0.0.0/4 drop\n ether type ip6 ip6 daddr ff00::/8 drop\n }\n}\n";
        run(
            Command::new("ip").args(["netns", "exec", bridge, "nft", "-f", "-"]),
            rules,
        )?;
        Ok(true)
    }
}

impl Drop for Air {
    fn drop(&mut self) {
        if let Some(end) = self.end.take() {
            end.send(()).ok();
        }
        if let Some(bridge) = &self.bridge {
            let _ = ip(&["netns", "del", bridge], "");
        }
    }
}

impl Place {
    /// On this machine's loopback, at a free port.
    ///
    /// # Errors
    ///
    /// When there is none.
    pub fn loopback() -> Result<Self, Trouble> {
        let free = std::net::UdpSocket::bind("127.0.0.1:0")?.local_addr()?;
        Ok(Self {
            namespace: None,
            address: Arc::new(Mutex::new(free)),
        })
    }

    /// Where the device is reached.
    #[must_use]
    pub fn address(&self) -> SocketAddr {
        *self.address.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// What the device is told to listen on.
    #[must_use]
    pub fn listen(&self) -> SocketAddr {
        match self.namespace {
            Some(_) => SocketAddr::from((Ipv4Addr::UNSPECIFIED, PORT)),
            None => self.address(),
        }
    }

    /// Does something as a program in this place would: sockets and children belong to it.
    ///
    /// # Errors
    ///
    /// When the namespace is gone.
    pub fn inside<T: Send>(&self, act: impl FnOnce() -> T + Send) -> Result<T, Trouble> {
        let Some(namespace) = &self.namespace else {
            return Ok(act());
        };
        let name = namespace.0.as_str();
        // A thread of its own: it stays where it has gone.
        std::thread::scope(|scope| {
            let inside = scope.spawn(|| enter(Some(name)).map(|()| act()));
            inside.join().map_err(|_| "it panicked inside")?
        })
    }

    /// The hotspot gives the device another address. Whether that can be had here.
    ///
    /// # Errors
    ///
    /// What `ip` says.
    pub fn change_address(&self) -> Result<bool, Trouble> {
        let Some(namespace) = &self.namespace else {
            return Ok(false);
        };
        let mut address = self.address.lock().unwrap_or_else(PoisonError::into_inner);
        let IpAddr::V4(old) = address.ip() else {
            return Ok(false);
        };
        let [a, b, c, d] = old.octets();
        let new = Ipv4Addr::new(a, b, c, d ^ 0x80);
        ip(
            &["-n", &namespace.0, "-batch", "-"],
            &format!(
                "addr del {old}/24 dev eth0\naddr add {new}/24 dev eth0\n\
                 route replace 224.0.0.0/4 dev eth0\n"
            ),
        )?;
        *address = SocketAddr::from((new, PORT));
        Ok(true)
    }

    /// Longer packets don't fit the device's interface. Whether that can be had here.
    ///
    /// # Errors
    ///
    /// What `ip` says.
    pub fn narrow(&self, bytes: u16) -> Result<bool, Trouble> {
        let Some(namespace) = &self.namespace else {
            return Ok(false);
        };
        let bytes = bytes.to_string();
        ip(
            &["-n", &namespace.0, "link", "set", "eth0", "mtu", &bytes],
            "",
        )?;
        Ok(true)
    }

    /// Bytes that the device's interface has sent and received, headers included, where it has one of its own.
    ///
    /// # Errors
    ///
    /// When the system doesn't say.
    pub fn bytes(&self) -> Result<Option<u64>, Trouble> {
        if self.namespace.is_none() {
            return Ok(None);
        }
        // As the thread inside sees it.
        let table = self.inside(|| std::fs::read_to_string("/proc/thread-self/net/dev"))??;
        let line = table
            .lines()
            .find_map(|line| line.trim().strip_prefix("eth0:"));
        let fields = line.ok_or("no interface")?.split_whitespace();
        let fields: Vec<u64> = fields.filter_map(|field| field.parse().ok()).collect();
        Ok(fields.first().zip(fields.get(8)).map(|(r, s)| r + s))
    }
}

fn bridge(name: &str) -> Result<(), Trouble> {
    ip(&["netns", "add", name], "")?;
    ip(
        &["-n", name, "-batch", "-"],
        &format!(
            "link set lo up\nlink add air type bridge mcast_snooping 0\nlink set air up\n\
             addr add {BRIDGE}/24 dev air\n"
        ),
    )?;
    // Whether a thread may go there, too.
    std::thread::scope(|scope| {
        let inside = scope.spawn(|| enter(Some(name)));
        inside.join().map_err(|_| "it panicked inside")?
    })
}

/// This thread, and whatever it opens and starts, belongs to the namespace from now on.
fn enter(namespace: Option<&str>) -> Result<(), Trouble> {
    let Some(name) = namespace else { return Ok(()) };
    let file = std::fs::File::open(format!("/run/netns/{name}"))?;
    nix::sched::setns(file, nix::sched::CloneFlags::CLONE_NEWNET)?;
    Ok(())
}

fn ip(arguments: &[&str], input: &str) -> Result<(), Trouble> {
    run(Command::new("ip").args(arguments), input)
}

fn run(command: &mut Command, input: &str) -> Result<(), Trouble> {
    let mut child = command
        .stdin(Stdio::piped())
        .stdout(Stdio::null())
        .stderr(Stdio::piped())
        .spawn()?;
    if let Some(mut to_child) = child.stdin.take() {
        to_child.write_all(input.as_bytes())?;
    }
    let output = child.wait_with_output()?;
    if output.status.success() {
        Ok(())
    } else {
        Err(String::from_utf8_lossy(&output.stderr).trim().into())
    }
}
