//! The crew's book in the device's loop: starting a crew, letting devices in and shutting them out,
//! which visits are the crew's, and who may have what because of it.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use gravelbar_book::{
    Accept, DeviceHeld, DeviceKey, DeviceMet, DeviceNamed, Fact, Founding, Grant, GrantName,
    MAX_ADDRESSES, Person, Reach, RosterEntry, Secret, SecretBytes, Validity, VisitOpened,
};
use gravelbar_link::DeviceKeyId;
use gravelbar_visit::{DeviceLost, DocumentId, Joined, LastAccepted, PersonName, Plan, Role};
use ring::rand::{SecureRandom, SystemRandom};

use super::held::{Held, HeldBook, Kind, Subject};
use super::{Answer, Device, refused, session, tag_of};
use crate::node::{Act, BookLine, BookPicture, CrewAct, CrewDoing, NotSaved, Saved, StopLine};

/// Runs of a device that the book's own revocation names in other documents at most; each visit
/// carries its own mark besides.
const RUNS_IN_BOOK: usize = 150;

fn no_such_book() -> NotSaved {
    NotSaved {
        words: "this crew book isn't on this device: join the crew by invitation".to_owned(),
        try_again: false,
    }
}

fn random<const N: usize>() -> Result<[u8; N], NotSaved> {
    let mut bytes = [0; N];
    SystemRandom::new().fill(&mut bytes).map_err(|_| NotSaved {
        words: "the system gives no random numbers: try again".to_owned(),
        try_again: true,
    })?;
    Ok(bytes)
}

impl Device {
    fn books(&self) -> impl Iterator<Item = (DocumentId, &HeldBook)> {
        let documents = self.documents.iter();
        documents.filter_map(|(id, held)| match &held.kind {
            Kind::Book(book) => Some((*id, &**book)),
            Kind::Visit(_) => None,
        })
    }

    fn book(&self, book: DocumentId) -> Option<&HeldBook> {
        match &self.documents.get(&book)?.kind {
            Kind::Book(held) => Some(held),
            Kind::Visit(_) => None,
        }
    }

    fn book_mut(&mut self, book: DocumentId) -> Option<&mut HeldBook> {
        match &mut self.documents.get_mut(&book)?.kind {
            Kind::Book(held) => Some(held),
            Kind::Visit(_) => None,
        }
    }

    fn own_key(&self) -> DeviceKey {
        DeviceKey(self.key.0)
    }

    /// The crew this device belongs to. A device that belongs to several works for the one whose
    /// name comes first: which that is doesn't matter, only that it is always the same.
    pub(super) fn own_book(&self) -> Option<DocumentId> {
        let key = self.own_key();
        self.books()
            .find(|(_, held)| held.book.roster().live().any(|d| d.key == key))
            .map(|(id, _)| id)
    }

    pub(super) fn is_book(&self, document: DocumentId) -> bool {
        self.book(document).is_some()
    }

    pub(super) fn book_lines(&self) -> Vec<BookLine> {
        self.books()
            .map(|(document, held)| BookLine {
                document,
                crew: held.book.founding().crew.clone(),
            })
            .collect()
    }

    pub(super) fn book_picture(&mut self, book: DocumentId) -> Option<Arc<BookPicture>> {
        let view = self.book_mut(book)?.view();
        let me = self.me(book);
        let live = self.peers_of(book, |key| {
            let known = view.device(DeviceKey(key));
            let name = known.and_then(|d| d.name.clone());
            (name, known.and_then(|d| d.holder.clone()))
        });
        Some(Arc::new(BookPicture {
            may_change: view.roster.may_change(self.tag),
            view,
            me,
            live,
            key: self.own_key(),
            device: self.device_line(),
            held: self.documents.keys().copied().collect(),
            stops: self.stops(),
        }))
    }

    fn stops(&self) -> Vec<StopLine> {
        let named: Vec<_> = (self.visits())
            .filter_map(|(visit, held)| Some((visit, held.visit.plan(), self.me(visit)?)))
            .collect();
        let newest = named.iter().map(|(_, plan, _)| plan.date).max();
        (named.into_iter())
            .filter(|(_, plan, _)| Some(plan.date) == newest)
            .map(|(visit, plan, by)| StopLine {
                visit,
                site: plan.site.clone(),
                by,
            })
            .collect()
    }

