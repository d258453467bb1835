//! Disk: reading documents at the start, one commit per turn, and what happens when it fails.

use std::collections::BTreeSet;

use gravelbar_book::Founding;
use gravelbar_link::{CrewSecret, DeviceKeyId};
use gravelbar_store::{CommitError, Mode};
use gravelbar_visit::{DocumentId, Refusal, Writer};

use super::acts::stops_work;
use super::held::Held;
use super::proving::MadeHere;
use super::{Device, StartError, Turn, Waiting, session};
use crate::node::NotSaved;

/// Between two looks at a disk that refused something.
pub(super) const LOOK_AT_DISK_MS: i64 = 5_000;

impl Device {
    /// Says what opening the data folder found out.
    pub(super) fn notice_opening(&mut self) {
        let opened = self.store.opened().clone();
        if opened.restored {
            self.notice("this device's data folder was put back from an older copy, or is a copy of another device's: records it made since then come back from the devices that have them; meet them before signing".to_owned(),
            );
        }
        for damaged in opened.damaged {
            self.notice(damaged);
        }
        if let Some(aside) = opened.set_aside {
            self.notice(format!(
                    "the record file was damaged and has been set aside as {}; everything readable in it is in use",
                    aside.display()
                ),
            );
        }
        if self.store.mode() == Mode::ReadOnly {
            self.not_saving = Some(CommitError::ReadOnly.to_string());
        }
    }

    /// Finds the documents on disk and opens the one listed last; the others follow when there is
    /// nothing else to do, or when somebody asks.
    pub(super) fn read_documents(&mut self) -> Result<(), StartError> {
        let mut documents = self.store.documents()?;
        documents.sort_by_key(|document| std::cmp::Reverse(document.added_ms));
        self.unopened = documents
            .into_iter()
            .map(|document| (DocumentId(document.id), document.about))
            .collect();
        // Crew books first: they say whom this device no longer talks to.
        let books: Vec<DocumentId> = (self.unopened.iter())
            .filter(|(_, about)| Founding::is_about(about))
            .map(|(id, _)| *id)
            .collect();
        for book in books {
            self.ensure_open(book);
        }
        self.open_next();
        Ok(())
    }

    /// Opens the newest document that isn't.
    pub(super) fn open_next(&mut self) {
        if let Some((document, about)) = self.unopened.pop_front() {
            self.open_stored(document, &about);
        }
    }

    /// Opens a document now if it is on disk.
    pub(super) fn ensure_open(&mut self, document: DocumentId) {
        let waiting = self.unopened.iter().position(|(id, _)| *id == document);
        if let Some((id, about)) = waiting.and_then(|place| self.unopened.remove(place)) {
            self.open_stored(id, &about);
        }
    }

    fn open_stored(&mut self, id: DocumentId, about: &str) {
        match self.read_document(id, about) {
            Ok(Some(held)) => {
                self.documents.insert(id, held);
                self.follow_books();
                self.admit_members();
                for meeting in self.meetings.values_mut() {
                    meeting.session.handle_changed(id);
                }
                self.pulse();
            }
            Ok(None) => {}
            Err(error) => {
                self.notice(error.to_string());
            }
        }
    }

    /// Reads a document from disk under a fresh session, so that a number used before can never be
    /// used for something else.
    fn read_document(&mut self, id: DocumentId, about: &str) -> Result<Option<Held>, StartError> {
        let log = self.store.log(id.0)?;
        let runs = self.store.runs(id.0)?;
        if !log.damaged.is_empty() {
            self.notice(format!(
                    "{} changes of a visit are damaged on this device's disk and left out: meet a device that has them",
                    log.damaged.len()
                ),
            );
        }
        let writer = Writer {
            device: self.tag,
            session: session(),
        };
        let made_here = MadeHere::of(&log);
        let (mut held, received) = match Held::restore(about, writer, log.changes) {
            Ok(restored) => restored,
            Err(error) => {
                self.notice(format!("a visit on this device can't be opened: {error}"));
                return Ok(None);
            }
        };
        if held.id() != id {
            self.notice(
                "a visit on this device doesn't match its plan and is left closed".to_owned(),
            );
            return Ok(None);
        }
        if !received.refused.is_empty() {
            self.notice(format!(
                    "{} stored changes of {} can't be used until others arrive or at all; they are kept",
                    received.refused.len(),
                    held.called()
                ),
            );
        }
        held.admitted.insert(self.key.0);
        self.restore_provenance(&mut held, &made_here, runs);
        Ok(Some(held))
    }

    /// Ends the turn: commits what it took, then answers and acknowledges. If the disk refuses,
    /// nothing of the turn has happened.
    pub(super) fn settle(&mut self) {
        self.sign_turn();
        let turn = std::mem::take(&mut self.turn);
        if turn.batch.is_empty() {
            self.finish(turn);
            return;
        }
        match self.store.commit(&turn.batch) {
            Ok(()) => self.finish(turn),
            Err(error) => self.take_back(turn, &error),
        }
    }

