//! Odd things that wait for a person, each with the one thing to do about it.
//!
//! Held by the lead or recorder on the bank or at the truck, dry hands, some minutes. They must not
//! get wrong: joining or renaming more than what they have looked at. Every form here names the
//! records on the screen and no others.

use gravelbar_visit::{
    AcceptLate, Amend, Fact, FieldValue, Flag, FlagKind, PassKey, RecordId, SameThing, Scope,
    Settled, SpeciesName,
};
use maud::{Markup, html};
use serde_json::{Value, json};

use super::Seat;
use super::change::{changeable, settlements};
use super::parts::{form, life, line, pass_words, why};
use crate::node::asks_for_a_person;

/// Links to single records shown for a flag about many.
const LINKS: usize = 6;

pub(super) fn page(seat: &Seat<'_>) -> Markup {
    let (asking, knowing): (Vec<&Flag>, Vec<&Flag>) =
        (seat.summary().flags.iter()).partition(|f| asks_for_a_person(f.kind));
    html! {
        @if asking.is_empty() { p.big { "✓ Nothing waits to be settled, as far as this device has heard." } }
        @for flag in &asking { (card(seat, flag)) }
        @if !knowing.is_empty() {
            section {
                h2 { "To know when reading the numbers" }
                ul.list { @for flag in &knowing { li data-key=(key(flag)) { "▲ " (flag.words) } } }
            }
        }
    }
}

/// A name for the page that stays while the flag says the same of the same records.
fn key(flag: &Flag) -> String {
    let about: Vec<String> = flag.about.iter().take(2).map(ToString::to_string).collect();
    let words: usize = (flag.words.bytes()).fold(7, |hash: usize, b| {
        hash.wrapping_mul(31).wrapping_add(b.into())
    });
    format!("{:?}-{}-{words:x}", flag.kind, about.join("-"))
}

fn card(seat: &Seat<'_>, flag: &Flag) -> Markup {
    html! {
        section data-key=(key(flag)) {
            p.flag-words { "▲ " (flag.words) }
            (action(seat, flag))
            @if !flag.about.is_empty() {
                p.small {
                    @for id in flag.about.iter().take(LINKS) { (life(seat, *id, "record")) " " }
                    @if flag.about.len() > LINKS { "and " (flag.about.len() - LINKS) " more" }
                }
            }
        }
    }
}

fn action(seat: &Seat<'_>, flag: &Flag) -> Markup {
    let id = key(flag);
    match flag.kind {
        FlagKind::Disagreement => {
            let record = flag.about.first().and_then(|id| changeable(seat, *id));
            match record {
                Some(record) => settlements(&record),
                None => page_link(seat, "output", "type the right reading: it replaces both"),
            }
        }
        FlagKind::Perhaps1Death | FlagKind::Perhaps1Batch | FlagKind::PassMarkedTwice => {
            join(seat, flag, &id)
        }
        FlagKind::UnknownFish => name_all(seat, flag, &id),
        FlagKind::AfterClose => move_all(seat, flag, &id),
        FlagKind::PerhapsCumulative | FlagKind::NoEffort | FlagKind::EffortOverClock => {
            page_link(seat, "output", "counter readings")
        }
        FlagKind::BucketOpen => page_link(seat, "work-up", "buckets and work-up"),
        FlagKind::NotReady => page_link(seat, "safety", "checklist and stops"),
        FlagKind::AfterSignature => {
            let fact = Fact::AcceptLate(AcceptLate {
                records: flag.about.clone(),
            });
            form(
                &format!("late-{id}"),
                &json!([fact]),
                "Accept these late records",
                why(
                    "what was looked at",
                    "such as: read with Sabine, all of pass 2",
                ),
            )
        }
        FlagKind::TallyGap => form(
            &format!("gap-{id}"),
            &json!([{"note": {"about": flag.about.first()}}]),
            "Keep the reason",
            line(
                "note.text",
                "likely reason",
                "one fish in two nets, dropped, late bucket",
                "",
            ),
        ),
        _ => html! {},
    }
}

