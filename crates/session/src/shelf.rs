//! What a session may read of the documents that its owner keeps.

use std::sync::Arc;

use gravelbar_ledger::{DocumentId, Vector, Writer};

/// A document that the peer may have.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Offer {
    /// Its name.
    pub document: DocumentId,
    /// What it is about, from which the peer's owner decides whether to take it; at most 16 KiB.
    pub about: String,
    /// What is stored of it here.
    pub vector: Vector,
    /// What else the owner says to how the document stands, in its own language; at most
    /// [`crate::STANDING_BYTES`]. Comes as [`crate::Event::Standing`].
    pub standing: Vec<u8>,
}

/// One change on its way to the peer.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Outgoing {
    /// Who wrote it.
    pub writer: Writer,
    /// Its number among the writer's changes, from one.
    pub number: u64,
    /// The change. What it says is none of the session's business.
    pub bytes: Arc<[u8]>,
}

/// Changes on their way together, with what shows whose they are.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Parcel {
    /// The changes, in causal order.
    pub changes: Vec<Outgoing>,
    /// Made for just these changes, in the owner's language; at most [`crate::PROOF_BYTES`].
    pub proof: Vec<u8>,
}

/// What a peer should learn before all else, ahead of the change that says it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Urgent {
    /// Who wrote the change.
    pub writer: Writer,
    /// Its number among the writer's changes.
    pub number: u64,
    /// The message, in the owner's language; at most [`crate::URGENT_BYTES`].
    pub bytes: Vec<u8>,
}

/// The owner's documents, as this peer may see them.
///
/// Everything on the shelf is stored: a change that would be gone after a power cut isn't on it.
pub trait Shelf {
    /// Every document this peer may have. One that was taken at its invitation and is still empty
    /// is among them, with an empty vector. No more than 1,024 are offered.
    fn offers(&self) -> Vec<Offer>;

    /// One of [`Shelf::offers`], or nothing when this peer may not (or no longer) have it.
    fn offer(&self, document: DocumentId) -> Option<Offer> {
        self.offers().into_iter().find(|o| o.document == document)
    }

    /// Whether the document is among [`Shelf::offers`]. Asked with every frame that concerns it.
    fn shares(&self, document: DocumentId) -> bool {
        self.offer(document).is_some()
    }

    /// What someone who holds `than` should learn before all else, such as that work is stopped:
    /// each goes out once on a connection, ahead of everything that waits, and again on the next
    /// connection until the peer says that it has stored the change. Of each writer by ascending
    /// number. Mostly nothing.
    fn urgent(&self, document: DocumentId, than: &Vector) -> Vec<Urgent> {
        let (_, _) = (document, than);
        Vec::new()
    }

    /// Changes that someone who holds `than` lacks, in causal order: a change comes after all
    /// that it builds on, and so each writer's come by ascending number without a gap. At most
    /// `max_changes`; they end before the one that would bring them over `max_bytes`, but hold
    /// at least one where anything is missing. No change is longer than half a [`crate::FRAME_BYTES`]. The proof is
    /// made for what is returned, and that is sent as it is.
    fn missing(
        &self,
        document: DocumentId,
        than: &Vector,
        max_changes: usize,
        max_bytes: usize,
    ) -> Parcel;
}

/// Raises `held` to whatever `more` has above it.
pub(crate) fn raise(held: &mut Vector, more: &Vector) {
    for (writer, number) in more {
        let at = held.entry(*writer).or_default();
        *at = (*at).max(*number);
    }
}

/// Whether `held` has all that `reach` names.
pub(crate) fn covers(held: &Vector, reach: &Vector) -> bool {
    reach
        .iter()
        .all(|(writer, number)| held.get(writer).is_some_and(|at| at >= number))
}

/// What `now` has above `before`.
pub(crate) fn risen(now: &Vector, before: &Vector) -> Vector {
    now.iter()
        .filter(|(writer, number)| before.get(writer).is_none_or(|at| at < number))
        .map(|(writer, number)| (*writer, *number))
        .collect()
}
