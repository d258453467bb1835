//! Two visit records of one visit: joined, brought together, taken apart again.

use std::collections::BTreeMap;

use base64::Engine as _;
use base64::engine::general_purpose::URL_SAFE_NO_PAD as BASE64;
use gravelbar_ledger::{ChangeHash, DocumentId, MAX_CHANGE_BYTES, RecordId};
use serde::{Deserialize, Serialize};

use super::{Check, FactError, reason};
use crate::names::{Channel, PassKey};

/// The most channels or passes one joining may call by other names.
const MOST_RENAMED: usize = 50;

/// How channels and passes of two joined visits are called. What isn't named here keeps its name,
/// and what then has one name in both is one.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Default, Serialize, Deserialize)]
pub struct JoinNames {
    /// Channels of the visit that is joined into, by what they are called from now on.
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    pub here: BTreeMap<Channel, Channel>,
    /// Channels of the visit that is brought, by what they are called from now on.
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    pub there: BTreeMap<Channel, Channel>,
    /// Passes of the visit that is brought, by the pass of this visit that they are. Goes before
    /// `there`.
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    pub passes: BTreeMap<PassKey, PassKey>,
}

/// Another document records this same visit; what it holds counts here. Of two documents that are
/// one visit, the one with the lower id takes in the other, so that everyone chooses alike.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Join {
    /// The other document.
    pub visit: DocumentId,
    /// What channels and passes are called.
    #[serde(flatten)]
    pub names: JoinNames,
}

/// Changes of another document, byte for byte, and the plan it starts from. By themselves they
/// have no effect; a [`Join`] gives them one.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Brought {
    /// The other document.
    pub visit: DocumentId,
    /// Whole changes, in base 64.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub changes: Vec<Bytes>,
    /// A piece of what is too long for one record.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub piece: Option<Piece>,
}

/// One piece of a text or change that is too long for one record.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Piece {
    /// The change; left out for the text of the plan.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub change: Option<ChangeHash>,
    /// Which piece, from 1.
    pub n: u8,
    /// Of how many.
    pub of: u8,
    /// The piece.
    pub bytes: Bytes,
}

/// Bytes that travel in a record, in base 64 for addresses (RFC 4648, section 5) without padding.
#[derive(Clone, PartialEq, Eq)]
pub struct Bytes(pub Vec<u8>);

impl std::fmt::Debug for Bytes {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{} bytes", self.0.len())
    }
}

impl Serialize for Bytes {
    fn serialize<S: serde::Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.serialize_str(&BASE64.encode(&self.0))
    }
}

impl<'de> Deserialize<'de> for Bytes {
    fn deserialize<D: serde::Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        let text = std::borrow::Cow::<'de, str>::deserialize(deserializer)?;
        let bytes = BASE64.decode(text.as_bytes());
        bytes.map(Self).map_err(serde::de::Error::custom)
    }
}

/// Joinings taken back: exactly those named. What was brought is then without effect, apart from
/// a stop that nobody has cleared.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Unjoin {
    /// The joinings.
    pub joins: Vec<RecordId>,
}

impl Check for Join {
    fn check(&self, _why: Option<&str>) -> Result<(), FactError> {
        let JoinNames {
            here,
            there,
            passes,
        } = &self.names;
        if here.len().max(there.len()).max(passes.len()) > MOST_RENAMED {
            return Err(FactError::Incomplete(
                "at most 50 channels and 50 passes can be given other names",
            ));
        }
        for (from, to) in here.iter().chain(there) {
            from.check()?;
            to.check()?;
        }
        Ok(())
    }
}

impl Check for Brought {
    fn check(&self, _why: Option<&str>) -> Result<(), FactError> {
        let piece = self.piece.as_ref();
        if self.changes.is_empty() && piece.is_none() {
            return Err(FactError::Incomplete("nothing was brought"));
        }
        if piece.is_some_and(|p| p.n == 0 || p.n > p.of || p.bytes.0.len() > MAX_CHANGE_BYTES) {
            return Err(FactError::Incomplete("pieces are numbered from 1"));
        }
        Ok(())
    }
}

impl Check for Unjoin {
    fn check(&self, why: Option<&str>) -> Result<(), FactError> {
        if self.joins.is_empty() || self.joins.len() > super::amend::MOST_NAMED {
            return Err(FactError::Incomplete("name the joining"));
        }
        reason(why, "taking two visits apart")
    }
}
