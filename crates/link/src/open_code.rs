//! The one code that may be open, and the tries it has left.
//!
//! Why no more than three wrong tries are ever answered, on however many connections at once: every
//! check of a confirmation is made inside the lock of the open code, as long as that very code is
//! open, and the same locked step takes the try away or, with the last or the right one,
//! the code. A run begun with a code that has ended, or has made room for the next, isn't checked at all.

use std::sync::atomic::{AtomicU64, Ordering};
use std::time::Duration;

use tokio::sync::watch;
use tokio::time::Instant;

use crate::code::Code;

/// Wrong tries after which the code ends.
const TRIES: u8 = 3;

/// No code is open longer.
pub(crate) const LONGEST: Duration = Duration::from_secs(120);

/// A code that is open.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Open {
    pub(crate) code: Code,
    pub(crate) document: Option<[u8; 16]>,
    pub(crate) serial: u64,
    pub(crate) tries_left: u8,
    /// By the device's monotonic clock.
    pub(crate) until: Instant,
}

/// What became of a try.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Tried {
    /// The code was right, and has ended: it is good for one device.
    Right(Option<[u8; 16]>),
    /// It was wrong.
    Wrong,
    /// It is no longer open, so nothing was looked at.
    Ended,
}

/// The open code, if one is.
#[derive(Debug)]
pub(crate) struct OpenCode {
    open: watch::Sender<Option<Open>>,
    serials: AtomicU64,
    wrong: AtomicU64,
}

impl Default for OpenCode {
    fn default() -> Self {
        Self {
            open: watch::Sender::new(None),
            serials: AtomicU64::new(0),
            wrong: AtomicU64::new(0),
        }
    }
}

impl OpenCode {
    pub(crate) fn now(&self) -> Option<Open> {
        self.open
            .borrow()
            .filter(|open| Instant::now() < open.until)
    }

    /// Opens a code; one that was open before ends. Its serial number.
    pub(crate) fn begin(&self, code: Code, document: Option<[u8; 16]>, lifetime: Duration) -> u64 {
        let serial = self.serials.fetch_add(1, Ordering::Relaxed);
        self.open.send_replace(Some(Open {
            code,
            document,
            serial,
            tries_left: TRIES,
            until: Instant::now() + lifetime.min(LONGEST),
        }));
        serial
    }

    /// Ends a code. Whether it was open.
    pub(crate) fn end(&self, serial: u64) -> bool {
        self.open.send_if_modified(|open| {
            let it_is = open.is_some_and(|open| open.serial == serial);
            if it_is {
                *open = None;
            }
            it_is
        })
    }

    /// Takes one try at a code; `is_right` is asked inside the lock, at most once.
    pub(crate) fn attempt(&self, serial: u64, is_right: impl FnOnce() -> bool) -> Tried {
        let mut tried = Tried::Ended;
        self.open.send_if_modified(|open| {
            let in_time = |open: &Open| open.serial == serial && Instant::now() < open.until;
            let Some(mut now) = open.filter(in_time) else {
                return false;
            };
            if is_right() {
                tried = Tried::Right(now.document);
                *open = None;
            } else {
                tried = Tried::Wrong;
                now.tries_left = now.tries_left.saturating_sub(1);
                *open = Some(now).filter(|now| now.tries_left > 0);
            }
            true
        });
        if tried == Tried::Wrong {
            self.wrong.fetch_add(1, Ordering::Relaxed);
        }
        tried
    }

    /// How many wrong tries there have been in all.
    pub(crate) fn wrong(&self) -> u64 {
        self.wrong.load(Ordering::Relaxed)
    }

    /// Tells of every change.
    pub(crate) fn changes(&self) -> watch::Receiver<Option<Open>> {
        self.open.subscribe()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::sync::atomic::{AtomicU32, Ordering};

    fn code() -> Code {
        "123456".parse().unwrap()
    }

    #[test]
    fn three_wrong_tries_end_a_code_and_a_right_one_uses_it_up() {
        let open = OpenCode::default();
        let serial = open.begin(code(), Some([7; 16]), LONGEST);
        for left in [2, 1] {
            assert_eq!(open.attempt(serial, || false), Tried::Wrong);
            assert_eq!(open.now().map(|o| o.tries_left), Some(left));
        }
        assert_eq!(open.attempt(serial, || false), Tried::Wrong);
        assert_eq!(open.attempt(serial, || true), Tried::Ended);
        let serial = open.begin(code(), Some([7; 16]), LONGEST);
        assert_eq!(open.attempt(serial, || true), Tried::Right(Some([7; 16])));
        assert_eq!(open.attempt(serial, || true), Tried::Ended);
        assert_eq!(open.wrong(), 3);
    }

    #[test]
    fn a_run_of_an_earlier_code_is_no_try_at_the_next() {
        let open = OpenCode::default();
        let first = open.begin(code(), None, LONGEST);
        let second = open.begin(code(), None, LONGEST);
        assert_eq!(open.attempt(first, || true), Tried::Ended);
        assert!(!open.end(first));
        assert_eq!(open.now().map(|o| o.tries_left), Some(3));
        assert!(open.end(second));
        assert!(open.now().is_none());
    }

    #[test]
    fn a_code_whose_time_is_over_is_not_looked_at() {
        let open = OpenCode::default();
        let serial = open.begin(code(), None, Duration::ZERO);
        assert!(open.now().is_none());
        assert_eq!(open.attempt(serial, || true), Tried::Ended);
    }

    /// However many try at once, at most three get a look at a wrong code, and one at a right one.
    #[test]
    fn parallel_tries_get_three_looks_and_no_more() {
        for right in [false, true] {
            for _ in 0..50 {
                let open = OpenCode::default();
                let serial = open.begin(code(), None, LONGEST);
                let looks = AtomicU32::new(0);
                std::thread::scope(|scope| {
                    for _ in 0..16 {
                        scope.spawn(|| {
                            open.attempt(serial, || {
                                looks.fetch_add(1, Ordering::SeqCst);
                                right
                            })
                        });
                    }
                });
                let expected = if right { 1 } else { 3 };
                assert_eq!(looks.load(Ordering::SeqCst), expected);
                assert!(open.now().is_none());
            }
        }
    }
}
