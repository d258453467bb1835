//! The sound entries, who came after whom, and what is void in a set of them.

use std::cell::RefCell;
use std::collections::{BTreeMap, HashMap};

use gravelbar_ledger::{DeviceTag, DocumentId, RecordId};

use super::Effect;
use super::facts::RosterFact;
use crate::founding::{DeviceKey, Founding};
use crate::record::{GrantName, Link};

/// A set of sound entries by place.
#[derive(Debug, Clone, Default, PartialEq)]
struct Places(Vec<u64>);

impl Places {
    fn insert(&mut self, place: usize) {
        if self.0.len() <= place / 64 {
            self.0.resize(place / 64 + 1, 0);
        }
        self.0[place / 64] |= 1 << (place % 64);
    }

    fn contains(&self, place: usize) -> bool {
        (self.0.get(place / 64)).is_some_and(|word| word >> (place % 64) & 1 == 1)
    }

    fn extend(&mut self, other: &Self) {
        if self.0.len() < other.0.len() {
            self.0.resize(other.0.len(), 0);
        }
        for (word, more) in self.0.iter_mut().zip(&other.0) {
            *word |= more;
        }
    }
}

/// A sound entry.
pub(super) struct Sound<'r> {
    pub(super) fact: RosterFact<'r>,
    /// All it comes after, directly or not.
    before: Places,
    /// The grants by which its author led in its history.
    by: Vec<GrantName>,
}

/// All sound entries, each after what it comes after.
pub(super) struct History<'r> {
    pub(super) sound: Vec<Sound<'r>>,
    places: HashMap<RecordId, usize>,
    /// What is wrong with the others.
    unsound: BTreeMap<RecordId, Effect>,
    founder: DeviceKey,
    book: DocumentId,
    /// Where a device is given the right to lead, a device is revoked, a grant is withdrawn or
    /// kept.
    lead_grants: HashMap<DeviceTag, Vec<usize>>,
    revocations: HashMap<DeviceTag, Vec<usize>>,
    withdrawals: HashMap<GrantName, Vec<usize>>,
    keepings: HashMap<GrantName, Vec<usize>>,
}

/// A set of sound entries closed under "comes after", as it is asked about.
pub(super) struct Scope<'h> {
    history: &'h History<'h>,
    /// Nothing stands for everything.
    within: Option<&'h Places>,
    void: RefCell<HashMap<usize, bool>>,
}

