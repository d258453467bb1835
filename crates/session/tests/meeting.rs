//! Devices meet in any order, part at any moment, crash between receipt and storing: all agree in
//! the end, and nothing is acknowledged before it is stored.

mod crew;

use crew::{Crew, Dice, document};
use gravelbar_session::{FRAME_BYTES, Limits};
use proptest::prelude::*;

#[derive(Debug, Clone)]
enum Act {
    Write {
        device: usize,
        document: u8,
    },
    Meet {
        a: usize,
        b: usize,
    },
    Part {
        road: usize,
    },
    Crash {
        device: usize,
    },
    Send {
        road: usize,
        end: usize,
        frames: usize,
    },
    Deliver {
        road: usize,
        end: usize,
        frames: usize,
    },
    Store {
        device: usize,
    },
}

fn act() -> impl Strategy<Value = Act> {
    let n = || any::<u8>().prop_map(usize::from);
    prop_oneof![
        4 => (n(), 0_u8..3).prop_map(|(device, document)| Act::Write { device, document }),
        3 => (n(), n()).prop_map(|(a, b)| Act::Meet { a, b }),
        1 => n().prop_map(|road| Act::Part { road }),
        1 => n().prop_map(|device| Act::Crash { device }),
        8 => (n(), 0_usize..2, 1_usize..12)
            .prop_map(|(road, end, frames)| Act::Send { road, end, frames }),
        8 => (n(), 0_usize..2, 1_usize..12)
            .prop_map(|(road, end, frames)| Act::Deliver { road, end, frames }),
        6 => n().prop_map(|device| Act::Store { device }),
    ]
}

fn small_batches() -> Limits {
    Limits {
        batch_changes: 3,
        batch_bytes: 4096,
        window: 2,
    }
}

fn play(crew: &mut Crew, acts: &[Act]) {
    let devices = crew.devices.len();
    for act in acts {
        crew.now_ms += 37;
        let roads = crew.roads();
        let road = |n: usize| roads.get(n % roads.len().max(1)).copied();
        match *act {
            Act::Write {
                device,
                document: d,
            } => crew.write(device % devices, document(d), 10),
            Act::Meet { a, b } => crew.meet(a % devices, b % devices),
            Act::Part { road: n } => {
                if let Some(road) = road(n) {
                    crew.part(road);
                }
            }
            Act::Crash { device } => crew.crash(device % devices),
            Act::Send {
                road: n,
                end,
                frames,
            } => {
                if let Some(road) = road(n) {
                    (0..frames).for_each(|_| {
                        crew.send(road, end);
                    });
                }
            }
            Act::Deliver {
                road: n,
                end,
                frames,
            } => {
                if let Some(road) = road(n) {
                    (0..frames).for_each(|_| {
                        crew.deliver(road, end);
                    });
                }
            }
            Act::Store { device } => {
                crew.store(device % devices);
            }
        }
    }
}

/// In the end the devices stand in a row, each in reach of the next only.
fn line_up(crew: &mut Crew) {
    for device in 1..crew.devices.len() {
        crew.meet(device - 1, device);
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(400))]

    #[test]
    fn whatever_happens_all_agree_once_in_a_row(
        devices in 2_usize..7,
        acts in prop::collection::vec(act(), 0..250),
    ) {
        let mut crew = Crew::new(devices, small_batches());
        play(&mut crew, &acts);
        let all = crew.everything();
        line_up(&mut crew);
        crew.settle(200_000);
        prop_assert_eq!(crew.agreed_on(&all), Ok(()));
        prop_assert_eq!(&crew.broken_promises, &Vec::<String>::new());
    }

    #[test]
    fn once_all_agree_a_new_meeting_sends_no_change(
        devices in 2_usize..5,
        acts in prop::collection::vec(act(), 0..120),
    ) {
        let mut crew = Crew::new(devices, Limits::default());
        play(&mut crew, &acts);
        line_up(&mut crew);
        crew.settle(200_000);
        for road in crew.roads() {
            crew.part(road);
        }
        let before = crew.changes_arrived;
        line_up(&mut crew);
        crew.settle(10_000);
        prop_assert_eq!(crew.changes_arrived, before);
    }
}

/// The checker must be able to see: devices that acknowledge what they haven't stored are caught.
#[test]
fn a_planted_early_acknowledgement_is_caught() {
    let mut caught = 0;
    for seed in 0..100 {
        let mut crew = Crew::new(3, small_batches());
        crew.plant_early_acknowledgement();
        let mut dice = Dice::new(seed);
        line_up(&mut crew);
        for _ in 0..400 {
            let (road, end) = (dice.below(2), dice.below(2));
            match dice.below(9) {
                0 => crew.write(dice.below(3), document(1), 10),
                1 => {
                    crew.store(dice.below(3));
                }
                n if n < 5 => {
                    crew.send(road, end);
                }
                _ => {
                    crew.deliver(road, end);
                }
            }
        }
        caught += usize::from(!crew.broken_promises.is_empty());
    }
    assert!(caught > 50, "caught in {caught} of 100 histories");
}

