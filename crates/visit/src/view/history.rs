//! What a fact said before, who changed it, when and why.

use std::collections::BTreeMap;

use gravelbar_ledger::RecordId;
use serde::Serialize;

use super::Stamp;
use super::amended::{in_words, said};
use super::clocks::Clocks;
use super::seen::{Causality, Seen};
use crate::record::{Fact, FieldName, FieldValue};

/// One step in the life of a record.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct HistoryLine {
    /// Who and when.
    pub stamp: Stamp,
    /// What was done, in words: "recorded", "length 177 mm, was 171 mm", "voided".
    pub what: String,
    /// Reason.
    pub why: Option<String>,
}

/// The life of one record, in order by cause: how it was recorded, and every record that names
/// it, undos of undos and lifted voids included.
pub(super) fn history(seen: &[Seen], causality: &dyn Causality, id: RecordId) -> Vec<HistoryLine> {
    let clocks = Clocks::read(seen);
    // This record, records about it, and records about those, as far as they reached.
    let mut told = Told {
        causality,
        id,
        about: BTreeMap::new(),
    };
    let mut lines = Vec::new();
    for s in seen {
        let what = if s.id == id {
            Some(recorded(&s.entry.what))
        } else {
            told.step(s)
        };
        if let Some(what) = what {
            told.about.insert(s.id, s);
            lines.push(HistoryLine {
                stamp: Stamp {
                    id: s.id,
                    lamport: s.lamport,
                    by: s.entry.by.clone(),
                    at: s.entry.at,
                    corrected: clocks.corrected(s.id.writer.device, s.entry.at),
                },
                what,
                why: s.entry.why.clone(),
            });
        }
    }
    lines
}

fn recorded(fact: &Fact) -> String {
    let detail = match fact {
        Fact::Fish(fish) => {
            let mut parts = vec![fish.species.to_string(), format!("pass {}", fish.pass)];
            parts.extend(fish.length_mm.map(|mm| format!("{mm} mm")));
            parts.extend(fish.mass_g.map(|g| format!("{g} g")));
            parts.join(", ")
        }
        Fact::Batch(batch) => format!("{} {}, pass {}", batch.n, batch.species, batch.pass),
        Fact::Escape(escape) => {
            format!(
                "{} {} escaped, pass {}",
                escape.n, escape.species, escape.pass
            )
        }
        Fact::Tally(tally) => format!("{} {}, pass {}", tally.n, tally.species, tally.pass),
        Fact::Counter(counter) => format!(
            "pack {}, pass {}: {} s to {} s",
            counter.pack, counter.pass, counter.start_s, counter.end_s
        ),
        Fact::ReachLength(length) => format!("{} {} m", length.channel, length.length_m),
        Fact::Death(death) => format!("{} {}, pass {}", death.n, death.species, death.pass),
        other => other.kind().replace('_', " "),
    };
    format!("recorded: {detail}")
}

/// What has been told of a record so far.
struct Told<'a> {
    causality: &'a dyn Causality,
    id: RecordId,
    about: BTreeMap<RecordId, &'a Seen>,
}

