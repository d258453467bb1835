//! Signatures on a state of the visit, and what comes after them.

use gravelbar_ledger::{ChangeHash, RecordId};
use serde::{Deserialize, Serialize};

use super::{Check, FactError, reason};

/// A signature on exactly what the signer's device held.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Signature {
    /// The document's heads in their written form, sorted.
    pub heads: Vec<String>,
    /// SHA-256 over the heads, in hexadecimal: what is printed on the sheet.
    pub digest: String,
    /// Devices of the visit whose last records the signer could not be sure to have.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub not_heard: Vec<String>,
}

/// A signed visit opened again.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Reopen {
    /// The signature set aside; it stays valid for what it covers.
    pub signature: RecordId,
}

/// Late records looked at and accepted.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct AcceptLate {
    /// The records.
    pub records: Vec<RecordId>,
}

fn hexadecimal(text: &str) -> bool {
    text.len() == 64 && text.bytes().all(|b| b.is_ascii_hexdigit())
}

impl Check for Signature {
    fn check(&self, _why: Option<&str>) -> Result<(), FactError> {
        if self.heads.is_empty() || !self.heads.iter().all(|h| h.parse::<ChangeHash>().is_ok()) {
            return Err(FactError::Incomplete(
                "a signature names the heads it covers",
            ));
        }
        if !hexadecimal(&self.digest) {
            return Err(FactError::Incomplete("a signature carries a digest"));
        }
        if self.not_heard.len() > 200 {
            return Err(FactError::Incomplete("too many devices are named"));
        }
        Ok(())
    }
}

impl Check for Reopen {
    fn check(&self, why: Option<&str>) -> Result<(), FactError> {
        reason(why, "opening a signed visit")
    }
}

impl Check for AcceptLate {
    fn check(&self, why: Option<&str>) -> Result<(), FactError> {
        if self.records.is_empty() {
            return Err(FactError::Incomplete("name the late records"));
        }
        reason(why, "accepting late records")
    }
}
