//! Owns the spread of lengths in a catch: length bins and the proportions of large fish.

use crate::NORMAL_95;
use crate::significant::figure;
use serde::Serialize;
use thiserror::Error;

/// Longest fish a length frequency takes, in millimetres.
pub const LONGEST_FISH_MM: u32 = 5_000;

/// Why lengths can't be arranged.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Error)]
pub enum SizeError {
    /// A bin without width.
    #[error("the width of a length bin must be at least 1 mm")]
    NoWidth,
    /// A length no fish of these waters has.
    #[error(
        "fish {fish} has a length of {length_mm} mm and at most {LONGEST_FISH_MM} can be used; check the unit"
    )]
    TooLong {
        /// Position of the fish in the list, from 1.
        fish: usize,
        /// Its length.
        length_mm: u32,
    },
    /// Class limits out of order.
    #[error("length classes must rise from stock to trophy")]
    ClassesOutOfOrder,
    /// No fish of stock length.
    #[error("no fish reached stock length, so there is no proportion to give")]
    NoStock,
}

/// Width of length bins in common use: 5 mm for fish under 100 mm, 10 mm above.
///
/// # Source
/// Common practice, no source.
#[must_use]
pub fn usual_bin_mm(longest_mm: u32) -> u32 {
    if longest_mm < 100 { 5 } else { 10 }
}

/// One length bin, from `from_mm` up to but not including `from_mm` plus the width.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub struct LengthBin {
    /// Lower end, the label of the bin.
    pub from_mm: u32,
    /// Fish in it.
    pub fish: u32,
}

/// Counts fish by length bin, from the shortest to the longest without gaps.
///
/// ```
/// use gravelbar_estimate::{LengthBin, length_frequency};
///
/// let bins = length_frequency(&[62, 64, 69, 71], 5)?;
/// assert_eq!(bins.first(), Some(&LengthBin { from_mm: 60, fish: 2 }));
/// assert_eq!(bins.len(), 3);
/// # Ok::<(), gravelbar_estimate::SizeError>(())
/// ```
///
/// # Errors
/// A bin without width; a length past [`LONGEST_FISH_MM`].
///
/// # Source
/// Lower end as label, upper end open (common practice, no source). State total, fork or standard length beside it.
pub fn length_frequency(lengths_mm: &[u32], width_mm: u32) -> Result<Vec<LengthBin>, SizeError> {
    if width_mm == 0 {
        return Err(SizeError::NoWidth);
    }
    if let Some((fish, &length_mm)) = (1..)
        .zip(lengths_mm)
        .find(|(_, length)| **length > LONGEST_FISH_MM)
    {
        return Err(SizeError::TooLong { fish, length_mm });
    }
    let (Some(&shortest), Some(&longest)) = (lengths_mm.iter().min(), lengths_mm.iter().max())
    else {
        return Ok(Vec::new());
    };
    let first = shortest / width_mm;
    let mut bins: Vec<LengthBin> = (first..=longest / width_mm)
        .map(|bin| LengthBin {
            from_mm: bin * width_mm,
            fish: 0,
        })
        .collect();
    for length in lengths_mm {
        let place = usize::try_from(length / width_mm - first).unwrap_or(usize::MAX);
        if let Some(bin) = bins.get_mut(place) {
            bin.fish += 1;
        }
    }
    Ok(bins)
}

/// Lengths at which fish of a species count as stock, quality and larger.
///
/// Use each published length in its own unit: a length converted and rounded again is another length.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct SizeClasses {
    limits_mm: [Option<u32>; 5],
}

impl SizeClasses {
    /// Brown trout in lakes: 200, 300, 400, 500, 600 mm (Hyatt and Hubert 2001, abstract).
    pub const BROWN_TROUT_LAKES: Self = Self {
        limits_mm: [Some(200), Some(300), Some(400), Some(500), Some(600)],
    };
    /// Suwannee bass: 150, 250, 300, 350, 400 mm (North American Journal of Fisheries Management 30:983-988, abstract).
    pub const SUWANNEE_BASS: Self = Self {
        limits_mm: [Some(150), Some(250), Some(300), Some(350), Some(400)],
    };
    /// Largemouth bass: stock 200 mm, quality 300 mm (Willis, Murphy and Guy 1993).
    pub const LARGEMOUTH_BASS: Self = Self {
        limits_mm: [Some(200), Some(300), None, None, None],
    };

    /// Lengths for stock, quality, preferred, memorable and trophy fish; the larger ones may be left out.
    ///
    /// # Errors
    /// Lengths that don't rise.
    pub fn new(
        stock_mm: u32,
        quality_mm: u32,
        larger_mm: [Option<u32>; 3],
    ) -> Result<Self, SizeError> {
        let [preferred, memorable, trophy] = larger_mm;
        let limits_mm = [
            Some(stock_mm),
            Some(quality_mm),
            preferred,
            memorable,
            trophy,
        ];
        let given: Vec<u32> = limits_mm.into_iter().flatten().collect();
        let rise = given
            .windows(2)
            .all(|pair| matches!(pair, [below, above] if below < above));
        if rise {
            Ok(Self { limits_mm })
        } else {
            Err(SizeError::ClassesOutOfOrder)
        }
    }
}

/// A proportion in percent, with Wilson's 95 % limits.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Proportion {
    /// Percent.
    #[serde(serialize_with = "figure")]
    pub percent: f64,
    /// Lower limit.
    #[serde(serialize_with = "figure")]
    pub low_95_percent: f64,
    /// Upper limit.
    #[serde(serialize_with = "figure")]
    pub high_95_percent: f64,
}

