//! The sampling visit: its plan, its records, what a crew may write and what the records mean
//! when read together.

mod causes;
mod names;
mod plan;
mod record;
mod view;
mod visit;

pub use names::{
    BucketLabel, Channel, NAME_MAX_CHARS, NameError, Pack, PassKey, PassKeyError, PersonName,
    SpeciesName,
};
pub use plan::{CheckItem, PLAN_VERSION, Plan, PlanError, PlannedSpecies, TakeLimit};
pub use record::*;
pub use view::*;
pub use visit::{ActError, OpenError, Visit, Written, digest};

pub use gravelbar_ledger::{
    DeviceTag, DocumentId, LoggedChange, Received, RecordId, Refusal, Refused, Session,
    UnknownHeadsError, Vector, Writer,
};
