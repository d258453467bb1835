//! Reach, channels, nets and water.

use gravelbar_ledger::RecordId;
use serde::{Deserialize, Serialize};

use super::{Check, FactError, number, number_if};
use crate::names::Channel;

/// The fished length of a channel along its line of deepest water.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ReachLength {
    /// Which arm.
    pub channel: Channel,
    /// Length, m.
    pub length_m: f64,
    /// Earlier lengths this one replaces.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub replaces: Vec<RecordId>,
}

/// One wetted width of a channel.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Width {
    /// Which arm.
    pub channel: Channel,
    /// Width, m.
    pub width_m: f64,
}

/// Which end of the reach a block net closes.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum NetEnd {
    /// The upper end.
    Upstream,
    /// The lower end.
    Downstream,
}

/// What a block net does, worst last (common practice, no source).
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum NetState {
    /// Set and holding.
    Holding,
    /// Lifted at the end.
    Lifted,
    /// Fish can get through.
    Leaking,
    /// Down.
    Down,
}

/// A block net's state, as someone saw it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct NetEvent {
    /// Which arm.
    pub channel: Channel,
    /// Which end.
    pub end: NetEnd,
    /// What was seen.
    pub state: NetState,
    /// Mesh, mm, where noted.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub mesh_mm: Option<f64>,
}

/// Where a water reading was taken.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum WaterPlace {
    /// In the stream.
    Stream,
    /// In the live car, where fish are held.
    LiveCar,
}

/// A reading of the water; what wasn't measured is left out. Ambient and specific conductivity
/// are two things: the first is what the current meets, the second is the first brought to 25 °C.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Water {
    /// Stream or live car.
    pub place: WaterPlace,
    /// Temperature, °C.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub temperature_c: Option<f64>,
    /// Conductivity at the water's own temperature, µS/cm.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub ambient_us_cm: Option<f64>,
    /// Conductivity brought to 25 °C, µS/cm.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub specific_us_cm: Option<f64>,
    /// Dissolved oxygen, mg/L.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub oxygen_mg_l: Option<f64>,
    /// pH.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub ph: Option<f64>,
    /// Turbidity, NTU.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub turbidity_ntu: Option<f64>,
    /// Flow, m³/s.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub flow_m3_s: Option<f64>,
}

impl Check for ReachLength {
    fn check(&self, _why: Option<&str>) -> Result<(), FactError> {
        self.channel.check()?;
        number("the reach length", self.length_m, "m", 0.1, 20_000.0)
    }
}

impl Check for Width {
    fn check(&self, _why: Option<&str>) -> Result<(), FactError> {
        self.channel.check()?;
        number("a width", self.width_m, "m", 0.0, 1_000.0)
    }
}

impl Check for NetEvent {
    fn check(&self, _why: Option<&str>) -> Result<(), FactError> {
        self.channel.check()?;
        number_if("the mesh", self.mesh_mm, "mm", 0.5, 200.0)
    }
}

impl Check for Water {
    fn check(&self, _why: Option<&str>) -> Result<(), FactError> {
        let readings = [
            ("the temperature", self.temperature_c, "°C", -5.0, 60.0),
            (
                "ambient conductivity",
                self.ambient_us_cm,
                "µS/cm",
                0.1,
                100_000.0,
            ),
            (
                "specific conductivity",
                self.specific_us_cm,
                "µS/cm",
                0.1,
                100_000.0,
            ),
            ("dissolved oxygen", self.oxygen_mg_l, "mg/L", 0.0, 50.0),
            ("pH", self.ph, "", 0.0, 14.0),
            ("turbidity", self.turbidity_ntu, "NTU", 0.0, 10_000.0),
            ("the flow", self.flow_m3_s, "m³/s", 0.0, 10_000.0),
        ];
        if readings.iter().all(|(_, value, ..)| value.is_none()) {
            return Err(FactError::Incomplete(
                "a water reading needs at least one number",
            ));
        }
        for (what, value, unit, low, high) in readings {
            number_if(what, value, unit, low, high)?;
        }
        Ok(())
    }
}
