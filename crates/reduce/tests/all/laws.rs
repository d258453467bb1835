//! Laws that hold for every view, however odd.

use gravelbar_reduce::{CatchSource, Closure, Reducer, Summary, summarize};
use gravelbar_visit::{FieldValue, View, Void};
use proptest::collection::vec;
use proptest::prelude::*;

use crate::crew::{Crew, LEAD, fish, pass, plan, tally};
use crate::random::{failed_net, view};

/// A fixed shuffle of one seed: what comes out differs, what is in it doesn't.
fn shuffle<T>(items: &mut [T], seed: u64) {
    let mut state = seed | 1;
    for last in (1..items.len()).rev() {
        state = state
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1);
        let place = usize::try_from(state >> 33).unwrap() % (last + 1);
        items.swap(last, place);
    }
}

fn shuffled(view: &View, seed: u64) -> View {
    let mut view = view.clone();
    shuffle(&mut view.heads, seed);
    shuffle(&mut view.people, seed);
    shuffle(&mut view.devices, seed);
    shuffle(&mut view.channels, seed);
    shuffle(&mut view.nets, seed);
    shuffle(&mut view.water, seed);
    shuffle(&mut view.settings, seed);
    shuffle(&mut view.trials, seed);
    shuffle(&mut view.incidents, seed);
    shuffle(&mut view.passes, seed);
    shuffle(&mut view.tallies, seed);
    shuffle(&mut view.escapes, seed);
    shuffle(&mut view.buckets, seed);
    shuffle(&mut view.fish, seed);
    shuffle(&mut view.batches, seed);
    shuffle(&mut view.deaths, seed);
    shuffle(&mut view.safety.stops, seed);
    shuffle(&mut view.flags, seed);
    for channel in &mut view.channels {
        shuffle(&mut channel.widths_m, seed);
    }
    for net in &mut view.nets {
        shuffle(&mut net.states, seed);
    }
    for pass in &mut view.passes {
        shuffle(&mut pass.opened, seed);
        shuffle(&mut pass.closed, seed);
        shuffle(&mut pass.counters, seed);
    }
    for bucket in &mut view.buckets {
        shuffle(&mut bucket.moments, seed);
    }
    view
}

/// Every figure that isn't a number would show here; JSON would hide it as `null`.
fn not_a_number(summary: &Summary) -> Option<String> {
    let shown = format!("{summary:?}");
    let bad = ["NaN", "(inf)", "(-inf)", ": inf", ": -inf"];
    bad.iter().find(|b| shown.contains(*b)).map(|b| {
        let place = shown.find(b).unwrap();
        shown[place.saturating_sub(200)..place + 5].to_owned()
    })
}

