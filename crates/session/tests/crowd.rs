//! Fifty devices in reach of each other: what a change costs them together, what one of them may
//! hold, and how often a device that has nothing to say wakes up.

#![expect(
    clippy::cast_possible_truncation,
    clippy::cast_possible_wrap,
    clippy::print_stdout,
    clippy::expect_used,
    reason = "small known numbers, and figures to read"
)]

mod crew;

use std::cmp::Reverse;
use std::collections::{BTreeMap, BinaryHeap};

use crew::{Dice, document, writer};
use gravelbar_ledger::{DocumentId, Writer};
use gravelbar_session::{
    Event, Introduction, Limits, Offer, Outgoing, Parcel, Session, Shelf, Vector,
};

const START_MS: i64 = 1_750_000_000_000;
const DEVICES: usize = 50;

/// From a turn's first frame to its commit.
const COMMIT_MS: i64 = 12;

/// Of a change a tap makes, with its proof's share.
const CHANGE_BYTES: usize = 300;

/// A disk that knows how many changes of each writer it holds, and makes up what they say.
#[derive(Default)]
struct Counted(Vector);

impl Shelf for Counted {
    fn offers(&self) -> Vec<Offer> {
        vec![Offer {
            document: document(1),
            about: "the visit".to_owned(),
            vector: self.0.clone(),
            standing: Vec::new(),
        }]
    }

    fn shares(&self, _: DocumentId) -> bool {
        true
    }

    fn missing(&self, _: DocumentId, than: &Vector, most: usize, bytes: usize) -> Parcel {
        let lacking = self.0.iter().flat_map(|(writer, held)| {
            let from = than.get(writer).copied().unwrap_or(0) + 1;
            (from..=*held).map(|number| (*writer, number))
        });
        let changes =
            lacking
                .take(most.min(bytes / CHANGE_BYTES).max(1))
                .map(|(writer, number)| {
                    let mut content =
                        [writer.to_bytes().as_slice(), &number.to_be_bytes()].concat();
                    content.resize(CHANGE_BYTES, 0x5a);
                    Outgoing {
                        writer,
                        number,
                        bytes: content.into(),
                    }
                });
        Parcel {
            changes: changes.collect(),
            proof: Vec::new(),
        }
    }
}

impl Counted {
    /// Stores what came: of each writer one after the other.
    fn take(&mut self, changes: &[Vec<u8>]) {
        for change in changes {
            let writer = Writer::from_bytes(change[..16].try_into().expect("16 bytes"));
            let number = u64::from_be_bytes(change[16..24].try_into().expect("8 bytes"));
            let held = self.0.entry(writer).or_default();
            assert!(number <= *held + 1, "{writer} {number} came out of order");
            *held = number.max(*held);
        }
    }
}

enum Happening {
    /// A frame reaches the end of a road.
    Frame {
        to: usize,
        from: usize,
        frame: Vec<u8>,
    },
    /// A device stores what has come.
    Commit { device: usize },
    /// Something may be due on a device.
    Due { device: usize },
    /// A tap.
    Write { device: usize },
}

struct Member {
    disk: Counted,
    sessions: BTreeMap<usize, Session>,
    /// What came and isn't stored.
    waiting: Vec<(usize, Vec<Vec<u8>>)>,
    committing: bool,
    wakes_ms: i64,
    /// When its road to each peer is free again.
    free_ms: BTreeMap<usize, i64>,
}

/// All devices of one hotspot, and the air between them.
struct Truck {
    members: Vec<Member>,
    happenings: BTreeMap<u64, Happening>,
    times: BinaryHeap<Reverse<(i64, u64)>>,
    dice: Dice,
    now_ms: i64,
    bytes_a_ms: usize,
    batches: usize,
    changes: usize,
    frames: usize,
    bytes: usize,
    wakes: usize,
}

impl Truck {
    fn new(devices: usize, bytes_a_ms: usize) -> Self {
        Self {
            members: (0..devices)
                .map(|_| Member {
                    disk: Counted::default(),
                    sessions: BTreeMap::new(),
                    waiting: Vec::new(),
                    committing: false,
                    wakes_ms: i64::MAX,
                    free_ms: BTreeMap::new(),
                })
                .collect(),
            happenings: BTreeMap::new(),
            times: BinaryHeap::new(),
            dice: Dice::new(50),
            now_ms: START_MS,
            bytes_a_ms,
            batches: 0,
            changes: 0,
            frames: 0,
            bytes: 0,
            wakes: 0,
        }
    }

    fn at(&mut self, ms: i64, what: Happening) {
        let number = self.happenings.len() as u64 + (self.frames as u64) * 8 + self.dice.next() % 8;
        let mut key = number;
        while self.happenings.contains_key(&key) {
            key += 1;
        }
        self.happenings.insert(key, what);
        self.times.push(Reverse((ms, key)));
    }

