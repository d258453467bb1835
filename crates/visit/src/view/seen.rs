//! Records as they come out of the document, parsed or kept aside, and what their authors had
//! seen.

use std::collections::BTreeMap;

use gravelbar_ledger::{RecordId, Writer};

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

/// A part of the document that is closed under "had seen": for each writer, how many of its
/// records it holds. A writer's records are numbered as they are made and each has seen the one
/// before it, so a count says it all.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Past(pub BTreeMap<Writer, u32>);

impl Past {
    /// Whether it holds this record.
    #[must_use]
    pub fn contains(&self, id: RecordId) -> bool {
        self.0.get(&id.writer).is_some_and(|last| id.n <= *last)
    }
}

/// What the document's history tells about who had seen what.
pub trait Causality {
    /// What the author of `record` held when writing it, the record itself not included.
    fn past_of(&self, record: RecordId) -> Past;

    /// Whether the author of `record` held `other` when writing it.
    fn had_seen(&self, record: RecordId, other: RecordId) -> bool {
        self.past_of(record).contains(other)
    }

    /// Whether a record that says something of a device says it of `other` too: of records of the
    /// document it was written in, and of those joined into it.
    fn reaches(&self, _record: RecordId, _other: RecordId) -> bool {
        true
    }

    /// What `heads` (in their written form) cover, or `None` where one of them isn't here.
    fn past_at(&self, heads: &[String]) -> Option<Past>;
}
