//! The load visit holds the fish of its scenario, every time.

use std::collections::BTreeMap;

use gravelbar_reduce::summarize;
use gravelbar_tests::marl_fork::{CATCH, marl_fork, marl_fork_apart};
use gravelbar_visit::Visit;

#[test]
fn marl_fork_holds_the_fish_of_its_scenario() {
    let visit = marl_fork(1);
    let view = visit.view();
    let summary = summarize(&view);
    let caught: BTreeMap<&str, u64> = (summary.species.iter())
        .map(|s| (s.species.as_str(), s.total))
        .collect();
    let expected: BTreeMap<&str, u64> = CATCH.map(|(name, n)| (name, u64::from(n))).into();
    assert_eq!(caught, expected);
    assert_eq!(summary.worked_up, 2_316);
    assert_eq!(summary.tallied, 2_316);
    assert_eq!(view.fish.len(), 666);
    let batched: u32 = view.batches.iter().map(|b| b.n.value).sum();
    assert_eq!(batched, 1_650);
    assert_eq!(summary.channels[0].area_m2.map(f64::round), Some(1_656.0));
    assert_eq!(summary.passes[0].effort.total_s, Some(3_410.0 + 3_286.0));
    let records = visit.records().len();
    println!("{records} records");
    assert!((3_500..6_000).contains(&records), "{records} records");
}

#[test]
fn devices_that_heard_nothing_all_day_give_the_same_sheet_once_they_meet() {
    let mut apart = marl_fork_apart(1);
    let together = marl_fork(1);
    let mut lead = apart.swap_remove(0);
    for other in &apart {
        let missing = other.missing(lead.vector(), usize::MAX, usize::MAX);
        let received = lead.receive(missing.iter().map(|c| c.bytes.to_vec()).collect());
        assert!(received.refused.is_empty(), "{:?}", received.refused);
    }
    let sheet = |visit: &Visit| {
        let summary = summarize(&visit.view());
        let caught: Vec<(String, u64, Option<f64>)> = (summary.species.iter())
            .map(|s| (s.species.to_string(), s.total, s.mass.weighed_g))
            .collect();
        let tapped: Vec<(String, u64)> = (summary.passes[0].tally.iter())
            .map(|t| (t.name.to_string(), t.tallied))
            .collect();
        (caught, tapped, summary.passes[0].escaped)
    };
    assert_eq!(sheet(&lead), sheet(&together));
}
