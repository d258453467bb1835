//! Are the settings right for this water? Each pack's output against the goal and the limits.

use std::collections::BTreeMap;

use gravelbar_electric::{Ambient, SettingReview};
use gravelbar_electric::{
    CAUTION, Current, FishBand, GoalStanding, KnownGood, LimitVerdict, Reach, Setting,
    review_setting,
};
use gravelbar_visit::{Dated, Pack, Reaction, Trial, Waveform};

use super::reference::{ambient, limits, same_output};
use super::{Advice, Bank, Question, Urgency, sentences};
use crate::figure::plain;

pub(super) fn settings(bank: &Bank<'_>) -> Advice {
    let question = Question::Settings;
    let mut packs: BTreeMap<&Pack, &Dated<gravelbar_visit::Setting>> = BTreeMap::new();
    for setting in bank.view.settings.iter().filter(|s| !s.voided) {
        let newest = packs.entry(&setting.what.pack).or_insert(setting);
        let key = |s: &Dated<gravelbar_visit::Setting>| (s.stamp.lamport, s.stamp.id);
        if key(setting) > key(newest) {
            *newest = setting;
        }
    }
    if packs.is_empty() {
        return Advice::untold(question, "no_setting", "no output is on record");
    }
    let mut advice = Advice::of(question);
    let in_force = limits(bank);
    for unknown in &in_force.unknown {
        advice.raise(Urgency::Look);
        advice.refused.push(unknown.clone());
    }
    let water = ambient(bank);
    let known = bank.view.plan.known_good.and_then(|known| {
        let matched = Ambient::new(known.ambient_us_cm).ok()?;
        KnownGood::new(known.peak_v, None, matched).ok()
    });
    if water.is_none() {
        advice.refuse(
            "no_conductivity",
            "the ambient conductivity isn't on record".to_owned(),
        );
    }
    if known.is_none() {
        advice.refuse(
            "no_known_good",
            "the plan names no output known to be good".to_owned(),
        );
    }
    if water.is_none() || known.is_none() {
        advice.raise(Urgency::CannotTell);
    }
    let mut parts = Vec::new();
    for (pack, set) in packs {
        let entered = electric(&set.what);
        let review = in_force.limits.as_ref().and_then(|limits| {
            review_setting(&entered, known.as_ref(), FishBand::PUBLISHED, limits)
                .map_err(|why| {
                    let words = "check volts, Hz, ms and duty";
                    advice.refuse(why.code(), format!("pack {pack}: {words}"));
                })
                .ok()
        });
        let Some(review) = review else {
            advice.raise(Urgency::Look);
            parts.push(format!("pack {pack}: the output as written isn't possible"));
            continue;
        };
        parts.push(against_goal(pack, &review, &mut advice));
        parts.push(reaction(bank, &set.what).unwrap_or_default());
        parts.push(review.limits.words.clone());
        advice.raise(match review.limits.verdict {
            LimitVerdict::Breach => Urgency::Now,
            LimitVerdict::NotAllChecked => Urgency::CannotTell,
            LimitVerdict::Kept | LimitVerdict::NoLimits => Urgency::Settled,
        });
        if let Some(pulses) = review.pulses.as_ref().filter(|pulses| !pulses.agrees) {
            advice.raise(Urgency::Look);
            parts.push(pulses.words.clone());
        }
        let goal = review.goal.iter().flat_map(|goal| &goal.cautions);
        for caution in review.cautions.iter().chain(goal) {
            advice.cautions.push(caution.to_string());
        }
    }
    advice.cautions.push(CAUTION.to_owned());
    advice.cautions.dedup();
    advice.sentence = sentences(&parts);
    advice
}

/// `pack 1: 350 V against a goal of about 350 V (250 to 400 V over …) at 68 µS/cm`.
fn against_goal(pack: &Pack, review: &SettingReview, advice: &mut Advice) -> String {
    let volts = plain(review.setting.peak_v);
    advice.number(
        format!("pack {pack}: peak output"),
        review.setting.peak_v,
        "V",
    );
    let Some(goal) = &review.goal else {
        return format!("pack {pack}: {volts} V, and no goal to hold it against");
    };
    advice.number(format!("pack {pack}: goal"), goal.model.peak_v, "V");
    if let Some(ratio) = review.ratio_to_goal {
        advice.number(
            format!("pack {pack}: share of the goal"),
            100.0 * ratio,
            "%",
        );
    }
    advice.number("ambient conductivity", goal.water.us_cm(), "µS/cm");
    if goal.reach == Reach::NotReachable {
        advice.raise(Urgency::Look);
        return format!("pack {pack}: {volts} V; {}", goal.words);
    }
    let judged = match review.standing {
        Some(GoalStanding::Below) => {
            advice.raise(Urgency::Look);
            ", below the band"
        }
        Some(GoalStanding::Above) => {
            advice.raise(Urgency::Look);
            ", above the band: try lower"
        }
        Some(GoalStanding::Within) | None => "",
    };
    format!(
        "pack {pack}: {volts} V against a goal of about {:.0} V ({:.0} to {:.0} V for fish of {} to {} µS/cm) at {} µS/cm{judged}",
        goal.model.peak_v,
        goal.peak_v.low,
        goal.peak_v.high,
        plain(goal.fish.low().us_cm()),
        plain(goal.fish.high().us_cm()),
        plain(goal.water.us_cm())
    )
}

/// What the newest fish tried at exactly this output did.
fn reaction(bank: &Bank<'_>, set: &gravelbar_visit::Setting) -> Option<String> {
    let newest: &Dated<Trial> = (bank.view.trials.iter())
        .filter(|t| !t.voided && same_output(&t.what.setting, set))
        .max_by_key(|t| (t.stamp.lamport, t.stamp.id))?;
    let mut said = match newest.what.reaction {
        Reaction::None => "a fish tried at it did nothing",
        Reaction::Twitch => "a fish tried at it twitched",
        Reaction::Drawn => "drawn",
        Reaction::Rolled => "rolled over",
        Reaction::Rigid => "went stiff",
    }
    .to_owned();
    if let Some(m) = newest.what.distance_m {
        said.push_str(&format!(" at {} m", plain(m)));
    }
    if let Some(s) = newest.what.upright_s {
        said.push_str(&format!(", upright in {} s", plain(s)));
    }
    Some(said)
}

fn electric(setting: &gravelbar_visit::Setting) -> Setting {
    Setting {
        current: match setting.waveform {
            Waveform::DirectCurrent => Current::Direct,
            Waveform::PulsedDirectCurrent => Current::Pulsed,
            Waveform::BurstsOfPulses => Current::Bursts,
            Waveform::AlternatingCurrent => Current::Alternating,
        },
        peak_v: setting.peak_v,
        peak_a: setting.current_a,
        pulse_rate_hz: setting.pulse_rate_hz,
        pulse_width_ms: setting.pulse_width_ms,
        duty_percent: setting.duty_percent,
    }
}
