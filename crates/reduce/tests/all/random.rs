//! Views as no crew would write them: every value of every type, in any mixture.

use chrono::{DateTime, FixedOffset, TimeDelta};
use gravelbar_visit::{
    BatchView, BucketLabel, BucketMoment, BucketView, Channel, ChannelView, CountKind,
    CounterReading, CounterView, Dated, DeathStage, DeathView, DeviceView, Fate, FishView,
    Incident, IncidentKind, LengthType, NetEnd, NetState, NetView, Pack, PassKey, PassView,
    Reaction, RecordId, Rival, Session, Settled, SignState, Source, SpeciesName, Stamp, StopView,
    TallyView, Trial, View, Visit, Water, WaterPlace, Writer,
};
use proptest::collection::vec;
use proptest::option;
use proptest::prelude::*;

use crate::crew::{name, plan, setting, tag};

/// Numbers a record can hold, and numbers only a broken program could.
fn number() -> impl Strategy<Value = f64> {
    prop_oneof![
        4 => (1.0..400.0_f64).prop_map(|x| (x * 10.0).round() / 10.0),
        1 => prop::sample::select(vec![
            0.0, -0.0, -5.0, 1e-300, 1e300, f64::MAX, f64::MIN, f64::NAN, f64::INFINITY,
            f64::NEG_INFINITY,
        ]),
    ]
}

fn at() -> impl Strategy<Value = DateTime<FixedOffset>> {
    let zone = FixedOffset::west_opt(4 * 3_600).unwrap();
    let day: DateTime<FixedOffset> = "2026-08-18T08:00:00-04:00".parse().unwrap();
    prop_oneof![
        8 => (0..600_i64).prop_map(move |min| day + TimeDelta::minutes(min)),
        1 => prop::sample::select(vec![
            DateTime::<chrono::Utc>::MAX_UTC.with_timezone(&FixedOffset::east_opt(0).unwrap()),
            DateTime::<chrono::Utc>::MIN_UTC.with_timezone(&FixedOffset::east_opt(0).unwrap()),
            (day - TimeDelta::days(3_650)).with_timezone(&zone),
        ]),
    ]
}

/// Record numbers are given out later, so that every record has its own.
fn stamp() -> impl Strategy<Value = Stamp> {
    let people = ["Mirelle Ashgrove", "Okto Brandt", "Hollis Fenn"];
    (0..3_usize, 1..80_u64, 0..3_usize, at(), at()).prop_map(
        move |(device, lamport, by, at, corrected)| Stamp {
            id: RecordId {
                writer: Writer {
                    device: tag(device),
                    session: Session([1; 8]),
                },
                n: 1,
            },
            lamport,
            by: name(people[by]),
            at,
            corrected,
        },
    )
}

fn settled<T: Clone + std::fmt::Debug>(
    value: impl Strategy<Value = T> + Clone,
) -> impl Strategy<Value = Settled<T>> {
    (value.clone(), stamp(), vec((value, stamp()), 0..2)).prop_map(|(value, stamp, rivals)| {
        Settled {
            value,
            from: stamp.id,
            rivals: (rivals.into_iter())
                .map(|(value, stamp)| Rival {
                    value,
                    from: stamp.id,
                    by: stamp.by,
                })
                .collect(),
        }
    })
}

fn dated<T: std::fmt::Debug>(what: impl Strategy<Value = T>) -> impl Strategy<Value = Dated<T>> {
    (stamp(), option::of("[a-z]{3,8}"), what, any::<bool>()).prop_map(
        |(stamp, why, what, voided)| Dated {
            stamp,
            why,
            what,
            voided,
        },
    )
}

fn channel() -> impl Strategy<Value = Channel> + Clone {
    prop::sample::select(vec!["main", "left"]).prop_map(|c| Channel::new(c).unwrap())
}

fn pass() -> impl Strategy<Value = PassKey> + Clone {
    let number = prop_oneof![9 => 1..=4_u8, 1 => prop::sample::select(vec![0, 5, 255])];
    (channel(), number).prop_map(|(channel, number)| PassKey { channel, number })
}

fn species() -> impl Strategy<Value = SpeciesName> + Clone {
    let names = vec![
        "brook trout",
        "blacknose dace",
        "creek chub",
        "minnows",
        "unknown a",
    ];
    prop::sample::select(names).prop_map(|s| SpeciesName::new(s).unwrap())
}

