//! One run of the password-authenticated key exchange by which a typed code is proved.
//!
//! SPAKE2 (Abdalla and Pointcheval, CT-RSA 2005; of the family of RFC 9382, with the group elements and the
//! order of hashing of the `spake2` crate) turns the six digits into a key that both ends share only if both
//! used the same digits, the same two device ids, the same TLS exporter and the same two messages.
//! Then each shows that it has the key, the joiner first.
//!
//! What a liar gets. The messages are blinded with the digits: whoever only listens, or keeps a
//! record, has nothing to try digits on afterwards, however short they are. Whoever takes part fixes one
//! guess of the digits with its own message, and learns by the confirmation whether that one was right:
//! one guess in a million for each run. A person in the middle runs once with each end, so
//! it gets one guess with the inviter, which counts as a try there, and one with the joiner for
//! each time that the person types the code; relaying one's messages to the other is no way
//! around, since the two connections have different exporters and ids. The inviter tells nobody anything
//! before it has checked the other's confirmation, so a run that stops before that is no guess.

use ring::hmac;
use spake2::{Ed25519Group, Identity, Password, Spake2};

use crate::code::Code;
use crate::joining::{End, Meeting};

/// The length of each end's first message: the side's letter, and a point of the curve.
pub(crate) const MESSAGE_BYTES: usize = 33;
/// The length of each end's confirmation.
pub(crate) const CONFIRMATION_BYTES: usize = 32;

/// One end's run, its own message made.
pub(crate) struct Run {
    end: End,
    secret: Spake2<Ed25519Group>,
    own: [u8; MESSAGE_BYTES],
}

/// Without its secret.
impl std::fmt::Debug for Run {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "Run of the {:?}", self.end)
    }
}

impl Run {
    pub(crate) fn begin(end: End, code: &Code, meeting: &Meeting) -> Option<Self> {
        let password = Password::new(code.digits());
        let joiner = Identity::new(&[&meeting.joiner.0[..], &meeting.exporter].concat());
        let inviter = Identity::new(&[&meeting.inviter.0[..], &meeting.exporter].concat());
        let (secret, message) = match end {
            End::Joiner => Spake2::start_a(&password, &joiner, &inviter),
            End::Inviter => Spake2::start_b(&password, &joiner, &inviter),
        };
        let own = message.try_into().ok()?; // As long as the crate says it is.
        Some(Self { end, secret, own })
    }

    /// What to send first.
    pub(crate) fn message(&self) -> [u8; MESSAGE_BYTES] {
        self.own
    }

    /// The key, from the other end's message; nothing if that is no message of the other side.
    pub(crate) fn key(self, theirs: &[u8; MESSAGE_BYTES]) -> Option<Key> {
        let key = self.secret.finish(theirs).ok()?;
        let (joiners, inviters) = match self.end {
            End::Joiner => (self.own, *theirs),
            End::Inviter => (*theirs, self.own),
        };
        Some(Key {
            key: hmac::Key::new(hmac::HMAC_SHA256, &key),
            messages: [joiners, inviters].concat(),
        })
    }
}

/// What both ends have if both used one code.
pub(crate) struct Key {
    key: hmac::Key,
    messages: Vec<u8>,
}

/// Without the key.
impl std::fmt::Debug for Key {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("Key")
    }
}

impl Key {
    /// The label differs by end, so that a confirmation sent back is none.
    fn statement(&self, end: End, meeting: &Meeting, document: &[u8]) -> Vec<u8> {
        let label: &[u8] = match end {
            End::Joiner => b"gravelbar-code/1 joiner",
            End::Inviter => b"gravelbar-code/1 inviter",
        };
        let ids = [meeting.exporter, meeting.joiner.0, meeting.inviter.0].concat();
        [label, &ids, &self.messages, document].concat()
    }

    /// An end's confirmation; the inviter's covers the written document name that follows it.
    pub(crate) fn confirm(
        &self,
        end: End,
        meeting: &Meeting,
        document: &[u8],
    ) -> [u8; CONFIRMATION_BYTES] {
        let mut proof = [0; CONFIRMATION_BYTES];
        let statement = self.statement(end, meeting, document);
        proof.copy_from_slice(hmac::sign(&self.key, &statement).as_ref());
        proof
    }

    /// Whether a confirmation is the other end's; the time it takes tells nothing.
    pub(crate) fn check(
        &self,
        end: End,
        meeting: &Meeting,
        document: &[u8],
        proof: &[u8; CONFIRMATION_BYTES],
    ) -> bool {
        hmac::verify(&self.key, &self.statement(end, meeting, document), proof).is_ok()
    }
}