fn caught(view: &View) -> u64 {
    let fish = view.fish.iter().filter(|f| !f.voided).count() as u64;
    let batches = view.batches.iter().filter(|b| !b.out);
    fish + batches.map(|b| u64::from(b.n.value)).sum::<u64>()
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(192))]

    /// Also the promise that nothing panics: every case runs all of the reducer and the sheet.
    #[test]
    fn the_order_of_a_views_lists_and_repeated_flags_change_no_byte(
        view in view(),
        seed in any::<u64>(),
    ) {
        let summary = summarize(&view);
        let mut other = shuffled(&view, seed);
        other.flags = summary.flags.clone();
        other.flags.extend(summary.flags.clone());
        let other = summarize(&other);
        prop_assert_eq!(summary.to_json(), other.to_json());
        prop_assert_eq!(summary.to_text(), other.to_text());
    }

    #[test]
    fn totals_are_the_records_that_arent_out(view in view()) {
        let summary = summarize(&view);
        prop_assert_eq!(summary.worked_up, caught(&view));
        let tapped = view.tallies.iter().filter(|t| !t.out);
        prop_assert_eq!(summary.tallied, tapped.map(|t| u64::from(t.n.value)).sum::<u64>());
        let bank = summary.species.iter().filter(|s| s.source == CatchSource::WorkUp);
        prop_assert_eq!(bank.map(|s| s.total).sum::<u64>(), summary.worked_up);
        for species in &summary.species {
            prop_assert_eq!(species.total, species.catch.iter().map(|c| c.n).sum::<u64>());
            prop_assert!(species.removal.catch.iter().sum::<u64>() <= species.total);
        }
    }

    #[test]
    fn a_void_removes_exactly_one_fish(view in view(), which in any::<prop::sample::Index>()) {
        prop_assume!(view.fish.iter().any(|f| !f.voided));
        let standing: Vec<usize> = (0..view.fish.len()).filter(|i| !view.fish[*i].voided).collect();
        let gone = standing[which.index(standing.len())];
        let mut less = view.clone();
        less.fish[gone].voided = true;
        let (before, after) = (summarize(&view), summarize(&less));
        prop_assert_eq!(before.worked_up - after.worked_up, 1);
        let name = &view.fish[gone].species.value;
        let of = |s: &Summary| {
            let bank = s.species.iter().filter(|s| s.source == CatchSource::WorkUp);
            bank.filter(|s| s.species == *name).map(|s| s.total).sum::<u64>()
        };
        prop_assert_eq!(of(&before) - of(&after), 1);
    }

    #[test]
    fn a_reducer_that_has_met_other_catches_prints_the_same_bytes(
        first in view(),
        second in view(),
    ) {
        let mut reducer = Reducer::default();
        for view in [&first, &second, &first] {
            prop_assert_eq!(reducer.summarize(view).to_json(), summarize(view).to_json());
        }
    }

    #[test]
    fn no_figure_is_anything_but_a_number(view in view()) {
        let summary = summarize(&view);
        prop_assert_eq!(not_a_number(&summary), None);
        let json: serde_json::Value = serde_json::from_str(&summary.to_json()).unwrap();
        prop_assert!(json.is_object());
    }

    #[test]
    fn the_sheet_keeps_to_eighty_columns(view in view()) {
        for line in summarize(&view).to_text().lines() {
            prop_assert!(line.chars().count() <= 80, "{}", line);
        }
    }

    /// Merging may only make the nets more doubtful: one more record of a net that didn't hold,
    /// whoever made it and whenever, never closes a pass or a series that wasn't closed without it.
    #[test]
    fn a_net_that_failed_never_closes_anything(view in view(), failed in failed_net()) {
        let mut worse = view.clone();
        worse.nets.push(failed);
        let (before, after) = (summarize(&view), summarize(&worse));
        for (before, after) in before.passes.iter().zip(&after.passes) {
            prop_assert!(after.nets.closure >= before.nets.closure);
        }
        for (before, after) in before.species.iter().zip(&after.species) {
            prop_assert!(after.removal.closure >= before.removal.closure);
            let series = after.removal.closure == Closure::Open && after.removal.catch.len() > 1;
            prop_assert_eq!(after.removal.verdict.starts_with("OPEN"), series);
        }
    }

    /// A death told once more never lowers a take, and never adds more than it tells.
    #[test]
    fn a_death_never_lowers_a_take(view in view(), which in any::<prop::sample::Index>()) {
        prop_assume!(!view.deaths.is_empty());
        let mut more = view.clone();
        let mut death = view.deaths[which.index(view.deaths.len())].clone();
        death.stamp.id.n += 70_000;
        death.out = false;
        let told = u64::from(death.n.value);
        more.deaths.push(death);
        let (before, after) = (summarize(&view), summarize(&more));
        for (before, after) in before.take.iter().zip(&after.take) {
            prop_assert!(after.dead >= before.dead && after.dead - before.dead <= told);
            prop_assert!(after.caught >= before.caught);
            prop_assert!(after.caught >= after.dead);
            prop_assert!(after.dead_at_limit >= before.dead_at_limit);
        }
    }
}

/// One act on one device, or a meeting of two.
#[derive(Debug, Clone)]
enum Act {
    Tap(usize, u32),
    WorkUp(usize, u8),
    VoidFirst(usize),
    Rename(usize),
    Meet(usize, usize),
}

fn act() -> impl Strategy<Value = Act> {
    prop_oneof![
        (0..3_usize, 1..4_u32).prop_map(|(d, n)| Act::Tap(d, n)),
        (0..3_usize, 1..4_u8).prop_map(|(d, p)| Act::WorkUp(d, p)),
        (0..3_usize).prop_map(Act::VoidFirst),
        (0..3_usize).prop_map(Act::Rename),
        (0..3_usize, 0..3_usize).prop_map(|(a, b)| Act::Meet(a, b)),
    ]
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(48))]

    /// Equal heads, equal summary: whatever three devices did apart and in whatever order they
    /// met, once all have met they print the same bytes.
    #[test]
    fn devices_with_equal_heads_print_equal_bytes(acts in vec(act(), 1..30)) {
        let mut crew = Crew::new(&plan(), 3);
        for act in acts {
            let known = |crew: &Crew, device: usize| {
                crew.devices[device].view().fish.first().map(|f| f.stamp.id)
            };
            match act {
                Act::Tap(device, n) => {
                    crew.tell(device, LEAD, "10:00", vec![tally(&pass("main/1"), "brook trout", n)]);
                }
                Act::WorkUp(device, number) => {
                    let key = pass(&format!("main/{number}"));
                    crew.tell(device, LEAD, "10:40", vec![fish(&key, "brook trout").into()]);
                }
                Act::VoidFirst(device) => {
                    if let Some(of) = known(&crew, device) {
                        let void = Void { of, seen: Vec::new() };
                        crew.tell_why(device, LEAD, "10:50", "slip", vec![void.into()]);
                    }
                }
                Act::Rename(device) => {
                    if let Some(of) = known(&crew, device) {
                        let rename = gravelbar_visit::Amend {
                            of: vec![of],
                            set: FieldValue::Species(crate::crew::species("brown trout")),
                            replaces: Vec::new(),
                            scope: None,
                        };
                        crew.tell_why(device, LEAD, "10:55", "looked again", vec![rename.into()]);
                    }
                }
                Act::Meet(a, b) => crew.hands_over(a, b),
            }
        }
        crew.meet();
        let bytes: Vec<String> =
            crew.devices.iter().map(|d| summarize(&d.view()).to_json()).collect();
        prop_assert_eq!(&bytes[0], &bytes[1]);
        prop_assert_eq!(&bytes[0], &bytes[2]);
    }
}
