//! The life of one record: what it said, who changed it, when and why.
//!
//! Read by a lead or a recorder who doubts a number, on the bank. They must not get wrong what was
//! said first and what counts now. Each change asks for a reason and is one more line here.

use gravelbar_visit::{HistoryLine, RecordId};
use maud::{Markup, html};

use super::Seat;
use super::change::{changeable, forms};
use super::frame::frame;
use super::parts::moment;

pub(crate) fn page(seat: &Seat<'_>, record: RecordId, lines: &[HistoryLine]) -> Markup {
    let body = html! {
        @if lines.is_empty() {
            p { "This record isn't on this device." }
        }
        @if let Some(record) = changeable(seat, record) { (forms(seat, &record, lines)) }
        h2 { "What happened to it" }
        ol.life-of {
            @for line in lines {
                li data-key=(line.stamp.id) {
                    p.what { (line.what) }
                    p { (line.stamp.by) ", " (moment(line.stamp.corrected))
                        @if line.stamp.corrected != line.stamp.at {
                            " (the device's own clock said " (moment(line.stamp.at)) ")"
                        }
                    }
                    @if let Some(why) = &line.why { p { "because: " q { (why) } } }
                }
            }
        }
        p.small { "record " code { (record) } }
        p { a href={ "/v/" (seat.view().document) } { "back to my page" } }
    };
    frame(seat, "History of a record", "record", body)
}
