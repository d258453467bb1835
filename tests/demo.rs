//! The demo's story: it reads, passes every check, and gives the table it was invented with.
//!
//! The expected numbers are those of the invented Quillet Brook scenario itself. The catch was
//! made up first, and the estimates were worked out for it apart from this program, with the
//! weighted removal estimator of Carle and Strub 1978.

use std::collections::BTreeSet;
use std::process::Command;
use std::slice::Iter;

use gravelbar_crew::demo::{Line, Replay, Stage, Story, replay, story};
use gravelbar_reduce::{SizeGroups, SpeciesSummary, Summary, summarize};
use gravelbar_tests::program::gravelbar;
use gravelbar_visit::{Fact, FlagKind, SignState, Visit};

/// The invented catch of each pass, and the estimate.
const TABLE: [(&str, [u64; 3], Option<u64>); 7] = [
    ("brook trout", [48, 19, 8], Some(79)),
    ("brown trout", [11, 4, 1], Some(16)),
    ("white sucker", [6, 3, 1], Some(10)),
    ("creek chub", [14, 6, 4], Some(26)),
    ("blacknose dace", [62, 31, 18], Some(128)),
    ("slimy sculpin", [41, 28, 19], Some(120)),
    ("american brook lamprey", [2, 1, 0], None),
];

fn told() -> Story {
    story().expect("the story reads")
}

/// A story being played, line by line.
struct Played<'a> {
    replay: Replay<'a>,
    rest: Iter<'a, Line>,
}

impl<'a> Played<'a> {
    fn begin(story: &'a Story) -> Self {
        Self {
            replay: Replay::new(story).expect("the devices open the visit"),
            rest: story.lines.iter(),
        }
    }

    /// Plays on until someone says something that begins with these words, and all devices in
    /// reach of each other have heard each other.
    fn until(&mut self, words: &str) {
        for line in self.rest.by_ref() {
            self.replay.play(line).expect("every line can be played");
            if matches!(line, Line::Stage(Stage::Say(said)) if said.starts_with(words)) {
                self.replay.meet();
                return;
            }
        }
        panic!("nobody says “{words}”");
    }

    fn finish(&mut self) {
        for line in self.rest.by_ref() {
            self.replay.play(line).expect("every line can be played");
        }
        self.replay.meet();
    }

    fn visit(&self, device: char) -> &Visit {
        self.replay.visit(device).expect("the device is there")
    }

    fn summary(&self, device: char) -> Summary {
        summarize(&self.visit(device).view())
    }
}

fn species<'a>(summary: &'a Summary, name: &str) -> &'a SpeciesSummary {
    let found = (summary.species.iter()).find(|s| s.species.as_str() == name);
    found.unwrap_or_else(|| panic!("{name} is among the species"))
}

fn catch(summary: &Summary, name: &str) -> Vec<u64> {
    species(summary, name).catch.iter().map(|c| c.n).collect()
}

fn kinds(summary: &Summary) -> BTreeSet<FlagKind> {
    summary.flags.iter().map(|flag| flag.kind).collect()
}

/// Netters' count of a name in a pass, by netter.
fn taps(summary: &Summary, pass: usize, name: &str) -> Vec<(String, u64)> {
    let lines = summary.passes[pass - 1].tally.iter();
    lines
        .filter(|line| line.name.as_str() == name)
        .flat_map(|line| line.by.iter().map(|n| (n.by.to_string(), n.n)))
        .collect()
}

