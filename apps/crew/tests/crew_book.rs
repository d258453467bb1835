//! A crew and its book, with real devices on real sockets: who joins the crew meets the whole crew
//! and has its visits; plans open as one visit; a lost device is shut out.

#![expect(
    clippy::unwrap_used,
    reason = "a test that can't go on fails where it stands"
)]

use std::path::Path;
use std::sync::Arc;
use std::time::Duration;

use gravelbar_book::{DeviceStanding, Fact as BookFact, Permit, PlannedVisit};
use gravelbar_crew::{
    Act, BookPicture, Clock, CrewAct, CrewDoing, Node, Options, Reach, Sign, start,
};
use gravelbar_visit::{
    DocumentId, Fact, Fish, Joined, PassKey, PersonName, Plan, Role, RoleTaken, SpeciesName, Tally,
};

fn options(folder: &Path, name: &str) -> Options {
    Options {
        folder: folder.join(name),
        witness: Some(folder.join(format!("{name}.witness"))),
        listen: "127.0.0.1:0".parse().unwrap(),
        reach: Reach::Interfaces,
        name: name.to_owned(),
        clock: Clock::default(),
    }
}

fn run(folder: &Path, name: &str) -> Node {
    start(options(folder, name), tokio::runtime::Handle::current()).unwrap()
}

fn name(text: &str) -> PersonName {
    PersonName::new(text).unwrap()
}

fn plan(site: &str) -> Plan {
    let text = format!(
        r#"{{"version":1,"site":"{site}","place":"Quillet Brook","date":"2026-08-18","passes":3}}"#
    );
    Plan::from_about(&text).unwrap()
}

fn act(tap_id: &str, by: &str, facts: Vec<Fact>) -> Act {
    Act {
        tap_id: tap_id.to_owned(),
        by: name(by),
        at: None,
        why: None,
        facts,
    }
}

fn crew_act(tap_id: &str, doing: CrewDoing) -> CrewAct {
    CrewAct {
        tap_id: tap_id.to_owned(),
        by: name("Mirelle Ashgrove"),
        why: None,
        doing,
    }
}

fn trout() -> Fact {
    Tally {
        pass: PassKey::main(1),
        species: SpeciesName::new("brook trout").unwrap(),
        n: 1,
        bucket: None,
    }
    .into()
}

async fn tallied(node: &Node, visit: DocumentId) -> usize {
    let picture = node.picture(visit).await;
    picture.map_or(0, |p| p.view.tallies.len())
}

async fn until<F: Future<Output = bool>>(what: &str, mut holds: impl FnMut() -> F) {
    let waited = tokio::time::timeout(Duration::from_secs(30), async {
        while !holds().await {
            tokio::time::sleep(Duration::from_millis(20)).await;
        }
    });
    assert!(waited.await.is_ok(), "never happened: {what}");
}

async fn book(node: &Node, id: DocumentId) -> Arc<BookPicture> {
    node.book(id).await.unwrap()
}

