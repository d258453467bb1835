//! The device's one loop: it owns every document, the store and all conversations, and takes a
//! closed set of events.
//!
//! Each turn takes whatever has come in the meantime, applies it in memory, commits it with one
//! sync, and only then answers the people who tapped and acknowledges to the devices that sent.
//! If the commit fails nothing of the turn has happened: the documents are read again from disk,
//! and everyone who waits is told.

mod acts;
mod bringing;
mod crew;
mod held;
mod joining;
mod keep;
mod meeting;
mod notices;
mod proving;
mod shelf;
mod urgent;

use std::borrow::Cow;
use std::collections::{BTreeMap, BTreeSet, VecDeque};
use std::net::SocketAddr;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::mpsc::{Receiver, RecvTimeoutError, Sender, channel};
use std::time::Duration;

use chrono::{DateTime, FixedOffset};
use gravelbar_link::{DeviceKeyId, Identity, IdentityError, Roster};
use gravelbar_proof::{Signer, SignerError};
use gravelbar_store::{Batch, Store};
use gravelbar_visit::{DeviceTag, DocumentId, PersonName, Plan, Writer};
use ring::rand::{SecureRandom, SystemRandom};
use tokio::sync::{oneshot, watch};

use crate::clock::Clock;
use crate::net::{self, ConnectionNumber, Net};
use crate::node::{Act, Ask, DeviceLine, Event, Node, NotSaved, Picture, Saved, Sign, VisitLine};
pub(crate) use acts::key_bytes;
use held::{Held, HeldVisit, Subject};
use joining::Joining;
use keep::LOOK_AT_DISK_MS;
use meeting::Meeting;
use notices::Notices;

/// Events taken in one turn at most, so that the first to tap isn't kept waiting by the last.
const EVENTS_A_TURN: usize = 512;

/// How long the loop sleeps when nothing happens and no conversation has anything due.
const IDLE: Duration = Duration::from_secs(20);

/// What a device is started with.
#[derive(Debug, Clone)]
pub struct Options {
    /// Its data folder.
    pub folder: PathBuf,
    /// A small file outside the folder by which a folder put back from an older copy is noticed.
    pub witness: Option<PathBuf>,
    /// Where it listens for other devices.
    pub listen: SocketAddr,
    /// What invitations say about where to find it.
    pub reach: Reach,
    /// What to call it, where it has no name yet.
    pub name: String,
    /// Its clock.
    pub clock: Clock,
}

/// Where a device says it can be reached.
#[derive(Debug, Clone)]
pub enum Reach {
    /// At these addresses.
    At(Vec<SocketAddr>),
    /// At the addresses its network interfaces have at that moment.
    Interfaces,
}

