//! A crew of model devices that meet over a reliable road which breaks at any moment.
//!
//! A model change says who wrote it, its number, and everything it builds on, so that a device can
//! check what the real ledger checks: nothing out of causal order, nothing twice.

#![allow(dead_code, reason = "each test binary uses a part")]

use std::collections::{BTreeMap, BTreeSet, VecDeque};
use std::sync::Arc;

use gravelbar_ledger::{DeviceTag, DocumentId, Session as Run, Writer};
use gravelbar_session::{
    Event, FRAME_BYTES, Introduction, Limits, Offer, Outgoing, Parcel, Session, Shelf, Urgent,
    Vector,
};

/// Random numbers that a seed repeats (xorshift64*).
pub(crate) struct Dice(u64);

impl Dice {
    pub(crate) fn new(seed: u64) -> Self {
        Self(seed.wrapping_mul(0x9e37_79b9_7f4a_7c15) | 1)
    }

    pub(crate) fn next(&mut self) -> u64 {
        self.0 ^= self.0 >> 12;
        self.0 ^= self.0 << 25;
        self.0 ^= self.0 >> 27;
        self.0.wrapping_mul(0x2545_f491_4f6c_dd1d)
    }

    pub(crate) fn below(&mut self, most: usize) -> usize {
        usize::try_from(self.next() >> 33).unwrap_or_default() % most.max(1)
    }
}

pub(crate) fn document(n: u8) -> DocumentId {
    DocumentId([n; 16])
}

pub(crate) fn writer(device: usize, run: u64) -> Writer {
    Writer {
        device: DeviceTag((device as u64).to_be_bytes()),
        session: Run(run.to_be_bytes()),
    }
}

/// Writes a model change.
pub(crate) fn change(writer: Writer, number: u64, builds_on: &Vector, padding: usize) -> Arc<[u8]> {
    let mut bytes = Vec::new();
    bytes.extend(writer.to_bytes());
    bytes.extend(number.to_be_bytes());
    bytes.extend((builds_on.len() as u64).to_be_bytes());
    for (w, n) in builds_on {
        bytes.extend(w.to_bytes());
        bytes.extend(n.to_be_bytes());
    }
    bytes.extend(std::iter::repeat_n(0x5a, padding));
    bytes.into()
}

/// Reads a model change back.
pub(crate) fn read_change(bytes: &[u8]) -> Option<(Writer, u64, Vector)> {
    let number = |at: usize| Some(u64::from_be_bytes(bytes.get(at..at + 8)?.try_into().ok()?));
    let name = |at: usize| Some(Writer::from_bytes(bytes.get(at..at + 16)?.try_into().ok()?));
    let count = usize::try_from(number(24)?).ok()?;
    let mut builds_on = Vector::new();
    for entry in 0..count {
        builds_on.insert(name(32 + entry * 24)?, number(48 + entry * 24)?);
    }
    Some((name(0)?, number(16)?, builds_on))
}

/// One document on one device's disk: its changes in the order they were stored.
#[derive(Default, Clone)]
pub(crate) struct Log {
    pub(crate) about: String,
    pub(crate) vector: Vector,
    pub(crate) changes: Vec<Outgoing>,
    /// Of these changes peers should hear at once.
    pub(crate) urgent: BTreeSet<(Writer, u64)>,
}

/// A device's disk. Only what is stored is here.
#[derive(Default, Clone)]
pub(crate) struct Disk(pub(crate) BTreeMap<DocumentId, Log>);

impl Shelf for Disk {
    fn offers(&self) -> Vec<Offer> {
        self.0
            .iter()
            .map(|(document, log)| Offer {
                document: *document,
                about: log.about.clone(),
                vector: log.vector.clone(),
                standing: standing(&log.vector),
            })
            .collect()
    }

    fn offer(&self, document: DocumentId) -> Option<Offer> {
        let log = self.0.get(&document)?;
        Some(Offer {
            document,
            about: log.about.clone(),
            vector: log.vector.clone(),
            standing: standing(&log.vector),
        })
    }

    fn shares(&self, document: DocumentId) -> bool {
        self.0.contains_key(&document)
    }

    fn urgent(&self, document: DocumentId, than: &Vector) -> Vec<Urgent> {
        let log = self.0.get(&document);
        log.into_iter()
            .flat_map(|log| &log.urgent)
            .filter(|(w, n)| than.get(w).is_none_or(|at| at < n))
            .map(|(writer, number)| Urgent {
                writer: *writer,
                number: *number,
                bytes: format!("stop {number}").into(),
            })
            .collect()
    }

