//! One record: who, when, why and what. Once written it never changes.

mod amend;
mod catch;
mod crew;
mod gear;
mod join;
mod lost;
mod passes;
mod place;
mod safety;
mod sign;
mod words;

use chrono::{DateTime, FixedOffset};
use serde::{Deserialize, Serialize};

pub use amend::{Amend, FieldName, FieldValue, Restore, SameThing, Scope, Undo, Void};
pub use catch::{
    Batch, Bucket, BucketMoment, CountKind, Death, DeathStage, Escape, Fate, Fish, LengthType,
    Tally,
};
pub use crew::{ClockOffset, Device, DeviceHeld, Joined, Left, Role, RoleLeft, RoleTaken};
pub use gear::{GearEvent, GearKind, Reaction, Setting, Trial, Waveform};
pub use join::{Brought, Bytes, Join, JoinNames, Piece, Unjoin};
pub use lost::{AcceptHeld, DeviceLost, LastAccepted};
pub use passes::{Counter, PassClosed, PassOpened, Source};
pub use place::{NetEnd, NetEvent, NetState, ReachLength, Water, WaterPlace, Width};
pub use safety::{Clear, EnergiserOff, Stop, Tick, Untick};
pub use sign::{AcceptLate, Reopen, Signature};
pub use words::{Decision, Incident, IncidentKind, Note};

use crate::names::{PersonName, clean, is_plain};

/// The longest note or reason, in characters.
pub const WORDS_MAX_CHARS: usize = 500;

/// A record as it stands in the document.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Entry {
    /// The author's device clock, with its offset from UTC, as it stood. Never used for order.
    pub at: DateTime<FixedOffset>,
    /// The person who made it.
    pub by: PersonName,
    /// The reason given, where one is asked for.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub why: Option<String>,
    /// What happened.
    pub what: Fact,
}

