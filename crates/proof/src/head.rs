//! A head: the device's signature over one link of its chain.

use ring::signature::{ED25519, UnparsedPublicKey};

use crate::chain::Link;
use crate::opening::Opening;

/// Besides the newest, a device signs and keeps the head of every change whose number is a multiple of this.
///
/// Then any run of changes can be proved with at most 15 hashes of changes that come after it. Sixteen is
/// where the bytes are fewest for a crew: see the sums in `FORMAT.md`.
pub const HEAD_EVERY: u64 = 16;

const LABEL: &[u8; 16] = b"gravelbar head 1";

/// A signed link.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Head {
    pub(crate) number: u64,
    pub(crate) link: Link,
    pub(crate) signature: [u8; 64],
}

impl Head {
    /// The number of the newest change it covers.
    #[must_use]
    pub fn number(&self) -> u64 {
        self.number
    }

    /// Whether the device of `opening` signed this link of this run.
    ///
    /// What is signed names the opening (by the chain's first link), the number and the link. So a head
    /// proves the opening too, and fits no other document, device or run.
    pub(crate) fn is_signed(&self, opening: &Opening) -> bool {
        UnparsedPublicKey::new(&ED25519, opening.key())
            .verify(&message(opening, self.number, self.link), &self.signature)
            .is_ok()
    }
}

/// What a head's signature covers.
pub(crate) fn message(opening: &Opening, number: u64, link: Link) -> [u8; 88] {
    let mut message = [0; 88];
    message[..16].copy_from_slice(LABEL);
    message[16..48].copy_from_slice(&opening.origin().0);
    message[48..56].copy_from_slice(&number.to_be_bytes());
    message[56..].copy_from_slice(&link.0);
    message
}

/// The number of the nearest head that is kept at rest and covers change `number`.
pub(crate) fn next_mark(number: u64) -> u64 {
    number.div_ceil(HEAD_EVERY).saturating_mul(HEAD_EVERY)
}
