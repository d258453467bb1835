//! Removal series as crews bring them home: short, rising, late, zero, split round an island.

use gravelbar_estimate::Outcome;
use gravelbar_reduce::{CatchSource, Removal, SizeGroups};
use gravelbar_visit::{
    Amend, Bucket, BucketLabel, BucketMoment, Channel, FieldValue, FlagKind, PassClosed,
    PassOpened, ReachLength, Width,
};

use crate::crew::{
    Crew, LEAD, Look, batch, counter, estimate, figures, fish, measured, pass, plan, series,
    species, tally,
};

#[test]
fn a_fish_counted_twice_in_the_water_stays_out_of_the_estimate() {
    let mut crew = Crew::at_the_brook(&plan());
    for (key, n) in [("main/1", 48), ("main/2", 19), ("main/3", 8)] {
        crew.fishes(key);
        crew.works_up(key, "brook trout", n);
    }
    crew.tell(
        0,
        "Hollis Fenn",
        "10:00",
        vec![tally(&pass("main/1"), "brook trout", 25)],
    );
    crew.tell(
        0,
        "Sabine Quell",
        "10:00",
        vec![tally(&pass("main/1"), "brook trout", 24)],
    );
    let summary = crew.summary();
    assert_eq!(summary.pass("main/1").tallied, 49);
    assert_eq!(summary.pass("main/1").tally[0].gap, Some(1));
    assert_eq!(summary.of("brook trout").removal.catch, [48, 19, 8]);
    assert_eq!(estimate(summary.of("brook trout")).0, 79);
    assert_eq!(summary.flagged(FlagKind::TallyGap).len(), 1);
}

#[test]
fn rising_catches_give_a_minimum_and_a_reason() {
    let summary = series("brook trout", &[8, 9, 11]);
    let removal = &summary.of("brook trout").removal;
    assert!(removal.headline().is_none() && removal.density.is_none());
    assert!(
        removal.verdict.starts_with("minimum 28, did not deplete"),
        "{}",
        removal.verdict
    );
    let words = summary.flagged(FlagKind::NoEstimate);
    assert_eq!(words.len(), 1);
    assert!(
        words[0].contains("effort") && words[0].contains("net"),
        "{words:?}"
    );
    let text = summary.to_text();
    assert!(!text.contains("68"), "{text}");
}

#[test]
fn a_late_found_bucket_moves_the_estimate_and_says_so() {
    // Estimates as printed with the scenario: 72 without the bucket, 79 with it, 84 with it in
    // the wrong pass.
    let mut crew = Crew::at_the_brook(&plan());
    for (key, n) in [("main/1", 39), ("main/2", 19), ("main/3", 8)] {
        crew.fishes(key);
        crew.works_up(key, "brook trout", n);
    }
    let bucket = |moment| {
        Bucket {
            label: BucketLabel::new("1C").unwrap(),
            pass: pass("main/1"),
            moment,
        }
        .into()
    };
    crew.tell(
        0,
        "Dov Kestrelow",
        "10:20",
        vec![bucket(BucketMoment::FirstFish)],
    );
    let waiting = crew.summary();
    assert_eq!(estimate(waiting.of("brook trout")).0, 72);
    let words = waiting.flagged(FlagKind::BucketOpen);
    assert!(
        words[0].starts_with("bucket 1C of pass main/1 has fish in it"),
        "{words:?}"
    );
    let cautions = &waiting.of("brook trout").removal.cautions;
    assert!(
        cautions
            .iter()
            .any(|c| c.contains("bucket 1C of pass 1 isn't emptied"))
    );

    let why = "bucket found under the alder";
    let nine = |key: &str| {
        (0..9)
            .map(|_| fish(&pass(key), "brook trout").into())
            .collect()
    };
    let wrong = crew.tell_why(0, LEAD, "13:40", why, nine("main/2"));
    crew.tell(
        0,
        "Dov Kestrelow",
        "13:41",
        vec![bucket(BucketMoment::Emptied)],
    );
    assert_eq!(estimate(crew.summary().of("brook trout")).0, 84);
    let back = Amend {
        of: wrong,
        set: FieldValue::Pass(pass("main/1")),
        replaces: Vec::new(),
        scope: None,
    };
    crew.tell_why(0, LEAD, "13:45", "the label says pass 1", vec![back.into()]);
    let right = crew.summary();
    assert_eq!(right.of("brook trout").removal.catch, [48, 19, 8]);
    assert_eq!(estimate(right.of("brook trout")).0, 79);
    assert_eq!(right.flagged(FlagKind::BucketOpen), Vec::<&str>::new());
    let added = &right.pass("main/1").with_reason;
    assert_eq!((added[0].n, added[0].why.as_str()), (9, why));
    assert!(
        right
            .to_text()
            .contains("9 recorded by Mirelle Ashgrove with the reason")
    );
}

