//! Measures how far the peer's clock is from ours.
//!
//! As in NTP (RFC 5905 section 8): we ask at `t0`, the peer receives at `t1` and answers at `t2`,
//! the answer is here at `t3`; `t0` and `t3` by our clock, the others by the peer's.
//!
//! - offset = ((t1 − t0) + (t2 − t3)) / 2: **the peer's clock minus ours**. Positive: the peer's is
//!   ahead; *subtract* it from a time the peer wrote to read it by our clock.
//! - round trip = (t3 − t0) − (t2 − t1). However unevenly it was spread over there and back, the
//!   true offset lies within half of it: that half, rounded up, is the uncertainty.
//!
//! A few asks are made at the greeting and again every ten minutes, since a clock may be set during
//! the day; of each round the answer with the shortest round trip counts.

/// Asks in one round.
const ASKS: u32 = 5;
/// Between the asks of a round.
const BETWEEN_ASKS_MS: i64 = 400;
/// Between the starts of rounds.
const BETWEEN_ROUNDS_MS: i64 = 600_000;
/// A round trip this long tells nothing worth keeping.
const LONGEST_TRIP_MS: i128 = 60_000;

/// How far the peer's clock is ahead, and by how much this may be wrong.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Offset {
    pub(crate) offset_ms: i64,
    pub(crate) uncertainty_ms: i64,
}

/// The asking side.
#[derive(Debug)]
pub(crate) struct Clock {
    next_ask_ms: i64,
    asked_in_round: u32,
    asks: u64,
    /// The ask without an answer and when it was made. A new ask takes its place.
    waiting: Option<(u64, i64)>,
    best_trip_ms: Option<i128>,
    last_now_ms: i64,
}

impl Clock {
    pub(crate) fn new(now_ms: i64) -> Self {
        Self {
            next_ask_ms: now_ms,
            asked_in_round: 0,
            asks: 0,
            waiting: None,
            best_trip_ms: None,
            last_now_ms: now_ms,
        }
    }

    /// When the next ask is due.
    pub(crate) fn due_ms(&self) -> i64 {
        self.next_ask_ms
    }

    /// The number of the ask to make now, if one is due.
    pub(crate) fn ask(&mut self, now_ms: i64) -> Option<u64> {
        self.notice(now_ms);
        if now_ms < self.next_ask_ms {
            return None;
        }
        if self.asked_in_round == 0 {
            self.best_trip_ms = None;
        }
        self.asked_in_round += 1;
        self.next_ask_ms = if self.asked_in_round < ASKS {
            now_ms.saturating_add(BETWEEN_ASKS_MS)
        } else {
            self.asked_in_round = 0;
            now_ms.saturating_add(BETWEEN_ROUNDS_MS)
        };
        self.asks += 1;
        self.waiting = Some((self.asks, now_ms));
        Some(self.asks)
    }

    /// Takes the answer to `ask`; returns a measurement if it is the best of its round.
    pub(crate) fn answer(
        &mut self,
        now_ms: i64,
        ask: u64,
        received_ms: i64,
        sent_ms: i64,
    ) -> Option<Offset> {
        self.notice(now_ms);
        let (waiting, asked_ms) = self.waiting?;
        if waiting != ask {
            return None;
        }
        self.waiting = None;
        // The peer's two times are whatever it likes to say: wide arithmetic can't overflow on them.
        let (t0, t1) = (i128::from(asked_ms), i128::from(received_ms));
        let (t2, t3) = (i128::from(sent_ms), i128::from(now_ms));
        let trip = (t3 - t0) - (t2 - t1);
        if !(0..=LONGEST_TRIP_MS).contains(&trip) || self.best_trip_ms.is_some_and(|b| b <= trip) {
            return None;
        }
        self.best_trip_ms = Some(trip);
        Some(Offset {
            offset_ms: i64::try_from(((t1 - t0) + (t2 - t3)).div_euclid(2)).ok()?,
            uncertainty_ms: i64::try_from((trip + 1) / 2).ok()?,
        })
    }

