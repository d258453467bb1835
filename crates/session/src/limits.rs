//! How much one conversation may hold, send and be sent.

/// No frame is longer, in either direction.
pub const FRAME_BYTES: usize = 1024 * 1024;

/// The longest text about a document that an offer carries.
pub(crate) const ABOUT_BYTES: usize = 16 * 1024;

/// The longest standing of a document that an offer carries.
pub const STANDING_BYTES: usize = 64 * 1024;

/// The longest proof that a batch carries.
pub const PROOF_BYTES: usize = 256 * 1024;

/// The longest urgent message.
pub const URGENT_BYTES: usize = 64 * 1024;

/// Urgent messages of one side on one connection.
pub(crate) const URGENT: u32 = 4096;

/// The longest device or program name in a greeting.
pub(crate) const NAME_BYTES: usize = 256;

/// The longest reason given for a refusal.
pub(crate) const REASON_BYTES: usize = 1024;

/// Writers in one vector: at 26 bytes each in the worst case, less than half a frame.
pub(crate) const WRITERS: usize = 16 * 1024;

/// Changes in one batch.
pub(crate) const BATCH_CHANGES: usize = 256;

/// The longest change. What documents are made of is far shorter.
pub(crate) const CHANGE_BYTES: usize = FRAME_BYTES / 2;

/// Frames of a kind this version doesn't know that are passed over before the talk is ended.
pub(crate) const UNKNOWN_FRAMES: u32 = 1024;

/// Changes that others wrote are held back at least and at most so long before they are passed on.
/// Long enough for whoever wrote them to have sent them, and for the receiver to have told.
pub(crate) const HOLD_MS: (i64, i64) = (100, 250);

/// However busy the road to the peer is, nothing is held back longer.
pub(crate) const HOLD_MOST_MS: i64 = 30_000;

/// What is stored of what came another way is told after this, in one go with whatever follows.
pub(crate) const TELL_AFTER_MS: i64 = 40;

/// Documents that one side may offer.
pub(crate) const DOCUMENTS: usize = 1024;

/// Entries of all vectors that one side may tell, together.
pub(crate) const WRITERS_TOLD: usize = 64 * 1024;

/// Entries of all vectors that one side offers at most; the rest of [`WRITERS_TOLD`] is left for
/// what is added while the connection lasts.
pub(crate) const WRITERS_OFFERED: usize = WRITERS_TOLD / 2;

/// Batches of one document that may be on their way without an answer.
pub(crate) const WINDOW: usize = 4;

/// How much is sent at once. The owner may lower it, for a small device or a slow road; every peer
/// takes what the defaults allow, so raising a field above its default has no effect.
///
/// What a session may be *made to hold* is not a setting, since both sides must agree on it: 1,024
/// documents, 64 Ki vector entries on the peer's word (each kept twice: what it holds, and what
/// needs no sending), 4 unanswered batches per document of which only the reach is kept. No
/// change is ever kept. Together that stays under 24 MiB for the most hostile peer (a test measures
/// it); an honest one in a crew of fifty costs some tens of kilobytes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Limits {
    /// Changes in a batch.
    pub batch_changes: usize,
    /// Bytes of changes in a batch; fewer while the peer's answers take long. A single longer change
    /// goes alone.
    pub batch_bytes: usize,
    /// Batches of one document on their way without an answer.
    pub window: usize,
}

impl Default for Limits {
    fn default() -> Self {
        Self {
            batch_changes: BATCH_CHANGES,
            batch_bytes: 256 * 1024,
            window: WINDOW,
        }
    }
}

impl Limits {
    /// These limits where they are below the defaults, and at least one of everything.
    pub(crate) fn within_defaults(self) -> Self {
        let most = Self::default();
        Self {
            batch_changes: self.batch_changes.clamp(1, most.batch_changes),
            batch_bytes: self.batch_bytes.clamp(1, most.batch_bytes),
            window: self.window.clamp(1, most.window),
        }
    }
}