fn n() -> impl Strategy<Value = u32> + Clone {
    prop_oneof![9 => 0..40_u32, 1 => Just(u32::MAX)]
}

fn tallies() -> impl Strategy<Value = Vec<TallyView>> {
    let tally = (
        stamp(),
        settled(pass()),
        settled(species()),
        settled(n()),
        any::<bool>(),
    );
    let tally = tally.prop_map(|(stamp, pass, species, n, out)| TallyView {
        stamp,
        pass,
        species,
        n,
        bucket: None,
        out,
    });
    vec(tally, 0..12)
}

fn number_settled() -> impl Strategy<Value = Settled<f64>> {
    (number(), stamp()).prop_map(|(value, stamp)| Settled {
        value,
        from: stamp.id,
        rivals: Vec::new(),
    })
}

fn fishes() -> impl Strategy<Value = Vec<FishView>> {
    let kinds = prop::sample::select(vec![LengthType::Total, LengthType::Fork]);
    let fates = prop::sample::select(vec![Fate::Dead, Fate::Released]);
    let fish = (
        stamp(),
        option::of("[a-z]{3,8}"),
        settled(pass()),
        settled(species()),
        option::of(number_settled()),
        option::of(settled(kinds)),
        option::of(number_settled()),
        option::of(settled(fates)),
        any::<bool>(),
    );
    let fish = fish.prop_map(
        |(stamp, why, pass, species, length_mm, length_type, mass_g, fate, voided)| FishView {
            stamp,
            why,
            pass,
            species,
            length_mm,
            length_type,
            mass_g,
            marks: None,
            anomalies: None,
            fate,
            bucket: None,
            voided,
        },
    );
    vec(fish, 0..40)
}

fn batches() -> impl Strategy<Value = Vec<BatchView>> {
    let kinds = prop::sample::select(vec![CountKind::Counted, CountKind::Estimated]);
    let batch = (
        stamp(),
        settled(pass()),
        settled(species()),
        settled(n()),
        kinds,
        option::of(number_settled()),
        any::<bool>(),
    );
    let batch = batch.prop_map(
        |(stamp, pass, species, n, counted, mass_g, out)| BatchView {
            stamp,
            why: None,
            pass,
            species,
            n,
            counted,
            mass_g,
            min_mm: None,
            max_mm: None,
            mean_mm: None,
            bucket: None,
            out,
        },
    );
    vec(batch, 0..8)
}

fn passes() -> impl Strategy<Value = Vec<PassView>> {
    let source = prop::sample::select(vec![Source::Heard, Source::Read]);
    let reading =
        (number(), number(), source).prop_map(|(start_s, end_s, source)| CounterReading {
            start_s,
            end_s,
            source,
        });
    let reading = (reading, stamp()).prop_map(|(value, stamp)| Settled {
        value,
        from: stamp.id,
        rivals: Vec::new(),
    });
    let pack = prop::sample::select(vec!["L", "R"]).prop_map(|p| Pack::new(p).unwrap());
    let counters = prop::collection::btree_map(pack, reading, 0..3);
    let marks = || vec(dated(Just(())), 0..3);
    let pass = (marks(), marks(), counters);
    prop::collection::btree_map(self::pass(), pass, 0..7).prop_map(|passes| {
        (passes.into_iter())
            .map(|(pass, (opened, closed, counters))| PassView {
                pass,
                opened,
                closed,
                counters: (counters.into_iter())
                    .map(|(pack, reading)| CounterView { pack, reading })
                    .collect(),
            })
            .collect()
    })
}

fn nets() -> impl Strategy<Value = Vec<NetView>> {
    let states = prop::sample::select(vec![
        NetState::Holding,
        NetState::Holding,
        NetState::Lifted,
        NetState::Leaking,
        NetState::Down,
    ]);
    let end = prop::sample::select(vec![NetEnd::Upstream, NetEnd::Downstream]);
    let net = (channel(), end, vec(dated(states), 0..4));
    let net = net.prop_map(|(channel, end, states)| NetView {
        channel,
        end,
        states,
        mesh_mm: None,
    });
    vec(net, 0..4)
}

/// One net seen leaking, down or lifted, by a record no other view has.
pub(crate) fn failed_net() -> impl Strategy<Value = NetView> {
    let states = prop::sample::select(vec![NetState::Lifted, NetState::Leaking, NetState::Down]);
    let end = prop::sample::select(vec![NetEnd::Upstream, NetEnd::Downstream]);
    (channel(), end, dated(states)).prop_map(|(channel, end, mut state)| {
        state.voided = false;
        state.stamp.id.n = 90_000;
        NetView {
            channel,
            end,
            states: vec![state],
            mesh_mm: None,
        }
    })
}

