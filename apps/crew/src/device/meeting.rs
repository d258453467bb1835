//! Other devices: who is connected, what they send, what they have.

use std::collections::BTreeMap;
use std::net::SocketAddr;

use chrono::{DateTime, FixedOffset};
use gravelbar_link::{DeviceKeyId, Line};
use gravelbar_session::{Event as Said, Introduction, Limits, Session, Vector};
use gravelbar_store::{Heard, Offset, Peer};
use gravelbar_visit::{ClockOffset, DeviceView, DocumentId, Fact, PersonName, RecordId};
use tokio::sync::mpsc;

use super::acts::{has_all, hexadecimal};
use super::held::Subject;
use super::shelf::PeerShelf;
use super::{Device, tag_of};
use crate::net::{ConnectionNumber, NetEvent, Up};
use crate::node::PeerLine;

/// Two devices that call each other at the same moment make two connections; within this time
/// of the first, both keep the one that the device of the lower key called for. Later a second
/// connection means that the first is dead on the other side.
const SAME_MOMENT_MS: i64 = 3_000;

/// A clock further off than this, and its own uncertainty, is recorded in the visit.
const CLOCK_WORTH_NOTING_MS: i64 = 500;

/// Up to this many devices, clocks that agree are written down too.
const SMALL_CREW: usize = 12;

/// One connected device.
pub(super) struct Meeting {
    pub(super) session: Session,
    device: DeviceKeyId,
    name: String,
    outgoing: mpsc::Sender<Vec<u8>>,
    line: Line,
    called: bool,
    since_ms: i64,
    /// What it has said to have of each visit.
    has: BTreeMap<DocumentId, Vector>,
    /// The document it was invited to, until it is on that visit's list.
    heard_ms: i64,
    /// How many records it has sent that nothing proves.
    pub(super) unproved: usize,
}

impl Meeting {
    pub(super) fn device(&self) -> DeviceKeyId {
        self.device
    }

    pub(super) fn due_ms(&self) -> Option<i64> {
        // While the network has no room nothing can be said; room makes a turn of its own.
        let room = self.outgoing.capacity() > 0;
        self.session.poll_timeout().filter(|_| room)
    }
}

impl Device {
    /// Devices met before are called at the addresses where they were.
    pub(super) fn meet_known(&mut self) -> Result<(), gravelbar_store::ReadError> {
        for peer in self.store.peers()? {
            let addresses = peer
                .addresses
                .iter()
                .filter_map(|a| a.parse().ok())
                .collect();
            if self.barred.contains(&peer.key_id) {
                continue;
            }
            self.roster.add(DeviceKeyId(peer.key_id));
            self.net.call(DeviceKeyId(peer.key_id), addresses, true);
        }
        Ok(())
    }

    /// As at the start, after the disk came back.
    pub(super) fn meet_again(&mut self) {
        if let Err(error) = self.meet_known() {
            self.notice(error.to_string());
        }
    }

    /// A device whose key and addresses a person gave: admitted, remembered, called.
    pub(super) fn meet(&mut self, device: DeviceKeyId, addresses: Vec<SocketAddr>) {
        if !self.barred.contains(&device.0) {
            self.roster.add(device);
        }
        self.remember(device, String::new(), &addresses);
    }

    fn remember(&mut self, device: DeviceKeyId, name: String, addresses: &[SocketAddr]) {
        self.turn.batch.peers.push(Peer {
            key_id: device.0,
            name,
            addresses: addresses.iter().map(ToString::to_string).collect(),
            last_heard_ms: None,
        });
    }

    pub(super) fn hear(&mut self, event: NetEvent) {
        match event {
            NetEvent::Up(up) => self.begin(up),
            NetEvent::Frame {
                connection, frame, ..
            } => self.hear_frame(connection, &frame),
            // The next round of speaking finds the room.
            NetEvent::Writable => {}
            NetEvent::Down(connection) => self.end(connection),
            NetEvent::NotJoined { document, why } => self.tell_not_joined(document, &why),
            NetEvent::Entered {
                entry,
                device,
                address,
                document,
            } => self.entered(entry, device, address, document),
            NetEvent::NotEntered { entry, why } => self.not_entered(entry, &why),
            NetEvent::CodeEnded => self.code_ended(),
            NetEvent::Found(found) => {
                let meeting = self.meetings.values().find(|m| m.device == found.device);
                self.net
                    .found(&found, meeting.map(|m| m.line.remote_addr()));
            }
            NetEvent::Joinable => self.turn.shown = true,
            NetEvent::Moved => {
                self.turn.shown = true;
                self.say_where();
                self.net.moved(self.meetings.values().map(|m| m.device));
            }
        }
    }

