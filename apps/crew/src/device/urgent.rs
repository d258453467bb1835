//! Stops ahead of their history: told to every device before anything else, and shown before the record itself is in.
//!
//! An urgent message can only ever add caution. It is looked at for stops and for nothing else; it is signed by a device
//! on the visit's list; what it brings is kept beside the document and never in it, so no reading of the visit (which
//! lines are ticked, what is cleared, any number) can change by it; it is shown as "stopped"; and it goes away only when
//! the document holds the very change that it announced, from where on the record's own rules say whether work is
//! stopped. Leaving one out, sending it twice, late or to others can therefore never make a screen say "ready" that
//! would not have said so without it.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use gravelbar_proof::{DeviceId, ProofError, Provenance, Single};
use gravelbar_session::{Urgent, Vector};
use gravelbar_visit::{DocumentId, Entry, Fact, LoggedChange, RecordId, Visit, Writer};

use super::Device;
use super::held::Held;
use crate::net::ConnectionNumber;
use crate::node::StopHeard;

/// Stops of one visit that are shown ahead of their history at most. One is enough to stop work.
const MOST_HEARD: usize = 64;

/// What there is to tell ahead.
#[derive(Default)]
pub(super) struct Stops {
    /// Stops in the document that nobody has cleared, with the change that holds them.
    standing: BTreeMap<RecordId, Arc<LoggedChange>>,
    /// Stops that a clear names. One that names a stop this device hasn't got yet is among them.
    cleared: BTreeSet<RecordId>,
    /// Stops that were told ahead and whose record isn't in yet, with the message that told.
    heard: BTreeMap<(Writer, u64), (StopHeard, Vec<u8>)>,
}

impl Stops {
    /// Follows changes that the visit has taken.
    ///
    /// Whoever wrote a clear, a stop that one names is no longer urgent: whether the clear counts is read from the
    /// history, which this only runs ahead of.
    pub(super) fn follow(&mut self, visit: &Visit, changes: &[Arc<LoggedChange>]) {
        for change in changes {
            self.heard.remove(&(change.writer, change.number));
            for id in change.record_ids() {
                match visit.entry(id).map(|seen| &seen.entry.what) {
                    Some(Fact::Stop(_)) if !self.cleared.contains(&id) => {
                        self.standing.insert(id, Arc::clone(change));
                    }
                    Some(Fact::Clear(clear)) => {
                        for stop in &clear.stops {
                            self.standing.remove(stop);
                            self.cleared.insert(*stop);
                        }
                    }
                    _ => {}
                }
            }
        }
    }

    /// What someone who holds `than` should learn first. Each writer's by ascending number.
    pub(super) fn urgent(&self, provenance: &Provenance, than: &Vector) -> Vec<Urgent> {
        let mut urgent: BTreeMap<(Writer, u64), Vec<u8>> = BTreeMap::new();
        let lacks = |writer: Writer, number: u64| than.get(&writer).is_none_or(|at| *at < number);
        for change in self.standing.values() {
            let (writer, number) = (change.writer, change.number);
            // A stop that is too long to be told ahead, or not signed yet, comes with its history.
            if lacks(writer, number)
                && let Ok(bytes) = provenance.prove_single(writer, number, &change.bytes)
            {
                urgent.insert((writer, number), bytes);
            }
        }
        for ((writer, number), (_, bytes)) in &self.heard {
            if lacks(*writer, *number) {
                urgent.insert((*writer, *number), bytes.clone());
            }
        }
        (urgent.into_iter())
            .map(|((writer, number), bytes)| Urgent {
                writer,
                number,
                bytes,
            })
            .collect()
    }

    /// Stops heard whose record isn't in yet.
    pub(super) fn heard(&self) -> Vec<StopHeard> {
        self.heard.values().map(|(stop, _)| stop.clone()).collect()
    }
}

impl Held {
    /// Takes what was told ahead. Whether it is a stop that wasn't known.
    fn hear_urgent(&mut self, urgent: &Urgent) -> Result<bool, ProofError> {
        let single = Single::check(self.id(), &urgent.bytes)?;
        let (writer, number) = (single.claims.writer, single.claims.number);
        if (writer, number) != (urgent.writer, urgent.number) {
            return Err(ProofError::OtherOpening);
        }
        let here = self.vector().get(&writer).copied().unwrap_or(0);
        let key = (writer, number);
        if number <= here
            || !self.may_write(single.device)
            || self.stops.heard.contains_key(&key)
            || self.stops.heard.len() >= MOST_HEARD
        {
            return Ok(false);
        }
        let entries = single.bodies.iter();
        let stop = entries
            .filter_map(|body| serde_json::from_str::<Entry>(body).ok())
            .find(|entry| matches!(entry.what, Fact::Stop(_)));
        let Some(stop) = stop else {
            return Ok(false);
        };
        let heard = StopHeard {
            change: format!("{writer}.{number}"),
            by: stop.by,
            at: stop.at,
            why: stop.why,
            device: self.name_of(single.device),
        };
        self.stops.heard.insert(key, (heard, urgent.bytes.clone()));
        Ok(true)
    }

    /// What the visit calls a device.
    pub(super) fn name_of(&self, device: DeviceId) -> String {
        let tag = device.tag();
        let told = self.as_visit().and_then(|held| {
            (held.visit.records().iter().rev()).find_map(|seen| match &seen.entry.what {
                Fact::Device(entry) if entry.tag == tag => Some(entry.name.clone()),
                _ => None,
            })
        });
        told.unwrap_or_else(|| tag.to_string())
    }
}

impl Device {
    /// Something that another device says before all else.
    pub(super) fn hear_urgent(
        &mut self,
        connection: ConnectionNumber,
        document: DocumentId,
        urgent: &Urgent,
    ) {
        let Some(held) = self.documents.get_mut(&document) else {
            return;
        };
        match held.hear_urgent(urgent) {
            Ok(true) => {
                self.turn.shown = true;
                // Whoever this device hears hears it too, before the record is in here.
                self.turn.urgent.insert(document);
            }
            Ok(false) => {}
            Err(error) => {
                let name = self.called(connection);
                self.notice(format!(
                    "{name} announces a stop that can't be proved: {error}. Ask aloud"
                ));
            }
        }
    }
}
