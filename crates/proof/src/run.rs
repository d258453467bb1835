//! One run as this device knows it: the chain over the changes that are here, and what is signed beyond them.

use std::collections::BTreeMap;

use gravelbar_ledger::ChangeHash;

use crate::chain::Link;
use crate::head::{HEAD_EVERY, Head};
use crate::opening::Opening;

#[derive(Debug, Clone)]
pub(crate) struct Run {
    pub(crate) opening: Opening,
    /// The changes that are here, from number one without a gap.
    held: Vec<ChangeHash>,
    /// Signed hashes of the changes after those, which aren't here. By them a device that lets a run end
    /// between two heads can prove it to a third.
    ahead: Vec<ChangeHash>,
    /// The links at the multiples of [`HEAD_EVERY`], the opening's first.
    marks: Vec<Link>,
    /// The link after all that is held.
    link: Link,
    /// Signatures at numbers within `held` and `ahead`.
    pub(crate) heads: BTreeMap<u64, [u8; 64]>,
    /// The newest link that the device is known to have signed, perhaps beyond `ahead`.
    pub(crate) newest: Option<Head>,
}

impl Run {
    pub(crate) fn new(opening: Opening) -> Self {
        let origin = opening.origin();
        Self {
            opening,
            held: Vec::new(),
            ahead: Vec::new(),
            marks: vec![origin],
            link: origin,
            heads: BTreeMap::new(),
            newest: None,
        }
    }

    /// How many of its changes are here.
    pub(crate) fn here(&self) -> u64 {
        self.held.len() as u64
    }

    /// How many of its changes are known to exist.
    pub(crate) fn known(&self) -> u64 {
        let newest = self.newest.as_ref().map_or(0, Head::number);
        newest.max(self.here() + self.ahead.len() as u64)
    }

    pub(crate) fn link(&self) -> Link {
        self.link
    }

    pub(crate) fn ahead(&self) -> &[ChangeHash] {
        &self.ahead
    }

    /// The hash of change `number`, if it is here or signed.
    pub(crate) fn hash(&self, number: u64) -> Option<ChangeHash> {
        let place = usize::try_from(number.checked_sub(1)?).ok()?;
        let beyond = place.checked_sub(self.held.len());
        match beyond {
            None => self.held.get(place).copied(),
            Some(beyond) => self.ahead.get(beyond).copied(),
        }
    }

    /// The hashes of changes `first` to `last`; nothing if not all are known.
    pub(crate) fn hashes(&self, first: u64, last: u64) -> Option<Vec<ChangeHash>> {
        (first..=last).map(|number| self.hash(number)).collect()
    }

    /// The link at `number`, if all changes up to it are here or signed.
    pub(crate) fn link_at(&self, number: u64) -> Option<Link> {
        if number == self.here() {
            return Some(self.link);
        }
        let mark = usize::try_from(number / HEAD_EVERY).unwrap_or(usize::MAX);
        let (from, link) = match self.marks.get(mark) {
            Some(link) => (number - number % HEAD_EVERY, *link),
            None => (self.here(), self.link),
        };
        (from + 1..=number).try_fold(link, |link, n| Some(link.over(self.hash(n)?)))
    }

    /// Takes the next change. Its place among the signed ones ahead, if there are any, is given up.
    pub(crate) fn hold(&mut self, change: ChangeHash) {
        if self.ahead.first() == Some(&change) {
            self.ahead.remove(0);
        } else {
            self.ahead.clear();
        }
        self.held.push(change);
        self.link = self.link.over(change);
        if self.here().is_multiple_of(HEAD_EVERY) {
            self.marks.push(self.link);
        }
    }

    /// Takes signed hashes of what comes after the held changes, if they reach further than those known.
    pub(crate) fn look_ahead(&mut self, ahead: &[ChangeHash]) {
        if ahead.len() > self.ahead.len() {
            self.ahead = ahead.to_vec();
        }
    }

    pub(crate) fn sign_newest(&mut self, head: Head) {
        if self.newest.as_ref().is_none_or(|n| n.number < head.number) {
            self.newest = Some(head);
        }
    }

    /// The nearest head that covers change `number` and can be led up to from here.
    pub(crate) fn head_over(&self, number: u64) -> Option<(u64, [u8; 64])> {
        let (at, signature) = self.heads.range(number..).next()?;
        Some((*at, *signature))
    }

    /// Leaves out heads that only served as the newest once: not at a multiple, and no longer the last.
    pub(crate) fn drop_passing_heads(&mut self) {
        let Some((last, _)) = self.heads.last_key_value() else {
            return;
        };
        let last = *last;
        self.heads
            .retain(|number, _| number.is_multiple_of(HEAD_EVERY) || *number == last);
    }
}