impl<'r> History<'r> {
    pub(super) fn read(founding: &Founding, book: DocumentId, facts: &[RosterFact<'r>]) -> Self {
        let mut history = Self {
            sound: Vec::new(),
            places: HashMap::new(),
            unsound: BTreeMap::new(),
            founder: founding.founder,
            book,
            lead_grants: HashMap::new(),
            revocations: HashMap::new(),
            withdrawals: HashMap::new(),
            keepings: HashMap::new(),
        };
        // An entry's epoch is above those of all it comes after, or it isn't sound; so in this
        // order every entry comes after those it names.
        let mut order: Vec<&RosterFact<'r>> = facts.iter().collect();
        order.sort_by_key(|fact| (fact.entry.epoch, fact.id));
        for fact in order {
            match history.judge(fact) {
                Ok(sound) => history.push(sound),
                Err(effect) => {
                    history.unsound.insert(fact.id, effect);
                }
            }
        }
        history
    }

    fn judge(&self, fact: &RosterFact<'r>) -> Result<Sound<'r>, Effect> {
        if !fact.clean {
            return Err(Effect::Odd);
        }
        let mut before = Places::default();
        let mut highest = 0;
        for Link { record, digest } in &fact.entry.previous {
            let place = *self.places.get(record).ok_or(Effect::NoHistory)?;
            let sound = &self.sound[place];
            if sound.fact.digest != *digest {
                return Err(Effect::NoHistory);
            }
            before.insert(place);
            before.extend(&sound.before);
            highest = highest.max(sound.fact.entry.epoch);
        }
        if highest.checked_add(1) != Some(fact.entry.epoch) {
            return Err(Effect::WrongEpoch);
        }
        let past = Scope {
            history: self,
            within: Some(&before),
            void: RefCell::default(),
        };
        let author = fact.id.writer.device;
        let mut by = Vec::new();
        if self.founder.tag() == author && self.in_effect(&past, GrantName::Founder, self.founder) {
            by.push(GrantName::Founder);
        }
        for place in self.lead_grants.get(&author).into_iter().flatten() {
            let sound = &self.sound[*place];
            let name = GrantName::Entry(sound.fact.id);
            if let Some(grant) = &sound.fact.entry.grant
                && before.contains(*place)
                && self.in_effect(&past, name, grant.key)
            {
                by.push(name);
            }
        }
        if by.is_empty() {
            return Err(Effect::NotEntitled);
        }
        Ok(Sound {
            fact: *fact,
            before,
            by,
        })
    }

    fn push(&mut self, sound: Sound<'r>) {
        let place = self.sound.len();
        let entry = sound.fact.entry;
        if let Some(grant) = entry.grant.as_ref().filter(|grant| grant.leads()) {
            let tag = grant.key.tag();
            self.lead_grants.entry(tag).or_default().push(place);
        }
        if let Some(revoke) = &entry.revoke {
            let tag = revoke.key.tag();
            self.revocations.entry(tag).or_default().push(place);
        }
        for name in &entry.withdraw {
            self.withdrawals.entry(*name).or_default().push(place);
        }
        for name in &entry.keep {
            self.keepings.entry(*name).or_default().push(place);
        }
        self.places.insert(sound.fact.id, place);
        self.sound.push(sound);
    }

    pub(super) fn everything(&self) -> Scope<'_> {
        Scope {
            history: self,
            within: None,
            void: RefCell::default(),
        }
    }

    /// Sound entries that nothing comes after.
    pub(super) fn heads(&self) -> Vec<Link> {
        let mut followed = Places::default();
        for sound in &self.sound {
            followed.extend(&sound.before);
        }
        let mut heads: Vec<Link> = (self.sound.iter().enumerate())
            .filter(|(place, _)| !followed.contains(*place))
            .map(|(_, sound)| Link {
                record: sound.fact.id,
                digest: sound.fact.digest,
            })
            .collect();
        heads.sort_unstable();
        heads
    }

    pub(super) fn effect(&self, all: &Scope<'_>, record: RecordId) -> Effect {
        match self.places.get(&record) {
            Some(place) if self.is_void(all, *place) => Effect::Void,
            Some(_) => Effect::Counts,
            None => (self.unsound.get(&record).copied()).unwrap_or(Effect::NoHistory),
        }
    }

    /// Rule 3: a revocation of its author cuts before the entry, or whatever made it sound is void.
    pub(super) fn is_void(&self, scope: &Scope<'_>, place: usize) -> bool {
        if let Some(void) = scope.void.borrow().get(&place) {
            return *void;
        }
        // Entries come after those that made them sound, so the way down ends. It is walked with
        // a list of its own: a history may be long.
        let mut waiting = vec![place];
        while let Some(next) = waiting.pop() {
            if scope.void.borrow().contains_key(&next) {
                continue;
            }
            let sound = &self.sound[next];
            let mut answer = Some(true);
            if !self.cut_off(scope, sound.fact.id) {
                for name in &sound.by {
                    let known = match name {
                        GrantName::Founder => Some(false),
                        GrantName::Entry(record) => (self.places.get(record))
                            .map_or(Some(true), |p| scope.void.borrow().get(p).copied()),
                    };
                    match known {
                        Some(false) => {
                            answer = Some(false);
                            break;
                        }
                        Some(true) => {}
                        None => answer = None,
                    }
                }
            }
            if let Some(void) = answer {
                scope.void.borrow_mut().insert(next, void);
            } else {
                waiting.push(next);
                let known = scope.void.borrow();
                let grants = sound.by.iter().filter_map(|name| match name {
                    GrantName::Founder => None,
                    GrantName::Entry(record) => self.places.get(record).copied(),
                });
                waiting.extend(grants.filter(|p| !known.contains_key(p)));
            }
        }
        scope.void.borrow().get(&place).copied().unwrap_or(true)
    }

    fn cut_off(&self, scope: &Scope<'_>, record: RecordId) -> bool {
        let revocations = self.revocations.get(&record.writer.device);
        let mut within = revocations.into_iter().flatten().filter(|p| scope.has(**p));
        within.any(|place| {
            let revoke = self.sound[*place].fact.entry.revoke.as_ref();
            revoke.is_some_and(|r| r.cut(self.book, record.writer) < record.n)
        })
    }

    /// Whether the entry that gives this is void; what the founding gives never is.
    pub(super) fn void_grant(&self, scope: &Scope<'_>, name: GrantName) -> bool {
        match name {
            GrantName::Founder => false,
            GrantName::Entry(record) => {
                (self.places.get(&record)).is_none_or(|place| self.is_void(scope, *place))
            }
        }
    }

    /// Neither void nor pending: given for sure, though perhaps withdrawn or revoked since.
    pub(super) fn sure(&self, scope: &Scope<'_>, name: GrantName) -> bool {
        match name {
            GrantName::Founder => true,
            GrantName::Entry(record) => self.places.get(&record).is_some_and(|place| {
                !self.is_void(scope, *place) && scope.apart(*place).is_empty()
            }),
        }
    }

    /// Rule 4.
    pub(super) fn in_effect(&self, scope: &Scope<'_>, name: GrantName, key: DeviceKey) -> bool {
        !scope.withdrawn(name) && !scope.revoked(key.tag()) && self.sure(scope, name)
    }
}

impl Scope<'_> {
    fn has(&self, place: usize) -> bool {
        self.within.is_none_or(|places| places.contains(place))
    }

    pub(super) fn withdrawn(&self, name: GrantName) -> bool {
        let places = self.history.withdrawals.get(&name).into_iter().flatten();
        places.into_iter().any(|place| self.has(*place))
    }

    pub(super) fn revoked(&self, device: DeviceTag) -> bool {
        let places = self.history.revocations.get(&device).into_iter().flatten();
        places.into_iter().any(|place| self.has(*place))
    }

    /// The entries made apart from this one, not void, that nobody has settled with its grant: no
    /// entry that isn't void comes after both and keeps it.
    pub(super) fn apart(&self, place: usize) -> Vec<usize> {
        let history = self.history;
        let sound = &history.sound[place];
        let name = GrantName::Entry(sound.fact.id);
        let keepers: Vec<&Sound<'_>> = (history.keepings.get(&name).into_iter().flatten())
            .filter(|keeper| {
                self.has(**keeper)
                    && history.sound[**keeper].before.contains(place)
                    && !history.is_void(self, **keeper)
            })
            .map(|keeper| &history.sound[*keeper])
            .collect();
        (history.sound.iter().enumerate())
            .filter(|(other, rival)| {
                *other != place
                    && self.has(*other)
                    && !sound.before.contains(*other)
                    && !rival.before.contains(place)
                    && !history.is_void(self, *other)
                    && !keepers.iter().any(|keeper| keeper.before.contains(*other))
            })
            .map(|(other, _)| other)
            .collect()
    }
}
