//! The handle to the device's loop: what screens and the command line may ask of it.

use std::collections::BTreeSet;
use std::sync::Arc;
use std::sync::mpsc::Sender;

use chrono::{DateTime, FixedOffset};
use gravelbar_book::{DeviceKey, Grant};
use gravelbar_reduce::Summary;
use gravelbar_visit::{
    DeviceTag, DocumentId, Fact, FlagKind, HistoryLine, JoinedVisit, PersonName, Plan, Preview,
    RecordId, View,
};
use serde::Serialize;
use tokio::sync::{oneshot, watch};

/// Asks the device's loop; cheap to clone.
#[derive(Clone)]
pub struct Node {
    pub(crate) events: Sender<Event>,
    /// Rises with everything that a screen could show differently.
    pub(crate) pulse: watch::Receiver<u64>,
}

/// What happens to the loop: a closed set.
pub(crate) enum Event {
    /// Someone on this device asks something.
    Ask(Ask),
    /// The network says something.
    Net(crate::net::NetEvent),
    /// Time has passed.
    Tick,
    /// The program ends.
    Quit(oneshot::Sender<()>),
}

/// A question or a command, with where to answer.
pub(crate) enum Ask {
    Visits(oneshot::Sender<Vec<VisitLine>>),
    Start(Box<Plan>, oneshot::Sender<Result<DocumentId, NotSaved>>),
    Act(DocumentId, Act, oneshot::Sender<Result<Saved, NotSaved>>),
    Sign(DocumentId, Sign, oneshot::Sender<Result<Saved, NotSaved>>),
    Picture(DocumentId, oneshot::Sender<Option<Arc<Picture>>>),
    History(DocumentId, RecordId, oneshot::Sender<Vec<HistoryLine>>),
    Me(DocumentId, oneshot::Sender<Option<PersonName>>),
    BeMe(
        DocumentId,
        PersonName,
        oneshot::Sender<Result<(), NotSaved>>,
    ),
    Invite(DocumentId, oneshot::Sender<Result<String, NotSaved>>),
    Join(String, oneshot::Sender<Result<DocumentId, NotSaved>>),
    OpenCode(DocumentId, oneshot::Sender<Result<(), NotSaved>>),
    EndCode,
    LetIn(DocumentId, oneshot::Sender<LetIn>),
    Enter {
        code: String,
        place: String,
        answer: oneshot::Sender<Result<DocumentId, NotSaved>>,
    },
    Look(bool),
    JoinableVisits(DocumentId, DocumentId, oneshot::Sender<Option<Joinable>>),
    Joinable(oneshot::Sender<Vec<JoinableLine>>),
    Device(oneshot::Sender<DeviceLine>),
    NameDevice(String, oneshot::Sender<Result<(), NotSaved>>),
    Books(oneshot::Sender<Vec<BookLine>>),
    Book(DocumentId, oneshot::Sender<Option<Arc<BookPicture>>>),
    StartCrew {
        crew: String,
        person: PersonName,
        answer: oneshot::Sender<Result<DocumentId, NotSaved>>,
    },
    CrewAct(
        DocumentId,
        Box<CrewAct>,
        oneshot::Sender<Result<Saved, NotSaved>>,
    ),
    OpenPlanned {
        book: DocumentId,
        visit: DocumentId,
        answer: oneshot::Sender<Result<DocumentId, NotSaved>>,
    },
}

impl Ask {
    /// The document it is about.
    pub(crate) fn document(&self) -> Option<DocumentId> {
        match self {
            Self::Act(visit, ..)
            | Self::Sign(visit, ..)
            | Self::Picture(visit, _)
            | Self::History(visit, ..)
            | Self::Me(visit, _)
            | Self::BeMe(visit, ..)
            | Self::Invite(visit, _)
            | Self::OpenCode(visit, _)
            | Self::LetIn(visit, _)
            | Self::Book(visit, _)
            | Self::CrewAct(visit, ..) => Some(*visit),
            Self::OpenPlanned { book, .. } => Some(*book),
            Self::Visits(_)
            | Self::Start(..)
            | Self::Join(..)
            | Self::EndCode
            | Self::Enter { .. }
            | Self::Look(_)
            | Self::JoinableVisits(..)
            | Self::Joinable(_)
            | Self::Device(_)
            | Self::NameDevice(..)
            | Self::Books(_)
            | Self::StartCrew { .. } => None,
        }
    }
}