    /// Founds a crew: its book, this device as its lead's, and a secret.
    pub(super) fn start_crew(
        &mut self,
        crew: &str,
        person: &PersonName,
        answer: Answer<DocumentId>,
    ) {
        let result = self.found_crew(crew, person);
        self.settle();
        answer.send(self.kept(result)).ok();
    }

    fn found_crew(&mut self, crew: &str, person: &PersonName) -> Result<DocumentId, NotSaved> {
        let founding = Founding::new(crew, self.own_key(), random()?).map_err(|e| refused(&e))?;
        let secret = new_secret()?;
        let book = self.open_subject(Subject::Book(founding))?;
        let mut entry = self.next_entry(book)?;
        entry.grant = Some(Grant {
            key: self.own_key(),
            person: person.clone(),
            roles: vec![Role::Lead],
            office: false,
            valid: Validity::default(),
        });
        let own = vec![
            entry.into(),
            Person {
                name: person.clone(),
                roles: vec![Role::Lead],
                words: String::new(),
                dropped: false,
                replaces: Vec::new(),
            }
            .into(),
            DeviceNamed {
                key: self.own_key(),
                name: self.name.clone(),
            }
            .into(),
            secret,
        ];
        self.write(book, person, None, own)?;
        self.remember_me(book, person);
        Ok(book)
    }

    fn next_entry(&self, book: DocumentId) -> Result<RosterEntry, NotSaved> {
        let held = self.book(book).ok_or_else(no_such_book)?;
        Ok(held.book.roster().next())
    }

    /// Writes into a book and puts the change down for this turn's commit.
    fn write(
        &mut self,
        book: DocumentId,
        by: &PersonName,
        why: Option<&str>,
        facts: Vec<Fact>,
    ) -> Result<Saved, NotSaved> {
        self.able_to_save()?;
        let at = self.now();
        let held = self.book_mut(book).ok_or_else(no_such_book)?;
        let written = (held.book.record(by, at, why, facts)).map_err(|e| refused(&e))?;
        if let Some(held) = self.documents.get_mut(&book) {
            held.moved(std::slice::from_ref(&written.change));
        }
        self.put_down(book, &written.change, None);
        Ok(Saved {
            records: written.records,
        })
    }

    pub(super) fn crew_act(&mut self, book: DocumentId, act: CrewAct, answer: Answer<Saved>) {
        // The same act sent twice in one turn finds the first one's answer on disk.
        self.settle();
        let result = match self.answered_before(&act.tap_id) {
            Ok(Some(saved)) => Ok(saved),
            Ok(None) => self.do_crew_act(book, &act).inspect(|saved| {
                if let Ok(text) = serde_json::to_string(saved) {
                    self.turn.batch.answers.push((act.tap_id.clone(), text));
                }
            }),
            Err(error) => Err(error),
        };
        self.settle();
        answer.send(self.kept(result)).ok();
    }

    fn do_crew_act(&mut self, book: DocumentId, act: &CrewAct) -> Result<Saved, NotSaved> {
        let (by, why) = (&act.by, act.why.as_deref());
        match &act.doing {
            CrewDoing::Write(facts) => self.write(book, by, why, facts.clone()),
            CrewDoing::Admit(grant) => {
                let mut entry = self.next_entry(book)?;
                entry.withdraw = self.grants_of(book, grant.key);
                entry.grant = Some(grant.clone());
                self.write(book, by, why, vec![entry.into()])
            }
            CrewDoing::LetGo(key) => {
                let mut entry = self.next_entry(book)?;
                entry.withdraw = self.grants_of(book, *key);
                self.write(book, by, why, vec![entry.into()])
            }
            CrewDoing::Settle { keep, withdraw } => {
                let mut entry = self.next_entry(book)?;
                entry.keep = keep.iter().copied().map(GrantName::Entry).collect();
                entry.withdraw = withdraw.iter().copied().map(GrantName::Entry).collect();
                self.write(book, by, why, vec![entry.into()])
            }
            CrewDoing::Lost(key) => self.mark_lost(book, *key, by, why),
            CrewDoing::AcceptHeld(key) => {
                let mut entry = self.next_entry(book)?;
                let held = self.book(book).ok_or_else(no_such_book)?;
                let lines = held.book.roster().lines.iter();
                let of = lines
                    .filter(|line| line.entry.revoke.as_ref().is_some_and(|r| r.key == *key))
                    .map(|line| line.record);
                entry.accept = Some(Accept {
                    of: of.collect(),
                    document: book,
                    last: held.book.reach_of(*key),
                });
                self.write(book, by, why, vec![entry.into()])
            }
            CrewDoing::HandOver(key, person) => self.hand_over(book, *key, person, by),
        }
    }

