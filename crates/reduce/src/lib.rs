//! From the merged visit's view to the summary that every screen, report and export prints from.
//!
//! [`summarize`] is a pure function. It reads no clock and no locale, keeps to ordered maps, runs
//! on one thread, and rounds every figure alike, so that two machines with the same heads print
//! the same bytes. It adds up what isn't out, once each, and corrects nothing: what is odd becomes
//! a flag beside the figure, with words that say what can be done.
//!
//! Tally, work-up and estimate are three things. The estimate uses the work-up, pass by pass, as
//! far as it is begun; a species that nobody worked up is estimated from the netters' taps and says
//! so. Where no estimate can be given, the summary says "minimum" and why.
//!
//! | part | owns |
//! |---|---|
//! | `header`, `channel`, `water`, `safety`, `incident`, `take` | the parts of the sheet by these names |
//! | `count` | every fish once, by pass |
//! | `pass`, with `span`, `effort`, `nets`, `setting`, `stops` | one pass |
//! | `species`, with `ground`, `removal`, `size`, `analyses` | one species and its estimates |
//! | `flags` | what is odd |
//! | `advice`, with `warming` | what the bank has to decide, question by question |
//! | `text` | the sheet as plain text |

mod advice;
mod analyses;
mod channel;
mod count;
mod effort;
mod figure;
mod flags;
mod ground;
mod header;
mod incident;
mod moment;
mod nets;
mod pass;
mod removal;
mod safety;
mod setting;
mod size;
mod span;
mod species;
mod stops;
mod summary;
mod take;
mod text;
mod warming;
mod water;

pub use advice::{Advice, Figure, Question, Unanswered, Urgency};
pub use channel::{ChannelSummary, OtherLength};
pub use effort::{Effort, OtherReading, PackEffort};
pub use gravelbar_estimate::LengthBin;
pub use header::{DeviceLine, Header, Member, Signed};
pub use incident::IncidentLine;
pub use nets::{Closure, NetDuring, NetGap, Nets};
pub use pass::{NetterCount, PassSummary, SpeciesInPass, TallyInPass, WithReason, WorkUp};
pub use removal::{AfterPass, CatchSource, Density, NextPass, Removal};
pub use safety::{MissingCheck, SafetySummary, StopLine};
pub use setting::{PackSetting, SettingLine};
pub use size::{SizeGroup, SizeGroups};
pub use span::{Mark, PassState};
pub use species::{ChannelRemoval, Lengths, Mass, PassCatch, SpeciesSummary};
pub use stops::StopInside;
pub use summary::{Reducer, Summary, summarize};
pub use take::{SpeciesDead, TakeSummary};
pub use water::{WaterLine, WaterSummary};
