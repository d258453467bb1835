//! Owns the search for a turning point among whole numbers without walking through them all.

/// Largest number of fish looked at. No reach holds it; past it a limit is as good as infinite.
pub const MOST_FISH: u64 = 1_000_000_000_000_000;

/// Smallest `n >= start` at which `before` no longer holds, or `None` if it still holds at [`MOST_FISH`].
///
/// `before` must hold up to some number and fail from there on: then doubling the stride brackets the
/// number and halving finds it, in about twice as many steps as the answer has binary digits.
pub(crate) fn turning_point(start: u64, before: impl Fn(u64) -> bool) -> Option<u64> {
    if !before(start) {
        return Some(start);
    }
    let mut holds = start;
    let mut stride = 1;
    let fails = loop {
        let next = holds.saturating_add(stride).min(MOST_FISH);
        if !before(next) {
            break next;
        }
        if next >= MOST_FISH {
            return None;
        }
        holds = next;
        stride *= 2;
    };
    Some(halve(holds, fails, before))
}

/// Smallest `n` of `start..=end` at which `before` no longer holds, where it is known not to hold at `end`.
///
/// For a question that turns back further on: whether a number lies below an interval, asked past its top.
pub(crate) fn turning_point_between(start: u64, end: u64, before: impl Fn(u64) -> bool) -> u64 {
    if before(start) {
        halve(start, end, before)
    } else {
        start
    }
}

/// As [`turning_point`], looked for around a guess: the fewer steps, the better the guess. `None` where `before` still
/// holds at `end`.
pub(crate) fn turning_point_near(
    start: u64,
    guess: u64,
    end: u64,
    before: impl Fn(u64) -> bool,
) -> Option<u64> {
    let guess = guess.clamp(start, end);
    let mut stride = 1;
    if before(guess) {
        let mut holds = guess;
        loop {
            if holds >= end {
                return None;
            }
            let next = holds.saturating_add(stride).min(end);
            if !before(next) {
                return Some(halve(holds, next, before));
            }
            holds = next;
            stride *= 2;
        }
    }
    let mut fails = guess;
    while fails > start {
        let next = fails.saturating_sub(stride).max(start);
        if before(next) {
            return Some(halve(next, fails, before));
        }
        fails = next;
        stride *= 2;
    }
    Some(start)
}

/// Smallest number at which `before` fails, where it holds at one and fails at the other.
fn halve(mut holds: u64, mut fails: u64, before: impl Fn(u64) -> bool) -> u64 {
    while fails > holds + 1 {
        let middle = holds + (fails - holds) / 2;
        if before(middle) {
            holds = middle;
        } else {
            fails = middle;
        }
    }
    fails
}

/// Whole part of a number of fish that isn't below zero.
pub(crate) fn whole(fish: f64) -> u64 {
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "clamped to what is looked at"
    )]
    let whole = fish.clamp(0.0, MOST_FISH as f64) as u64;
    whole
}

/// Where between `low` and `high` the answer of `before` turns from yes to no, to the last bit.
///
/// `before` must hold near `low` and fail near `high`. Halves until no number lies between the two.
pub(crate) fn crossing(mut low: f64, mut high: f64, before: impl Fn(f64) -> bool) -> f64 {
    loop {
        let middle = 0.5 * (low + high);
        if middle <= low || middle >= high {
            return high;
        }
        if before(middle) {
            low = middle;
        } else {
            high = middle;
        }
    }
}

/// Where between `low` and `high` a function falls through zero, to the last bits: Newton's steps, halving where one
/// would leave the bracket.
///
/// `falling` gives the value, above zero near `low` and below it near `high`, and the slope; the slope only sets the
/// pace and may be rough.
pub(crate) fn root(
    mut low: f64,
    mut high: f64,
    guess: f64,
    falling: impl Fn(f64) -> (f64, f64),
) -> f64 {
    let mut here = if guess > low && guess < high {
        guess
    } else {
        0.5 * (low + high)
    };
    // Newton's steps must halve each time, or the bracket is halved instead: some ninety steps at the worst, a handful
    // with a good slope.
    let mut moved = high - low;
    for _ in 0..400 {
        let (value, slope) = falling(here);
        if value > 0.0 {
            low = here;
        } else {
            high = here;
        }
        let newton = here - value / slope;
        let good = newton > low && newton < high && (newton - here).abs() <= 0.5 * moved;
        let next = if good { newton } else { 0.5 * (low + high) };
        moved = (next - here).abs();
        here = next;
        if moved <= 4.0 * f64::EPSILON * here.abs() {
            break;
        }
    }
    here
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn finds_every_turning_point_from_every_start(start in 0_u64..1_000_000, further in 0_u64..1_000_000_000_000) {
            let turn = start + further;
            prop_assert_eq!(turning_point(start, |n| n < turn), Some(turn));
        }
    }

    proptest! {
        #[test]
        fn finds_every_turning_point_from_every_guess(start in 0_u64..1_000_000, further in 0_u64..1_000_000_000_000, guess in 0_u64..1_000_000_000_000) {
            let turn = start + further;
            for guess in [guess, turn.saturating_sub(guess % 1000), turn + guess % 1000] {
                prop_assert_eq!(turning_point_near(start, guess, MOST_FISH, |n| n < turn), Some(turn));
                prop_assert_eq!(turning_point_near(start, guess, turn, |n| n < turn), Some(turn));
                prop_assert_eq!(turning_point_near(start, guess, turn, |n| n <= turn), None);
            }
        }

        /// With the true slope, with a rough one and with a useless one.
        #[test]
        fn finds_every_root_whatever_the_slope(root_at in 1e-9_f64..60.0, guess in 0.0_f64..64.0, rough in 0.3_f64..3.0) {
            for slope in [1.0, rough, 0.0] {
                let here = root(0.0, 64.0, guess, |x| (root_at.ln() - x.ln(), -slope / x));
                prop_assert!((here / root_at - 1.0).abs() < 1e-14, "{} {}", here, root_at);
            }
        }
    }

    #[test]
    fn a_rise_without_end_is_told_apart() {
        assert_eq!(turning_point(7, |_| true), None);
    }
}
