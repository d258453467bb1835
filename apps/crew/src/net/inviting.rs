//! Letting newcomers in, and being let in: by a short code, or by an invitation's text.

use std::collections::BTreeMap;
use std::net::{IpAddr, SocketAddr};
use std::time::Duration;

use gravelbar_link::{Code, Invitation, InviteError, Joinable, JoiningLabel};
use gravelbar_visit::DocumentId;
use tokio::time::Instant;

use super::carry::carry;
use super::{Net, NetEvent, next};
use crate::node::Event;

/// How long an invitation stays open.
const INVITATION_OPEN: Duration = Duration::from_secs(8 * 3600);

/// How long a code stays open.
const CODE_OPEN: Duration = Duration::from_secs(120);

/// Where other devices find this one, unless another program has the port or a place is named. A fixed
/// port lets devices that met before find each other again, and typed addresses be short (our own choice, no
/// meaning).
pub(crate) const USUAL_PORT: u16 = 47_410;

/// What is open here for newcomers.
#[derive(Default)]
pub(super) struct Inviting {
    invitations: BTreeMap<DocumentId, Invitation>,
    /// The code's document, label and end.
    code: Option<(Code, DocumentId, Option<JoiningLabel>, Instant)>,
    /// Screens on which somebody looks for a device to join.
    lookers: usize,
}

/// What an inviter shows.
pub(crate) struct Shown {
    /// The code, what the device calls itself on the network, the tries and the time left, while open.
    pub(crate) code: Option<(Code, Option<JoiningLabel>, u8, Duration)>,
    /// The invitation, while open.
    pub(crate) invitation: Option<Invitation>,
    /// Where this device can be reached.
    pub(crate) addresses: Vec<SocketAddr>,
}

/// Where a person says the device is whose code they typed.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) enum Place {
    /// The only one that is open for joining.
    OnlyOne,
    /// By the label on its screen.
    Label(String),
    /// At this address.
    Address(SocketAddr),
}

impl std::str::FromStr for Place {
    type Err = String;

    /// Nothing, an address with or without its port, or a label.
    fn from_str(text: &str) -> Result<Self, String> {
        let text = text.trim();
        if text.is_empty() {
            return Ok(Self::OnlyOne);
        }
        if let Ok(address) = text.parse() {
            return Ok(Self::Address(address));
        }
        if let Ok(ip) = text.parse::<IpAddr>() {
            return Ok(Self::Address(SocketAddr::new(ip, USUAL_PORT)));
        }
        if text.len() <= 12 && text.chars().all(char::is_alphanumeric) {
            return Ok(Self::Label(text.to_lowercase()));
        }
        Err(format!(
            "“{text}” is no address and no label: an address looks like 192.168.4.2:{USUAL_PORT}, a label has four digits and letters"
        ))
    }
}

impl Net {
    /// Opens an invitation to a document, or gives the one that is open.
    pub(crate) fn invite(&mut self, document: DocumentId) -> Result<Invitation, InviteError> {
        let addresses = self.reachable_at();
        let open = self.inviting.invitations.get(&document);
        let as_now = |open: &&Invitation| {
            self.link.is_open(open) && open.addresses() == addresses.as_slice()
        };
        if let Some(open) = open.filter(as_now) {
            return Ok(open.clone());
        }
        let _entered = self.runtime.enter();
        let invitation = self
            .link
            .invite(Some(document.0), &addresses, INVITATION_OPEN)?;
        self.inviting
            .invitations
            .insert(document, invitation.clone());
        Ok(invitation)
    }

    /// Opens a code to a document, and says on the local network that it is open. One that was open ends.
    pub(crate) fn open_code(&mut self, document: DocumentId) -> Result<(), InviteError> {
        let _entered = self.runtime.enter();
        let code = self.link.open_code(Some(document.0), CODE_OPEN)?;
        let label = JoiningLabel::draw();
        self.presence.beacon.show(label.clone());
        self.inviting.code = Some((code, document, label, Instant::now() + CODE_OPEN));
        let (link, events) = (self.link.clone(), self.events.clone());
        self.runtime.spawn(async move {
            link.code_ended(code).await;
            events.send(Event::Net(NetEvent::CodeEnded)).ok();
        });
        Ok(())
    }

    /// Ends the code before its time.
    pub(crate) fn end_code(&mut self) {
        self.link.end_code();
        self.code_ended();
    }