    fn missing(
        &self,
        document: DocumentId,
        than: &Vector,
        max_changes: usize,
        max_bytes: usize,
    ) -> Parcel {
        let mut bytes = 0;
        let log = self.0.get(&document);
        let changes: Vec<Outgoing> = (log.into_iter())
            .flat_map(|log| &log.changes)
            .filter(|c| than.get(&c.writer).is_none_or(|n| *n < c.number))
            .take(max_changes)
            .enumerate()
            .take_while(|(at, c)| {
                bytes += c.bytes.len();
                *at == 0 || bytes <= max_bytes
            })
            .map(|(_, c)| c.clone())
            .collect();
        let proof = proof(changes.iter().map(|c| &*c.bytes));
        Parcel { changes, proof }
    }
}

impl Disk {
    pub(crate) fn append(&mut self, document: DocumentId, writer: Writer, padding: usize) {
        let log = self.0.entry(document).or_default();
        log.about = about(document);
        let number = log.vector.get(&writer).copied().unwrap_or(0) + 1;
        let bytes = change(writer, number, &log.vector, padding);
        log.vector.insert(writer, number);
        log.changes.push(Outgoing {
            writer,
            number,
            bytes,
        });
    }

    /// Stores what came, like a ledger: what is there already is nothing; what builds on something
    /// that isn't there is a broken promise.
    pub(crate) fn take(
        &mut self,
        document: DocumentId,
        changes: &[Vec<u8>],
    ) -> Result<usize, String> {
        let log = self.0.get_mut(&document).ok_or("not on the shelf")?;
        let mut new = 0;
        for bytes in changes {
            let (writer, number, builds_on) = read_change(bytes).ok_or("not a change")?;
            let held = log.vector.get(&writer).copied().unwrap_or(0);
            if number <= held {
                continue;
            }
            let has = |(w, n): (&Writer, &u64)| log.vector.get(w).is_some_and(|at| at >= n);
            if number != held + 1 || !builds_on.iter().all(has) {
                return Err(format!("{writer} {number} came out of order"));
            }
            log.vector.insert(writer, number);
            log.changes.push(Outgoing {
                writer,
                number,
                bytes: bytes.as_slice().into(),
            });
            new += 1;
        }
        Ok(new)
    }
}

/// A model proof: how many changes, and their bytes added up.
pub(crate) fn proof<'a>(changes: impl Iterator<Item = &'a [u8]>) -> Vec<u8> {
    let (mut count, mut sum) = (0_u64, 0_u64);
    for change in changes {
        count += 1;
        sum = change
            .iter()
            .fold(sum, |sum, byte| sum.wrapping_mul(31) + u64::from(*byte));
    }
    [count.to_be_bytes(), sum.to_be_bytes()].concat()
}

/// A model standing: how many changes are held. An empty document says nothing.
pub(crate) fn standing(vector: &Vector) -> Vec<u8> {
    let held: u64 = vector.values().sum();
    if held == 0 {
        Vec::new()
    } else {
        held.to_be_bytes().to_vec()
    }
}

pub(crate) fn about(document: DocumentId) -> String {
    format!("a visit called {document}")
}

/// What came and isn't stored yet: gone with a crash.
struct Waiting {
    road: usize,
    document: DocumentId,
    changes: Vec<Vec<u8>>,
}

pub(crate) struct Device {
    pub(crate) disk: Disk,
    run: u64,
    waiting: VecDeque<Waiting>,
    /// The planted fault: acknowledges what isn't on the disk.
    acknowledges_early: bool,
}

/// A connection between two devices.
struct Road {
    ends: [usize; 2],
    sessions: [Session; 2],
    /// Frames on their way *to* each end.
    frames: [VecDeque<Vec<u8>>; 2],
}

/// Everything, and what was seen to go wrong.
pub(crate) struct Crew {
    pub(crate) devices: Vec<Device>,
    roads: BTreeMap<usize, Road>,
    roads_made: usize,
    pub(crate) now_ms: i64,
    pub(crate) broken_promises: Vec<String>,
    pub(crate) frames_sent: usize,
    pub(crate) changes_arrived: usize,
    pub(crate) changes_new: usize,
    pub(crate) longest_frame: usize,
    pub(crate) urgent_heard: BTreeSet<(usize, usize, DocumentId, Writer, u64)>,
    limits: Limits,
}