    /// The grants of a device that a new one takes the place of.
    fn grants_of(&self, book: DocumentId, key: DeviceKey) -> Vec<GrantName> {
        let device = self.book(book).and_then(|b| b.book.roster().device(key));
        device.map(|d| d.grants.clone()).unwrap_or_default()
    }

    /// A device is shut out of the crew: in the book, with what of it counts; in every visit here that
    /// lists it; from the network. The crew's secret changes with it, so that whoever holds the
    /// device can't find the others by it.
    fn mark_lost(
        &mut self,
        book: DocumentId,
        key: DeviceKey,
        by: &PersonName,
        why: Option<&str>,
    ) -> Result<Saved, NotSaved> {
        if key == self.own_key() {
            return Err(refused(
                &"this is the device in your hand: mark it lost on another one",
            ));
        }
        while !self.unopened.is_empty() {
            self.open_next();
        }
        let tag = key.tag();
        let reaches: Vec<(DocumentId, Reach)> = (self.visits())
            .filter(|(id, _)| self.documents.get(id).is_some_and(|h| h.lists(key.0)))
            .map(|(id, held)| {
                let mut reach = Reach::new();
                let ids = held.visit.vector().keys().copied();
                for writer in ids.filter(|writer| writer.device == tag) {
                    let records = held.visit.records().iter().map(|seen| seen.id);
                    let last = records.filter(|r| r.writer == writer).map(|r| r.n).max();
                    reach.insert(writer, last.unwrap_or(0));
                }
                (id, reach)
            })
            .collect();
        let mut entry = self.next_entry(book)?;
        let mut room = RUNS_IN_BOOK;
        let named = reaches.iter().filter(|(_, reach)| {
            let fits = !reach.is_empty() && reach.len() <= room;
            room -= if fits { reach.len() } else { 0 };
            fits
        });
        let named: Vec<(DocumentId, Reach)> = named.cloned().collect();
        let held = self.book(book).ok_or_else(no_such_book)?;
        entry.revoke = Some(held.book.revocation(key, named));
        let secret = new_secret()?;
        let saved = self.write(book, by, why, vec![entry.into(), secret])?;
        let called = self.device_called(book, key);
        for (visit, reach) in reaches {
            let runs = reach.into_iter().map(|(run, last)| LastAccepted {
                run,
                last,
                made: None,
            });
            let lost = DeviceLost {
                tag,
                revoked: true,
                runs: runs.collect(),
            };
            let act = Act {
                tap_id: format!("own {}", session()),
                by: by.clone(),
                at: None,
                why: Some(why.unwrap_or("marked lost in the crew book").to_owned()),
                facts: vec![lost.into()],
            };
            if let Err(error) = self.take_act(visit, &act) {
                let site = self.visit(visit).map(|held| held.visit.plan().site.clone());
                self.notice(format!(
                    "{called} is marked lost in the crew book, but not yet in visit {}: {error}",
                    site.unwrap_or_default()
                ));
            }
        }
        Ok(saved)
    }

    fn device_called(&mut self, book: DocumentId, key: DeviceKey) -> String {
        let view = self.book_mut(book).map(HeldBook::view);
        let name = view.and_then(|v| v.device(key).and_then(|d| d.name.clone()));
        name.unwrap_or_else(|| key.tag().to_string())
    }

    /// A device is used by somebody else from now on: in the book, and, for this very device, in
    /// the visits in which it has a holder.
    fn hand_over(
        &mut self,
        book: DocumentId,
        key: DeviceKey,
        person: &PersonName,
        by: &PersonName,
    ) -> Result<Saved, NotSaved> {
        let mut facts: Vec<Fact> = self.unknown_person(book, person).into_iter().collect();
        facts.push(
            DeviceHeld {
                key,
                person: person.clone(),
            }
            .into(),
        );
        let saved = self.write(book, by, None, facts)?;
        if key == self.own_key() {
            self.remember_me(book, person);
            let held: Vec<DocumentId> = (self.visits())
                .map(|(id, _)| id)
                .filter(|id| self.me(*id).is_some())
                .collect();
            for visit in held {
                self.take_up(visit, person)?;
            }
        }
        Ok(saved)
    }