#[test]
fn the_story_gives_the_catch_and_the_estimates_it_was_invented_with() {
    let summary = summarize(&replay(&told()).expect("the story plays").view());
    for (name, expected, estimate) in TABLE {
        assert_eq!(catch(&summary, name), expected, "{name}");
        let analysis = species(&summary, name).removal.analysis.as_ref();
        let carle_strub = analysis.and_then(|a| a.carle_strub.as_ref());
        if estimate.is_some() {
            assert_eq!(carle_strub.map(|c| c.n_fish), estimate, "{name}");
        }
    }
    assert_eq!(summary.species.len(), TABLE.len());
    let sums: Vec<u64> = summary.passes.iter().map(|p| p.worked_up).collect();
    assert_eq!(sums, [184, 92, 51]);
    assert_eq!(summary.worked_up, 327);

    // What is shown: an estimate, "all caught", or a minimum.
    for (name, estimate) in [
        ("brook trout", Some(79)),
        ("brown trout", Some(16)),
        ("white sucker", None),
        ("creek chub", Some(26)),
        ("blacknose dace", Some(128)),
        ("slimy sculpin", Some(120)),
        ("american brook lamprey", None),
    ] {
        let shown = species(&summary, name).removal.headline();
        assert_eq!(shown.map(|h| h.n_fish), estimate, "{name}");
    }
}

#[test]
fn reach_effort_sizes_and_mass_are_those_of_the_scenario() {
    let summary = summarize(&replay(&told()).expect("the story plays").view());
    let trout = species(&summary, "brook trout");

    let channel = &summary.channels[0];
    assert_eq!(channel.area_m2, Some(390.0));
    let effort: Vec<Option<f64>> = summary.passes.iter().map(|p| p.effort.total_s).collect();
    assert_eq!(effort, [Some(1184.0), Some(1132.0), Some(1098.0)]);
    let per_m2 = summary.passes[0].effort.s_per_m2.expect("an area");
    assert_eq!(format!("{per_m2:.1}"), "3.0");

    let SizeGroups::Estimated { groups, .. } = &trout.size_groups else {
        panic!("every trout was measured: {:?}", trout.size_groups);
    };
    let groups: Vec<(&[u64], Option<u64>)> = (groups.iter())
        .map(|g| (&g.removal.catch[..], g.removal.headline().map(|h| h.n_fish)))
        .collect();
    let expected: [(&[u64], Option<u64>); 2] = [(&[17, 9, 5], Some(34)), (&[31, 10, 3], Some(45))];
    assert_eq!(groups, expected);

    let density = trout.removal.density.as_ref().expect("an area");
    assert_eq!(format!("{:.1}", density.fish_per_100_m2), "20.3");
    assert_eq!(
        format!("{:.1}", trout.mass.mean_g.expect("weighed")),
        "22.2"
    );
    let biomass = trout.mass.biomass_g_m2.expect("all weighed");
    assert_eq!(format!("{biomass:.1}"), "4.5");

    // After two passes only.
    for (name, n_fish) in [("brook trout", 77), ("slimy sculpin", 108)] {
        let after = &species(&summary, name).removal.after[0];
        assert_eq!(after.passes, 2);
        assert_eq!(
            after.headline.as_ref().map(|h| h.n_fish),
            Some(n_fish),
            "{name}"
        );
    }
}

#[test]
fn every_record_of_the_story_passes_the_check() {
    let visit = replay(&told()).expect("the story plays");
    assert!(visit.records().len() > 450, "{}", visit.records().len());
    for seen in visit.records() {
        assert_eq!(seen.entry.check(), Ok(()), "{seen:?}");
    }
}

#[test]
fn netters_count_what_the_scenario_says_and_a_tap_taken_back_is_none() {
    let summary = summarize(&replay(&told()).expect("the story plays").view());
    let named = |hollis, sabine| {
        vec![
            ("Hollis Fenn".to_owned(), hollis),
            ("Sabine Quell".to_owned(), sabine),
        ]
    };
    assert_eq!(taps(&summary, 1, "brook trout"), named(27, 23));
    let passes: Vec<u64> = (1..=3)
        .map(|pass| {
            taps(&summary, pass, "brook trout")
                .iter()
                .map(|t| t.1)
                .sum()
        })
        .collect();
    assert_eq!(passes, [50, 19, 8]);
    let brown: u64 = taps(&summary, 1, "brown trout").iter().map(|t| t.1).sum();
    assert_eq!(brown, 11);
    for (pass, dace) in [(1, 62), (2, 31), (3, 18)] {
        let minnows: u64 = taps(&summary, pass, "minnows").iter().map(|t| t.1).sum();
        assert_eq!(minnows, dace, "pass {pass}");
        assert!(taps(&summary, pass, "blacknose dace").is_empty());
    }
}