impl Crew {
    pub(crate) fn new(devices: usize, limits: Limits) -> Self {
        Self {
            devices: (0..devices)
                .map(|_| Device {
                    disk: Disk::default(),
                    run: 1,
                    waiting: VecDeque::new(),
                    acknowledges_early: false,
                })
                .collect(),
            roads: BTreeMap::new(),
            roads_made: 0,
            now_ms: 1_750_000_000_000,
            broken_promises: Vec::new(),
            frames_sent: 0,
            changes_arrived: 0,
            changes_new: 0,
            longest_frame: 0,
            urgent_heard: BTreeSet::new(),
            limits,
        }
    }

    pub(crate) fn plant_early_acknowledgement(&mut self) {
        for device in &mut self.devices {
            device.acknowledges_early = true;
        }
    }

    pub(crate) fn write(&mut self, device: usize, document: DocumentId, padding: usize) {
        let at = &mut self.devices[device];
        let writer = writer(device, at.run);
        at.disk.append(document, writer, padding);
        self.changed(device, document, false);
    }

    pub(crate) fn meet(&mut self, a: usize, b: usize) {
        let met = self
            .roads
            .values()
            .any(|r| r.ends == [a, b] || r.ends == [b, a]);
        if a == b || met {
            return;
        }
        let session = |n: usize| {
            let me = Introduction {
                name: format!("device {n}"),
                program: "model".to_owned(),
            };
            Session::new(me, self.limits, (a * 1_000 + b * 7 + n) as u64)
        };
        let road = Road {
            ends: [a, b],
            sessions: [session(a), session(b)],
            frames: [VecDeque::new(), VecDeque::new()],
        };
        self.roads.insert(self.roads_made, road);
        self.roads_made += 1;
    }

    pub(crate) fn roads(&self) -> Vec<usize> {
        self.roads.keys().copied().collect()
    }

    /// The connection breaks; what is on its way is gone.
    pub(crate) fn part(&mut self, road: usize) {
        self.roads.remove(&road);
    }

    /// Power cut: what isn't on the disk is gone, and so are all connections.
    pub(crate) fn crash(&mut self, device: usize) {
        self.roads.retain(|_, road| !road.ends.contains(&device));
        let at = &mut self.devices[device];
        at.waiting.clear();
        at.run += 1;
    }

    /// One end puts its next frame on the road. Whether there was one.
    pub(crate) fn send(&mut self, road: usize, end: usize) -> bool {
        let Some(road) = self.roads.get_mut(&road) else {
            return false;
        };
        let disk = &self.devices[road.ends[end]].disk;
        let Some(frame) = road.sessions[end].poll(self.now_ms, disk) else {
            return false;
        };
        self.frames_sent += 1;
        self.longest_frame = self.longest_frame.max(frame.len());
        if frame.len() > FRAME_BYTES {
            self.broken_promises.push("a frame too long".to_owned());
        }
        road.frames[1 - end].push_back(frame);
        true
    }

    /// One end takes the next frame off the road. Whether there was one.
    pub(crate) fn deliver(&mut self, at: usize, end: usize) -> bool {
        let Some(road) = self.roads.get_mut(&at) else {
            return false;
        };
        let Some(frame) = road.frames[end].pop_front() else {
            return false;
        };
        let (me, peer) = (road.ends[end], road.ends[1 - end]);
        let result = road.sessions[end].handle_frame(self.now_ms, &frame, &self.devices[me].disk);
        match result {
            Ok(events) => {
                for event in events {
                    self.happen(at, me, peer, event);
                }
            }
            Err(error) => {
                self.broken_promises.push(error.to_string());
                self.part(at);
            }
        }
        true
    }

    fn happen(&mut self, road: usize, me: usize, peer: usize, event: Event) {
        match event {
            Event::Greeted { .. } | Event::Clock { .. } | Event::Standing { .. } => {}
            Event::Urgent { document, urgent } => {
                let heard = (road, me, document, urgent.writer, urgent.number);
                if !self.urgent_heard.insert(heard) {
                    self.broken_promises
                        .push(format!("urgent twice: {heard:?}"));
                }
            }
            Event::Offered {
                document, about, ..
            } => {
                self.devices[me].disk.0.entry(document).or_default().about = about;
                self.changed(me, document, false);
            }
            Event::Arrived {
                document,
                changes,
                proof: shown,
                ..
            } => {
                if shown != proof(changes.iter().map(Vec::as_slice)) {
                    self.broken_promises
                        .push("a proof of other changes".to_owned());
                }
                self.changes_arrived += changes.len();
                if self.devices[me].acknowledges_early {
                    let mut vector = self.devices[me].disk.0[&document].vector.clone();
                    for (writer, number, _) in changes.iter().filter_map(|c| read_change(c)) {
                        vector.insert(writer, number);
                    }
                    self.stored(road, me, document, vector);
                }
                self.devices[me].waiting.push_back(Waiting {
                    road,
                    document,
                    changes,
                });
            }
            Event::PeerHas { document, vector } => {
                // The promise itself: whatever a peer is told is stored, is on the teller's disk.
                let disk = self.devices[peer].disk.0.get(&document);
                for (writer, number) in &vector {
                    let held = disk.and_then(|log| log.vector.get(writer)).copied();
                    if held.unwrap_or(0) < *number {
                        self.broken_promises.push(format!(
                            "device {peer} said it stored {writer} {number}; it holds {held:?}"
                        ));
                    }
                }
            }
            Event::Refused { why, .. } => {
                self.broken_promises.push(format!("refused: {why}"));
            }
        }
    }