fn page_link(seat: &Seat<'_>, page: &str, words: &str) -> Markup {
    html! { p { a.go-on href={ "/v/" (seat.view().document) "/" (page) } { (words) } } }
}

/// The records are of one and the same thing. Not offered where a death and a fish are meant: then
/// the death is voided and the fish kept.
fn join(seat: &Seat<'_>, flag: &Flag, id: &str) -> Markup {
    let view = seat.view();
    let fish = flag
        .about
        .iter()
        .any(|id| view.fish.iter().any(|f| f.stamp.id == *id));
    if fish {
        return html! {};
    }
    let fact = Fact::SameThing(SameThing {
        records: flag.about.clone(),
    });
    form(
        &format!("join-{id}"),
        &json!([fact]),
        "It is one: join them",
        why("how you know", "such as: asked both, one fish"),
    )
}

/// Records of the flag that bear a species, with the corrections of it on the screen.
fn named(seat: &Seat<'_>, flag: &Flag) -> (Vec<RecordId>, Vec<RecordId>, Option<SpeciesName>) {
    let view = seat.view();
    let fish = view.fish.iter().map(|f| (f.stamp.id, &f.species));
    let batches = view.batches.iter().map(|b| (b.stamp.id, &b.species));
    let taps = view.tallies.iter().map(|t| (t.stamp.id, &t.species));
    let all = fish.chain(batches).chain(taps);
    let of: Vec<(RecordId, &Settled<SpeciesName>)> =
        all.filter(|(id, _)| flag.about.contains(id)).collect();
    let replaces = (of.iter()).flat_map(|(id, s)| replaced(*id, s)).collect();
    let species = of.first().map(|(_, s)| s.value.clone());
    (of.iter().map(|(id, _)| *id).collect(), replaces, species)
}

fn replaced<T>(id: RecordId, settled: &Settled<T>) -> Vec<RecordId> {
    (settled.rivals.iter().map(|r| r.from))
        .chain([settled.from])
        .filter(|from| *from != id)
        .collect()
}

/// One name for all fish of a provisional one, and for no fish that arrives later.
fn name_all(seat: &Seat<'_>, flag: &Flag, id: &str) -> Markup {
    let (of, replaces, species) = named(seat, flag);
    let Some(species) = species else {
        return html! {};
    };
    let facts: Value = json!([{"amend": {
        "of": of, "set": {}, "replaces": replaces, "scope": Scope { pass: None, species: Some(species) },
    }}]);
    html! {
        (form(&format!("name-{id}"), &facts, "Name them all", html! {
            (line("amend.set.species", "they are", "slimy sculpin", ""))
            (why("who named them, by what", "such as: Mirelle, by the photo"))
        }))
    }
}

/// One press moves a block of late taps, owners and history kept.
fn move_all(seat: &Seat<'_>, flag: &Flag, id: &str) -> Markup {
    let view = seat.view();
    let taps = (view.tallies.iter().chain(&view.escapes)).map(|t| (t.stamp.id, &t.pass));
    let fish = view.fish.iter().map(|f| (f.stamp.id, &f.pass));
    let batches = view.batches.iter().map(|b| (b.stamp.id, &b.pass));
    let of: Vec<(RecordId, &Settled<PassKey>)> = taps
        .chain(fish)
        .chain(batches)
        .filter(|(id, _)| flag.about.contains(id))
        .collect();
    let Some(now) = of.first().map(|(_, s)| s.value.clone()) else {
        return html! {};
    };
    let moves = |pass: &PassKey| {
        let amend = Amend {
            of: of.iter().map(|(id, _)| *id).collect(),
            set: FieldValue::Pass(pass.clone()),
            replaces: of.iter().flat_map(|(id, s)| replaced(*id, s)).collect(),
            scope: None,
        };
        json!([Fact::Amend(amend)])
    };
    html! {
        @for pass in seat.summary().passes.iter().filter(|p| p.pass != now) {
            (form(&format!("move-{}-{id}", pass.pass.to_string().replace('/', "-")),
                &moves(&pass.pass), &format!("Move them to {}", pass_words(&pass.pass)),
                why("why", "such as: netter's device was still on the pass before")))
        }
    }
}
