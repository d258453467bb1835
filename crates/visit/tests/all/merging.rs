//! What merges how: one sentence for each kind of fact and each way two people can cross.

use chrono::TimeDelta;
use gravelbar_visit::{
    ActError, Amend, Batch, Bucket, BucketLabel, BucketMoment, Channel, ClockOffset, CountKind,
    Counter, Death, DeathStage, Device, DeviceHeld, DeviceTag, Escape, Fact, FieldName, FieldValue,
    Fish, FishView, Flag, FlagKind, Joined, LengthType, NetEnd, NetEvent, NetState, Note, Pack,
    PassClosed, PassKey, PassOpened, Plan, PlanError, ReachLength, RecordId, Reopen, Restore,
    SameThing, Scope, SignState, Source, SpeciesName, Stop, Tally, Undo, View, Visit, Void, Water,
    WaterPlace, Width, Writer,
};

use crate::crew::{Crew, PLAN, person};

const LEAD: &str = "Mirelle Ashgrove";
const OPERATOR: &str = "Okto Brandt";
const RIGHT: &str = "Hollis Fenn";
const LEFT: &str = "Sabine Quell";
const CARER: &str = "Dov Kestrelow";

fn species(name: &str) -> SpeciesName {
    SpeciesName::new(name).unwrap()
}

fn tap(pass: u8, name: &str) -> Tally {
    Tally {
        pass: PassKey::main(pass),
        species: species(name),
        n: 1,
        bucket: None,
    }
}

fn fish(pass: u8, name: &str, length_mm: f64) -> Fish {
    Fish {
        pass: PassKey::main(pass),
        species: species(name),
        length_mm: Some(length_mm),
        length_type: Some(LengthType::Total),
        mass_g: None,
        marks: None,
        anomalies: None,
        fate: None,
        bucket: None,
    }
}

fn amend(of: &[RecordId], set: FieldValue, replaces: &[RecordId]) -> Amend {
    Amend {
        of: of.to_vec(),
        set,
        replaces: replaces.to_vec(),
        scope: None,
    }
}

fn counter(end_s: f64, source: Source, replaces: &[RecordId]) -> Counter {
    Counter {
        pass: PassKey::main(1),
        pack: Pack::new("L").unwrap(),
        start_s: 0.0,
        end_s,
        source,
        replaces: replaces.to_vec(),
    }
}

fn death(pass: u8, name: &str) -> Death {
    Death {
        pass: PassKey::main(pass),
        species: species(name),
        n: 1,
        stage: DeathStage::Holding,
        fish: None,
    }
}

/// Taps that count for a pass.
fn tallied(view: &View, pass: u8) -> u32 {
    let of_pass = view
        .tallies
        .iter()
        .filter(|t| t.pass.value == PassKey::main(pass));
    of_pass.filter(|t| !t.out).map(|t| t.n.value).sum()
}

/// Fish of the work-up that count for a pass and species.
fn worked_up(view: &View, pass: u8, name: &str) -> usize {
    let count = |f: &&FishView| {
        f.pass.value == PassKey::main(pass) && f.species.value == species(name) && !f.voided
    };
    view.fish.iter().filter(count).count()
}

fn flags(view: &View, kind: FlagKind) -> Vec<&Flag> {
    view.flags.iter().filter(|flag| flag.kind == kind).collect()
}

/// The life of a record as "who: what (why)".
fn life(crew: &Crew, id: RecordId) -> Vec<String> {
    let lines = crew.devices[0].visit.history(id);
    lines
        .iter()
        .map(|line| {
            let why = line.why.as_deref().unwrap_or("no reason");
            format!("{}: {} ({why})", line.stamp.by, line.what)
        })
        .collect()
}

#[test]
fn two_netters_counting_trout_at_once_both_count() {
    let mut crew = Crew::joined(&[LEAD, RIGHT, LEFT]);
    for _ in 0..26 {
        crew.one(1, tap(1, "brook trout"));
    }
    for _ in 0..23 {
        crew.one(2, tap(1, "brook trout"));
    }
    let view = crew.everywhere();
    assert_eq!(tallied(&view, 1), 49);
    let of = |name: &str| {
        view.tallies
            .iter()
            .filter(|t| t.stamp.by == person(name))
            .count()
    };
    assert_eq!((of(RIGHT), of(LEFT)), (26, 23));
}

#[test]
fn an_escape_seen_is_kept_apart_from_the_taps_and_can_be_taken_back() {
    let mut crew = Crew::joined(&[LEAD, RIGHT]);
    let escape = crew.one(
        1,
        Escape {
            pass: PassKey::main(1),
            species: species("brook trout"),
            n: 2,
        },
    );
    crew.one(1, tap(1, "brook trout"));
    let view = crew.everywhere();
    assert_eq!((tallied(&view, 1), view.escapes[0].n.value), (1, 2));
    crew.one(1, Undo { of: escape });
    assert!(crew.everywhere().escapes[0].out);
}

#[test]
fn a_tap_undone_out_of_signal_is_undone_for_all_and_the_undo_can_be_undone() {
    let mut crew = Crew::joined(&[LEAD, RIGHT, LEFT]);
    crew.one(1, tap(1, "brook trout"));
    crew.one(1, tap(1, "brook trout"));
    let slip = crew.one(1, tap(1, "brook trout"));
    let undo = crew.one(1, Undo { of: slip });
    crew.one(2, tap(1, "brook trout"));
    crew.one(2, tap(1, "brook trout"));
    assert_eq!(tallied(&crew.everywhere(), 1), 4);

    let again = crew.one(0, Undo { of: undo });
    assert_eq!(tallied(&crew.everywhere(), 1), 5);
    crew.one(1, Undo { of: again });
    assert_eq!(tallied(&crew.everywhere(), 1), 4);
    assert_eq!(
        life(&crew, slip),
        [
            "Hollis Fenn: recorded: 1 brook trout, pass main/1 (as agreed on the bank)",
            "Hollis Fenn: undone (as agreed on the bank)",
            "Mirelle Ashgrove: undo taken back (as agreed on the bank)",
            "Hollis Fenn: undo taken back (as agreed on the bank)",
        ]
    );
}