#[tokio::test(flavor = "multi_thread")]
async fn whoever_joins_the_crew_has_its_visits_and_meets_everybody_not_only_who_invited() {
    let folder = tempfile::tempdir().unwrap();
    let lead = run(folder.path(), "lead");
    let crew = lead
        .start_crew("Quillet crew".to_owned(), name("Mirelle Ashgrove"))
        .await
        .unwrap();
    let visit = lead.start(plan("QB-03")).await.unwrap();
    let (left, right) = (run(folder.path(), "left"), run(folder.path(), "right"));
    for device in [&left, &right] {
        let invitation = lead.invite(crew).await.unwrap();
        assert_eq!(device.join(invitation).await.unwrap(), crew);
        until("the crew's visit on the newcomer", async || {
            device.picture(visit).await.is_some()
        })
        .await;
    }
    let left_tag = left.device().await.unwrap().tag;
    until("the two newcomers in touch", async || {
        let seen = book(&right, crew).await;
        seen.live.iter().any(|p| p.tag == left_tag && p.connected)
    })
    .await;
    // Without the device that invited them.
    lead.quit().await;
    left.act(visit, act("a tap 1", "Sabine Quell", vec![trout()]))
        .await
        .unwrap();
    until("the tap on the other newcomer", async || {
        tallied(&right, visit).await == 1
    })
    .await;
    // A newcomer can't let others in; a visit can be shared by anyone.
    let refused = left.invite(crew).await.unwrap_err();
    assert!(refused.words.contains("crew lead's device"), "{refused}");
    assert!(left.invite(visit).await.is_ok());
    for node in [left, right] {
        node.quit().await;
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn a_planned_visit_opens_as_one_document_on_devices_that_are_apart() {
    let folder = tempfile::tempdir().unwrap();
    let lead = run(folder.path(), "lead");
    let crew = lead
        .start_crew("Quillet crew".to_owned(), name("Mirelle Ashgrove"))
        .await
        .unwrap();
    let planned: BookFact = PlannedVisit {
        plan: plan("QB-07").about(),
        replaces: Vec::new(),
    }
    .into();
    let doing = CrewDoing::Write(vec![planned]);
    lead.crew_act(crew, crew_act("plan it 1", doing))
        .await
        .unwrap();
    let other = run(folder.path(), "other");
    let invitation = lead.invite(crew).await.unwrap();
    other.join(invitation).await.unwrap();
    until("the plan on the newcomer", async || {
        !book(&other, crew).await.view.planned.is_empty()
    })
    .await;
    other.be(crew, name("Hollis Fenn")).await.unwrap();
    let listed = book(&other, crew).await.view.planned[0].visit;
    lead.quit().await;
    let opened = other.open_planned(crew, listed).await.unwrap();
    assert_eq!(opened, plan("QB-07").document_id());
    // Whoever holds the device is on the visit's crew without being asked again.
    assert_eq!(other.me(opened).await, Some(name("Hollis Fenn")));
    other.quit().await;
    let lead = run(folder.path(), "lead");
    assert_eq!(lead.open_planned(crew, listed).await.unwrap(), opened);
    lead.quit().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_lost_device_is_shut_out_everywhere_and_what_it_wrote_before_counts() {
    let folder = tempfile::tempdir().unwrap();
    let lead = run(folder.path(), "lead");
    let crew = lead
        .start_crew("Quillet crew".to_owned(), name("Mirelle Ashgrove"))
        .await
        .unwrap();
    let visit = lead.start(plan("QB-03")).await.unwrap();
    let role = RoleTaken {
        person: name("Mirelle Ashgrove"),
        role: Role::Lead,
    };
    lead.act(
        visit,
        act("a role 1", "Mirelle Ashgrove", vec![role.into()]),
    )
    .await
    .unwrap();
    let (lost, other) = (run(folder.path(), "lost"), run(folder.path(), "other"));
    for device in [&lost, &other] {
        let invitation = lead.invite(crew).await.unwrap();
        device.join(invitation).await.unwrap();
        until("the visit on the newcomer", async || {
            device.picture(visit).await.is_some()
        })
        .await;
    }
    lost.act(visit, act("a tap 1", "Hollis Fenn", vec![trout()]))
        .await
        .unwrap();
    for device in [&lead, &other] {
        until("the tap everywhere", async || {
            tallied(device, visit).await == 1
        })
        .await;
    }
    let lost_tag = lost.device().await.unwrap().tag;
    let key = {
        let view = &book(&lead, crew).await.view;
        let device = view.roster.devices.iter().find(|d| d.key.tag() == lost_tag);
        device.unwrap().key
    };
    let secrets = book(&lead, crew).await.view.secrets.clone();
    lead.crew_act(crew, crew_act("it is lost 1", CrewDoing::Lost(key)))
        .await
        .unwrap();
    for device in [&lead, &other] {
        until("the lost device shut out", async || {
            let seen = book(device, crew).await;
            let standing = seen.view.roster.device(key).map(|d| d.standing);
            standing == Some(DeviceStanding::Revoked)
                && !seen.live.iter().any(|p| p.tag == lost_tag)
                && seen.view.secrets[0] != secrets[0]
        })
        .await;
    }
    // What it records now reaches nobody; what it had recorded counts.
    lost.act(visit, act("a tap 2", "Hollis Fenn", vec![trout()]))
        .await
        .unwrap();
    other
        .act(visit, act("a tap 3", "Sabine Quell", vec![trout()]))
        .await
        .unwrap();
    until("the other's tap at the lead", async || {
        tallied(&lead, visit).await == 2
    })
    .await;
    let picture = lead.picture(visit).await.unwrap();
    assert_eq!(picture.view.tallies.iter().filter(|t| !t.out).count(), 2);
    assert!(!picture.live.iter().any(|p| p.tag == lost_tag));
    // Marking the device in one's own hand is refused.
    let own = book(&lead, crew).await.key;
    let refused = lead
        .crew_act(crew, crew_act("it is lost 2", CrewDoing::Lost(own)))
        .await;
    assert!(refused.unwrap_err().words.contains("in your hand"));
    for node in [lead, lost, other] {
        node.quit().await;
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn a_signed_visit_counts_for_the_permit_and_a_later_signature_takes_its_place() {
    let folder = tempfile::tempdir().unwrap();
    let lead = run(folder.path(), "lead");
    let crew = lead
        .start_crew("Quillet crew".to_owned(), name("Mirelle Ashgrove"))
        .await
        .unwrap();
    let lamprey = SpeciesName::new("american brook lamprey").unwrap();
    let permit: BookFact = Permit {
        name: "VB-26-114".to_owned(),
        from: "2026-01-01".parse().unwrap(),
        until: "2026-12-31".parse().unwrap(),
        species: vec![gravelbar_book::Allowed {
            species: lamprey.clone(),
            caught: 20,
            dead: 1,
            caught_before: 9,
            dead_before: 0,
        }],
        words: String::new(),
        dropped: false,
        replaces: Vec::new(),
    }
    .into();
    lead.crew_act(crew, crew_act("a permit 1", CrewDoing::Write(vec![permit])))
        .await
        .unwrap();
    let visit = lead.start(plan("QB-03")).await.unwrap();
    let facts = vec![
        Joined {
            person: name("Mirelle Ashgrove"),
        }
        .into(),
        RoleTaken {
            person: name("Mirelle Ashgrove"),
            role: Role::Lead,
        }
        .into(),
    ];
    lead.act(visit, act("a role 1", "Mirelle Ashgrove", facts))
        .await
        .unwrap();
    let fish = |pass| {
        vec![
            Fish {
                pass: PassKey::main(pass),
                species: lamprey.clone(),
                length_mm: None,
                length_type: None,
                mass_g: None,
                marks: None,
                anomalies: None,
                fate: None,
                bucket: None,
            }
            .into(),
        ]
    };
    let sign = |tap_id: &str| Sign {
        tap_id: tap_id.to_owned(),
        by: name("Mirelle Ashgrove"),
        at: None,
        why: None,
    };
    let mut used = Vec::new();
    for n in 1..=2_u8 {
        let tap = format!("a fish {n}");
        lead.act(visit, act(&tap, "Mirelle Ashgrove", fish(n)))
            .await
            .unwrap();
        lead.sign(visit, sign(&format!("signed {n}")))
            .await
            .unwrap();
        let view = &book(&lead, crew).await.view;
        used.push(view.permits[0].of(&lamprey).unwrap().caught);
        assert_eq!(view.done.len(), 1);
        assert!(view.done[0].rivals.is_empty());
    }
    assert_eq!(used, [10, 11]);
    lead.quit().await;
}
