//! The demo visit to Quillet Brook, every fish of it, against its printed table.

use gravelbar_estimate::Outcome;
use gravelbar_reduce::{CatchSource, Closure, SizeGroups, Summary};
use gravelbar_visit::{
    Amend, Batch, Channel, Death, DeathStage, Fact, Fate, FieldValue, FlagKind, PassKey, Plan,
    ReachLength, RecordId, SameThing, Width,
};

use crate::crew::{Crew, LEAD, Look, estimate, figures, fish, measured, pass, species, tally};

/// Length in mm and mass in g of each fish, by species and pass. Invented for the demo.
const FISH: [(&str, [&str; 3]); 4] = [
    (
        "brook trout",
        [
            "72/3.2 72/3.2 163/36.1 72/3.3 201/78.2 183/57.7 146/28.9 185/59.9 76/3.9 133/21.1 \
             200/80.9 78/4.4 84/5.8 142/24.5 70/2.9 66/2.7 130/18.0 224/125.2 69/2.9 139/22.6 \
             82/4.8 131/20.1 180/47.0 62/2.2 136/21.4 65/2.5 182/54.2 76/4.1 133/19.3 65/2.5 \
             109/11.6 141/25.2 203/74.7 122/15.2 181/55.7 131/21.0 66/2.6 171/47.3 134/23.8 \
             65/2.4 135/19.8 74/3.6 126/17.5 219/87.9 140/24.7 146/24.7 129/18.0 137/21.9",
            "71/3.4 117/13.3 62/2.3 131/21.0 76/4.0 124/17.6 79/4.8 190/60.8 114/12.3 128/17.4 \
             72/3.2 166/41.3 132/19.0 77/3.8 151/29.4 80/4.3 115/13.5 73/3.2 67/2.5",
            "180/51.5 125/17.1 72/3.0 171/41.0 72/3.8 64/2.3 79/4.8 77/4.0",
        ],
    ),
    (
        "brown trout",
        [
            "267/211.3 142/31.0 165/44.7 84/5.9 221/106.8 239/152.5 233/134.7 154/40.6 211/104.7 \
             78/4.4 228/119.2",
            "217/116.0 186/75.9 169/51.3 126/20.9",
            "136/24.3",
        ],
    ),
    (
        "white sucker",
        [
            "217/108.9 158/47.8 196/78.9 117/18.8 170/61.4 158/50.7",
            "103/11.5 193/87.6 147/40.3",
            "126/23.5",
        ],
    ),
    (
        "creek chub",
        [
            "72/3.6 143/29.9 136/22.9 115/13.5 125/20.1 128/21.5 166/46.3 125/19.5 112/14.0 \
             127/20.3 78/4.3 121/17.3 89/6.2 73/3.9",
            "105/10.8 93/7.7 83/5.3 82/5.1 117/17.1 112/13.5",
            "71/3.6 117/15.1 96/8.7 93/7.3",
        ],
    ),
];

/// One batch.
type Weighed = (u32, f64, f64, f64, f64);

/// Number, mass in g, shortest, longest and mean length in mm of each batch.
const BATCHES: [(&str, [Weighed; 3]); 2] = [
    (
        "blacknose dace",
        [
            (62, 163.8, 37.0, 82.0, 63.2),
            (31, 71.7, 35.0, 80.0, 60.2),
            (18, 44.5, 35.0, 80.0, 61.3),
        ],
    ),
    (
        "slimy sculpin",
        [
            (41, 148.2, 40.0, 93.0, 63.2),
            (28, 107.2, 44.0, 87.0, 65.2),
            (19, 93.1, 50.0, 90.0, 70.6),
        ],
    ),
];

/// Netter, name tapped and fish, by pass: two trout of pass 1 were tapped by both netters.
const TAPS: [&[(&str, &str, u32)]; 3] = [
    &[
        ("Hollis Fenn", "brook trout", 27),
        ("Sabine Quell", "brook trout", 23),
        ("Hollis Fenn", "minnows", 76),
    ],
    &[
        ("Hollis Fenn", "brook trout", 19),
        ("Sabine Quell", "minnows", 37),
    ],
    &[
        ("Hollis Fenn", "brook trout", 8),
        ("Hollis Fenn", "minnows", 22),
    ],
];

const LAMPREY: &str = "american brook lamprey";

pub(crate) fn plan() -> Plan {
    Plan::from_about(
        r#"{"version":1,"site":"QB-03","place":"Quillet Brook, Lower Hollow","date":"2026-08-18",
        "purpose":"trout trend","passes":3,"species":[
        {"name":"brook trout","scientific_name":"Salvelinus fontinalis","size_cuts_mm":[100]},
        {"name":"brown trout","scientific_name":"Salmo trutta"},
        {"name":"white sucker"},
        {"name":"creek chub","tallied_as":"minnows"},
        {"name":"blacknose dace","tallied_as":"minnows","size_cuts_mm":[60]},
        {"name":"slimy sculpin"},
        {"name":"american brook lamprey",
         "permit":{"caught":20,"dead":1,"caught_before":9,"dead_before":0}}]}"#,
    )
    .unwrap()
}