fn deaths() -> impl Strategy<Value = Vec<DeathView>> {
    let death = (
        stamp(),
        settled(pass()),
        settled(species()),
        settled(n()),
        any::<bool>(),
    );
    let death = (death, option::of(0..12_u32)).prop_map(|((stamp, pass, species, n, out), of)| {
        DeathView {
            // Some name a fish that is here, some one that isn't.
            fish: of.map(|n| RecordId {
                n: 1_000 + n,
                ..stamp.id
            }),
            stamp,
            pass,
            species,
            n,
            stage: DeathStage::Net,
            out,
        }
    });
    vec(death, 0..5)
}

fn channels() -> impl Strategy<Value = Vec<ChannelView>> {
    let measured = (option::of(number_settled()), vec(dated(number()), 0..4));
    prop::collection::btree_map(channel(), measured, 0..3).prop_map(|channels| {
        (channels.into_iter())
            .map(|(channel, (length_m, widths_m))| ChannelView {
                channel,
                length_m,
                widths_m,
            })
            .collect()
    })
}

fn stops() -> impl Strategy<Value = Vec<StopView>> {
    let stop = (stamp(), vec(stamp(), 0..2), any::<bool>());
    let stop = stop.prop_map(|(stamp, cleared, holds)| StopView {
        stamp,
        why: None,
        energiser_off: Vec::new(),
        cleared,
        clear_reasons: Vec::new(),
        holds,
    });
    vec(stop, 0..3)
}

fn buckets() -> impl Strategy<Value = Vec<BucketView>> {
    let moments = prop::sample::select(vec![BucketMoment::FirstFish, BucketMoment::Emptied]);
    let bucket = (0..3_u8, pass(), vec(dated(moments), 0..3));
    let bucket = bucket.prop_map(|(label, pass, moments)| BucketView {
        label: BucketLabel::new(&label.to_string()).unwrap(),
        pass,
        moments,
    });
    vec(bucket, 0..4)
}

fn devices() -> impl Strategy<Value = Vec<DeviceView>> {
    let offset = option::of(prop_oneof![
        Just(0),
        Just(420_000),
        Just(i64::MIN),
        Just(i64::MAX)
    ]);
    vec((option::of(stamp()), offset, any::<bool>()), 3..4).prop_map(|devices| {
        (devices.into_iter().enumerate())
            .map(|(device, (last, clock_offset_ms, held))| DeviceView {
                tag: tag(device),
                key: String::new(),
                name: String::new(),
                holder: held.then(|| name("Okto Brandt")),
                records: 3,
                last,
                clock_offset_ms,
                clock_uncertainty_ms: clock_offset_ms,
            })
            .collect()
    })
}

fn waters() -> impl Strategy<Value = Vec<Dated<Water>>> {
    let place = prop::sample::select(vec![WaterPlace::Stream, WaterPlace::LiveCar]);
    let water = (place, option::of(number()), option::of(number()));
    let water = water.prop_map(|(place, temperature_c, ambient_us_cm)| Water {
        place,
        temperature_c,
        ambient_us_cm,
        specific_us_cm: None,
        oxygen_mg_l: None,
        ph: None,
        turbidity_ntu: None,
        flow_m3_s: None,
    });
    vec(dated(water), 0..6)
}

fn trials() -> impl Strategy<Value = Vec<Dated<Trial>>> {
    let reaction = prop::sample::select(vec![Reaction::Drawn, Reaction::Rigid]);
    let trial = (
        number(),
        reaction,
        option::of(number()),
        option::of("[a-z]{3,8}"),
    );
    let trial = trial.prop_map(|(peak_v, reaction, upright_s, injury)| Trial {
        setting: setting("L", peak_v),
        reaction,
        distance_m: upright_s,
        upright_s,
        species: None,
        length_mm: None,
        injury,
    });
    vec(dated(trial), 0..4)
}

fn incidents() -> impl Strategy<Value = Vec<Dated<Incident>>> {
    let kind = prop::sample::select(vec![IncidentKind::Weather, IncidentKind::Injury]);
    let incident = (kind, "[a-z ]{3,80}").prop_map(|(kind, text)| Incident { kind, text });
    vec(dated(incident), 0..3)
}

