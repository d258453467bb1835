//! Throws seeded random input at every estimator, extremes included, and holds each answer to what must be true of all.
//!
//! `cargo run --release -p gravelbar-estimate --example torture [inputs [seed]]`: 200,000 inputs unless said otherwise.
//! The rules are `tests/rules`; `tests/fuzz.rs` is the same, guided by coverage.
//! Stops at the first input that breaks a rule and prints it; the same seed finds it again.

#![expect(clippy::print_stdout, reason = "it reports what it has tried")]

use gravelbar_estimate::{BetaWeight, MOST_FISH_PER_PASS};
use rules::Input;
use std::error::Error;
use std::panic::catch_unwind;

#[path = "../tests/rules/mod.rs"]
mod rules;

/// A small generator of our own (splitmix64), so that a run repeats.
struct Dice(u64);

impl Dice {
    fn bits(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut bits = self.0;
        bits = (bits ^ (bits >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        bits = (bits ^ (bits >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        bits ^ (bits >> 31)
    }

    /// Evenly between 0 and 1.
    fn share(&mut self) -> f64 {
        (self.bits() >> 11) as f64 / (1_u64 << 53) as f64
    }

    /// Evenly from 0 to below `end`.
    fn below(&mut self, end: u32) -> u32 {
        let share = self.bits() >> 32;
        u32::try_from((share * u64::from(end)) >> 32).unwrap_or(0)
    }

    /// Every order of magnitude as likely, up to `most`; sometimes none, sometimes all.
    fn fish(&mut self, most: u32) -> u32 {
        match self.below(12) {
            0 | 1 => 0,
            2 => most,
            3 => most - self.below(3).min(most),
            _ => (self.bits() >> 32)
                .checked_shr(self.below(33))
                .and_then(|fish| u32::try_from(fish).ok())
                .map_or(0, |fish| fish.min(most)),
        }
    }

    /// Between 10^-`decades` and 10^`decades`, every order of magnitude as likely.
    fn scale(&mut self, decades: f64) -> f64 {
        10_f64.powf(decades * (2.0 * self.share() - 1.0))
    }

    fn catch(&mut self) -> Vec<u32> {
        let passes = match self.below(4) {
            0 => 1 + self.below(20),
            _ => 1 + self.below(6),
        };
        let most = match self.below(4) {
            0 => MOST_FISH_PER_PASS,
            1 => 1_000_000,
            2 => 2_000,
            _ => 60,
        };
        let first = self.fish(most);
        let kept = self.share();
        let shape = self.below(6);
        let mut last = first;
        (0..passes)
            .map(|pass| {
                let next = match (shape, pass) {
                    (_, 0) => first,
                    // Nearly or quite level.
                    (0, _) => last - self.below(3).min(last),
                    (1, _) => first,
                    // All on the first pass, or all but one fish.
                    (2, _) => self.below(2).min(u32::from(self.below(8) == 0)),
                    // A steady fall, as in a stream.
                    (3, _) => (0..32).fold(0, |fish, bit| {
                        fish + u32::from(self.share() < kept)
                            * ((last >> bit) & 1)
                            * (1 << bit.min(30))
                    }),
                    _ => self.fish(most),
                };
                last = next.min(most);
                last
            })
            .collect()
    }

    fn weight(&mut self) -> BetaWeight {
        if self.below(2) == 0 {
            return BetaWeight::FLAT;
        }
        BetaWeight::new(self.scale(3.0), self.scale(3.0)).unwrap_or(BetaWeight::FLAT)
    }
}

fn draw(dice: &mut Dice) -> Input {
    let catch = dice.catch();
    let effort = catch.iter().map(|_| 500.0 * dice.scale(2.0)).collect();
    let second = dice.fish(MOST_FISH_PER_PASS);
    let marked = dice.fish(MOST_FISH_PER_PASS);
    Input {
        effort,
        weight: dice.weight(),
        target: dice.share(),
        fewer: dice.below(40),
        marks: [marked, second, dice.fish(marked.min(second))],
        chances: catch.iter().map(|_| dice.share()).collect(),
        level: dice.share(),
        catch,
    }
}

fn main() -> Result<(), Box<dyn Error>> {
    let mut words = std::env::args().skip(1);
    let inputs: u64 = words.next().map_or(Ok(200_000), |word| word.parse())?;
    let seed: u64 = words.next().map_or(Ok(1), |word| word.parse())?;
    let mut dice = Dice(seed);
    let mut largest = 0;
    for number in 0..inputs {
        let input = draw(&mut dice);
        largest = largest.max(input.catch.iter().copied().max().unwrap_or(0));
        let kept = catch_unwind(|| rules::keep_all(&input));
        match kept {
            Ok(Ok(())) => {}
            Ok(Err(broken)) => return Err(format!("input {number}: {broken}: {input:?}").into()),
            Err(_) => return Err(format!("input {number} panics: {input:?}").into()),
        }
    }
    println!("{inputs} inputs, seed {seed}, up to {largest} fish a pass: every rule held");
    Ok(())
}
