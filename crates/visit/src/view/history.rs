//! What a fact said before, who changed it, when and why.

use gravelbar_ledger::RecordId;
use serde::Serialize;

use super::Stamp;
use super::amended::{in_words, said};
use super::clocks::Clocks;
use super::seen::Seen;
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
pub(super) fn history(seen: &[Seen], id: RecordId) -> Vec<HistoryLine> {
    let clocks = Clocks::read(seen);
    // Records about this one, and records about those.
    let mut about = std::collections::BTreeSet::from([id]);
    let mut lines = Vec::new();
    for s in seen {
        let what = if s.id == id {
            Some(recorded(&s.entry.what))
        } else {
            step(seen, &about, s)
        };
        if let Some(what) = what {
            about.insert(s.id);
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

/// What `s` did to any of the records `about`.
fn step(seen: &[Seen], about: &std::collections::BTreeSet<RecordId>, s: &Seen) -> Option<String> {
    let touches = |named: &[RecordId]| named.iter().find(|r| about.contains(r)).copied();
    match &s.entry.what {
        Fact::Amend(amend) => {
            let of = touches(&amend.of)?;
            let was = before(seen, of, amend.set.name(), &amend.replaces);
            Some(match was {
                Some(was) => format!("{}, was {was}", said(s)),
                None => said(s),
            })
        }
        Fact::Void(void) => touches(&[void.of]).map(|_| "voided".to_owned()),
        Fact::Restore(restore) => touches(&restore.voids).map(|_| "restored".to_owned()),
        Fact::Undo(undo) => touches(&[undo.of]).map(|_| "undone".to_owned()),
        Fact::SameThing(same) => touches(&same.records)
            .map(|_| "joined with another record of the same thing".to_owned()),
        Fact::Counter(counter) => touches(&counter.replaces)
            .map(|_| format!("replaced by {} s to {} s", counter.start_s, counter.end_s)),
        Fact::ReachLength(length) => {
            touches(&length.replaces).map(|_| format!("replaced by {} m", length.length_m))
        }
        Fact::Clear(clear) => touches(&clear.stops).map(|_| "cleared".to_owned()),
        Fact::EnergiserOff(off) => {
            touches(&off.stops).map(|_| "energiser confirmed off".to_owned())
        }
        Fact::Tick(tick) => touches(&tick.clears).map(|_| "answered by a tick".to_owned()),
        Fact::AcceptLate(accept) => {
            touches(&accept.records).map(|_| "accepted after the signature".to_owned())
        }
        Fact::Reopen(reopen) => touches(&[reopen.signature]).map(|_| "opened again".to_owned()),
        Fact::Death(death) => death
            .fish
            .filter(|f| about.contains(f))
            .map(|_| "logged dead".to_owned()),
        _ => None,
    }
}

/// What a field said before an amendment that names the ones it replaces.
fn before(seen: &[Seen], of: RecordId, field: FieldName, replaces: &[RecordId]) -> Option<String> {
    let replaced: Vec<String> = seen
        .iter()
        .filter(|s| replaces.contains(&s.id))
        .map(said)
        .collect();
    if !replaced.is_empty() {
        return Some(replaced.join(" and "));
    }
    let origin = seen.iter().find(|s| s.id == of)?;
    first_value(&origin.entry.what, field).map(|value| in_words(&value))
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