    fn begin(&mut self, up: Up) {
        let now_ms = self.now().timestamp_millis();
        let older = self
            .meetings
            .iter()
            .find(|(_, m)| m.device == up.device)
            .map(|(number, m)| (*number, m.called, m.since_ms));
        if let Some((number, called, since_ms)) = older {
            let same_moment = now_ms.saturating_sub(since_ms).abs() < SAME_MOMENT_MS;
            let ours_stays = self.key < up.device;
            if same_moment && called != up.called && up.called != ours_stays {
                up.line.close("this device is connected already");
                return;
            }
            if let Some(old) = self.meetings.remove(&number) {
                old.line.close("a newer connection took over");
            }
        }
        if let Some(joined) = up.joined {
            self.list(up.device, joined.document.map(DocumentId));
        }
        self.remember_address(up.device, up.address);
        self.net.want(up.device, false);
        let introduction = Introduction {
            name: self.name.clone(),
            program: concat!("gravelbar ", env!("CARGO_PKG_VERSION")).to_owned(),
        };
        self.meetings.insert(
            up.connection,
            Meeting {
                session: Session::new(introduction, Limits::default(), spread(self.key, up.device)),
                device: up.device,
                name: String::new(),
                outgoing: up.outgoing,
                line: up.line,
                called: up.called,
                since_ms: now_ms,
                has: BTreeMap::new(),
                heard_ms: now_ms,
                unproved: 0,
            },
        );
        self.say_where();
        self.turn.shown = true;
    }

    pub(super) fn is_connected(&self, device: DeviceKeyId) -> bool {
        self.meetings.values().any(|m| m.device == device)
    }

    /// Where a device was met last is where to call it first: a device calls and listens on one
    /// and the same socket.
    fn remember_address(&mut self, device: DeviceKeyId, met_at: SocketAddr) {
        let known = self.store.peers().unwrap_or_default();
        let known = known.into_iter().find(|p| p.key_id == device.0);
        let mut addresses = vec![met_at];
        if let Some(known) = &known {
            let before = known
                .addresses
                .iter()
                .filter_map(|a| a.parse::<SocketAddr>().ok());
            addresses.extend(before.filter(|a| *a != met_at).take(7));
        }
        let name = known.map(|p| p.name).unwrap_or_default();
        self.remember(device, name, &addresses);
        self.net.call(device, addresses, false);
    }

    /// A device that came in by invitation goes on the visit's list, so that every other device of
    /// the visit learns its key.
    fn list(&mut self, device: DeviceKeyId, document: Option<DocumentId>) {
        let Some(document) = document else { return };
        let Some(held) = self.documents.get(&document) else {
            return;
        };
        if held.lists(device.0) || self.barred.contains(&device.0) {
            return;
        }
        if self.is_book(document) {
            self.let_into_crew(device, document);
            return;
        }
        let tag = tag_of(device);
        let entry = gravelbar_visit::Device {
            tag,
            key: hexadecimal(device),
            name: format!("new device {}", &tag.to_string()[..4]),
        };
        self.note_down(document, vec![entry.into()]);
    }

    fn end(&mut self, connection: ConnectionNumber) {
        if let Some(meeting) = self.meetings.remove(&connection) {
            self.turn.batch.heard.push(Heard {
                peer: meeting.device.0,
                at_ms: meeting.heard_ms,
            });
            let again = !self.meetings.values().any(|m| m.device == meeting.device);
            if again && !self.barred.contains(&meeting.device.0) {
                self.net.want(meeting.device, true);
            }
            self.turn.shown = true;
        }
    }

    /// Ends all conversations; devices call each other again.
    pub(super) fn hang_up(&mut self, why: &str) {
        for (_, meeting) in std::mem::take(&mut self.meetings) {
            meeting.line.close(why);
            self.net.want(meeting.device, true);
        }
    }

