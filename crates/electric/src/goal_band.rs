//! Owns the goal as a crew should see it: a band over fish conductivity, held against the caps.

use crate::caution::{CAUTION, Caution};
use crate::conductivity::Ambient;
use crate::fish::FishBand;
use crate::goal::{
    Goal, KnownGood, Workable, goal, workable_under_amps, workable_under_volts,
    workable_under_watts,
};
use crate::limit::{Breach, Limit};
use crate::limits::Limits;
use crate::quantity::{Quantity, Rule};
use crate::significant::{figure, maybe_figure, said};
use serde::Serialize;

/// The formula of every goal, in words for a printed page.
pub const GOAL_FORMULA: &str = "Power transfer: V2 = V1 (1 + cf/c2) / (1 + cf/c1), I2 = I1 (cf + c2) / (cf + c1), P2 = V2 I2; peak values";

/// Where the formula comes from.
pub const GOAL_SOURCE: &str = "derived from the power transfer model of Kolz 1989 as tested by Miranda and Dolan 2003; no published goal table was matched";

/// What every goal assumes.
pub const GOAL_ASSUMES: [&str; 4] = [
    "same electrodes, equally deep, in water that lets the field spread as it did",
    "same waveform, Hz and ms",
    "fish of the same kind and size",
    "ambient conductivity, not corrected to 25 °C",
];

/// A least and greatest value.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Span {
    /// Least.
    #[serde(serialize_with = "figure")]
    pub low: f64,
    /// Greatest.
    #[serde(serialize_with = "figure")]
    pub high: f64,
}

impl Span {
    fn over(a: f64, b: f64, c: f64) -> Self {
        Self {
            low: a.min(b).min(c),
            high: a.max(b).max(c),
        }
    }
}

/// Whether a goal can be reached under a cap.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Reach {
    /// For every fish conductivity of the band.
    Reachable,
    /// For the best value, but not for all of the band.
    ReachableForPart,
    /// Not for the best value: **goal not reachable under the cap**.
    NotReachable,
}

/// A goal held against one cap.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct CapCheck {
    /// Whether it can be reached.
    pub reach: Reach,
    /// The cap, strictest of its kind.
    pub cap: Limit,
    /// How far the best value goes over, where it does.
    pub breach: Option<Breach>,
    /// Waters in which the goal for the best fish value stays under the cap; `None` where there is none.
    pub workable: Option<Workable>,
}

/// The goal in new water as a band over fish conductivity, held against the caps.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct GoalBand {
    /// The new water.
    pub water: Ambient,
    /// The setting it starts from.
    pub known: KnownGood,
    /// Peak volts to aim for: the best value, and only where every cap allows it.
    #[serde(serialize_with = "maybe_figure")]
    pub aim_v: Option<f64>,
    /// Whether the goal can be reached under all caps together.
    pub reach: Reach,
    /// What the model asks for with the best fish value, caps or not.
    pub model: Goal,
    /// Peak volts over the band.
    pub peak_v: Span,
    /// Peak amps over the band.
    pub peak_a: Option<Span>,
    /// Peak watts over the band.
    pub peak_w: Option<Span>,
    /// The band of fish conductivity.
    pub fish: FishBand,
    /// Each cap in force.
    pub caps: Vec<CapCheck>,
    /// The formula.
    pub formula: &'static str,
    /// Where it comes from.
    pub source: &'static str,
    /// What it assumes.
    pub assumes: [&'static str; 4],
    /// What must be shown with it.
    pub caution: &'static str,
    /// What to bear in mind in this case.
    pub cautions: Vec<Caution>,
    /// In words, for the crew.
    pub words: String,
}

