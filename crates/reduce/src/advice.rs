//! What the bank has to decide, with the sentence it reads and the numbers behind it. The lead
//! decides: nothing here does.

mod another_pass;
mod bucket;
mod equal_effort;
mod heat;
mod last_catch;
mod measure;
mod people_hours;
mod permit;
mod recovery;
mod reference;
mod safe;
mod seen;
mod settings;
mod tally;
mod two_nets;

use std::collections::BTreeMap;

use chrono::{DateTime, FixedOffset};
use gravelbar_visit::{Channel, Flag, PassKey, PassView, Stamp, View};
use serde::Serialize;

use crate::count::Counts;
use crate::figure::figure;
use crate::header::Header;
use crate::moment::{Clocks, minutes};
use crate::pass::PassSummary;
use crate::safety::SafetySummary;
use crate::span::Span;
use crate::species::SpeciesSummary;
use crate::take::TakeSummary;

/// A question of the bank, in the order in which it is answered.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Question {
    /// May the crew go on?
    SafeToGoOn,
    /// Is the permit's take nearly used up?
    PermitTake,
    /// Is the water nearly too warm?
    WaterLimit,
    /// Are fish too long in a bucket?
    BucketTime,
    /// Do fish take too long to recover?
    Recovery,
    /// Are the settings right for this water?
    Settings,
    /// Another pass, or stop?
    AnotherPass,
    /// Do the block nets hold?
    BlockNets,
    /// Was effort equal over the passes?
    EqualEffort,
    /// Do tally and work-up agree?
    TallyAgainstWorkUp,
    /// Whose turn is it to be measured?
    WhoToMeasure,
    /// Have enough species been seen?
    SpeciesSeen,
}

impl Question {
    /// The question in words.
    #[must_use]
    pub fn words(self) -> &'static str {
        match self {
            Self::SafeToGoOn => "safe to go on?",
            Self::PermitTake => "permit take near its limit?",
            Self::WaterLimit => "water near its limit?",
            Self::BucketTime => "fish too long in a bucket?",
            Self::Recovery => "recovery too slow?",
            Self::Settings => "settings right for this water?",
            Self::AnotherPass => "another pass, or stop?",
            Self::BlockNets => "nets holding?",
            Self::EqualEffort => "effort equal?",
            Self::TallyAgainstWorkUp => "tally = work-up?",
            Self::WhoToMeasure => "who is still to be measured?",
            Self::SpeciesSeen => "seen enough species?",
        }
    }
}

/// How much an answer presses, least first.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Urgency {
    /// Nothing to decide.
    Settled,
    /// The records don't tell.
    CannotTell,
    /// Somebody has to look and decide.
    Look,
    /// Before anything else.
    Now,
}

/// One question, answered as far as the records go.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Advice {
    /// Which question.
    pub question: Question,
    /// How much it presses.
    pub urgency: Urgency,
    /// The sentence the bank reads, numbers and reason in it.
    pub sentence: String,
    /// The numbers behind it.
    pub numbers: Vec<Figure>,
    /// What speaks for and against, and what the numbers are made of.
    pub reasons: Vec<String>,
    /// What has to be known beside it.
    pub cautions: Vec<String>,
    /// What could not be answered, and why.
    pub refused: Vec<Unanswered>,
}

/// A number with what it is of and its unit.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Figure {
    /// What it is of.
    pub what: String,
    /// The number, to six significant digits.
    pub value: f64,
    /// Its unit; blank for a plain count of things named in `what`.
    pub unit: &'static str,
}

/// Something the records don't answer.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Unanswered {
    /// The reason as one word for machines.
    pub code: &'static str,
    /// The reason in words.
    pub words: String,
}

impl Advice {
    /// Whether there is nothing left to decide.
    #[must_use]
    pub fn settled(&self) -> bool {
        self.urgency == Urgency::Settled
    }

    /// Whether it asks for a person.
    #[must_use]
    pub fn presses(&self) -> bool {
        self.urgency >= Urgency::Look
    }

    fn of(question: Question) -> Self {
        Self {
            question,
            urgency: Urgency::Settled,
            sentence: String::new(),
            numbers: Vec::new(),
            reasons: Vec::new(),
            cautions: Vec::new(),
            refused: Vec::new(),
        }
    }

