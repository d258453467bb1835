//! Odd things met while reading: kept beside the values, never a reason to stop.

use gravelbar_ledger::RecordId;
use serde::Serialize;

/// What is odd.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum FlagKind {
    /// Two people gave different values and nobody has settled it.
    Disagreement,
    /// A record was voided by someone who hadn't seen an edit of it.
    VoidedWhileEdited,
    /// A record arrived that a rename or move was meant to reach but had not seen.
    ArrivedAfterChange,
    /// Two deaths that look like one.
    Perhaps1Death,
    /// Two batches from one bucket, of one species and pass.
    Perhaps1Batch,
    /// A pass opened or closed by two people apart from each other.
    PassMarkedTwice,
    /// A record of a kind this program doesn't know.
    UnknownKind,
    /// A record this program can't read.
    Unreadable,
    /// A value no meter shows.
    OddValue,
    /// A record names another that isn't here, or that its author can't have seen.
    NamesUnseen,
    /// A record does to another what can't be done to it; that has no effect.
    NoEffect,
    /// Someone works in the water without being on the crew's list.
    NotListed,
    /// A stop was cleared by someone without the role to do so; the stop holds.
    ClearWithoutRole,
    /// A tick by somebody else; it doesn't count.
    TickForSomeoneElse,
    /// Netters' count and work-up differ.
    TallyGap,
    /// A tap for a pass that was closed.
    AfterClose,
    /// A closed pass without energised seconds.
    NoEffort,
    /// More energised seconds than the clock allows.
    EffortOverClock,
    /// A counter that wasn't set to zero was perhaps typed as the pass's seconds.
    PerhapsCumulative,
    /// Passes fished with clearly different effort.
    UnequalEffort,
    /// A net was not holding during a pass.
    NetsOpen,
    /// A pass without a setting on record.
    NoSetting,
    /// The output was changed during or between passes.
    SettingChanged,
    /// A bucket not emptied.
    BucketOpen,
    /// Energised without every check ticked, or while stopped.
    NotReady,
    /// A mass far from the others of its length.
    OddMass,
    /// A fish without a name.
    UnknownFish,
    /// Take at or over its limit.
    TakeLimit,
    /// A device's clock is off.
    ClockOff,
    /// A device's later records may be missing.
    DeviceNotHeard,
    /// Two plans read as one differ.
    PlansDiffer,
    /// A device is lost: some of its records may be missing, some may be held aside.
    DeviceLost,
    /// Records that came after a signature.
    AfterSignature,
    /// No number can be given.
    NoEstimate,
    /// A number with a caution.
    Caution,
}

/// Something odd, in words the crew can act on.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Serialize)]
pub struct Flag {
    /// What sort.
    pub kind: FlagKind,
    /// The records it is about.
    pub about: Vec<RecordId>,
    /// What is odd and what can be done.
    pub words: String,
}
