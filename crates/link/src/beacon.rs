//! Finding each other on the local network, by multicast DNS (RFC 6762, 6763).
//!
//! A device that shares a crew's secret says "here" under a name of no meaning, with a text that only
//! the crew can tell from a random one (`sighting.rs`). Name and text are new at every start and about every
//! quarter of an hour. While a code is open it says besides that it is open for joining, under the label
//! on its screen. A device with nothing to say and nobody to look for has no socket open.
//!
//! Nothing heard is believed: an address is where to call, and the call proves who is there.

use std::collections::{BTreeMap, BTreeSet};
use std::net::SocketAddr;
use std::time::Duration;

use mdns_sd::{Receiver, ResolvedService, ServiceDaemon, ServiceEvent, ServiceInfo};
use ring::rand::{SecureRandom, SystemRandom};
use tokio::sync::{mpsc, watch};
use tokio::time::Instant;

use crate::identity::DeviceKeyId;
use crate::roster::Roster;
use crate::sighting::{CrewSecret, JoiningLabel, Sighting, nameless};

/// The name under which devices of this program find each other.
const SERVICE: &str = "_gravelbar._udp.local.";

/// The text's keys: of a crew's device, and of one open for joining.
const HERE: &str = "here";
const JOIN: &str = "join";

/// A beacon is as old as this at least, and twice a third more at most, before the next takes its
/// place: the moments tell nobody whose it is.
const RENEWAL: Duration = Duration::from_secs(720);

/// Crews whose secrets are used at once.
const CREWS: usize = 8;

/// Addresses of one device that are used.
const ADDRESSES: usize = 8;

/// Devices open for joining that are kept in mind: more in one place are somebody's game.
const JOINABLE: usize = 32;

/// Where a device was heard.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Found {
    /// Who it says it is, in a way that only the crew could.
    pub device: DeviceKeyId,
    /// Where it may be called.
    pub addresses: Vec<SocketAddr>,
}

/// Devices open for joining, by their labels, with where to call them.
pub type Joinable = BTreeMap<JoiningLabel, Vec<SocketAddr>>;

/// What the owner wants of the beacon.
#[derive(Debug, Clone, Default)]
struct Wish {
    crews: Vec<CrewSecret>,
    label: Option<JoiningLabel>,
    looking: bool,
    /// Rises when the network has changed.
    network: u64,
}

impl Wish {
    fn is_idle(&self) -> bool {
        self.crews.is_empty() && self.label.is_none() && !self.looking
    }
}

/// A device's presence on the local network. It is silent until it is given something to say or to
/// look for, and again when dropped.
#[derive(Debug)]
pub struct Beacon {
    wish: watch::Sender<Wish>,
    joinable: watch::Receiver<Joinable>,
}

impl Beacon {
    /// Makes one for a device that listens at `port`; whom of the `roster` it recognises it tells `found`.
    /// To be called within a tokio runtime.
    #[must_use]
    pub fn start(me: DeviceKeyId, port: u16, roster: Roster, found: mpsc::Sender<Found>) -> Self {
        let (wish, wishes) = watch::channel(Wish::default());
        let (tell, joinable) = watch::channel(Joinable::new());
        let lookout = Lookout {
            me,
            port,
            roster,
            found,
            joinable: tell,
            own: BTreeSet::new(),
        };
        tokio::spawn(lookout.run(wishes));
        Self { wish, joinable }
    }

    /// Says "here" to these crews from now on, and recognises their devices.
    pub fn recognise_by(&self, mut crews: Vec<CrewSecret>) {
        crews.truncate(CREWS);
        self.change(|wish| {
            let news = wish.crews != crews;
            wish.crews = crews;
            news
        });
    }

    /// Shows this label to newcomers, or no longer.
    pub fn show(&self, label: Option<JoiningLabel>) {
        self.change(|wish| {
            let news = wish.label != label;
            wish.label = label;
            news
        });
    }

    /// Whether to look for devices open for joining; they are told by [`Beacon::joinable`].
    pub fn look(&self, looking: bool) {
        self.change(|wish| std::mem::replace(&mut wish.looking, looking) != looking);
    }

    /// The device's addresses have changed: says everything anew, on the networks it is in now.
    pub fn network_changed(&self) {
        self.change(|wish| {
            wish.network += 1;
            !wish.is_idle()
        });
    }

    /// The devices open for joining, as they come and go.
    #[must_use]
    pub fn joinable(&self) -> watch::Receiver<Joinable> {
        self.joinable.clone()
    }

    fn change(&self, change: impl FnOnce(&mut Wish) -> bool) {
        self.wish.send_if_modified(change);
    }
}

/// The task behind a [`Beacon`].
struct Lookout {
    me: DeviceKeyId,
    port: u16,
    roster: Roster,
    found: mpsc::Sender<Found>,
    joinable: watch::Sender<Joinable>,
    /// Names under which this device itself speaks.
    own: BTreeSet<String>,
}

impl Lookout {
    async fn run(mut self, mut wishes: watch::Receiver<Wish>) {
        loop {
            let wish = wishes.borrow_and_update().clone();
            if wish.is_idle() {
                if wishes.changed().await.is_err() {
                    return;
                }
                continue;
            }
            // Where multicast can't be had, people type addresses; nothing is lost but comfort.
            let air = self.begin(&wish);
            let until = Instant::now() + lifetime();
            let renewed = self.listen(&wish, &mut wishes, air.as_ref(), until).await;
            self.own.clear();
            if let Some((daemon, _)) = air {
                end(&daemon).await;
            }
            if renewed == Heard::OwnerGone {
                return;
            }
            // A newcomer's list is made anew with each beginning.
            self.joinable.send_if_modified(|joinable| {
                let any = !joinable.is_empty();
                joinable.clear();
                any
            });
        }
    }

