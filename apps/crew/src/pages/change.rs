//! Putting a record right: corrections, settlements, voids, each naming what its author has seen.

use gravelbar_visit::{
    Amend, BatchView, DeathView, Fact, Fate, FieldName, FieldValue, FishView, HistoryLine,
    LengthType, PassKey, PersonName, RecordId, Restore, Settled, SpeciesName, TallyView, Undo,
    Void,
};
use maud::{Markup, html};
use serde_json::{Value, json};

use super::Seat;
use super::parts::{choice, form, pass_words, plain, why};

/// One field of a record as it stands.
struct Field {
    name: FieldName,
    /// The value that counts.
    value: FieldValue,
    /// Values beside it, with their authors.
    rivals: Vec<(FieldValue, PersonName)>,
    /// Earlier corrections on the screen, which a new one replaces.
    replaces: Vec<RecordId>,
}

/// A record whose fields can be put right.
pub(super) struct Changeable {
    id: RecordId,
    fields: Vec<Field>,
    out: bool,
    /// A tap is taken back rather than voided.
    tap: bool,
}

/// The record of this name, if it is one that can be changed.
pub(super) fn changeable(seat: &Seat<'_>, id: RecordId) -> Option<Changeable> {
    let view = seat.view();
    let fish = view.fish.iter().find(|f| f.stamp.id == id).map(of_fish);
    let batch = || view.batches.iter().find(|b| b.stamp.id == id).map(of_batch);
    let taps = || {
        (view.tallies.iter().chain(&view.escapes))
            .find(|t| t.stamp.id == id)
            .map(of_tap)
    };
    let death = || view.deaths.iter().find(|d| d.stamp.id == id).map(of_death);
    fish.or_else(batch).or_else(taps).or_else(death)
}

fn field<T: Clone>(
    origin: RecordId,
    name: FieldName,
    settled: &Settled<T>,
    wrap: fn(T) -> FieldValue,
) -> Field {
    let replaces = std::iter::once(settled.from)
        .chain(settled.rivals.iter().map(|r| r.from))
        .filter(|id| *id != origin)
        .collect();
    Field {
        name,
        value: wrap(settled.value.clone()),
        rivals: (settled.rivals.iter())
            .map(|r| (wrap(r.value.clone()), r.by.clone()))
            .collect(),
        replaces,
    }
}

fn pass_and_species(
    id: RecordId,
    pass: &Settled<PassKey>,
    species: &Settled<SpeciesName>,
) -> Vec<Field> {
    vec![
        field(id, FieldName::Species, species, FieldValue::Species),
        field(id, FieldName::Pass, pass, FieldValue::Pass),
    ]
}

fn of_fish(fish: &FishView) -> Changeable {
    let id = fish.stamp.id;
    let mut fields = pass_and_species(id, &fish.pass, &fish.species);
    let mut push = |field: Option<Field>| fields.extend(field);
    push(
        fish.length_mm
            .as_ref()
            .map(|s| field(id, FieldName::LengthMm, s, FieldValue::LengthMm)),
    );
    push(
        fish.length_type
            .as_ref()
            .map(|s| field(id, FieldName::LengthType, s, FieldValue::LengthType)),
    );
    push(
        fish.mass_g
            .as_ref()
            .map(|s| field(id, FieldName::MassG, s, FieldValue::MassG)),
    );
    push(
        fish.fate
            .as_ref()
            .map(|s| field(id, FieldName::Fate, s, FieldValue::Fate)),
    );
    push(
        fish.marks
            .as_ref()
            .map(|s| field(id, FieldName::Marks, s, FieldValue::Marks)),
    );
    push(
        fish.anomalies
            .as_ref()
            .map(|s| field(id, FieldName::Anomalies, s, FieldValue::Anomalies)),
    );
    Changeable {
        id,
        fields,
        out: fish.voided,
        tap: false,
    }
}

