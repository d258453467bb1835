//! How an invited device proves that it has the invitation, and which invitations are open.
//!
//! The joiner has checked, by the handshake, that it speaks with the device the invitation names. Its
//! first bytes are HMAC-SHA256(secret, "…joiner" ‖ exporter ‖ joiner ‖ inviter ‖ document). The
//! exporter value (RFC 8446 section 7.5) is known to the two ends of this very connection only, so
//! the proof is worth nothing on another, and whoever sits between learns nothing to use. The
//! inviter sends no byte before it has checked the proof, then answers with its own.

use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Mutex, MutexGuard, PoisonError};

use quinn::Connection;
use ring::hmac;

use crate::identity::DeviceKeyId;
use crate::invitation::InviteError;

/// Open invitations at once.
const OPEN: usize = 16;

/// Wrong proofs after which the open invitations end.
const STRIKES: u8 = 3;

pub(crate) const PROOF_BYTES: usize = 32;

/// Experimental labels, as RFC 5705 section 4 has them for uses without registration.
pub(crate) const EXPORTER: &[u8] = b"EXPERIMENTAL gravelbar-join/1";
pub(crate) const EXPORTER_CODE: &[u8] = b"EXPERIMENTAL gravelbar-code/1";

/// Which end gives a proof.
#[derive(Debug, Clone, Copy)]
pub(crate) enum End {
    Joiner,
    Inviter,
}

/// What both ends of one connection put under their proofs.
#[derive(Debug)]
pub(crate) struct Meeting {
    pub(crate) exporter: [u8; 32],
    pub(crate) joiner: DeviceKeyId,
    pub(crate) inviter: DeviceKeyId,
}

impl Meeting {
    /// Nothing if the connection can export no key, which an established one can.
    pub(crate) fn on(
        connection: &Connection,
        label: &[u8],
        joiner: DeviceKeyId,
        inviter: DeviceKeyId,
    ) -> Option<Self> {
        let mut exporter = [0; 32];
        connection
            .export_keying_material(&mut exporter, label, b"")
            .ok()?;
        Some(Self {
            exporter,
            joiner,
            inviter,
        })
    }

    fn statement(&self, end: End, document: Option<[u8; 16]>) -> Vec<u8> {
        let label: &[u8] = match end {
            End::Joiner => b"gravelbar-join/1 joiner",
            End::Inviter => b"gravelbar-join/1 inviter",
        };
        let mut statement = label.to_vec();
        statement.extend(self.exporter);
        statement.extend(self.joiner.0);
        statement.extend(self.inviter.0);
        statement.extend(document.into_iter().flatten());
        statement
    }

    pub(crate) fn prove(
        &self,
        end: End,
        secret: &[u8; 16],
        document: Option<[u8; 16]>,
    ) -> [u8; PROOF_BYTES] {
        let key = hmac::Key::new(hmac::HMAC_SHA256, secret);
        let mut proof = [0; PROOF_BYTES];
        proof.copy_from_slice(hmac::sign(&key, &self.statement(end, document)).as_ref());
        proof
    }

    pub(crate) fn check(
        &self,
        end: End,
        secret: &[u8; 16],
        document: Option<[u8; 16]>,
        proof: &[u8; PROOF_BYTES],
    ) -> bool {
        let key = hmac::Key::new(hmac::HMAC_SHA256, secret);
        hmac::verify(&key, &self.statement(end, document), proof).is_ok()
    }
}

/// One open invitation.
#[derive(Clone, Copy)]
pub(crate) struct Open {
    pub(crate) secret: [u8; 16],
    pub(crate) document: Option<[u8; 16]>,
    strikes: u8,
}

/// The invitations that are open.
#[derive(Default)]
pub(crate) struct Invitations {
    open: Mutex<Vec<Open>>,
    wrong_proofs: AtomicU64,
}

/// Without the secrets.
impl std::fmt::Debug for Invitations {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{} open invitations", self.lock().len())
    }
}

