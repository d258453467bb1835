//! The state machine: frames in, events out, the next frame when asked.

use std::collections::BTreeMap;
use std::ops::Bound;

use gravelbar_ledger::DocumentId;

use crate::clock::Clock;
use crate::limits::{
    ABOUT_BYTES, CHANGE_BYTES, DOCUMENTS, FRAME_BYTES, Limits, NAME_BYTES, REASON_BYTES,
    UNKNOWN_FRAMES, WINDOW, WRITERS, WRITERS_OFFERED, WRITERS_TOLD,
};
use crate::shelf::{Outgoing, Shelf, Vector};
use crate::talk::Talk;
use crate::wire::{
    Batch, ClockAnswer, ClockAsk, Frame, Hello, NEWEST_VERSION, OLDEST_VERSION, OfferFrame,
    Refused, Stored, Unreadable,
};

/// Who speaks, for people to read. It proves nothing: the connection's key does.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Introduction {
    /// What the device is called.
    pub name: String,
    /// The program and its version.
    pub program: String,
}

/// What a frame amounts to.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Event {
    /// The peer introduced itself. First event of every conversation.
    Greeted {
        /// What the peer calls its device.
        name: String,
        /// Its program and version.
        program: String,
    },
    /// The peer has a document that isn't on the shelf. To take it, put it there (empty) and call
    /// [`Session::handle_changed`]. To leave it, do nothing.
    Offered {
        /// Its name.
        document: DocumentId,
        /// What the peer says it is about.
        about: String,
        /// How much of it the peer holds.
        vector: Vector,
    },
    /// Changes came. The owner checks and stores them, then calls [`Session::handle_stored`]; where
    /// it won't have some, also [`Session::handle_refused`].
    Arrived {
        /// The document they belong to, which is on the shelf.
        document: DocumentId,
        /// The peer's number for the batch.
        batch: u64,
        /// The changes, each after all that it builds on.
        changes: Vec<Vec<u8>>,
    },
    /// The peer has said what it has stored, all together as far as it has told.
    PeerHas {
        /// The document.
        document: DocumentId,
        /// How many changes of every writer.
        vector: Vector,
    },
    /// The peer's clock was measured, better than before.
    Clock {
        /// The peer's clock minus ours: subtract it from a time the peer wrote to read it by ours.
        offset_ms: i64,
        /// The true offset is no further away than this.
        uncertainty_ms: i64,
    },
    /// The peer won't have some of what was sent. It isn't sent again on this connection.
    Refused {
        /// The document.
        document: DocumentId,
        /// The refused batch reached to these numbers.
        reach: Vector,
        /// The peer's reason.
        why: String,
    },
}

/// Why the conversation can't go on. The connection is to be closed; the next one starts afresh.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum ProtocolError {
    /// No version is spoken by both.
    #[error(
        "the other device speaks versions {theirs_oldest} to {theirs_newest} of the conversation, this one \
         {OLDEST_VERSION} to {NEWEST_VERSION}: bring the older program up to date"
    )]
    Version {
        /// The newest version the peer speaks.
        theirs_newest: u16,
        /// The oldest version the peer speaks.
        theirs_oldest: u16,
    },
    /// A frame of this kind must be understood and isn't known.
    #[error("the other device sent a message of kind {kind}, which this program doesn't know")]
    UnknownKind {
        /// The kind byte.
        kind: u8,
    },
    /// A frame is longer than any may be.
    #[error("the other device sent a message of {bytes} bytes; {FRAME_BYTES} is the most")]
    FrameTooLong {
        /// Its length.
        bytes: usize,
    },
    /// A frame doesn't have the form its kind has.
    #[error("the other device sent a message that can't be read")]
    Malformed,
    /// Something came at a point where it can't.
    #[error("the other device broke the order of the conversation: {what}")]
    OutOfTurn {
        /// What it did.
        what: &'static str,
    },
    /// The peer asks for more memory than one peer gets.
    #[error("the other device went over a limit: more than {most} {what}")]
    OverLimit {
        /// Of what.
        what: &'static str,
        /// How many are allowed.
        most: usize,
    },
}

/// One conversation with one peer, from greeting to loss of the connection.
///
/// Inputs are the `handle_*` methods; after each, call [`Session::poll`] until it gives nothing,
/// and again when [`Session::poll_timeout`] is past. Drop the session with its connection.
///
/// `now_ms` is the device's wall clock, milliseconds since 1970. It may jump; nothing but the
/// measured offset hangs on it.
///
/// ```
/// use gravelbar_session::{Event, Introduction, Limits, Offer, Outgoing, Session, Shelf, Vector};
/// use gravelbar_ledger::DocumentId;
///
/// struct Empty;
/// impl Shelf for Empty {
///     fn offers(&self) -> Vec<Offer> { Vec::new() }
///     fn missing(&self, _: DocumentId, _: &Vector, _: usize, _: usize) -> Vec<Outgoing> { Vec::new() }
/// }
///
/// let intro = |name: &str| Introduction { name: name.to_owned(), program: "example 1".to_owned() };
/// let mut bank = Session::new(intro("Bank"), Limits::default());
/// let mut net = Session::new(intro("Net 2"), Limits::default());
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
    broken: Option<ProtocolError>,
}

