//! A UDP relay that loses, doubles, delays, reorders and slows down, drops what is too long, and cuts
//! either direction on command.
//!
//! It runs in the test's own process, between two sockets on loopback, so that real QUIC meets bad
//! air without any privilege. Which datagrams suffer follows from the seed and the order of
//! arrival; that order is the system's, so a run is alike another, not the same.

#![allow(dead_code, reason = "each test binary uses a part")]
#![allow(unreachable_pub, reason = "the whole-crew tests use it as well")]

use std::collections::HashMap;
use std::io;
use std::net::{IpAddr, Ipv4Addr, SocketAddr};
use std::ops::RangeInclusive;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use tokio::net::UdpSocket;
use tokio::task::JoinHandle;
use tokio::time::Instant;

/// What happens to datagrams on their way. The default is fair: nothing does.
#[derive(Debug, Clone)]
pub struct Weather {
    /// Of a hundred datagrams, so many are lost.
    pub loss_percent: u64,
    /// Of a hundred that arrive, so many arrive twice.
    pub double_percent: u64,
    /// Each is on its way so long, chosen anew for each: a wide range reorders.
    pub delay_ms: RangeInclusive<u64>,
    /// Each direction carries so many bytes a second; what would wait longer than a second is lost.
    pub bytes_per_s: Option<u64>,
    /// Longer datagrams are lost.
    pub longest_bytes: Option<usize>,
    /// Nothing reaches the called side.
    pub cut_there: bool,
    /// Nothing comes back.
    pub cut_back: bool,
}

impl Default for Weather {
    fn default() -> Self {
        Self {
            loss_percent: 0,
            double_percent: 0,
            delay_ms: 0..=0,
            bytes_per_s: None,
            longest_bytes: None,
            cut_there: false,
            cut_back: false,
        }
    }
}

impl Weather {
    /// A partition: nothing gets through either way.
    #[must_use]
    pub fn cut() -> Self {
        Self {
            cut_there: true,
            cut_back: true,
            ..Self::default()
        }
    }
}

/// A relay in front of one socket. It ends when dropped.
#[derive(Debug)]
pub struct Relay {
    addr: SocketAddr,
    air: Arc<Air>,
    callers: Callers,
    task: JoinHandle<()>,
}

/// The relay's own socket and task for each caller.
type Callers = Arc<Mutex<HashMap<SocketAddr, (Arc<UdpSocket>, JoinHandle<()>)>>>;

#[derive(Debug)]
struct Air {
    weather: Mutex<Weather>,
    dice: Mutex<u64>,
    carried: AtomicU64,
    lost: AtomicU64,
    /// When the line there, and the line back, will have carried what was given to it.
    free_at: Mutex<[Instant; 2]>,
}

impl Relay {
    /// Listens on a free loopback port and passes on to `target` and back.
    ///
    /// # Errors
    ///
    /// What the system says, when no socket can be had.
    pub async fn start(target: SocketAddr, weather: Weather, seed: u64) -> io::Result<Self> {
        Self::start_at(IpAddr::V4(Ipv4Addr::LOCALHOST), target, weather, seed).await
    }

    /// [`Relay::start`] at this address of the machine.
    ///
    /// # Errors
    ///
    /// As for [`Relay::start`].
    pub async fn start_at(
        ip: IpAddr,
        target: SocketAddr,
        weather: Weather,
        seed: u64,
    ) -> io::Result<Self> {
        let front = Arc::new(UdpSocket::bind((ip, 0)).await?);
        let air = Arc::new(Air {
            weather: Mutex::new(weather),
            dice: Mutex::new(seed.wrapping_mul(0x9e37_79b9_7f4a_7c15) | 1),
            carried: AtomicU64::new(0),
            lost: AtomicU64::new(0),
            free_at: Mutex::new([Instant::now(); 2]),
        });
        let callers = Callers::default();
        Ok(Self {
            addr: front.local_addr()?,
            task: tokio::spawn(pass_there(front, target, air.clone(), callers.clone())),
            air,
            callers,
        })
    }

    /// Where to call instead of the target.
    #[must_use]
    pub fn addr(&self) -> SocketAddr {
        self.addr
    }

    /// Changes the weather for all datagrams from now on; those on their way arrive.
    pub fn set(&self, weather: Weather) {
        *lock(&self.air.weather) = weather;
    }

