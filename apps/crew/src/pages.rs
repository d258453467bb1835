//! The screens, drawn here and only here: one file per role, all numbers from the reducer.

mod advice;
mod change;
pub(crate) mod crew;
pub(crate) mod crew_lists;
mod frame;
pub(crate) mod history;
pub(crate) mod join_visits;
mod lead;
pub(crate) mod let_in;
mod me;
mod netter;
mod operator;
mod parts;
mod qr;
mod reach;
mod recorder;
mod safety;
mod settle;
mod sign;
pub(crate) mod start;
pub(crate) mod summary;

use gravelbar_reduce::{PassState, PassSummary, Summary};
use gravelbar_visit::{PassKey, PersonName, PersonView, Role, SafetyState, View};
use maud::Markup;

use crate::node::Picture;

/// The pages of a visit.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Page {
    /// Who holds this device, and who is on the crew.
    Me,
    /// Netters' counting.
    Tally,
    /// The operator's output and seconds.
    Output,
    /// Checklist and stops.
    Safety,
    /// Fish on the bank.
    WorkUp,
    /// What the lead decides on.
    Lead,
    /// Water, reach and nets.
    Reach,
    /// Odd things to be settled.
    Settle,
    /// The signature.
    Sign,
    /// The field summary as it is printed.
    Summary,
}

impl Page {
    /// All pages, in the order they are offered.
    pub(crate) const ALL: [Self; 10] = [
        Self::Tally,
        Self::WorkUp,
        Self::Output,
        Self::Safety,
        Self::Lead,
        Self::Reach,
        Self::Settle,
        Self::Sign,
        Self::Summary,
        Self::Me,
    ];

    /// Its place in the address.
    pub(crate) fn path(self) -> &'static str {
        match self {
            Self::Me => "me",
            Self::Tally => "tally",
            Self::Output => "output",
            Self::Safety => "safety",
            Self::WorkUp => "work-up",
            Self::Lead => "lead",
            Self::Reach => "reach",
            Self::Settle => "settle",
            Self::Sign => "sign",
            Self::Summary => "summary",
        }
    }

    /// Its name on the screen.
    fn title(self) -> &'static str {
        match self {
            Self::Me => "Me and crew",
            Self::Tally => "Count fish",
            Self::Output => "Output and seconds",
            Self::Safety => "Safety",
            Self::WorkUp => "Work-up",
            Self::Lead => "Overview",
            Self::Reach => "Water, reach, nets",
            Self::Settle => "To settle",
            Self::Sign => "Sign",
            Self::Summary => "Field summary",
        }
    }

    /// The page at this place in the address.
    pub(crate) fn named(path: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|page| page.path() == path)
    }
}

/// Where someone works first: the page of the role that needs it most.
pub(crate) fn home_of(person: Option<&PersonView>) -> Page {
    let has = |role: Role| person.is_some_and(|p| p.roles.contains(&role));
    if has(Role::Operator) {
        Page::Output
    } else if has(Role::Recorder) || has(Role::Measurer) || has(Role::FishCarer) {
        Page::WorkUp
    } else if has(Role::Lead) {
        Page::Lead
    } else if has(Role::Netter) {
        Page::Tally
    } else if has(Role::SafetyLead) {
        Page::Safety
    } else {
        Page::Me
    }
}

/// Who looks at what.
pub(crate) struct Seat<'a> {
    picture: &'a Picture,
    me: Option<&'a PersonName>,
    chosen: Option<PassKey>,
    /// Whether long lists are shown whole.
    all: bool,
}

impl<'a> Seat<'a> {
    pub(crate) fn new(
        picture: &'a Picture,
        me: Option<&'a PersonName>,
        chosen: Option<PassKey>,
        all: bool,
    ) -> Self {
        Self {
            picture,
            me,
            chosen,
            all,
        }
    }

    fn view(&self) -> &'a View {
        &self.picture.view
    }

    fn summary(&self) -> &'a Summary {
        &self.picture.summary
    }

    /// This person as the crew list has them.
    fn my_place(&self) -> Option<&'a PersonView> {
        self.view().people.iter().find(|p| Some(&p.name) == self.me)
    }

    fn has_role(&self, roles: &[Role]) -> bool {
        self.my_place()
            .is_some_and(|p| roles.iter().any(|r| p.roles.contains(r)))
    }

    /// Only these may clear a stop.
    fn may_clear(&self) -> bool {
        self.has_role(&[Role::Lead, Role::SafetyLead])
    }

    fn stopped(&self) -> bool {
        matches!(self.view().safety.state, SafetyState::Stopped { .. })
            || !self.picture.stops_heard.is_empty()
    }

    /// The passes being fished now.
    fn open_passes(&self) -> impl Iterator<Item = &'a PassSummary> {
        (self.summary().passes.iter()).filter(|p| p.state == PassState::Open)
    }

    fn pass(&self, key: &PassKey) -> Option<&'a PassSummary> {
        self.summary().passes.iter().find(|p| p.pass == *key)
    }

    /// The pass the page is about: the one chosen on it; else the newest open one; else the last
    /// one fished, whose fish are on the bank.
    fn current_pass(&self) -> Option<PassKey> {
        let newest = || self.open_passes().max_by_key(|p| p.pass.number);
        let last = || self.summary().passes.iter().max_by_key(|p| p.pass.number);
        (self.chosen.clone())
            .or_else(|| newest().map(|p| p.pass.clone()))
            .or_else(|| last().map(|p| p.pass.clone()))
    }
}

/// Draws one page.
pub(crate) fn show(seat: &Seat<'_>, page: Page) -> Markup {
    let body = match page {
        Page::Me => me::page(seat),
        Page::Tally => netter::page(seat),
        Page::Output => operator::page(seat),
        Page::Safety => safety::page(seat),
        Page::WorkUp => recorder::page(seat),
        Page::Lead => lead::page(seat),
        Page::Reach => reach::page(seat),
        Page::Settle => settle::page(seat),
        Page::Sign => sign::page(seat),
        Page::Summary => summary::page(seat),
    };
    frame::frame(seat, page.title(), page.path(), body)
}
