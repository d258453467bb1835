//! Masses far from the others of their length: the slip of a decimal point, another unit, the
//! fish before.

use std::collections::BTreeMap;

use gravelbar_estimate::{
    MassBand, MassCheck, MassCurve, Slip, SuggestedReading, USUAL_SLOPES, check_mass,
};
use gravelbar_visit::{FishView, Flag, FlagKind, LengthType, RecordId, SpeciesName};

use super::{Found, flag};
use crate::figure::plain;

/// Fewer fish than this show no band (judgement, no source).
const LEAST_FISH: usize = 8;

/// Width of the band in robust standard deviations, and its least width as a factor either way
/// (judgement, no source): brook trout of one length differ by a tenth, a slip by a factor of two
/// and more.
const DEVIATIONS: f64 = 5.0;
const LEAST_FACTOR: f64 = 1.5;

/// Step of a field scale, g: half a step counts in the fish's favour (common practice, no source).
const SCALE_STEP_G: f64 = 0.1;

/// A median absolute deviation times this is the standard deviation of a normal distribution
/// (standard normal quantile 0.75).
const MAD_TO_SD: f64 = 1.4826;

/// The thirds at both ends must lie apart by this much in log length for a slope to be told.
const LEAST_SPREAD: f64 = 0.3;

struct Weighed {
    record: RecordId,
    length_mm: f64,
    mass_g: f64,
    log_length: f64,
    log_mass: f64,
}

pub(super) fn flags(found: &Found<'_>, flags: &mut Vec<Flag>) {
    let mut groups: BTreeMap<(&SpeciesName, Option<LengthType>), Vec<Weighed>> = BTreeMap::new();
    for fish in found.view.fish.iter().filter(|f| !f.voided) {
        if let Some(weighed) = weighed(fish) {
            let kind = fish.length_type.as_ref().map(|k| k.value);
            groups
                .entry((&fish.species.value, kind))
                .or_default()
                .push(weighed);
        }
    }
    for ((species, _), mut fish) in groups {
        fish.sort_by_key(|f| f.record);
        if let Some(band) = Band::of(&fish) {
            flags.extend(fish.iter().filter_map(|f| band.odd(species, f)));
        }
    }
}

fn weighed(fish: &FishView) -> Option<Weighed> {
    let (length_mm, mass_g) = (fish.length_mm.as_ref()?.value, fish.mass_g.as_ref()?.value);
    let measured = |x: f64| x.is_finite() && x > 0.0;
    (measured(length_mm) && measured(mass_g)).then(|| Weighed {
        record: fish.stamp.id,
        length_mm,
        mass_g,
        log_length: libm::log(length_mm),
        log_mass: libm::log(mass_g),
    })
}

/// Where the masses of a species lie.
struct Band {
    curve: MassCurve,
    band: MassBand,
}

impl Band {
    /// A line through the medians of the outer thirds, so that no single slip moves it.
    ///
    /// # Source
    /// Tukey 1977, Exploratory Data Analysis: resistant line; scale by the median absolute
    /// deviation.
    fn of(fish: &[Weighed]) -> Option<Self> {
        if fish.len() < LEAST_FISH {
            return None;
        }
        let mut by_length: Vec<&Weighed> = fish.iter().collect();
        by_length.sort_by(|a, b| {
            let order = a.log_length.total_cmp(&b.log_length);
            order.then(a.record.cmp(&b.record))
        });
        let third = by_length.len() / 3;
        let (low, high) = (
            by_length.get(..third)?,
            by_length.get(by_length.len() - third..)?,
        );
        let x = |part: &[&Weighed]| median(part.iter().map(|f| f.log_length).collect());
        let y = |part: &[&Weighed]| median(part.iter().map(|f| f.log_mass).collect());
        let (run, rise) = (x(high) - x(low), y(high) - y(low));
        let told = (run >= LEAST_SPREAD).then(|| rise / run);
        // Where the fish at hand don't tell, mass goes with the cube of length.
        let slope = told.filter(|s| USUAL_SLOPES.contains(s)).unwrap_or(3.0);
        let residuals: Vec<f64> = fish
            .iter()
            .map(|f| f.log_mass - slope * f.log_length)
            .collect();
        let intercept = median(residuals.clone());
        let deviations = residuals.iter().map(|r| (r - intercept).abs()).collect();
        let sd = MAD_TO_SD * median(deviations);
        let half_width = (DEVIATIONS * sd).max(libm::log(LEAST_FACTOR));
        Some(Self {
            curve: MassCurve::line(intercept / std::f64::consts::LN_10, slope),
            band: MassBand {
                low: libm::exp(-half_width),
                high: libm::exp(half_width),
            },
        })
    }

    fn odd(&self, species: &SpeciesName, fish: &Weighed) -> Option<Flag> {
        let check = check_mass(
            fish.length_mm,
            fish.mass_g,
            &self.curve,
            self.band,
            SCALE_STEP_G,
        );
        let MassCheck::Unlikely { readings, .. } = check else {
            return None;
        };
        let expected = self.curve.mass_g(fish.length_mm);
        let (low, high) = (expected * self.band.low, expected * self.band.high);
        let meant = readings.first().map_or_else(
            || "weigh and measure it again, or correct the record".to_owned(),
            |reading| {
                let meant = meant(reading);
                format!("{meant} would fit: weigh and measure it again, or correct the record")
            },
        );
        Some(flag(
            FlagKind::OddMass,
            vec![fish.record],
            format!(
                "{species} of {} mm at {} g: others of this length weigh {} to {} g; {meant}",
                plain(fish.length_mm),
                plain(fish.mass_g),
                two_digits(low),
                two_digits(high)
            ),
        ))
    }
}

/// The likeliest slip put right, in words.
fn meant(reading: &SuggestedReading) -> String {
    let (mm, g) = (plain(reading.length_mm), plain(reading.mass_g));
    match reading.slip {
        Slip::MassTenTimesTooLarge | Slip::MassTenTimesTooSmall => format!("{g} g"),
        Slip::MassInKilograms => format!("{g} g (typed in kilograms?)"),
        Slip::MassInOunces => format!("{g} g (typed in ounces?)"),
        Slip::LengthInCentimetres => format!("{mm} mm (typed in centimetres?)"),
        Slip::LengthInInches => format!("{mm} mm (typed in inches?)"),
        Slip::LengthTenTimesTooLarge => format!("{mm} mm"),
    }
}

/// The middle value; the mean of the two middle ones.
fn median(mut values: Vec<f64>) -> f64 {
    values.sort_by(f64::total_cmp);
    let middle = values.len() / 2;
    let at = |place: usize| values.get(place).copied().unwrap_or(0.0);
    if values.len() % 2 == 1 {
        at(middle)
    } else {
        (at(middle.saturating_sub(1)) + at(middle)) / 2.0
    }
}

/// A mass as a person would say it.
fn two_digits(g: f64) -> String {
    let written = format!("{g:.1e}");
    written.parse().map_or(written, |g: f64| format!("{g}"))
}
