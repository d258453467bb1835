//! Real devices on real sockets: they join by invitation, record at once, lose each other, restart
//! and come out equal.

#![expect(
    clippy::unwrap_used,
    reason = "a test that can't go on fails where it stands"
)]
use std::path::Path;
use std::time::Duration;

use gravelbar_crew::{Act, Clock, Node, Options, Reach, start};
use gravelbar_visit::{
    DocumentId, Fact, Joined, PassKey, PersonName, Plan, SpeciesName, Stop, Tally,
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

fn plan() -> Plan {
    Plan::from_about(
        r#"{"version":1,"site":"QB-03","place":"Quillet Brook","date":"2026-08-18","passes":3,
            "checklist":[{"item":"gloves","words":"Insulated gloves on","each_person":true}]}"#,
    )
    .unwrap()
}

fn act(tap_id: &str, by: &str, fact: impl Into<Fact>) -> Act {
    Act {
        tap_id: tap_id.to_owned(),
        by: PersonName::new(by).unwrap(),
        at: None,
        why: None,
        facts: vec![fact.into()],
    }
}

fn trout(n: u32) -> Tally {
    Tally {
        pass: PassKey::main(1),
        species: SpeciesName::new("brook trout").unwrap(),
        n,
        bucket: None,
    }
}

async fn tallied(node: &Node, visit: DocumentId) -> u32 {
    match node.picture(visit).await {
        Some(picture) => picture
            .view
            .tallies
            .iter()
            .filter(|t| !t.out)
            .map(|t| t.n.value)
            .sum(),
        None => 0,
    }
}

async fn heads(node: &Node, visit: DocumentId) -> Vec<String> {
    node.picture(visit)
        .await
        .map(|p| p.view.heads.clone())
        .unwrap_or_default()
}

/// Waits for something that the network brings, and says what was waited for if it doesn't come.
async fn until<F: Future<Output = bool>>(what: &str, mut holds: impl FnMut() -> F) {
    let waited = tokio::time::timeout(Duration::from_secs(30), async {
        while !holds().await {
            tokio::time::sleep(Duration::from_millis(20)).await;
        }
    });
    assert!(waited.await.is_ok(), "never happened: {what}");
}

