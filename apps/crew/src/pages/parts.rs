//! Small pieces that every screen is made of: buttons that record, forms, times, states in words
//! and shapes.

use chrono::{DateTime, FixedOffset};
use gravelbar_visit::{Fact, PassKey, RecordId};
use maud::{Markup, Render, html};
use serde_json::Value;

use super::Seat;

/// Facts as the page's scripts post them.
pub(super) fn json(facts: &[Fact]) -> String {
    serde_json::to_string(facts).unwrap_or_default()
}

/// A button that records `facts` at one press.
pub(super) fn act(class: &str, label: impl Render, facts: &[Fact]) -> Markup {
    html! {
        span.act {
            button.(class) type="button" data-act=(json(facts)) { (label) }
            output.said role="status" data-own {}
        }
    }
}

/// A form whose named fields fill in `facts` (a JSON list): each field's name is the path of what
/// it fills in. Typed values outlive a reload; refusals are shown at its end.
pub(super) fn form(id: &str, facts: &Value, button: &str, fields: Markup) -> Markup {
    html! {
        form.entry id=(id) data-facts=(facts) autocomplete="off" novalidate {
            (fields)
            div.go {
                button.main type="submit" { (button) }
                output.said role="status" data-own {}
            }
        }
    }
}

/// A number with its unit.
pub(super) fn number(name: &str, label: &str, unit: &str, value: Option<f64>) -> Markup {
    html! {
        label.field {
            span.label { (label) }
            span.box {
                input name=(name) data-as="number" inputmode="decimal" size="6"
                    value=[value.map(plain)] autocomplete="off";
                span.unit { (unit) }
            }
        }
    }
}

/// One line of text.
pub(super) fn line(name: &str, label: &str, hint: &str, value: &str) -> Markup {
    html! {
        label.field.wide {
            span.label { (label) }
            input name=(name) data-as="text" value=(value) placeholder=(hint) maxlength="500"
                autocomplete="off";
        }
    }
}

/// The reason of an act.
pub(super) fn why(label: &str, hint: &str) -> Markup {
    line("why", label, hint, "")
}

/// A choice of a few, as large buttons in a row.
pub(super) fn choice(name: &str, label: &str, options: &[(&str, &str)], chosen: &str) -> Markup {
    html! {
        fieldset.choice {
            legend { (label) }
            @for (value, words) in options {
                label {
                    input type="radio" name=(name) value=(value) data-as="text"
                        checked[*value == chosen];
                    span { (words) }
                }
            }
        }
    }
}

/// Hours and minutes as they stood on the clock.
pub(super) fn hour(at: DateTime<FixedOffset>) -> String {
    at.format("%H:%M").to_string()
}

/// Day, hours and minutes.
pub(super) fn moment(at: DateTime<FixedOffset>) -> String {
    at.format("%-d %b %Y, %H:%M").to_string()
}

/// A figure without needless decimals.
pub(super) fn plain(value: f64) -> String {
    format!("{value}")
}

/// A figure with this many decimals.
pub(super) fn fixed(value: f64, decimals: usize) -> String {
    format!("{value:.decimals$}")
}

/// `pass 2`, or `pass 2, left channel`.
pub(super) fn pass_words(pass: &PassKey) -> String {
    if pass.channel.as_str() == "main" {
        format!("pass {}", pass.number)
    } else {
        format!("pass {}, {} channel", pass.number, pass.channel)
    }
}

/// The address of a record's life.
pub(super) fn life(seat: &Seat<'_>, record: RecordId, label: &str) -> Markup {
    html! {
        a.life href={ "/v/" (seat.view().document) "/record/" (record) } { (label) }
    }
}

/// A caution of the trade: never more than the practice around it.
pub(super) fn caution(words: &str) -> Markup {
    html! { p.caution { span.mark aria-hidden="true" { "▲" } " " (words) } }
}