#[test]
fn fished_and_empty_is_zero_and_not_missing() {
    let summary = series("brook trout", &[5, 0, 0]);
    let trout = summary.of("brook trout");
    assert_eq!(trout.removal.catch, [5, 0, 0]);
    assert_eq!(trout.catch.len(), 3);
    assert_eq!(estimate(trout), (5, None));
    assert!(trout.removal.verdict.contains("not informative"));
    assert_eq!(trout.removal.density, None, "no area was measured");
    // A visit without a fish is a visit.
    let mut crew = Crew::at_the_brook(&plan());
    crew.fishes("main/1");
    let empty = crew.summary();
    assert_eq!((empty.passes.len(), empty.worked_up), (1, 0));
    assert!(
        empty
            .to_text()
            .contains("zero caught does not mean zero present")
    );
}

#[test]
fn a_pass_nobody_fished_is_missing_and_not_zero() {
    let mut crew = Crew::at_the_brook(&plan());
    for (key, n) in [("main/1", 20), ("main/3", 5)] {
        crew.fishes(key);
        crew.works_up(key, "brook trout", n);
    }
    let summary = crew.summary();
    let removal = &summary.of("brook trout").removal;
    assert_eq!((removal.catch.clone(), removal.total), (vec![20], 25));
    let said = removal.cautions.join(" | ");
    assert!(
        said.contains("pass 2 isn't on record though a later pass is"),
        "{said}"
    );
    assert!(
        said.contains("5 fish are on record in passes the estimate doesn't use"),
        "{said}"
    );
}

#[test]
fn a_pass_being_fished_or_not_yet_worked_up_waits() {
    let mut crew = Crew::at_the_brook(&plan());
    for (key, n) in [("main/1", 48), ("main/2", 19)] {
        crew.fishes(key);
        crew.works_up(key, "brook trout", n);
    }
    let two = estimate(crew.summary().of("brook trout"));
    let open = PassOpened {
        pass: pass("main/3"),
    };
    crew.tell(
        0,
        LEAD,
        "12:45",
        vec![open.into(), tally(&pass("main/3"), "brook trout", 3)],
    );
    let fishing = crew.summary();
    assert_eq!(estimate(fishing.of("brook trout")), two);
    let said = fishing.of("brook trout").removal.cautions.join(" | ");
    assert!(said.contains("pass 3 is still being fished"), "{said}");
    let close = PassClosed {
        pass: pass("main/3"),
    };
    crew.tell(0, LEAD, "13:22", vec![close.into()]);
    let waiting = crew.summary();
    assert_eq!(estimate(waiting.of("brook trout")), two);
    let said = waiting.of("brook trout").removal.cautions.join(" | ");
    assert!(
        said.contains("pass 3 isn't worked up yet (3 on the tally)"),
        "{said}"
    );
    crew.works_up("main/3", "brook trout", 8);
    assert_eq!(estimate(crew.summary().of("brook trout")).0, 79);
}

#[test]
fn only_a_species_nobody_worked_up_is_estimated_from_the_tally() {
    let mut crew = Crew::at_the_brook(&plan());
    for (key, n) in [("main/1", 48), ("main/2", 19), ("main/3", 8)] {
        crew.fishes(key);
        crew.works_up(key, "creek chub", 1);
        crew.tell(
            0,
            "Hollis Fenn",
            "15:00",
            vec![tally(&pass(key), "brook trout", n)],
        );
    }
    let summary = crew.summary();
    let trout = summary.of("brook trout");
    assert_eq!(trout.source, CatchSource::Tally);
    assert_eq!(estimate(trout).0, 79);
    assert!(trout.removal.verdict.starts_with("from tally: about 79"));
    // One worked-up fish, and the tally has no say any more.
    crew.works_up("main/1", "brook trout", 1);
    let summary = crew.summary();
    let trout = summary.of("brook trout");
    assert_eq!((trout.source, trout.total), (CatchSource::WorkUp, 1));
    let said = trout.removal.cautions.join(" | ");
    assert!(
        said.contains("netters counted 48 brook trout, 1 are worked up"),
        "{said}"
    );
}