/// What one person did at one moment on this device's screen.
#[derive(Debug, Clone)]
pub struct Act {
    /// The screen's name for this act; sending it twice records it once.
    pub tap_id: String,
    /// Who.
    pub by: PersonName,
    /// When, by the device's clock; `None` lets the loop read it.
    pub at: Option<DateTime<FixedOffset>>,
    /// Reason, where one is needed.
    pub why: Option<String>,
    /// What, all in one change.
    pub facts: Vec<Fact>,
}

/// A signature on what the device holds at that moment.
#[derive(Debug, Clone)]
pub struct Sign {
    /// As in [`Act`].
    pub tap_id: String,
    /// Who signs.
    pub by: PersonName,
    /// When; `None` lets the loop read the clock.
    pub at: Option<DateTime<FixedOffset>>,
    /// Reason for signing with devices not heard, where there are any.
    pub why: Option<String>,
}

/// What one person did in the crew's book.
#[derive(Debug, Clone)]
pub struct CrewAct {
    /// As in [`Act`].
    pub tap_id: String,
    /// Who.
    pub by: PersonName,
    /// Reason, where one is needed.
    pub why: Option<String>,
    /// What.
    pub doing: CrewDoing,
}

/// What can be done in the crew's book.
#[derive(Debug, Clone)]
pub enum CrewDoing {
    /// Writes about people, sites, lists, limits, permits and plans.
    Write(Vec<gravelbar_book::Fact>),
    /// Gives a device rights, in the place of those it has.
    Admit(Grant),
    /// A device leaves the crew in peace.
    LetGo(DeviceKey),
    /// Grants that two leads made apart: these stand, those don't.
    Settle {
        /// They stand.
        keep: Vec<RecordId>,
        /// They don't.
        withdraw: Vec<RecordId>,
    },
    /// A device is shut out for good.
    Lost(DeviceKey),
    /// What the book holds aside of a device that was shut out counts after all.
    AcceptHeld(DeviceKey),
    /// A device is used by this person from now on.
    HandOver(DeviceKey, PersonName),
}

/// On disk, synced.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, serde::Deserialize)]
pub struct Saved {
    /// The new records, in the order of the facts.
    pub records: Vec<RecordId>,
}

/// Not saved, and why, in words for the person who tapped.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{words}")]
pub struct NotSaved {
    /// What happened and what can be done.
    pub words: String,
    /// Whether sending the same act again later may work (the disk was full, the device was
    /// closing), as against an act that is refused for what it says.
    pub try_again: bool,
}

/// A visit on this device.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct VisitLine {
    /// The document.
    pub document: DocumentId,
    /// Site code.
    pub site: String,
    /// Place in words.
    pub place: String,
    /// Day.
    pub date: chrono::NaiveDate,
    /// Records held; `None` until the visit has been read from disk.
    pub records: Option<usize>,
    /// Other visits on this device with the same site and day: perhaps one visit made twice.
    pub perhaps_same_as: Vec<DocumentId>,
    /// The visit here that has taken this one in.
    pub joined_into: Option<DocumentId>,
}

/// Two visits side by side: what joining them gives.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Joinable {
    /// Both, and what they are together.
    pub preview: Preview,
    /// How they were joined, whether or not the joining stands.
    pub joined: Option<JoinedVisit>,
}

/// This device.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct DeviceLine {
    /// Short name in record ids.
    pub tag: DeviceTag,
    /// What the crew calls it.
    pub name: String,
    /// Where others reach it, if the network is up.
    pub address: Option<String>,
    /// Things its holder must know: a restored data folder, refused data, a full disk.
    pub notices: Vec<Notice>,
    /// Set while nothing can be saved: why.
    pub not_saving: Option<String>,
}

/// Something this device's holder must know.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Notice {
    /// When it was first noticed, by this device's clock.
    pub at: DateTime<FixedOffset>,
    /// What happened and what can be done.
    pub words: String,
}

/// What to show to let another device in.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Default)]
pub struct LetIn {
    /// The code, while one is open.
    pub code: Option<ShownCode>,
    /// The invitation's text, while one is open.
    pub invitation: Option<String>,
    /// Where this device can be reached.
    pub addresses: Vec<String>,
}

