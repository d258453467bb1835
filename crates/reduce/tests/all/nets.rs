//! Nets: what holds an estimate together.

use gravelbar_reduce::{Closure, summarize};
use gravelbar_visit::{ClockOffset, FlagKind, NetEnd, NetState, Role};

use crate::crew::{Crew, LEAD, Look, estimate, net, plan, series, tag};

/// Trout 22/9/4, with the upstream net in this state from 11:42 to 11:58, in pass 2.
fn net_fails(state: NetState) -> gravelbar_reduce::Summary {
    let mut crew = Crew::at_the_brook(&plan());
    crew.fishes("main/1");
    crew.works_up("main/1", "brook trout", 22);
    let open = |key: &str| {
        let pass = crate::crew::pass(key);
        gravelbar_visit::PassOpened { pass }.into()
    };
    crew.tell(0, LEAD, "11:20", vec![open("main/2")]);
    crew.tell(
        0,
        "Dov Kestrelow",
        "11:42",
        vec![net("main", NetEnd::Upstream, state)],
    );
    crew.tell(
        0,
        "Dov Kestrelow",
        "11:58",
        vec![net("main", NetEnd::Upstream, NetState::Holding)],
    );
    let pass = crate::crew::pass("main/2");
    crew.tell(
        0,
        LEAD,
        "12:02",
        vec![gravelbar_visit::PassClosed { pass }.into()],
    );
    crew.works_up("main/2", "brook trout", 9);
    crew.fishes("main/3");
    crew.works_up("main/3", "brook trout", 4);
    crew.summary()
}

#[test]
fn a_net_that_fails_in_pass_two_opens_the_estimate_and_leaves_pass_one() {
    let summary = net_fails(NetState::Down);
    let closures: Vec<Closure> = summary.passes.iter().map(|p| p.nets.closure).collect();
    assert_eq!(closures, [Closure::Closed, Closure::Open, Closure::Closed]);
    let words = summary.flagged(FlagKind::NetsOpen);
    assert_eq!(words.len(), 1, "{words:?}");
    assert!(
        words[0].contains("pass main/2: upstream net down from 11:42 until 11:58"),
        "{words:?}"
    );
    assert!(words[0].contains("the count of pass 1 stands"), "{words:?}");
    let removal = &summary.of("brook trout").removal;
    // Still computed, as printed for 22/9/4, and labelled.
    assert_eq!(estimate(summary.of("brook trout")).0, 37);
    assert_eq!(removal.closure, Closure::Open);
    assert!(
        removal
            .verdict
            .starts_with("OPEN (upstream net down from 11:42"),
        "{}",
        removal.verdict
    );
    assert!(
        removal
            .after
            .iter()
            .all(|after| after.closure == Closure::Open)
    );
}

#[test]
fn leaking_and_lifted_nets_are_open_too() {
    for state in [NetState::Leaking, NetState::Lifted] {
        let summary = net_fails(state);
        assert_eq!(summary.of("brook trout").removal.closure, Closure::Open);
    }
    let held = net_fails(NetState::Holding);
    assert_eq!(held.of("brook trout").removal.closure, Closure::Closed);
    assert_eq!(held.flagged(FlagKind::NetsOpen), Vec::<&str>::new());
}

#[test]
fn nets_lifted_when_all_is_done_open_nothing() {
    let mut crew = Crew::at_the_brook(&plan());
    for (key, n) in [("main/1", 22), ("main/2", 9), ("main/3", 4)] {
        crew.fishes(key);
        crew.works_up(key, "brook trout", n);
    }
    for end in [NetEnd::Upstream, NetEnd::Downstream] {
        crew.tell(0, LEAD, "14:20", vec![net("main", end, NetState::Lifted)]);
    }
    assert_eq!(
        crew.summary().of("brook trout").removal.closure,
        Closure::Closed
    );
}

#[test]
fn a_gap_between_two_passes_opens_the_series() {
    let mut crew = Crew::at_the_brook(&plan());
    crew.fishes("main/1");
    crew.works_up("main/1", "brook trout", 22);
    crew.tell(
        0,
        LEAD,
        "10:50",
        vec![net("main", NetEnd::Downstream, NetState::Down)],
    );
    crew.tell(
        0,
        LEAD,
        "11:00",
        vec![net("main", NetEnd::Downstream, NetState::Holding)],
    );
    crew.fishes("main/2");
    crew.works_up("main/2", "brook trout", 9);
    let summary = crew.summary();
    assert!(
        summary
            .passes
            .iter()
            .all(|p| p.nets.closure == Closure::Closed)
    );
    assert_eq!(summary.of("brook trout").removal.closure, Closure::Open);
}

#[test]
fn nets_nobody_recorded_are_a_caution() {
    let mut crew = Crew::new(&plan(), 1);
    for (key, n) in [("main/1", 22), ("main/2", 9), ("main/3", 4)] {
        crew.fishes(key);
        crew.works_up(key, "brook trout", n);
    }
    let summary = crew.summary();
    let removal = &summary.of("brook trout").removal;
    assert_eq!(removal.closure, Closure::NotRecorded);
    assert!(
        removal
            .cautions
            .iter()
            .any(|c| c.starts_with("nets not recorded"))
    );
    assert!(
        !series("brook trout", &[22, 9, 4])
            .of("brook trout")
            .removal
            .cautions
            .iter()
            .any(|c| c.starts_with("nets not recorded"))
    );
}

/// Dov, out of reach, and the lead look at the upstream net apart from each other; the lead after
/// so many other records that hers stands later in the order by cause.
fn seen_apart(dov: (&str, NetState), lead: (&str, NetState)) -> Closure {
    let mut crew = Crew::new(&plan(), 2);
    crew.joins(0, LEAD, Role::Lead, "08:10");
    let offset = ClockOffset {
        tag: tag(1),
        offset_ms: 0,
        uncertainty_ms: 20,
    };
    crew.tell(0, LEAD, "08:12", vec![offset.into()]);
    crew.nets_hold("main");
    crew.meet();
    crew.fishes("main/1");
    let state = |state| vec![net("main", NetEnd::Upstream, state)];
    crew.tell(1, "Dov Kestrelow", dov.0, state(dov.1));
    crew.works_up("main/1", "brook trout", 22);
    crew.tell(0, LEAD, lead.0, state(lead.1));
    crew.meet();
    crew.fishes("main/2");
    crew.works_up("main/2", "brook trout", 9);
    crew.meet();
    let views: Vec<_> = crew.devices.iter().map(|d| summarize(&d.view())).collect();
    assert_eq!(views[0].to_json(), views[1].to_json());
    views[0].pass("main/2").nets.closure
}

#[test]
fn a_net_is_mended_only_by_who_saw_it_later_by_cause_and_by_the_clock() {
    let (down, holding) = (NetState::Down, NetState::Holding);
    // Looked at before it fell: mends nothing, though it was written down later.
    assert_eq!(
        seen_apart(("11:05", down), ("11:00", holding)),
        Closure::Open
    );
    // Looked at afterwards by someone who wrote later.
    assert_eq!(
        seen_apart(("11:05", down), ("11:10", holding)),
        Closure::Closed
    );
    // Looked at afterwards by someone who can't have known that it was down: still asked about.
    assert_eq!(
        seen_apart(("11:10", holding), ("11:05", down)),
        Closure::Open
    );
}