#[test]
fn a_fourth_pass_narrows_the_interval_and_the_third_stays_readable() {
    // As printed with the scenario: 128 ± 17 and 120 ± 34 after three; 127 ± 9 (7 %) and
    // 118 ± 19 (16 %) after four.
    for (of, catch, three, four, percent) in [
        (
            "blacknose dace",
            [62, 31, 18, 8],
            (128, 17.0),
            (127, 9.0),
            7.0,
        ),
        (
            "slimy sculpin",
            [41, 28, 19, 11],
            (120, 34.0),
            (118, 19.0),
            16.0,
        ),
    ] {
        let summary = series(of, &catch);
        let removal = &summary.of(of).removal;
        let round = |(n, width): (u64, Option<f64>)| (n, width.unwrap().round());
        assert_eq!(
            round(figures(removal.after[1].headline.as_ref().unwrap())),
            three
        );
        assert_eq!(removal.after[1].passes, 3);
        let now = removal.headline().unwrap();
        assert_eq!(round(figures(now)), four);
        assert_eq!((now.relative_half_width.unwrap() * 100.0).round(), percent);
    }
}

/// Skerry Run: trout 22/9/4 on the left and 13/6/2 on the right of an island.
fn island() -> Crew {
    let mut crew = Crew::new(&plan(), 1);
    for (channel, length_m, width_m, catch, seconds) in [
        ("left", 50.0, 4.2, [22, 9, 4], [640.0, 602.0, 580.0]),
        ("right", 50.0, 2.6, [13, 6, 2], [420.0, 398.0, 391.0]),
    ] {
        crew.nets_hold(channel);
        let arm = Channel::new(channel).unwrap();
        let length = ReachLength {
            channel: arm.clone(),
            length_m,
            replaces: Vec::new(),
        };
        let width = Width {
            channel: arm,
            width_m,
        };
        crew.tell(0, LEAD, "08:50", vec![length.into(), width.into()]);
        crew.tell(
            0,
            "Okto Brandt",
            "08:55",
            vec![crate::crew::setting(channel, 350.0).into()],
        );
        for (number, (n, s)) in (1..).zip(catch.into_iter().zip(seconds)) {
            let key = pass(&format!("{channel}/{number}"));
            let (opened, closed, _) = crate::crew::TIMES[usize::from(key.number) - 1];
            crew.tell(
                0,
                LEAD,
                opened,
                vec![PassOpened { pass: key.clone() }.into()],
            );
            crew.tell(
                0,
                LEAD,
                closed,
                vec![PassClosed { pass: key.clone() }.into()],
            );
            crew.tell(
                0,
                "Okto Brandt",
                closed,
                vec![counter(&key, channel, 0.0, s)],
            );
            crew.tell(0, LEAD, closed, vec![batch(&key, "brook trout", n).into()]);
        }
    }
    crew
}

#[test]
fn round_an_island_each_arm_has_its_figures_and_both_are_joined_by_pass() {
    // As printed with the scenario: 37 and 21 (all caught), joined 35/15/6 to 59 ± 5.
    let summary = island().summary();
    let trout = summary.of("brook trout");
    let arms: Vec<_> = (trout.channels.iter())
        .map(|arm| {
            (
                arm.channel.as_str(),
                figures(arm.removal.headline().unwrap()),
            )
        })
        .collect();
    assert_eq!((arms[0].0, arms[0].1.0), ("left", 37));
    assert_eq!(arms[1], ("right", (21, None)));
    assert_eq!(trout.removal.catch, [35, 15, 6]);
    let (n, width) = estimate(trout);
    assert_eq!((n, width.unwrap().round()), (59, 5.0));
    let density = trout.removal.density.as_ref().unwrap();
    assert_eq!(density.area_m2, 340.0);
    assert_eq!(summary.pass("left/1").effort.total_s, Some(640.0));
    assert_eq!(summary.pass("right/3").effort.total_s, Some(391.0));
}

#[test]
fn a_pass_counts_on_the_whole_only_where_every_arm_was_fished() {
    let mut crew = island();
    let key = pass("left/4");
    let open = PassOpened { pass: key.clone() };
    crew.tell(0, LEAD, "14:10", vec![open.into()]);
    crew.tell(
        0,
        LEAD,
        "14:50",
        vec![PassClosed { pass: key.clone() }.into()],
    );
    crew.tell(0, LEAD, "15:00", vec![batch(&key, "brook trout", 2).into()]);
    let summary = crew.summary();
    let trout = summary.of("brook trout");
    assert_eq!(trout.channels[0].removal.catch, [22, 9, 4, 2]);
    assert_eq!(trout.removal.catch, [35, 15, 6]);
    assert_eq!(trout.removal.total, 58);
    let said = trout.removal.cautions.join(" | ");
    assert!(said.contains("left 4, right 3"), "{said}");
}