/// A short code that is open.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct ShownCode {
    /// Six digits in two groups.
    pub digits: String,
    /// What the device calls itself on the local network meanwhile.
    pub label: Option<String>,
    /// Wrong tries that it outlives, and the one that ends it.
    pub tries_left: u8,
    /// How long it stays open.
    pub seconds_left: u64,
}

/// A device that is open for joining.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct JoinableLine {
    /// As on its screen.
    pub label: String,
    /// Where it is.
    pub addresses: Vec<String>,
}

/// A visit as this device can show it now.
#[derive(Debug, Clone, Serialize)]
pub struct Picture {
    /// The records read together.
    pub view: View,
    /// All numbers.
    pub summary: Summary,
    /// The other devices, as far as this one hears them.
    pub live: Vec<PeerLine>,
    /// This device.
    pub device: DeviceLine,
    /// Whose the records are, as far as that isn't plain.
    pub trace: TraceLine,
    /// Stops that other devices told of and whose records aren't in yet.
    pub stops_heard: Vec<StopHeard>,
    /// Rises with each new picture.
    pub number: u64,
}

/// A stop that was told ahead of the history it belongs to.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct StopHeard {
    /// The change that will bring it: its writer and number.
    pub change: String,
    /// Who stopped work.
    pub by: PersonName,
    /// When, by their device's clock.
    pub at: DateTime<FixedOffset>,
    /// Why, if they said.
    pub why: Option<String>,
    /// The device that signed it.
    pub device: String,
}

/// What a visit's signatures show besides whose each record is.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize)]
pub struct TraceLine {
    /// Records that are known to exist and aren't here.
    pub gaps: Vec<GapLine>,
    /// Devices with two histories, in words. All of both counts, once each.
    pub forks: Vec<String>,
    /// Records here that nobody has signed.
    pub unsigned: u64,
}

/// Changes of one run of a device that are known to exist and aren't here.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct GapLine {
    /// The run.
    pub writer: String,
    /// What the visit calls the device.
    pub device: String,
    /// The last that is here; 0 for none.
    pub here: u64,
    /// The highest that is known.
    pub known: u64,
}

/// A crew book on this device.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct BookLine {
    /// The document.
    pub document: DocumentId,
    /// What the crew calls itself.
    pub crew: String,
}

/// A crew book as this device can show it now.
#[derive(Debug, Clone)]
pub struct BookPicture {
    /// The records read together.
    pub view: Arc<gravelbar_book::View>,
    /// Who holds this device.
    pub me: Option<PersonName>,
    /// The crew's other devices, as far as this one hears them.
    pub live: Vec<PeerLine>,
    /// This device's key.
    pub key: DeviceKey,
    /// Whether this device may change the roster.
    pub may_change: bool,
    /// This device.
    pub device: DeviceLine,
    /// The documents this device holds open.
    pub held: BTreeSet<DocumentId>,
    /// Visits of the newest day in which this device has a holder: where work may have to stop.
    pub stops: Vec<StopLine>,
}

/// A visit in which this device's holder can stop work.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct StopLine {
    /// The visit.
    pub visit: DocumentId,
    /// Its site code.
    pub site: String,
    /// Who holds this device there.
    pub by: PersonName,
}

/// Another device of the visit, as this one hears it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct PeerLine {
    /// Short name in record ids.
    pub tag: DeviceTag,
    /// What the crew calls it.
    pub name: String,
    /// Who holds it.
    pub holder: Option<PersonName>,
    /// In range now.
    pub connected: bool,
    /// Last heard, by this device's clock.
    pub last_heard: Option<DateTime<FixedOffset>>,
    /// It has said that it holds everything this device holds of the visit.
    pub has_all_of_ours: bool,
}

/// The loop is gone: the program is closing.
fn closing() -> NotSaved {
    NotSaved {
        words: "the program is closing: open it again and repeat this".to_owned(),
        try_again: true,
    }
}

impl Node {
    async fn ask<T>(&self, ask: impl FnOnce(oneshot::Sender<T>) -> Ask) -> Option<T> {
        let (answer, answered) = oneshot::channel();
        self.events.send(Event::Ask(ask(answer))).ok()?;
        answered.await.ok()
    }

