//! What the network costs real devices: time and bytes until all are equal, and how soon a stop is
//! everywhere. `cargo bench -p gravelbar-tests --bench network` for 12 devices; `-- 50` for a night's crowd;
//! `-- 12 10000` with so many taps in all.
//!
//! Every device is a process in a network namespace of its own, started from the program as it is built; all
//! share this machine's cores, so that figures of many devices are this machine's more than the network's.

use std::time::{Duration, Instant};

use gravelbar_tests::air::{Air, Weather};
use gravelbar_tests::node::Nodes;
use gravelbar_tests::program::Trouble;
use serde_json::json;

/// Stops at each loss.
const STOPS: usize = 20;

/// Devices that hear of a stop.
const HEARERS: usize = 11;

/// A stop that takes longer is counted as this.
const STOP_WITHIN: Duration = Duration::from_secs(60);

fn main() -> Result<(), Trouble> {
    let mut numbers = std::env::args().filter_map(|argument| argument.parse().ok());
    let devices: usize = numbers.next().unwrap_or(12);
    let taps: usize = numbers.next().unwrap_or(1_200);
    truck(devices, taps)?;
    for loss in [0, 30] {
        stops(loss)?;
    }
    Ok(())
}

/// All have recorded out of reach of each other, and meet.
fn truck(devices: usize, taps: usize) -> Result<(), Trouble> {
    let air = Air::open()?;
    let mut nodes = Nodes::crew(&air, devices - 1)?;
    nodes.all_agree()?;
    for device in 0..devices {
        nodes.all[device].freeze();
    }
    for device in 0..devices {
        nodes.all[device].thaw();
        nodes.tap_in_acts(device, taps / devices, 20)?;
        nodes.all[device].freeze();
    }
    let before = bytes(&nodes)?;
    for device in &nodes.all {
        device.thaw();
    }
    let took = nodes.all_agree()?;
    let after = bytes(&nodes)?;
    println!(
        "{devices} devices, {} taps: equal after {:.2} s",
        taps / devices * devices,
        took.as_secs_f64()
    );
    if let Some((before, after)) = before.zip(after) {
        // Each byte is counted where it leaves and where it arrives.
        println!("    {} kB on the air", (after - before) / 2 / 1_000);
    }
    let memory = nodes.all.iter().filter_map(|p| p.resident_kib()).max();
    if let Some(kib) = memory {
        println!("    {} MiB in memory of the largest device", kib / 1_024);
    }
    Ok(())
}

fn bytes(nodes: &Nodes) -> Result<Option<u64>, Trouble> {
    let mut sum = 0;
    for device in &nodes.all {
        match device.place().bytes()? {
            Some(bytes) => sum += bytes,
            None => return Ok(None),
        }
    }
    Ok(Some(sum))
}

/// How long after a stop was saved on one device it is on the others.
fn stops(loss_percent: u64) -> Result<(), Trouble> {
    let air = Air::open()?;
    let place = air.place()?;
    let relay = air.relay(&place, Weather::default(), 7)?;
    let called = relay.addr().to_string();
    let mut nodes = Nodes::lead(place)?;
    for _ in 0..HEARERS {
        nodes.join(air.place()?, &called)?;
    }
    nodes.tap(0, 1)?;
    nodes.all_agree()?;
    relay.set(Weather {
        loss_percent,
        delay_ms: 2..=10,
        ..Weather::default()
    });
    let mut late: Vec<Duration> = Vec::new();
    for stop in 0..STOPS {
        nodes.all_agree()?;
        let by = stop % nodes.all.len();
        let records = nodes.records(by)? + 1;
        nodes.act(by, &format!("stop-number-{stop}"), &json!([{ "stop": {} }]))?;
        let begun = Instant::now();
        let nodes = &nodes;
        std::thread::scope(|scope| {
            let hearing: Vec<_> = (0..nodes.all.len())
                .filter(|device| *device != by)
                .map(|device| {
                    scope.spawn(move || {
                        while begun.elapsed() < STOP_WITHIN {
                            if nodes.records(device).is_ok_and(|held| held >= records) {
                                break;
                            }
                            std::thread::sleep(Duration::from_millis(5));
                        }
                        begun.elapsed()
                    })
                })
                .collect();
            for heard in hearing {
                late.push(heard.join().unwrap_or(STOP_WITHIN));
            }
        });
    }
    late.sort();
    let at = |percent: usize| late[(late.len() - 1) * percent / 100].as_millis();
    println!(
        "a stop, {loss_percent} % lost: on the other {HEARERS} devices after {} ms (half), {} ms (99 of 100), {} ms (all), {} hearings",
        at(50),
        at(99),
        at(100),
        late.len()
    );
    Ok(())
}
