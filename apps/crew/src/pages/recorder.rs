//! The work-up: one fish after the other, batches, deaths, buckets.
//!
//! Held by the recorder on the bank, tablet on the knee, damp fingers, ears on the measurer who
//! calls species, length and mass at three to eight fish a minute, eyes going back and forth. They
//! must not get wrong: the pass, the species that sticks, and a number misheard; so what was kept
//! last stands there large, to be read back. “I don't know this fish” is as easy as any species.

use std::collections::{BTreeMap, BTreeSet};

use gravelbar_reduce::{PassSummary, SpeciesInPass};
use gravelbar_visit::{
    BatchView, Bucket, BucketLabel, BucketMoment, CountKind, Death, DeathStage, Fact, Fate,
    FishView, FlagKind, LengthType, PassKey, RecordId, SpeciesName, Stamp,
};
use maud::{Markup, html};
use serde_json::json;

use super::Seat;
use super::change::{FATES, LENGTH_TYPES};
use super::parts::{act, choice, form, hour, life, line, number, pass_words, plain, why};

/// Rows shown before all are asked for.
const NEWEST: usize = 12;

pub(super) fn page(seat: &Seat<'_>) -> Markup {
    let Some(pass) = seat.current_pass() else {
        return html! { p.big { "No pass is open yet." } p { "The crew lead opens pass 1 on the overview." } };
    };
    let summary = seat.pass(&pass);
    html! {
        (which_pass(seat, &pass))
        div.bench data-pass=(pass) {
            div.entering {
                (echo(seat, &pass))
                (fish_form(seat, &pass, summary))
            }
            div.beside {
                (batch_form(&pass))
                (deaths(seat, &pass))
                (buckets(seat, &pass, summary))
                (kept(seat, &pass))
            }
        }
    }
}

/// Fish belong to the pass they were netted in, whichever is being fished now.
fn which_pass(seat: &Seat<'_>, pass: &PassKey) -> Markup {
    let total = seat.pass(pass);
    html! {
        nav.which aria-label="Pass the fish were netted in" {
            span { "fish of" }
            @for p in &seat.summary().passes {
                a href={ "?pass=" (p.pass) } aria-current=[(p.pass == *pass).then_some("true")] {
                    (pass_words(&p.pass))
                }
            }
        }
        p.totals {
            strong.total { (total.map_or(0, |p| p.worked_up)) } " worked up in " (pass_words(pass))
            @if let Some(p) = total { @if p.tallied > 0 { " · netters " strong { (p.tallied) } } }
        }
    }
}

/// A record of the work-up, fish or batch.
enum Kept<'a> {
    Fish(&'a FishView),
    Batch(&'a BatchView),
}

impl<'a> Kept<'a> {
    fn stamp(&self) -> &'a Stamp {
        match self {
            Self::Fish(fish) => &fish.stamp,
            Self::Batch(batch) => &batch.stamp,
        }
    }

    fn out(&self) -> bool {
        match self {
            Self::Fish(fish) => fish.voided,
            Self::Batch(batch) => batch.out,
        }
    }
}

/// The pass's records, newest first.
fn records<'a>(seat: &Seat<'a>, pass: &PassKey) -> Vec<Kept<'a>> {
    let view = seat.view();
    let fish = view
        .fish
        .iter()
        .filter(|f| f.pass.value == *pass)
        .map(Kept::Fish);
    let batches = view
        .batches
        .iter()
        .filter(|b| b.pass.value == *pass)
        .map(Kept::Batch);
    let mut all: Vec<Kept<'a>> = fish.chain(batches).collect();
    all.sort_by_key(|k| std::cmp::Reverse((k.stamp().lamport, k.stamp().id)));
    all
}

/// The last entry of this person, to be read back aloud.
fn echo(seat: &Seat<'_>, pass: &PassKey) -> Markup {
    let all = records(seat, pass);
    let mine = all
        .iter()
        .find(|k| Some(&k.stamp().by) == seat.me && !k.out());
    html! {
        div #echo.echo {
            @match mine {
                Some(kept) => {
                    span.small { "kept last, read it back" }
                    (words(kept))
                    @for flag in (seat.summary().flags.iter())
                        .filter(|f| f.kind == FlagKind::OddMass && f.about.contains(&kept.stamp().id)) {
                        span.odd { "▲ " (flag.words) }
                    }
                    span.then {
                        (life(seat, kept.stamp().id, "correct or void"))
                        @if let Kept::Fish(fish) = kept { (dead(fish)) }
                    }
                }
                None => { span.small { "nothing kept by you in this pass yet" } span.said-last { "–" } }
            }
        }
    }
}

