//! Owns the ring anode: its resistance and the gradient it makes at a distance.

use crate::caution::Caution;
use crate::conductivity::Ambient;
use crate::electrode::ElectrodeError;
use crate::range::{AMPS, DISTANCE, GRADIENT, RING, ROD};
use crate::significant::figure;
use serde::Serialize;

/// Least and greatest gradient of the useful stunning range, V/cm.
///
/// # Source
/// Fisheries Techniques, 1st ed., p. 150, as quoted in a message (second hand; boat scale).
pub const USEFUL_GRADIENT_V_CM: (f64, f64) = (0.1, 1.0);

/// How a ring lies in the water.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum RingDepth {
    /// Far from surface and bed.
    Deep,
    /// Half in the water at the surface, nothing else near.
    Surface,
}

/// A ring anode.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Ring {
    #[serde(serialize_with = "figure")]
    radius_m: f64,
    #[serde(serialize_with = "figure")]
    rod_radius_m: f64,
}

impl Ring {
    /// Takes the radius of the ring (middle of the rod) and the radius of its rod, both in metres.
    ///
    /// # Errors
    /// Radii outside 0.01 to 2 m and 0.0005 to 0.1 m; a rod thicker than a tenth of the ring, for which
    /// the formulas don't hold.
    ///
    /// # Source
    /// Bounds: common practice, no source.
    pub fn new(radius_m: f64, rod_radius_m: f64) -> Result<Self, ElectrodeError> {
        let (radius_m, rod_radius_m) = (RING.take(radius_m)?, ROD.take(rod_radius_m)?);
        if rod_radius_m > radius_m / 10.0 {
            return Err(ElectrodeError::NotThin {
                ring_m: radius_m,
                rod_m: rod_radius_m,
            });
        }
        Ok(Self {
            radius_m,
            rod_radius_m,
        })
    }

    /// Resistance of the ring alone, ohm: `R = ln(8a/b) / (4 pi^2 sigma a)` deep in the water, twice that at the surface.
    ///
    /// `a` radius of the ring, `b` of the rod, m; `sigma` in S/m. Anode only: the cathode comes on top. An
    /// order of magnitude, since real streams have a bed and banks.
    ///
    /// ```
    /// use gravelbar_electric::{Ambient, Ring, RingDepth};
    /// let ring = Ring::new(0.14, 0.005)?;
    /// let ohm = ring.resistance_ohm(Ambient::new(100.0)?, RingDepth::Deep);
    /// assert_eq!(format!("{ohm:.1}"), "97.9");
    /// # Ok::<(), Box<dyn std::error::Error>>(())
    /// ```
    ///
    /// # Source
    /// Potential of a thin charged ring, with resistance and capacitance linked by `R C = epsilon / sigma` (derived).
    #[must_use]
    pub fn resistance_ohm(self, water: Ambient, depth: RingDepth) -> f64 {
        let pi = core::f64::consts::PI;
        let deep = libm::log(8.0 * self.radius_m / self.rod_radius_m)
            / (4.0 * pi * pi * water.s_m() * self.radius_m);
        match depth {
            RingDepth::Deep => deep,
            RingDepth::Surface => 2.0 * deep,
        }
    }

    /// Gradient in V/cm straight below the middle of a ring at the surface:
    /// `E = I z / (2 pi sigma (z^2 + a^2)^1.5)`.
    ///
    /// Peak amps, metres. Zero in the middle, greatest at `z = a / sqrt 2`, and from there falling, in the
    /// end as `1 / z^2`. Not the field close to the rod, which is stronger. The cathode is taken as far away.
    ///
    /// ```
    /// use gravelbar_electric::{Ambient, Ring};
    /// let ring = Ring::new(0.14, 0.005)?;
    /// let at = ring.gradient_v_cm(Ambient::new(100.0)?, 0.8, 0.5)?;
    /// assert!((at.gradient_v_cm - 0.454_778_9).abs() < 1e-5);
    /// # Ok::<(), Box<dyn std::error::Error>>(())
    /// ```
    ///
    /// # Errors
    /// Amps outside 0.001 to 200; a distance outside 0 to 100 m.
    ///
    /// # Source
    /// Field of a ring on its axis, in half a space (derived).
    pub fn gradient_v_cm(
        self,
        water: Ambient,
        peak_a: f64,
        distance_m: f64,
    ) -> Result<Gradient, ElectrodeError> {
        let (amps, z) = (AMPS.take(peak_a)?, DISTANCE.take(distance_m)?);
        let square = z * z + self.radius_m * self.radius_m;
        let v_m =
            amps * z / (2.0 * core::f64::consts::PI * water.s_m() * square * libm::sqrt(square));
        let gradient_v_cm = v_m / 100.0;
        Ok(Gradient {
            distance_m: z,
            gradient_v_cm,
            power_density_uw_cm3: water.us_cm() * gradient_v_cm * gradient_v_cm,
            useful: in_useful_range(gradient_v_cm),
            formula: "E = I z / (2 pi sigma (z^2 + a^2)^1.5), ring at the surface, on its axis",
            caution: Caution::BoundedStream,
        })
    }

    /// The gradient at several distances, one row each, for a table or a curve.
    ///
    /// # Errors
    /// As [`Self::gradient_v_cm`].
    ///
    /// # Source
    /// As [`Self::gradient_v_cm`].
    pub fn gradients(
        self,
        water: Ambient,
        peak_a: f64,
        distances_m: &[f64],
    ) -> Result<Vec<Gradient>, ElectrodeError> {
        (distances_m.iter())
            .map(|distance| self.gradient_v_cm(water, peak_a, *distance))
            .collect()
    }
}

/// The field at one distance.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Gradient {
    /// Distance below the middle of the ring, m.
    #[serde(serialize_with = "figure")]
    pub distance_m: f64,
    /// Peak gradient, V/cm.
    #[serde(serialize_with = "figure")]
    pub gradient_v_cm: f64,
    /// Peak power density in the water, µW/cm³.
    #[serde(serialize_with = "figure")]
    pub power_density_uw_cm3: f64,
    /// Whether the gradient lies in [`USEFUL_GRADIENT_V_CM`].
    pub useful: bool,
    /// The formula.
    pub formula: &'static str,
    /// What to bear in mind.
    pub caution: Caution,
}

fn in_useful_range(gradient_v_cm: f64) -> bool {
    let (low, high) = USEFUL_GRADIENT_V_CM;
    gradient_v_cm >= low && gradient_v_cm <= high
}

/// Whether a measured gradient, V/cm, lies in the useful stunning range of [`USEFUL_GRADIENT_V_CM`].
///
/// Soft water needs more than the range says.
///
/// ```
/// assert!(gravelbar_electric::useful_gradient(0.45)?);
/// # Ok::<(), gravelbar_electric::ElectrodeError>(())
/// ```
///
/// # Errors
/// A gradient outside 0 to 10 000 V/cm.
///
/// # Source
/// As [`USEFUL_GRADIENT_V_CM`].
pub fn useful_gradient(gradient_v_cm: f64) -> Result<bool, ElectrodeError> {
    Ok(in_useful_range(GRADIENT.take(gradient_v_cm)?))
}
