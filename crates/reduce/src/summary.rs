//! The summary: everything a screen, a report or an export may print of a visit.

use gravelbar_visit::{Flag, View};
use serde::Serialize;

use crate::advice::{Advice, Bank, decisions};
use crate::analyses::Analyses;
use crate::channel::{ChannelSummary, channels};
use crate::count::Counts;
use crate::flags::{Found, flags};
use crate::header::{DeviceLine, Header, Member, crew, devices, header};
use crate::incident::{IncidentLine, incidents};
use crate::moment::Clocks;
use crate::pass::{PassSummary, passes};
use crate::safety::{SafetySummary, safety};
use crate::species::{SpeciesSummary, species};
use crate::take::{SpeciesDead, TakeSummary, all_dead, take};
use crate::water::{WaterSummary, water};

/// A visit in figures and words. A pure function of its view: the same records give the same
/// bytes on every machine, in whatever order they arrived.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Summary {
    /// Which visit, in which state.
    pub header: Header,
    /// The crew, by name.
    pub crew: Vec<Member>,
    /// The devices, by tag.
    pub devices: Vec<DeviceLine>,
    /// Checklist and stops.
    pub safety: SafetySummary,
    /// Temperature and conductivity.
    pub water: WaterSummary,
    /// Channels, by name.
    pub channels: Vec<ChannelSummary>,
    /// Passes, by channel and number.
    pub passes: Vec<PassSummary>,
    /// Species, in the plan's order.
    pub species: Vec<SpeciesSummary>,
    /// Permit take, in the plan's order.
    pub take: Vec<TakeSummary>,
    /// Fish dead in the visit, by species.
    pub dead: Vec<SpeciesDead>,
    /// Incidents, in order by cause.
    pub incidents: Vec<IncidentLine>,
    /// Fish worked up in the visit.
    pub worked_up: u64,
    /// Fish tapped in the visit.
    pub tallied: u64,
    /// What the bank has to decide, one answer for each question.
    pub decisions: Vec<Advice>,
    /// Everything odd, by kind.
    pub flags: Vec<Flag>,
}

/// Turns the merged visit's view into its summary.
///
/// Reads no clock and knows no locale; all sums and choices are made in an order that the records'
/// names fix. Odd data never stop it: they stand as flags beside the figures. Costs time in
/// proportion to the records, plus a fixed amount for each species and pass.
///
/// ```
/// use gravelbar_reduce::summarize;
/// use gravelbar_visit::{Fish, PassKey, PersonName, Plan, SpeciesName, Visit, Writer};
///
/// let plan = Plan::from_about(
///     r#"{"version":1,"site":"QB-03","place":"Quillet Brook","date":"2026-08-18","passes":3}"#,
/// )?;
/// let mut visit = Visit::start(plan, Writer::from_bytes([7; 16]))?;
/// let sabine = PersonName::new("Sabine Quell")?;
/// let trout = Fish {
///     pass: PassKey::main(1),
///     species: SpeciesName::new("brook trout")?,
///     length_mm: None,
///     length_type: None,
///     mass_g: None,
///     marks: None,
///     anomalies: None,
///     fate: None,
///     bucket: None,
/// };
/// visit.record(&sabine, "2026-08-18T10:40:00-04:00".parse()?, None, vec![trout.into()])?;
///
/// let summary = summarize(&visit.view());
/// assert_eq!(summary.worked_up, 1);
/// assert!(summary.to_text().contains("minimum 1, one pass only"));
/// # Ok::<(), Box<dyn std::error::Error>>(())
/// ```
#[must_use]
pub fn summarize(view: &View) -> Summary {
    Reducer::default().summarize(view)
}

/// [`summarize`] for a screen that follows a visit: keeps the analyses of catches it has met, so
/// that after a tap only the species it changed is analysed again. Prints the same bytes.
#[derive(Debug, Clone, Default)]
pub struct Reducer {
    analyses: Analyses,
}

impl Reducer {
    /// The summary of a view, as [`summarize`] gives it.
    #[must_use]
    pub fn summarize(&mut self, view: &View) -> Summary {
        let clocks = Clocks::of(view);
        let counts = Counts::of(view);
        let channels = channels(view, &counts);
        let passes = passes(view, &clocks, &counts, &channels);
        let analyses = &mut self.analyses;
        let species = species(view, &clocks, &counts, &passes, &channels, analyses);
        let take = take(view, &counts, &passes);
        let found = Found::new(view, &clocks, &counts, &passes, &species, &take);
        let flags = flags(&found);
        let header = header(view, &clocks);
        let safety = safety(view, &clocks);
        let decisions = decisions(&Bank {
            view,
            clocks: &clocks,
            header: &header,
            counts: &counts,
            passes: &passes,
            species: &species,
            take: &take,
            safety: &safety,
            flags: &flags,
        });
        Summary {
            flags,
            header,
            crew: crew(view),
            devices: devices(view, &clocks),
            safety,
            decisions,
            water: water(view, &clocks),
            worked_up: passes.iter().map(|p| p.worked_up).sum(),
            tallied: passes.iter().map(|p| p.tallied).sum(),
            channels,
            passes,
            species,
            take,
            dead: all_dead(view),
            incidents: incidents(view, &clocks),
        }
    }
}

impl Summary {
    /// The summary as JSON on one line: equal for equal heads, to the byte.
    #[must_use]
    pub fn to_json(&self) -> String {
        // Every key is a text and every figure a number, so there is nothing it could refuse.
        serde_json::to_string(self).unwrap_or_default()
    }
}