    fn unknown_person(&mut self, book: DocumentId, person: &PersonName) -> Option<Fact> {
        let view = self.book_mut(book)?.view();
        let known = view.people.iter().any(|p| p.value.name == *person);
        (!known).then(|| {
            Person {
                name: person.clone(),
                roles: Vec::new(),
                words: String::new(),
                dropped: false,
                replaces: Vec::new(),
            }
            .into()
        })
    }

    /// This device is held by `person` in a visit: on its crew, and at this device.
    fn take_up(&mut self, visit: DocumentId, person: &PersonName) -> Result<(), NotSaved> {
        let view = self.visit(visit).map(|held| held.visit.view());
        let on_crew = view.is_some_and(|v| v.people.iter().any(|p| p.name == *person && !p.left));
        let mut facts: Vec<gravelbar_visit::Fact> = Vec::new();
        if !on_crew {
            let person = person.clone();
            facts.push(Joined { person }.into());
        }
        facts.push(
            gravelbar_visit::DeviceHeld {
                tag: self.tag,
                person: person.clone(),
            }
            .into(),
        );
        let act = Act {
            tap_id: format!("own {}", session()),
            by: person.clone(),
            at: None,
            why: None,
            facts,
        };
        self.take_act(visit, &act)?;
        self.remember_me(visit, person);
        Ok(())
    }

    /// Who holds this device, in the book; `person` becomes part of the crew.
    pub(super) fn be_in_book(
        &mut self,
        book: DocumentId,
        person: &PersonName,
    ) -> Result<(), NotSaved> {
        let key = self.own_key();
        self.hand_over(book, key, person, person).map(|_| ())
    }

    fn remember_me(&mut self, document: DocumentId, person: &PersonName) {
        let setting = (super::me_setting(document), person.to_string());
        self.turn.batch.settings.push(setting);
        self.turn.shown = true;
    }

    /// Opens a planned visit: the same document on every device.
    pub(super) fn open_planned(
        &mut self,
        book: DocumentId,
        visit: DocumentId,
        answer: Answer<DocumentId>,
    ) {
        let result = self.take_planned(book, visit);
        self.settle();
        answer.send(self.kept(result)).ok();
    }

    fn take_planned(
        &mut self,
        book: DocumentId,
        visit: DocumentId,
    ) -> Result<DocumentId, NotSaved> {
        let view = self.book_mut(book).ok_or_else(no_such_book)?.view();
        let planned = view.planned.iter().find(|p| p.visit == visit);
        let planned = planned.ok_or_else(|| {
            refused(&"this plan was given up or replaced: look at the list again")
        })?;
        let plan = planned.plan.clone().ok_or_else(|| {
            refused(&"this visit was planned with a newer program: update this device")
        })?;
        let opened = self.open_subject(Subject::Visit(plan))?;
        self.crew_opens(opened)?;
        Ok(opened)
    }

    /// A visit that somebody opened here is the crew's, and held here by whoever holds this device.
    pub(super) fn crew_opens(&mut self, visit: DocumentId) -> Result<(), NotSaved> {
        let Some(book) = self.own_book() else {
            return Ok(());
        };
        let Some(plan) = self.visit(visit).map(|held| held.visit.plan().clone()) else {
            return Ok(());
        };
        let view = self.book_mut(book).ok_or_else(no_such_book)?.view();
        if !view.visits.contains_key(&visit) {
            let opened = VisitOpened {
                visit,
                site: plan.site.clone(),
                date: plan.date,
            };
            let by = self.speaker(book);
            self.write(book, &by, None, vec![opened.into()])?;
        }
        if self.me(visit).is_none()
            && let Some(me) = self.me(book)
        {
            self.take_up(visit, &me)?;
        }
        Ok(())
    }

