//! Why a change was turned away.

use crate::ids::{ChangeHash, Writer};
use crate::shape::{MAX_BODY_BYTES, MAX_CHANGE_BYTES, MAX_DEPS, MAX_RECORDS_PER_CHANGE};

/// Why a change was turned away. Nothing of it reached the log or the document.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum Refusal {
    /// Longer than a change may be.
    #[error("it is {bytes} bytes long; a change has at most {MAX_CHANGE_BYTES}")]
    TooLong {
        /// Its length.
        bytes: usize,
    },
    /// The bytes don't begin as a change does.
    #[error("these bytes aren't a change")]
    NotAChange,
    /// A deflated change, a whole document or a bundle.
    #[error("it is of kind {kind}; only plain changes, kind 1, are taken")]
    NotAPlainChange {
        /// The kind it says it is.
        kind: u8,
    },
    /// A length points past the end, or bytes are left over after the last one.
    #[error("its lengths don't add up: it was cut short or damaged")]
    Length,
    /// The content isn't what the checksum was made of.
    #[error("its checksum is wrong: it was damaged")]
    Checksum,
    /// A number doesn't fit in 64 bits.
    #[error("it holds a number that is too large to be meant")]
    NumberTooLarge,
    /// Too many changes built on, or none.
    #[error("it builds on {count} changes; one to {MAX_DEPS} are allowed")]
    DepCount {
        /// How many.
        count: usize,
    },
    /// The changes built on are out of order or named twice.
    #[error("the changes it builds on are out of order or named twice")]
    DepOrder,
    /// A writer's name isn't sixteen bytes long.
    #[error("it names a writer by something other than sixteen bytes")]
    ActorLength,
    /// Numbered zero; numbers start at one.
    #[error("it has no number")]
    Number,
    /// The clock reading is outside the years 1 to 9999.
    #[error("it says it was written at {time_s} s, which is no year from 1 to 9999")]
    Clock {
        /// What it says.
        time_s: i64,
    },
    /// It carries a message, which changes here never do.
    #[error("it carries a message, which changes of this document don't")]
    Message,
    /// It touches what other writers made.
    #[error("it touches what other writers made")]
    OtherActors,
    /// A column is deflated.
    #[error("part of it is deflated, which is not allowed")]
    Deflated,
    /// A column that no change of records has: lists, marks, overwrites, deletions.
    #[error("it does something other than add records (column {spec:#x})")]
    Column {
        /// The column.
        spec: u64,
    },
    /// The columns are out of order or there are two of a kind.
    #[error("its columns are out of order")]
    ColumnOrder,
    /// More operations than a change may have.
    #[error("it holds more operations than a change may")]
    TooManyRows,
    /// A value that isn't text.
    #[error("it holds a value that is not text")]
    ValueKind,
    /// A body is empty or too long.
    #[error("it holds a record of {bytes} bytes; one to {MAX_BODY_BYTES} are allowed")]
    BodyLength {
        /// The body's length.
        bytes: usize,
    },
    /// A body isn't UTF-8.
    #[error("it holds a record that is not text in UTF-8")]
    NotText,
    /// No records, or too many.
    #[error("it holds {records} records; one to {MAX_RECORDS_PER_CHANGE} are allowed")]
    RecordCount {
        /// How many.
        records: usize,
    },
    /// Bytes that belong to nothing.
    #[error("it holds bytes that belong to nothing")]
    ExtraBytes,
    /// It claims to be by the writer of the document's first change, who never writes again.
    #[error("it claims to be by the writer of the document's first change")]
    FirstChangeWriter,
    /// Another change of that writer and number is held already. Either two devices write under one
    /// name, or someone wrote in another's.
    #[error(
        "{writer} has already made another change {number}; \
         two devices may be running under one name"
    )]
    Fork {
        /// The writer.
        writer: Writer,
        /// The number both bear.
        number: u64,
        /// The one held.
        held: ChangeHash,
        /// The one turned away.
        got: ChangeHash,
    },
    /// It follows the numbers held, but not the changes: it belongs to a fork.
    #[error(
        "change {number} of {writer} doesn't follow the one before it; \
         two devices may be running under one name"
    )]
    Branch {
        /// The writer.
        writer: Writer,
        /// Its number.
        number: u64,
    },
    /// Earlier changes of its writer haven't arrived. Ask again for what is missing.
    #[error("it is change {got} of {writer}, of whom {have} are here; ask again for those between")]
    Gap {
        /// The writer.
        writer: Writer,
        /// How many of the writer's changes are here.
        have: u64,
        /// Its number.
        got: u64,
    },
    /// It builds on changes that haven't arrived. Ask again for what is missing.
    #[error("it builds on {} changes that haven't arrived; ask again for those", missing.len())]
    UnknownDeps {
        /// Those that haven't.
        missing: Vec<ChangeHash>,
    },
    /// Its operation counter isn't the one that follows from what it builds on.
    #[error("it counts its operations from {got} instead of {expected}")]
    StartOp {
        /// What follows from what it builds on.
        expected: u64,
        /// What it says.
        got: u64,
    },
    /// The document has no operation counters left.
    #[error("the document is full: it can't count further operations")]
    Full,
    /// It says something other than the next records of its writer, or says it in another way than
    /// this program does.
    #[error("it is something other than its writer's next records, written as this program does")]
    NotAsWritten,
    /// The document library failed on it.
    #[error("the document library failed on it")]
    Library,
}

impl Refusal {
    /// It may be sound, but what it builds on isn't here: worth asking for again.
    #[must_use]
    pub fn is_early(&self) -> bool {
        matches!(self, Self::Gap { .. } | Self::UnknownDeps { .. })
    }

    /// Two histories exist under one writer's name: people should be told.
    #[must_use]
    pub fn is_fork(&self) -> bool {
        matches!(self, Self::Fork { .. } | Self::Branch { .. })
    }
}