    /// A device stores the oldest of what came, then acknowledges. Whether there was anything.
    pub(crate) fn store(&mut self, device: usize) -> bool {
        let Some(waiting) = self.devices[device].waiting.pop_front() else {
            return false;
        };
        let disk = &mut self.devices[device].disk;
        match disk.take(waiting.document, &waiting.changes) {
            Ok(new) => {
                self.changes_new += new;
                let vector = disk.0[&waiting.document].vector.clone();
                self.stored(waiting.road, device, waiting.document, vector);
                if new > 0 {
                    self.changed(device, waiting.document, true);
                }
            }
            Err(error) => self.broken_promises.push(error),
        }
        true
    }

    /// Time passes until something held back is due. Whether anything is; clocks alone are nothing.
    fn wait(&mut self) -> bool {
        let soon = self.now_ms + 30_001;
        let due = self.roads.values().flat_map(|road| &road.sessions);
        let due = due.filter_map(Session::poll_timeout).min();
        match due.filter(|due| *due <= soon && *due > self.now_ms) {
            Some(due) => {
                self.now_ms = due;
                true
            }
            None => false,
        }
    }

    fn stored(&mut self, road: usize, device: usize, document: DocumentId, vector: Vector) {
        if let Some(road) = self.roads.get_mut(&road) {
            let end = usize::from(road.ends[1] == device);
            road.sessions[end].handle_stored(document, &vector);
        }
    }

    fn changed(&mut self, device: usize, document: DocumentId, by_others: bool) {
        let vector = self.devices[device].disk.0[&document].vector.clone();
        for road in self.roads.values_mut() {
            for end in 0..2 {
                if road.ends[end] == device {
                    if by_others {
                        road.sessions[end].handle_relayed(self.now_ms, document, &vector);
                    } else {
                        road.sessions[end].handle_changed(document);
                    }
                }
            }
        }
    }

    /// Everything that can happen happens until nothing does; how many things did.
    pub(crate) fn settle(&mut self, most: usize) -> usize {
        let mut happened = 0;
        loop {
            let before = happened;
            for road in self.roads() {
                for end in 0..2 {
                    happened += usize::from(self.send(road, end));
                    happened += usize::from(self.deliver(road, end));
                }
            }
            for device in 0..self.devices.len() {
                happened += usize::from(self.store(device));
            }
            assert!(happened <= most, "still busy after {most} steps");
            if happened == before && !self.wait() {
                return happened;
            }
        }
    }

    /// All devices hold the same, and it is `all`: every change that was ever on a disk.
    pub(crate) fn agreed_on(&self, all: &BTreeMap<DocumentId, Vector>) -> Result<(), String> {
        for (n, device) in self.devices.iter().enumerate() {
            let held: BTreeMap<_, _> = device
                .disk
                .0
                .iter()
                .map(|(document, log)| (*document, log.vector.clone()))
                .collect();
            if held != *all {
                return Err(format!("device {n} holds {held:?}, not {all:?}"));
            }
            for (document, log) in &device.disk.0 {
                let first = &self.devices[0].disk.0[document];
                let set = |log: &Log| -> BTreeSet<Arc<[u8]>> {
                    log.changes.iter().map(|c| c.bytes.clone()).collect()
                };
                if set(log) != set(first) {
                    return Err(format!("device {n} holds other bytes"));
                }
            }
        }
        Ok(())
    }

    /// Every change on any disk.
    pub(crate) fn everything(&self) -> BTreeMap<DocumentId, Vector> {
        let mut all: BTreeMap<DocumentId, Vector> = BTreeMap::new();
        for device in &self.devices {
            for (document, log) in &device.disk.0 {
                let vector = all.entry(*document).or_default();
                for (writer, number) in &log.vector {
                    let at = vector.entry(*writer).or_default();
                    *at = (*at).max(*number);
                }
            }
        }
        all
    }
}