#[test]
fn one_tap_undone_twice_apart_is_undone_once_and_stays_undone_while_either_stands() {
    let mut crew = Crew::joined(&[LEAD, RIGHT]);
    let slip = crew.one(1, tap(1, "brook trout"));
    crew.meet_all();
    let first = crew.one(0, Undo { of: slip });
    let second = crew.one(1, Undo { of: slip });
    assert_eq!(tallied(&crew.everywhere(), 1), 0);
    crew.one(0, Undo { of: first });
    assert_eq!(tallied(&crew.everywhere(), 1), 0);
    crew.one(0, Undo { of: second });
    assert_eq!(tallied(&crew.everywhere(), 1), 1);
}

#[test]
fn taps_on_the_wrong_pass_move_as_one_block_and_keep_owner_and_history() {
    let mut crew = Crew::joined(&[LEAD, RIGHT]);
    let pass = PassKey::main(1);
    crew.one(0, PassOpened { pass: pass.clone() });
    crew.meet_all();
    crew.one(0, PassClosed { pass });
    crew.one(
        0,
        PassOpened {
            pass: PassKey::main(2),
        },
    );
    let late: Vec<RecordId> = (0..11)
        .map(|_| crew.one(1, tap(1, "brook trout")))
        .collect();
    let view = crew.everywhere();
    assert_eq!((tallied(&view, 1), tallied(&view, 2)), (11, 0));

    let to_2 = FieldValue::Pass(PassKey::main(2));
    crew.one(0, amend(&late, to_2, &[]));
    let view = crew.everywhere();
    assert_eq!((tallied(&view, 1), tallied(&view, 2)), (0, 11));
    assert!(view.tallies.iter().all(|t| t.stamp.by == person(RIGHT)));
    assert_eq!(
        life(&crew, late[10]),
        [
            "Hollis Fenn: recorded: 1 brook trout, pass main/1 (as agreed on the bank)",
            "Mirelle Ashgrove: pass main/2, was pass main/1 (as agreed on the bank)",
        ]
    );
}

#[test]
fn one_pass_opened_by_two_people_apart_is_one_pass_with_both_times() {
    let mut crew = Crew::joined(&[LEAD, OPERATOR]);
    let pass = PassKey::main(2);
    let one = crew.one(0, PassOpened { pass: pass.clone() });
    let other = crew.one(1, PassOpened { pass: pass.clone() });
    let view = crew.everywhere();
    assert_eq!(view.passes.len(), 1);
    assert_eq!(view.passes[0].pass, pass);
    assert_eq!(view.passes[0].opened.len(), 2);
    let flag = flags(&view, FlagKind::PassMarkedTwice);
    assert_eq!(flag[0].about, [one, other]);

    let both = SameThing {
        records: vec![one, other],
    };
    crew.one(0, both);
    let view = crew.everywhere();
    assert!(flags(&view, FlagKind::PassMarkedTwice).is_empty());
    assert_eq!(view.passes[0].opened.len(), 2);
}

#[test]
fn a_pass_opened_again_by_someone_who_saw_it_closed_raises_no_question() {
    let mut crew = Crew::joined(&[LEAD, OPERATOR]);
    let pass = PassKey::main(1);
    crew.one(0, PassOpened { pass: pass.clone() });
    crew.one(0, PassClosed { pass: pass.clone() });
    crew.meet_all();
    crew.one(1, PassOpened { pass });
    assert!(flags(&crew.everywhere(), FlagKind::PassMarkedTwice).is_empty());
}

#[test]
fn a_pass_beyond_the_planned_ones_stands_with_the_others() {
    let mut crew = Crew::joined(&[LEAD, RIGHT]);
    for number in 1..=4 {
        crew.one(
            0,
            PassOpened {
                pass: PassKey::main(number),
            },
        );
    }
    crew.one(1, tap(4, "brook trout"));
    let view = crew.everywhere();
    let numbers: Vec<u8> = view.passes.iter().map(|p| p.pass.number).collect();
    assert_eq!((view.plan.passes, numbers), (3, vec![1, 2, 3, 4]));
    assert_eq!(tallied(&view, 4), 1);
}

#[test]
fn a_late_found_bucket_put_to_the_wrong_pass_and_back_keeps_both_states() {
    let mut crew = Crew::joined(&[LEAD, LEFT]);
    let found: Vec<Fact> = (0..9)
        .map(|n| fish(2, "brook trout", 120.0 + f64::from(n)).into())
        .collect();
    let found = crew
        .act(1, Some("bucket 1C found at pack-up"), found)
        .unwrap()
        .records;
    assert_eq!(worked_up(&crew.everywhere(), 2, "brook trout"), 9);

    let back = FieldValue::Pass(PassKey::main(1));
    let facts = vec![amend(&found, back, &[]).into()];
    crew.act(0, Some("the label says pass 1"), facts).unwrap();
    let view = crew.everywhere();
    assert_eq!(worked_up(&view, 1, "brook trout"), 9);
    assert_eq!(worked_up(&view, 2, "brook trout"), 0);
    assert_eq!(
        view.fish[0].why.as_deref(),
        Some("bucket 1C found at pack-up")
    );
    assert_eq!(
        life(&crew, found[0]),
        [
            "Sabine Quell: recorded: brook trout, pass main/2, 120 mm (bucket 1C found at pack-up)",
            "Mirelle Ashgrove: pass main/1, was pass main/2 (the label says pass 1)",
        ]
    );
}

