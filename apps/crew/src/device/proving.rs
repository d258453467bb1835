//! Whose records these are: signing what this device writes, checking what comes from others before anybody reads
//! it, and telling what is missing or has two histories.

use std::collections::BTreeSet;
use std::sync::Arc;

use gravelbar_proof::{
    Checked, DeviceId, Doubt, Gap, ProofError, ProvedRun, Provenance, StoredHead, StoredOpening,
    ToStore,
};
use gravelbar_store::{Batch, Head, Log, Opening, Refused, Runs};
use gravelbar_visit::{DocumentId, LoggedChange, Writer};

use super::Device;
use super::held::Held;
use crate::net::ConnectionNumber;
use crate::node::{GapLine, TraceLine};

/// Proved changes of devices that aren't on a document's list yet, or that build on such, are kept in memory up to
/// here; the list mostly comes with the next batch.
const MOST_UNLISTED: usize = 1_024;

/// From this many unproved records on, the device that sent them is called faulty.
const FAULTY_FROM: usize = 3;

/// What came from a peer and was not let in.
#[derive(Debug, Default)]
pub(super) struct Turned {
    pub(super) bytes: Vec<(Vec<u8>, String)>,
}

impl Held {
    /// Whether records that this device wrote belong in the document.
    ///
    /// Being on the list is enough, whatever has become of the device since: a device that was lost is cut off at a
    /// number where records are read, so that nothing of it is gone and a stop of it still counts.
    pub(super) fn may_write(&self, device: DeviceId) -> bool {
        self.lists(device.0)
    }

    /// Takes in proved changes, as far as their devices are on the list; a device that is listed by what is taken
    /// in may write from there on. What has to wait is kept.
    fn receive_proved(&mut self, runs: Vec<ProvedRun>) -> (Vec<Arc<LoggedChange>>, Taken) {
        let mut applied = Vec::new();
        let mut taken = Taken::default();
        let mut waiting = std::mem::take(&mut self.unlisted);
        waiting.extend(runs);
        loop {
            let (may, others): (Vec<ProvedRun>, Vec<ProvedRun>) =
                (waiting.into_iter()).partition(|run| self.may_write(run.device()));
            waiting = others;
            let changes: Vec<Vec<u8>> = may.iter().flat_map(|run| run.changes.clone()).collect();
            if changes.is_empty() {
                break;
            }
            let received = self.receive(changes);
            for run in &may {
                let news = self.provenance.take(run, &received.applied);
                taken.to_store.add(news);
            }
            taken.own += received.own;
            let refused: BTreeSet<Vec<u8>> = received
                .refused
                .iter()
                .map(|refused| refused.bytes.clone())
                .collect();
            taken.refused.extend(received.refused);
            // What builds on something that waits tries again with it.
            let early: BTreeSet<Vec<u8>> = received
                .waiting
                .into_iter()
                .map(|early| early.bytes)
                .collect();
            for mut run in may {
                run.changes
                    .retain(|change| early.contains(change) && !refused.contains(change));
                if !run.changes.is_empty() {
                    waiting.push(run);
                }
            }
            let stuck = received.applied.is_empty();
            applied.extend(received.applied);
            if stuck {
                break;
            }
        }
        let mut room = MOST_UNLISTED;
        for run in waiting {
            match room.checked_sub(run.changes.len()) {
                Some(left) => {
                    room = left;
                    self.unlisted.push(run);
                }
                None => taken.left_out += run.changes.len(),
            }
        }
        (applied, taken)
    }

    /// What has been proved and waits for its device to be listed.
    fn unlisted_devices(&self) -> BTreeSet<DeviceId> {
        let runs = self.unlisted.iter().map(ProvedRun::device);
        runs.filter(|device| !self.may_write(*device)).collect()
    }
}

/// What became of proved changes besides those that were applied.
#[derive(Default)]
struct Taken {
    to_store: ToStore,
    refused: Vec<gravelbar_visit::Refused>,
    /// Applied changes that this device wrote and had no longer.
    own: usize,
    /// Changes for which there was no room to wait.
    left_out: usize,
}

/// Puts down what is to be stored of openings and heads.
fn put_down(batch: &mut Batch, document: DocumentId, what: ToStore) {
    for opening in what.openings {
        batch.openings.push(Opening {
            document: document.0,
            writer: opening.writer.to_bytes(),
            bytes: opening.bytes,
        });
    }
    for head in what.heads {
        batch.heads.push(Head {
            document: document.0,
            writer: head.writer.to_bytes(),
            slot: head.slot,
            bytes: head.bytes,
        });
    }
}

