//! Sites, species, plans, permits and secrets: what counts, what stands beside it, what the season
//! has used.

use std::collections::BTreeSet;

use gravelbar_book::{
    Allowed, Book, Caught, DeviceHeld, Fact, ListedSpecies, Permit, PlanDropped, PlannedVisit,
    SECRETS_RECOGNISED, Secret, SecretBytes, SetAside, Site, VisitDone,
};
use gravelbar_ledger::{DocumentId, RecordId};
use gravelbar_visit::{Plan, Role, SpeciesName, Visit};
use proptest::prelude::*;

use crate::crew::{Crew, DEVICES, at, grant, key, name, writer};

/// Everyone on the crew, nobody pending.
fn crew() -> Crew {
    let mut crew = Crew::new();
    for device in 1..DEVICES {
        let mut entry = crew.book(0).roster().next();
        entry.grant = Some(grant(device, vec![Role::Netter]));
        crew.say(0, entry).unwrap();
    }
    crew.meet_all();
    crew
}

fn species(text: &str) -> SpeciesName {
    SpeciesName::new(text).unwrap()
}

fn site(place: &str, replaces: Vec<RecordId>) -> Site {
    Site {
        code: "QB-03".to_owned(),
        place: place.to_owned(),
        reach_m: None,
        reach: String::new(),
        method: String::new(),
        passes: None,
        purpose: String::new(),
        dropped: false,
        replaces,
    }
}

#[test]
fn two_who_write_of_one_site_apart_both_stand_until_somebody_settles_it() {
    let mut crew = crew();
    crew.say(1, site("Lower Hollow", Vec::new())).unwrap();
    let other = Site {
        code: "qb-03".to_owned(),
        ..site("Upper Hollow", Vec::new())
    };
    crew.say(2, other).unwrap();
    crew.meet_all();
    let view = crew.book(0).view();
    assert_eq!(view.sites.len(), 1);
    let named = view.site("QB-03").unwrap().site.clone().unwrap();
    assert_eq!(named.rivals.len(), 1);

    crew.say(3, site("Lower Hollow, below the ford", named.all()))
        .unwrap();
    crew.meet_all();
    let view = crew.book(1).view();
    let named = view.site("QB-03").unwrap().site.clone().unwrap();
    assert_eq!(named.value.place, "Lower Hollow, below the ford");
    assert!(named.rivals.is_empty());
}

#[test]
fn what_one_drops_while_another_goes_on_with_it_is_still_there() {
    let mut crew = crew();
    let first = crew.say(0, site("Lower Hollow", Vec::new())).unwrap();
    crew.meet_all();
    let dropped = Site {
        dropped: true,
        ..site("Lower Hollow", vec![first])
    };
    crew.say(1, dropped.clone()).unwrap();
    assert!(crew.book(1).view().site("QB-03").is_none());
    crew.say(2, site("Lower Hollow, new net place", vec![first]))
        .unwrap();
    crew.meet_all();
    let view = crew.book(0).view();
    let named = view.site("QB-03").unwrap().site.clone().unwrap();
    assert_eq!(named.value.place, "Lower Hollow, new net place");
    assert_eq!(named.rivals.len(), 1);
    let settled = Site {
        replaces: named.all(),
        ..dropped
    };
    crew.say(0, settled).unwrap();
    assert!(crew.book(0).view().site("QB-03").is_none());
}

fn plan(site: &str, day: &str) -> Plan {
    let text = format!(
        r#"{{"version":1,"site":"{site}","place":"Quillet Brook","date":"{day}","passes":3}}"#
    );
    Plan::from_about(&text).unwrap()
}

fn planned(plan: &Plan, replaces: Vec<RecordId>) -> PlannedVisit {
    PlannedVisit {
        plan: plan.about(),
        replaces,
    }
}

fn plans(book: &Book) -> Vec<DocumentId> {
    book.view().planned.iter().map(|p| p.visit).collect()
}

#[test]
fn a_plan_given_up_or_replaced_is_gone_and_one_visit_planned_twice_is_one() {
    let mut crew = crew();
    let (first, second) = (plan("QB-03", "2026-08-18"), plan("QB-07", "2026-08-19"));
    let a = crew.say(0, planned(&first, Vec::new())).unwrap();
    crew.say(1, planned(&first, Vec::new())).unwrap();
    crew.meet_all();
    assert_eq!(plans(crew.book(2)), [first.document_id()]);
    crew.say(2, planned(&second, vec![a])).unwrap();
    crew.meet_all();
    // The other's plan of the same visit wasn't named.
    assert_eq!(
        plans(crew.book(0)),
        [first.document_id(), second.document_id()]
    );
    let all: Vec<RecordId> = crew.book(0).view().planned.iter().map(|p| p.from).collect();
    crew.say(0, PlanDropped { of: all }).unwrap();
    assert!(plans(crew.book(0)).is_empty());
    // A visit that somebody may have opened stays the crew's.
    assert_eq!(crew.book(0).view().visits.len(), 2);
}