    /// The turn is on disk.
    fn finish(&mut self, turn: Turn) {
        for waiting in turn.acts {
            if let Some(answer) = waiting.answer {
                answer.send(Ok(waiting.saved)).ok();
            }
        }
        let heard: BTreeSet<DocumentId> = turn.arrived.iter().map(|(_, d)| *d).collect();
        for (connection, document) in turn.arrived {
            if let (Some(meeting), Some(held)) = (
                self.meetings.get_mut(&connection),
                self.documents.get(&document),
            ) {
                meeting.session.handle_stored(document, held.vector());
            }
        }
        let moved: BTreeSet<DocumentId> = turn.changed.union(&turn.opened).copied().collect();
        let now_ms = self.now().timestamp_millis();
        for meeting in self.meetings.values_mut() {
            for document in &moved {
                if heard.contains(document)
                    && let Some(held) = self.documents.get(document)
                {
                    let vector = held.vector();
                    meeting.session.handle_relayed(now_ms, *document, vector);
                }
                if turn.written.contains(document) || turn.opened.contains(document) {
                    meeting.session.handle_changed(*document);
                }
            }
            for document in &turn.urgent {
                if let Some(held) = self.documents.get(document) {
                    meeting
                        .session
                        .handle_relayed(now_ms, *document, held.vector());
                }
            }
        }
        if !turn.opened.is_empty() || moved.iter().any(|id| self.is_book(*id)) {
            self.follow_books();
        }
        if !moved.is_empty() {
            self.admit_members();
        }
        if !turn.opened.is_empty() {
            self.tell_joined();
        }
        if !moved.is_empty() || turn.shown {
            self.pulse();
        }
    }

    /// The disk refused the turn: the documents are read again from what is on it, peers are left to
    /// send again, and everyone who waits is told. A stop-work is tried once more with the room
    /// kept in reserve.
    fn take_back(&mut self, turn: Turn, error: &CommitError) {
        let stops: Vec<Waiting> = self.refuse_all(turn, error);
        self.reread(error);
        if stops.is_empty() {
            return;
        }
        let room = matches!(error, CommitError::DiskFull) && self.store.release_reserve().is_ok();
        if !room {
            for waiting in stops {
                tell(waiting, error);
            }
            return;
        }
        for mut waiting in stops {
            match self.take_act(waiting.visit, &waiting.act) {
                Ok(saved) => {
                    waiting.saved = saved;
                    self.turn.acts.push(waiting);
                }
                Err(not_saved) => {
                    if let Some(answer) = waiting.answer {
                        answer.send(Err(not_saved)).ok();
                    }
                }
            }
        }
        self.sign_turn();
        let again = std::mem::take(&mut self.turn);
        match self.store.commit(&again.batch) {
            Ok(()) => self.finish(again),
            Err(still) => {
                for waiting in self.refuse_all(again, &still) {
                    tell(waiting, &still);
                }
                self.reread(&still);
            }
        }
    }

    /// Tells everyone but those who stop work, who are given back.
    fn refuse_all(&mut self, turn: Turn, error: &CommitError) -> Vec<Waiting> {
        let (stops, others): (Vec<Waiting>, Vec<Waiting>) = turn
            .acts
            .into_iter()
            .partition(|waiting| stops_work(&waiting.act.facts));
        for waiting in others {
            tell(waiting, error);
        }
        stops
    }

    /// Puts memory back to what is on disk. Conversations start afresh: what was taken in and
    /// not stored was never acknowledged and comes again.
    fn reread(&mut self, error: &CommitError) {
        self.stop_saving(&error.to_string());
        self.hang_up("this device can't save now");
        self.documents.clear();
        if let Err(unread) = self.read_documents() {
            self.stop_saving(&unread.to_string());
        }
        self.pulse();
    }

    /// From now on nothing is taken until the disk is well again.
    pub(super) fn stop_saving(&mut self, why: &str) {
        if self.not_saving.as_deref() != Some(why) {
            self.not_saving = Some(why.to_owned());
            self.pulse();
        }
    }

    /// Looks whether the disk takes something again, not more often than every few seconds; after
    /// a failed sync the store is closed, opened and checked first.
    pub(super) fn try_saving_again(&mut self) {
        let now_ms = self.now().timestamp_millis();
        if self.not_saving.is_none()
            || now_ms.saturating_sub(self.looked_at_disk_ms).abs() < LOOK_AT_DISK_MS
        {
            return;
        }
        self.looked_at_disk_ms = now_ms;
        if self.store.reopen().is_err() || self.store.mode() == Mode::ReadOnly {
            return;
        }
        let mark = gravelbar_store::Batch {
            settings: vec![("last looked after".to_owned(), self.now().to_rfc3339())],
            ..Default::default()
        };
        if self.store.commit(&mark).is_err() {
            return;
        }
        self.not_saving = None;
        self.documents.clear();
        if let Err(unread) = self.read_documents() {
            self.stop_saving(&unread.to_string());
        }
        self.meet_again();
        self.pulse();
    }

    /// Devices listed in any document here may connect, and crews whose book is here find each other.
    pub(super) fn admit_members(&mut self) {
        let crews = self.documents.values_mut().flat_map(Held::crew_secrets);
        self.net.recognise_by(crews.map(CrewSecret).collect());
        for key in self.documents.values().flat_map(Held::members) {
            if key != self.key.0 && !self.barred.contains(&key) {
                self.roster.add(DeviceKeyId(key));
            }
        }
    }

    /// Says why incoming changes were refused, where a person can do something about it.
    pub(super) fn notice_refusal(&mut self, from: &str, refusal: &Refusal) {
        self.notice(format!("{from} sent something that isn't let in: {refusal}. It is kept aside; everything else it sent counts"),
        );
    }
}

fn tell(waiting: Waiting, error: &CommitError) {
    if let Some(answer) = waiting.answer {
        answer
            .send(Err(NotSaved {
                words: error.to_string(),
                try_again: true,
            }))
            .ok();
    }
}