#[test]
fn every_planted_fault_is_seen_where_it_can_be_and_settled_when_the_story_says() {
    let story = told();
    let mut played = Played::begin(&story);

    // Apart: each device counts what it knows, and nobody sees the others' taps.
    played.until("10:31");
    assert_eq!(taps(&played.summary('C'), 1, "brook trout").len(), 1);
    assert_eq!(
        taps(&played.summary('D'), 1, "brook trout"),
        [("Sabine Quell".to_owned(), 23)]
    );
    assert_eq!(played.summary('E').tallied, 0);

    // Nine trout are missing from the bank, and no. 38 weighs ten times too much.
    played.until("11:20");
    let bank = played.summary('A');
    assert_eq!(catch(&bank, "brook trout"), [39]);
    let no_38 = played
        .replay
        .labelled("trout38")
        .expect("no. 38 is labelled");
    let odd = bank.flags.iter().find(|f| f.kind == FlagKind::OddMass);
    let odd = odd.expect("its mass is flagged");
    assert_eq!(odd.about, [no_38]);
    assert!(odd.words.contains("47.3 g would fit"), "{}", odd.words);
    assert!(
        !kinds(&bank).contains(&FlagKind::BucketOpen),
        "only the spare knows of bucket 1C"
    );

    // One death, written down on two devices that don't hear each other or the lead.
    played.until("12:02");
    for device in ['D', 'E'] {
        assert!(
            played.summary(device).take[0].dead_at_limit,
            "device {device}"
        );
    }
    assert_eq!(played.summary('A').take[0].dead, 0);
    played.until("12:45");
    assert_eq!(played.summary('A').take[0].season_dead, 1);
    assert_eq!(catch(&played.summary('A'), "slimy sculpin"), [41, 0]);
    assert_eq!(catch(&played.summary('A'), "mottled sculpin"), [0, 28]);

    // The spare is heard: the second death counts until someone joins them, the bucket is open.
    played.until("13:40");
    let met = played.summary('A');
    assert_eq!(met.take[0].season_dead, 2);
    assert!(kinds(&met).contains(&FlagKind::Perhaps1Death));
    let open = met.flags.iter().find(|f| f.kind == FlagKind::BucketOpen);
    assert!(open.is_some_and(|f| f.words.starts_with("bucket 1C of pass main/1")));

    // Its nine trout go to pass 1, with the reason.
    played.until("13:57");
    let found = played.summary('A');
    assert_eq!(catch(&found, "brook trout"), [48, 19, 8]);
    let late: Vec<u64> = found.passes[0].with_reason.iter().map(|w| w.n).collect();
    assert_eq!(late, [9]);
    assert!(!kinds(&found).contains(&FlagKind::BucketOpen));

    // The sculpin of pass 2 are renamed, all 28 by one record.
    played.until("14:10");
    assert_eq!(catch(&played.summary('A'), "slimy sculpin"), [41, 28, 19]);
    assert!(
        !played
            .summary('A')
            .species
            .iter()
            .any(|s| s.species.as_str() == "mottled sculpin")
    );

    // The two deaths are joined. Four things stay open at the signature.
    played.until("14:55");
    let signed = played.summary('A');
    assert_eq!(signed.take[0].season_dead, 1);
    assert_eq!(signed.take[0].season_caught, 12);
    let stay = [
        FlagKind::TallyGap,
        FlagKind::OddMass,
        FlagKind::TakeLimit,
        FlagKind::ClockOff,
    ];
    assert_eq!(kinds(&signed), BTreeSet::from(stay));
    let clock = signed.flags.iter().find(|f| f.kind == FlagKind::ClockOff);
    assert!(clock.is_some_and(|f| f.words.contains("7 min 0 s ahead")));

    // The mass is put right two days later; the gap, the limit and the clock stay as they were.
    played.finish();
    let last = played.summary('A');
    assert_eq!(kinds(&last), BTreeSet::from([stay[0], stay[2], stay[3]]));
}

