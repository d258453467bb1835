//! The crew book: what a crew shares between visits, as one document of immutable records.

mod book;
mod founding;
mod record;
mod roster;
mod view;
mod words;

pub use book::{ActError, Book, OpenError, Written};
pub use founding::{
    BOOK_VERSION, CREW_NAME_MAX_CHARS, DeviceKey, DeviceKeyError, Founding, FoundingError,
};
pub use record::*;
pub use roster::{Alarm, DeviceStanding, Effect, RecordStanding, Roster, RosterDevice, RosterLine};
pub use view::{
    CrewVisit, KnownDevice, Named, PermitStanding, Planned, Rival, SECRETS_RECOGNISED, Set,
    SetAside, SiteView, Used, View,
};
pub use words::TextError;
