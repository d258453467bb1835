//! The warm-water load: Marl Fork, 2,316 fish of 27 species in one pass.

use gravelbar_reduce::summarize;

use crate::crew::{Crew, LEAD, Look, batch, counter, fish, pass, plan, tally};

/// Fish by species, and whether every one of them is measured. Invented for the demo.
pub(crate) const MARL_FORK: [(&str, u32, bool); 27] = [
    ("central stoneroller", 486, false),
    ("bluntnose minnow", 351, false),
    ("sand shiner", 203, false),
    ("striped shiner", 168, false),
    ("creek chub", 142, false),
    ("spotfin shiner", 121, false),
    ("common shiner", 97, false),
    ("rainbow darter", 96, false),
    ("longear sunfish", 74, true),
    ("johnny darter", 66, false),
    ("silverjaw minnow", 64, false),
    ("green sunfish", 61, true),
    ("white sucker", 58, false),
    ("fantail darter", 58, false),
    ("northern hog sucker", 47, false),
    ("greenside darter", 43, false),
    ("rock bass", 38, true),
    ("bluegill", 27, true),
    ("smallmouth bass", 23, true),
    ("golden redhorse", 19, false),
    ("logperch", 18, false),
    ("stonecat", 14, false),
    ("fathead minnow", 12, false),
    ("mottled sculpin", 11, false),
    ("yellow bullhead", 9, true),
    ("black redhorse", 6, false),
    ("largemouth bass", 4, true),
];

/// Measured one by one before the rest is batched.
const FIRST: u32 = 25;

#[test]
fn the_load_visit_adds_up_to_its_sheet() {
    let mut crew = Crew::new(&plan(), 1);
    let key = pass("main/1");
    for (of, n, sport) in MARL_FORK {
        crew.tell(0, "Hollis Fenn", "10:00", vec![tally(&key, of, n)]);
        let single = if sport { n } else { n.min(FIRST) };
        let facts = (0..single).map(|_| fish(&key, of).into()).collect();
        crew.tell(0, LEAD, "11:00", facts);
        if n > single {
            crew.tell(0, LEAD, "12:00", vec![batch(&key, of, n - single).into()]);
        }
    }
    for (pack, seconds) in [("L", 3_410.0), ("R", 3_286.0)] {
        crew.tell(0, LEAD, "12:30", vec![counter(&key, pack, 0.0, seconds)]);
    }
    let summary = crew.summary();
    assert_eq!(
        (summary.worked_up, summary.tallied, summary.species.len()),
        (2_316, 2_316, 27)
    );
    let pass = summary.pass("main/1");
    let single: u64 = pass.species.iter().map(|s| s.individuals).sum();
    let batched: u64 = pass.species.iter().map(|s| s.batched).sum();
    assert_eq!((single, batched), (666, 1_650));
    assert_eq!(pass.effort.total_s, Some(6_696.0));
    assert!(pass.tally.iter().all(|line| line.gap == Some(0)));
    assert_eq!(summary, summarize(&crew.devices[0].view()));
}