#[test]
fn a_plan_with_random_text_or_from_another_hand_is_refused() {
    let mut book = crew().books.remove(0);
    let mut try_plan = |text: String| {
        let fact = PlannedVisit {
            plan: text,
            replaces: Vec::new(),
        };
        book.record(&name("Ana"), at(), None, vec![fact.into()])
            .map(|_| ())
    };
    let good = plan("QB-03", "2026-08-18");
    let spontaneous = Plan {
        nonce: "f3a1".to_owned(),
        ..good.clone()
    };
    assert!(try_plan(spontaneous.about()).is_err());
    assert!(try_plan(good.about().replace(":", ": ")).is_err());
    assert!(try_plan("{}".to_owned()).is_err());
    assert!(try_plan(good.about()).is_ok());
}

/// A number with a few decimals, as people type it.
fn typed(low: u32, high: u32, decimals: usize) -> impl Strategy<Value = f64> {
    let scale = 10_u32.pow(u32::try_from(decimals).unwrap());
    (low * scale..high * scale).prop_map(move |n| {
        let (whole, rest) = (n / scale, n % scale);
        format!("{whole}.{rest:0decimals$}").parse().unwrap()
    })
}

fn some_plan() -> impl Strategy<Value = Plan> {
    let share = prop::option::of(typed(0, 1, 4).prop_filter("too small", |s| *s >= 0.001));
    let degrees = prop::option::of(typed(1, 40, 2));
    let known = prop::option::of((typed(1, 2_000, 1), typed(1, 100_000, 2)));
    let cuts = prop::collection::vec(typed(1, 900, 1), 0..4);
    let site = "[A-Z]{2}-[0-9]{2}|\\PC{1,20}";
    (site, 1..20_u8, share, degrees, known, cuts).prop_filter_map(
        "no site has such a name",
        |(site, passes, share, degrees, known, mut cuts)| {
            cuts.sort_by(f64::total_cmp);
            let plan = Plan {
                site,
                passes,
                target_relative_half_width: share,
                water_limit_c: degrees,
                known_good: known.map(|(peak_v, ambient_us_cm)| gravelbar_visit::KnownGoodOutput {
                    peak_v,
                    ambient_us_cm,
                }),
                species: vec![gravelbar_visit::PlannedSpecies {
                    name: species("brook trout"),
                    scientific_name: String::new(),
                    size_cuts_mm: cuts,
                    tallied_as: None,
                    permit: None,
                    measure_first: None,
                }],
                ..plan("QB-03", "2026-08-18")
            };
            plan.check().is_ok().then_some(plan)
        },
    )
}

proptest! {
    #[test]
    fn a_planned_visit_is_the_same_document_on_every_device(plan in some_plan()) {
        let mut crew = crew();
        let written = crew.say(1, planned(&plan, Vec::new()));
        prop_assert!(written.is_some());
        crew.meet_all();
        let mut opened = BTreeSet::new();
        for device in 0..DEVICES {
            let view = crew.book(device).view();
            let one = &view.planned[0];
            let visit = Visit::start(one.plan.clone().unwrap(), writer(device, 7)).unwrap();
            prop_assert_eq!(visit.id(), one.visit);
            opened.insert(visit.heads());
        }
        prop_assert_eq!(opened.len(), 1);
    }
}

/// A number that doesn't come back from the plan's text as it was is refused; else a visit would be
/// opened under two names.
#[test]
fn a_plan_whose_text_does_not_give_its_numbers_back_is_refused() {
    let mut crew = crew();
    // Longer than any float needs: read, it is written shorter.
    let long = plan("QB-03", "2026-08-18").about();
    let long = long.replace(
        r#""checklist":[]"#,
        r#""checklist":[],"water_limit_c":18.500000000000000001"#,
    );
    let fact = PlannedVisit {
        plan: long,
        replaces: Vec::new(),
    };
    assert!(crew.say(0, fact).is_none());
}

fn done(visit: u8, day: &str, caught: &[(&str, u64, u64)], replaces: Vec<RecordId>) -> VisitDone {
    VisitDone {
        visit: DocumentId([visit; 16]),
        site: "QB-03".to_owned(),
        date: day.parse().unwrap(),
        digest: "ab".repeat(32),
        reach_m: Some(100.0),
        passes: 3,
        caught: (caught.iter())
            .map(|(name, caught, dead)| Caught {
                species: species(name),
                caught: *caught,
                dead: *dead,
            })
            .collect(),
        replaces,
    }
}

fn permit() -> Permit {
    Permit {
        name: "VB-26-114".to_owned(),
        from: "2026-01-01".parse().unwrap(),
        until: "2026-12-31".parse().unwrap(),
        species: vec![Allowed {
            species: species("american brook lamprey"),
            caught: 20,
            dead: 1,
            caught_before: 9,
            dead_before: 0,
        }],
        words: String::new(),
        dropped: false,
        replaces: Vec::new(),
    }
}

fn used(book: &Book) -> (u64, u64) {
    let view = book.view();
    let used = view.permits[0]
        .of(&species("american brook lamprey"))
        .unwrap();
    (used.caught, used.dead)
}