fn words(kept: &Kept<'_>) -> Markup {
    html! {
        @match kept {
            Kept::Fish(fish) => {
                span.said-last.species { (fish.species.value) }
                span.said-last {
                    @if let Some(mm) = &fish.length_mm { (plain(mm.value)) " mm " }
                    @if let Some(kind) = &fish.length_type {
                        span.kind { @match kind.value {
                            LengthType::Total => "total",
                            LengthType::Fork => "fork",
                            LengthType::Standard => "standard",
                        } }
                    }
                    @if let Some(g) = &fish.mass_g { " " (plain(g.value)) " g" }
                }
                @if let Some(fate) = &fish.fate {
                    @match fate.value {
                        Fate::Dead => span.fate { "✕ dead" },
                        Fate::Kept => span.fate { "kept" },
                        Fate::Released => {},
                    }
                }
                @if let Some(marks) = &fish.marks { span.small { "marks: " (marks.value) } }
                @if let Some(odd) = &fish.anomalies { span.small { "anomalies: " (odd.value) } }
            }
            Kept::Batch(batch) => {
                span.said-last.species { (batch.species.value) }
                span.said-last {
                    (batch.n.value) " fish"
                    @if let Some(g) = &batch.mass_g { " " (plain(g.value)) " g" }
                }
                span.small {
                    "batch, " @match batch.counted { CountKind::Counted => "counted", CountKind::Estimated => "estimated" }
                    @if let (Some(min), Some(max)) = (batch.min_mm, batch.max_mm) { ", " (plain(min)) " to " (plain(max)) " mm" }
                    @if let Some(mean) = batch.mean_mm { ", mean " (plain(mean)) " mm" }
                }
            }
        }
    }
}

/// A death tied to the fish on the board.
fn dead(fish: &FishView) -> Markup {
    if fish.fate.as_ref().is_some_and(|f| f.value == Fate::Dead) {
        return html! {};
    }
    let death = Fact::Death(Death {
        pass: fish.pass.value.clone(),
        species: fish.species.value.clone(),
        n: 1,
        stage: DeathStage::Handling,
        fish: Some(fish.stamp.id),
    });
    act("dead", "✕ it died", &[death])
}

/// Names to choose from: the plan's, those met here, and two ways of not knowing.
fn names(seat: &Seat<'_>) -> Vec<SpeciesName> {
    let view = seat.view();
    let met: BTreeSet<&SpeciesName> = (view.fish.iter().map(|f| &f.species.value))
        .chain(view.batches.iter().map(|b| &b.species.value))
        .collect();
    let fresh = ('a'..='z')
        .filter_map(|letter| SpeciesName::new(&format!("unknown {letter}")).ok())
        .find(|name| !met.contains(name));
    let mut names: Vec<SpeciesName> = view.plan.species.iter().map(|s| s.name.clone()).collect();
    for name in met.into_iter().chain(&fresh) {
        if !names.contains(name) {
            names.push(name.clone());
        }
    }
    names
}