impl<'a> Told<'a> {
    /// The first of the records named by `s` that is told of and that its author had seen.
    fn touched(&self, s: &Seen, named: &[RecordId]) -> Option<&'a Seen> {
        let mut told = named.iter().filter_map(|id| self.about.get(id).copied());
        told.find(|t| self.causality.had_seen(s.id, t.id))
    }

    /// What `s` did to the record or to what was told of it.
    fn step(&self, s: &Seen) -> Option<String> {
        match &s.entry.what {
            Fact::Amend(amend) => {
                let of = self.touched(s, &amend.of)?;
                let field = amend.set.name();
                Some(match self.before(s, of, field, &amend.replaces) {
                    Some(was) => format!("{}, was {was}", said(s)),
                    None => said(s),
                })
            }
            Fact::Void(void) => self.touched(s, &[void.of]).map(|t| match &t.entry.what {
                _ if t.id == self.id => "voided".to_owned(),
                Fact::Amend(_) => format!("correction voided: {}", said(t)),
                other => format!("{} voided", other.kind().replace('_', " ")),
            }),
            Fact::Restore(restore) => self
                .touched(s, &restore.voids)
                .map(|_| "restored".to_owned()),
            Fact::Undo(undo) => self.touched(s, &[undo.of]).map(|t| match t.id == self.id {
                true => "undone".to_owned(),
                false => "undo taken back".to_owned(),
            }),
            Fact::SameThing(same) => self
                .touched(s, &same.records)
                .map(|_| "joined with another record of the same thing".to_owned()),
            Fact::Counter(counter) => self
                .touched(s, &counter.replaces)
                .map(|_| format!("replaced by {} s to {} s", counter.start_s, counter.end_s)),
            Fact::ReachLength(length) => self
                .touched(s, &length.replaces)
                .map(|_| format!("replaced by {} m", length.length_m)),
            Fact::Clear(clear) => self.touched(s, &clear.stops).map(|_| "cleared".to_owned()),
            Fact::EnergiserOff(off) => self
                .touched(s, &off.stops)
                .map(|_| "energiser confirmed off".to_owned()),
            Fact::Tick(tick) => self
                .touched(s, &tick.clears)
                .map(|_| "answered by a tick".to_owned()),
            Fact::Left(left) => self
                .touched(s, &left.seen)
                .map(|_| format!("answered: {} went home", left.person)),
            Fact::AcceptLate(accept) => self
                .touched(s, &accept.records)
                .map(|_| "accepted after the signature".to_owned()),
            Fact::Reopen(reopen) => self
                .touched(s, &[reopen.signature])
                .map(|_| "opened again".to_owned()),
            Fact::Death(death) => self
                .touched(s, death.fish.as_slice())
                .map(|_| "logged dead".to_owned()),
            _ => None,
        }
    }

    /// What a field said before an amendment: the ones it had seen and replaces, or what was
    /// first recorded.
    fn before(
        &self,
        s: &Seen,
        of: &Seen,
        field: FieldName,
        replaces: &[RecordId],
    ) -> Option<String> {
        let replaced: Vec<String> = replaces
            .iter()
            .filter_map(|id| self.about.get(id))
            .filter(|r| matches!(&r.entry.what, Fact::Amend(a) if a.set.name() == field))
            .filter(|r| self.causality.had_seen(s.id, r.id))
            .map(|r| said(r))
            .collect();
        if replaced.is_empty() {
            first_value(&of.entry.what, field).map(|value| in_words(&value))
        } else {
            Some(replaced.join(" and "))
        }
    }
}

/// A field as it was first recorded.
fn first_value(fact: &Fact, field: FieldName) -> Option<FieldValue> {
    match (fact, field) {
        (Fact::Fish(f), FieldName::Pass) => Some(FieldValue::Pass(f.pass.clone())),
        (Fact::Fish(f), FieldName::Species) => Some(FieldValue::Species(f.species.clone())),
        (Fact::Fish(f), FieldName::LengthMm) => f.length_mm.map(FieldValue::LengthMm),
        (Fact::Fish(f), FieldName::LengthType) => f.length_type.map(FieldValue::LengthType),
        (Fact::Fish(f), FieldName::MassG) => f.mass_g.map(FieldValue::MassG),
        (Fact::Fish(f), FieldName::Fate) => f.fate.map(FieldValue::Fate),
        (Fact::Fish(f), FieldName::Marks) => f.marks.clone().map(FieldValue::Marks),
        (Fact::Fish(f), FieldName::Anomalies) => f.anomalies.clone().map(FieldValue::Anomalies),
        (Fact::Batch(b), FieldName::Pass) => Some(FieldValue::Pass(b.pass.clone())),
        (Fact::Batch(b), FieldName::Species) => Some(FieldValue::Species(b.species.clone())),
        (Fact::Batch(b), FieldName::N) => Some(FieldValue::N(b.n)),
        (Fact::Batch(b), FieldName::MassG) => b.mass_g.map(FieldValue::MassG),
        (Fact::Tally(t), FieldName::Pass) => Some(FieldValue::Pass(t.pass.clone())),
        (Fact::Tally(t), FieldName::Species) => Some(FieldValue::Species(t.species.clone())),
        (Fact::Tally(t), FieldName::N) => Some(FieldValue::N(t.n)),
        (Fact::Escape(e), FieldName::Pass) => Some(FieldValue::Pass(e.pass.clone())),
        (Fact::Escape(e), FieldName::Species) => Some(FieldValue::Species(e.species.clone())),
        (Fact::Escape(e), FieldName::N) => Some(FieldValue::N(e.n)),
        (Fact::Death(d), FieldName::Pass) => Some(FieldValue::Pass(d.pass.clone())),
        (Fact::Death(d), FieldName::Species) => Some(FieldValue::Species(d.species.clone())),
        (Fact::Death(d), FieldName::N) => Some(FieldValue::N(d.n)),
        _ => None,
    }
}