/// A plan with a group of two species, size cuts and a permit.
fn empty() -> View {
    let about = serde_json::json!({
        "version": 1, "site": "MF-01", "place": "Marl Fork", "date": "2026-08-18", "passes": 3,
        "water_limit_c": 18.0, "target_relative_half_width": 0.25,
        "known_good": {"peak_v": 260.0, "ambient_us_cm": 115.0},
        "limit_profiles": ["quillet_brook_demo", "recovery_proposed", "of another office"],
        "species": [
            {"name": "brook trout", "size_cuts_mm": [100, 150],
             "permit": {"caught": 20, "dead": 1, "caught_before": 9}},
            {"name": "blacknose dace", "tallied_as": "minnows", "measure_first": 3},
            {"name": "creek chub", "tallied_as": "minnows"}
        ]
    });
    let plan = gravelbar_visit::Plan::from_about(&about.to_string()).unwrap();
    let writer = Writer::from_bytes([1; 16]);
    let mut view = Visit::start(plan, writer).unwrap().view();
    view.heads = vec!["0a".to_owned(), "0b".to_owned()];
    view.sign_state = SignState::Open;
    view
}

/// Any view at all: the reducer promises an answer for it.
pub(crate) fn view() -> impl Strategy<Value = View> {
    let first = (channels(), nets(), passes(), tallies(), tallies(), fishes());
    let peak = number().prop_map(|v| setting("L", v));
    let second = (
        batches(),
        deaths(),
        stops(),
        buckets(),
        devices(),
        vec(dated(peak), 0..4),
    );
    let third = (waters(), trials(), incidents());
    (first, second, third).prop_map(|(first, second, third)| {
        let mut view = empty();
        (
            view.channels,
            view.nets,
            view.passes,
            view.tallies,
            view.escapes,
            view.fish,
        ) = first;
        (
            view.batches,
            view.deaths,
            view.safety.stops,
            view.buckets,
            view.devices,
            view.settings,
        ) = second;
        (view.water, view.trials, view.incidents) = third;
        number_records(&mut view);
        view
    })
}

/// Gives every record a number of its own, fish from 1,000 on.
fn number_records(view: &mut View) {
    let mut next = 0;
    let mut number = |stamp: &mut Stamp| {
        next += 1;
        stamp.id.n = next;
    };
    for channel in &mut view.channels {
        channel
            .widths_m
            .iter_mut()
            .for_each(|w| number(&mut w.stamp));
    }
    for net in &mut view.nets {
        net.states.iter_mut().for_each(|s| number(&mut s.stamp));
    }
    for pass in &mut view.passes {
        let marks = pass.opened.iter_mut().chain(&mut pass.closed);
        marks.for_each(|m| number(&mut m.stamp));
    }
    for counter in view.passes.iter_mut().flat_map(|p| &mut p.counters) {
        next_number(&mut counter.reading.from);
    }
    view.tallies.iter_mut().for_each(|t| number(&mut t.stamp));
    view.escapes.iter_mut().for_each(|t| number(&mut t.stamp));
    view.batches.iter_mut().for_each(|b| number(&mut b.stamp));
    view.deaths.iter_mut().for_each(|d| number(&mut d.stamp));
    view.safety
        .stops
        .iter_mut()
        .for_each(|s| number(&mut s.stamp));
    view.settings.iter_mut().for_each(|s| number(&mut s.stamp));
    view.water.iter_mut().for_each(|w| number(&mut w.stamp));
    view.trials.iter_mut().for_each(|t| number(&mut t.stamp));
    (view.incidents.iter_mut()).for_each(|i| number(&mut i.stamp));
    for bucket in &mut view.buckets {
        bucket.moments.iter_mut().for_each(|m| number(&mut m.stamp));
    }
    for (n, fish) in (1_000..).zip(&mut view.fish) {
        fish.stamp.id.n = n;
    }
}

/// A counter's record has a number far from all others; which one doesn't matter.
fn next_number(id: &mut RecordId) {
    id.n = id.n.wrapping_add(50_000);
}

/// The plan the crew tests use has no species; this keeps the two apart by name.
#[test]
fn the_random_plan_has_a_group_a_cut_and_a_permit() {
    let planned = empty().plan;
    assert!(planned.species.iter().any(|s| s.permit.is_some()));
    assert!(planned.species.iter().any(|s| s.tallied_as.is_some()));
    assert!(plan().species.is_empty());
}