impl Invitations {
    fn lock(&self) -> MutexGuard<'_, Vec<Open>> {
        // A list of plain values is whole whatever happened to another holder of the lock.
        self.open.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Whether any is open, and with it the door for strangers up to the proof.
    pub(crate) fn any(&self) -> bool {
        !self.lock().is_empty()
    }

    pub(crate) fn is_open(&self, secret: &[u8; 16]) -> bool {
        self.lock().iter().any(|one| one.secret == *secret)
    }

    pub(crate) fn count(&self) -> usize {
        self.lock().len()
    }

    pub(crate) fn wrong_proofs(&self) -> u64 {
        self.wrong_proofs.load(Ordering::Relaxed)
    }

    pub(crate) fn begin(
        &self,
        secret: [u8; 16],
        document: Option<[u8; 16]>,
    ) -> Result<(), InviteError> {
        let mut open = self.lock();
        if open.len() == OPEN {
            return Err(InviteError::TooManyOpen(OPEN));
        }
        open.push(Open {
            secret,
            document,
            strikes: 0,
        });
        Ok(())
    }

    /// Ends one. Whether it was open.
    pub(crate) fn end(&self, secret: &[u8; 16]) -> bool {
        let mut open = self.lock();
        let before = open.len();
        open.retain(|one| one.secret != *secret);
        open.len() < before
    }

    /// The invitation that a joiner's proof is of. A proof of none counts against all, as it
    /// can't be known which was meant: after three, all that were open meanwhile have ended, and
    /// whoever invites sees it and may invite anew.
    pub(crate) fn proved(&self, meeting: &Meeting, proof: &[u8; PROOF_BYTES]) -> Option<Open> {
        let mut open = self.lock();
        let right = open
            .iter()
            .find(|one| meeting.check(End::Joiner, &one.secret, one.document, proof))
            .copied();
        if right.is_none() {
            self.wrong_proofs.fetch_add(1, Ordering::Relaxed);
            for one in &mut *open {
                one.strikes += 1;
            }
            open.retain(|one| one.strikes < STRIKES);
        }
        right
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn meeting(exporter: u8) -> Meeting {
        Meeting {
            exporter: [exporter; 32],
            joiner: DeviceKeyId([1; 32]),
            inviter: DeviceKeyId([2; 32]),
        }
    }

    #[test]
    fn a_proof_is_good_for_its_connection_end_secret_and_document_only() {
        let (secret, document) = ([7; 16], Some([8; 16]));
        let proof = meeting(3).prove(End::Joiner, &secret, document);
        assert!(meeting(3).check(End::Joiner, &secret, document, &proof));
        assert!(!meeting(4).check(End::Joiner, &secret, document, &proof));
        assert!(!meeting(3).check(End::Inviter, &secret, document, &proof));
        assert!(!meeting(3).check(End::Joiner, &[6; 16], document, &proof));
        assert!(!meeting(3).check(End::Joiner, &secret, None, &proof));
        let exchanged = Meeting {
            joiner: DeviceKeyId([2; 32]),
            inviter: DeviceKeyId([1; 32]),
            ..meeting(3)
        };
        assert!(!exchanged.check(End::Joiner, &secret, document, &proof));
    }

    #[test]
    fn three_wrong_proofs_end_an_invitation_and_right_ones_do_not() -> Result<(), InviteError> {
        let invitations = Invitations::default();
        invitations.begin([7; 16], None)?;
        let right = meeting(3).prove(End::Joiner, &[7; 16], None);
        for _ in 0..6 {
            assert!(invitations.proved(&meeting(3), &right).is_some());
        }
        for _ in 0..2 {
            assert!(invitations.proved(&meeting(3), &[0; 32]).is_none());
        }
        assert!(invitations.proved(&meeting(3), &right).is_some());
        assert!(invitations.proved(&meeting(3), &[0; 32]).is_none());
        assert!(invitations.proved(&meeting(3), &right).is_none());
        assert!(!invitations.any());
        Ok(())
    }
}