    /// Every caller appears to the target under a new address from now on, as when a hotspot
    /// gives out new ones. What the target sends to the old ones is lost.
    pub fn move_callers(&self) {
        for (_, (_, task)) in lock(&self.callers).drain() {
            task.abort();
        }
    }

    /// Datagrams that were carried and lost so far.
    #[must_use]
    pub fn counts(&self) -> (u64, u64) {
        (
            self.air.carried.load(Ordering::Relaxed),
            self.air.lost.load(Ordering::Relaxed),
        )
    }
}

impl Drop for Relay {
    fn drop(&mut self) {
        self.task.abort();
        self.move_callers();
    }
}

async fn pass_there(front: Arc<UdpSocket>, target: SocketAddr, air: Arc<Air>, callers: Callers) {
    let ip = front
        .local_addr()
        .map_or(IpAddr::V4(Ipv4Addr::LOCALHOST), |at| at.ip());
    let mut buffer = vec![0; 65_536];
    loop {
        // On loopback a socket reports the far port's closing as an error of the next call: go on.
        let Ok((length, caller)) = front.recv_from(&mut buffer).await else {
            continue;
        };
        let known = lock(&callers)
            .get(&caller)
            .map(|(socket, _)| socket.clone());
        let socket = match known {
            Some(socket) => socket,
            None => {
                let Ok(socket) = UdpSocket::bind((ip, 0)).await.map(Arc::new) else {
                    continue;
                };
                let back = pass_back(socket.clone(), front.clone(), caller, air.clone());
                lock(&callers).insert(caller, (socket.clone(), tokio::spawn(back)));
                socket
            }
        };
        air.carry(true, &buffer[..length], &socket, target);
    }
}

async fn pass_back(
    socket: Arc<UdpSocket>,
    front: Arc<UdpSocket>,
    caller: SocketAddr,
    air: Arc<Air>,
) {
    let mut buffer = vec![0; 65_536];
    loop {
        if let Ok((length, _)) = socket.recv_from(&mut buffer).await {
            air.carry(false, &buffer[..length], &front, caller);
        }
    }
}

impl Air {
    fn carry(&self, there: bool, datagram: &[u8], from: &Arc<UdpSocket>, to: SocketAddr) {
        let weather = lock(&self.weather).clone();
        let cut = if there {
            weather.cut_there
        } else {
            weather.cut_back
        };
        let too_long = weather
            .longest_bytes
            .is_some_and(|most| datagram.len() > most);
        let waits = self.waits(there, datagram.len(), weather.bytes_per_s);
        let Some(waits) =
            waits.filter(|_| !cut && !too_long && self.roll(100) >= weather.loss_percent)
        else {
            self.lost.fetch_add(1, Ordering::Relaxed);
            return;
        };
        self.carried.fetch_add(1, Ordering::Relaxed);
        let times = 1 + u64::from(self.roll(100) < weather.double_percent);
        for _ in 0..times {
            let (from, datagram) = (from.clone(), datagram.to_vec());
            let (least, most) = (*weather.delay_ms.start(), *weather.delay_ms.end());
            let delay = least + self.roll(most.saturating_sub(least) + 1);
            let delay = waits + Duration::from_millis(delay);
            tokio::spawn(async move {
                tokio::time::sleep(delay).await;
                // A datagram that can't be sent is a lost one.
                let _ = from.send_to(&datagram, to).await;
            });
        }
    }

    /// How long a datagram waits until a slow line has carried it; nothing if it would be too long.
    fn waits(&self, there: bool, bytes: usize, bytes_per_s: Option<u64>) -> Option<Duration> {
        let Some(bytes_per_s) = bytes_per_s else {
            return Some(Duration::ZERO);
        };
        let now = Instant::now();
        let mut free_at = lock(&self.free_at);
        let free_at = &mut free_at[usize::from(there)];
        let micros = bytes as u64 * 1_000_000 / bytes_per_s.max(1);
        let done = now.max(*free_at) + Duration::from_micros(micros);
        let waits = done.duration_since(now);
        (waits < Duration::from_secs(1)).then(|| {
            *free_at = done;
            waits
        })
    }

    /// A number below `most` (xorshift64*).
    fn roll(&self, most: u64) -> u64 {
        let mut dice = lock(&self.dice);
        *dice ^= *dice >> 12;
        *dice ^= *dice << 25;
        *dice ^= *dice >> 27;
        (dice.wrapping_mul(0x2545_f491_4f6c_dd1d) >> 33) % most.max(1)
    }
}

fn lock<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}
