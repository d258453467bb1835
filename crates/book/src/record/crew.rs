//! The crew's devices: what they are called and who uses them.

use gravelbar_visit::{NAME_MAX_CHARS, PersonName};
use serde::{Deserialize, Serialize};

use super::{Check, FactError, person, text};
use crate::founding::DeviceKey;

/// What the crew calls a device.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct DeviceNamed {
    /// Which.
    pub key: DeviceKey,
    /// Its name.
    pub name: String,
}

/// Who uses a device from now on.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct DeviceHeld {
    /// Which.
    pub key: DeviceKey,
    /// Who.
    pub person: PersonName,
}

impl Check for DeviceNamed {
    fn check(&self) -> Result<(), FactError> {
        text(&self.name, "the device's name", NAME_MAX_CHARS)
    }
}

impl Check for DeviceHeld {
    fn check(&self) -> Result<(), FactError> {
        person(&self.person)
    }
}