#[test]
fn fish_that_jumped_back_are_noted_and_no_catch_is_touched() {
    let mut crew = Crew::joined(&[LEAD, CARER]);
    crew.one(0, fish(1, "brook trout", 150.0));
    crew.meet_all();
    crew.one(
        1,
        Note {
            text: "four trout jumped from the live car into the reach, inside the nets".to_owned(),
            pass: Some(PassKey::main(1)),
            about: None,
        },
    );
    let view = crew.everywhere();
    assert_eq!(view.notes.len(), 1);
    assert_eq!(worked_up(&view, 1, "brook trout"), 1);
}

#[test]
fn two_arms_fished_at_once_stay_two_and_a_fish_can_change_arms() {
    let mut crew = Crew::joined(&[LEAD, OPERATOR]);
    let arm = |name: &str| PassKey {
        channel: Channel::new(name).unwrap(),
        number: 1,
    };
    for (device, name) in [(0, "left"), (1, "right")] {
        crew.one(device, PassOpened { pass: arm(name) });
        let mut caught = fish(1, "brook trout", 140.0);
        caught.pass = arm(name);
        crew.one(device, caught);
    }
    let view = crew.everywhere();
    let keys: Vec<String> = view.passes.iter().map(|p| p.pass.to_string()).collect();
    assert_eq!(keys, ["left/1", "right/1"]);
    assert!(flags(&view, FlagKind::PassMarkedTwice).is_empty());

    let moved = view
        .fish
        .iter()
        .find(|f| f.pass.value == arm("left"))
        .unwrap()
        .stamp
        .id;
    crew.one(0, amend(&[moved], FieldValue::Pass(arm("right")), &[]));
    let view = crew.everywhere();
    assert!(view.fish.iter().all(|f| f.pass.value == arm("right")));
}

#[test]
fn a_stop_raised_out_of_sight_of_a_clearing_holds_and_taps_go_on() {
    let mut crew = Crew::joined(&[LEAD, OPERATOR, RIGHT]);
    let seen = crew.one(1, Stop {});
    crew.meet(0, 1);
    let facts = vec![gravelbar_visit::Clear { stops: vec![seen] }.into()];
    crew.act(0, Some("thunder has passed"), facts).unwrap();
    let unseen = crew.one(2, Stop {});
    crew.one(2, tap(2, "brook trout"));
    let view = crew.everywhere();
    let holds: Vec<(RecordId, bool)> = view
        .safety
        .stops
        .iter()
        .map(|s| (s.stamp.id, s.holds))
        .collect();
    assert!(holds.contains(&(seen, false)) && holds.contains(&(unseen, true)));
    assert_eq!(tallied(&view, 2), 1);
    assert_eq!(
        life(&crew, seen),
        [
            "Okto Brandt: recorded: stop (as agreed on the bank)",
            "Mirelle Ashgrove: cleared (thunder has passed)",
        ]
    );
}

#[test]
fn a_netter_clears_no_stop() {
    let mut crew = Crew::joined(&[LEAD, RIGHT]);
    let stop = crew.one(1, Stop {});
    let clear = gravelbar_visit::Clear { stops: vec![stop] };
    let refused = crew.act(1, Some("all good"), vec![clear.into()]);
    assert_eq!(refused, Err(ActError::NotEntitled(person(RIGHT))));
}

#[test]
fn a_clock_seven_minutes_off_is_kept_raw_and_shown_corrected() {
    let mut crew = Crew::joined(&[LEAD, OPERATOR]);
    crew.devices[1].ahead = TimeDelta::minutes(7);
    let tag = crew.devices[1].tag;
    crew.one(
        0,
        ClockOffset {
            tag,
            offset_ms: 420_000,
            uncertainty_ms: 40,
        },
    );
    let opened = crew.one(
        1,
        PassOpened {
            pass: PassKey::main(1),
        },
    );
    crew.meet_all();
    let closed = crew.one(
        0,
        PassClosed {
            pass: PassKey::main(1),
        },
    );
    let view = crew.everywhere();
    let (open, close) = (
        &view.passes[0].opened[0].stamp,
        &view.passes[0].closed[0].stamp,
    );
    assert_eq!((open.id, close.id), (opened, closed));
    assert!(
        open.at > close.at,
        "the raw clocks say that it closed before it opened"
    );
    assert!(open.corrected < close.corrected);
    assert_eq!(open.at - open.corrected, TimeDelta::minutes(7));
    assert!(open.lamport < close.lamport);
    let device = view.devices.iter().find(|d| d.tag == tag).unwrap();
    assert_eq!(
        (device.clock_offset_ms, device.clock_uncertainty_ms),
        (Some(420_000), Some(40))
    );

    // Setting the clock right mid-visit: the offset is measured anew at the next meeting.
    crew.devices[1].ahead = TimeDelta::zero();
    crew.one(
        0,
        ClockOffset {
            tag,
            offset_ms: 0,
            uncertainty_ms: 40,
        },
    );
    let later = crew.one(
        1,
        PassOpened {
            pass: PassKey::main(2),
        },
    );
    let view = crew.everywhere();
    let stamp = &view.passes[1].opened[0].stamp;
    assert_eq!((stamp.id, stamp.at), (later, stamp.corrected));
}

#[test]
fn a_clock_is_told_through_a_third_device_where_two_never_met() {
    let mut crew = Crew::joined(&[LEAD, OPERATOR, RIGHT]);
    let tags: Vec<DeviceTag> = crew.devices.iter().map(|d| d.tag).collect();
    crew.one(
        0,
        ClockOffset {
            tag: tags[1],
            offset_ms: 5_000,
            uncertainty_ms: 10,
        },
    );
    crew.one(
        1,
        ClockOffset {
            tag: tags[2],
            offset_ms: -2_000,
            uncertainty_ms: 15,
        },
    );
    crew.one(2, tap(1, "brook trout"));
    let view = crew.everywhere();
    let third = view.devices.iter().find(|d| d.tag == tags[2]).unwrap();
    assert_eq!(
        (third.clock_offset_ms, third.clock_uncertainty_ms),
        (Some(3_000), Some(25))
    );
}