    /// Our own clock was set back: what hangs on it starts over.
    fn notice(&mut self, now_ms: i64) {
        if now_ms < self.last_now_ms {
            self.next_ask_ms = now_ms;
            self.asked_in_round = 0;
            self.waiting = None;
        }
        self.last_now_ms = now_ms;
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn a_peer_five_seconds_ahead_over_an_even_road_is_measured_exactly() {
        // Asked at 1,000 by us; 20 ms away; answered after 3 ms; the peer is 5,000 ms ahead.
        let mut clock = Clock::new(1_000);
        let ask = clock.ask(1_000).expect("due at once");
        let offset = clock
            .answer(1_043, ask, 6_020, 6_023)
            .expect("first answer");
        assert_eq!(offset.offset_ms, 5_000);
        assert_eq!(offset.uncertainty_ms, 20);
    }

    #[test]
    fn only_a_shorter_trip_replaces_a_measurement() {
        let mut clock = Clock::new(0);
        let ask = clock.ask(0).expect("due");
        assert!(clock.answer(100, ask, 50, 50).is_some());
        let ask = clock.ask(1_000).expect("due");
        assert_eq!(clock.answer(1_200, ask, 1_100, 1_100), None);
        let ask = clock.ask(2_000).expect("due");
        let better = clock
            .answer(2_010, ask, 2_005, 2_005)
            .expect("shorter trip");
        assert_eq!(better.uncertainty_ms, 5);
    }

    #[test]
    fn a_round_ends_and_another_follows_ten_minutes_later() {
        let mut clock = Clock::new(0);
        let mut made_ms = Vec::new();
        for _ in 0..6 {
            let at = clock.due_ms();
            assert!(clock.ask(at).is_some());
            made_ms.push(at);
        }
        assert_eq!(made_ms, [0, 400, 800, 1_200, 1_600, 601_600]);
    }

    #[test]
    fn a_clock_set_back_ten_years_is_asked_with_again_at_once() {
        let mut clock = Clock::new(1_800_000_000_000);
        assert!(clock.ask(1_800_000_000_000).is_some());
        let earlier_ms = 1_500_000_000_000;
        assert!(clock.ask(earlier_ms).is_some());
        assert_eq!(clock.due_ms(), earlier_ms + BETWEEN_ASKS_MS);
    }

    #[test]
    fn an_answer_to_nothing_is_nothing() {
        let mut clock = Clock::new(0);
        assert_eq!(clock.answer(5, 1, 0, 0), None);
        let ask = clock.ask(0).expect("due");
        assert_eq!(clock.answer(5, ask + 1, 0, 0), None);
        assert!(clock.answer(5, ask, 3, 3).is_some());
        assert_eq!(clock.answer(5, ask, 3, 3), None);
    }

    proptest! {
        #[test]
        fn the_true_offset_is_always_within_the_uncertainty(
            ahead_ms in -400_000_000_000_i64..400_000_000_000,
            there_ms in 0_i64..20_000,
            thinking_ms in 0_i64..10_000,
            back_ms in 0_i64..20_000,
        ) {
            let start_ms = 1_750_000_000_000_i64;
            let mut clock = Clock::new(start_ms);
            let ask = clock.ask(start_ms).expect("due");
            let t1 = start_ms + there_ms + ahead_ms;
            let t2 = t1 + thinking_ms;
            let t3 = start_ms + there_ms + thinking_ms + back_ms;
            let measured = clock.answer(t3, ask, t1, t2).expect("a plausible trip");
            prop_assert!((measured.offset_ms - ahead_ms).abs() <= measured.uncertainty_ms);
        }

        #[test]
        fn no_times_overflow(now in any::<i64>(), then in any::<i64>(), t1 in any::<i64>(), t2 in any::<i64>()) {
            let mut clock = Clock::new(now);
            if let Some(ask) = clock.ask(now)
                && let Some(offset) = clock.answer(then, ask, t1, t2)
            {
                prop_assert!(offset.uncertainty_ms >= 0);
                prop_assert!(offset.uncertainty_ms <= 30_000);
            }
        }
    }
}