    /// The visits on this device, newest day first.
    pub async fn visits(&self) -> Vec<VisitLine> {
        self.ask(Ask::Visits).await.unwrap_or_default()
    }

    /// Opens the visit of this plan, the same one on every device that has the plan.
    ///
    /// # Errors
    ///
    /// [`NotSaved`] when the plan is unusable or can't be stored.
    pub async fn start(&self, plan: Plan) -> Result<DocumentId, NotSaved> {
        self.ask(|answer| Ask::Start(Box::new(plan), answer))
            .await
            .unwrap_or_else(|| Err(closing()))
    }

    /// Records an act; answered only once it is on disk, synced.
    ///
    /// # Errors
    ///
    /// [`NotSaved`] with what to do; nothing was recorded.
    pub async fn act(&self, visit: DocumentId, act: Act) -> Result<Saved, NotSaved> {
        self.ask(|answer| Ask::Act(visit, act, answer))
            .await
            .unwrap_or_else(|| Err(closing()))
    }

    /// Signs what this device holds when the loop takes the request.
    ///
    /// # Errors
    ///
    /// [`NotSaved`], as for [`Self::act`].
    pub async fn sign(&self, visit: DocumentId, sign: Sign) -> Result<Saved, NotSaved> {
        self.ask(|answer| Ask::Sign(visit, sign, answer))
            .await
            .unwrap_or_else(|| Err(closing()))
    }

    /// The visit as it stands, or `None` if this device hasn't got it.
    pub async fn picture(&self, visit: DocumentId) -> Option<Arc<Picture>> {
        self.ask(|answer| Ask::Picture(visit, answer)).await?
    }

    /// The life of one record.
    pub async fn history(&self, visit: DocumentId, record: RecordId) -> Vec<HistoryLine> {
        self.ask(|answer| Ask::History(visit, record, answer))
            .await
            .unwrap_or_default()
    }

    /// Who holds this device in this visit.
    pub async fn me(&self, visit: DocumentId) -> Option<PersonName> {
        self.ask(|answer| Ask::Me(visit, answer)).await?
    }

    /// This device is now held by `person`: remembered here, and recorded in the visit.
    ///
    /// # Errors
    ///
    /// [`NotSaved`], as for [`Self::act`].
    pub async fn be(&self, visit: DocumentId, person: PersonName) -> Result<(), NotSaved> {
        self.ask(|answer| Ask::BeMe(visit, person, answer))
            .await
            .unwrap_or_else(|| Err(closing()))
    }

    /// A text that lets other devices join this visit, to be shown or read out.
    ///
    /// # Errors
    ///
    /// [`NotSaved`] when the network is down or the visit isn't here.
    pub async fn invite(&self, visit: DocumentId) -> Result<String, NotSaved> {
        self.ask(|answer| Ask::Invite(visit, answer))
            .await
            .unwrap_or_else(|| Err(closing()))
    }

    /// Enters another device's invitation; answered once the visit is here.
    ///
    /// # Errors
    ///
    /// [`NotSaved`] when the text is mistyped, nobody answers, or it has run out.
    pub async fn join(&self, invitation: String) -> Result<DocumentId, NotSaved> {
        self.ask(|answer| Ask::Join(invitation, answer))
            .await
            .unwrap_or_else(|| Err(closing()))
    }

    /// Opens a short code for one device to join this visit by, and an invitation beside it.
    ///
    /// # Errors
    ///
    /// [`NotSaved`] when the network is down or the visit isn't here.
    pub async fn open_code(&self, visit: DocumentId) -> Result<(), NotSaved> {
        self.ask(|answer| Ask::OpenCode(visit, answer))
            .await
            .unwrap_or_else(|| Err(closing()))
    }

    /// Ends the code before its time.
    pub fn end_code(&self) {
        // A loop that is gone has no code open.
        self.events.send(Event::Ask(Ask::EndCode)).ok();
    }

    /// What to show to let somebody in to this visit.
    pub async fn let_in(&self, visit: DocumentId) -> LetIn {
        self.ask(|answer| Ask::LetIn(visit, answer))
            .await
            .unwrap_or_default()
    }

