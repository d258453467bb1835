//! Owns the question "are the settings right for this water?", answered in one piece.

use crate::caution::Caution;
use crate::fish::FishBand;
use crate::goal::KnownGood;
use crate::goal_band::{GoalBand, goal_band};
use crate::limits::{LimitCheck, Limits};
use crate::output::Output;
use crate::setting::{Setting, SettingError};
use crate::significant::{maybe_figure, said};
use crate::waveform::{Current, PulseCheck};
use serde::Serialize;

/// Where a setting stands against the goal band.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum GoalStanding {
    /// Below the band.
    Below,
    /// In the band.
    Within,
    /// Above the band.
    Above,
}

/// A setting looked at from every side: goal, limits, pulses, output.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct SettingReview {
    /// The setting as entered.
    pub setting: Setting,
    /// The goal; `None` where no known good setting or no conductivity was given.
    pub goal: Option<GoalBand>,
    /// Peak volts over the goal's best value.
    #[serde(serialize_with = "maybe_figure")]
    pub ratio_to_goal: Option<f64>,
    /// Where it stands against the goal band.
    pub standing: Option<GoalStanding>,
    /// The limits.
    pub limits: LimitCheck,
    /// Hz, ms and duty held against each other.
    pub pulses: Option<PulseCheck>,
    /// Mean and RMS.
    pub output: Option<Output>,
    /// What to bear in mind.
    pub cautions: Vec<Caution>,
    /// In words, for the crew.
    pub words: String,
}

/// Asks whether a setting is right for the water that `limits` were looked up for.
///
/// Volts against the goal band, every limit, Hz against ms against duty, mean and RMS. Judges numbers
/// only: how fish react and recover comes first, and [`crate::review_recovery`] asks about it.
///
/// ```
/// use gravelbar_electric::*;
/// let today = Ambient::new(68.0)?;
/// let permit = Profile::named("quillet_brook_demo").into_iter().collect::<Vec<_>>();
/// let limits = Limits::of(&permit, WaterNow { ambient: Some(today), ..WaterNow::default() })?;
/// let setting = Setting {
///     current: Current::Pulsed, peak_v: 350.0, peak_a: None,
///     pulse_rate_hz: Some(30.0), pulse_width_ms: Some(4.0), duty_percent: Some(12.0),
/// };
/// let known = KnownGood::new(260.0, None, Ambient::new(115.0)?)?;
/// let review = review_setting(&setting, Some(&known), FishBand::PUBLISHED, &limits)?;
/// assert_eq!(review.standing, Some(GoalStanding::Within));
/// assert_eq!(review.limits.verdict, LimitVerdict::Kept);
/// # Ok::<(), Box<dyn std::error::Error>>(())
/// ```
///
/// # Errors
/// A setting that isn't possible, see [`Setting::check`].
///
/// # Source
/// As the parts.
pub fn review_setting(
    setting: &Setting,
    known: Option<&KnownGood>,
    fish: FishBand,
    limits: &Limits,
) -> Result<SettingReview, SettingError> {
    let pulses = setting.check()?;
    let output = setting.output()?;
    let check = limits.check(Some(setting))?;
    let goal = known
        .zip(limits.water().ambient)
        .map(|(known, water)| goal_band(known, water, fish, limits));
    let ratio_to_goal = (goal.as_ref()).map(|goal| setting.peak_v / goal.model.peak_v);
    let standing = goal.as_ref().map(|goal| {
        if setting.peak_v < goal.peak_v.low {
            GoalStanding::Below
        } else if setting.peak_v > goal.peak_v.high {
            GoalStanding::Above
        } else {
            GoalStanding::Within
        }
    });
    let mut cautions = Vec::new();
    if goal.is_none() {
        cautions.extend(limits.water().ambient.iter().flat_map(|w| w.cautions()));
    }
    if setting.current == Current::Bursts {
        cautions.push(Caution::BurstsCountPulses);
    }
    let mut sentences = vec![match (&goal, standing) {
        (Some(goal), Some(standing)) => format!(
            "{} V, {}; {}",
            said(setting.peak_v),
            match standing {
                GoalStanding::Below => "below the goal band",
                GoalStanding::Within => "in the goal band",
                GoalStanding::Above => "above the goal band: try lower",
            },
            goal.words
        ),
        _ => format!(
            "{} V; no goal without a known good setting and the ambient conductivity",
            said(setting.peak_v)
        ),
    }];
    sentences.extend(pulses.as_ref().map(|check| check.words.clone()));
    sentences.push(check.words.clone());
    Ok(SettingReview {
        setting: *setting,
        words: (sentences.iter())
            .map(|words| sentence(words))
            .collect::<Vec<_>>()
            .join(" "),
        goal,
        ratio_to_goal,
        standing,
        limits: check,
        pulses,
        output,
        cautions,
    })
}

/// Words with a capital in front and a full stop behind.
fn sentence(words: &str) -> String {
    let mut letters = words.chars();
    match letters.next() {
        Some(first) => format!("{}{}.", first.to_uppercase(), letters.as_str()),
        None => String::new(),
    }
}