/// A document's name as it follows the inviter's confirmation: `00`, or `01` and 16 bytes.
pub(crate) fn write_document(document: Option<[u8; 16]>) -> Vec<u8> {
    match document {
        None => vec![0],
        Some(document) => [&[1][..], &document].concat(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::identity::DeviceKeyId;
    use proptest::prelude::*;

    fn meeting(exporter: u8, joiner: u8, inviter: u8) -> Meeting {
        Meeting {
            exporter: [exporter; 32],
            joiner: DeviceKeyId([joiner; 32]),
            inviter: DeviceKeyId([inviter; 32]),
        }
    }

    fn code(digits: u32) -> Code {
        format!("{digits:06}").parse().unwrap()
    }

    fn begin(end: End, digits: u32, meeting: &Meeting) -> Run {
        Run::begin(end, &code(digits), meeting).unwrap()
    }

    /// Whether a run of both ends ends in confirmations that each takes from the other.
    fn agree(joiner: (u32, Meeting), inviter: (u32, Meeting)) -> bool {
        let one = begin(End::Joiner, joiner.0, &joiner.1);
        let other = begin(End::Inviter, inviter.0, &inviter.1);
        let (to_one, to_other) = (other.message(), one.message());
        let (one, other) = (one.key(&to_one).unwrap(), other.key(&to_other).unwrap());
        let joiners = one.confirm(End::Joiner, &joiner.1, b"");
        let inviters = other.confirm(End::Inviter, &inviter.1, b"\0");
        let taken = [
            other.check(End::Joiner, &inviter.1, b"", &joiners),
            one.check(End::Inviter, &joiner.1, b"\0", &inviters),
        ];
        assert_eq!(taken[0], taken[1], "one end was convinced alone");
        taken[0]
    }

    #[test]
    fn one_code_on_one_connection_agrees() {
        assert!(agree(
            (12_345, meeting(1, 2, 3)),
            (12_345, meeting(1, 2, 3))
        ));
    }

    #[test]
    fn other_connections_and_other_devices_do_not_agree() {
        let all_others = [
            meeting(9, 2, 3),
            meeting(1, 9, 3),
            meeting(1, 2, 9),
            meeting(1, 3, 2),
        ];
        for other in all_others {
            assert!(!agree((12_345, meeting(1, 2, 3)), (12_345, other)));
        }
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(40))]

        #[test]
        fn other_digits_do_not_agree(one in 0_u32..1_000_000, other in 0_u32..1_000_000) {
            prop_assert_eq!(agree((one, meeting(1, 2, 3)), (other, meeting(1, 2, 3))), one == other);
        }

        #[test]
        fn any_bytes_are_a_message_or_none(theirs in any::<[u8; 32]>(), side in any::<u8>()) {
            let here = meeting(1, 2, 3);
            let mut message = [side; MESSAGE_BYTES];
            message[1..].copy_from_slice(&theirs);
            if let Some(key) = begin(End::Inviter, 7, &here).key(&message) {
                prop_assert_eq!(side, b'A');
                prop_assert!(!key.check(End::Joiner, &here, b"", &theirs));
            }
        }
    }

    #[test]
    fn a_flipped_bit_anywhere_in_either_message_or_confirmation_is_noticed() {
        let here = meeting(1, 2, 3);
        for bit in 0..MESSAGE_BYTES * 8 {
            let (one, other) = (begin(End::Joiner, 5, &here), begin(End::Inviter, 5, &here));
            let mut flipped = one.message();
            flipped[bit / 8] ^= 1 << (bit % 8);
            let Some(inviters) = other.key(&flipped) else {
                continue;
            };
            let to_one = begin(End::Inviter, 5, &here).message();
            let joiners = one.key(&to_one).unwrap();
            let proof = joiners.confirm(End::Joiner, &here, b"");
            assert!(
                !inviters.check(End::Joiner, &here, b"", &proof),
                "bit {bit}"
            );
        }
        let (one, other) = (begin(End::Joiner, 5, &here), begin(End::Inviter, 5, &here));
        let (to_one, to_other) = (other.message(), one.message());
        let (one, other) = (one.key(&to_one).unwrap(), other.key(&to_other).unwrap());
        let proof = one.confirm(End::Joiner, &here, b"");
        assert!(other.check(End::Joiner, &here, b"", &proof));
        for bit in 0..CONFIRMATION_BYTES * 8 {
            let mut flipped = proof;
            flipped[bit / 8] ^= 1 << (bit % 8);
            assert!(!other.check(End::Joiner, &here, b"", &flipped));
        }
    }

    #[test]
    fn what_is_sent_back_proves_nothing() {
        let here = meeting(1, 2, 3);
        let run = begin(End::Joiner, 5, &here);
        let mut echo = run.message();
        assert!(begin(End::Joiner, 5, &here).key(&echo).is_none());
        // The letter of the side changed: a message now, and still no proof.
        echo[0] = b'B';
        let key = run.key(&echo).unwrap();
        let proof = key.confirm(End::Joiner, &here, b"");
        assert!(!key.check(End::Inviter, &here, b"", &proof));
    }
}
