//! What a session makes of a frame.

use gravelbar_ledger::{DocumentId, Writer};

use super::Session;
use crate::clock::Clock;
use crate::event::{Event, ProtocolError};
use crate::limits::{DOCUMENTS, UNKNOWN_FRAMES, URGENT, WINDOW, WRITERS_TOLD};
use crate::shelf::{Shelf, Urgent};
use crate::talk::Heard;
use crate::wire::{
    Batch, ClockAsk, Frame, Hello, NEWEST_VERSION, OLDEST_VERSION, OfferFrame, Refused, Stored,
    UrgentFrame,
};

impl Session {
    pub(super) fn take(
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
            Frame::Offer(offer) => self.take_offer(now_ms, offer, shelf),
            Frame::Batch(batch) => self.take_batch(now_ms, batch, shelf),
            Frame::Stored(stored) => self.take_stored(now_ms, stored),
            Frame::Urgent(urgent) => self.take_urgent(&urgent, shelf),
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
        now_ms: i64,
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
        let hold_ms = self.hold_ms();
        let talk = self.talks.entry(document).or_default();
        if talk.wanted {
            return Err(ProtocolError::OutOfTurn {
                what: "it offered a document twice",
            });
        }
        talk.wanted = true;
        talk.push_due = true;
        talk.urgent_due = true;
        let vector = offer.vector.into();
        let heard = talk.peer_holds(&vector, now_ms, hold_ms);
        let held = talk.holds().clone();
        self.learn(&heard)?;
        let first = if shelf.shares(document) {
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
        };
        let standing = (!offer.standing.0.is_empty()).then(|| Event::Standing {
            document,
            bytes: offer.standing.0.to_vec(),
        });
        Ok(std::iter::once(first).chain(standing).collect())
    }

    fn take_batch(
        &mut self,
        now_ms: i64,
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
        let hold_ms = self.hold_ms();
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
        let reach = batch.reach.into();
        let heard = talk.peer_holds(&reach, now_ms, hold_ms);
        let new = talk.arrive(batch.batch, reach);
        let events = if shelf.shares(document) {
            let arrived = new.then(|| Event::Arrived {
                document,
                batch: batch.batch,
                changes: (batch.changes.iter())
                    .map(|change| change.0.to_vec())
                    .collect(),
                proof: batch.proof.0.to_vec(),
            });
            let vector = talk.holds().clone();
            let has = Event::PeerHas { document, vector };
            arrived.into_iter().chain([has]).collect()
        } else if !new {
            Vec::new()
        } else {
            // It was offered, and has since been taken from what this peer may have.
            talk.refuse(
                batch.batch,
                "this document isn't shared with you".to_owned(),
            );
            Vec::new()
        };
        self.learn(&heard)?;
        Ok(events)
    }

    fn take_stored(&mut self, now_ms: i64, stored: Stored) -> Result<Vec<Event>, ProtocolError> {
        let document = DocumentId(stored.document);
        let hold_ms = self.hold_ms();
        let Some(talk) = self.talks.get_mut(&document).filter(|talk| talk.wanted) else {
            return Err(ProtocolError::OutOfTurn {
                what: "it stored a document that it hadn't asked for",
            });
        };
        let heard = talk.peer_holds(&stored.vector.into(), now_ms, hold_ms);
        let vector = talk.holds().clone();
        self.learn(&heard)?;
        Ok(vec![Event::PeerHas { document, vector }])
    }

    fn take_refused(&mut self, refused: &Refused<'_>) -> Result<Vec<Event>, ProtocolError> {
        let document = DocumentId(refused.document);
        let talk = self.talks.get_mut(&document);
        let Some(reach) = talk.and_then(|talk| talk.refused_by_peer(refused.batch)) else {
            // A batch can be acknowledged whole by the time its refusal arrives: a change refused
            // here may have come to the peer another way.
            return Ok(Vec::new());
        };
        Ok(vec![Event::Refused {
            document,
            reach,
            why: refused.why.to_owned(),
        }])
    }

    fn take_urgent(
        &mut self,
        urgent: &UrgentFrame<'_>,
        shelf: &dyn Shelf,
    ) -> Result<Vec<Event>, ProtocolError> {
        self.urgent_arrived += 1;
        if self.urgent_arrived > URGENT {
            return Err(ProtocolError::OverLimit {
                what: "urgent messages",
                most: URGENT as usize,
            });
        }
        let document = DocumentId(urgent.document);
        let Some(talk) = self.talks.get_mut(&document).filter(|talk| talk.offered) else {
            return Err(ProtocolError::OutOfTurn {
                what: "it sent an urgent message of a document that wasn't offered to it",
            });
        };
        if !shelf.shares(document) {
            return Ok(Vec::new());
        }
        let writer = Writer::from_bytes(urgent.writer);
        let known = talk.urgent.entry(writer).or_default();
        *known = urgent.number.max(*known);
        Ok(vec![Event::Urgent {
            document,
            urgent: Urgent {
                writer,
                number: urgent.number,
                bytes: urgent.bytes.0.to_vec(),
            },
        }])
    }

    fn learn(&mut self, heard: &Heard) -> Result<(), ProtocolError> {
        for answered in &heard.answered {
            self.pace.learn(*answered, self.limits.batch_bytes);
        }
        self.writers_told += heard.new_writers;
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