#[test]
fn a_fish_voided_while_another_corrects_it_is_out_and_one_act_brings_it_back_corrected() {
    let mut crew = Crew::joined(&[LEAD, LEFT]);
    let id = crew.one(1, fish(1, "brook trout", 171.0));
    crew.meet_all();
    let void = crew.one(
        1,
        Void {
            of: id,
            seen: vec![],
        },
    );
    crew.one(0, amend(&[id], FieldValue::LengthMm(177.0), &[]));
    let view = crew.everywhere();
    assert!(view.fish[0].voided);
    assert_eq!(view.fish[0].length_mm.as_ref().unwrap().value, 177.0);
    assert_eq!(flags(&view, FlagKind::VoidedWhileEdited).len(), 1);

    crew.one(0, Restore { voids: vec![void] });
    let view = crew.everywhere();
    assert!(!view.fish[0].voided);
    assert_eq!(view.fish[0].length_mm.as_ref().unwrap().value, 177.0);
    assert!(flags(&view, FlagKind::VoidedWhileEdited).is_empty());
    let said: Vec<String> = life(&crew, id)
        .iter()
        .map(|l| l.split(" (").next().unwrap().to_owned())
        .collect();
    assert_eq!(
        said[0],
        "Sabine Quell: recorded: brook trout, pass main/1, 171 mm"
    );
    assert!(said.contains(&"Sabine Quell: voided".to_owned()));
    assert!(said.contains(&"Mirelle Ashgrove: length 177 mm, was length 171 mm".to_owned()));
    assert_eq!(said[3], "Mirelle Ashgrove: restored");
}

#[test]
fn a_void_that_names_the_edits_it_saw_raises_no_question() {
    let mut crew = Crew::joined(&[LEAD, LEFT]);
    let id = crew.one(1, fish(1, "brook trout", 171.0));
    let edit = crew.one(1, amend(&[id], FieldValue::LengthMm(177.0), &[]));
    crew.meet_all();
    crew.one(
        0,
        Void {
            of: id,
            seen: vec![edit],
        },
    );
    let view = crew.everywhere();
    assert!(view.fish[0].voided);
    assert!(flags(&view, FlagKind::VoidedWhileEdited).is_empty());
}

#[test]
fn two_lengths_for_one_fish_are_both_kept_until_someone_settles_them() {
    let mut crew = Crew::joined(&[LEAD, LEFT]);
    let id = crew.one(1, fish(1, "brook trout", 111.0));
    crew.meet_all();
    let one = crew.one(1, amend(&[id], FieldValue::LengthMm(171.0), &[]));
    let other = crew.one(0, amend(&[id], FieldValue::LengthMm(177.0), &[]));
    let view = crew.everywhere();
    let length = view.fish[0].length_mm.clone().unwrap();
    assert_eq!(length.rivals.len(), 1);
    let mut both = [length.value, length.rivals[0].value];
    both.sort_by(f64::total_cmp);
    assert_eq!(both, [171.0, 177.0]);
    let flag = flags(&view, FlagKind::Disagreement);
    assert_eq!(flag.len(), 1);
    for part in [id, one, other] {
        assert!(flag[0].about.contains(&part));
    }
    for part in ["171 mm by Sabine Quell", "177 mm by Mirelle Ashgrove"] {
        assert!(flag[0].words.contains(part), "{}", flag[0].words);
    }

    // Naming one of them settles nothing; naming both does.
    let half = crew.one(1, amend(&[id], FieldValue::LengthMm(174.0), &[one]));
    assert_eq!(flags(&crew.everywhere(), FlagKind::Disagreement).len(), 1);
    crew.one(0, amend(&[id], FieldValue::LengthMm(177.0), &[half, other]));
    let view = crew.everywhere();
    let length = view.fish[0].length_mm.clone().unwrap();
    assert_eq!((length.value, length.rivals.len()), (177.0, 0));
    assert!(flags(&view, FlagKind::Disagreement).is_empty());
    assert_eq!(
        life(&crew, id).last().unwrap(),
        "Mirelle Ashgrove: length 177 mm, was length 174 mm and length 177 mm (as agreed on the bank)"
    );
}

#[test]
fn the_same_value_typed_twice_is_no_disagreement() {
    let mut crew = Crew::joined(&[LEAD, LEFT]);
    let id = crew.one(1, fish(1, "brook trout", 111.0));
    crew.meet_all();
    crew.one(0, amend(&[id], FieldValue::LengthMm(171.0), &[]));
    crew.one(1, amend(&[id], FieldValue::LengthMm(171.0), &[]));
    let view = crew.everywhere();
    assert!(flags(&view, FlagKind::Disagreement).is_empty());
    assert!(view.fish[0].length_mm.as_ref().unwrap().rivals.is_empty());
}

#[test]
fn species_corrected_by_one_and_mass_by_another_both_hold() {
    let mut crew = Crew::joined(&[LEAD, LEFT]);
    let id = crew.one(1, fish(1, "brown trout", 171.0));
    crew.meet_all();
    crew.one(
        0,
        amend(&[id], FieldValue::Species(species("brook trout")), &[]),
    );
    crew.one(1, amend(&[id], FieldValue::MassG(47.3), &[]));
    let view = crew.everywhere();
    assert_eq!(view.fish[0].species.value, species("brook trout"));
    assert_eq!(view.fish[0].mass_g.as_ref().unwrap().value, 47.3);
    assert!(flags(&view, FlagKind::Disagreement).is_empty());
}