    /// Enters the code that another device shows; `place` is its label or address, or nothing where only
    /// one device is open for joining. Answered once the visit is here.
    ///
    /// # Errors
    ///
    /// [`NotSaved`] when the code is wrong, has ended, or nobody answers.
    pub async fn enter(&self, code: String, place: String) -> Result<DocumentId, NotSaved> {
        self.ask(|answer| Ask::Enter {
            code,
            place,
            answer,
        })
        .await
        .unwrap_or_else(|| Err(closing()))
    }

    /// One more screen, or one less, looks for devices open for joining.
    pub fn look(&self, looking: bool) {
        // A loop that is gone looks no more.
        self.events.send(Event::Ask(Ask::Look(looking))).ok();
    }

    /// The devices open for joining that are heard; told only while a screen looks.
    pub async fn joinable(&self) -> Vec<JoinableLine> {
        self.ask(Ask::Joinable).await.unwrap_or_default()
    }

    /// Two visits on this device side by side, and what joining them gives; `None` where one of
    /// them isn't here.
    pub async fn joinable_visits(&self, one: DocumentId, other: DocumentId) -> Option<Joinable> {
        self.ask(|answer| Ask::JoinableVisits(one, other, answer))
            .await?
    }

    /// This device.
    pub async fn device(&self) -> Option<DeviceLine> {
        self.ask(Ask::Device).await
    }

    /// Gives this device the name the crew calls it by.
    ///
    /// # Errors
    ///
    /// [`NotSaved`] when the name can't be kept or stored.
    pub async fn name_device(&self, name: String) -> Result<(), NotSaved> {
        self.ask(|answer| Ask::NameDevice(name, answer))
            .await
            .unwrap_or_else(|| Err(closing()))
    }

    /// The crew books on this device.
    pub async fn books(&self) -> Vec<BookLine> {
        self.ask(Ask::Books).await.unwrap_or_default()
    }

    /// A crew book as it stands, or `None` if this device hasn't got it.
    pub async fn book(&self, book: DocumentId) -> Option<Arc<BookPicture>> {
        self.ask(|answer| Ask::Book(book, answer)).await?
    }

    /// Founds a crew with this device as its lead's.
    ///
    /// # Errors
    ///
    /// [`NotSaved`] when the name can't be kept or stored.
    pub async fn start_crew(
        &self,
        crew: String,
        person: PersonName,
    ) -> Result<DocumentId, NotSaved> {
        self.ask(|answer| Ask::StartCrew {
            crew,
            person,
            answer,
        })
        .await
        .unwrap_or_else(|| Err(closing()))
    }

    /// Does something in the crew's book; answered only once it is on disk, synced.
    ///
    /// # Errors
    ///
    /// [`NotSaved`] with what to do; nothing was written.
    pub async fn crew_act(&self, book: DocumentId, act: CrewAct) -> Result<Saved, NotSaved> {
        self.ask(|answer| Ask::CrewAct(book, Box::new(act), answer))
            .await
            .unwrap_or_else(|| Err(closing()))
    }

    /// Opens a planned visit: the same document on every device of the crew.
    ///
    /// # Errors
    ///
    /// [`NotSaved`] when the plan is gone or the visit can't be stored.
    pub async fn open_planned(
        &self,
        book: DocumentId,
        visit: DocumentId,
    ) -> Result<DocumentId, NotSaved> {
        self.ask(|answer| Ask::OpenPlanned {
            book,
            visit,
            answer,
        })
        .await
        .unwrap_or_else(|| Err(closing()))
    }

    /// Rises with everything that a screen could show differently.
    #[must_use]
    pub fn pulse(&self) -> watch::Receiver<u64> {
        self.pulse.clone()
    }

    /// Ends the loop after what it has taken is stored.
    pub async fn quit(&self) {
        let (answer, answered) = oneshot::channel();
        if self.events.send(Event::Quit(answer)).is_ok() {
            // An error means the loop ended by itself, which is what was asked.
            answered.await.ok();
        }
    }
}

/// Flags a lead settles before signing, apart from cautions about numbers.
#[must_use]
pub fn asks_for_a_person(kind: FlagKind) -> bool {
    !matches!(kind, FlagKind::Caution | FlagKind::NoEstimate)
}