    /// A code has ended: if it was the one shown, nothing is said about it any more.
    pub(crate) fn code_ended(&mut self) {
        if self.link.code().is_none() {
            self.inviting.code = None;
            self.presence.beacon.show(None);
        }
    }

    /// What to show to let somebody in to a document.
    pub(crate) fn shown(&self, document: DocumentId) -> Shown {
        let open = self.inviting.code.as_ref().zip(self.link.code());
        let code = open
            .filter(|((code, to, ..), (open, _))| code == open && *to == document)
            .map(|((code, _, label, until), (_, tries_left))| {
                let left = until.saturating_duration_since(Instant::now());
                (*code, label.clone(), tries_left, left)
            });
        let invitation = self.inviting.invitations.get(&document);
        Shown {
            code,
            invitation: invitation.filter(|open| self.link.is_open(open)).cloned(),
            addresses: self.reachable_at(),
        }
    }

    /// One more, or one less, looks for a device to join.
    pub(crate) fn look(&mut self, looking: bool) {
        let lookers = self.inviting.lookers;
        self.inviting.lookers = if looking {
            lookers + 1
        } else {
            lookers.saturating_sub(1)
        };
        self.presence.beacon.look(self.inviting.lookers > 0);
    }

    /// The devices open for joining.
    pub(crate) fn joinable(&self) -> Joinable {
        self.presence.beacon.joinable().borrow().clone()
    }

    /// Where to call for a code.
    pub(crate) fn addresses_of(&self, place: &Place) -> Result<Vec<SocketAddr>, String> {
        let open = self.joinable();
        match place {
            Place::Address(address) => Ok(vec![*address]),
            Place::Label(label) => {
                let named = open
                    .into_iter()
                    .find(|(open, _)| open.to_string() == *label);
                named.map(|(_, addresses)| addresses).ok_or_else(|| {
                    format!("no device that calls itself {label} is heard here: type the address that it shows")
                })
            }
            Place::OnlyOne => {
                let several = open.len() > 1;
                match open.into_values().next() {
                    Some(addresses) if !several => Ok(addresses),
                    Some(_) => Err("several devices are open for joining here: choose the one whose screen you read".to_owned()),
                    None => Err("no device open for joining is heard here: type the address that it shows".to_owned()),
                }
            }
        }
    }

    /// Answers another device's code; the number by which its outcome is told.
    pub(crate) fn enter(&self, addresses: Vec<SocketAddr>, code: Code) -> u64 {
        let (link, entry, events) = (self.link.clone(), next(&self.numbers), self.events.clone());
        self.runtime.spawn(async move {
            match link.enter(&addresses, &code).await {
                Ok((peer, document)) => {
                    let told = NetEvent::Entered {
                        entry,
                        device: peer.device(),
                        address: peer.remote_addr(),
                        document: document.map(DocumentId),
                    };
                    events.send(Event::Net(told)).ok();
                    carry(peer, true, entry, events).await;
                }
                Err(error) => {
                    let why = error.to_string();
                    events
                        .send(Event::Net(NetEvent::NotEntered { entry, why }))
                        .ok();
                }
            }
        });
        entry
    }

    /// Answers another device's invitation to a document.
    pub(crate) fn answer_invitation(&self, invitation: Invitation, document: DocumentId) {
        let (link, number, events) = (self.link.clone(), next(&self.numbers), self.events.clone());
        self.runtime.spawn(async move {
            match link.join(&invitation).await {
                Ok(peer) => carry(peer, true, number, events).await,
                Err(error) => {
                    let told = NetEvent::NotJoined {
                        document,
                        why: error.to_string(),
                    };
                    events.send(Event::Net(told)).ok();
                }
            }
        });
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_place_is_an_address_a_label_or_left_out() {
        let at = |text: &str| text.parse::<Place>();
        assert_eq!(at("  "), Ok(Place::OnlyOne));
        assert_eq!(at("K7MQ "), Ok(Place::Label("k7mq".to_owned())));
        for text in ["192.168.4.2:47410", "192.168.4.2"] {
            assert_eq!(
                at(text),
                Ok(Place::Address(SocketAddr::from(([192, 168, 4, 2], 47_410))))
            );
        }
        for text in ["192.168.4", "192.168.4.2:", "the truck's", "1.2.3.4:99999"] {
            assert!(at(text).is_err(), "{text}");
        }
    }
}