    fn hear_frame(&mut self, connection: ConnectionNumber, frame: &[u8]) {
        let now_ms = self.now().timestamp_millis();
        let Some(meeting) = self.meetings.get_mut(&connection) else {
            return;
        };
        meeting.heard_ms = now_ms;
        let shelf = PeerShelf {
            documents: &self.documents,
            peer: meeting.device,
        };
        match meeting.session.handle_frame(now_ms, frame, &shelf) {
            Ok(said) => {
                for said in said {
                    self.take(connection, said);
                }
            }
            Err(error) => {
                let name = self.called(connection);
                meeting_over(self.meetings.get(&connection), &error.to_string());
                self.notice(format!("{name}: {error}"));
            }
        }
    }

    /// What to call a connected device in words.
    pub(super) fn called(&self, connection: ConnectionNumber) -> String {
        self.meetings
            .get(&connection)
            .map(|m| {
                if m.name.is_empty() {
                    tag_of(m.device).to_string()
                } else {
                    m.name.clone()
                }
            })
            .unwrap_or_default()
    }

    fn take(&mut self, connection: ConnectionNumber, said: Said) {
        match said {
            Said::Greeted { name, .. } => {
                if let Some(meeting) = self.meetings.get_mut(&connection) {
                    meeting.name = name;
                }
            }
            Said::Offered {
                document, about, ..
            } => self.take_offer(connection, document, &about),
            Said::Arrived {
                document,
                batch,
                changes,
                proof,
            } => self.take_changes(connection, document, batch, changes, &proof),
            Said::PeerHas { document, vector } => {
                if let Some(meeting) = self.meetings.get_mut(&connection) {
                    meeting.has.insert(document, vector);
                    self.turn.shown = true;
                }
            }
            Said::Clock {
                offset_ms,
                uncertainty_ms,
            } => self.take_clock(connection, offset_ms, uncertainty_ms),
            Said::Urgent { document, urgent } => {
                self.hear_urgent(connection, document, &urgent);
            }
            Said::Standing { document, bytes } => {
                self.hear_standing(connection, document, &bytes);
            }
            Said::Refused { why, .. } => {
                let words = format!(
                    "{} doesn't take some of this device's records: {why}",
                    self.called(connection)
                );
                self.notice(words);
            }
        }
    }

    /// A document this device hasn't got, from a device that is admitted: taken, since only members
    /// are offered it. Its subject must lead to its name.
    fn take_offer(&mut self, connection: ConnectionNumber, document: DocumentId, about: &str) {
        let sender = self.meetings.get(&connection).map(|m| m.device);
        let subject = match Subject::read(about) {
            Ok(subject) if subject.document_id() == document => subject,
            Ok(_) => {
                let name = self.called(connection);
                self.notice(format!(
                    "{name} offers a visit whose plan doesn't belong to it: left alone"
                ));
                return;
            }
            Err(error) => {
                let name = self.called(connection);
                self.notice(format!(
                    "{name} offers a visit that can't be opened: {error}"
                ));
                self.tell_not_joined(document, &error.to_string());
                return;
            }
        };
        if self.open_subject(subject).is_ok()
            && let (Some(held), Some(sender)) = (self.documents.get_mut(&document), sender)
        {
            // The sender holds the document, so it may have it; the document's own list follows
            // with its first records.
            held.admitted.insert(sender.0);
        }
    }

    fn take_clock(&mut self, connection: ConnectionNumber, offset_ms: i64, uncertainty_ms: i64) {
        let Some(meeting) = self.meetings.get(&connection) else {
            return;
        };
        let device = meeting.device;
        self.turn.batch.offsets.push(Offset {
            peer: device.0,
            at_ms: self.now().timestamp_millis(),
            offset_ms,
            uncertainty_ms,
        });
        let off = offset_ms.saturating_abs() > CLOCK_WORTH_NOTING_MS.saturating_add(uncertainty_ms);
        let tag = tag_of(device);
        // One of the two writes it down: the one of the lower key.
        if device < self.key {
            return;
        }
        let shared: Vec<DocumentId> = self
            .documents
            .iter()
            .filter(|(_, held)| held.as_visit().is_some() && held.lists(device.0))
            .map(|(document, _)| *document)
            .collect();
        for document in shared {
            let before = self.last_offset(document, tag);
            let moved = match before {
                Some(before) => {
                    (before - offset_ms).abs()
                        > CLOCK_WORTH_NOTING_MS.saturating_add(uncertainty_ms)
                }
                // In a crew every pair's first measurement is kept, so that clocks which agree are
                // known to; in a crowd only clocks that are off, or records would grow with pairs.
                None => off || self.crowd(document) <= SMALL_CREW,
            };
            if moved {
                let measured = ClockOffset {
                    tag,
                    offset_ms,
                    uncertainty_ms,
                };
                self.note_down(document, vec![measured.into()]);
            }
        }
    }

