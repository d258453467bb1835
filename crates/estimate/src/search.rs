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
    Some(turning_point_between(holds, fails, before))
}

/// Smallest `n` of `start..=end` at which `before` no longer holds, where it is known not to hold at `end`.
///
/// For a question that turns back further on: whether a number lies below an interval, asked past its top.
pub(crate) fn turning_point_between(start: u64, end: u64, before: impl Fn(u64) -> bool) -> u64 {
    if !before(start) {
        return start;
    }
    let (mut holds, mut fails) = (start, end);
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

    #[test]
    fn a_rise_without_end_is_told_apart() {
        assert_eq!(turning_point(7, |_| true), None);
    }
}