fn fish_form(seat: &Seat<'_>, pass: &PassKey, summary: Option<&PassSummary>) -> Markup {
    let counted: BTreeMap<&SpeciesName, &SpeciesInPass> = (summary.iter())
        .flat_map(|p| p.species.iter().map(|s| (&s.species, s)))
        .collect();
    let late = summary.is_some_and(|p| p.closed.is_some() && seat.open_passes().next().is_some());
    html! {
        form #fish.entry.fish data-facts=(json!([{"fish": {"pass": pass}}])) data-label="fish"
            autocomplete="off" novalidate {
            details #species.species-open open {
                summary { span.label { "species" } strong #chosen.chosen data-own { "none chosen" } span.more { "change" } }
            fieldset.choice.species-list {
                legend { "stays until another is chosen; the number is this pass so far" }
                @for name in names(seat) {
                    label data-key=(name) {
                        input type="radio" name="fish.species" value=(name) data-as="text" data-sticks;
                        span { (name) small { (counted.get(&name).map_or(0, |s| s.worked_up)) } }
                    }
                }
                span #own-species.contents data-own {}
            }
            div.row.another {
                input #another data-own maxlength="60" placeholder="another species" aria-label="another species" autocomplete="off";
                button #add-species type="button" { "add" }
            }
            }
            div.fields {
            div.typing {
                label.field {
                    span.label { "length" }
                    span.box { input name="fish.length_mm" data-as="number" data-first data-padded inputmode="none" enterkeyhint="next"; span.unit { "mm" } }
                }
                label.field {
                    span.label { "mass" }
                    span.box { input name="fish.mass_g" data-as="number" data-padded inputmode="none" enterkeyhint="done"; span.unit { "g" } }
                }
            }
            div #pad.keys {
                @for key in ["1", "2", "3", "⌫", "4", "5", "6", "⇄", "7", "8", "9"] {
                    button type="button" data-pad=(key) aria-label=[spoken(key)] { (key) }
                }
                button.main.keep type="submit" { "Keep, next fish" }
                @for key in [".", "0"] {
                    button.(if key == "0" { "wide" } else { "" }) type="button" data-pad=(key) { (key) }
                }
            }
            output.said role="status" data-own {}
            (sticky(choice("fish.length_type", "which length, for this station", &LENGTH_TYPES, "total")))
            (choice("fish.fate", "fate", &FATES, "released"))
            details #more-of-fish {
                summary { "marks, anomalies, bucket" }
                (line("fish.marks", "marks, tags", "adipose clip, tag 0417", ""))
                (line("fish.anomalies", "anomalies, injuries", "dark bar, fin rot", ""))
                label.field.wide {
                    span.label { "bucket: stays" }
                    input name="fish.bucket" data-as="text" data-sticks maxlength="60" autocomplete="off";
                }
            }
            }
            @if late {
                (why("fish of an earlier pass: why only now", "such as: bucket found late"))
            }
        }
    }
}

/// What a key with a sign says aloud.
fn spoken(key: &str) -> Option<&'static str> {
    match key {
        "⌫" => Some("delete one digit"),
        "⇄" => Some("to the other field"),
        _ => None,
    }
}

/// A choice that stays for the next fish.
fn sticky(choice: Markup) -> Markup {
    html! { div.contents data-stay { (choice) } }
}

fn batch_form(pass: &PassKey) -> Markup {
    html! {
        section {
            details #batch-open {
                summary { h2 { "Batch of " span.follows data-own { "the species chosen" } } }
                form #batch.entry data-facts=(json!([{"batch": {"pass": pass}}])) data-label="batch"
                    autocomplete="off" novalidate {
                    input type="hidden" name="batch.species" data-as="text" data-follows data-fixed;
                    label.field {
                        span.label { "how many" }
                        input name="batch.n" data-as="count" data-first inputmode="numeric";
                    }
                    (number("batch.mass_g", "mass together", "g", None))
                    (number("batch.min_mm", "shortest", "mm", None))
                    (number("batch.max_mm", "longest", "mm", None))
                    (number("batch.mean_mm", "mean length", "mm", None))
                    (choice("batch.counted", "how the number was found",
                        &[("counted", "counted"), ("estimated", "estimated")], "counted"))
                    label.field {
                        span.label { "bucket" }
                        input name="batch.bucket" data-as="text" maxlength="60" autocomplete="off";
                    }
                    div.go {
                        button.main type="submit" { "Keep the batch" }
                        output.said role="status" data-own {}
                    }
                }
            }
        }
    }
}

