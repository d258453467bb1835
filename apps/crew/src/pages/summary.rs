//! The field summary, as it is printed: to read through, and to take along as a PDF.
//!
//! Held by the lead at the truck, perhaps a new one, with people waiting for a page. They must not
//! get wrong: which of the two sheets goes to whom.

use std::collections::BTreeSet;

use gravelbar_sheet::{Sheet, Standing, species_under_permit};
use gravelbar_visit::SpeciesName;
use maud::{Markup, PreEscaped, html};

use super::Seat;
use crate::node::Picture;

/// Whom a sheet is for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub(crate) enum Reader {
    /// The crew and the office.
    #[default]
    Crew,
    /// The owner of the land: no people, no permit, no exact place of a rare species.
    Landowner,
}

/// The sheet of a visit for one reader, with the visit's numbers as they stand.
pub(crate) fn sheet(picture: &Picture, reader: Reader) -> Sheet {
    let (view, summary) = (&picture.view, &picture.summary);
    match reader {
        Reader::Crew => Sheet::field(view, summary, Standing::Real),
        Reader::Landowner => {
            let sensitive: BTreeSet<SpeciesName> = species_under_permit(&view.plan);
            Sheet::landowner(summary, Standing::Real, &sensitive)
        }
    }
}

pub(super) fn page(seat: &Seat<'_>) -> Markup {
    let file = format!("/v/{}/summary.pdf", seat.view().document);
    html! {
        section {
            h2 { "One page to take along" }
            div.two {
                a.go-on href=(file) { "For crew and office, PDF" }
                a.go-on href={ (file) "?for=landowner" } { "For the landowner, PDF" }
            }
            p.small {
                "The landowner's page names no people, no permit and no take, and tells no place of a species under permit but the site's code. On letter paper: "
                a href={ (file) "?paper=letter" } { "crew and office" } ", "
                a href={ (file) "?for=landowner&paper=letter" } { "landowner" } "."
            }
        }
        (PreEscaped(sheet(seat.picture, Reader::Crew).to_html()))
    }
}
