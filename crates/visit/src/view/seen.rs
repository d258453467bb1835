//! Records as they come out of the document: parsed, or kept aside.

use std::collections::BTreeSet;

use gravelbar_ledger::RecordId;

use crate::record::Entry;

/// A record this program can read.
#[derive(Debug, Clone, PartialEq)]
pub struct Seen {
    /// Its name.
    pub id: RecordId,
    /// Its place in the order by cause.
    pub lamport: u64,
    /// What it says.
    pub entry: Entry,
}

/// A record this program can't read; its text stays in the document.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Unreadable {
    /// Its name.
    pub id: RecordId,
    /// Its place in the order by cause.
    pub lamport: u64,
    /// The kind it calls itself, where that can be told.
    pub kind: Option<String>,
}

/// What the document's history tells about who had seen what.
pub trait Causality {
    /// Whether the author of `later` held `earlier` when writing.
    fn saw(&self, later: RecordId, earlier: RecordId) -> bool;

    /// The records that `heads` (hexadecimal) cover, or `None` where a head isn't here.
    fn covered(&self, heads: &[String]) -> Option<BTreeSet<RecordId>>;
}
