//! Measures how long a big visit takes to read: `cargo run --release -p gravelbar-visit --example
//! measure [records]`. Prints milliseconds; nothing is asserted.

#![expect(
    clippy::print_stdout,
    clippy::disallowed_methods,
    reason = "a measurement reads the clock and prints"
)]

use std::error::Error;
use std::time::Instant;

use gravelbar_visit::{
    Amend, Fact, FieldValue, Fish, Joined, LengthType, PassKey, PersonName, Plan, SpeciesName,
    Tally, Undo, Visit, Writer,
};

fn main() -> Result<(), Box<dyn Error>> {
    let counts: Vec<usize> = match std::env::args().nth(1) {
        Some(count) => vec![count.parse()?],
        None => vec![10_000, 100_000],
    };
    for count in counts {
        measure(count)?;
    }
    Ok(())
}

/// Three devices that meet every hundred records: taps, fish, a correction in ten, an undo in
/// twenty.
fn measure(count: usize) -> Result<(), Box<dyn Error>> {
    let plan = Plan::from_about(
        r#"{"version":1,"site":"MF-01","place":"Marl Fork","date":"2026-08-18","passes":3}"#,
    )?;
    let people = ["Mirelle Ashgrove", "Okto Brandt", "Hollis Fenn"]
        .map(PersonName::new)
        .into_iter()
        .collect::<Result<Vec<_>, _>>()?;
    let mut devices: Vec<Visit> = (1..=3_u8)
        .map(|n| Visit::start(plan.clone(), Writer::from_bytes([n; 16])))
        .collect::<Result<_, _>>()?;
    let at = "2026-08-18T10:00:00-04:00".parse()?;
    for (device, person) in devices.iter_mut().zip(&people) {
        let person = person.clone();
        device.record(&person.clone(), at, None, vec![Joined { person }.into()])?;
    }

    let pass = PassKey::main(1);
    let species = SpeciesName::new("brook trout")?;
    let mut last = [(None, None); 3];
    let started = Instant::now();
    for n in 0..count {
        let which = n % 3;
        let (tap, fish) = &mut last[which];
        let fact: Fact = match (n % 20, *tap, *fish) {
            (3, Some(of), _) => Undo { of }.into(),
            (5 | 16, _, Some(of)) => {
                let set = FieldValue::LengthMm(150.0);
                let of = vec![of];
                Amend {
                    of,
                    set,
                    replaces: vec![],
                    scope: None,
                }
                .into()
            }
            (0..8, ..) => Fish {
                pass: pass.clone(),
                species: species.clone(),
                length_mm: Some(120.0),
                length_type: Some(LengthType::Total),
                mass_g: Some(17.5),
                marks: None,
                anomalies: None,
                fate: None,
                bucket: None,
            }
            .into(),
            _ => {
                let (pass, species) = (pass.clone(), species.clone());
                Tally {
                    pass,
                    species,
                    n: 1,
                    bucket: None,
                }
                .into()
            }
        };
        let (is_tap, is_fish) = (
            matches!(fact, Fact::Tally(_)),
            matches!(fact, Fact::Fish(_)),
        );
        let written = devices[which].record(&people[which], at, Some("measured"), vec![fact])?;
        let id = written.records.first().copied();
        if is_tap {
            *tap = id;
        } else if is_fish {
            *fish = id;
        }
        if n % 100 == 99 {
            for (from, to) in [(0, 1), (1, 2), (2, 0), (0, 1)] {
                let lacking = devices[from].missing(devices[to].vector(), usize::MAX, usize::MAX);
                let bytes = lacking.iter().map(|change| change.bytes.to_vec()).collect();
                let _received = devices[to].receive(bytes);
            }
        }
    }
    let ms = |from: Instant| from.elapsed().as_secs_f64() * 1_000.0;
    println!(
        "{count} records written and merged on three devices in {:.0} ms",
        ms(started)
    );

    let visit = &devices[0];
    let mut best = f64::INFINITY;
    for _ in 0..5 {
        let from = Instant::now();
        let view = visit.view();
        best = best.min(ms(from));
        assert!(view.records >= count / 2);
    }
    println!("  view: {best:.1} ms");
    let from = Instant::now();
    let lines = visit.history(visit.records()[count / 2].id).len();
    println!("  history of one record: {:.1} ms, {lines} lines", ms(from));
    let from = Instant::now();
    visit.view_at(&visit.heads())?;
    println!("  view at the heads: {:.1} ms", ms(from));
    let changes: Vec<Vec<u8>> = visit.log().iter().map(|c| c.bytes.to_vec()).collect();
    let from = Instant::now();
    let (restored, _) = Visit::restore(visit.about(), Writer::from_bytes([9; 16]), changes)?;
    println!(
        "  start from {} stored changes: {:.0} ms",
        restored.log().len(),
        ms(from)
    );
    Ok(())
}
