//! The state machine: frames in, events out, the next frame when asked.

mod hear;
mod pace;
mod say;

use std::collections::BTreeMap;

use gravelbar_ledger::{DocumentId, Vector};

use crate::clock::Clock;
use crate::event::{Event, Introduction, ProtocolError};
use crate::limits::{HOLD_MS, Limits, NAME_BYTES, REASON_BYTES};
use crate::shelf::Shelf;
use crate::talk::Talk;
use crate::wire::Frame;
use pace::Pace;

/// One conversation with one peer, from greeting to loss of the connection.
///
/// Inputs are the `handle_*` methods; after each, call [`Session::poll`] until it gives nothing,
/// and again when [`Session::poll_timeout`] is past. Drop the session with its connection.
///
/// `now_ms` is the device's wall clock, milliseconds since 1970. It may jump; what hangs on it is the
/// measured offset, and when a change that others wrote is passed on.
///
/// ```
/// use gravelbar_session::{Event, Introduction, Limits, Offer, Parcel, Session, Shelf, Vector};
/// use gravelbar_ledger::DocumentId;
///
/// struct Empty;
/// impl Shelf for Empty {
///     fn offers(&self) -> Vec<Offer> { Vec::new() }
///     fn missing(&self, _: DocumentId, _: &Vector, _: usize, _: usize) -> Parcel { Parcel::default() }
/// }
///
/// let intro = |name: &str| Introduction { name: name.to_owned(), program: "example 1".to_owned() };
/// let mut bank = Session::new(intro("Bank"), Limits::default(), 1);
/// let mut net = Session::new(intro("Net 2"), Limits::default(), 2);
/// let hello = net.poll(0, &Empty).expect("a session greets first");
/// let events = bank.handle_frame(0, &hello, &Empty)?;
/// assert!(matches!(&events[0], Event::Greeted { name, .. } if name == "Net 2"));
/// # Ok::<(), gravelbar_session::ProtocolError>(())
/// ```
#[derive(Debug)]
pub struct Session {
    me: Introduction,
    limits: Limits,
    said_hello: bool,
    /// Set once the peer has greeted.
    clock: Option<Clock>,
    /// An ask of the peer's to answer, and when it came. A newer one takes its place.
    clock_answer: Option<(u64, i64)>,
    talks: BTreeMap<DocumentId, Talk>,
    /// The document whose turn it was last.
    turn: Option<DocumentId>,
    batches_sent: u64,
    pace: Pace,
    last_batch_arrived: u64,
    /// Entries of vectors held on the peer's word.
    writers_told: usize,
    /// Documents the peer offered.
    documents_told: usize,
    /// Entries of vectors in our offers.
    writers_offered: usize,
    /// Documents we offered.
    documents_offered: usize,
    unknown_frames: u32,
    /// Urgent messages the peer sent, and was sent.
    urgent_arrived: u32,
    urgent_sent: u32,
    /// Spreads what is passed on.
    dice: u64,
    last_now_ms: i64,
    broken: Option<ProtocolError>,
}

impl Session {
    /// A conversation about to begin. `dice` is any number; it should differ from device to device
    /// and from connection to connection, so that not all pass on the same thing at one moment.
    #[must_use]
    pub fn new(me: Introduction, limits: Limits, dice: u64) -> Self {
        Self {
            me: Introduction {
                name: shortened(me.name, NAME_BYTES),
                program: shortened(me.program, NAME_BYTES),
            },
            limits: limits.within_defaults(),
            said_hello: false,
            clock: None,
            clock_answer: None,
            talks: BTreeMap::new(),
            turn: None,
            batches_sent: 0,
            pace: Pace::default(),
            last_batch_arrived: 0,
            writers_told: 0,
            documents_told: 0,
            writers_offered: 0,
            documents_offered: 0,
            unknown_frames: 0,
            urgent_arrived: 0,
            urgent_sent: 0,
            dice,
            last_now_ms: i64::MIN,
            broken: None,
        }
    }

    /// Takes a frame from the peer.
    ///
    /// # Errors
    ///
    /// [`ProtocolError`] when the conversation can't go on; every later frame meets the same.
    pub fn handle_frame(
        &mut self,
        now_ms: i64,
        frame: &[u8],
        shelf: &dyn Shelf,
    ) -> Result<Vec<Event>, ProtocolError> {
        if let Some(broken) = &self.broken {
            return Err(broken.clone());
        }
        self.notice(now_ms);
        let result = Frame::read(frame)
            .map_err(|why| ProtocolError::unreadable(why, frame.len()))
            .and_then(|frame| self.take(now_ms, frame, shelf));
        if let Err(error) = &result {
            self.broken = Some(error.clone());
        }
        result
    }

