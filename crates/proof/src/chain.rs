//! The chain: each link is the hash of the one before it and of one change.

use gravelbar_ledger::ChangeHash;
use sha2::{Digest, Sha256};

/// One link.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Link(pub(crate) [u8; 32]);

impl Link {
    /// The link after this one, over `change`.
    pub(crate) fn over(self, change: ChangeHash) -> Self {
        let mut both = [0; 64];
        both[..32].copy_from_slice(&self.0);
        both[32..].copy_from_slice(&change.0);
        Self(Sha256::digest(both).into())
    }

    /// The link after all of these.
    pub(crate) fn over_all<'a>(self, changes: impl IntoIterator<Item = &'a ChangeHash>) -> Self {
        changes
            .into_iter()
            .fold(self, |link, change| link.over(*change))
    }
}
