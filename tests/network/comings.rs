//! Devices that change their address, are stopped and go on, and meet at the truck.

use std::time::Duration;

use gravelbar_tests::air::{Air, Weather};
use gravelbar_tests::node::Nodes;
use gravelbar_tests::program::Trouble;

#[test]
fn addresses_change_while_taps_are_under_way() -> Result<(), Trouble> {
    let air = Air::open()?;
    let mut nodes = Nodes::crew(&air, 2)?;
    // The called one's, then a caller's, then the called one's again with a connection that it made.
    for moving in [0, 1, 0] {
        nodes.tap(1, 10)?;
        nodes.tap(2, 10)?;
        if !nodes.all[moving].place().change_address()? {
            println!(
                "On loopback addresses don't change; the relay's callers move instead, below."
            );
        }
        nodes.tap(0, 10)?;
        nodes.tap(1, 10)?;
        nodes.all_agree()?;
    }
    Ok(())
}

#[test]
fn callers_appear_at_other_addresses_while_taps_are_under_way() -> Result<(), Trouble> {
    let air = Air::open()?;
    let place = air.place()?;
    let relay = air.relay(&place, Weather::default(), 13)?;
    let called = relay.addr().to_string();
    let mut nodes = Nodes::lead(place)?;
    for _ in 0..2 {
        nodes.join(air.place()?, &called)?;
    }
    for _ in 0..3 {
        nodes.tap(1, 10)?;
        nodes.tap(2, 10)?;
        relay.move_callers();
        nodes.tap(0, 10)?;
        nodes.tap(1, 10)?;
        nodes.all_agree()?;
    }
    Ok(())
}

#[test]
fn a_device_that_was_stopped_for_a_while_goes_on() -> Result<(), Trouble> {
    let air = Air::open()?;
    let mut nodes = Nodes::crew(&air, 2)?;
    nodes.tap(2, 10)?;
    // What it said before it is stopped has arrived; what it would say is not to be waited for.
    nodes.all_agree()?;
    nodes.all[2].freeze();
    nodes.tap(0, 20)?;
    nodes.tap(1, 20)?;
    nodes.agree(&[0, 1])?;
    // Past the ten seconds after which it is given up.
    std::thread::sleep(Duration::from_secs(12));
    nodes.tap(0, 5)?;
    nodes.agree(&[0, 1])?;
    nodes.all[2].thaw();
    nodes.tap(2, 5)?;
    nodes.all_agree()?;
    Ok(())
}

#[test]
fn twelve_devices_meet_at_the_truck() -> Result<(), Trouble> {
    let air = Air::open()?;
    let mut nodes = Nodes::crew(&air, 11)?;
    // Each has been on its own since it joined.
    for device in 0..nodes.all.len() {
        nodes.all[device].freeze();
    }
    for device in 0..nodes.all.len() {
        nodes.all[device].thaw();
        nodes.tap(device, 15)?;
        nodes.all[device].freeze();
    }
    for device in 0..nodes.all.len() {
        nodes.all[device].thaw();
    }
    nodes.all_agree()?;
    Ok(())
}
