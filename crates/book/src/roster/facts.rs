//! A roster entry as the document holds it.

use gravelbar_ledger::RecordId;

use crate::record::{RosterEntry, TextDigest};

/// One entry with its record's name and the digest of its text.
#[derive(Debug, Clone, Copy)]
pub(crate) struct RosterFact<'r> {
    pub(crate) id: RecordId,
    pub(crate) digest: TextDigest,
    pub(crate) entry: &'r RosterEntry,
    /// Whether its record passes the checks that an honest program makes before writing.
    pub(crate) clean: bool,
}
