//! What the device's holder must be told, each thing once.

use chrono::{DateTime, FixedOffset};

use crate::node::Notice;

/// The newest notices kept; older ones are in the store's records anyway.
const MOST: usize = 40;

#[derive(Default)]
pub(super) struct Notices {
    list: Vec<Notice>,
}

impl Notices {
    /// Keeps `words` unless they have been said. Whether they are new.
    pub(super) fn say(&mut self, at: DateTime<FixedOffset>, words: String) -> bool {
        if self.list.iter().any(|n| n.words == words) {
            return false;
        }
        self.list.push(Notice { at, words });
        if self.list.len() > MOST {
            self.list.remove(0);
        }
        true
    }

    pub(super) fn list(&self) -> Vec<Notice> {
        self.list.clone()
    }
}
