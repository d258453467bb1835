//! A document of immutable records that many devices extend at once.

mod ids;

pub use ids::{DeviceTag, DocumentId, IdError, RecordId, Session, Writer};