impl Proportion {
    /// `part` of `whole`; `None` for a whole of none.
    ///
    /// # Source
    /// Wilson 1927 score interval.
    #[must_use]
    pub fn of(part: u32, whole: u32) -> Option<Self> {
        if whole == 0 || part > whole {
            return None;
        }
        let (n, share) = (f64::from(whole), f64::from(part) / f64::from(whole));
        let z2 = NORMAL_95 * NORMAL_95;
        let centre = (share + z2 / (2.0 * n)) / (1.0 + z2 / n);
        let half =
            NORMAL_95 / (1.0 + z2 / n) * libm::sqrt(share * (1.0 - share) / n + z2 / (4.0 * n * n));
        Some(Self {
            percent: 100.0 * share,
            low_95_percent: (100.0 * (centre - half)).max(0.0),
            high_95_percent: (100.0 * (centre + half)).min(100.0),
        })
    }
}

/// Proportional size distribution of a catch.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct SizeDistribution {
    /// Fish of stock length or more.
    pub stock_fish: u32,
    /// Of those, of quality length or more (PSD).
    pub quality: Proportion,
    /// Of preferred length or more; `None` where the species has no such length.
    pub preferred: Option<Proportion>,
    /// Of memorable length or more.
    pub memorable: Option<Proportion>,
    /// Of trophy length or more.
    pub trophy: Option<Proportion>,
}

/// `PSD = 100 (fish >= quality) / (fish >= stock)`, and the same for preferred, memorable and trophy lengths.
///
/// Of fish measured without choice: if only large fish were measured, this is not a proportion of the stock.
///
/// ```
/// use gravelbar_estimate::{SizeClasses, size_distribution};
///
/// let bass = size_distribution(&[180, 220, 250, 310, 340], &SizeClasses::LARGEMOUTH_BASS)?;
/// assert_eq!((bass.stock_fish, bass.quality.percent), (4, 50.0));
/// # Ok::<(), gravelbar_estimate::SizeError>(())
/// ```
///
/// # Errors
/// No fish of stock length.
///
/// # Source
/// Gabelhouse's five-cell model as in Willis, Murphy and Guy 1993.
pub fn size_distribution(
    lengths_mm: &[u32],
    classes: &SizeClasses,
) -> Result<SizeDistribution, SizeError> {
    let from = |limit: u32| {
        lengths_mm
            .iter()
            .filter(|length| **length >= limit)
            .fold(0_u32, |fish, _| fish + 1)
    };
    let [stock, quality, preferred, memorable, trophy] = classes.limits_mm;
    let stock_fish = stock.map_or(0, from);
    let share =
        |limit: Option<u32>| limit.and_then(|limit| Proportion::of(from(limit), stock_fish));
    Ok(SizeDistribution {
        stock_fish,
        quality: share(quality).ok_or(SizeError::NoStock)?,
        preferred: share(preferred),
        memorable: share(memorable),
        trophy: share(trophy),
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn every_fish_is_in_one_bin_that_holds_it(lengths in prop::collection::vec(0_u32..=LONGEST_FISH_MM, 0..200), width in 1_u32..60) {
            let bins = length_frequency(&lengths, width).unwrap();
            prop_assert_eq!(bins.iter().map(|bin| bin.fish).sum::<u32>() as usize, lengths.len());
            for bin in &bins {
                let inside = lengths.iter().filter(|length| (bin.from_mm..bin.from_mm + width).contains(length)).count();
                prop_assert_eq!(inside, bin.fish as usize);
            }
            prop_assert!(bins.windows(2).all(|pair| pair[0].from_mm + width == pair[1].from_mm));
        }

        #[test]
        fn limits_hold_their_proportion_and_stay_within_bounds(part in 0_u32..500, more in 0_u32..500) {
            if let Some(share) = Proportion::of(part, part + more) {
                prop_assert!(share.low_95_percent <= share.percent + 1e-9 && share.percent <= share.high_95_percent + 1e-9);
                prop_assert!(share.low_95_percent >= 0.0 && share.high_95_percent <= 100.0);
                // Turned round, the limits change places.
                let other = Proportion::of(more, part + more).unwrap();
                prop_assert!((other.low_95_percent + share.high_95_percent - 100.0).abs() < 1e-9);
            }
        }
    }

    /// Wilson's equation itself: the limits solve `(share - limit)^2 = z^2 limit (1 - limit) / n`.
    #[test]
    fn wilsons_limits_solve_wilsons_equation() {
        let share = Proportion::of(30, 80).unwrap();
        for limit in [share.low_95_percent, share.high_95_percent] {
            let limit = limit / 100.0;
            let left = (30.0 / 80.0 - limit) * (30.0 / 80.0 - limit);
            assert!((left - 1.96 * 1.96 * limit * (1.0 - limit) / 80.0).abs() < 1e-12);
        }
    }

    #[test]
    fn lengths_and_classes_that_cannot_be_are_turned_away() {
        assert_eq!(length_frequency(&[60], 0), Err(SizeError::NoWidth));
        assert_eq!(
            length_frequency(&[60, 171_000], 5),
            Err(SizeError::TooLong {
                fish: 2,
                length_mm: 171_000
            })
        );
        assert_eq!(
            SizeClasses::new(200, 200, [None; 3]),
            Err(SizeError::ClassesOutOfOrder)
        );
        assert_eq!(
            SizeClasses::new(200, 300, [None, Some(250), None]),
            Err(SizeError::ClassesOutOfOrder)
        );
        assert_eq!(
            size_distribution(&[60], &SizeClasses::LARGEMOUTH_BASS),
            Err(SizeError::NoStock)
        );
    }
}