/// One press per death, as soon as it is seen.
fn deaths(seat: &Seat<'_>, pass: &PassKey) -> Markup {
    let view = seat.view();
    let one = |name: &SpeciesName| {
        Fact::Death(Death {
            pass: pass.clone(),
            species: name.clone(),
            n: 1,
            stage: DeathStage::Holding,
            fish: None,
        })
    };
    html! {
        section {
            h2 { "A fish has died" }
            @for take in &seat.summary().take {
                p {
                    @if take.dead_at_limit || take.caught_at_limit { strong { "✕ Limit reached: stop for this species, call the permit office. " } }
                    strong { (take.species) } ", this season as known here: "
                    (take.season_dead) " of " (take.limit_dead) " dead, "
                    (take.season_caught) " of " (take.limit_caught) " caught"
                }
            }
            details #deaths {
                summary { "not on the board: one press, once per fish" }
                div.row {
                    @for name in names(seat) {
                        span data-key=(name) { (act("dead", html! { "✕ " (name) }, &[one(&name)])) }
                    }
                }
            }
            ul.list {
                @for death in view.deaths.iter().filter(|d| d.pass.value == *pass).rev() {
                    li data-key=(death.stamp.id) {
                        @if death.out { "(out of the totals) " }
                        (hour(death.stamp.corrected)) " " (death.species.value) " ×" (death.n.value) " dead, "
                        @match death.stage {
                            DeathStage::Shock => "in the current",
                            DeathStage::Net => "on a net",
                            DeathStage::Handling => "handled",
                            DeathStage::Holding => "in bucket or live car",
                        }
                        ", " (death.stamp.by) " " (life(seat, death.stamp.id, "correct or void"))
                    }
                }
            }
        }
    }
}

fn buckets(seat: &Seat<'_>, pass: &PassKey, summary: Option<&PassSummary>) -> Markup {
    let open: &[BucketLabel] = summary.map_or(&[], |p| &p.open_buckets);
    html! {
        section {
            h2 { "Buckets of " (pass_words(pass)) }
            ul.list {
                @for bucket in seat.view().buckets.iter().filter(|b| b.pass == *pass) {
                    li data-key=(bucket.label) {
                        p {
                            strong { (bucket.label) } ": "
                            @if open.contains(&bucket.label) { "▲ not emptied" } @else { "✓ emptied" }
                            @for moment in &bucket.moments {
                                @if !moment.voided {
                                    ", " (moment_words(moment.what)) " " (hour(moment.stamp.corrected))
                                }
                            }
                        }
                        div.row {
                            (act("", "handed over", &[moment_of(pass, &bucket.label, BucketMoment::HandedOver)]))
                            (act("", "emptied, all worked up", &[moment_of(pass, &bucket.label, BucketMoment::Emptied)]))
                        }
                    }
                }
            }
            (form("bucket-new", &json!([{"bucket": {"pass": pass}}]), "Keep it", html! {
                label.field {
                    span.label { "label" }
                    input name="bucket.label" data-as="text" maxlength="12" placeholder="1B" autocomplete="off";
                }
                (choice("bucket.moment", "what happened", &[("first_fish", "first fish in"),
                    ("handed_over", "handed over"), ("emptied", "emptied")], "first_fish"))
            }))
        }
    }
}

fn moment_of(pass: &PassKey, label: &BucketLabel, moment: BucketMoment) -> Fact {
    Fact::Bucket(Bucket {
        label: label.clone(),
        pass: pass.clone(),
        moment,
    })
}

fn moment_words(moment: BucketMoment) -> &'static str {
    match moment {
        BucketMoment::FirstFish => "first fish",
        BucketMoment::HandedOver => "handed over",
        BucketMoment::Emptied => "emptied",
    }
}

/// What is on record for the pass, newest first.
fn kept(seat: &Seat<'_>, pass: &PassKey) -> Markup {
    let all = records(seat, pass);
    let shown = if seat.all { all.len() } else { NEWEST };
    let odd: BTreeSet<RecordId> = (seat.summary().flags.iter())
        .filter(|f| f.kind == FlagKind::OddMass)
        .flat_map(|f| f.about.iter().copied())
        .collect();
    html! {
        section {
            h2 { "On record in " (pass_words(pass)) }
            ul.list.kept {
                @for kept in all.iter().take(shown) {
                    li data-key=(kept.stamp().id) data-out[kept.out()] {
                        span.row-words {
                            @if kept.out() { "✕ void " }
                            @if odd.contains(&kept.stamp().id) { "▲ odd mass " }
                            (words(kept))
                        }
                        span.small { (hour(kept.stamp().corrected)) " " (kept.stamp().by) }
                        (life(seat, kept.stamp().id, "change"))
                    }
                }
            }
            @if all.len() > shown {
                p { a.go-on href={ "?pass=" (pass) "&all=yes" } { "show all of this pass" } }
            }
        }
    }
}
