//! What people on this device do: each act goes into the document at once, onto disk with the
//! turn, and is answered after that.

use gravelbar_link::DeviceKeyId;
use gravelbar_session::Vector;
use gravelbar_store::{Change, Document};
use gravelbar_visit::{DeviceHeld, DocumentId, Fact, LoggedChange, PersonName, Plan, Writer};

use super::held::Subject;
use super::{Answer, Device, Waiting, me_setting, no_such_visit, refused, session};
use crate::node::{Act, NotSaved, Saved};

/// Documents a device holds at most; a peer offering more is not listened to.
const MOST_DOCUMENTS: usize = 500;

impl Device {
    pub(super) fn act(&mut self, visit: DocumentId, act: Act, answer: Answer<Saved>) {
        match self.answered_before(&act.tap_id) {
            Ok(Some(saved)) => {
                answer.send(Ok(saved)).ok();
                return;
            }
            Err(error) => {
                answer.send(Err(error)).ok();
                return;
            }
            Ok(None) => {}
        }
        // The same tap twice in one turn: the first one's answer serves both, next turn.
        if self.turn.acts.iter().any(|w| w.act.tap_id == act.tap_id) {
            self.settle();
            self.act(visit, act, answer);
            return;
        }
        match self.take_act(visit, &act) {
            Ok(saved) => self.turn.acts.push(Waiting {
                visit,
                act,
                saved,
                answer: Some(answer),
            }),
            Err(error) => {
                answer.send(Err(error)).ok();
            }
        }
    }

    /// The answer this tap got before, from this run or an earlier one.
    pub(super) fn answered_before(&self, tap_id: &str) -> Result<Option<Saved>, NotSaved> {
        if tap_id.is_empty() || tap_id.len() > 100 {
            return Err(NotSaved {
                words: "the screen sent a tap without a usable name: reload the page".to_owned(),
                try_again: false,
            });
        }
        let answer = self.store.answer(tap_id).map_err(|e| NotSaved {
            words: e.to_string(),
            try_again: true,
        })?;
        Ok(answer.and_then(|text| serde_json::from_str(&text).ok()))
    }

    /// Writes an act into its document and puts the change down for this turn's commit.
    pub(super) fn take_act(&mut self, visit: DocumentId, act: &Act) -> Result<Saved, NotSaved> {
        // A stop is always tried: on a full disk there is room kept for it.
        if !stops_work(&act.facts) {
            self.able_to_save()?;
        }
        let at = act.at.unwrap_or_else(|| self.now());
        let held = self.visit_mut(visit).ok_or_else(no_such_visit)?;
        let written = held
            .visit
            .record(&act.by, at, act.why.as_deref(), act.facts.clone())
            .map_err(|e| refused(&e))?;
        let saved = Saved {
            records: written.records,
        };
        if let Some(held) = self.documents.get_mut(&visit) {
            held.moved(std::slice::from_ref(&written.change));
        }
        self.put_down(visit, &written.change, None);
        if let Ok(text) = serde_json::to_string(&saved) {
            self.turn.batch.answers.push((act.tap_id.clone(), text));
        }
        Ok(saved)
    }

    /// Puts a change down for this turn's commit.
    pub(super) fn put_down(
        &mut self,
        document: DocumentId,
        change: &LoggedChange,
        heard_from: Option<[u8; 32]>,
    ) {
        let at_ms = self.now().timestamp_millis();
        self.turn.batch.changes.push(Change {
            document: document.0,
            writer: change.writer.to_bytes(),
            number: change.number,
            bytes: change.bytes.to_vec(),
            heard_from,
            at_ms,
        });
        self.turn.changed.insert(document);
        if heard_from.is_none() {
            self.turn.written.insert(document);
            self.chain(document, change);
        }
    }

    /// A record that the device makes by itself, such as its own entry on the visit's list.
    pub(super) fn note_down(&mut self, visit: DocumentId, facts: Vec<Fact>) {
        let by = self.speaker(visit);
        let act = Act {
            tap_id: format!("own {}", session()),
            by,
            at: None,
            why: None,
            facts,
        };
        match self.take_act(visit, &act) {
            Ok(saved) => self.turn.acts.push(Waiting {
                visit,
                act,
                saved,
                answer: None,
            }),
            Err(error) => {
                self.notice(format!(
                    "this device could not note something down: {error}"
                ));
            }
        }
    }

    /// Whose name the device's own records carry: its holder's, or else its own.
    pub(super) fn speaker(&self, visit: DocumentId) -> PersonName {
        self.me(visit)
            .or_else(|| PersonName::new(&self.name).ok())
            .unwrap_or_else(PersonName::unnamed)
    }

    pub(super) fn own_entry(&self) -> gravelbar_visit::Device {
        gravelbar_visit::Device {
            tag: self.tag,
            key: hexadecimal(self.key),
            name: self.name.clone(),
        }
    }