    fn meet_all(&mut self) {
        for one in 0..self.members.len() {
            for other in 0..self.members.len() {
                if one != other {
                    let me = Introduction {
                        name: format!("device {one}"),
                        program: "model".to_owned(),
                    };
                    let dice = (one * 1_000 + other) as u64;
                    let session = Session::new(me, Limits::default(), dice);
                    self.members[one].sessions.insert(other, session);
                }
            }
        }
        for device in 0..self.members.len() {
            self.speak(device);
        }
    }

    /// A device says what there is to say; each road carries one frame after the other.
    fn speak(&mut self, device: usize) {
        let now_ms = self.now_ms;
        let mut said = Vec::new();
        let member = &mut self.members[device];
        for (peer, session) in &mut member.sessions {
            while let Some(frame) = session.poll(now_ms, &member.disk) {
                said.push((*peer, frame));
            }
        }
        let due = member
            .sessions
            .values()
            .filter_map(Session::poll_timeout)
            .min();
        for (to, frame) in said {
            self.frames += 1;
            self.bytes += frame.len();
            self.batches += usize::from(frame[0] == 0x03);
            let free_ms = self.members[device].free_ms.entry(to).or_insert(now_ms);
            let takes_ms = (frame.len() / self.bytes_a_ms) as i64;
            *free_ms = now_ms.max(*free_ms) + takes_ms;
            let there_ms = *free_ms + 4 + ((device * 7 + to * 3) % 9) as i64;
            let from = device;
            self.at(there_ms, Happening::Frame { to, from, frame });
        }
        if let Some(due) = due
            && (due < self.members[device].wakes_ms || self.members[device].wakes_ms <= now_ms)
        {
            self.members[device].wakes_ms = due;
            self.at(due.max(now_ms + 1), Happening::Due { device });
        }
    }

    fn write(&mut self, device: usize) {
        let member = &mut self.members[device];
        *member.disk.0.entry(writer(device, 1)).or_default() += 1;
        for session in member.sessions.values_mut() {
            session.handle_changed(document(1));
        }
    }

    fn step(&mut self) -> bool {
        let Some(Reverse((at_ms, key))) = self.times.pop() else {
            return false;
        };
        self.now_ms = at_ms.max(self.now_ms);
        let now_ms = self.now_ms;
        match self.happenings.remove(&key).expect("planned") {
            Happening::Frame { to, from, frame } => {
                let member = &mut self.members[to];
                let session = member.sessions.get_mut(&from).expect("met");
                let events = session.handle_frame(now_ms, &frame, &member.disk);
                for event in events.expect("an honest crew") {
                    if let Event::Arrived { changes, .. } = event {
                        self.changes += changes.len();
                        member.waiting.push((from, changes));
                    }
                }
                if !member.waiting.is_empty() && !member.committing {
                    member.committing = true;
                    self.at(now_ms + COMMIT_MS, Happening::Commit { device: to });
                }
                self.speak(to);
            }
            Happening::Commit { device } => {
                let member = &mut self.members[device];
                member.committing = false;
                let waiting = std::mem::take(&mut member.waiting);
                for (_, changes) in &waiting {
                    member.disk.take(changes);
                }
                let vector = member.disk.0.clone();
                for (from, _) in waiting {
                    let session = member.sessions.get_mut(&from).expect("met");
                    session.handle_stored(document(1), &vector);
                }
                for session in member.sessions.values_mut() {
                    session.handle_relayed(now_ms, document(1), &vector);
                }
                self.speak(device);
            }
            Happening::Due { device } => {
                if self.members[device].wakes_ms == at_ms {
                    self.wakes += 1;
                    self.members[device].wakes_ms = i64::MAX;
                    self.speak(device);
                }
            }
            Happening::Write { device } => {
                self.write(device);
                self.speak(device);
            }
        }
        true
    }

    fn until(&mut self, ms: i64) {
        while let Some(Reverse((at_ms, _))) = self.times.peek()
            && *at_ms <= ms
        {
            self.step();
        }
        self.now_ms = ms;
    }

    fn all_hold(&self, writes: u64) -> bool {
        let first = &self.members[0].disk.0;
        first.values().sum::<u64>() == writes && (self.members.iter()).all(|m| m.disk.0 == *first)
    }
}

