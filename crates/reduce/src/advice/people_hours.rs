//! How long the crew has been at it: hours and people-hours since work in the water began.

use chrono::{DateTime, FixedOffset};

use super::Bank;
use crate::figure::counted;
use crate::moment::hour;

/// Hours since the first pass was opened, added up over the people.
pub(super) struct PeopleHours {
    pub(super) people: usize,
    /// Of whoever is at it longest.
    pub(super) longest_h: f64,
    pub(super) together_h: f64,
    as_of: DateTime<FixedOffset>,
}

impl PeopleHours {
    /// For everyone who hasn't left, from when they came on the crew or the first pass was opened, whichever was
    /// later. There is no clock here: hours run to the newest record whose clock can be held against the opening, so
    /// they are the fewest it can be. `None` before the first pass, and where no clock tells.
    pub(super) fn of(bank: &Bank<'_>) -> Option<Self> {
        let opened = bank.view.passes.iter().flat_map(|pass| &pass.opened);
        let first =
            (opened.filter(|o| !o.voided).map(|o| &o.stamp)).min_by_key(|s| (s.corrected, s.id))?;
        let (all_min, as_of) = bank.since(first)?;
        let present: Vec<f64> = (bank.view.people.iter())
            .filter(|person| !person.left)
            .map(|person| {
                let taken = (bank.view.role_changes.iter())
                    .filter(|change| change.taken && change.person == person.name);
                let came = taken.map(|c| &c.stamp).min_by_key(|s| (s.corrected, s.id));
                let own_min = came.and_then(|stamp| bank.since(stamp)).map(|(min, _)| min);
                own_min.map_or(all_min, |own_min| own_min.clamp(0.0, all_min)) / 60.0
            })
            .collect();
        Some(Self {
            people: present.len(),
            longest_h: all_min / 60.0,
            together_h: present.iter().sum(),
            as_of,
        })
        .filter(|hours| hours.people > 0 && hours.longest_h > 0.0)
    }

    pub(super) fn words(&self) -> String {
        format!(
            "{} for {:.1} h since the first pass was opened, {:.1} people-hours together, as of {}",
            counted(self.people as u64, "person", "people"),
            self.longest_h,
            self.together_h,
            hour(self.as_of)
        )
    }
}