    /// The owner has stored this much of a document: what arrived is acknowledged.
    ///
    /// Call it once what it names would survive a power cut, and after every
    /// [`Event::Arrived`], even where nothing of it was new.
    pub fn handle_stored(&mut self, document: DocumentId, vector: &Vector) {
        if let Some(talk) = self.talks.get_mut(&document) {
            talk.stored(vector);
        }
    }

    /// The owner won't have some of a batch, for what it is; the peer is told, with the reason, and
    /// doesn't send it again on this connection. An owner that can't store for a while (its disk is
    /// full) refuses nothing: it closes the connection and meets the peer again later.
    pub fn handle_refused(&mut self, document: DocumentId, batch: u64, why: &str) {
        if let Some(talk) = self.talks.get_mut(&document) {
            talk.refuse(batch, shortened(why.to_owned(), REASON_BYTES));
        }
    }

    /// There is a new document on the shelf, or there are new changes that this device wrote: the
    /// peer gets at once whatever it lacks.
    pub fn handle_changed(&mut self, document: DocumentId) {
        if self.clock.is_none() {
            return; // The greeting looks at the whole shelf.
        }
        let talk = self.talks.entry(document).or_default();
        talk.push_due = true;
        talk.urgent_due = true;
        talk.offer_due = !talk.offered;
    }

    /// There are new changes on the shelf that others wrote, which now holds this much: the peer
    /// is told so shortly, and gets what it lacks after a little while in which most have it from
    /// whoever wrote it. What is urgent goes at once. Call it for every conversation, that in which
    /// the changes came too.
    pub fn handle_relayed(&mut self, now_ms: i64, document: DocumentId, vector: &Vector) {
        self.notice(now_ms);
        if self.clock.is_none() {
            return;
        }
        let hold_ms = self.hold_ms();
        let talk = self.talks.entry(document).or_default();
        talk.relayed(vector, now_ms, hold_ms);
        talk.offer_due = !talk.offered;
    }

    /// The next frame to send, or nothing to do until something happens.
    pub fn poll(&mut self, now_ms: i64, shelf: &dyn Shelf) -> Option<Vec<u8>> {
        if !self.said_hello {
            self.said_hello = true;
            return self.hello();
        }
        if self.broken.is_some() {
            return None;
        }
        self.notice(now_ms);
        // First what is urgent, then what is quick and awaited, then what may be large.
        self.urgent_frame(shelf)
            .or_else(|| self.clock_frame(now_ms))
            .or_else(|| self.answer_frame(now_ms, shelf))
            .or_else(|| self.offer_frame(shelf))
            .or_else(|| self.batch_frame(now_ms, shelf))
    }

    /// When to poll again though nothing has happened.
    #[must_use]
    pub fn poll_timeout(&self) -> Option<i64> {
        if self.broken.is_some() {
            return None;
        }
        let talks = self.talks.values().filter_map(Talk::due_ms);
        talks.chain(self.clock.as_ref().map(Clock::due_ms)).min()
    }

    /// Looks whether our clock was set back.
    fn notice(&mut self, now_ms: i64) {
        if now_ms < self.last_now_ms {
            for talk in self.talks.values_mut() {
                talk.hurry();
            }
        }
        self.last_now_ms = now_ms;
    }

    /// How long to keep back what others wrote: another time each time (SplitMix64, Steele et al. 2014).
    fn hold_ms(&mut self) -> i64 {
        self.dice = self.dice.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut mixed = self.dice;
        mixed = (mixed ^ (mixed >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        mixed = (mixed ^ (mixed >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        let (least, most) = HOLD_MS;
        let thrown = i64::try_from(mixed >> 33).unwrap_or_default();
        least + thrown % (most - least + 1)
    }

    /// Documents of the shelf that were not offered because they are over a limit: more documents,
    /// more writers or a longer text than one conversation carries. Nought in any sane crew.
    #[must_use]
    pub fn unoffered(&self) -> usize {
        self.talks.values().filter(|talk| talk.unofferable).count()
    }
}

/// A text cut to a length in bytes, between characters.
fn shortened(mut text: String, most_bytes: usize) -> String {
    let mut end = most_bytes.min(text.len());
    while !text.is_char_boundary(end) {
        end -= 1; // Nought is a boundary.
    }
    text.truncate(end);
    text
}