/// 50 × 198 changes made apart meet at the truck over one hotspot; then the crew goes on tapping,
/// 100 taps in 10 seconds. Sent to each peer by whoever hears it, every change would travel 49 × 48
/// times. At least 49 are needed, one for each device that lacks it.
#[test]
fn ten_thousand_changes_reach_fifty_devices_about_once_each() {
    let mut truck = Truck::new(DEVICES, 20);
    for device in 0..DEVICES {
        for _ in 0..198 {
            truck.write(device);
        }
    }
    truck.meet_all();
    truck.until(START_MS + 60_000);
    assert!(truck.all_hold(9_900), "not equal after a minute");
    let needed = 9_900 * (DEVICES - 1);
    let apart = truck.changes;
    assert!(apart < needed * 11 / 10, "{apart} for {needed}");
    let (frames, bytes) = (truck.frames, truck.bytes);

    for tap in 0..100 {
        let device = truck.dice.below(DEVICES);
        let at_ms = START_MS + 60_000 + tap * 100 + (truck.dice.next() % 100) as i64;
        truck.at(at_ms, Happening::Write { device });
    }
    truck.until(START_MS + 75_000);
    assert!(
        truck.all_hold(10_000),
        "not equal five seconds after the last tap"
    );
    let live = truck.changes - apart;
    let live_needed = 100 * (DEVICES - 1);
    assert!(live < live_needed * 2, "{live} for {live_needed}");
    println!(
        "apart: {apart} changes over the air for {needed}, {frames} frames, {bytes} bytes; live: {live} for \
         {live_needed}, {} frames, {} bytes",
        truck.frames - frames,
        truck.bytes - bytes,
    );
}

/// With nothing to say a device wakes to ask the time: five asks every ten minutes of each peer.
#[test]
fn an_idle_device_wakes_half_a_minute_per_peer_and_no_more() {
    let mut truck = Truck::new(6, 2_000);
    for device in 0..6 {
        truck.write(device);
    }
    truck.meet_all();
    truck.until(START_MS + 60_000);
    assert!(truck.all_hold(6));
    let before = truck.wakes;
    truck.until(START_MS + 60_000 + 3_600_000);
    // Six devices, five peers each, six rounds of five asks in an hour; rounds of several peers
    // mostly fall together.
    let most = 6 * 5 * 6 * 5;
    let wakes = truck.wakes - before;
    assert!(wakes > 0 && wakes <= most, "{wakes}");
    println!(
        "{:.2} wake-ups a minute and device",
        wakes as f64 / 6.0 / 60.0
    );
}

/// A peer that says as much as it may, and never answers.
#[test]
fn what_one_peer_can_make_a_session_keep_is_bounded() {
    struct Open;
    impl Shelf for Open {
        fn offers(&self) -> Vec<Offer> {
            Vec::new()
        }
        fn offer(&self, document: DocumentId) -> Option<Offer> {
            Some(Offer {
                document,
                about: String::new(),
                vector: Vector::new(),
                standing: Vec::new(),
            })
        }
        fn shares(&self, _: DocumentId) -> bool {
            true
        }
        fn missing(&self, _: DocumentId, _: &Vector, _: usize, _: usize) -> Parcel {
            Parcel::default()
        }
    }
    let mut talk = None;
    let kept = allocation_counter::measure(|| {
        let me = Introduction {
            name: "Bank".to_owned(),
            program: "test".to_owned(),
        };
        let mut session = Session::new(me, Limits::default(), 1);
        let mut tell = |frame: &[u8]| session.handle_frame(START_MS, frame, &Open).is_ok();
        assert!(tell(&[1, 2, 2, 0, 0]));
        let entries = |first: usize| -> Vec<u8> {
            let mut bytes = vec![0x80, 0x02]; // 256 writers
            for n in first..first + 256 {
                bytes.extend(writer(n, 1).to_bytes());
                bytes.push(1);
            }
            bytes
        };
        let name = |n: u16| [n.to_be_bytes().repeat(8)].concat();
        let mut ended = false;
        let mut batch = 0_u64;
        for n in 0..1_024 {
            let offer = [vec![2], name(n), vec![0, 0, 0]].concat();
            assert!(tell(&offer));
        }
        session.handle_changed(DocumentId([0; 16]));
        for n in 0..1_024_u16 {
            session.handle_changed(DocumentId(name(n).try_into().expect("16 bytes")));
        }
        while session.poll(START_MS, &Open).is_some() {}
        let mut tell = |frame: &[u8]| session.handle_frame(START_MS, frame, &Open).is_ok();
        'talk: for n in 0..1_024_u16 {
            for first in [256, 256, 256, 256] {
                batch += 1;
                let mut number = Vec::new();
                let mut left = batch;
                while left >= 0x80 {
                    number.push((left & 0x7f) as u8 | 0x80);
                    left >>= 7;
                }
                number.push(left as u8);
                let changes = [vec![0x80, 0x02], vec![0; 256]].concat();
                let frame = [vec![3], name(n), number, entries(first), vec![0], changes].concat();
                if !tell(&frame) {
                    ended = true;
                    break 'talk;
                }
            }
        }
        assert!(ended, "it said all it could");
        talk = Some(session);
    });
    println!("{} bytes kept", kept.bytes_current);
    assert!(kept.bytes_current < 24 << 20, "{}", kept.bytes_current);
    drop(talk);
}
