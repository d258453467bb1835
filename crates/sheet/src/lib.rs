//! The field summary of a visit on one page: for the crew and the office, and another for the
//! landowner.
//!
//! [`Sheet::field`] and [`Sheet::landowner`] turn a visit's view and summary into a small page of
//! lines, tables and plots. The page has two renderers: [`Sheet::to_html`] for the device's own
//! screen, whole, and [`Sheet::print`] for paper, folded by stated rules until it fits one page.
//! Nothing is reckoned here: every number comes from the reducer, most of them inside its own words.
//!
//! | part | owns |
//! |---|---|
//! | `model` | what a sheet is made of |
//! | `field`, `landowner` | what stands on the two sheets |
//! | `fold` | what gives way, in which order, where a page is too small |
//! | `plot` | drawings, as shapes and as SVG |
//! | `html` | the sheet on a screen |
//! | `pdf` | the sheet on paper: fonts, layout, tags, bytes |
//!
//! The fonts in `fonts/` are Source Sans 3 by Adobe, under the SIL Open Font License beside them.

mod field;
mod fold;
mod html;
mod landowner;
mod model;
mod pdf;
mod plot;
mod words;

pub use landowner::species_under_permit;
pub use model::{Sheet, Standing};
pub use pdf::{Paper, PrintError, Printed};
pub use plot::{Drawing, decline, interval_by_pass, length_frequency};
