//! Holds the intervals to how often they hold the truth: simulated reaches beside an independent simulation's table.

use gravelbar_estimate::{
    BetaWeight, Catch, Level, carle_strub, integer_ml, posterior, profile, zippin,
};

/// A small generator of our own (splitmix64), so that a run repeats to the fish.
struct Draws(u64);

impl Draws {
    fn chance(&mut self) -> f64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut bits = self.0;
        bits = (bits ^ (bits >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        bits = (bits ^ (bits >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        ((bits ^ (bits >> 31)) >> 11) as f64 / (1_u64 << 53) as f64
    }

    /// Catch of each pass when every fish left is taken with the chance `p`.
    fn fish(&mut self, n: u32, p: f64, passes: usize) -> Vec<u32> {
        let mut left = n;
        (0..passes)
            .map(|_| {
                let caught = (0..left).fold(0, |caught, _| caught + u32::from(self.chance() < p));
                left -= caught;
                caught
            })
            .collect()
    }
}

/// Fish, chance, passes; then as tabled (800 reaches a row, so good to about 0.01): share without a conditional
/// estimate, share without an upper limit, coverage of the 95 % profile and of the posterior interval; medians of
/// the whole-number, Carle-Strub and posterior-median estimates over the truth.
type Row = (u32, f64, usize, [f64; 4], [f64; 3]);

const ROWS: [Row; 5] = [
    (20, 0.5, 3, [0.01, 0.19, 0.93, 0.97], [0.95, 0.95, 1.05]),
    (50, 0.5, 2, [0.02, 0.33, 0.94, 0.97], [0.92, 0.90, 1.04]),
    (50, 0.3, 3, [0.06, 0.49, 0.93, 0.96], [0.88, 0.84, 1.02]),
    (100, 0.5, 3, [0.00, 0.00, 0.94, 0.95], [0.98, 0.98, 1.01]),
    (200, 0.3, 2, [0.04, 0.50, 0.95, 0.98], [0.92, 0.86, 1.05]),
];

#[test]
fn intervals_hold_the_truth_as_often_as_tabled() {
    const REACHES: u32 = 800;
    for (n_fish, p, passes, shares, medians) in ROWS {
        let mut draws = Draws(u64::from(n_fish) * 1000 + passes as u64);
        let truth = u64::from(n_fish);
        let mut counted = [0_u32; 4];
        let mut estimates: [Vec<f64>; 3] = [Vec::new(), Vec::new(), Vec::new()];
        for _ in 0..REACHES {
            let catch = Catch::new(&draws.fish(n_fish, p, passes)).unwrap();
            let interval = profile(&catch, Level::P95).unwrap();
            let belief = posterior(&catch, BetaWeight::FLAT).unwrap();
            counted[0] += u32::from(zippin(&catch).is_err());
            counted[1] += u32::from(interval.high.is_none());
            counted[2] +=
                u32::from(interval.low <= truth && interval.high.is_none_or(|high| truth <= high));
            counted[3] += u32::from(
                belief.low_95 <= truth && belief.high_95.is_none_or(|high| truth <= high),
            );
            let whole = integer_ml(&catch).map_or(f64::INFINITY, |best| best.n_fish as f64);
            estimates[0].push(whole);
            estimates[1].push(carle_strub(&catch, BetaWeight::FLAT).unwrap().n_fish as f64);
            estimates[2].push(belief.median as f64);
        }
        for (place, (counted, tabled)) in counted.into_iter().zip(shares).enumerate() {
            let share = f64::from(counted) / f64::from(REACHES);
            // Four standard errors of the difference of two such shares, and the rounding of the table.
            let within = 4.0
                * (2.0 * tabled.max(0.01) * (1.0 - tabled).max(0.01) / f64::from(REACHES)).sqrt()
                + 0.005;
            assert!(
                (share - tabled).abs() < within,
                "{n_fish} {p} {passes} share {place}: {share}, tabled {tabled}"
            );
        }
        for (place, (mut values, tabled)) in estimates.into_iter().zip(medians).enumerate() {
            values.sort_by(f64::total_cmp);
            let median = values[values.len() / 2] / f64::from(n_fish);
            // A median of 800 is good to about 0.02 here, and so is the table's.
            assert!(
                (median - tabled).abs() < 0.08,
                "{n_fish} {p} {passes} median {place}: {median}, tabled {tabled}"
            );
        }
    }
}