/// The lamprey of the invented season: 9 of 20 caught before, 3 caught and 1 dead in this visit.
#[test]
fn a_permit_counts_visits_of_its_days_once_each_and_the_higher_of_two_that_disagree() {
    let lamprey = |caught, dead| [("american brook lamprey", caught, dead)];
    let mut crew = crew();
    crew.say(0, permit()).unwrap();
    crew.meet_all();
    assert_eq!(used(crew.book(0)), (9, 0));
    let first = crew
        .say(1, done(1, "2026-08-18", &lamprey(3, 1), Vec::new()))
        .unwrap();
    crew.say(1, done(2, "2027-01-02", &lamprey(7, 0), Vec::new()))
        .unwrap();
    crew.meet_all();
    assert_eq!(used(crew.book(0)), (12, 1));
    // Two devices put the visit right apart from each other.
    crew.say(2, done(1, "2026-08-18", &lamprey(4, 0), vec![first]))
        .unwrap();
    crew.say(3, done(1, "2026-08-18", &lamprey(2, 1), vec![first]))
        .unwrap();
    crew.meet_all();
    assert_eq!(used(crew.book(1)), (13, 1));
    let view = crew.book(1).view();
    assert_eq!(view.done.len(), 2);
    let all = view
        .done
        .iter()
        .find(|d| !d.rivals.is_empty())
        .unwrap()
        .all();
    crew.say(1, done(1, "2026-08-18", &lamprey(3, 1), all))
        .unwrap();
    assert_eq!(used(crew.book(1)), (12, 1));
    assert_eq!(
        view.permit(
            &species("american brook lamprey"),
            "2027-01-02".parse().unwrap()
        ),
        None
    );
}

#[test]
fn species_stand_in_the_order_in_which_the_crew_caught_them() {
    let mut crew = crew();
    for listed in ["white sucker", "brook trout", "creek chub", "slimy sculpin"] {
        let fact = ListedSpecies {
            name: species(listed),
            scientific_name: String::new(),
            size_cuts_mm: Vec::new(),
            tallied_as: None,
            measure_first: None,
            dropped: false,
            replaces: Vec::new(),
        };
        crew.say(0, fact).unwrap();
    }
    let caught = [("slimy sculpin", 62, 0), ("brook trout", 79, 0)];
    crew.say(0, done(1, "2026-08-18", &caught, Vec::new()))
        .unwrap();
    let caught = [("slimy sculpin", 20, 0)];
    crew.say(0, done(2, "2026-08-25", &caught, Vec::new()))
        .unwrap();
    let view = crew.book(0).view();
    let order: Vec<&str> = view.species.iter().map(|s| s.value.name.as_str()).collect();
    assert_eq!(
        order,
        ["slimy sculpin", "brook trout", "white sucker", "creek chub"]
    );
    let last = view.site("qb-03").unwrap().last.clone().unwrap();
    assert_eq!(last.date.to_string(), "2026-08-25");
}

#[test]
fn the_newest_secrets_are_recognised_newest_first_and_each_once() {
    let mut crew = crew();
    for byte in [1, 2, 2, 3, 4, 5, 6] {
        let bytes = SecretBytes([byte; 32]);
        crew.say(0, Secret { bytes }).unwrap();
    }
    crew.meet_all();
    let secrets = crew.book(3).view().secrets;
    let first: Vec<u8> = secrets.iter().map(|s| s.0[0]).collect();
    assert_eq!(first, [6, 5, 4, 3]);
    assert_eq!(secrets.len(), SECRETS_RECOGNISED);
    assert!(
        !format!("{:?}", secrets[0]).contains("06"),
        "a secret shows itself"
    );
}

#[test]
fn what_a_device_that_nobody_let_in_writes_is_kept_and_without_effect() {
    let mut crew = Crew::new();
    let held = DeviceHeld {
        key: key(0),
        person: name("Nobody"),
    };
    crew.force(2, held);
    crew.meet_all();
    let view = crew.book(0).view();
    assert_eq!(view.records, 1);
    assert_eq!(view.aside.len(), 1);
    assert_eq!(view.aside[0].why, SetAside::Stranger);
    assert_eq!(view.devices[0].holder, None);
}

#[test]
fn a_record_of_a_newer_program_and_an_odd_one_are_set_aside_and_stop_nothing() {
    let mut crew = crew();
    crew.force(1, Fact::from(site(" ", Vec::new())));
    crew.force_text(
        1,
        r#"{"at":"2026-08-18T08:10:00-04:00","by":"A","what":{"weather":{}}}"#,
    );
    crew.force_text(1, "no record at all");
    crew.say(2, site("Lower Hollow", Vec::new())).unwrap();
    crew.meet_all();
    let view = crew.book(0).view();
    let why: Vec<SetAside> = view.aside.iter().map(|s| s.why).collect();
    assert_eq!(view.aside.len(), 3);
    assert_eq!(why.iter().filter(|w| **w == SetAside::Odd).count(), 1);
    assert!(
        view.aside
            .iter()
            .any(|s| s.kind.as_deref() == Some("weather"))
    );
    assert_eq!(view.sites.len(), 1);
}