/// Trout of two sizes in both arms of an island: every arm has its own size groups, with what stood after each pass,
/// and the arms' groups add up to the joined ones.
#[test]
fn round_an_island_each_arm_has_its_size_groups_after_every_pass() {
    let plan = gravelbar_visit::Plan::from_about(
        r#"{"version":1,"site":"MF-2","place":"Marl Fork","date":"2026-08-18","passes":3,
        "species":[{"name":"brook trout","size_cuts_mm":[100]}]}"#,
    )
    .unwrap();
    let mut crew = Crew::at_the_brook(&plan);
    // Pass by pass: small, large.
    let arms = [
        ("left", [(9, 13), (4, 5), (2, 2)]),
        ("right", [(6, 7), (3, 3), (1, 1)]),
    ];
    for (channel, catch) in arms {
        crew.nets_hold(channel);
        for (number, (small, large)) in (1..).zip(catch) {
            let key = format!("{channel}/{number}");
            crew.fishes(&key);
            let key = pass(&key);
            let small = (0..small).map(|_| measured(&key, "brook trout", 70.0, None).into());
            let large = (0..large).map(|_| measured(&key, "brook trout", 160.0, None).into());
            crew.tell(0, LEAD, "15:00", small.chain(large).collect());
        }
    }
    let summary = crew.summary();
    let trout = summary.of("brook trout");
    let groups = |groups: &SizeGroups| -> Vec<Removal> {
        let SizeGroups::Estimated { groups, .. } = groups else {
            panic!("{groups:?}");
        };
        groups.iter().map(|g| g.removal.clone()).collect()
    };
    let joined = groups(&trout.size_groups);
    let (left, right) = (&trout.channels[0], &trout.channels[1]);
    assert_eq!(left.channel.as_str(), "left");
    let (left, right) = (groups(&left.size_groups), groups(&right.size_groups));
    assert_eq!(
        left.iter().map(|r| r.catch.clone()).collect::<Vec<_>>(),
        [[9, 4, 2], [13, 5, 2]]
    );
    for ((joined, left), right) in joined.iter().zip(&left).zip(&right) {
        let both: Vec<u64> = left
            .catch
            .iter()
            .zip(&right.catch)
            .map(|(l, r)| l + r)
            .collect();
        assert_eq!(joined.catch, both);
    }
    for group in left.iter().chain(&right) {
        let after: Vec<usize> = group.after.iter().map(|a| a.passes).collect();
        assert_eq!(after, [2, 3]);
        let last = group.after.last().unwrap();
        assert_eq!(last.headline.as_ref(), group.headline());
    }
    // Two passes of 13 and 5 by the closed form 13^2 / 8 = 21.1; the weighted number lies at or just below it.
    let after_two = left[1].after[0].headline.as_ref().unwrap();
    assert!((18..=21).contains(&after_two.n_fish), "{after_two:?}");
    let text = summary.to_text();
    assert!(text.contains("100 mm and over: 13, 5, 2 = 20"), "{text}");
}

#[test]
fn a_renamed_pass_of_sculpins_changes_a_plausible_number() {
    // As printed with the scenario: 41/0/19 gives 70 ± 13, renamed 41/28/19 gives 120.
    let mut crew = Crew::at_the_brook(&plan());
    let mut mottled = Vec::new();
    for (key, of, n) in [
        ("main/1", "slimy sculpin", 41),
        ("main/2", "mottled sculpin", 28),
        ("main/3", "slimy sculpin", 19),
    ] {
        crew.fishes(key);
        let records = crew.works_up(key, of, n);
        if of == "mottled sculpin" {
            mottled = records;
        }
    }
    let summary = crew.summary();
    let (n, width) = estimate(summary.of("slimy sculpin"));
    assert_eq!((n, width.unwrap().round()), (70, 13.0));
    let rename = Amend {
        of: mottled,
        set: FieldValue::Species(species("slimy sculpin")),
        replaces: Vec::new(),
        scope: None,
    };
    crew.tell_why(
        0,
        "Wrenna Tolliver",
        "16:00",
        "vouchers checked",
        vec![rename.into()],
    );
    let summary = crew.summary();
    assert_eq!(estimate(summary.of("slimy sculpin")).0, 120);
    assert_eq!(summary.species.len(), 1);
}

#[test]
fn one_pass_is_a_minimum_count() {
    let summary = series("brook trout", &[48]);
    let removal = &summary.of("brook trout").removal;
    assert_eq!(
        removal.analysis.as_ref().unwrap().outcome,
        Outcome::OnePassOnly
    );
    assert!(removal.verdict.starts_with("minimum 48, one pass only"));
    assert_eq!(removal.after, []);
}