    pub(super) fn start_visit(&mut self, plan: Plan, answer: Answer<DocumentId>) {
        let result = self.open_subject(Subject::Visit(plan));
        let result = result.and_then(|visit| self.crew_opens(visit).map(|()| visit));
        self.settle();
        let result = self.kept(result);
        answer.send(result).ok();
    }

    /// Opens the document of a subject, new or known; in a new visit this device lists itself.
    pub(super) fn open_subject(&mut self, subject: Subject) -> Result<DocumentId, NotSaved> {
        self.able_to_save()?;
        let known = subject.document_id();
        self.ensure_open(known);
        if self.documents.contains_key(&known) {
            return Ok(known);
        }
        if self.documents.len() + self.unopened.len() >= MOST_DOCUMENTS {
            return Err(NotSaved {
                words: format!("this device holds {MOST_DOCUMENTS} visits, the most it can"),
                try_again: false,
            });
        }
        let writer = Writer {
            device: self.tag,
            session: session(),
        };
        let mut held = subject.start(writer).map_err(|e| refused(&e))?;
        held.admitted.insert(self.key.0);
        let document = held.id();
        let is_visit = held.as_visit().is_some();
        self.turn.batch.documents.push(Document {
            id: document.0,
            about: held.about().to_owned(),
            added_ms: self.now().timestamp_millis(),
        });
        self.turn.opened.insert(document);
        self.documents.insert(document, held);
        if is_visit {
            let entry = self.own_entry();
            self.note_down(document, vec![entry.into()]);
        }
        Ok(document)
    }

    pub(super) fn be(&mut self, visit: DocumentId, person: PersonName, answer: Answer<()>) {
        if self.is_book(visit) {
            let result = self.be_in_book(visit, &person);
            self.settle();
            answer.send(self.kept(result)).ok();
            return;
        }
        let held = DeviceHeld {
            tag: self.tag,
            person: person.clone(),
        };
        let act = Act {
            tap_id: format!("own {}", session()),
            by: person.clone(),
            at: None,
            why: None,
            facts: vec![held.into()],
        };
        let result = self.take_act(visit, &act).map(|_| ());
        if result.is_ok() {
            self.turn
                .batch
                .settings
                .push((me_setting(visit), person.to_string()));
        }
        self.settle();
        answer.send(self.kept(result)).ok();
    }

    pub(super) fn rename(&mut self, name: &str, answer: Answer<()>) {
        let result = PersonName::new(name).map_err(|e| refused(&e)).map(|clean| {
            self.name = clean.to_string();
            self.turn
                .batch
                .settings
                .push(("device name".to_owned(), self.name.clone()));
            let entry = self.own_entry();
            while !self.unopened.is_empty() {
                self.open_next();
            }
            let visits: Vec<DocumentId> = self.visits().map(|(id, _)| id).collect();
            for visit in visits {
                self.note_down(visit, vec![entry.clone().into()]);
            }
            self.name_in_book();
            self.turn.shown = true;
        });
        self.settle();
        answer.send(self.kept(result)).ok();
    }

    /// Whether anything can be saved at all.
    pub(super) fn able_to_save(&self) -> Result<(), NotSaved> {
        match &self.not_saving {
            Some(why) => Err(NotSaved {
                words: why.clone(),
                try_again: true,
            }),
            None => Ok(()),
        }
    }

    /// A result that holds only if the turn it was part of reached the disk.
    pub(super) fn kept<T>(&self, result: Result<T, NotSaved>) -> Result<T, NotSaved> {
        let value = result?;
        self.able_to_save().map(|()| value)
    }
}

/// Whether these facts stop work or say that the energiser is off.
pub(super) fn stops_work(facts: &[Fact]) -> bool {
    facts
        .iter()
        .any(|fact| matches!(fact, Fact::Stop(_) | Fact::EnergiserOff(_)))
}

/// A device's key as records carry it.
pub(super) fn hexadecimal(key: DeviceKeyId) -> String {
    key.0.iter().map(|byte| format!("{byte:02x}")).collect()
}

/// The key that a record carries, read back.
pub(crate) fn key_bytes(hexadecimal: &str) -> Option<[u8; 32]> {
    let mut key = [0; 32];
    if hexadecimal.len() != 64 || !hexadecimal.is_ascii() {
        return None;
    }
    for (place, byte) in key.iter_mut().enumerate() {
        let digits = hexadecimal.get(place * 2..place * 2 + 2)?;
        *byte = u8::from_str_radix(digits, 16).ok()?;
    }
    Some(key)
}

/// Whether `theirs` has everything that `ours` has.
pub(super) fn has_all(theirs: &Vector, ours: &Vector) -> bool {
    ours.iter()
        .all(|(writer, number)| theirs.get(writer).is_some_and(|has| has >= number))
}
