//! The crew book: what a crew shares between visits, as one document of immutable records.

mod book;
mod founding;
mod record;
mod words;

pub use book::{ActError, Book, OpenError, Written};
pub use founding::{
    BOOK_VERSION, CREW_NAME_MAX_CHARS, DeviceKey, DeviceKeyError, Founding, FoundingError,
};
pub use record::*;
pub use words::TextError;
