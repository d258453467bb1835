//! Devices that find each other on the local network without being told where.

use std::error::Error;
use std::time::Duration;

use gravelbar_link::{Beacon, CrewSecret, DeviceKeyId, Found, JoiningLabel, Network, Roster};
use tokio::sync::mpsc;
use tokio::time::timeout;

type Outcome = Result<(), Box<dyn Error>>;

/// So that a test which would hang fails instead.
const PATIENCE: Duration = Duration::from_secs(30);

const CREW: CrewSecret = CrewSecret([1; 32]);
const OTHER_CREW: CrewSecret = CrewSecret([2; 32]);

fn device(n: u8) -> DeviceKeyId {
    DeviceKeyId([n; 32])
}

fn beacon(n: u8, port: u16) -> (Beacon, mpsc::Receiver<Found>) {
    let (tell, found) = mpsc::channel(64);
    let roster = Roster::new((1..=9).map(device));
    (Beacon::start(device(n), port, roster, tell), found)
}

#[tokio::test]
async fn a_crew_finds_its_own_and_not_the_others() -> Outcome {
    let (one, mut found_by_one) = beacon(1, 40_001);
    let (two, mut found_by_two) = beacon(2, 40_002);
    let (other, mut found_by_other) = beacon(3, 40_003);
    one.recognise_by(vec![CREW]);
    other.recognise_by(vec![OTHER_CREW]);
    two.recognise_by(vec![OTHER_CREW, CREW]);
    let first = timeout(PATIENCE, found_by_one.recv())
        .await?
        .ok_or("gone")?;
    assert_eq!(first.device, device(2));
    assert!(first.addresses.iter().all(|addr| addr.port() == 40_002));
    let third = timeout(PATIENCE, found_by_other.recv())
        .await?
        .ok_or("gone")?;
    assert_eq!(third.device, device(2));
    let mut met = std::collections::BTreeSet::new();
    while met.len() < 2 {
        let found = timeout(PATIENCE, found_by_two.recv())
            .await?
            .ok_or("gone")?;
        met.insert(found.device);
    }
    assert!(met.contains(&device(1)) && met.contains(&device(3)));
    // The one and the other share a network and no secret.
    while let Ok(found) = found_by_one.try_recv() {
        assert_eq!(found.device, device(2));
    }
    Ok(())
}

#[tokio::test]
async fn a_newcomer_sees_who_is_open_for_joining_while_it_is() -> Outcome {
    let (bank, _) = beacon(1, 40_011);
    let (net, _) = beacon(2, 40_012);
    net.look(true);
    let label = JoiningLabel::draw().ok_or("no label")?;
    bank.show(Some(label.clone()));
    let mut joinable = net.joinable();
    let seen = timeout(
        PATIENCE,
        joinable.wait_for(|open| open.contains_key(&label)),
    );
    let ports: Vec<u16> = seen.await??[&label]
        .iter()
        .map(|addr| addr.port())
        .collect();
    assert!(!ports.is_empty() && ports.iter().all(|port| *port == 40_011));
    bank.show(None);
    timeout(
        PATIENCE,
        joinable.wait_for(|open| !open.contains_key(&label)),
    )
    .await??;
    Ok(())
}

#[tokio::test]
async fn the_systems_word_about_its_addresses_comes_at_once_and_then_no_more() -> Outcome {
    let mut network = Network::watch()?;
    assert!(timeout(PATIENCE, network.changed()).await?);
    let more = timeout(Duration::from_millis(500), network.changed()).await;
    assert!(more.is_err(), "nothing has changed");
    Ok(())
}