#[test]
fn a_crash_between_arrival_and_storing_loses_nothing() {
    let mut crew = Crew::new(2, Limits::default());
    crew.write(0, document(1), 10);
    crew.meet(0, 1);
    let road = crew.roads()[0];
    for _ in 0..20 {
        for end in 0..2 {
            crew.send(road, end);
            crew.deliver(road, end);
        }
    }
    assert_eq!(crew.changes_arrived, 1);
    crew.crash(1);
    assert!(!crew.store(1), "what came was lost with the crash");
    crew.meet(0, 1);
    crew.settle(1_000);
    assert_eq!(crew.agreed_on(&crew.everything()), Ok(()));
    assert_eq!(
        crew.changes_arrived, 2,
        "sent once more, on the second meeting"
    );
    assert!(crew.broken_promises.is_empty());
}

#[test]
fn a_tap_passes_along_a_row_of_six_while_all_are_connected() {
    let mut crew = Crew::new(6, Limits::default());
    crew.write(0, document(1), 0);
    line_up(&mut crew);
    crew.settle(10_000);
    crew.write(5, document(1), 0);
    crew.settle(1_000);
    assert_eq!(crew.agreed_on(&crew.everything()), Ok(()));
    // Two changes, five roads each: nothing is sent back to where it came from.
    assert_eq!(crew.changes_arrived, 10);
}

#[test]
fn six_devices_all_in_reach_of_each_other_agree() {
    let mut crew = Crew::new(6, Limits::default());
    for a in 0..6 {
        for b in a + 1..6 {
            crew.meet(a, b);
        }
    }
    for n in 0..60 {
        crew.write(n % 6, document(1), 60);
        if n % 5 == 0 {
            crew.settle(100_000);
        }
    }
    crew.settle(100_000);
    assert_eq!(crew.agreed_on(&crew.everything()), Ok(()));
    assert_eq!(crew.changes_new, 60 * 5);
    // Each of 30 directed pairs carries a change at most once.
    assert!(crew.changes_arrived <= 60 * 30, "{}", crew.changes_arrived);
    assert!(
        crew.broken_promises.is_empty(),
        "{:?}",
        crew.broken_promises
    );
}

#[test]
fn fifty_devices_at_the_truck_agree() {
    let mut crew = Crew::new(50, Limits::default());
    let mut dice = Dice::new(50);
    for device in 0..50 {
        for n in 0..8 {
            crew.write(device, document(n % 2), 40);
        }
    }
    let all = crew.everything();
    line_up(&mut crew);
    for _ in 0..100 {
        crew.meet(dice.below(50), dice.below(50));
    }
    crew.settle(1_000_000);
    assert_eq!(crew.agreed_on(&all), Ok(()));
    assert!(
        crew.broken_promises.is_empty(),
        "{:?}",
        crew.broken_promises
    );
}

#[test]
fn a_whole_visit_goes_to_an_empty_device_in_few_batches_in_flight() {
    let mut crew = Crew::new(2, Limits::default());
    for n in 0..5_000 {
        crew.write(0, document(1), if n % 100 == 0 { 20_000 } else { 100 });
    }
    crew.meet(0, 1);
    let road = crew.roads()[0];
    let mut waited = 0;
    for _ in 0..10_000 {
        // The sender says all it has to say before anything is taken off the road.
        let mut sent = 0;
        while crew.send(road, 0) {
            sent += 1;
        }
        waited = waited.max(sent);
        while crew.send(road, 1) {}
        crew.deliver(road, 0);
        crew.deliver(road, 1);
        crew.store(1);
    }
    assert_eq!(crew.agreed_on(&crew.everything()), Ok(()));
    assert_eq!(crew.changes_arrived, 5_000, "each change once");
    // Greeting, clock ask, offer, acknowledgement or refusal, and a window of four.
    assert!(waited <= 8, "{waited} frames at once");
    assert!(
        crew.longest_frame <= FRAME_BYTES / 2,
        "{}",
        crew.longest_frame
    );
    assert!(crew.frames_sent < 120, "{}", crew.frames_sent);
    assert!(
        crew.broken_promises.is_empty(),
        "{:?}",
        crew.broken_promises
    );
}

#[test]
fn a_change_longer_than_a_batch_goes_alone() {
    let mut crew = Crew::new(2, Limits::default());
    crew.write(0, document(1), 10);
    crew.write(0, document(1), 400_000);
    crew.write(0, document(1), 10);
    crew.meet(0, 1);
    crew.settle(1_000);
    assert_eq!(crew.agreed_on(&crew.everything()), Ok(()));
    assert!(crew.longest_frame <= FRAME_BYTES);
}