#[test]
fn version_1_can_still_be_read_as_it_was_signed() {
    let story = told();
    let mut played = Played::begin(&story);
    played.finish();
    let visit = played.visit('A');
    assert_eq!(visit.view().sign_state, SignState::Signed { version: 2 });

    let signatures: Vec<&Vec<String>> = (visit.records().iter())
        .filter_map(|seen| match &seen.entry.what {
            Fact::Signature(signature) => Some(&signature.heads),
            _ => None,
        })
        .collect();
    assert_eq!(signatures.len(), 2);
    let no_38 = played
        .replay
        .labelled("trout38")
        .expect("no. 38 is labelled");
    let mass = |heads: &[String]| {
        let view = visit.view_at(heads).expect("its heads are here");
        let fish = view.fish.into_iter().find(|f| f.stamp.id == no_38);
        fish.and_then(|f| f.mass_g).map(|g| g.value)
    };
    assert_eq!(mass(signatures[0]), Some(473.0));
    assert_eq!(mass(signatures[1]), Some(47.3));
}

#[test]
fn okto_s_times_are_kept_as_he_wrote_them_and_shown_corrected() {
    let visit = replay(&told()).expect("the story plays");
    let view = visit.view();
    let first = view.trials.first().expect("he tuned");
    let clock = |at: chrono::DateTime<chrono::FixedOffset>| at.format("%H:%M:%S").to_string();
    assert_eq!(clock(first.stamp.at), "09:22:30");
    assert_eq!(clock(first.stamp.corrected), "09:15:30");
}

#[test]
fn the_visit_started_twice_is_another_document_of_the_same_site_and_day() {
    let story = told();
    let mut played = Played::begin(&story);
    played.until("08:35");
    let spare = played.replay.spare().expect("it was started");
    let visit = played.visit('A');
    assert_ne!(spare.id(), visit.id());
    assert_eq!(spare.plan().site, visit.plan().site);
    assert_eq!(spare.plan().date, visit.plan().date);
    assert_eq!(spare.records().len(), 2);
}

#[test]
fn after_the_truck_all_five_devices_show_the_same_to_the_byte() {
    let story = told();
    let mut played = Played::begin(&story);
    played.finish();
    let shown: BTreeSet<String> = story
        .devices
        .keys()
        .map(|device| played.summary(*device).to_json())
        .collect();
    assert_eq!(shown.len(), 1);
}

#[test]
fn the_demo_command_parts_and_merges_five_devices_and_prints_the_table() {
    let output = Command::new(gravelbar())
        .args(["demo", "--fast", "--no-pages"])
        .output()
        .expect("the program runs");
    let told = String::from_utf8(output.stdout).expect("text");
    let wrong = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success(), "{wrong}\n{told}");
    for (name, catch, _) in TABLE {
        let row = |line: &str| {
            let rest = line.trim().strip_prefix(name);
            let cells = rest.unwrap_or_default().split_whitespace();
            let numbers: Vec<u64> = cells.map_while(|cell| cell.parse().ok()).collect();
            numbers.starts_with(&catch)
        };
        assert!(told.lines().any(row), "no row for {name} in\n{told}");
    }
    let sums = ["all", "fish", "184", "92", "51", "327"];
    assert!(
        told.lines().any(|line| line.split_whitespace().eq(sums)),
        "{told}"
    );
    let wide: Vec<&str> = told
        .lines()
        .filter(|line| line.chars().count() > 80)
        .collect();
    assert!(wide.is_empty(), "{wide:#?}");
}
