//! How long the summary of a long day takes: the warm-water load, and ten times as much of it.
#![expect(
    clippy::print_stdout,
    clippy::disallowed_methods,
    reason = "a measurement reads the clock and prints what it found"
)]

use std::error::Error;
use std::time::Instant;

use gravelbar_reduce::{Reducer, summarize};
use gravelbar_visit::{
    Batch, CountKind, Fact, Fish, LengthType, PassKey, PersonName, Plan, SpeciesName, Tally, Visit,
    Writer,
};

fn main() -> Result<(), Box<dyn Error>> {
    for times in [1, 10] {
        let visit = visit(times)?;
        let started = Instant::now();
        let view = visit.view();
        let read = started.elapsed();
        let (mut best, mut bytes) = (None, 0);
        for _ in 0..10 {
            let started = Instant::now();
            let summary = summarize(&view);
            let taken = started.elapsed();
            best = Some(best.map_or(taken, |best: std::time::Duration| best.min(taken)));
            bytes = summary.to_json().len();
        }
        let best = best.unwrap_or_default();
        let mut reducer = Reducer::default();
        let first = reducer.summarize(&view);
        let started = Instant::now();
        let again = reducer.summarize(&view);
        let followed = started.elapsed();
        assert_eq!(first, again, "a summary never depends on what was kept");
        println!(
            "{} records: view {read:.1?}, summary {best:.2?} (best of ten), again with its analyses kept, nothing changed {followed:.2?}, {bytes} bytes of JSON",
            view.records
        );
    }
    Ok(())
}

/// 27 species with 60 taps, 25 measured fish and one batch each, `times` over, in three passes.
fn visit(times: u32) -> Result<Visit, Box<dyn Error>> {
    let plan = Plan::from_about(
        r#"{"version":1,"site":"MF-01","place":"Marl Fork","date":"2026-08-19","passes":3}"#,
    )?;
    let mut visit = Visit::start(plan, Writer::from_bytes([7; 16]))?;
    let by = PersonName::new("Sabine Quell")?;
    let at = "2026-08-19T10:00:00-04:00".parse()?;
    for round in 0..times {
        for number in 1..=3_u8 {
            let pass = PassKey::main(number);
            for of in 0..27_u32 {
                let species = SpeciesName::new(&format!("species {of}"))?;
                let tap = Tally {
                    pass: pass.clone(),
                    species: species.clone(),
                    n: 1,
                    bucket: None,
                };
                let batch = Batch {
                    pass: pass.clone(),
                    species: species.clone(),
                    n: 60 / u32::from(number) + of,
                    counted: CountKind::Counted,
                    mass_g: Some(120.0),
                    min_mm: None,
                    max_mm: None,
                    mean_mm: None,
                    bucket: None,
                };
                let fish = |n: u32| Fish {
                    pass: pass.clone(),
                    species: species.clone(),
                    length_mm: Some(f64::from(60 + n + round)),
                    length_type: Some(LengthType::Total),
                    mass_g: Some(f64::from(3 + n / 2)),
                    marks: None,
                    anomalies: None,
                    fate: None,
                    bucket: None,
                };
                let taps = (0..60).map(|_| Fact::from(tap.clone()));
                let measured = (0..25).map(|n| Fact::from(fish(n)));
                let facts: Vec<Fact> = taps.chain(measured).chain([batch.into()]).collect();
                for facts in facts.chunks(50) {
                    visit.record(&by, at, None, facts.to_vec())?;
                }
            }
        }
    }
    Ok(visit)
}
