//! What a session says next.

use std::ops::Bound;

use gravelbar_ledger::{DocumentId, Vector};

use super::Session;
use crate::limits::{ABOUT_BYTES, CHANGE_BYTES, DOCUMENTS, Limits, WRITERS, WRITERS_OFFERED};
use crate::shelf::{Outgoing, Shelf};
use crate::wire::{
    Batch, Change, ClockAnswer, ClockAsk, Frame, Hello, NEWEST_VERSION, OLDEST_VERSION, OfferFrame,
    Refused, Stored,
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

    pub(super) fn answer_frame(&mut self, shelf: &dyn Shelf) -> Option<Vec<u8>> {
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
    pub(super) fn batch_frame(&mut self, shelf: &dyn Shelf) -> Option<Vec<u8>> {
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
                changes: changes.iter().map(|change| Change(&change.bytes)).collect(),
            })
            .write();
            talk.send(self.batches_sent, reach);
            return frame;
        }
        None
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
