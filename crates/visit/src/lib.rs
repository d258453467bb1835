//! The sampling visit: its plan, its records, what a crew may write and what the records mean
//! when read together.

mod causes;
#[cfg(test)]
mod every_interleaving;
mod joining;
#[cfg(test)]
#[path = "../tests/naive/mod.rs"]
mod naive;
mod names;
mod plan;
mod record;
mod view;
mod visit;

pub use joining::{JoinedVisit, PassCount, PassPair, Preview, SideView};
pub use names::{
    BucketLabel, Channel, NAME_MAX_CHARS, NameError, Pack, PassKey, PassKeyError, PersonName,
    SpeciesName,
};
pub use plan::{
    CheckItem, KnownGoodOutput, PLAN_VERSION, Plan, PlanError, PlannedSpecies, TakeLimit,
};
pub use record::*;
pub use view::*;
pub use visit::{ActError, OpenError, Visit, Written, digest};

// The rule written a second time names this crate as its users do.
#[cfg(test)]
extern crate self as gravelbar_visit;

pub use gravelbar_ledger::{
    DeviceTag, DocumentId, LoggedChange, Received, RecordId, Refusal, Refused, Session,
    UnknownHeadsError, Vector, Writer,
};
