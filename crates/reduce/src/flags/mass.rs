//! Masses far from the others of their length: the slip of a decimal point, another unit, the
//! fish before.

use std::collections::BTreeMap;

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

/// A median absolute deviation times this is the standard deviation of a normal distribution
/// (standard normal quantile 0.75).
const MAD_TO_SD: f64 = 1.4826;

/// Slopes of log mass on log length that a fish can have; outside them the fish at hand don't
/// tell, and mass goes with the cube of length.
const SLOPES: std::ops::RangeInclusive<f64> = 2.5..=3.6;

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

/// Where the masses of a species lie: `ln mass = intercept + slope · ln length`, give or take.
struct Band {
    slope: f64,
    intercept: f64,
    half_width: f64,
    shortest_mm: f64,
    longest_mm: f64,
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
        let slope = told.filter(|s| SLOPES.contains(s)).unwrap_or(3.0);
        let residuals: Vec<f64> = fish
            .iter()
            .map(|f| f.log_mass - slope * f.log_length)
            .collect();
        let intercept = median(residuals.clone());
        let deviations = residuals.iter().map(|r| (r - intercept).abs()).collect();
        let sd = MAD_TO_SD * median(deviations);
        let tenth = by_length.len() / 10;
        let shortest = by_length.get(tenth)?;
        let longest = by_length.get(by_length.len() - 1 - tenth)?;
        Some(Self {
            slope,
            intercept,
            half_width: (DEVIATIONS * sd).max(libm::log(LEAST_FACTOR)),
            shortest_mm: shortest.length_mm / 2.0,
            longest_mm: longest.length_mm * 2.0,
        })
    }

    fn residual(&self, log_length: f64, log_mass: f64) -> f64 {
        log_mass - self.slope * log_length - self.intercept
    }

    fn fits(&self, length_mm: f64, mass_g: f64) -> bool {
        let residual = self.residual(libm::log(length_mm), libm::log(mass_g));
        residual.abs() <= self.half_width
    }

    fn odd(&self, species: &SpeciesName, fish: &Weighed) -> Option<Flag> {
        if self.residual(fish.log_length, fish.log_mass).abs() <= self.half_width {
            return None;
        }
        let expected = self.intercept + self.slope * fish.log_length;
        let low = two_digits(libm::exp(expected - self.half_width));
        let high = two_digits(libm::exp(expected + self.half_width));
        let slip = match self.slip(fish) {
            Some(slip) => format!("{slip} would fit: weigh it again, or correct the record"),
            None => "weigh and measure it again, or correct the record".to_owned(),
        };
        Some(flag(
            FlagKind::OddMass,
            vec![fish.record],
            format!(
                "{species} of {} mm at {} g: others of this length weigh {low} to {high} g; {slip}",
                plain(fish.length_mm),
                plain(fish.mass_g)
            ),
        ))
    }

    /// The slip of the pen that explains it best: a length in centimetres where the length itself
    /// is strange, else a decimal point, ounces, kilograms.
    fn slip(&self, fish: &Weighed) -> Option<String> {
        let strange = !(self.shortest_mm..=self.longest_mm).contains(&fish.length_mm);
        let lengths = [10.0, 0.1].map(|factor| fish.length_mm * factor);
        let length = lengths
            .into_iter()
            .find(|mm| strange && self.fits(*mm, fish.mass_g));
        if let Some(mm) = length {
            return Some(format!("{} mm", plain(mm)));
        }
        let slips = [
            (0.1, ""),
            (10.0, ""),
            (28.35, " (ounces?)"),
            (1_000.0, " (kilograms?)"),
        ];
        (slips.into_iter().chain([(0.01, ""), (100.0, "")]))
            .map(|(factor, unit)| (fish.mass_g * factor, unit))
            .find(|(g, _)| self.fits(fish.length_mm, *g))
            .map(|(g, unit)| format!("{} g{unit}", plain(g)))
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