/// A device that can't be started.
#[derive(Debug, thiserror::Error)]
pub enum StartError {
    /// The data folder can't be used.
    #[error("{folder}: {why}")]
    Store {
        /// Which.
        folder: String,
        /// Why.
        why: gravelbar_store::OpenError,
    },
    /// Something in it can't be read.
    #[error(transparent)]
    Read(#[from] gravelbar_store::ReadError),
    /// The device's key can't be kept.
    #[error(transparent)]
    Commit(#[from] gravelbar_store::CommitError),
    /// The device has no usable key.
    #[error(transparent)]
    Identity(#[from] IdentityError),
    /// The device's key can't sign.
    #[error(transparent)]
    Signer(#[from] SignerError),
    /// The network can't be opened.
    #[error(transparent)]
    Bind(#[from] gravelbar_link::BindError),
    /// The system gives no random numbers or no thread.
    #[error("the system can't start the device: {0}")]
    System(String),
}

/// A device, running in its loop.
struct Device {
    clock: Clock,
    store: Store,
    key: DeviceKeyId,
    signer: Signer,
    tag: DeviceTag,
    name: String,
    roster: Roster,
    net: Net,
    documents: BTreeMap<DocumentId, Held>,
    /// Devices that a crew shut out, as its book here says.
    barred: BTreeSet<[u8; 32]>,
    /// Where devices of the crew said they are, as it was passed on to the network.
    told_of: BTreeMap<gravelbar_book::DeviceKey, Vec<SocketAddr>>,
    /// Documents on disk that nobody has asked for since the start, with their subjects, newest
    /// first. They are opened one by one when there is nothing else to do, so that a season's
    /// visits don't keep today's waiting.
    unopened: VecDeque<(DocumentId, String)>,
    meetings: BTreeMap<ConnectionNumber, Meeting>,
    /// People waiting for a visit they have been invited to.
    joining: Vec<Joining>,
    /// What is to be brought from one visit into another, and when.
    to_bring: bringing::Due,
    notices: Notices,
    /// Set while nothing can be saved.
    not_saving: Option<String>,
    looked_at_disk_ms: i64,
    pulse: watch::Sender<u64>,
    /// What is to be stored at the end of this turn, and who waits for it.
    turn: Turn,
}

/// What one turn has done in memory and not yet on disk.
#[derive(Default)]
struct Turn {
    batch: Batch,
    /// Answered once the batch is on disk.
    acts: Vec<Waiting>,
    /// Documents that changed.
    changed: BTreeSet<DocumentId>,
    /// Those in which this device wrote.
    written: BTreeSet<DocumentId>,
    /// The runs of this device that have something to sign.
    to_sign: BTreeSet<(DocumentId, Writer)>,
    /// Documents of which something urgent was heard.
    urgent: BTreeSet<DocumentId>,
    /// Documents that arrived or were started.
    opened: BTreeSet<DocumentId>,
    /// Batches from peers, acknowledged once on disk.
    arrived: Vec<(ConnectionNumber, DocumentId)>,
    /// Something a screen shows has changed.
    shown: bool,
}

struct Waiting {
    visit: DocumentId,
    act: Act,
    saved: Saved,
    answer: Option<oneshot::Sender<Result<Saved, NotSaved>>>,
}

/// Starts a device: opens its folder, its key, its visits and its network, then runs its loop on a
/// thread of its own.
///
/// # Errors
///
/// [`StartError`], in words for the person who starts it.
pub fn start(options: Options, runtime: tokio::runtime::Handle) -> Result<Node, StartError> {
    let (events, inbox) = channel();
    let (pulse, watching) = watch::channel(0);
    let node = Node {
        events: events.clone(),
        pulse: watching,
    };
    let device = Device::open(options, events.clone(), runtime, pulse)?;
    std::thread::Builder::new()
        .name("device".to_owned())
        .spawn(move || device.run(&inbox))
        .map_err(|e| StartError::System(e.to_string()))?;
    Ok(node)
}

/// Eight random bytes for this run of the program.
fn session() -> gravelbar_visit::Session {
    let mut bytes = [0; 8];
    if SystemRandom::new().fill(&mut bytes).is_err() {
        // Without randomness from the system no key could have been made or proved either; the
        // clock still tells runs apart.
        let now = Clock::default().now().timestamp_nanos_opt();
        bytes = now.unwrap_or_default().to_be_bytes();
    }
    gravelbar_visit::Session(bytes)
}

fn open_store(folder: &Path, witness: Option<&Path>) -> Result<Store, StartError> {
    Store::open(folder, witness).map_err(|why| StartError::Store {
        folder: folder.display().to_string(),
        why,
    })
}

impl Device {
    fn open(
        options: Options,
        events: Sender<Event>,
        runtime: tokio::runtime::Handle,
        pulse: watch::Sender<u64>,
    ) -> Result<Self, StartError> {
        let mut store = open_store(&options.folder, options.witness.as_deref())?;
        let identity = match store.identity()? {
            Some(pkcs8) => Identity::from_pkcs8(&pkcs8)?,
            None => {
                let identity = Identity::generate()?;
                store.commit(&Batch {
                    identity: Some(identity.pkcs8().to_vec()),
                    settings: vec![("device name".to_owned(), options.name.clone())],
                    ..Batch::default()
                })?;
                identity
            }
        };
        let name = store.setting("device name")?.unwrap_or(options.name);
        let key = identity.device();
        let signer = Signer::from_pkcs8(identity.pkcs8())?;
        let roster = Roster::new([]);
        let net = net::start(
            &identity,
            options.listen,
            options.reach,
            roster.clone(),
            events,
            runtime,
        )?;
        let mut device = Self {
            clock: options.clock,
            key,
            signer,
            tag: tag_of(key),
            name,
            roster,
            net,
            documents: BTreeMap::new(),
            barred: BTreeSet::new(),
            told_of: BTreeMap::new(),
            unopened: VecDeque::new(),
            meetings: BTreeMap::new(),
            joining: Vec::new(),
            to_bring: bringing::Due::new(),
            notices: Notices::default(),
            not_saving: None,
            looked_at_disk_ms: 0,
            pulse,
            turn: Turn::default(),
            store,
        };
        device.notice_opening();
        device.read_documents()?;
        device.meet_known()?;
        Ok(device)
    }

    fn run(mut self, inbox: &Receiver<Event>) {
        let mut asleep = self.until_due();
        loop {
            let first = match inbox.recv_timeout(asleep) {
                Ok(event) => event,
                Err(RecvTimeoutError::Timeout) if !self.unopened.is_empty() => {
                    self.open_next();
                    self.speak();
                    asleep = self.until_due();
                    continue;
                }
                Err(RecvTimeoutError::Timeout) => Event::Tick,
                Err(RecvTimeoutError::Disconnected) => return,
            };
            let mut leaving = None;
            let more = std::iter::from_fn(|| inbox.try_recv().ok());
            for event in std::iter::once(first).chain(more).take(EVENTS_A_TURN) {
                match event {
                    Event::Ask(ask) => self.answer(ask),
                    Event::Net(event) => self.hear(event),
                    Event::Tick => self.rest(),
                    Event::Quit(answer) => leaving = Some(answer),
                }
            }
            self.tell_joined();
            self.bring_joined();
            self.settle();
            self.try_saving_again();
            self.speak();
            if let Some(answer) = leaving {
                self.rest();
                let Self { net, store, .. } = self;
                net.close();
                // The folder is free before anyone is told that it is.
                drop(store);
                answer.send(()).ok();
                return;
            }
            asleep = self.until_due();
        }
    }

    /// How long nothing needs doing if nothing happens.
    fn until_due(&self) -> Duration {
        let now_ms = self.now().timestamp_millis();
        if !self.unopened.is_empty() {
            return Duration::ZERO;
        }
        if !self.joining.is_empty() {
            return Duration::from_secs(1);
        }
        if self.not_saving.is_some() {
            return Duration::from_millis(LOOK_AT_DISK_MS.unsigned_abs());
        }
        (self.meetings.values())
            .filter_map(Meeting::due_ms)
            .chain(self.to_bring.values().copied())
            .map(|due| u64::try_from(due.saturating_sub(now_ms)).unwrap_or(0))
            .min()
            .map_or(IDLE, |ms| Duration::from_millis(ms.max(1)).min(IDLE))
    }

    fn now(&self) -> DateTime<FixedOffset> {
        self.clock.now()
    }

    fn answer(&mut self, ask: Ask) {
        if let Some(document) = ask.document() {
            self.ensure_open(document);
        }
        match ask {
            Ask::Visits(answer) => {
                answer.send(self.visit_lines()).ok();
            }
            Ask::Start(plan, answer) => self.start_visit(*plan, answer),
            Ask::Act(visit, act, answer) => self.act(visit, act, answer),
            Ask::Sign(visit, sign, answer) => self.sign(visit, sign, answer),
            Ask::Picture(visit, answer) => {
                // What a picture shows is on disk: what this turn has taken so far goes first.
                self.settle();
                answer.send(self.picture(visit)).ok();
            }
            Ask::History(visit, record, answer) => {
                self.settle();
                let history = self.visit(visit).map(|held| held.visit.history(record));
                answer.send(history.unwrap_or_default()).ok();
            }
            Ask::Me(visit, answer) => {
                answer.send(self.me(visit)).ok();
            }
            Ask::BeMe(visit, person, answer) => self.be(visit, person, answer),
            Ask::Invite(visit, answer) => {
                answer.send(self.invite(visit)).ok();
            }
            Ask::Join(text, answer) => self.join(&text, answer),
            Ask::OpenCode(visit, answer) => {
                answer.send(self.open_code(visit)).ok();
            }
            Ask::EndCode => self.end_code(),
            Ask::LetIn(visit, answer) => {
                answer.send(self.let_in(visit)).ok();
            }
            Ask::Enter {
                code,
                place,
                answer,
            } => self.enter(&code, &place, answer),
            Ask::Look(looking) => self.net.look(looking),
            Ask::JoinableVisits(one, other, answer) => {
                self.settle();
                answer.send(self.joinable_visits(one, other)).ok();
            }
            Ask::Joinable(answer) => {
                answer.send(self.joinable()).ok();
            }
            Ask::Device(answer) => {
                answer.send(self.device_line()).ok();
            }
            Ask::NameDevice(name, answer) => self.rename(&name, answer),
            Ask::Books(answer) => {
                answer.send(self.book_lines()).ok();
            }
            Ask::Book(book, answer) => {
                self.settle();
                answer.send(self.book_picture(book)).ok();
            }
            Ask::StartCrew {
                crew,
                person,
                answer,
            } => self.start_crew(&crew, &person, answer),
            Ask::CrewAct(book, act, answer) => self.crew_act(book, *act, answer),
            Ask::OpenPlanned {
                book,
                visit,
                answer,
            } => self.open_planned(book, visit, answer),
        }
    }

    fn visit_lines(&self) -> Vec<VisitLine> {
        let mut lines: Vec<VisitLine> = self
            .visits()
            .map(|(document, held)| {
                let plan = held.visit.plan();
                VisitLine {
                    document,
                    site: plan.site.clone(),
                    place: plan.place.clone(),
                    date: plan.date,
                    records: Some(held.visit.records().len()),
                    perhaps_same_as: self.perhaps_same(document, plan),
                    joined_into: self.joined_into(document),
                }
            })
            .collect();
        let waiting = self.unopened.iter();
        lines.extend(waiting.filter_map(|(document, about)| {
            let Ok(Subject::Visit(plan)) = Subject::read(about) else {
                return None;
            };
            Some(VisitLine {
                document: *document,
                perhaps_same_as: Vec::new(),
                joined_into: None,
                site: plan.site,
                place: plan.place,
                date: plan.date,
                records: None,
            })
        }));
        lines.sort_by(|a, b| (b.date, &a.site, a.document).cmp(&(a.date, &b.site, b.document)));
        lines
    }

    /// Other visits here of the same site and day that aren't joined with it.
    fn perhaps_same(&self, document: DocumentId, plan: &Plan) -> Vec<DocumentId> {
        self.visits()
            .filter(|(other, held)| {
                let there = held.visit.plan();
                *other != document
                    && self.joined_into(*other) != Some(document)
                    && self.joined_into(document) != Some(*other)
                    && there.date == plan.date
                    && there.site.trim().eq_ignore_ascii_case(plan.site.trim())
            })
            .map(|(other, _)| other)
            .collect()
    }

    /// The visits that are open.
    fn visits(&self) -> impl Iterator<Item = (DocumentId, &HeldVisit)> {
        let documents = self.documents.iter();
        documents.filter_map(|(id, held)| Some((*id, held.as_visit()?)))
    }

    fn visit(&self, visit: DocumentId) -> Option<&HeldVisit> {
        self.documents.get(&visit)?.as_visit()
    }

    fn visit_mut(&mut self, visit: DocumentId) -> Option<&mut HeldVisit> {
        self.documents.get_mut(&visit)?.as_visit_mut()
    }

    fn device_line(&self) -> DeviceLine {
        DeviceLine {
            tag: self.tag,
            name: self.name.clone(),
            address: self.net.address().map(|a| a.to_string()),
            notices: self.notices.list(),
            not_saving: self.not_saving.clone(),
        }
    }

    fn me(&self, visit: DocumentId) -> Option<PersonName> {
        let name = self.store.setting(&me_setting(visit)).ok()??;
        PersonName::new(&name).ok()
    }

    /// The visit as it stands, worked out at most once for each state of it.
    fn picture(&mut self, visit: DocumentId) -> Option<Arc<Picture>> {
        let held = self.visit_mut(visit)?;
        let before = held.picture.take();
        let (view, summary) = match &before {
            // Only the other devices can have moved.
            Some(picture) => (
                Cow::Borrowed(&picture.view),
                Cow::Borrowed(&picture.summary),
            ),
            None => {
                let view = held.visit.view();
                let summary = held.reducer.summarize(&view);
                (Cow::Owned(view), Cow::Owned(summary))
            }
        };
        let live = self.peer_lines(visit, &view.devices);
        let device = self.device_line();
        let held = self.documents.get(&visit)?;
        let (trace, stops_heard) = (proving::trace(held), held.stops.heard());
        let picture = match &before {
            Some(same)
                if same.live == live
                    && same.device == device
                    && same.trace == trace
                    && same.stops_heard == stops_heard =>
            {
                Arc::clone(same)
            }
            _ => Arc::new(Picture {
                view: view.into_owned(),
                summary: summary.into_owned(),
                live,
                device,
                trace,
                stops_heard,
                number: *self.pulse.borrow(),
            }),
        };
        self.visit_mut(visit)?.picture = Some(Arc::clone(&picture));
        Some(picture)
    }

    /// Idle moment: the journal goes into the database.
    fn rest(&mut self) {
        if self.not_saving.is_none()
            && let Err(error) = self.store.rest()
        {
            self.stop_saving(&error.to_string());
        }
    }

    /// Tells this device's holder something, once.
    fn notice(&mut self, words: String) {
        let now = self.now();
        self.turn.shown |= self.notices.say(now, words);
    }

    fn pulse(&self) {
        self.pulse.send_modify(|pulse| *pulse += 1);
    }
}

/// The short name in record ids: the first eight bytes of the key's hash.
fn tag_of(key: DeviceKeyId) -> DeviceTag {
    let mut tag = [0; 8];
    tag.copy_from_slice(&key.0[..8]);
    DeviceTag(tag)
}

fn me_setting(visit: DocumentId) -> String {
    format!("me/{visit}")
}

fn refused(error: &impl std::fmt::Display) -> NotSaved {
    NotSaved {
        words: error.to_string(),
        try_again: false,
    }
}

fn no_such_visit() -> NotSaved {
    NotSaved {
        words: "this visit isn't on this device: join it by invitation".to_owned(),
        try_again: false,
    }
}

type Answer<T> = oneshot::Sender<Result<T, NotSaved>>;

impl Device {
    /// Signs what this device holds, naming the devices of the visit it can't be sure to have
    /// all records of: those not connected now.
    fn sign(&mut self, visit: DocumentId, sign: Sign, answer: Answer<Saved>) {
        let picture = self.picture(visit);
        let (Some(picture), Some(held)) = (picture, self.visit(visit)) else {
            answer.send(Err(no_such_visit())).ok();
            return;
        };
        let away = picture.live.iter().filter(|peer| !peer.connected);
        let not_heard = away.map(|peer| peer.name.clone()).collect();
        let act = Act {
            tap_id: sign.tap_id,
            by: sign.by,
            at: sign.at,
            why: sign.why,
            facts: vec![held.visit.signature(not_heard).into()],
        };
        let tap_id = act.tap_id.clone();
        self.act(visit, act, answer);
        // The signature goes to disk first: the season's book follows it, never the other way.
        let taken = self.turn.acts.iter().any(|w| w.act.tap_id == tap_id);
        self.settle();
        if taken {
            self.put_into_season(visit);
        }
    }
}