    /// How many devices a visit has.
    fn crowd(&self, document: DocumentId) -> usize {
        let held = self.documents.get(&document);
        held.map_or(0, |held| held.members().len())
    }

    /// The newest offset of a device's clock that this device has recorded in a visit.
    fn last_offset(&self, document: DocumentId, of: gravelbar_visit::DeviceTag) -> Option<i64> {
        let mine = |id: RecordId| id.writer.device == self.tag;
        self.visit(document)?
            .visit
            .records()
            .iter()
            .rev()
            .find_map(|seen| match &seen.entry.what {
                Fact::ClockOffset(clock) if clock.tag == of && mine(seen.id) => {
                    Some(clock.offset_ms)
                }
                _ => None,
            })
    }

    /// Says to each device what there is to say, as far as the network has room.
    pub(super) fn speak(&mut self) {
        let now_ms = self.now().timestamp_millis();
        for meeting in self.meetings.values_mut() {
            let shelf = PeerShelf {
                documents: &self.documents,
                peer: meeting.device,
            };
            while let Ok(room) = meeting.outgoing.try_reserve() {
                let Some(frame) = meeting.session.poll(now_ms, &shelf) else {
                    break;
                };
                room.send(frame);
            }
        }
    }

    /// The other devices of a visit, as far as this one hears them.
    pub(super) fn peer_lines(&self, visit: DocumentId, devices: &[DeviceView]) -> Vec<PeerLine> {
        self.peers_of(visit, |key| {
            let tag = tag_of(DeviceKeyId(key));
            let told = devices.iter().find(|d| d.tag == tag);
            let name = told.map(|d| d.name.clone());
            (name, told.and_then(|d| d.holder.clone()))
        })
    }

    /// The other devices of a document, with what the crew calls them and who holds them.
    pub(super) fn peers_of(
        &self,
        document: DocumentId,
        told: impl Fn([u8; 32]) -> (Option<String>, Option<PersonName>),
    ) -> Vec<PeerLine> {
        let Some(held) = self.documents.get(&document) else {
            return Vec::new();
        };
        let heard: BTreeMap<[u8; 32], Option<i64>> = self
            .store
            .peers()
            .unwrap_or_default()
            .into_iter()
            .map(|p| (p.key_id, p.last_heard_ms))
            .collect();
        held.members()
            .into_iter()
            .filter(|key| *key != self.key.0)
            .map(|key| {
                let device = DeviceKeyId(key);
                let tag = tag_of(device);
                let (name, holder) = told(key);
                let meeting = self.meetings.values().find(|m| m.device == device);
                let last_ms = meeting
                    .map(|m| m.heard_ms)
                    .or_else(|| heard.get(&key).copied().flatten());
                PeerLine {
                    tag,
                    name: name.unwrap_or_else(|| tag.to_string()),
                    holder,
                    connected: meeting.is_some(),
                    last_heard: last_ms.and_then(|ms| self.local(ms)),
                    has_all_of_ours: meeting.is_some_and(|m| {
                        m.has
                            .get(&document)
                            .is_some_and(|has| has_all(has, held.vector()))
                    }),
                }
            })
            .collect()
    }

    fn local(&self, ms: i64) -> Option<DateTime<FixedOffset>> {
        let offset = *self.now().offset();
        DateTime::from_timestamp_millis(ms).map(|utc| utc.with_timezone(&offset))
    }
}

/// A number for this device at this peer, so that not all devices of a crew pass on at one moment
/// what they all have heard.
fn spread(own: DeviceKeyId, peer: DeviceKeyId) -> u64 {
    let mut bytes = [0; 8];
    for (byte, (own, peer)) in bytes.iter_mut().zip(own.0.iter().zip(&peer.0)) {
        *byte = own.wrapping_mul(31) ^ peer;
    }
    u64::from_be_bytes(bytes)
}

fn meeting_over(meeting: Option<&Meeting>, why: &str) {
    if let Some(meeting) = meeting {
        meeting.line.close(why);
    }
}