#[test]
fn a_whole_pass_renamed_covers_what_was_seen_flags_what_came_late_and_can_be_undone() {
    let mut crew = Crew::joined(&[LEAD, LEFT, CARER]);
    let single: Vec<Fact> = (0..28)
        .map(|n| fish(2, "mottled sculpin", 44.0 + f64::from(n)).into())
        .collect();
    let mut known = crew.act(1, None, single).unwrap().records;
    let batch = Batch {
        pass: PassKey::main(2),
        species: species("mottled sculpin"),
        n: 28,
        counted: CountKind::Counted,
        mass_g: Some(107.2),
        min_mm: None,
        max_mm: None,
        mean_mm: None,
        bucket: None,
    };
    known.push(crew.one(1, batch));
    crew.meet_all();
    let late = crew.one(2, fish(2, "mottled sculpin", 65.0));
    let other_pass = crew.one(2, fish(1, "mottled sculpin", 66.0));
    let rename = Amend {
        of: known.clone(),
        set: FieldValue::Species(species("slimy sculpin")),
        replaces: vec![],
        scope: Some(Scope {
            pass: Some(PassKey::main(2)),
            species: Some(species("mottled sculpin")),
        }),
    };
    let rename = crew
        .act(0, Some("keyed again"), vec![rename.into()])
        .unwrap()
        .records[0];

    let view = crew.everywhere();
    assert_eq!(worked_up(&view, 2, "slimy sculpin"), 28);
    assert_eq!(view.batches[0].species.value, species("slimy sculpin"));
    assert_eq!(worked_up(&view, 2, "mottled sculpin"), 1);
    let flag = flags(&view, FlagKind::ArrivedAfterChange);
    assert_eq!(flag.len(), 1);
    assert_eq!(flag[0].about, [rename, late]);
    assert!(!flag[0].about.contains(&other_pass));
    assert_eq!(
        life(&crew, known[0])[1],
        "Mirelle Ashgrove: species slimy sculpin, was species mottled sculpin (keyed again)"
    );

    // Confirming it for the late one answers the flag.
    crew.one(
        0,
        amend(&[late], FieldValue::Species(species("slimy sculpin")), &[]),
    );
    let view = crew.everywhere();
    assert_eq!(worked_up(&view, 2, "slimy sculpin"), 29);
    assert!(flags(&view, FlagKind::ArrivedAfterChange).is_empty());

    crew.one(
        0,
        Void {
            of: rename,
            seen: vec![],
        },
    );
    let view = crew.everywhere();
    assert_eq!(worked_up(&view, 2, "mottled sculpin"), 28);
    assert_eq!(
        life(&crew, known[0])[2],
        "Mirelle Ashgrove: correction voided: species slimy sculpin (as agreed on the bank)"
    );
}

#[test]
fn a_dead_devices_last_taps_land_after_the_signature_and_are_accepted_one_by_one() {
    let mut crew = Crew::joined(&[LEAD, RIGHT]);
    crew.one(1, tap(1, "brook trout"));
    crew.meet_all();
    // The phone falls into the river with two taps that nobody has.
    let drowned = [
        crew.one(1, tap(2, "brook trout")),
        crew.one(1, tap(2, "brook trout")),
    ];
    let lost = vec!["Netter 2, last heard 11:58".to_owned()];
    let signature = crew.devices[0].visit.signature(lost.clone());
    crew.one(0, signature);
    assert_eq!(crew.view(0).sign_state, SignState::Signed { version: 1 });
    assert_eq!(crew.view(0).signatures[0].not_heard, lost);

    crew.restart(1);
    let view = crew.everywhere();
    assert_eq!(tallied(&view, 2), 2);
    assert_eq!(view.signatures[0].arrived_after, drowned);
    let changed = |waiting| SignState::ChangedAfter {
        version: 1,
        arrived_after: 2,
        waiting,
    };
    assert_eq!(view.sign_state, changed(2));
    crew.one(
        0,
        gravelbar_visit::AcceptLate {
            records: vec![drowned[0]],
        },
    );
    assert_eq!(crew.everywhere().sign_state, changed(1));
    // A refusal is a void with a reason: the tap stays on record and out of the totals.
    crew.one(
        0,
        Void {
            of: drowned[1],
            seen: vec![],
        },
    );
    let view = crew.everywhere();
    assert_eq!(tallied(&view, 2), 1);
    assert_eq!(view.tallies.len(), 3);
}

#[test]
fn a_signed_visit_takes_late_fish_is_opened_again_and_signed_as_version_2() {
    let mut crew = Crew::joined(&[LEAD, CARER]);
    crew.one(0, fish(1, "brook trout", 150.0));
    let signature = crew.devices[0].visit.signature(vec![]);
    let signed = crew.one(0, signature);
    let covers = crew.view(0).signatures[0].covers;
    let late = crew.one(1, fish(1, "brook trout", 140.0));
    let view = crew.everywhere();
    assert_eq!(
        view.sign_state,
        SignState::ChangedAfter {
            version: 1,
            arrived_after: 1,
            waiting: 1
        }
    );
    crew.one(
        0,
        gravelbar_visit::AcceptLate {
            records: vec![late],
        },
    );
    crew.one(0, Reopen { signature: signed });
    assert_eq!(crew.view(0).sign_state, SignState::Reopened { version: 1 });
    let signature = crew.devices[0].visit.signature(vec![]);
    let heads = crew.view(0).signatures[0].clone();
    crew.one(0, signature);
    let view = crew.everywhere();
    assert_eq!(view.sign_state, SignState::Signed { version: 2 });
    // The first signature stays as it was, and what it covers can still be read.
    assert_eq!(view.signatures[0].covers, covers);
    assert_eq!(view.signatures[0].digest, heads.digest);
    let Fact::Signature(first) = &crew.devices[0]
        .visit
        .records()
        .iter()
        .find(|s| s.id == signed)
        .unwrap()
        .entry
        .what
        .clone()
    else {
        panic!("not a signature");
    };
    let then = crew.devices[1].visit.view_at(&first.heads).unwrap();
    assert_eq!(worked_up(&then, 1, "brook trout"), 1);
    assert_eq!(worked_up(&view, 1, "brook trout"), 2);
}

