//! Drawn next.
use super::Seat;
use maud::{Markup, html};
pub(super) fn page(_seat: &Seat<'_>) -> Markup {
    html! {}
}