/// The goal in new water as a band over fish conductivity, with caps on volts, amps and watts applied.
///
/// The goal is monotone in the fish conductivity (its factor is `(cf + c2)/(cf + c1)`), so the ends of the
/// band bound everything between. Where a cap is under the goal, no aim is given: the words say which
/// cap, by how much, and in which waters the goal would fit. Caps on amps and watts count only where
/// the known setting has amps.
///
/// ```
/// use gravelbar_electric::{Ambient, FishBand, KnownGood, Limits, Profile, Reach, WaterNow, goal_band};
/// let known = KnownGood::new(260.0, None, Ambient::new(115.0)?)?;
/// let today = Ambient::new(68.0)?;
/// let permit = Profile::named("quillet_brook_demo").into_iter().collect::<Vec<_>>();
/// let limits = Limits::of(&permit, WaterNow { ambient: Some(today), ..WaterNow::default() })?;
/// let band = goal_band(&known, today, FishBand::PUBLISHED, &limits);
/// assert_eq!(band.reach, Reach::Reachable);
/// assert_eq!(band.aim_v.map(f64::round), Some(350.0));
/// # Ok::<(), Box<dyn std::error::Error>>(())
/// ```
///
/// # Source
/// As [`goal()`]; caps from the profiles. "Report, never go over the cap" is a rule of this project.
#[must_use]
pub fn goal_band(known: &KnownGood, water: Ambient, fish: FishBand, limits: &Limits) -> GoalBand {
    let [low, best, high] =
        [fish.low(), fish.best(), fish.high()].map(|fish| goal(known, water, fish));
    let span = |pick: fn(&Goal) -> Option<f64>| match (pick(&low), pick(&best), pick(&high)) {
        (Some(a), Some(b), Some(c)) => Some(Span::over(a, b, c)),
        _ => None,
    };
    let peak_v = Span::over(low.peak_v, best.peak_v, high.peak_v);
    let (peak_a, peak_w) = (span(|goal| goal.peak_a), span(|goal| goal.peak_w));
    let sizes = [
        (Quantity::PeakV, Some(best.peak_v), Some(peak_v)),
        (Quantity::PeakA, best.peak_a, peak_a),
        (Quantity::PeakW, best.peak_w, peak_w),
    ];
    let caps: Vec<CapCheck> = (sizes.into_iter())
        .filter_map(|(quantity, best, span)| cap_check(known, fish, limits, quantity, best?, span?))
        .collect();
    let reach = if caps.iter().any(|cap| cap.reach == Reach::NotReachable) {
        Reach::NotReachable
    } else if caps.iter().any(|cap| cap.reach == Reach::ReachableForPart) {
        Reach::ReachableForPart
    } else {
        Reach::Reachable
    };
    let mut cautions = water.cautions();
    cautions.extend((known.water().cautions().into_iter()).filter(|caution| {
        matches!(caution, Caution::OutsideTestedRange { .. }) && known.water() != water
    }));
    cautions.extend([Caution::FewFishEstimates, Caution::SizeMatters]);
    GoalBand {
        water,
        known: *known,
        aim_v: (reach != Reach::NotReachable).then_some(best.peak_v),
        reach,
        model: best,
        peak_v,
        peak_a,
        peak_w,
        fish,
        words: words(water, &best, peak_v, fish, &caps, reach),
        caps,
        formula: GOAL_FORMULA,
        source: GOAL_SOURCE,
        assumes: GOAL_ASSUMES,
        caution: CAUTION,
        cautions,
    }
}

fn cap_check(
    known: &KnownGood,
    fish: FishBand,
    limits: &Limits,
    quantity: Quantity,
    best: f64,
    span: Span,
) -> Option<CapCheck> {
    let cap = limits.strictest(quantity, Rule::AtMost)?;
    let reach = if span.high <= cap.value() {
        Reach::Reachable
    } else if best <= cap.value() {
        Reach::ReachableForPart
    } else {
        Reach::NotReachable
    };
    let workable = match quantity {
        Quantity::PeakV => workable_under_volts(known, fish.best(), cap.value()),
        Quantity::PeakA => workable_under_amps(known, fish.best(), cap.value()),
        _ => workable_under_watts(known, fish.best(), cap.value()),
    };
    Some(CapCheck {
        reach,
        breach: limits.breach(quantity, Rule::AtMost, best),
        cap: cap.clone(),
        workable: workable.ok(),
    })
}

fn words(
    water: Ambient,
    best: &Goal,
    peak_v: Span,
    fish: FishBand,
    caps: &[CapCheck],
    reach: Reach,
) -> String {
    let at = said(water.us_cm());
    let fish_span = format!(
        "{} to {}",
        said(fish.low().us_cm()),
        said(fish.high().us_cm())
    );
    let mut said_so = match reach {
        Reach::NotReachable => format!("goal not reachable under the cap at {at} µS/cm"),
        Reach::Reachable | Reach::ReachableForPart => format!(
            "goal about {:.0} V peak at {at} µS/cm ({:.0} to {:.0} V for fish of {fish_span} µS/cm)",
            best.peak_v, peak_v.low, peak_v.high
        ),
    };
    for cap in caps {
        let waters = cap.workable.map_or_else(
            || "in no water".to_owned(),
            |waters| match (waters.from_us_cm, waters.to_us_cm) {
                (Some(from), Some(to)) => format!("from {} to {} µS/cm", said(from), said(to)),
                (Some(from), None) => format!("from {} µS/cm up", said(from)),
                (None, Some(to)) => format!("up to {} µS/cm", said(to)),
                (None, None) => "in every water".to_owned(),
            },
        );
        let clause = match (cap.reach, &cap.breach) {
            (Reach::NotReachable, Some(breach)) => {
                format!(
                    "; by the model, {breach}; stay at or under the cap, the goal fits under it {waters}"
                )
            }
            (Reach::ReachableForPart, _) => format!(
                "; the top of the band is over the cap, do not follow it there: {}",
                cap.cap
            ),
            _ => format!("; under the cap: {}", cap.cap),
        };
        said_so.push_str(&clause);
    }
    said_so
}