#[test]
fn a_record_nobody_here_can_read_changes_a_signed_visit_too() {
    let mut crew = Crew::joined(&[LEAD, CARER]);
    let signature = crew.devices[0].visit.signature(vec![]);
    crew.one(0, signature);
    let newer = r#"{"at":"2026-08-18T15:00:00-04:00","by":"Dov Kestrelow","what":{"photo":{}}}"#;
    let photo = crew.forge(1, &[newer.to_owned()])[0];
    let view = crew.everywhere();
    assert_eq!(view.signatures[0].arrived_after, [photo]);
    assert_eq!(flags(&view, FlagKind::UnknownKind).len(), 1);
}

#[test]
fn an_unknown_fish_is_named_later_in_this_visit_only() {
    let mut crew = Crew::joined(&[LEAD, LEFT]);
    let unknown: Vec<RecordId> = (0..3)
        .map(|_| crew.one(1, fish(1, "Unknown A", 60.0)))
        .collect();
    assert!(species("Unknown A").is_provisional());
    crew.meet_all();
    let name = Amend {
        of: unknown.clone(),
        set: FieldValue::Species(species("blacknose dace")),
        replaces: vec![],
        scope: Some(Scope {
            pass: None,
            species: Some(species("unknown a")),
        }),
    };
    crew.one(0, name);
    let one_more = crew.one(1, fish(2, "unknown a", 61.0));
    let view = crew.everywhere();
    assert_eq!(worked_up(&view, 1, "blacknose dace"), 3);
    let flag = flags(&view, FlagKind::ArrivedAfterChange);
    assert!(flag[0].about.contains(&one_more));
    // The photo that told them apart, another visit, keeps its unknowns.
    let mut elsewhere = Crew::joined(&[LEAD]);
    elsewhere.one(0, fish(1, "unknown a", 60.0));
    assert_eq!(worked_up(&elsewhere.view(0), 1, "unknown a"), 1);
}

#[test]
fn a_death_logged_twice_is_asked_about_and_counts_once_when_joined() {
    let mut crew = Crew::joined(&[LEAD, CARER, LEFT]);
    let one = crew.one(1, death(2, "american brook lamprey"));
    let other = crew.one(2, death(2, "american brook lamprey"));
    let view = crew.everywhere();
    assert_eq!(view.deaths.iter().filter(|d| !d.out).count(), 2);
    let flag = flags(&view, FlagKind::Perhaps1Death);
    assert_eq!(flag.len(), 1);
    assert!(flag[0].about.contains(&one) && flag[0].about.contains(&other));

    crew.one(
        0,
        SameThing {
            records: vec![one, other],
        },
    );
    let view = crew.everywhere();
    let standing: Vec<RecordId> = view
        .deaths
        .iter()
        .filter(|d| !d.out)
        .map(|d| d.stamp.id)
        .collect();
    assert_eq!(standing.len(), 1);
    assert_eq!(view.deaths.len(), 2);
    assert!(flags(&view, FlagKind::Perhaps1Death).is_empty());

    // If the one that counts is voided, the other speaks for the fish: nothing nobody voided goes.
    crew.one(
        0,
        Void {
            of: standing[0],
            seen: vec![],
        },
    );
    let view = crew.everywhere();
    assert_eq!(view.deaths.iter().filter(|d| !d.out).count(), 1);
}

#[test]
fn three_people_joining_two_by_two_join_one_thing() {
    let mut crew = Crew::joined(&[LEAD, CARER, LEFT]);
    let dead: Vec<RecordId> = (0..3)
        .map(|d| crew.one(d, death(2, "brook trout")))
        .collect();
    crew.meet_all();
    crew.one(
        1,
        SameThing {
            records: vec![dead[1], dead[2]],
        },
    );
    crew.one(
        2,
        SameThing {
            records: vec![dead[0], dead[1]],
        },
    );
    let view = crew.everywhere();
    assert_eq!(view.deaths.iter().filter(|d| !d.out).count(), 1);
}

#[test]
fn a_fish_dies_once_however_many_write_it_down() {
    let mut crew = Crew::joined(&[LEAD, CARER, LEFT]);
    let id = crew.one(0, fish(2, "brook trout", 150.0));
    crew.meet_all();
    for device in [1, 2] {
        let mut dead = death(2, "brook trout");
        dead.fish = Some(id);
        crew.one(device, dead);
    }
    let view = crew.everywhere();
    assert_eq!(view.deaths.iter().filter(|d| !d.out).count(), 1);
    assert!(flags(&view, FlagKind::Perhaps1Death).is_empty());
}

#[test]
fn a_counter_read_off_the_unit_beats_one_heard_and_the_lead_settles_them() {
    let mut crew = Crew::joined(&[LEAD, OPERATOR, LEFT]);
    let read = crew.one(1, counter(1_184.0, Source::Read, &[]));
    let heard = crew.one(2, counter(1_148.0, Source::Heard, &[]));
    let view = crew.everywhere();
    let reading = &view.passes[0].counters[0].reading;
    assert_eq!((reading.value.end_s, reading.from), (1_184.0, read));
    assert_eq!(reading.rivals[0].value.end_s, 1_148.0);
    assert_eq!(flags(&view, FlagKind::Disagreement).len(), 1);

    crew.one(0, counter(1_148.0, Source::Read, &[read, heard]));
    let view = crew.everywhere();
    let reading = &view.passes[0].counters[0].reading;
    assert_eq!((reading.value.end_s, reading.rivals.len()), (1_148.0, 0));
    assert!(flags(&view, FlagKind::Disagreement).is_empty());
    assert_eq!(
        life(&crew, read),
        [
            "Okto Brandt: recorded: pack L, pass main/1: 0 s to 1184 s (as agreed on the bank)",
            "Mirelle Ashgrove: replaced by 0 s to 1148 s (as agreed on the bank)",
        ]
    );
}