/// The visit, and the record of brook trout no. 38 of pass 1, typed at `no_38_g`.
pub(crate) fn visit(no_38_g: f64) -> (Crew, RecordId) {
    visit_to(&plan(), no_38_g)
}

/// The same visit, begun from another plan.
pub(crate) fn visit_to(plan: &Plan, no_38_g: f64) -> (Crew, RecordId) {
    let mut crew = Crew::at_the_brook(plan);
    let main = Channel::main();
    let length = ReachLength {
        channel: main.clone(),
        length_m: 100.0,
        replaces: Vec::new(),
    };
    let mut reach: Vec<Fact> = vec![length.into()];
    for width_m in [3.4, 3.9, 4.2, 3.7, 4.1, 4.0, 4.4, 3.6, 3.8, 3.9] {
        let channel = main.clone();
        reach.push(Width { channel, width_m }.into());
    }
    crew.tell(0, LEAD, "09:00", reach);
    let mut no_38 = None;
    for number in 1..=3_u8 {
        let key = PassKey::main(number);
        let place = usize::from(number) - 1;
        crew.opens(&key.to_string());
        for (by, of, n) in TAPS[place] {
            crew.tell(
                0,
                by,
                ["10:00", "11:40", "13:00"][place],
                vec![tally(&key, of, *n)],
            );
        }
        crew.closes(&key.to_string());
        let at = ["10:40", "12:10", "13:30"][place];
        for (of, passes) in FISH {
            let mut facts: Vec<Fact> = Vec::new();
            for (count, one) in (1..).zip(passes[place].split_whitespace()) {
                let (mm, g) = one.split_once('/').unwrap();
                let mut g: f64 = g.parse().unwrap();
                if (of, number, count) == ("brook trout", 1, 38) {
                    g = no_38_g;
                }
                facts.push(measured(&key, of, mm.parse().unwrap(), Some(g)).into());
            }
            let records = crew.tell(0, "Sabine Quell", at, facts);
            if of == "brook trout" && number == 1 {
                no_38 = records.get(37).copied();
            }
        }
        for (of, passes) in BATCHES {
            let (n, g, min, max, mean) = passes[place];
            let batch = Batch {
                mass_g: Some(g),
                min_mm: Some(min),
                max_mm: Some(max),
                mean_mm: Some(mean),
                ..crate::crew::batch(&key, of, n)
            };
            crew.tell(0, "Sabine Quell", at, vec![batch.into()]);
        }
        let lamprey: Vec<Fact> = [&[143.0, 147.0][..], &[129.0], &[]][place]
            .iter()
            .map(|mm| measured(&key, LAMPREY, *mm, None).into())
            .collect();
        if !lamprey.is_empty() {
            crew.tell(0, "Sabine Quell", at, lamprey);
        }
    }
    (crew, no_38.unwrap())
}

fn summary() -> Summary {
    visit(47.3).0.summary()
}

fn catch(summary: &Summary, of: &str) -> Vec<u64> {
    summary.of(of).removal.catch.clone()
}

#[test]
fn every_row_of_the_table_comes_out_with_its_catch_total_and_estimate() {
    let summary = summary();
    // Catch, total, weighted removal estimate and 1.96 standard errors as printed with the demo.
    for (of, by_pass, total, n, width) in [
        ("brook trout", [48, 19, 8], 75, 79, 5.7),
        ("creek chub", [14, 6, 4], 24, 26, 4.2),
        ("blacknose dace", [62, 31, 18], 111, 128, 16.5),
        ("slimy sculpin", [41, 28, 19], 88, 120, 33.8),
    ] {
        assert_eq!(catch(&summary, of), by_pass, "{of}");
        assert_eq!(summary.of(of).total, total, "{of}");
        assert_eq!(estimate(summary.of(of)), (n, Some(width)), "{of}");
        assert_eq!(summary.of(of).source, CatchSource::WorkUp);
        assert_eq!(summary.of(of).removal.closure, Closure::Closed);
    }
    // All caught: not informative. Too few. Too few, and under permit.
    let brown = summary.of("brown trout");
    assert_eq!((brown.total, estimate(brown)), (16, (16, None)));
    for (of, total) in [("white sucker", 10), (LAMPREY, 3)] {
        let removal = &summary.of(of).removal;
        assert_eq!(removal.total, total);
        assert!(removal.headline().is_none());
        assert_eq!(removal.analysis.as_ref().unwrap().outcome, Outcome::TooFew);
        assert!(removal.verdict.starts_with(&format!("minimum {total}")));
    }
    let sums: Vec<u64> = summary.passes.iter().map(|p| p.worked_up).collect();
    assert_eq!((sums, summary.worked_up), (vec![184, 92, 51], 327));
}