    /// A device that came in by invitation to the crew: its name is asked on its own screen.
    pub(super) fn let_into_crew(&mut self, device: DeviceKeyId, book: DocumentId) {
        let tag = tag_of(device);
        let called = format!("new device {}", &tag.to_string()[..4]);
        let key = DeviceKey(device.0);
        let result = PersonName::new(&called)
            .map_err(|e| refused(&e))
            .and_then(|person| {
                let mut entry = self.next_entry(book)?;
                entry.grant = Some(Grant {
                    key,
                    person,
                    roles: Vec::new(),
                    office: false,
                    valid: Validity::default(),
                });
                let by = self.speaker(book);
                self.write(book, &by, None, vec![entry.into()])
            });
        if let Err(error) = result {
            self.notice(format!("{called} could not be let into the crew: {error}"));
        }
    }

    /// Only a device that leads lets others into the crew, and only while the roster is settled: a
    /// newcomer would wait otherwise.
    pub(super) fn may_let_into(&self, document: DocumentId) -> Result<(), NotSaved> {
        let Some(held) = self.book(document) else {
            return Ok(());
        };
        if !held.book.roster().may_change(self.tag) {
            return Err(refused(
                &"only the crew lead's device lets devices into the crew: ask for it there; into a visit any device can",
            ));
        }
        Ok(())
    }

    /// This device says what it is called in its crew's book.
    pub(super) fn name_in_book(&mut self) {
        let Some(book) = self.own_book() else { return };
        let named = DeviceNamed {
            key: self.own_key(),
            name: self.name.clone(),
        };
        let by = self.speaker(book);
        if let Err(error) = self.write(book, &by, None, vec![named.into()]) {
            self.notice(format!(
                "the crew book doesn't have this device's name yet: {error}"
            ));
        }
    }

    /// Puts a signed visit's catch into the crew's book, from which permits are counted. What it
    /// replaces it names.
    pub(super) fn put_into_season(&mut self, visit: DocumentId) {
        let Some(book) = self.own_book() else { return };
        let (Some(picture), Some(view)) =
            (self.picture(visit), self.book_mut(book).map(HeldBook::view))
        else {
            return;
        };
        let before = view.done.iter().find(|d| d.value.visit == visit);
        let mut done = done(&picture, visit);
        if let Some(before) = before {
            if before.value.digest == done.digest && before.rivals.is_empty() {
                return;
            }
            done.replaces = before.all();
        }
        let by = self.speaker(book);
        if let Err(error) = self.write(book, &by, None, vec![done.into()]) {
            self.notice(format!(
                "the catch of this visit isn't in the crew book yet: {error}"
            ));
        }
    }

    /// Tells the crew where this device can be called, if that is news: one record for each change
    /// of its addresses, so that devices which never met find each other without being heard.
    pub(super) fn say_where(&mut self) {
        let Some(book) = self.own_book() else { return };
        let mut addresses = self.net.reachable_at();
        addresses.truncate(MAX_ADDRESSES);
        let key = self.own_key();
        let view = self.book_mut(book).map(HeldBook::view);
        let known = view.and_then(|v| v.device(key).map(|d| d.addresses.clone()));
        if addresses.is_empty() || known.is_none_or(|known| known == addresses) {
            return;
        }
        let by = self.speaker(book);
        // Where it can't be written down, devices still find each other by beacon and by old
        // addresses.
        self.write(book, &by, None, vec![DeviceMet { key, addresses }.into()])
            .ok();
    }

    /// Calls devices of the crew where they say they are.
    fn call_crew(&mut self, view: &gravelbar_book::View) {
        let own = self.own_key();
        for device in view.roster.live().filter(|d| d.key != own) {
            let known = view.device(device.key).map(|d| d.addresses.clone());
            let addresses = known.filter(|addresses| !addresses.is_empty());
            let told = self.told_of.get(&device.key);
            if let Some(addresses) = addresses.filter(|a| told != Some(a)) {
                let id = DeviceKeyId(device.key.0);
                let away = !self.is_connected(id);
                self.roster.add(id);
                self.net.told_of(id, addresses.clone(), away);
                self.told_of.insert(device.key, addresses);
            }
        }
    }