impl Device {
    /// A change that this device has just written goes into its chain; it is signed when the turn ends.
    pub(super) fn chain(&mut self, document: DocumentId, change: &LoggedChange) {
        let Some(held) = self.documents.get_mut(&document) else {
            return;
        };
        let (writer, number) = (change.writer, change.number);
        let chained = held
            .provenance
            .write(&self.signer, writer, number, change.hash);
        if let Err(error) = chained {
            // The document numbers its own changes one by one, so this can't be; said all the same, because a
            // record that can't be signed stays on this device.
            self.notice(format!("a record of this device can't be signed: {error}"));
        }
        self.turn.to_sign.insert((document, writer));
    }

    /// Signs what the turn wrote: one signature for each document, in the same commit as the records.
    pub(super) fn sign_turn(&mut self) {
        for (document, writer) in std::mem::take(&mut self.turn.to_sign) {
            if let Some(held) = self.documents.get_mut(&document) {
                let news = held.provenance.sign(&self.signer, writer);
                put_down(&mut self.turn.batch, document, news);
            }
        }
    }

    /// Reads back what is known of whose a document's records are, and signs what this device wrote before it could.
    pub(super) fn restore_provenance(&mut self, held: &mut Held, here: &MadeHere, runs: Runs) {
        let document = held.id();
        let changes = held.log().iter().map(|change| (change.writer, change.hash));
        let openings = runs.openings.into_iter().map(|opening| StoredOpening {
            writer: Writer::from_bytes(opening.writer),
            bytes: opening.bytes,
        });
        let heads = runs.heads.into_iter().map(|head| StoredHead {
            writer: Writer::from_bytes(head.writer),
            slot: head.slot,
            bytes: head.bytes,
        });
        let (provenance, doubts) = Provenance::restore(document, openings, heads, changes);
        held.provenance = provenance;
        let unsigned: Vec<Writer> = (held.provenance.unproved_writers())
            .map(|(writer, _)| writer)
            .filter(|writer| writer.device == self.tag && here.wrote_all_of(held, *writer))
            .collect();
        for writer in unsigned {
            let news = held.provenance.sign_loose(&self.signer, writer);
            put_down(&mut self.turn.batch, document, news);
        }
        let called = held.called();
        if runs.damaged > 0 {
            self.notice(format!(
                "{} signatures of {called} are damaged on this device's disk; meet a device that has them",
                runs.damaged
            ));
        }
        for doubt in doubts {
            self.notice(doubt_in_words(&called, &doubt));
        }
        let unproved: u64 = held.provenance.unproved_writers().map(|(_, n)| n).sum();
        if unproved > 0 {
            self.notice(format!(
                "{unproved} records of {called} are from before records were signed, and nobody has signed them since: \
                 they count here and can't be passed on; meet the devices that made them"
            ));
        }
        self.notice_forks(held);
    }

    /// Says where a device's history in a document parts, each parting once.
    fn notice_forks(&mut self, held: &Held) {
        for fork in held.provenance.forks() {
            let own = if fork.device().0 == self.key.0 {
                " (this device)"
            } else {
                ""
            };
            self.notice(format!(
                "{}{own}, in {}. Everything of both is kept and counts, once each",
                fork,
                held.called()
            ));
        }
    }

    /// Changes that came: checked against the signatures that came with them before any of them is read, then taken
    /// in as far as their devices are on the list.
    pub(super) fn take_changes(
        &mut self,
        connection: ConnectionNumber,
        document: DocumentId,
        batch: u64,
        changes: Vec<Vec<u8>>,
        proof: &[u8],
    ) {
        let name = self.called(connection);
        let Some(sender) = self
            .meetings
            .get(&connection)
            .map(super::meeting::Meeting::device)
        else {
            return;
        };
        let Some(mut held) = self.documents.remove(&document) else {
            return;
        };
        let Checked { runs, unproved } = held.provenance.check(changes, proof);
        let (applied, taken) = held.receive_proved(runs);
        put_down(&mut self.turn.batch, document, taken.to_store);
        self.notice_forks(&held);
        for device in held.unlisted_devices() {
            self.notice(format!(
                "{name} brings records of the device {}, which isn't on the list of {}: they wait until it is listed",
                device.tag(),
                held.called()
            ));
        }
        self.documents.insert(document, held);
        for change in &applied {
            self.put_down(document, change, Some(sender.0));
        }
        if taken.own > 0 {
            self.notice(format!(
                "{name} holds records that this device made and no longer has: its data folder was put back from an older copy, or another device uses its name. They are back now"
            ));
        }
        let mut turned = Turned::default();
        for refused in taken.refused {
            self.notice_refusal(&name, &refused.refusal);
            turned
                .bytes
                .push((refused.bytes, refused.refusal.to_string()));
        }
        self.count_unproved(connection, &name, &unproved);
        for unproved in unproved
            .into_iter()
            .filter(|unproved| !unproved.why.is_early())
        {
            turned
                .bytes
                .push((unproved.bytes, unproved.why.to_string()));
        }
        if taken.left_out > 0 {
            let why = "too many records of devices that aren't on the list";
            if let Some(meeting) = self.meetings.get_mut(&connection) {
                meeting.session.handle_refused(document, batch, why);
            }
        }
        self.set_aside(connection, document, batch, sender.0, turned);
        self.turn.arrived.push((connection, document));
    }