#[test]
fn size_groups_are_estimated_apart_and_add_up() {
    let summary = summary();
    let SizeGroups::Estimated { groups, sum } = &summary.of("brook trout").size_groups else {
        panic!("{:?}", summary.of("brook trout").size_groups);
    };
    let printed = [
        ("under 100 mm", vec![17, 9, 5], (34, Some(5.3))),
        ("100 mm and over", vec![31, 10, 3], (45, Some(2.4))),
    ];
    for (group, (words, by_pass, figures_printed)) in groups.iter().zip(printed) {
        assert_eq!(group.words, words);
        assert_eq!(group.removal.catch, by_pass);
        assert_eq!(figures(group.removal.headline().unwrap()), figures_printed);
    }
    assert!((sum.unwrap().n_fish - 79.0).abs() < 1e-9);
    // Batches were measured as a whole, so nobody knows how many were of which size.
    let SizeGroups::Unavailable { because } = &summary.of("blacknose dace").size_groups else {
        panic!("batches have no sizes");
    };
    assert!(
        because.contains("62 fish in batches in pass main/1"),
        "{because}"
    );
}

#[test]
fn density_mass_and_effort_are_those_of_the_sheet() {
    let summary = summary();
    let channel = &summary.channels[0];
    assert_eq!(channel.mean_width_m, Some(3.9));
    assert_eq!(channel.area_m2, Some(390.0));
    let trout = summary.of("brook trout");
    let density = trout.removal.density.as_ref().unwrap();
    assert!((density.fish_per_100_m2 - 20.3).abs() < 0.05);
    assert!((trout.mass.mean_g.unwrap() - 22.2).abs() < 0.05);
    assert!((trout.mass.biomass_g_m2.unwrap() - 4.5).abs() < 0.05);
    let effort = &summary.pass("main/1").effort;
    assert_eq!(effort.total_s, Some(1_184.0));
    assert!((effort.s_per_m2.unwrap() - 3.0).abs() < 0.05);
    assert_eq!(summary.pass("main/1").clock_min, Some(49.0));
    // 48 trout in 1,184 s.
    let line = &summary.pass("main/1").species;
    let trout = line
        .iter()
        .find(|s| s.species == species("brook trout"))
        .unwrap();
    assert!((trout.fish_per_100_s.unwrap() - 4.054).abs() < 0.001);
    // Lampreys weren't weighed: no mean, no biomass.
    assert_eq!(summary.of(LAMPREY).mass.mean_g, None);
}

#[test]
fn what_stood_after_two_passes_is_kept() {
    let summary = summary();
    let after = |of: &str| {
        let after = &summary.of(of).removal.after[0];
        assert_eq!(after.passes, 2);
        let (n, width) = figures(after.headline.as_ref().unwrap());
        (n, width.unwrap().round())
    };
    assert_eq!(after("brook trout"), (77, 13.0));
    assert_eq!(after("slimy sculpin"), (108, 51.0));
    assert_eq!(summary.of("slimy sculpin").removal.after.len(), 2);
    // Another pass at the same share: about 11 sculpin and ± 16 %.
    let next = summary
        .of("slimy sculpin")
        .removal
        .next_pass
        .as_ref()
        .unwrap();
    assert_eq!(next.expected_fish.round(), 11.0);
    assert_eq!((next.relative_then.unwrap() * 100.0).round(), 16.0);
}

#[test]
fn a_shared_net_shows_as_a_gap_and_the_estimate_stays_with_the_work_up() {
    let summary = summary();
    let gap = |key: &str, of: &str| {
        let lines = &summary.pass(key).tally;
        lines.iter().find(|l| l.name == species(of)).unwrap().gap
    };
    assert_eq!(gap("main/1", "brook trout"), Some(2));
    // Chub and dace are counted together as minnows: 62 + 14.
    assert_eq!(gap("main/1", "minnows"), Some(0));
    let words = summary.flagged(FlagKind::TallyGap);
    let trout = words
        .iter()
        .find(|w| w.contains("main/1, brook trout"))
        .unwrap();
    assert!(trout.contains("counted 50 (Hollis Fenn 27, Sabine Quell 23), 48 worked up; 2 more"));
    assert!(!words.iter().any(|w| w.contains("minnows")), "{words:?}");
    // Species the netters never tap are one line a pass.
    let untapped = words.iter().filter(|w| w.contains("never tapped")).count();
    assert_eq!((words.len(), untapped), (4, 3), "{words:?}");
    assert_eq!(summary.flagged(FlagKind::AfterClose), Vec::<&str>::new());
}

