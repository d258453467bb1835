//! Loss, reordering, doubling, a slow line, short packets and one-way cuts.

use std::time::Duration;

use gravelbar_tests::air::{Air, Relay, Weather};
use gravelbar_tests::node::Nodes;
use gravelbar_tests::program::Trouble;

/// A lead, and others who reach it through one relay in fair weather.
fn behind_a_relay(air: &Air, others: usize) -> Result<(Nodes, Relay), Trouble> {
    let place = air.place()?;
    let relay = air.relay(&place, Weather::default(), 11)?;
    let called = relay.addr().to_string();
    let mut nodes = Nodes::lead(place)?;
    for _ in 0..others {
        nodes.join(air.place()?, &called)?;
    }
    Ok((nodes, relay))
}

/// Everybody taps in turn.
fn everybody_taps(nodes: &mut Nodes, rounds: usize, each: usize) -> Result<(), Trouble> {
    for _ in 0..rounds {
        for device in 0..nodes.all.len() {
            nodes.tap(device, each)?;
        }
    }
    Ok(())
}

#[test]
fn where_a_third_is_lost_and_the_rest_comes_twice_and_in_any_order() -> Result<(), Trouble> {
    let air = Air::open()?;
    let (mut nodes, relay) = behind_a_relay(&air, 3)?;
    relay.set(Weather {
        loss_percent: 30,
        double_percent: 20,
        delay_ms: 0..=60,
        ..Weather::default()
    });
    everybody_taps(&mut nodes, 5, 4)?;
    nodes.all_agree()?;
    let (carried, lost) = relay.counts();
    assert!(
        lost * 100 > 20 * (carried + lost),
        "{lost} lost, {carried} carried"
    );
    Ok(())
}

#[test]
fn a_device_on_a_slow_line_keeps_nobody_waiting_and_gets_everything() -> Result<(), Trouble> {
    let air = Air::open()?;
    let place = air.place()?;
    let called = place.address().to_string();
    let relay = air.relay(&place, Weather::default(), 12)?;
    let by_relay = relay.addr().to_string();
    let mut nodes = Nodes::lead(place)?;
    let quick = nodes.join(air.place()?, &called)?;
    let slow = nodes.join(air.place()?, &by_relay)?;
    // 64 kbit/s.
    relay.set(Weather {
        bytes_per_s: Some(8_000),
        delay_ms: 50..=100,
        ..Weather::default()
    });
    for device in [0, quick, slow, 0, quick] {
        nodes.tap(device, 25)?;
    }
    nodes.tap(slow, 10)?;
    nodes.agree(&[0, quick])?;
    nodes.all_agree()?;
    Ok(())
}

#[test]
fn packets_of_1280_bytes_are_long_enough() -> Result<(), Trouble> {
    let air = Air::open()?;
    let (mut nodes, relay) = behind_a_relay(&air, 1)?;
    // Without IP and UDP headers. What the interface takes must not be what saves it.
    relay.set(Weather {
        longest_bytes: Some(1_280 - 28),
        ..Weather::default()
    });
    if nodes.all[1].place().narrow(1_280)? {
        nodes.all[0].place().narrow(1_280)?;
    }
    everybody_taps(&mut nodes, 3, 30)?;
    nodes.all_agree()?;
    Ok(())
}

#[test]
fn cut_one_way_then_the_other_then_healed() -> Result<(), Trouble> {
    let air = Air::open()?;
    let (mut nodes, relay) = behind_a_relay(&air, 2)?;
    for there in [true, false] {
        relay.set(Weather {
            cut_there: there,
            cut_back: !there,
            ..Weather::default()
        });
        everybody_taps(&mut nodes, 1, 8)?;
        // Long enough for both ends to notice: connections are given up after ten seconds.
        std::thread::sleep(Duration::from_secs(if there { 12 } else { 2 }));
        everybody_taps(&mut nodes, 1, 4)?;
        relay.set(Weather::default());
        nodes.all_agree()?;
    }
    Ok(())
}