#[test]
fn two_reach_lengths_are_both_shown_until_one_replaces_both() {
    let mut crew = Crew::joined(&[LEAD, OPERATOR]);
    let taped = |length_m, replaces: &[RecordId]| ReachLength {
        channel: Channel::main(),
        length_m,
        replaces: replaces.to_vec(),
    };
    let one = crew.one(0, taped(100.0, &[]));
    let other = crew.one(1, taped(103.5, &[]));
    let view = crew.everywhere();
    assert_eq!(view.channels[0].length_m.as_ref().unwrap().rivals.len(), 1);
    assert_eq!(flags(&view, FlagKind::Disagreement).len(), 1);
    crew.one(0, taped(101.2, &[one, other]));
    let view = crew.everywhere();
    let length = view.channels[0].length_m.clone().unwrap();
    assert_eq!((length.value, length.rivals.len()), (101.2, 0));
}

#[test]
fn nets_water_and_widths_are_all_kept_from_whoever_saw_them() {
    let mut crew = Crew::joined(&[LEAD, OPERATOR]);
    for (device, state) in [(0, NetState::Holding), (1, NetState::Down)] {
        crew.one(
            device,
            NetEvent {
                channel: Channel::main(),
                end: NetEnd::Upstream,
                state,
                mesh_mm: Some(6.0),
            },
        );
        crew.one(
            device,
            Width {
                channel: Channel::main(),
                width_m: 3.4,
            },
        );
        crew.one(
            device,
            Water {
                place: WaterPlace::Stream,
                temperature_c: Some(12.6),
                ambient_us_cm: None,
                specific_us_cm: None,
                oxygen_mg_l: None,
                ph: None,
                turbidity_ntu: None,
                flow_m3_s: None,
            },
        );
    }
    let view = crew.everywhere();
    let states: Vec<NetState> = view.nets[0].states.iter().map(|s| s.what).collect();
    assert!(states.contains(&NetState::Holding) && states.contains(&NetState::Down));
    assert_eq!(view.channels[0].widths_m.len(), 2);
    assert_eq!(view.water.len(), 2);
}

#[test]
fn two_batches_from_one_bucket_on_two_devices_are_asked_about_and_joined() {
    let mut crew = Crew::joined(&[LEAD, LEFT]);
    let label = BucketLabel::new("1b").unwrap();
    let batch = Batch {
        pass: PassKey::main(1),
        species: species("blacknose dace"),
        n: 62,
        counted: CountKind::Counted,
        mass_g: Some(163.8),
        min_mm: None,
        max_mm: None,
        mean_mm: None,
        bucket: Some(label.clone()),
    };
    let one = crew.one(0, batch.clone());
    crew.one(
        0,
        Bucket {
            label,
            pass: PassKey::main(1),
            moment: BucketMoment::Emptied,
        },
    );
    let other = crew.one(1, batch);
    let view = crew.everywhere();
    assert_eq!(flags(&view, FlagKind::Perhaps1Batch).len(), 1);
    assert_eq!(view.buckets[0].moments.len(), 1);
    crew.one(
        0,
        SameThing {
            records: vec![one, other],
        },
    );
    let view = crew.everywhere();
    assert_eq!(view.batches.iter().filter(|b| !b.out).count(), 1);
    assert!(flags(&view, FlagKind::Perhaps1Batch).is_empty());
}

#[test]
fn a_netter_who_takes_the_spare_device_stays_one_person() {
    let mut crew = Crew::joined(&[LEAD, RIGHT, "Spare"]);
    let (old, spare) = (crew.devices[1].tag, crew.devices[2].tag);
    crew.one(
        1,
        DeviceHeld {
            tag: old,
            person: person(RIGHT),
        },
    );
    crew.one(1, tap(1, "brook trout"));
    crew.meet_all();
    let hollis = person(RIGHT);
    crew.devices[2].holder = hollis.clone();
    crew.one(
        2,
        DeviceHeld {
            tag: spare,
            person: hollis.clone(),
        },
    );
    crew.one(
        2,
        Device {
            tag: spare,
            key: "0f".repeat(32),
            name: "spare phone".to_owned(),
        },
    );
    crew.one(2, tap(1, "brook trout"));
    let view = crew.everywhere();
    let people: Vec<_> = view.people.iter().filter(|p| p.name == hollis).collect();
    assert_eq!(people.len(), 1);
    assert_eq!(people[0].devices, [old, spare]);
    assert!(view.tallies.iter().all(|t| t.stamp.by == hollis));
}

#[test]
fn a_role_given_up_out_of_sight_is_given_up() {
    use gravelbar_visit::{Role, RoleLeft, RoleTaken};
    let mut crew = Crew::joined(&[LEAD, OPERATOR]);
    let lead = person(LEAD);
    crew.one(
        0,
        RoleTaken {
            person: lead.clone(),
            role: Role::Lead,
        },
    );
    crew.one(
        1,
        RoleLeft {
            person: lead.clone(),
            role: Role::Lead,
        },
    );
    let view = crew.everywhere();
    let roles = |view: &View| {
        view.people
            .iter()
            .find(|p| p.name == lead)
            .unwrap()
            .roles
            .clone()
    };
    assert_eq!(roles(&view), []);
    // The same answer whoever asks: no clear is taken that would then count for nothing.
    let stop = crew.one(1, Stop {});
    let clear: Fact = gravelbar_visit::Clear { stops: vec![stop] }.into();
    crew.meet_all();
    assert!(crew.act(0, Some("all good"), vec![clear.clone()]).is_err());
    crew.one(
        0,
        RoleTaken {
            person: lead.clone(),
            role: Role::Lead,
        },
    );
    assert_eq!(roles(&crew.view(0)), [Role::Lead]);
    crew.act(0, Some("all good"), vec![clear]).unwrap();
    assert!(!crew.everywhere().safety.stops[0].holds);
}