#[test]
fn the_slipped_point_is_caught_and_put_right_without_touching_the_estimate() {
    assert_eq!(summary().flagged(FlagKind::OddMass), Vec::<&str>::new());
    let (mut crew, no_38) = visit(473.0);
    let wrong = crew.summary();
    let words = wrong.flagged(FlagKind::OddMass);
    assert_eq!(words.len(), 1, "{words:?}");
    assert!(
        words[0].contains("brook trout of 171 mm at 473 g"),
        "{words:?}"
    );
    assert!(words[0].contains("47.3 g would fit"), "{words:?}");
    let amend = Amend {
        of: vec![no_38],
        set: FieldValue::MassG(47.3),
        replaces: Vec::new(),
        scope: None,
    };
    crew.tell_why(
        0,
        "Wrenna Tolliver",
        "16:00",
        "slipped decimal point",
        vec![amend.into()],
    );
    let right = crew.summary();
    assert_eq!(right.flagged(FlagKind::OddMass), Vec::<&str>::new());
    let biomass = |s: &Summary| s.of("brook trout").mass.biomass_g_m2.unwrap();
    assert!(biomass(&wrong) > biomass(&right) + 1.0);
    assert_eq!(
        estimate(right.of("brook trout")),
        estimate(wrong.of("brook trout"))
    );
}

#[test]
fn one_lamprey_dies_once_however_often_it_is_told() {
    let mut crew = visit(47.3).0;
    let key = pass("main/2");
    let death = || {
        Death {
            pass: key.clone(),
            species: species(LAMPREY),
            n: 1,
            stage: DeathStage::Holding,
            fish: None,
        }
        .into()
    };
    let carer = crew.tell(0, "Dov Kestrelow", "11:56", vec![death()]);
    let measurer = crew.tell(0, "Sabine Quell", "12:03", vec![death()]);
    let take = |crew: &Crew| crew.summary().take[0].clone();
    // Until a person says they are one, both count: a limit is better reached early.
    assert_eq!(take(&crew).dead, 2);
    let joined = SameThing {
        records: [carer, measurer].concat(),
    };
    crew.tell_why(0, LEAD, "12:20", "one fish", vec![joined.into()]);
    let reconciled = take(&crew);
    assert_eq!(
        (reconciled.season_caught, reconciled.limit_caught),
        (12, 20)
    );
    assert_eq!((reconciled.season_dead, reconciled.limit_dead), (1, 1));
    assert!(reconciled.dead_at_limit && !reconciled.caught_at_limit);
    let dead = crew.summary().dead;
    assert_eq!((dead.len(), dead[0].dead), (1, 1));
    assert_eq!(dead[0].species, species("american brook lamprey"));
    let summary = crew.summary();
    let words = summary.flagged(FlagKind::TakeLimit);
    assert_eq!(words.len(), 1);
    assert!(
        words[0].contains("1 of 1 dead this season, limit reached"),
        "{words:?}"
    );
}

#[test]
fn a_fate_and_a_death_that_names_the_fish_are_one_death() {
    let mut crew = Crew::at_the_brook(&plan());
    crew.fishes("main/2");
    let key = pass("main/2");
    let mut lamprey = fish(&key, LAMPREY);
    lamprey.fate = Some(Fate::Dead);
    let id = crew.tell(0, "Sabine Quell", "12:10", vec![lamprey.into()])[0];
    let named = Death {
        pass: key.clone(),
        species: species(LAMPREY),
        n: 1,
        stage: DeathStage::Holding,
        fish: Some(id),
    };
    crew.tell(0, "Dov Kestrelow", "12:11", vec![named.clone().into()]);
    assert_eq!(crew.summary().take[0].dead, 1);
    assert_eq!(
        crew.summary().flagged(FlagKind::Perhaps1Death),
        Vec::<&str>::new()
    );
    // One that names no fish may be another: both count, and somebody is asked.
    let mut crew = Crew::at_the_brook(&plan());
    crew.fishes("main/2");
    let mut lamprey = fish(&key, LAMPREY);
    lamprey.fate = Some(Fate::Dead);
    crew.tell(0, "Sabine Quell", "12:10", vec![lamprey.into()]);
    crew.tell(
        0,
        "Dov Kestrelow",
        "12:11",
        vec![
            Death {
                fish: None,
                ..named
            }
            .into(),
        ],
    );
    assert_eq!(crew.summary().take[0].dead, 2);
    assert_eq!(crew.summary().flagged(FlagKind::Perhaps1Death).len(), 1);
}
