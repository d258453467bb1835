//! Any bytes, read as a question: every estimator's answer keeps the rules. Replays the committed corpus, then tries random bytes.
//!
//! Guided by coverage, for as long as one likes: see "Fuzzing" in DEVELOPERS.md.

mod rules;

use gravelbar_estimate::{BetaWeight, MOST_FISH_PER_PASS};
use rules::Input;

/// Reads a question from bytes, front to back; where they end, zeros follow. A corpus lives by this order: add new fields
/// at the end.
struct Bytes<'a>(&'a [u8]);

impl Bytes<'_> {
    fn byte(&mut self) -> u8 {
        let (&first, rest) = self.0.split_first().unwrap_or((&0, &[]));
        self.0 = rest;
        first
    }

    /// Evenly from 0 to 1.
    fn share(&mut self) -> f64 {
        f64::from(u16::from_le_bytes([self.byte(), self.byte()])) / f64::from(u16::MAX)
    }

    /// Between 10^-`decades` and 10^`decades`.
    fn scale(&mut self, decades: f64) -> f64 {
        10_f64.powf(decades * (2.0 * self.share() - 1.0))
    }

    /// A byte for the order of magnitude, the rest for the number: small numbers are as many as large ones.
    fn fish(&mut self) -> u32 {
        let bits = u32::from(self.byte() % 31);
        let whole = u32::from_le_bytes([0; 4].map(|_: u8| self.byte()));
        (whole & ((1 << bits) - 1)).min(MOST_FISH_PER_PASS)
    }

    fn input(&mut self) -> Input {
        let passes = 1 + self.byte() % 20;
        let weight = match self.byte() % 2 {
            0 => BetaWeight::FLAT,
            _ => BetaWeight::new(self.scale(3.0), self.scale(3.0)).unwrap_or(BetaWeight::FLAT),
        };
        let fewer = u32::from(self.byte() % 40);
        let catch: Vec<u32> = (0..passes).map(|_| self.fish()).collect();
        Input {
            weight,
            fewer,
            target: self.share(),
            level: self.share(),
            marks: [0; 3].map(|_: u32| self.fish()),
            effort: catch.iter().map(|_| 500.0 * self.scale(2.0)).collect(),
            chances: catch.iter().map(|_| self.share()).collect(),
            catch,
        }
    }
}

#[test]
fn any_bytes_keep_every_rule() {
    bolero::check!()
        .with_iterations(500)
        .with_max_len(256)
        .for_each(|bytes: &[u8]| {
            let input = Bytes(bytes).input();
            if let Err(broken) = rules::keep_all(&input) {
                panic!("{broken}: {input:?}");
            }
        });
}
