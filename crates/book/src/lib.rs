//! The crew book: what a crew shares between visits, as one document of immutable records.
//!
//! Who belongs to the crew and with which devices ([`Roster`]), where it works ([`Site`]), what it
//! catches ([`ListedSpecies`]), what it may take ([`Permit`]), what it is going to do
//! ([`PlannedVisit`]) and what it has done ([`VisitDone`]). A [`Book`] is one such document on one
//! device; [`Book::view`] reads all its records together. Whether a record's device tag is really its
//! author's is for the caller to have proved before it is taken in.
//!
//! `FORMAT.md` beside this crate says what each record's text holds.
//!
//! ```
//! use gravelbar_book::{Book, DeviceKey, DeviceStanding, Founding, Grant, Validity};
//! use gravelbar_ledger::{Session, Writer};
//! use gravelbar_visit::{PersonName, Role};
//!
//! let (lead, netter) = (DeviceKey([1; 32]), DeviceKey([2; 32]));
//! let writer = |key: DeviceKey| Writer { device: key.tag(), session: Session([7; 8]) };
//! let founding = Founding::new("Quillet crew", lead, [9; 16])?;
//! let mut book = Book::start(founding.clone(), writer(lead))?;
//!
//! let mirelle = PersonName::new("Mirelle Ashgrove")?;
//! let at = "2026-08-17T19:40:00-04:00".parse()?;
//! let mut entry = book.roster().next();
//! entry.grant = Some(Grant {
//!     key: netter,
//!     person: PersonName::new("Hollis Fenn")?,
//!     roles: vec![Role::Netter],
//!     office: false,
//!     valid: Validity::default(),
//! });
//! book.record(&mirelle, at, None, vec![entry.into()])?;
//! assert_eq!(book.roster().live().count(), 2);
//!
//! // The netter's device holds the same document, and can't change who belongs to the crew.
//! let changes = book.log().iter().map(|change| change.bytes.to_vec());
//! let (mut theirs, _) = Book::restore(&founding.about(), writer(netter), changes)?;
//! assert_eq!(theirs.view(), book.view());
//! let entry = theirs.roster().next();
//! assert!(theirs.record(&mirelle, at, None, vec![entry.into()]).is_err());
//!
//! // Lost in the river: shut out, and what it had written by then counts.
//! let mut entry = book.roster().next();
//! entry.revoke = Some(book.revocation(netter, []));
//! book.record(&mirelle, at, Some("in the river"), vec![entry.into()])?;
//! let device = book.roster().device(netter).ok_or("no such device")?;
//! assert_eq!(device.standing, DeviceStanding::Revoked);
//! # Ok::<(), Box<dyn std::error::Error>>(())
//! ```

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
