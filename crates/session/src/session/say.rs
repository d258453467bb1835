//! What a session says next.

use std::ops::Bound;

use gravelbar_ledger::{DocumentId, Vector};

use super::Session;
use crate::limits::{
    ABOUT_BYTES, CHANGE_BYTES, DOCUMENTS, Limits, PROOF_BYTES, STANDING_BYTES, URGENT,
    URGENT_BYTES, WRITERS, WRITERS_OFFERED,
};
use crate::shelf::{Parcel, Shelf, Urgent};
use crate::wire::{
    Batch, Bytes, ClockAnswer, ClockAsk, Frame, Hello, NEWEST_VERSION, OLDEST_VERSION, OfferFrame,
    Refused, Stored, UrgentFrame,
};

impl Session {
    pub(super) fn hello(&self) -> Option<Vec<u8>> {
        Frame::Hello(Hello {
            newest: NEWEST_VERSION,
            oldest: OLDEST_VERSION,
            name: &self.me.name,
            program: &self.me.program,
        })
        .write()
    }

    pub(super) fn clock_frame(&mut self, now_ms: i64) -> Option<Vec<u8>> {
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

    /// What the peer should learn before all else.
    pub(super) fn urgent_frame(&mut self, shelf: &dyn Shelf) -> Option<Vec<u8>> {
        for (document, talk) in &mut self.talks {
            if !talk.urgent_due || !talk.shared() {
                continue;
            }
            let urgent = if shelf.shares(*document) && self.urgent_sent < URGENT {
                let fits = |urgent: &Urgent| urgent.bytes.len() <= URGENT_BYTES;
                let known = |vector: &Vector, urgent: &Urgent| {
                    vector
                        .get(&urgent.writer)
                        .is_some_and(|at| *at >= urgent.number)
                };
                shelf
                    .urgent(*document, talk.holds())
                    .into_iter()
                    .find(|u| fits(u) && !known(&talk.urgent, u) && !known(talk.holds(), u))
            } else {
                None
            };
            let Some(urgent) = urgent else {
                talk.urgent_due = false;
                continue;
            };
            talk.urgent.insert(urgent.writer, urgent.number);
            self.urgent_sent += 1;
            return Frame::Urgent(UrgentFrame {
                document: document.0,
                writer: urgent.writer.to_bytes(),
                number: urgent.number,
                bytes: Bytes(&urgent.bytes),
            })
            .write();
        }
        None
    }

    pub(super) fn answer_frame(&mut self, now_ms: i64, shelf: &dyn Shelf) -> Option<Vec<u8>> {
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
                && let Some(more) = talk.next_stored(now_ms, WRITERS)
                && shelf.shares(*document)
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

    pub(super) fn offer_frame(&mut self, shelf: &dyn Shelf) -> Option<Vec<u8>> {
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
                || offer.standing.len() > STANDING_BYTES
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
                standing: Bytes(&offer.standing),
                vector: (&offer.vector).into(),
            })
            .write();
        }
        None
    }

    /// The next batch, documents taking turns so that a large one doesn't hold up the others.
    pub(super) fn batch_frame(&mut self, now_ms: i64, shelf: &dyn Shelf) -> Option<Vec<u8>> {
        let hold_ms = self.hold_ms();
        let limits = Limits {
            batch_bytes: self.pace.bytes(self.limits.batch_bytes),
            ..self.limits
        };
        let start = self.turn.map_or(Bound::Unbounded, Bound::Excluded);
        let end = self.turn.map_or(Bound::Unbounded, Bound::Included);
        let mut order: Vec<DocumentId> = self
            .talks
            .range_mut((start, Bound::Unbounded))
            .filter_map(|(document, talk)| talk.push_now(now_ms, hold_ms).then_some(*document))
            .collect();
        if self.turn.is_some() {
            order.extend(self.talks.range_mut((Bound::Unbounded, end)).filter_map(
                |(document, talk)| talk.push_now(now_ms, hold_ms).then_some(*document),
            ));
        }
        for document in order {
            let Some(talk) = self.talks.get_mut(&document) else {
                continue;
            };
            if !talk.shared() || !talk.window_open(limits.window) {
                continue; // The offer or the answer that is awaited makes it due again.
            }
            let parcel = if shelf.shares(document) {
                sendable(
                    shelf.missing(
                        document,
                        talk.settled(),
                        limits.batch_changes,
                        limits.batch_bytes,
                    ),
                    talk.settled(),
                    &limits,
                )
            } else {
                Parcel::default()
            };
            if parcel.changes.is_empty() {
                talk.pushed_all();
                continue;
            }
            let mut reach = Vector::new();
            for change in &parcel.changes {
                let at = reach.entry(change.writer).or_default();
                *at = change.number.max(*at);
            }
            self.batches_sent += 1;
            self.turn = Some(document);
            let frame = Frame::Batch(Batch {
                document: document.0,
                batch: self.batches_sent,
                reach: (&reach).into(),
                proof: Bytes(&parcel.proof),
                changes: (parcel.changes.iter())
                    .map(|change| Bytes(&change.bytes))
                    .collect(),
            })
            .write();
            let bytes = parcel.changes.iter().map(|change| change.bytes.len()).sum();
            talk.send(self.batches_sent, reach, bytes, now_ms);
            return frame;
        }
        None
    }
}

/// What of a shelf's answer can go out in one frame: in order, new to the peer, within the sizes.
///
/// A shelf that keeps its word loses nothing here. One that doesn't is kept from sending the
/// same change for ever, or a frame that no peer takes.
fn sendable(parcel: Parcel, settled: &Vector, limits: &Limits) -> Parcel {
    if parcel.proof.len() > PROOF_BYTES {
        return Parcel::default();
    }
    let mut bytes = 0_usize;
    let changes = (parcel.changes.into_iter())
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
        .collect();
    Parcel {
        changes,
        proof: parcel.proof,
    }
}
