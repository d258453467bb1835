//! The device's clock, the only place that reads it.

use chrono::{DateTime, FixedOffset, Local, TimeDelta};

/// The system's clock, or one that is off by a fixed amount, as some devices' are.
#[derive(Debug, Clone, Copy, Default)]
pub struct Clock {
    ahead: TimeDelta,
}

impl Clock {
    /// The system's clock shown `ahead` of what it says.
    #[must_use]
    pub fn ahead_by(ahead: TimeDelta) -> Self {
        Self { ahead }
    }

    /// Now, in the device's time zone.
    #[must_use]
    pub fn now(self) -> DateTime<FixedOffset> {
        let now = Local::now().fixed_offset();
        now.checked_add_signed(self.ahead).unwrap_or(now)
    }
}