    /// Keeps what wasn't let in for a person to look at, and tells the sender.
    fn set_aside(
        &mut self,
        connection: ConnectionNumber,
        document: DocumentId,
        batch: u64,
        sender: [u8; 32],
        turned: Turned,
    ) {
        let at_ms = self.now().timestamp_millis();
        if let Some((_, why)) = turned.bytes.first()
            && let Some(meeting) = self.meetings.get_mut(&connection)
        {
            meeting.session.handle_refused(document, batch, why);
        }
        for (bytes, reason) in turned.bytes {
            self.turn.batch.quarantine.push(Refused {
                document: document.0,
                peer: Some(sender),
                bytes,
                reason,
                at_ms,
            });
        }
    }

    /// Says that records came which nothing proves, and from the third on that the sender is faulty.
    fn count_unproved(
        &mut self,
        connection: ConnectionNumber,
        name: &str,
        unproved: &[gravelbar_proof::Unproved],
    ) {
        let mut reasons = unproved.iter().map(|unproved| &unproved.why);
        let Some(why) = reasons.find(|why| !why.is_early()) else {
            return;
        };
        self.notice(format!(
            "{name} sent records that aren't let in: {why}. They are kept aside; everything else it sent counts"
        ));
        let Some(meeting) = self.meetings.get_mut(&connection) else {
            return;
        };
        meeting.unproved += unproved.iter().filter(|u| !u.why.is_early()).count();
        if meeting.unproved >= FAULTY_FROM {
            self.notice(format!(
                "{name} keeps sending records that nobody signed: its program is faulty or was tampered with; \
                 don't rely on what it shows"
            ));
        }
    }

    /// What a peer says is the newest that was signed in a document.
    pub(super) fn hear_standing(
        &mut self,
        connection: ConnectionNumber,
        document: DocumentId,
        standing: &[u8],
    ) {
        let Some(mut held) = self.documents.remove(&document) else {
            return;
        };
        let mut provenance = std::mem::replace(&mut held.provenance, Provenance::new(document));
        let heard = provenance.hear(standing, |device| held.may_write(device));
        held.provenance = provenance;
        let strange = match heard {
            Ok((news, strange)) => {
                self.turn.shown |= !news.is_empty();
                put_down(&mut self.turn.batch, document, news);
                strange
            }
            Err(error) => vec![error],
        };
        self.notice_forks(&held);
        let called = held.called();
        self.documents.insert(document, held);
        let name = self.called(connection);
        for error in strange {
            let about = match &error {
                ProofError::Malformed => "says what can't be read about".to_owned(),
                _ => "says something false about".to_owned(),
            };
            self.notice(format!("{name} {about} {called}: {error}"));
        }
    }
}

fn doubt_in_words(called: &str, doubt: &Doubt) -> String {
    format!("{called}: {doubt}; meet a device that has them")
}

/// What is known of whose a visit's records are, for people.
pub(super) fn trace(held: &Held) -> TraceLine {
    let gap = |gap: Gap| GapLine {
        writer: gap.writer.to_string(),
        device: held.name_of(gap.device),
        here: gap.here,
        known: gap.known,
    };
    let provenance = &held.provenance;
    TraceLine {
        gaps: provenance.gaps().into_iter().map(gap).collect(),
        forks: provenance.forks().iter().map(ToString::to_string).collect(),
        unsigned: provenance.unproved_writers().map(|(_, n)| n).sum(),
    }
}

/// Which changes of a log came from other devices. One that did, under this device's own name, isn't signed on trust.
pub(super) struct MadeHere {
    from_elsewhere: BTreeSet<Vec<u8>>,
}

impl MadeHere {
    pub(super) fn of(log: &Log) -> Self {
        let heard = log.changes.iter().zip(&log.heard_from);
        Self {
            from_elsewhere: heard
                .filter(|(_, from)| from.is_some())
                .map(|(bytes, _)| bytes.clone())
                .collect(),
        }
    }

    fn wrote_all_of(&self, held: &Held, writer: Writer) -> bool {
        let mut of_writer = held.log().iter().filter(|change| change.writer == writer);
        of_writer.all(|change| !self.from_elsewhere.contains(&*change.bytes))
    }
}