#[test]
fn whoever_goes_home_and_comes_back_ticks_again() {
    use gravelbar_visit::{Left, Tick};
    let mut crew = Crew::joined(&[LEAD, RIGHT]);
    let hollis = person(RIGHT);
    let tick = Tick {
        item: "gloves".to_owned(),
        person: Some(hollis.clone()),
        clears: vec![],
        round: vec![],
    };
    crew.one(1, tick.clone());
    crew.one(
        1,
        Left {
            person: hollis.clone(),
            seen: vec![],
        },
    );
    let line = |view: &View| {
        view.safety
            .items
            .iter()
            .find(|i| i.person.as_ref() == Some(&hollis))
            .cloned()
    };
    let view = crew.everywhere();
    assert_eq!(line(&view), None);
    assert!(view.people.iter().any(|p| p.name == hollis && p.left));
    crew.one(
        1,
        Joined {
            person: hollis.clone(),
        },
    );
    assert!(!line(&crew.everywhere()).unwrap().ticked);
    crew.one(1, tick);
    assert!(line(&crew.everywhere()).unwrap().ticked);
}

#[test]
fn one_plan_is_one_visit_on_every_device_and_visits_made_up_apart_are_two() {
    let writer = |n| Writer::from_bytes([n; 16]);
    let planned = Plan::from_about(PLAN).unwrap();
    let one = Visit::start(planned.clone(), writer(1)).unwrap();
    let other = Visit::start(planned.clone(), writer(2)).unwrap();
    assert_eq!((one.id(), one.heads()), (other.id(), other.heads()));
    assert_eq!(one.about(), other.about());
    assert_eq!(one.id(), planned.document_id());

    let made_up = |nonce: &str| {
        let plan = Plan {
            nonce: nonce.to_owned(),
            ..planned.clone()
        };
        Visit::start(plan, writer(3)).unwrap()
    };
    let (truck, road) = (made_up("f3a1"), made_up("0b77"));
    assert_ne!(truck.id(), road.id());
    assert_ne!(truck.heads(), road.heads());
    assert_ne!(truck.id(), one.id());
}

#[test]
fn a_plan_of_a_newer_program_is_refused_in_words() {
    let newer = PLAN.replacen("\"version\":1", "\"version\":2", 1);
    assert_eq!(Plan::from_about(&newer), Err(PlanError::Newer(2)));
}

#[test]
fn what_could_only_be_without_effect_is_refused_when_it_is_written() {
    use gravelbar_visit::{Left, Untick};
    let mut crew = Crew::joined(&[LEAD, RIGHT]);
    let stop = crew.one(1, Stop {});
    let trout = crew.one(1, fish(1, "brook trout", 150.0));
    let stray = RecordId {
        writer: Writer::from_bytes([9; 16]),
        n: 1,
    };
    let why = Some("a slip");
    let mut refused = |fact: Fact| crew.act(1, why, vec![fact]).unwrap_err();

    assert!(matches!(
        refused(
            Void {
                of: stop,
                seen: vec![]
            }
            .into()
        ),
        ActError::NotOfThisKind {
            act: "void",
            of: "stop",
            ..
        }
    ));
    assert!(matches!(
        refused(Undo { of: trout }.into()),
        ActError::NotOfThisKind {
            act: "undo",
            of: "fish",
            ..
        }
    ));
    assert!(matches!(
        refused(amend(&[trout], FieldValue::N(2), &[]).into()),
        ActError::NotOfThisKind {
            act: "amend",
            of: "fish",
            ..
        }
    ));
    assert!(matches!(
        refused(
            SameThing {
                records: vec![trout, stop]
            }
            .into()
        ),
        ActError::NotOfThisKind {
            act: "same_thing",
            ..
        }
    ));
    assert_eq!(
        refused(Undo { of: stray }.into()),
        ActError::UnknownRecord(stray)
    );
    assert_eq!(
        refused(
            Left {
                person: person(LEAD),
                seen: vec![]
            }
            .into()
        ),
        ActError::LeavingOfSomeoneElse(person(LEAD))
    );
    assert_eq!(
        refused(
            Untick {
                item: "gloves".to_owned(),
                person: None
            }
            .into()
        ),
        ActError::WhoseLine("gloves".to_owned())
    );
    assert_eq!(
        refused(
            Untick {
                item: "helmets".to_owned(),
                person: None
            }
            .into()
        ),
        ActError::UnknownItem("helmets".to_owned())
    );
    assert_eq!(FieldValue::N(2).name(), FieldName::N);
    assert_eq!(crew.view(1).records, crew.view(0).records + 2);
}

#[test]
fn a_device_is_called_what_it_calls_itself_whenever_its_inviter_names_it() {
    let mut crew = Crew::joined(&[LEAD, LEFT]);
    let tag = crew.devices[1].tag;
    let entry = |name: &str| Device {
        tag,
        key: "ab".repeat(32),
        name: name.to_owned(),
    };
    crew.one(1, entry("left net"));
    crew.one(0, entry("new device 0a0a"));
    crew.meet(0, 1);
    crew.one(0, entry("new device once more"));
    crew.meet(0, 1);
    for device in 0..2 {
        let view = crew.view(device);
        let named: Vec<&str> = view
            .devices
            .iter()
            .filter(|d| d.tag == tag)
            .map(|d| d.name.as_str())
            .collect();
        assert_eq!(named, ["left net"]);
    }
}
