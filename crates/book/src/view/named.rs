//! Values under their own names: which one counts, and which stand beside it.

use std::collections::{BTreeMap, BTreeSet};

use gravelbar_ledger::RecordId;

use super::{Named, Rival, stamped};
use crate::record::{Fact, Seen};

/// A kind of record that says something whole about one named thing.
pub(super) trait Whole: Clone + PartialEq {
    /// The thing's name, as names are compared.
    type Name: Ord;

    fn of(fact: &Fact) -> Option<&Self>;
    fn name(&self) -> Self::Name;
    fn replaces(&self) -> &[RecordId];
    /// Whether it says that the thing is no longer used.
    fn dropped(&self) -> bool;
    /// The same value without what it replaces, to be compared.
    fn bare(&self) -> Self;
}

/// Of each name the newest record that no other has taken the place of, with its rivals. The
/// order by cause decides, then the record's name: the same on every device.
///
/// A record takes the place only of records of its own name that stand before it in that order:
/// nobody can name what isn't written yet.
pub(super) fn named<T: Whole>(counted: &[&Seen]) -> BTreeMap<T::Name, Named<T>> {
    let mut by_name: BTreeMap<T::Name, Vec<(&Seen, &T)>> = BTreeMap::new();
    for seen in counted {
        if let Some(value) = T::of(&seen.entry.what) {
            by_name.entry(value.name()).or_default().push((seen, value));
        }
    }
    let mut out = BTreeMap::new();
    for (name, values) in by_name {
        let mut replaced: BTreeSet<RecordId> = BTreeSet::new();
        let mut met: BTreeSet<RecordId> = BTreeSet::new();
        for (seen, value) in &values {
            let earlier = value.replaces().iter().filter(|id| met.contains(id));
            replaced.extend(earlier);
            met.insert(seen.id);
        }
        let mut standing = (values.iter().rev()).filter(|(seen, _)| !replaced.contains(&seen.id));
        let Some((newest, value)) = standing.next() else {
            continue;
        };
        let bare = value.bare();
        let mut named = stamped(newest, (*value).clone());
        named.rivals = standing
            .filter(|(_, other)| other.bare() != bare)
            .map(|(seen, other)| Rival {
                value: (*other).clone(),
                from: seen.id,
                by: seen.entry.by.clone(),
            })
            .collect();
        // A thing that one dropped and another went on with apart is still in use.
        if named.value.dropped()
            && let Some(place) = named.rivals.iter().position(|r| !r.value.dropped())
        {
            let kept = named.rivals.remove(place);
            named.rivals.insert(
                0,
                Rival {
                    value: named.value,
                    from: named.from,
                    by: named.by,
                },
            );
            named.value = kept.value;
            named.from = kept.from;
            named.by = kept.by;
        }
        if !named.value.dropped() {
            out.insert(name, named);
        }
    }
    out
}

macro_rules! whole {
    ($kind:ident, $name:ty, |$value:ident| $naming:expr, |$other:ident| $dropped:expr) => {
        impl super::named::Whole for $kind {
            type Name = $name;

            fn of(fact: &crate::record::Fact) -> Option<&Self> {
                match fact {
                    crate::record::Fact::$kind(value) => Some(value),
                    _ => None,
                }
            }

            fn name(&self) -> $name {
                let $value = self;
                $naming
            }

            fn replaces(&self) -> &[gravelbar_ledger::RecordId] {
                &self.replaces
            }

            fn dropped(&self) -> bool {
                let $other = self;
                $dropped
            }

            fn bare(&self) -> Self {
                Self {
                    replaces: Vec::new(),
                    ..self.clone()
                }
            }
        }
    };
}

pub(super) use whole;