#[tokio::test(flavor = "multi_thread")]
async fn three_devices_join_by_invitation_and_count_together() {
    let folder = tempfile::tempdir().unwrap();
    let handle = tokio::runtime::Handle::current();
    let [bank, left, right] = ["bank", "left net", "right net"]
        .map(|name| start(options(folder.path(), name), handle.clone()).unwrap());
    let visit = bank.start(plan()).await.unwrap();
    let invitation = bank.invite(visit).await.unwrap();
    assert_eq!(left.join(invitation.clone()).await.unwrap(), visit);
    assert_eq!(right.join(invitation).await.unwrap(), visit);

    for n in 0..5 {
        left.act(visit, act(&format!("l{n}"), "Sabine Quell", trout(1)))
            .await
            .unwrap();
        right
            .act(visit, act(&format!("r{n}"), "Hollis Fenn", trout(1)))
            .await
            .unwrap();
    }
    for node in [&bank, &left, &right] {
        until("ten trout on every device", async || {
            tallied(node, visit).await == 10
        })
        .await;
    }
    until("equal heads on all three", async || {
        let ours = heads(&bank, visit).await;
        ours == heads(&left, visit).await && ours == heads(&right, visit).await
    })
    .await;
    let summary = |picture: std::sync::Arc<gravelbar_crew::Picture>| {
        serde_json::to_string(&picture.summary).unwrap()
    };
    assert_eq!(
        summary(bank.picture(visit).await.unwrap()),
        summary(left.picture(visit).await.unwrap())
    );
    for node in [bank, left, right] {
        node.quit().await;
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn a_tap_sent_again_after_a_restart_counts_once() {
    let folder = tempfile::tempdir().unwrap();
    let handle = tokio::runtime::Handle::current();
    let device = start(options(folder.path(), "bank"), handle.clone()).unwrap();
    let visit = device.start(plan()).await.unwrap();
    let first = device
        .act(visit, act("tap 1", "Dov Kestrelow", trout(3)))
        .await
        .unwrap();
    let again = device
        .act(visit, act("tap 1", "Dov Kestrelow", trout(3)))
        .await
        .unwrap();
    assert_eq!(first, again);
    device.quit().await;

    let device = start(options(folder.path(), "bank"), handle).unwrap();
    let after = device
        .act(visit, act("tap 1", "Dov Kestrelow", trout(3)))
        .await
        .unwrap();
    assert_eq!(first, after);
    assert_eq!(tallied(&device, visit).await, 3);
    device.quit().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_device_that_was_away_catches_up_when_it_starts_again() {
    let folder = tempfile::tempdir().unwrap();
    let handle = tokio::runtime::Handle::current();
    let bank = start(options(folder.path(), "bank"), handle.clone()).unwrap();
    let net = start(options(folder.path(), "net"), handle.clone()).unwrap();
    let visit = bank.start(plan()).await.unwrap();
    net.join(bank.invite(visit).await.unwrap()).await.unwrap();
    net.act(visit, act("n1", "Sabine Quell", trout(1)))
        .await
        .unwrap();
    until("the net's trout on the bank", async || {
        tallied(&bank, visit).await == 1
    })
    .await;
    net.quit().await;
    bank.act(visit, act("b1", "Mirelle Ashgrove", trout(2)))
        .await
        .unwrap();

    // The net's device calls the bank again: it remembers the address from the invitation.
    let net = start(options(folder.path(), "net"), handle).unwrap();
    net.act(visit, act("n2", "Sabine Quell", trout(4)))
        .await
        .unwrap();
    for node in [&bank, &net] {
        until("seven trout on both", async || {
            tallied(node, visit).await == 7
        })
        .await;
    }
    bank.quit().await;
    net.quit().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn devices_that_never_met_merge_through_a_third() {
    let folder = tempfile::tempdir().unwrap();
    let handle = tokio::runtime::Handle::current();
    let [left, bank, right] = ["left", "bank", "right"]
        .map(|name| start(options(folder.path(), name), handle.clone()).unwrap());
    let visit = bank.start(plan()).await.unwrap();
    let invitation = bank.invite(visit).await.unwrap();
    left.join(invitation.clone()).await.unwrap();
    left.act(visit, act("l", "Sabine Quell", trout(1)))
        .await
        .unwrap();
    until("the left net's trout on the bank", async || {
        tallied(&bank, visit).await == 1
    })
    .await;
    left.quit().await;
    right.join(invitation).await.unwrap();
    until("the left net's trout on the right", async || {
        tallied(&right, visit).await == 1
    })
    .await;
    right.quit().await;
    bank.quit().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_stop_reaches_every_connected_device() {
    let folder = tempfile::tempdir().unwrap();
    let handle = tokio::runtime::Handle::current();
    let bank = start(options(folder.path(), "bank"), handle.clone()).unwrap();
    let visit = bank.start(plan()).await.unwrap();
    bank.act(
        visit,
        act(
            "j",
            "Mirelle Ashgrove",
            Joined {
                person: PersonName::new("Mirelle Ashgrove").unwrap(),
            },
        ),
    )
    .await
    .unwrap();
    let invitation = bank.invite(visit).await.unwrap();
    let mut others = Vec::new();
    for name in ["one", "two", "three", "four"] {
        let other = start(options(folder.path(), name), handle.clone()).unwrap();
        other.join(invitation.clone()).await.unwrap();
        others.push(other);
    }
    others[3]
        .act(visit, act("s", "Dov Kestrelow", Stop {}))
        .await
        .unwrap();
    for node in others.iter().chain([&bank]) {
        until("the stop everywhere", async || {
            node.picture(visit)
                .await
                .is_some_and(|p| p.view.safety.stops.iter().any(|s| s.holds))
        })
        .await;
    }
    for node in others.into_iter().chain([bank]) {
        node.quit().await;
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn a_restored_data_folder_syncs_on_and_its_holder_is_told() {
    let folder = tempfile::tempdir().unwrap();
    let handle = tokio::runtime::Handle::current();
    let bank = start(options(folder.path(), "bank"), handle.clone()).unwrap();
    let net = start(options(folder.path(), "net"), handle.clone()).unwrap();
    let visit = bank.start(plan()).await.unwrap();
    net.join(bank.invite(visit).await.unwrap()).await.unwrap();
    net.act(visit, act("n1", "Sabine Quell", trout(1)))
        .await
        .unwrap();
    until("one trout on the bank", async || {
        tallied(&bank, visit).await == 1
    })
    .await;
    net.quit().await;
    copy_folder(&folder.path().join("net"), &folder.path().join("backup"));

    let net = start(options(folder.path(), "net"), handle.clone()).unwrap();
    net.act(visit, act("n2", "Sabine Quell", trout(2)))
        .await
        .unwrap();
    until("three trout on the bank", async || {
        tallied(&bank, visit).await == 3
    })
    .await;
    net.quit().await;

    std::fs::remove_dir_all(folder.path().join("net")).unwrap();
    copy_folder(&folder.path().join("backup"), &folder.path().join("net"));
    let net = start(options(folder.path(), "net"), handle).unwrap();
    net.act(visit, act("n3", "Sabine Quell", trout(4)))
        .await
        .unwrap();
    for node in [&bank, &net] {
        until("seven trout on both", async || {
            tallied(node, visit).await == 7
        })
        .await;
    }
    let notices = net.device().await.unwrap().notices;
    assert!(
        notices.iter().any(|n| n.words.contains("older copy")),
        "{notices:?}"
    );
    bank.quit().await;
    net.quit().await;
}

fn copy_folder(from: &Path, to: &Path) {
    std::fs::create_dir_all(to).unwrap();
    for entry in std::fs::read_dir(from).unwrap() {
        let entry = entry.unwrap();
        std::fs::copy(entry.path(), to.join(entry.file_name())).unwrap();
    }
}