    /// Opens the multicast sockets, says what there is to say, and asks who is there.
    fn begin(&mut self, wish: &Wish) -> Option<(ServiceDaemon, Receiver<ServiceEvent>)> {
        let daemon = ServiceDaemon::new().ok()?;
        // The system tells of new addresses (`network.rs`); no need to ask it every few seconds.
        daemon.set_ip_check_interval(0).ok()?;
        let here = wish.crews.iter().filter_map(|crew| {
            let sighting = Sighting::of(self.me, self.port, crew)?;
            Some((HERE, sighting.write()))
        });
        let join = wish.label.iter().map(|label| (JOIN, label.to_string()));
        for (key, text) in here.chain(join) {
            let info = self.service(key, &text)?;
            self.own.insert(info.get_fullname().to_owned());
            daemon.register(info).ok()?;
        }
        let heard = daemon.browse(SERVICE).ok()?;
        Some((daemon, heard))
    }

    fn service(&self, key: &str, text: &str) -> Option<ServiceInfo> {
        let name = nameless()?;
        let host = format!("{name}.local.");
        let texts = [(key, text)];
        let info = ServiceInfo::new(SERVICE, &name, &host, (), self.port, &texts[..]).ok()?;
        let mut info = info.enable_addr_auto();
        // A name of 80 random bits is nobody else's; asking around for a second gains nothing.
        info.set_requires_probe(false);
        Some(info)
    }

    /// Listens until something else is wanted, or it is time for a new name.
    async fn listen(
        &self,
        wish: &Wish,
        wishes: &mut watch::Receiver<Wish>,
        air: Option<&(ServiceDaemon, Receiver<ServiceEvent>)>,
        until: Instant,
    ) -> Heard {
        let mut names = BTreeMap::new();
        let mut renewal = std::pin::pin!(tokio::time::sleep_until(until));
        loop {
            let event = async {
                match air {
                    Some((_, heard)) => heard.recv_async().await.ok(),
                    None => None,
                }
            };
            tokio::select! {
                changed = wishes.changed() => {
                    return if changed.is_ok() { Heard::NewWish } else { Heard::OwnerGone };
                }
                () = &mut renewal => return Heard::NewWish,
                event = event => match event {
                    Some(event) => self.take(wish, &mut names, event).await,
                    // No air: wait for another wish, or the next beginning.
                    None => {
                        tokio::select! {
                            changed = wishes.changed() => {
                                return if changed.is_ok() { Heard::NewWish } else { Heard::OwnerGone };
                            }
                            () = &mut renewal => return Heard::NewWish,
                        }
                    }
                },
            }
        }
    }

    async fn take(
        &self,
        wish: &Wish,
        names: &mut BTreeMap<String, JoiningLabel>,
        event: ServiceEvent,
    ) {
        match event {
            ServiceEvent::ServiceResolved(seen) if !self.own.contains(seen.get_fullname()) => {
                let addresses = addresses(&seen);
                if addresses.is_empty() {
                    return;
                }
                let text = |key| seen.get_property_val_str(key);
                if let Some(sighting) = text(HERE).and_then(Sighting::read) {
                    let devices = self.roster.devices();
                    let device = sighting.whose(seen.get_port(), &wish.crews, &devices);
                    if let Some(device) = device.filter(|device| *device != self.me) {
                        // An owner too busy to hear it will be told by the next beacon.
                        let _ = self.found.try_send(Found { device, addresses });
                    }
                } else if let Some(label) = text(JOIN).and_then(JoiningLabel::read) {
                    self.joinable.send_if_modified(|joinable| {
                        let known = joinable.contains_key(&label);
                        if known || joinable.len() < JOINABLE {
                            names.insert(seen.get_fullname().to_owned(), label.clone());
                            joinable.insert(label, addresses);
                        }
                        true
                    });
                }
            }
            ServiceEvent::ServiceRemoved(_, name) => {
                if let Some(label) = names.remove(&name) {
                    self.joinable
                        .send_if_modified(|joinable| joinable.remove(&label).is_some());
                }
            }
            _ => {}
        }
    }
}

/// Why listening ended.
#[derive(Debug, PartialEq, Eq)]
enum Heard {
    NewWish,
    OwnerGone,
}

/// Says goodbye, so that nobody calls in vain, and closes the sockets.
async fn end(daemon: &ServiceDaemon) {
    if let Ok(ended) = daemon.shutdown() {
        let _ = tokio::time::timeout(Duration::from_secs(2), ended.recv_async()).await;
    }
}

fn addresses(seen: &ResolvedService) -> Vec<SocketAddr> {
    let mut addresses: Vec<SocketAddr> = seen
        .get_addresses_v4()
        .into_iter()
        .map(|ip| SocketAddr::from((ip, seen.get_port())))
        .collect();
    addresses.sort_by_key(|addr| (addr.ip().is_loopback(), *addr));
    addresses.truncate(ADDRESSES);
    addresses
}

/// How long this beacon stays.
fn lifetime() -> Duration {
    let mut byte = [0];
    let _ = SystemRandom::new().fill(&mut byte); // Without randomness there is no beacon anyway.
    RENEWAL + RENEWAL / 256 * u32::from(byte[0]) / 2
}