fn of_batch(batch: &BatchView) -> Changeable {
    let id = batch.stamp.id;
    let mut fields = pass_and_species(id, &batch.pass, &batch.species);
    fields.push(field(id, FieldName::N, &batch.n, FieldValue::N));
    if let Some(mass) = &batch.mass_g {
        fields.push(field(id, FieldName::MassG, mass, FieldValue::MassG));
    }
    Changeable {
        id,
        fields,
        out: batch.out,
        tap: false,
    }
}

fn of_tap(tap: &TallyView) -> Changeable {
    let id = tap.stamp.id;
    let mut fields = pass_and_species(id, &tap.pass, &tap.species);
    fields.push(field(id, FieldName::N, &tap.n, FieldValue::N));
    Changeable {
        id,
        fields,
        out: tap.out,
        tap: true,
    }
}

fn of_death(death: &DeathView) -> Changeable {
    let id = death.stamp.id;
    let mut fields = pass_and_species(id, &death.pass, &death.species);
    fields.push(field(id, FieldName::N, &death.n, FieldValue::N));
    Changeable {
        id,
        fields,
        out: death.out,
        tap: false,
    }
}

/// A value in words.
fn words(value: &FieldValue) -> String {
    match value {
        FieldValue::Pass(pass) => pass_words(pass),
        FieldValue::Species(species) => species.to_string(),
        FieldValue::LengthMm(mm) => format!("{} mm", plain(*mm)),
        FieldValue::LengthType(LengthType::Total) => "total length".to_owned(),
        FieldValue::LengthType(LengthType::Fork) => "fork length".to_owned(),
        FieldValue::LengthType(LengthType::Standard) => "standard length".to_owned(),
        FieldValue::MassG(g) => format!("{} g", plain(*g)),
        FieldValue::N(n) => format!("{n} fish"),
        FieldValue::Fate(Fate::Released) => "released".to_owned(),
        FieldValue::Fate(Fate::Kept) => "kept".to_owned(),
        FieldValue::Fate(Fate::Dead) => "dead".to_owned(),
        FieldValue::Marks(text) | FieldValue::Anomalies(text) => text.clone(),
    }
}

fn amend(id: RecordId, set: FieldValue, replaces: Vec<RecordId>) -> Fact {
    Fact::Amend(Amend {
        of: vec![id],
        set,
        replaces,
        scope: None,
    })
}

/// One press, with a reason, for each value that somebody gave.
pub(super) fn settlements(record: &Changeable) -> Markup {
    html! {
        @for field in record.fields.iter().filter(|f| !f.rivals.is_empty()) {
            div.settle {
                p { "Two values for the " (field.name.words()) ":" }
                @let first = std::iter::once((&field.value, None));
                @let rivals = field.rivals.iter().map(|(v, by)| (v, Some(by)));
                @for (n, (value, by)) in first.chain(rivals).enumerate() {
                    @let fact = amend(record.id, value.clone(), field.replaces.clone());
                    (form(&format!("settle-{}-{}-{n}", record.id, field.name.words().replace(' ', "-")),
                        &json!([fact]), &format!("It is {}", words(value)), html! {
                            p { strong { (words(value)) }
                                @match by { Some(by) => { ", says " (by) } None => " counts meanwhile" } }
                            (why("how it was settled", "such as: measured again"))
                        }))
                }
            }
        }
    }
}

/// All ways to put a record right.
pub(super) fn forms(seat: &Seat<'_>, record: &Changeable, lines: &[HistoryLine]) -> Markup {
    html! {
        section {
            h2 { "As it stands" }
            p.big {
                @for (n, field) in record.fields.iter().enumerate() {
                    @if n > 0 { ", " } (words(&field.value))
                }
            }
            @if record.out { p { strong { "✕ Out of all totals." } } }
            (settlements(record))
        }
        section {
            h2 { "Put right" }
            @for field in &record.fields { (correction(seat, record.id, field)) }
        }
        section {
            @if record.out { (restore(record, lines)) } @else { (void(record, lines)) }
        }
    }
}

