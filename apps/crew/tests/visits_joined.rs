//! Two crews each start a record of one visit, meet, join it with one press, and take it apart
//! again: real devices on real sockets.

#![expect(
    clippy::unwrap_used,
    reason = "a test that can't go on fails where it stands"
)]
use std::path::Path;
use std::time::Duration;

use gravelbar_crew::{Act, Clock, Node, Options, Reach, start};
use gravelbar_visit::{
    DocumentId, Fact, Join, JoinNames, PassKey, PersonName, Plan, SafetyState, SpeciesName, Stop,
    Tally, Unjoin,
};

fn options(folder: &Path, name: &str) -> Options {
    Options {
        folder: folder.join(name),
        witness: None,
        listen: "127.0.0.1:0".parse().unwrap(),
        reach: Reach::Interfaces,
        name: name.to_owned(),
        clock: Clock::default(),
    }
}

/// A visit made up on the spot.
fn plan(nonce: &str) -> Plan {
    Plan::from_about(&format!(
        r#"{{"version":1,"site":"QB-03","place":"Quillet Brook","date":"2026-08-18","passes":3,"nonce":"{nonce}"}}"#
    ))
    .unwrap()
}

fn act(tap_id: &str, by: &str, fact: impl Into<Fact>) -> Act {
    Act {
        tap_id: tap_id.to_owned(),
        by: PersonName::new(by).unwrap(),
        at: None,
        why: Some("as agreed at the truck".to_owned()),
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
    let picture = node.picture(visit).await;
    picture.map_or(0, |picture| {
        let standing = picture.view.tallies.iter().filter(|t| !t.out);
        standing.map(|t| t.n.value).sum()
    })
}

async fn stopped(node: &Node, visit: DocumentId) -> bool {
    let picture = node.picture(visit).await;
    picture.is_some_and(|p| matches!(p.view.safety.state, SafetyState::Stopped { .. }))
}

async fn until<F: Future<Output = bool>>(what: &str, mut holds: impl FnMut() -> F) {
    let waited = tokio::time::timeout(Duration::from_secs(60), async {
        while !holds().await {
            tokio::time::sleep(Duration::from_millis(20)).await;
        }
    });
    assert!(waited.await.is_ok(), "never happened: {what}");
}

#[tokio::test(flavor = "multi_thread")]
async fn two_crews_join_at_the_truck_and_everyone_counts_together() {
    let folder = tempfile::tempdir().unwrap();
    let handle = tokio::runtime::Handle::current();
    let [lead, netter, operator, spare] = ["lead", "netter", "operator", "spare"]
        .map(|name| start(options(folder.path(), name), handle.clone()).unwrap());
    let mut plans = ["at the truck", "at the road"].map(plan);
    plans.sort_by_key(Plan::document_id);
    let [one, other] = plans;
    // Two crews of two devices.
    let into = lead.start(one).await.unwrap();
    netter.join(lead.invite(into).await.unwrap()).await.unwrap();
    let from = operator.start(other).await.unwrap();
    spare
        .join(operator.invite(from).await.unwrap())
        .await
        .unwrap();
    netter
        .act(into, act("tap 1", "Okto Brandt", trout(3)))
        .await
        .unwrap();
    spare
        .act(from, act("tap 2", "Hollis Fenn", trout(4)))
        .await
        .unwrap();

    // They meet: one device gets the other crew's visit, and is told.
    lead.join(operator.invite(from).await.unwrap())
        .await
        .unwrap();
    until("the other crew's taps", async || {
        tallied(&lead, from).await == 4
    })
    .await;
    let lines = lead.visits().await;
    assert_eq!(lines.len(), 2);
    for line in &lines {
        assert_eq!(line.perhaps_same_as.len(), 1, "{line:?}");
    }
    until("a preview with both counts", async || {
        let joinable = lead.joinable_visits(from, into).await.unwrap();
        let preview = joinable.preview;
        assert!(joinable.joined.is_none());
        assert_eq!((preview.into.document, preview.from.document), (into, from));
        (preview.into.tallied, preview.from.tallied, preview.tallied) == (3, 4, 7)
    })
    .await;

    // One press.
    let join = Join {
        visit: from,
        names: JoinNames::default(),
    };
    let saved = lead
        .act(into, act("join 1", "Mirelle Ashgrove", join))
        .await
        .unwrap();
    for node in [&lead, &netter] {
        until("seven trout in one visit", async || {
            tallied(node, into).await == 7
        })
        .await;
    }
    let lines = lead.visits().await;
    let line = lines.iter().find(|l| l.document == from).unwrap();
    assert_eq!(
        (line.joined_into, line.perhaps_same_as.len()),
        (Some(into), 0)
    );

    // The other crew, which is listed now, gets the visit; whoever hasn't heard goes on in theirs,
    // and it is brought over without anyone doing anything.
    operator
        .join(lead.invite(into).await.unwrap())
        .await
        .unwrap();
    spare
        .act(from, act("tap 3", "Hollis Fenn", trout(10)))
        .await
        .unwrap();
    for node in [&lead, &netter, &operator] {
        until("the late taps", async || tallied(node, into).await == 17).await;
    }
    spare
        .act(from, act("stop 1", "Hollis Fenn", Stop {}))
        .await
        .unwrap();
    until("the other crew's stop", async || {
        stopped(&netter, into).await
    })
    .await;

    // It was wrong: one press, and both read as before, but for the stop.
    let unjoin = Unjoin {
        joins: saved.records,
    };
    lead.act(into, act("part 1", "Mirelle Ashgrove", unjoin))
        .await
        .unwrap();
    for node in [&lead, &netter, &operator] {
        until("three trout, as before", async || {
            tallied(node, into).await == 3
        })
        .await;
    }
    assert_eq!(tallied(&spare, from).await, 14);
    assert!(stopped(&netter, into).await);

    // A restart reads the same from disk.
    let before = lead.picture(into).await.unwrap().view.clone();
    lead.quit().await;
    let lead = start(options(folder.path(), "lead"), handle).unwrap();
    let after = lead.picture(into).await.unwrap().view.clone();
    assert_eq!(
        serde_json::to_string(&after.tallies).unwrap(),
        serde_json::to_string(&before.tallies).unwrap()
    );
    for node in [lead, netter, operator, spare] {
        node.quit().await;
    }
}
