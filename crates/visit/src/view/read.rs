//! From records to the view.

use gravelbar_ledger::{DocumentId, RecordId};

use super::flag::{Flag, FlagKind};
use super::history::{HistoryLine, history};
use super::lost::Held;
use super::named::Named;
use super::seen::{Causality, Seen, Unreadable};
use super::sign::sign_state;
use super::{Dated, View};
use crate::joining::JoinedVisit;
use crate::plan::Plan;
use crate::record::{Fact, KINDS};

/// Which document the records are of.
pub(crate) struct Heading<'a> {
    pub(crate) document: DocumentId,
    pub(crate) heads: Vec<String>,
    pub(crate) plan: &'a Plan,
    pub(crate) joined: &'a [JoinedVisit],
    /// What is odd about the joinings.
    pub(crate) flags: &'a [Flag],
}

impl View {
    /// Reads `seen`, which is in order by cause. Nothing in it can stop the reading: what doesn't
    /// fit becomes a flag.
    pub(crate) fn read(
        heading: Heading<'_>,
        seen: &[Seen],
        unreadable: &[Unreadable],
        causality: &dyn Causality,
    ) -> Self {
        let mut flags = heading.flags.to_vec();
        let held = Held::read(seen, causality);
        let named = Named::new(seen, causality, &held, &mut flags);
        let crew = named.crew(&mut flags);
        let signatures = named.signatures(unreadable, &mut flags);
        let mut view = Self {
            document: heading.document,
            heads: heading.heads,
            records: seen.len() + unreadable.len(),
            plan: heading.plan.clone(),
            people: named.people(&crew),
            role_changes: named.role_changes(),
            devices: named.devices(),
            channels: named.channels(&mut flags),
            nets: named.nets(),
            water: named.each(|f| match f {
                Fact::Water(w) => Some(w),
                _ => None,
            }),
            settings: named.each(|f| match f {
                Fact::Setting(s) => Some(s),
                _ => None,
            }),
            trials: named.each(|f| match f {
                Fact::Trial(t) => Some(t),
                _ => None,
            }),
            gear: named.each(|f| match f {
                Fact::GearEvent(g) => Some(g),
                _ => None,
            }),
            passes: named.passes(&mut flags),
            tallies: named.tallies(),
            escapes: named.escapes(),
            buckets: named.buckets(),
            fish: named.fish(),
            batches: named.batches(&mut flags),
            deaths: named.deaths(&mut flags),
            safety: named.safety(heading.plan, unreadable, &crew, &mut flags),
            notes: named.each(|f| match f {
                Fact::Note(n) => Some(n),
                _ => None,
            }),
            incidents: named.each(|f| match f {
                Fact::Incident(i) => Some(i),
                _ => None,
            }),
            decisions: named.each(|f| match f {
                Fact::Decision(d) => Some(d),
                _ => None,
            }),
            joined: heading.joined.to_vec(),
            lost: named.lost(&mut flags),
            sign_state: sign_state(&signatures),
            signatures,
            flags: Vec::new(),
        };
        named.flag_amendments(&mut flags);
        flag_odd(seen, unreadable, &mut flags);
        flags.sort_unstable();
        flags.dedup();
        view.flags = flags;
        view
    }
}

/// The life of one record: what it was, who changed it, when and why.
pub(crate) fn life_of(seen: &[Seen], causality: &dyn Causality, id: RecordId) -> Vec<HistoryLine> {
    history(seen, causality, id)
}

impl Named<'_> {
    fn each<T: Clone>(&self, pick: fn(&Fact) -> Option<&T>) -> Vec<Dated<T>> {
        self.seen
            .iter()
            .filter_map(|s| pick(&s.entry.what).map(|what| self.dated(s, what.clone())))
            .collect()
    }
}

fn flag_odd(seen: &[Seen], unreadable: &[Unreadable], flags: &mut Vec<Flag>) {
    for s in seen {
        if let Err(odd) = s.entry.check() {
            // What would let work go on has to be in order to do so.
            let what_now = match &s.entry.what {
                Fact::Tick(_) | Fact::Clear(_) | Fact::Left(_) => "It has no effect",
                _ => "It counts as it stands; correct or void it",
            };
            flags.push(Flag {
                kind: FlagKind::OddValue,
                about: vec![s.id],
                words: format!(
                    "a “{}” by {} holds something odd: {odd}. {what_now}",
                    s.entry.what.kind(),
                    s.entry.by
                ),
            });
        }
    }
    for u in unreadable {
        let (kind, words) = match &u.kind {
            Some(kind) if !KINDS.contains(&kind.as_str()) => (
                FlagKind::UnknownKind,
                format!(
                    "a record of kind “{}” comes from a newer program: it is kept, but this device can't count it; update this device",
                    kind.chars().take(40).collect::<String>()
                ),
            ),
            _ => (
                FlagKind::Unreadable,
                "a record can't be read: it is kept as it came and counts for nothing".to_owned(),
            ),
        };
        flags.push(Flag {
            kind,
            about: vec![u.id],
            words,
        });
    }
}