/// A field's new value and why; the value on the screen is what it replaces.
fn correction(seat: &Seat<'_>, id: RecordId, field: &Field) -> Markup {
    let key = field.name.words().replace(' ', "-");
    let base =
        |set: Value| json!([{"amend": {"of": [id], "set": set, "replaces": field.replaces}}]);
    let (facts, input) = match &field.value {
        FieldValue::LengthType(now) => (
            base(json!({})),
            choice(
                "amend.set.length_type",
                "length type",
                &LENGTH_TYPES,
                length_type(*now),
            ),
        ),
        FieldValue::Fate(now) => (
            base(json!({})),
            choice("amend.set.fate", "fate", &FATES, fate(*now)),
        ),
        FieldValue::Pass(now) => {
            let passes: Vec<String> = (seat.summary().passes.iter())
                .map(|p| p.pass.to_string())
                .collect();
            let words: Vec<String> = (seat.summary().passes.iter())
                .map(|p| pass_words(&p.pass))
                .collect();
            let options: Vec<(&str, &str)> = (passes.iter().zip(&words))
                .map(|(p, w)| (p.as_str(), w.as_str()))
                .collect();
            (
                base(json!({})),
                choice("amend.set.pass", "pass", &options, &now.to_string()),
            )
        }
        value => {
            let (name, kind) = match value {
                FieldValue::LengthMm(_) => ("length_mm", "number"),
                FieldValue::MassG(_) => ("mass_g", "number"),
                FieldValue::N(_) => ("n", "count"),
                FieldValue::Marks(_) => ("marks", "text"),
                FieldValue::Anomalies(_) => ("anomalies", "text"),
                _ => ("species", "text"),
            };
            (
                base(json!({})),
                html! {
                    label.field.wide {
                        span.label { (field.name.words()) ", was " (words(value)) }
                        input name={ "amend.set." (name) } data-as=(kind) autocomplete="off";
                    }
                },
            )
        }
    };
    html! {
        details id={ "right-" (key) } {
            summary { (field.name.words()) ": " (words(&field.value)) }
            (form(&format!("amend-{key}-{id}"), &facts, "Correct it", html! {
                (input)
                (why("why", "such as: read back, digits swapped"))
            }))
        }
    }
}

fn void(record: &Changeable, lines: &[HistoryLine]) -> Markup {
    if record.tap {
        let undo = Fact::Undo(Undo { of: record.id });
        return html! {
            h2 { "Take the tap back" }
            (super::parts::act("", "take it back", &[undo]))
        };
    }
    // Whatever is named in its life was on the screen when it was voided.
    let seen = (lines.iter().map(|l| l.stamp.id))
        .filter(|id| *id != record.id)
        .collect();
    let fact = Fact::Void(Void {
        of: record.id,
        seen,
    });
    html! {
        h2 { "Take it out of the totals" }
        p { "It is kept, with who took it out and why, and can be put back." }
        (form(&format!("void-{}", record.id), &json!([fact]), "Void this record",
            why("why", "such as: entered twice")))
    }
}

fn restore(record: &Changeable, lines: &[HistoryLine]) -> Markup {
    // A record's life tells its voids by this word.
    let voids: Vec<RecordId> = (lines.iter().filter(|l| l.what == "voided"))
        .map(|l| l.stamp.id)
        .collect();
    if voids.is_empty() {
        return html! {};
    }
    html! {
        h2 { "Put it back into the totals" }
        (form(&format!("restore-{}", record.id), &json!([Fact::Restore(Restore { voids })]),
            "Restore this record", why("why", "such as: it was a second fish after all")))
    }
}

/// Lengths as buttons.
pub(super) const LENGTH_TYPES: [(&str, &str); 3] = [
    ("total", "total"),
    ("fork", "fork"),
    ("standard", "standard"),
];

/// Fates as buttons.
pub(super) const FATES: [(&str, &str); 3] =
    [("released", "released"), ("kept", "kept"), ("dead", "dead")];

fn length_type(kind: LengthType) -> &'static str {
    match kind {
        LengthType::Total => "total",
        LengthType::Fork => "fork",
        LengthType::Standard => "standard",
    }
}

fn fate(fate: Fate) -> &'static str {
    match fate {
        Fate::Released => "released",
        Fate::Kept => "kept",
        Fate::Dead => "dead",
    }
}
