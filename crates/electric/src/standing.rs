//! Owns how far a value may be trusted: where it came from and who confirmed it.

use serde::{Deserialize, Serialize};
use std::fmt;

/// Where a value came from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Basis {
    /// Read in the source that is named.
    ReadInSource,
    /// Remembered; the source named was not read for it.
    FromMemory,
    /// Proposed by this project; has no source.
    Proposed,
    /// Invented for a demonstration.
    Invented,
}

/// How far a value may be trusted. Anything nobody has confirmed says UNCONFIRMED.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Standing {
    /// A person took responsibility for it.
    Confirmed {
        /// Who.
        by: String,
        /// On which date, as written in the profile.
        on: Option<String>,
    },
    /// Nobody did.
    Unconfirmed(Basis),
}

impl Standing {
    /// Whether a person confirmed it.
    #[must_use]
    pub fn is_confirmed(&self) -> bool {
        matches!(self, Self::Confirmed { .. })
    }
}

impl fmt::Display for Standing {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Confirmed { by, on: Some(on) } => write!(f, "confirmed by {by} on {on}"),
            Self::Confirmed { by, on: None } => write!(f, "confirmed by {by}"),
            Self::Unconfirmed(basis) => f.write_str(match basis {
                Basis::ReadInSource => {
                    "UNCONFIRMED: read in its source, but nobody has confirmed it for this work"
                }
                Basis::FromMemory => "UNCONFIRMED: from memory, not read in its source",
                Basis::Proposed => "UNCONFIRMED: a proposal without a source",
                Basis::Invented => "UNCONFIRMED: invented for a demonstration",
            }),
        }
    }
}