    /// A question the records don't answer at all.
    fn untold(question: Question, code: &'static str, words: &str) -> Self {
        let mut advice = Self::of(question);
        advice.urgency = Urgency::CannotTell;
        advice.sentence = sentences(&[words.to_owned()]);
        advice.refuse(code, words.to_owned());
        advice
    }

    fn number(&mut self, what: impl Into<String>, value: f64, unit: &'static str) {
        let what = what.into();
        self.numbers
            .extend(figure(value).map(|value| Figure { what, value, unit }));
    }

    fn refuse(&mut self, code: &'static str, words: String) {
        self.refused.push(Unanswered { code, words });
    }

    /// Urgency only ever rises while an answer is put together.
    fn raise(&mut self, urgency: Urgency) {
        self.urgency = self.urgency.max(urgency);
    }
}

/// Everything the answers are read from.
pub(crate) struct Bank<'a> {
    pub(crate) view: &'a View,
    pub(crate) clocks: &'a Clocks,
    pub(crate) header: &'a Header,
    pub(crate) counts: &'a Counts<'a>,
    pub(crate) passes: &'a [PassSummary],
    pub(crate) species: &'a [SpeciesSummary],
    pub(crate) take: &'a [TakeSummary],
    pub(crate) safety: &'a SafetySummary,
    pub(crate) flags: &'a [Flag],
}

impl<'a> Bank<'a> {
    /// The passes of each channel, by number.
    fn by_channel(&self) -> BTreeMap<&'a Channel, Vec<&'a PassSummary>> {
        let mut channels: BTreeMap<&Channel, Vec<&PassSummary>> = BTreeMap::new();
        for pass in self.passes {
            channels.entry(&pass.pass.channel).or_default().push(pass);
        }
        channels
    }

    /// Minutes from a record to the newest one whose clock can be held against it, and when that
    /// was. There is no clock here: what happened since is unknown, so the minutes are the fewest
    /// it can be.
    fn since(&self, moment: &Stamp) -> Option<(f64, DateTime<FixedOffset>)> {
        let newest = (self.view.devices.iter())
            .filter_map(|d| d.last.as_ref())
            .filter(|last| self.clocks.comparable(moment, last))
            .max_by_key(|last| (last.corrected, last.id))?;
        let min = minutes(moment.corrected, newest.corrected)?;
        Some((figure(min)?, self.clocks.shown(newest)))
    }

    fn span(&self, pass: &PassKey) -> Span<'a> {
        let views: &'a [PassView] = &self.view.passes;
        Span::of(views.iter().find(|p| p.pass == *pass))
    }
}

/// The answers, one for each question, in the order of [`Question`].
pub(crate) fn decisions(bank: &Bank<'_>) -> Vec<Advice> {
    let safe = safe::safe_to_go_on(bank);
    let permit = permit::permit_take(bank);
    let heat = heat::water_limit(bank);
    let another = another_pass::another_pass(bank, &[&safe, &permit, &heat]);
    vec![
        safe,
        permit,
        heat,
        bucket::bucket_time(bank),
        recovery::recovery(bank),
        settings::settings(bank),
        another,
        two_nets::block_nets(bank),
        equal_effort::equal_effort(bank),
        tally::tally_against_work_up(bank),
        measure::who_to_measure(bank),
        seen::species_seen(bank),
    ]
}

/// `pass 2`, or `pass 2 of left` off the main channel.
fn pass_words(pass: &PassKey) -> String {
    if *pass == PassKey::main(pass.number) {
        format!("pass {}", pass.number)
    } else {
        format!("pass {} of {}", pass.number, pass.channel)
    }
}

/// Each part with a capital in front and a full stop behind.
fn sentences(parts: &[String]) -> String {
    let mut said: Vec<String> = Vec::new();
    for part in parts.iter().filter(|part| !part.is_empty()) {
        let mut letters = part.chars();
        let first = letters.next().into_iter().flat_map(char::to_uppercase);
        let mut sentence: String = first.chain(letters).collect();
        if !sentence.ends_with(['.', '?', '!']) {
            sentence.push('.');
        }
        said.push(sentence);
    }
    said.join(" ")
}