impl Session {
    /// A conversation about to begin.
    #[must_use]
    pub fn new(me: Introduction, limits: Limits) -> Self {
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
            last_batch_arrived: 0,
            writers_told: 0,
            documents_told: 0,
            writers_offered: 0,
            documents_offered: 0,
            unknown_frames: 0,
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
        let result = Frame::read(frame)
            .map_err(|unreadable| match unreadable {
                Unreadable::TooLong => ProtocolError::FrameTooLong { bytes: frame.len() },
                Unreadable::Malformed => ProtocolError::Malformed,
                Unreadable::UnknownKind(kind) => ProtocolError::UnknownKind { kind },
            })
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

    /// The owner won't have some of a batch; the peer is told, with the reason, and doesn't send it
    /// again on this connection.
    pub fn handle_refused(&mut self, document: DocumentId, batch: u64, why: &str) {
        if let Some(talk) = self.talks.get_mut(&document) {
            talk.refuse(batch, shortened(why.to_owned(), REASON_BYTES));
        }
    }

    /// There are new changes on the shelf, or a new document, from wherever they came.
    pub fn handle_changed(&mut self, document: DocumentId) {
        if self.clock.is_none() {
            return; // The greeting looks at the whole shelf.
        }
        let talk = self.talks.entry(document).or_default();
        talk.push_due = true;
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
        // First what is quick and awaited, then what may be large.
        self.clock_frame(now_ms)
            .or_else(|| self.answer_frame(shelf))
            .or_else(|| self.offer_frame(shelf))
            .or_else(|| self.batch_frame(shelf))
    }

    /// When to poll again though nothing has happened.
    #[must_use]
    pub fn poll_timeout(&self) -> Option<i64> {
        if self.broken.is_some() {
            return None;
        }
        self.clock.as_ref().map(Clock::due_ms)
    }

    /// Documents of the shelf that were not offered because they are over a limit: more documents,
    /// more writers or a longer text than one conversation carries. Nought in any sane crew.
    #[must_use]
    pub fn unoffered(&self) -> usize {
        self.talks.values().filter(|talk| talk.unofferable).count()
    }

    fn take(
        &mut self,
        now_ms: i64,
        frame: Frame<'_>,
        shelf: &dyn Shelf,
    ) -> Result<Vec<Event>, ProtocolError> {
        if self.clock.is_none() {
            let Frame::Hello(hello) = frame else {
                return Err(ProtocolError::OutOfTurn {
                    what: "it didn't greet first",
                });
            };
            return self.greet(now_ms, &hello, shelf);
        }
        match frame {
            Frame::Hello(_) => Err(ProtocolError::OutOfTurn {
                what: "it greeted twice",
            }),
            Frame::Offer(offer) => self.take_offer(offer, shelf),
            Frame::Batch(batch) => self.take_batch(batch, shelf),
            Frame::Stored(stored) => self.take_stored(stored),
            Frame::Refused(refused) => self.take_refused(&refused),
            Frame::ClockAsk(ClockAsk { ask }) => {
                self.clock_answer = Some((ask, now_ms));
                Ok(Vec::new())
            }
            Frame::ClockAnswer(answer) => Ok(self
                .clock
                .as_mut()
                .and_then(|clock| {
                    clock.answer(now_ms, answer.ask, answer.received_ms, answer.sent_ms)
                })
                .map(|measured| Event::Clock {
                    offset_ms: measured.offset_ms,
                    uncertainty_ms: measured.uncertainty_ms,
                })
                .into_iter()
                .collect()),
            Frame::PassedOver => {
                self.unknown_frames += 1;
                if self.unknown_frames > UNKNOWN_FRAMES {
                    return Err(ProtocolError::OverLimit {
                        what: "messages of unknown kinds",
                        most: UNKNOWN_FRAMES as usize,
                    });
                }
                Ok(Vec::new())
            }
        }
    }

    fn greet(
        &mut self,
        now_ms: i64,
        hello: &Hello<'_>,
        shelf: &dyn Shelf,
    ) -> Result<Vec<Event>, ProtocolError> {
        let version = hello.newest.min(NEWEST_VERSION);
        if version < hello.oldest.max(OLDEST_VERSION) {
            return Err(ProtocolError::Version {
                theirs_newest: hello.newest,
                theirs_oldest: hello.oldest,
            });
        }
        self.clock = Some(Clock::new(now_ms));
        for offer in shelf.offers() {
            self.talks.entry(offer.document).or_default().offer_due = true;
        }
        Ok(vec![Event::Greeted {
            name: hello.name.to_owned(),
            program: hello.program.to_owned(),
        }])
    }

    fn take_offer(
        &mut self,
        offer: OfferFrame<'_>,
        shelf: &dyn Shelf,
    ) -> Result<Vec<Event>, ProtocolError> {
        let document = DocumentId(offer.document);
        if self.documents_told == DOCUMENTS {
            return Err(ProtocolError::OverLimit {
                what: "documents",
                most: DOCUMENTS,
            });
        }
        self.documents_told += 1;
        let talk = self.talks.entry(document).or_default();
        if talk.wanted {
            return Err(ProtocolError::OutOfTurn {
                what: "it offered a document twice",
            });
        }
        talk.wanted = true;
        talk.push_due = true;
        let vector = offer.vector.into();
        let new_writers = talk.peer_holds(&vector);
        let held = talk.holds().clone();
        self.count_writers(new_writers)?;
        Ok(vec![if shelf.offer(document).is_some() {
            Event::PeerHas {
                document,
                vector: held,
            }
        } else {
            Event::Offered {
                document,
                about: offer.about.to_owned(),
                vector,
            }
        }])
    }

    fn take_batch(
        &mut self,
        batch: Batch<'_>,
        shelf: &dyn Shelf,
    ) -> Result<Vec<Event>, ProtocolError> {
        if batch.batch <= self.last_batch_arrived {
            return Err(ProtocolError::OutOfTurn {
                what: "it counted its batches backwards",
            });
        }
        self.last_batch_arrived = batch.batch;
        let document = DocumentId(batch.document);
        let Some(talk) = self.talks.get_mut(&document).filter(|talk| talk.offered) else {
            return Err(ProtocolError::OutOfTurn {
                what: "it sent changes of a document that wasn't offered to it",
            });
        };
        if talk.unanswered() >= WINDOW {
            return Err(ProtocolError::OverLimit {
                what: "batches without an answer",
                most: WINDOW,
            });
        }
        let (new, new_writers) = talk.arrive(batch.batch, batch.reach.into());
        let events = if !new {
            Vec::new()
        } else if shelf.offer(document).is_some() {
            vec![Event::Arrived {
                document,
                batch: batch.batch,
                changes: batch.changes.into_iter().map(<[u8]>::to_vec).collect(),
            }]
        } else {
            // It was offered, and has since been taken from what this peer may have.
            talk.refuse(
                batch.batch,
                "this document isn't shared with you".to_owned(),
            );
            Vec::new()
        };
        self.count_writers(new_writers)?;
        Ok(events)
    }

    fn take_stored(&mut self, stored: Stored) -> Result<Vec<Event>, ProtocolError> {
        let document = DocumentId(stored.document);
        let Some(talk) = self.talks.get_mut(&document).filter(|talk| talk.wanted) else {
            return Err(ProtocolError::OutOfTurn {
                what: "it stored a document that it hadn't asked for",
            });
        };
        let new_writers = talk.peer_holds(&stored.vector.into());
        talk.push_due = true;
        let vector = talk.holds().clone();
        self.count_writers(new_writers)?;
        Ok(vec![Event::PeerHas { document, vector }])
    }

    fn take_refused(&mut self, refused: &Refused<'_>) -> Result<Vec<Event>, ProtocolError> {
        let document = DocumentId(refused.document);
        let talk = self.talks.get_mut(&document);
        let Some((talk, reach)) = talk.and_then(|talk| {
            talk.refused_by_peer(refused.batch)
                .map(|reach| (talk, reach))
        }) else {
            // A batch can be acknowledged whole by the time its refusal arrives: a change refused
            // here may have come to the peer another way.
            return Ok(Vec::new());
        };
        talk.push_due = true;
        Ok(vec![Event::Refused {
            document,
            reach,
            why: refused.why.to_owned(),
        }])
    }

    fn hello(&self) -> Option<Vec<u8>> {
        Frame::Hello(Hello {
            newest: NEWEST_VERSION,
            oldest: OLDEST_VERSION,
            name: &self.me.name,
            program: &self.me.program,
        })
        .write()
    }

    fn clock_frame(&mut self, now_ms: i64) -> Option<Vec<u8>> {
        if let Some((ask, received_ms)) = self.clock_answer.take() {
            return Frame::ClockAnswer(ClockAnswer {
                ask,
                received_ms,
                sent_ms: now_ms,
            })
            .write();
        }
        let ask = self.clock.as_mut()?.ask(now_ms)?;
        Frame::ClockAsk(ClockAsk { ask }).write()
    }

    fn answer_frame(&mut self, shelf: &dyn Shelf) -> Option<Vec<u8>> {
        for (document, talk) in &mut self.talks {
            if let Some((batch, why)) = talk.next_refusal() {
                return Frame::Refused(Refused {
                    document: document.0,
                    batch,
                    why: &why,
                })
                .write();
            }
            // Until our offer is out the peer isn't told anything; the offer says it all.
            if talk.offered
                && let Some(more) = talk.next_stored(WRITERS)
                && shelf.offer(*document).is_some()
            {
                return Frame::Stored(Stored {
                    document: document.0,
                    vector: (&more).into(),
                })
                .write();
            }
        }
        None
    }

    fn offer_frame(&mut self, shelf: &dyn Shelf) -> Option<Vec<u8>> {
        for (document, talk) in &mut self.talks {
            if !talk.offer_due {
                continue;
            }
            talk.offer_due = false;
            let Some(offer) = shelf.offer(*document) else {
                continue;
            };
            let writers_offered = self.writers_offered + offer.vector.len();
            talk.unofferable = offer.about.len() > ABOUT_BYTES
                || offer.vector.len() > WRITERS
                || writers_offered > WRITERS_OFFERED
                || self.documents_offered == DOCUMENTS;
            if talk.unofferable {
                continue;
            }
            self.writers_offered = writers_offered;
            self.documents_offered += 1;
            talk.offer(&offer.vector);
            return Frame::Offer(OfferFrame {
                document: document.0,
                about: &offer.about,
                vector: (&offer.vector).into(),
            })
            .write();
        }
        None
    }

    /// The next batch, documents taking turns so that a large one doesn't hold up the others.
    fn batch_frame(&mut self, shelf: &dyn Shelf) -> Option<Vec<u8>> {
        let start = self.turn.map_or(Bound::Unbounded, Bound::Excluded);
        let end = self.turn.map_or(Bound::Unbounded, Bound::Included);
        let mut order: Vec<DocumentId> = self
            .talks
            .range((start, Bound::Unbounded))
            .filter(|(_, talk)| talk.push_due)
            .map(|(document, _)| *document)
            .collect();
        if self.turn.is_some() {
            order.extend(
                self.talks
                    .range((Bound::Unbounded, end))
                    .filter(|(_, talk)| talk.push_due)
                    .map(|(document, _)| *document),
            );
        }
        for document in order {
            let Some(talk) = self.talks.get_mut(&document) else {
                continue;
            };
            if !talk.offered || !talk.wanted || !talk.window_open(self.limits.window) {
                continue; // The offer or the answer that is awaited makes it due again.
            }
            let changes = if shelf.offer(document).is_some() {
                sendable(
                    shelf.missing(
                        document,
                        talk.settled(),
                        self.limits.batch_changes,
                        self.limits.batch_bytes,
                    ),
                    talk.settled(),
                    &self.limits,
                )
            } else {
                Vec::new()
            };
            if changes.is_empty() {
                talk.push_due = false;
                continue;
            }
            let mut reach = Vector::new();
            for change in &changes {
                let at = reach.entry(change.writer).or_default();
                *at = change.number.max(*at);
            }
            self.batches_sent += 1;
            self.turn = Some(document);
            let frame = Frame::Batch(Batch {
                document: document.0,
                batch: self.batches_sent,
                reach: (&reach).into(),
                changes: changes.iter().map(|change| &*change.bytes).collect(),
            })
            .write();
            talk.send(self.batches_sent, reach);
            return frame;
        }
        None
    }

    fn count_writers(&mut self, new: usize) -> Result<(), ProtocolError> {
        self.writers_told += new;
        // Each entry told is kept in two vectors.
        if self.writers_told > 2 * WRITERS_TOLD {
            return Err(ProtocolError::OverLimit {
                what: "writers",
                most: WRITERS_TOLD,
            });
        }
        Ok(())
    }
}

/// What of a shelf's answer can go out in one frame: in order, new to the peer, within the sizes.
///
/// A shelf that keeps its word loses nothing here. One that doesn't is kept from sending the
/// same change for ever, or a frame that no peer takes.
fn sendable(changes: Vec<Outgoing>, settled: &Vector, limits: &Limits) -> Vec<Outgoing> {
    let mut bytes = 0_usize;
    changes
        .into_iter()
        .filter(|change| {
            settled
                .get(&change.writer)
                .is_none_or(|at| *at < change.number)
        })
        .take(limits.batch_changes)
        .enumerate()
        .take_while(|(at, change)| {
            bytes = bytes.saturating_add(change.bytes.len());
            bytes <= limits.batch_bytes || (*at == 0 && bytes <= CHANGE_BYTES)
        })
        .map(|(_, change)| change)
        .collect()
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
