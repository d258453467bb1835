//! Devices that are lost or no longer trusted, and what of their records is accepted.

use gravelbar_ledger::{DeviceTag, RecordId, Writer};
use serde::{Deserialize, Serialize};

use super::{Check, FactError, reason};

/// The most runs of one device that one record may name.
const MOST_RUNS: usize = 200;

/// A device is lost, or its key is trusted no more. Its records up to the numbers named count;
/// later ones are held aside until someone accepts them. A stop counts all the same.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct DeviceLost {
    /// The device.
    pub tag: DeviceTag,
    /// Not only lost: its key may be in wrong hands.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub revoked: bool,
    /// Its runs with the last number of each that counts. Of a run that isn't named, what the
    /// author had seen counts.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub runs: Vec<LastAccepted>,
}

/// How far one run of a device is accepted.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct LastAccepted {
    /// The run.
    pub run: Writer,
    /// The last record accepted; 0 for none.
    pub last: u32,
    /// The last record that it is known to have made, where that is more than anyone has.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub made: Option<u32>,
}

/// Records held aside are looked at and accepted, up to a number.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct AcceptHeld {
    /// The records that hold them aside.
    pub lost: Vec<RecordId>,
    /// The run.
    pub run: Writer,
    /// The last record accepted; of those up to it, the ones that the author had seen.
    pub last: u32,
}

impl Check for DeviceLost {
    fn check(&self, why: Option<&str>) -> Result<(), FactError> {
        if self.runs.len() > MOST_RUNS {
            return Err(FactError::Incomplete("at most 200 runs can be named"));
        }
        if self.runs.iter().any(|r| r.run.device != self.tag) {
            return Err(FactError::Incomplete(
                "a run of another device is named: mark each device by itself",
            ));
        }
        reason(why, "marking a device as lost")
    }
}

impl Check for AcceptHeld {
    fn check(&self, why: Option<&str>) -> Result<(), FactError> {
        if self.lost.is_empty() || self.lost.len() > super::amend::MOST_NAMED {
            return Err(FactError::Incomplete(
                "name the record that marks the device as lost",
            ));
        }
        reason(why, "accepting records of a lost device")
    }
}
