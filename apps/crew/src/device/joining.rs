//! Letting other devices in, and being let in: by a code or an invitation, until the document is here.

use gravelbar_link::{Code, Invitation};
use gravelbar_visit::DocumentId;

use super::{Answer, Device, no_such_visit, refused};
use crate::net::Place;
use crate::node::{JoinableLine, LetIn, NotSaved, ShownCode};

/// How long a document may take to come after its invitation or code was entered: two calls of ten
/// seconds and what is to be carried.
const JOIN_WITHIN_MS: i64 = 25_000;

/// Invitations being answered at once on one device.
const JOINING_AT_ONCE: usize = 8;

/// Someone waits for a document by invitation or code.
pub(super) struct Joining {
    awaited: Awaited,
    until_ms: i64,
    answer: Answer<DocumentId>,
}

#[derive(Debug, PartialEq, Eq)]
enum Awaited {
    Document(DocumentId),
    /// The code was sent; what it is to comes with the answer.
    Entry(u64),
}

impl Joining {
    fn fail(self, why: &str) {
        self.answer.send(Err(again(why))).ok();
    }
}

fn again(why: &str) -> NotSaved {
    NotSaved {
        words: why.to_owned(),
        try_again: true,
    }
}

impl Device {
    /// The text of an open invitation.
    pub(super) fn invite(&mut self, document: DocumentId) -> Result<String, NotSaved> {
        if !self.documents.contains_key(&document) {
            return Err(no_such_visit());
        }
        self.may_let_into(document)?;
        self.turn.shown = true;
        self.net
            .invite(document)
            .map(|invitation| invitation.to_string())
            .map_err(|e| refused(&e))
    }

    /// Opens a code, and an invitation for those whom a code doesn't reach.
    pub(super) fn open_code(&mut self, document: DocumentId) -> Result<(), NotSaved> {
        self.invite(document)?;
        self.net.open_code(document).map_err(|e| refused(&e))
    }

    pub(super) fn end_code(&mut self) {
        self.net.end_code();
        self.turn.shown = true;
    }

    pub(super) fn code_ended(&mut self) {
        self.net.code_ended();
        self.turn.shown = true;
    }

    /// What to show to let somebody in.
    pub(super) fn let_in(&self, document: DocumentId) -> LetIn {
        let shown = self.net.shown(document);
        LetIn {
            code: shown.code.map(|(code, label, tries_left, left)| ShownCode {
                digits: code.to_string(),
                label: label.map(|label| label.to_string()),
                tries_left,
                seconds_left: left.as_secs(),
            }),
            invitation: shown.invitation.map(|open| open.to_string()),
            addresses: shown.addresses.iter().map(ToString::to_string).collect(),
        }
    }

    pub(super) fn joinable(&self) -> Vec<JoinableLine> {
        let open = self.net.joinable();
        open.into_iter()
            .map(|(label, addresses)| JoinableLine {
                label: label.to_string(),
                addresses: addresses.iter().map(ToString::to_string).collect(),
            })
            .collect()
    }

    /// Takes what a person typed: the code of another device, and where that is.
    pub(super) fn enter(&mut self, code: &str, place: &str, answer: Answer<DocumentId>) {
        let entry = self.begin_entering(code, place);
        match entry {
            Ok(entry) => self.wait_for(Awaited::Entry(entry), answer),
            Err(error) => {
                answer.send(Err(error)).ok();
            }
        }
    }

    fn begin_entering(&self, code: &str, place: &str) -> Result<u64, NotSaved> {
        self.room_for_joining()?;
        let code: Code = code.parse().map_err(|e| refused(&e))?;
        let place: Place = place.parse().map_err(|e: String| refused(&e))?;
        let addresses = self.net.addresses_of(&place).map_err(|e| again(&e))?;
        Ok(self.net.enter(addresses, code))
    }

    pub(super) fn join(&mut self, text: &str, answer: Answer<DocumentId>) {
        match self.begin_joining(text) {
            Ok(document) => self.wait_for(Awaited::Document(document), answer),
            Err(error) => {
                answer.send(Err(error)).ok();
            }
        }
    }

    fn begin_joining(&mut self, text: &str) -> Result<DocumentId, NotSaved> {
        self.room_for_joining()?;
        let invitation: Invitation = text.trim().parse().map_err(|e| refused(&e))?;
        let document = invitation.document().map(DocumentId);
        let document = document
            .ok_or_else(|| refused(&"this invitation names no visit: ask for a new one"))?;
        if invitation.inviter() == self.key {
            let own = "this invitation is this device's own: enter it on the other device";
            return Err(refused(&own));
        }
        self.meet(invitation.inviter(), invitation.addresses().to_vec());
        self.net.answer_invitation(invitation, document);
        Ok(document)
    }

    fn room_for_joining(&self) -> Result<(), NotSaved> {
        if self.joining.len() < JOINING_AT_ONCE {
            Ok(())
        } else {
            Err(again(
                "others are being joined already: wait for these first",
            ))
        }
    }

    fn wait_for(&mut self, awaited: Awaited, answer: Answer<DocumentId>) {
        self.joining.push(Joining {
            awaited,
            until_ms: self.now().timestamp_millis() + JOIN_WITHIN_MS,
            answer,
        });
    }

    /// A code was right. What it is to arrives as every document does.
    pub(super) fn entered(
        &mut self,
        entry: u64,
        device: gravelbar_link::DeviceKeyId,
        address: std::net::SocketAddr,
        document: Option<DocumentId>,
    ) {
        self.meet(device, vec![address]);
        match document {
            Some(document) => {
                for joining in &mut self.joining {
                    if joining.awaited == Awaited::Entry(entry) {
                        joining.awaited = Awaited::Document(document);
                    }
                }
            }
            None => self.fail_joining(
                &Awaited::Entry(entry),
                "the code leads to no visit: ask for a new one",
            ),
        }
    }

    pub(super) fn not_entered(&mut self, entry: u64, why: &str) {
        self.fail_joining(&Awaited::Entry(entry), why);
    }

    /// Tells whoever waits for a document that it is here, or that it hasn't come.
    pub(super) fn tell_joined(&mut self) {
        let now_ms = self.now().timestamp_millis();
        for joining in std::mem::take(&mut self.joining) {
            let here = match joining.awaited {
                Awaited::Document(document) => Some(document),
                Awaited::Entry(_) => None,
            };
            let here = here.filter(|document| self.documents.contains_key(document));
            if let Some(document) = here {
                joining.answer.send(Ok(document)).ok();
            } else if now_ms > joining.until_ms {
                joining.fail("the visit didn't come: keep the devices close together and enter the invitation or a new code again");
            } else {
                self.joining.push(joining);
            }
        }
    }

    /// Tells whoever waits for a document why it can't come.
    pub(super) fn tell_not_joined(&mut self, document: DocumentId, why: &str) {
        self.fail_joining(&Awaited::Document(document), why);
    }

    fn fail_joining(&mut self, awaited: &Awaited, why: &str) {
        let (failed, waiting) = std::mem::take(&mut self.joining)
            .into_iter()
            .partition(|joining| joining.awaited == *awaited);
        self.joining = waiting;
        for joining in failed {
            joining.fail(why);
        }
    }
}