    /// Works out again who may have what: devices of the crew may have its visits within the
    /// bounds of their rights, and those that were shut out have nothing any more.
    pub(super) fn follow_books(&mut self) {
        let mut crews: BTreeMap<DocumentId, BTreeSet<[u8; 32]>> = BTreeMap::new();
        let mut barred: BTreeSet<[u8; 32]> = BTreeSet::new();
        let books: Vec<DocumentId> = self.books().map(|(id, _)| id).collect();
        for book in books {
            let Some(view) = self.book_mut(book).map(HeldBook::view) else {
                continue;
            };
            self.call_crew(&view);
            for device in &view.roster.devices {
                if view.roster.is_revoked(device.key.tag()) {
                    barred.insert(device.key.0);
                }
            }
            for (visit, of) in &view.visits {
                let members = (view.roster.live())
                    .filter(|d| d.valid.iter().any(|v| v.covers(*visit, of.date)))
                    .map(|d| d.key.0);
                crews.entry(*visit).or_default().extend(members);
            }
        }
        if barred.contains(&self.key.0) {
            self.notice("this device was marked lost and is shut out of its crew: what it records from now on is held aside. If it was found again, the crew lead lets its holder in with a new data folder".to_owned());
        }
        barred.remove(&self.key.0);
        for (id, held) in &mut self.documents {
            held.crew = crews.remove(id).unwrap_or_default();
            held.barred.clone_from(&barred);
        }
        for key in &barred {
            let device = DeviceKeyId(*key);
            // Taken off the list, its connections are closed.
            self.roster.remove(device);
            self.net.want(device, false);
        }
        self.barred = barred;
        self.turn.shown = true;
    }
}

fn new_secret() -> Result<Fact, NotSaved> {
    let bytes = SecretBytes(random()?);
    Ok(Secret { bytes }.into())
}

/// What a signed visit leaves for the season: its catch by species as the reducer counts it.
fn done(picture: &crate::node::Picture, visit: DocumentId) -> gravelbar_book::VisitDone {
    let (view, summary) = (&picture.view, &picture.summary);
    let plan: &Plan = &view.plan;
    let dead = |species| {
        let of = summary.dead.iter().find(|d| d.species == species);
        of.map_or(0, |d| d.dead)
    };
    let mut caught: Vec<gravelbar_book::Caught> = (summary.species.iter())
        .map(|s| gravelbar_book::Caught {
            species: s.species.clone(),
            caught: s.total,
            dead: dead(s.species.clone()),
        })
        .collect();
    // The permit's own count is the higher one where fish wait for the work-up.
    for take in &summary.take {
        match caught.iter_mut().find(|c| c.species == take.species) {
            Some(line) => {
                line.caught = line.caught.max(take.caught);
                line.dead = line.dead.max(take.dead);
            }
            None => caught.push(gravelbar_book::Caught {
                species: take.species.clone(),
                caught: take.caught,
                dead: take.dead,
            }),
        }
    }
    caught.retain(|line| line.species.is_clean());
    caught.truncate(300);
    let passes = summary.passes.iter().map(|p| p.pass.number).max();
    gravelbar_book::VisitDone {
        visit,
        site: plan.site.clone(),
        date: plan.date,
        digest: gravelbar_visit::digest(&view.heads),
        reach_m: (summary.channels.iter())
            .filter_map(|c| c.length_m)
            .filter(|m| m.is_finite() && *m >= 0.1)
            .reduce(f64::max),
        passes: passes.unwrap_or(0),
        caught,
        replaces: Vec::new(),
    }
}

impl Held {
    /// Whether a device may exchange it.
    pub(super) fn lists(&self, device: [u8; 32]) -> bool {
        !self.barred.contains(&device)
            && (self.listed.contains(&device)
                || self.admitted.contains(&device)
                || self.crew.contains(&device))
    }

    /// The devices that may exchange it.
    pub(super) fn members(&self) -> BTreeSet<[u8; 32]> {
        let all = self.listed.iter().chain(&self.admitted).chain(&self.crew);
        let all = all.filter(|key| !self.barred.contains(*key));
        all.copied().collect()
    }
}

impl HeldBook {
    /// The book as it stands, worked out at most once for each state of it.
    pub(super) fn view(&mut self) -> Arc<gravelbar_book::View> {
        let view = self.view.take();
        let view = view.unwrap_or_else(|| Arc::new(self.book.view()));
        self.view = Some(Arc::clone(&view));
        view
    }
}