macro_rules! facts {
    ($($(#[$doc:meta])* $kind:ident $written:literal),* $(,)?) => {
        /// What a record says. The written form carries the kind's name, and a kind this program
        /// doesn't know is kept as it came.
        #[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
        pub enum Fact {
            $($(#[$doc])* #[serde(rename = $written)] $kind($kind),)*
        }

        impl Fact {
            /// The kind's written name.
            #[must_use]
            pub fn kind(&self) -> &'static str {
                match self { $(Self::$kind(_) => $written,)* }
            }

            fn checked(&self) -> &dyn Check {
                match self { $(Self::$kind(fact) => fact,)* }
            }
        }

        $(impl From<$kind> for Fact {
            fn from(fact: $kind) -> Self {
                Self::$kind(fact)
            }
        })*

        /// The written names of all kinds.
        pub const KINDS: &[&str] = &[$($written),*];
    };
}

facts! {
    /// Someone is on the crew.
    Joined "joined",
    /// Someone went home.
    Left "left",
    /// Someone takes a role.
    RoleTaken "role_taken",
    /// Someone gives a role up.
    RoleLeft "role_left",
    /// A device belongs to the visit.
    Device "device",
    /// Someone holds a device.
    DeviceHeld "device_held",
    /// One device's clock against another's.
    ClockOffset "clock_offset",
    /// A taped length.
    ReachLength "reach_length",
    /// A wetted width.
    Width "width",
    /// A block net was set, failed, was lifted.
    NetEvent "net_event",
    /// A reading of the water.
    Water "water",
    /// The output in force from now on.
    Setting "setting",
    /// An output tried on fish.
    Trial "trial",
    /// A battery, a fault, a repair.
    GearEvent "gear_event",
    /// A pass begins.
    PassOpened "pass_opened",
    /// A pass ends.
    PassClosed "pass_closed",
    /// Energised seconds of a pass.
    Counter "counter",
    /// Fish netted.
    Tally "tally",
    /// Fish seen to get away.
    Escape "escape",
    /// A bucket got fish, was handed over, was emptied.
    Bucket "bucket",
    /// One fish on the board.
    Fish "fish",
    /// Fish counted or weighed together.
    Batch "batch",
    /// Fish judged dead.
    Death "death",
    /// A tap taken back.
    Undo "undo",
    /// A value put right.
    Amend "amend",
    /// A record taken out of the totals.
    Void "void",
    /// A voided record put back.
    Restore "restore",
    /// Several records of one and the same thing.
    SameThing "same_thing",
    /// A checklist line ticked.
    Tick "tick",
    /// A tick objected to.
    Untick "untick",
    /// Stop work.
    Stop "stop",
    /// The operator says the energiser is off.
    EnergiserOff "energiser_off",
    /// Work may go on.
    Clear "clear",
    /// Something happened that must be kept.
    Incident "incident",
    /// A remark.
    Note "note",
    /// A choice with its reasons.
    Decision "decision",
    /// A signature on what the signer's device held.
    Signature "signature",
    /// A signed visit opened again.
    Reopen "reopen",
    /// Late records accepted.
    AcceptLate "accept_late",
    /// Another document records this same visit.
    Join "safety_join",
    /// Changes of another document.
    Brought "safety_brought",
    /// A joining taken back.
    Unjoin "safety_unjoin",
    /// A device is lost or trusted no more.
    DeviceLost "safety_device_lost",
    /// Records of a lost device accepted.
    AcceptHeld "safety_accept_held",
}

/// Why a record can't be written.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum FactError {
    /// A number outside what can be measured.
    #[error("{what} can't be {value} {unit}: between {low} and {high} {unit} can be kept")]
    Number {
        /// What was measured.
        what: &'static str,
        /// The value given.
        value: f64,
        /// Its unit.
        unit: &'static str,
        /// Lowest value kept.
        low: f64,
        /// Highest value kept.
        high: f64,
    },
    /// A text that can't be kept.
    #[error(transparent)]
    Name(#[from] crate::names::NameError),
    /// A reason must be given.
    #[error("say why: {what} needs a reason")]
    NeedsReason {
        /// What is being done.
        what: &'static str,
    },
    /// Something is left out or doesn't fit together.
    #[error("{0}")]
    Incomplete(&'static str),
}

/// Limits on what a record may say, whoever wrote it. A device refuses its own people's slips
/// with it; what comes from elsewhere is kept and flagged.
trait Check {
    /// `why` is the reason given with the record.
    fn check(&self, why: Option<&str>) -> Result<(), FactError>;
}

impl Entry {
    /// Refuses numbers no meter shows, blank names and missing reasons.
    ///
    /// # Errors
    ///
    /// [`FactError`] with the value, its unit and what can be kept.
    pub fn check(&self) -> Result<(), FactError> {
        self.by.check()?;
        if let Some(why) = &self.why {
            words(why, "the reason")?;
        }
        self.what.checked().check(self.why.as_deref())
    }
}

/// A number within what can be kept; the bounds only keep out nonsense, warnings come from the
/// reducer.
fn number(
    what: &'static str,
    value: f64,
    unit: &'static str,
    low: f64,
    high: f64,
) -> Result<(), FactError> {
    if value.is_finite() && (low..=high).contains(&value) {
        Ok(())
    } else {
        Err(FactError::Number {
            what,
            value,
            unit,
            low,
            high,
        })
    }
}

/// [`number`] for a value that may be left out.
fn number_if(
    what: &'static str,
    value: Option<f64>,
    unit: &'static str,
    low: f64,
    high: f64,
) -> Result<(), FactError> {
    value.map_or(Ok(()), |value| number(what, value, unit, low, high))
}

/// A reason must be there.
fn reason(why: Option<&str>, what: &'static str) -> Result<(), FactError> {
    match why {
        Some(text) if !text.trim().is_empty() => Ok(()),
        _ => Err(FactError::NeedsReason { what }),
    }
}

/// Text of a note, one paragraph.
fn words(text: &str, what: &'static str) -> Result<(), FactError> {
    if !is_plain(text, WORDS_MAX_CHARS) {
        clean(text, what, WORDS_MAX_CHARS)?;
    }
    Ok(())
}
