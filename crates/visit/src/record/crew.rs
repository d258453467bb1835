//! People, their roles, their devices and the devices' clocks.

use gravelbar_ledger::{DeviceTag, RecordId};
use serde::{Deserialize, Serialize};

use super::{Check, FactError};
use crate::names::{NAME_MAX_CHARS, PersonName, clean};

/// What a person does in the water or on the bank (common practice, no source).
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Role {
    /// Decides and signs.
    Lead,
    /// Carries the pack.
    Operator,
    /// Nets fish.
    Netter,
    /// Shuttles fish to the bank.
    BucketCarrier,
    /// Watches people, weather and public.
    SafetyLead,
    /// Calls species and lengths.
    Measurer,
    /// Writes the work-up.
    Recorder,
    /// Keeps fish alive and releases them.
    FishCarer,
}

impl Role {
    /// All roles.
    pub const ALL: [Self; 8] = [
        Self::Lead,
        Self::Operator,
        Self::Netter,
        Self::BucketCarrier,
        Self::SafetyLead,
        Self::Measurer,
        Self::Recorder,
        Self::FishCarer,
    ];

    /// The role in words.
    #[must_use]
    pub fn words(self) -> &'static str {
        match self {
            Self::Lead => "crew lead",
            Self::Operator => "operator",
            Self::Netter => "netter",
            Self::BucketCarrier => "bucket carrier",
            Self::SafetyLead => "safety lead",
            Self::Measurer => "measurer",
            Self::Recorder => "recorder",
            Self::FishCarer => "fish carer",
        }
    }
}

/// A person is on the crew of this visit.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Joined {
    /// Who.
    pub person: PersonName,
}

/// A person went home; the checklist no longer waits for them. Like a tick, it settles only the
/// objections it names.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Left {
    /// Who.
    pub person: PersonName,
    /// The un-ticks of that person seen when it was written.
    #[serde(default)]
    pub seen: Vec<RecordId>,
}

/// A person takes a role.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct RoleTaken {
    /// Who.
    pub person: PersonName,
    /// Which role.
    pub role: Role,
}

/// A person gives a role up.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct RoleLeft {
    /// Who.
    pub person: PersonName,
    /// Which role.
    pub role: Role,
}

/// A device belongs to the visit and may exchange it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Device {
    /// Its short name in record ids.
    pub tag: DeviceTag,
    /// SHA-256 of its public key, in hexadecimal.
    pub key: String,
    /// What the crew calls it.
    pub name: String,
}

/// A person holds a device from now on.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct DeviceHeld {
    /// The device.
    pub tag: DeviceTag,
    /// Who holds it.
    pub person: PersonName,
}

/// How far another device's clock is ahead of the author's.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct ClockOffset {
    /// The other device.
    pub tag: DeviceTag,
    /// Its clock minus the author's, ms.
    pub offset_ms: i64,
    /// Half the round trip of the best exchange, ms.
    pub uncertainty_ms: i64,
}

impl Check for Joined {
    fn check(&self, _why: Option<&str>) -> Result<(), FactError> {
        Ok(self.person.check()?)
    }
}

impl Check for Left {
    fn check(&self, _why: Option<&str>) -> Result<(), FactError> {
        Ok(self.person.check()?)
    }
}

impl Check for RoleTaken {
    fn check(&self, _why: Option<&str>) -> Result<(), FactError> {
        Ok(self.person.check()?)
    }
}

impl Check for RoleLeft {
    fn check(&self, _why: Option<&str>) -> Result<(), FactError> {
        Ok(self.person.check()?)
    }
}

impl Check for Device {
    fn check(&self, _why: Option<&str>) -> Result<(), FactError> {
        clean(&self.name, "the device's name", NAME_MAX_CHARS)?;
        if self.key.len() == 64 && self.key.bytes().all(|b| b.is_ascii_hexdigit()) {
            Ok(())
        } else {
            Err(FactError::Incomplete(
                "a device's key is 64 hexadecimal digits",
            ))
        }
    }
}

impl Check for DeviceHeld {
    fn check(&self, _why: Option<&str>) -> Result<(), FactError> {
        Ok(self.person.check()?)
    }
}

impl Check for ClockOffset {
    fn check(&self, _why: Option<&str>) -> Result<(), FactError> {
        if self.uncertainty_ms >= 0 {
            Ok(())
        } else {
            Err(FactError::Incomplete(
                "a clock's uncertainty is never negative",
            ))
        }
    }
}
