//! Devices that don't belong here, and how one comes to: by an invitation.

mod outsider;

use std::net::SocketAddr;
use std::time::Duration;

use gravelbar_link::{
    Closed, ConnectError, Counts, Identity, InviteError, Joined, Link, Peer, Roster,
};
use outsider::{LOOPBACK, OURS, Outcome, answerer, caller, certificate_of, certified, expired};
use quinn::Endpoint;
use tokio::time::timeout;

/// So that a test which would hang fails instead.
const PATIENCE: Duration = Duration::from_secs(60);
const LONG: Duration = Duration::from_secs(3_600);

/// Calls, sends an honest greeting, and waits: what comes back before the connection ends.
async fn learns(endpoint: &Endpoint, addr: SocketAddr) -> Outcome<Vec<u8>> {
    let Ok(connection) = endpoint.connect(addr, "any")?.await else {
        return Ok(Vec::new());
    };
    let Ok((mut sender, mut receiver)) = connection.open_bi().await else {
        return Ok(Vec::new());
    };
    let _ = sender.write_all(b"G\x00\x00\x00\x05hello").await;
    let mut learnt = Vec::new();
    let mut buffer = [0; 1024];
    while let Ok(Some(read)) = timeout(PATIENCE, receiver.read(&mut buffer)).await? {
        learnt.extend(&buffer[..read]);
    }
    timeout(PATIENCE, connection.closed()).await?;
    Ok(learnt)
}

/// Whether anyone was let in, without waiting for someone.
async fn nobody_let_in(link: &Link) -> bool {
    timeout(Duration::from_millis(100), link.accept())
        .await
        .is_err()
}

#[tokio::test]
async fn a_stranger_is_refused_and_learns_no_byte() -> Outcome {
    let (bank, net, stranger) = (
        Identity::generate()?,
        Identity::generate()?,
        Identity::generate()?,
    );
    let link = Link::bind(&bank, LOOPBACK, Roster::new([net.device()]))?;
    let addr = link.local_addr()?;
    for (shows, alpn) in [
        (Some(expired(&stranger)?), &b"gravelbar/1"[..]),
        (Some(expired(&stranger)?), b"gravelbar-join/1"),
        (Some(expired(&stranger)?), b"h3"),
        (Some(expired(&net)?), b"h3"),
        (None, b"gravelbar/1"),
    ] {
        let endpoint = caller(shows, alpn)?;
        assert_eq!(learns(&endpoint, addr).await?, b"");
    }
    assert!(nobody_let_in(&link).await);
    assert_eq!(link.counts().strangers, 5);

    // The same through the front door: a device of ours that isn't on the bank's roster.
    let outside = Link::bind(&stranger, LOOPBACK, Roster::new([bank.device()]))?;
    let refused = outside.connect(addr, bank.device()).await.err();
    assert_eq!(refused, Some(ConnectError::NotAdmitted { addr }));
    assert!(nobody_let_in(&link).await);
    Ok(())
}

#[tokio::test]
async fn a_stranger_learns_no_byte_while_an_invitation_is_open() -> Outcome {
    let (bank, stranger) = (Identity::generate()?, Identity::generate()?);
    let link = Link::bind(&bank, LOOPBACK, Roster::new([]))?;
    let addr = link.local_addr()?;
    link.invite(None, &[], LONG)?;
    for alpn in [&b"gravelbar/1"[..], b"gravelbar-join/1"] {
        let endpoint = caller(Some(expired(&stranger)?), alpn)?;
        let learning = async {
            let connection = endpoint.connect(addr, "any")?.await?;
            let (mut sender, mut receiver) = connection.open_bi().await?;
            // As long as a proof, and no proof.
            let _ = sender.write_all(&[b'G'; 32]).await;
            Outcome::Ok(receiver.read_to_end(1024).await.unwrap_or_default())
        };
        assert_eq!(timeout(PATIENCE, learning).await??, b"");
    }
    assert!(nobody_let_in(&link).await);
    assert_eq!(link.counts().strangers, 1);
    assert_eq!(link.counts().wrong_proofs, 1);
    Ok(())
}

#[tokio::test]
async fn programs_without_a_common_version_say_so() -> Outcome {
    let (bank, net) = (Identity::generate()?, Identity::generate()?);
    let net = Link::bind(&net, LOOPBACK, Roster::new([bank.device()]))?;
    let newer = answerer(expired(&bank)?, &[b"gravelbar/7"])?;
    let addr = newer.local_addr()?;
    tokio::spawn(async move {
        let incoming = newer.accept().await.ok_or("closed")?;
        Outcome::Ok(incoming.await.is_ok())
    });
    let call = timeout(PATIENCE, net.connect(addr, bank.device())).await?;
    assert_eq!(call.err(), Some(ConnectError::OtherVersion { addr }));
    Ok(())
}

#[tokio::test]
async fn a_copied_certificate_without_its_key_is_refused_on_either_side() -> Outcome {
    let (bank, net, thief) = (
        Identity::generate()?,
        Identity::generate()?,
        Identity::generate()?,
    );
    let link = Link::bind(&bank, LOOPBACK, Roster::new([net.device()]))?;
    let stolen = certified(certificate_of(&net)?, &thief)?;

    let endpoint = caller(Some(stolen.clone()), b"gravelbar/1")?;
    assert_eq!(learns(&endpoint, link.local_addr()?).await?, b"");
    assert!(nobody_let_in(&link).await);
    assert_eq!(link.counts().strangers, 1);

    let answering = answerer(stolen, OURS)?;
    let addr = answering.local_addr()?;
    let waiting = tokio::spawn(async move {
        let incoming = answering.accept().await.ok_or("closed")?;
        Outcome::Ok(incoming.await.err().map(|error| error.to_string()))
    });
    let call = timeout(PATIENCE, link.connect(addr, net.device())).await?;
    assert_eq!(call.err(), Some(ConnectError::Unproven { addr }));
    assert!(timeout(PATIENCE, waiting).await???.is_some());
    Ok(())
}

#[tokio::test]
async fn a_certificate_with_others_behind_it_is_refused() -> Outcome {
    let (bank, net) = (Identity::generate()?, Identity::generate()?);
    let link = Link::bind(&bank, LOOPBACK, Roster::new([net.device()]))?;
    let mut chain = (*expired(&net)?).clone();
    chain.cert.push(certificate_of(&bank)?);
    let endpoint = caller(Some(chain.into()), b"gravelbar/1")?;
    assert_eq!(learns(&endpoint, link.local_addr()?).await?, b"");
    assert!(nobody_let_in(&link).await);
    Ok(())
}

#[tokio::test]
async fn a_call_is_for_one_device_and_no_other_known_one() -> Outcome {
    let (bank, net, other) = (
        Identity::generate()?,
        Identity::generate()?,
        Identity::generate()?,
    );
    let known = Roster::new([bank.device(), net.device(), other.device()]);
    let bank = Link::bind(&bank, LOOPBACK, known.clone())?;
    let net = Link::bind(&net, LOOPBACK, known)?;
    let addr = bank.local_addr()?;
    let found = bank.device();
    let call = net.connect(addr, other.device()).await;
    assert_eq!(call.err(), Some(ConnectError::WrongDevice { addr, found }));
    assert!(nobody_let_in(&bank).await);
    Ok(())
}

#[tokio::test]
async fn an_unknown_device_is_not_even_called() -> Outcome {
    let (bank, net) = (Identity::generate()?, Identity::generate()?);
    let device = bank.device();
    let bank = Link::bind(&bank, LOOPBACK, Roster::new([net.device()]))?;
    let net = Link::bind(&net, LOOPBACK, Roster::new([]))?;
    let call = net.connect(bank.local_addr()?, device).await;
    assert_eq!(call.err(), Some(ConnectError::Unknown { device }));
    assert_eq!(bank.counts().strangers, 0);
    Ok(())
}

#[tokio::test]
async fn a_device_taken_off_the_roster_is_cut_off_at_once() -> Outcome {
    let (bank, net) = (Identity::generate()?, Identity::generate()?);
    let admitted = Roster::new([net.device()]);
    let bank_link = Link::bind(&bank, LOOPBACK, admitted.clone())?;
    let net_link = Link::bind(&net, LOOPBACK, Roster::new([bank.device()]))?;
    let addr = bank_link.local_addr()?;
    let peer = net_link.connect(addr, bank.device()).await?;
    let _other_end = timeout(PATIENCE, bank_link.accept()).await?;
    // Another's leaving changes nothing.
    admitted.add(Identity::generate()?.device());
    assert!(
        timeout(Duration::from_millis(200), peer.closed())
            .await
            .is_err()
    );

    assert!(admitted.remove(net.device()));
    assert_eq!(timeout(PATIENCE, peer.closed()).await?, Closed::NotAdmitted);
    let again = net_link.connect(addr, bank.device()).await;
    assert_eq!(again.err(), Some(ConnectError::NotAdmitted { addr }));
    admitted.add(net.device());
    assert!(net_link.connect(addr, bank.device()).await.is_ok());
    Ok(())
}

/// A device that knows nobody.
fn newcomer() -> Outcome<Link> {
    Ok(Link::bind(
        &Identity::generate()?,
        LOOPBACK,
        Roster::new([]),
    )?)
}

async fn join(member: &Link, text: &str) -> Outcome<Result<Peer, ConnectError>> {
    Ok(timeout(PATIENCE, member.join(&text.parse()?)).await?)
}

#[tokio::test]
async fn a_crew_of_six_joins_by_one_text_and_is_known_from_then_on() -> Outcome {
    let bank = newcomer()?;
    let addr = bank.local_addr()?;
    let document = Some([9; 16]);
    let text = bank.invite(document, &[], LONG)?.to_string();
    let mut crew = Vec::new();
    for _ in 0..5 {
        let member = newcomer()?;
        let mut peer = join(&member, &text).await??;
        let mut arrived = timeout(PATIENCE, bank.accept()).await?.ok_or("closed")?;
        let device = member.device();
        assert_eq!(arrived.joined(), Some(Joined { device, document }));
        assert_eq!(peer.device(), bank.device());
        // The very same connection goes on as any between known devices.
        arrived.send(b"welcome").await?;
        assert_eq!(peer.receive().await?.as_deref(), Some(&b"welcome"[..]));
        peer.send(b"thanks").await?;
        assert_eq!(arrived.receive().await?.as_deref(), Some(&b"thanks"[..]));
        crew.push(member);
    }
    for member in crew {
        let peer = timeout(PATIENCE, member.connect(addr, bank.device())).await??;
        let arrived = timeout(PATIENCE, bank.accept()).await?.ok_or("closed")?;
        assert_eq!(arrived.joined(), None);
        // And the other way round.
        drop((peer, arrived));
        let back = timeout(
            PATIENCE,
            bank.connect(member.local_addr()?, member.device()),
        );
        assert_eq!(back.await??.device(), member.device());
    }
    assert_eq!(bank.counts(), Counts::default());
    Ok(())
}

#[tokio::test]
async fn an_inviter_is_found_at_whichever_of_its_addresses_answers() -> Outcome {
    let bank = newcomer()?;
    let silent = std::net::UdpSocket::bind(LOOPBACK)?;
    let addresses = [silent.local_addr()?, bank.local_addr()?];
    let text = bank.invite(None, &addresses, LONG)?.to_string();
    let peer = join(&newcomer()?, &text).await??;
    assert_eq!(peer.remote_addr(), bank.local_addr()?);
    Ok(())
}

/// The text of an invitation by `inviter` to where `at` listens, with a secret that nobody gave.
fn made_up(inviter: &Link, at: SocketAddr) -> Outcome<String> {
    // One of the same inviter, ended before its use: as good as invented.
    let invitation = inviter.invite(None, &[at], LONG)?;
    assert!(inviter.end_invitation(&invitation));
    Ok(invitation.to_string())
}

#[tokio::test]
async fn three_wrong_secrets_end_the_invitation() -> Outcome {
    let bank = newcomer()?;
    let addr = bank.local_addr()?;
    let wrong = made_up(&bank, addr)?;
    let right = bank.invite(None, &[], LONG)?.to_string();
    let refused = ConnectError::NotAdmitted { addr };
    for _ in 0..2 {
        let stranger = newcomer()?;
        assert_eq!(join(&stranger, &wrong).await?.err(), Some(refused.clone()));
        assert_eq!(bank.open_invitations(), 1);
    }
    assert!(join(&newcomer()?, &right).await?.is_ok());
    assert_eq!(
        join(&newcomer()?, &wrong).await?.err(),
        Some(refused.clone())
    );
    assert_eq!(bank.open_invitations(), 0);
    assert_eq!(bank.counts().wrong_proofs, 3);
    let late = newcomer()?;
    assert_eq!(join(&late, &right).await?.err(), Some(refused.clone()));
    // Whoever failed is known to nobody, and knows nobody.
    let call = late.connect(addr, bank.device()).await;
    let device = bank.device();
    assert_eq!(call.err(), Some(ConnectError::Unknown { device }));
    Ok(())
}

#[tokio::test]
async fn an_invitation_ends_when_its_time_is_over_or_its_owner_says_so() -> Outcome {
    let bank = newcomer()?;
    let addr = bank.local_addr()?;
    let short = bank.invite(None, &[], Duration::from_millis(50))?;
    let ended = bank.invite(None, &[], LONG)?;
    assert!(bank.end_invitation(&ended));
    assert!(!bank.end_invitation(&ended));
    timeout(PATIENCE, async {
        while bank.open_invitations() > 0 {
            tokio::time::sleep(Duration::from_millis(5)).await;
        }
    })
    .await?;
    for invitation in [short, ended] {
        let join = join(&newcomer()?, &invitation.to_string()).await?;
        assert_eq!(join.err(), Some(ConnectError::NotAdmitted { addr }));
    }
    Ok(())
}

#[tokio::test]
async fn an_invitation_leads_to_its_inviter_and_nobody_who_stands_in_the_way() -> Outcome {
    let (bank, between) = (newcomer()?, newcomer()?);
    let addr = between.local_addr()?;
    let text = bank.invite(None, &[addr], LONG)?.to_string();
    let call = join(&newcomer()?, &text).await?;
    let found = between.device();
    assert_eq!(call.err(), Some(ConnectError::WrongDevice { addr, found }));
    Ok(())
}

#[tokio::test]
async fn an_answer_without_the_secret_is_not_believed() -> Outcome {
    // An inviter that lets anyone in and answers any proof with nonsense.
    let bank = Identity::generate()?;
    let answering = answerer(expired(&bank)?, OURS)?;
    let addr = answering.local_addr()?;
    let honest = Link::bind(&bank, LOOPBACK, Roster::new([]))?;
    let text = honest.invite(None, &[addr], LONG)?.to_string();
    tokio::spawn(async move {
        let connection = answering.accept().await.ok_or("closed")?.await?;
        let (mut sender, mut receiver) = connection.accept_bi().await?;
        receiver.read_exact(&mut [0; 32]).await?;
        sender.write_all(&[0; 32]).await?;
        connection.closed().await;
        Outcome::Ok(())
    });
    let member = newcomer()?;
    let call = join(&member, &text).await?;
    assert_eq!(call.err(), Some(ConnectError::Unproven { addr }));
    let device = honest.device();
    let call = member.connect(addr, device).await;
    assert_eq!(call.err(), Some(ConnectError::Unknown { device }));
    Ok(())
}

#[tokio::test]
async fn an_invitation_needs_an_address_and_carries_eight() -> Outcome {
    let everywhere = SocketAddr::from(([0, 0, 0, 0], 0));
    let link = Link::bind(&Identity::generate()?, everywhere, Roster::new([]))?;
    assert_eq!(
        link.invite(None, &[], LONG).err(),
        Some(InviteError::NoAddress)
    );
    let nine = [everywhere; 9];
    assert_eq!(
        link.invite(None, &nine, LONG).err(),
        Some(InviteError::TooManyAddresses(9))
    );
    for _ in 0..16 {
        link.invite(None, &nine[..8], LONG)?;
    }
    assert_eq!(
        link.invite(None, &nine[..1], LONG).err(),
        Some(InviteError::TooManyOpen(16))
    );
    Ok(())
}

/// A crowd of strangers holds its handshakes open; a known device still gets in.
#[tokio::test]
async fn a_crowd_at_the_door_keeps_no_known_device_out() -> Outcome {
    let (bank, net) = (Identity::generate()?, Identity::generate()?);
    let bank_link = Link::bind(&bank, LOOPBACK, Roster::new([net.device()]))?;
    let net = Link::bind(&net, LOOPBACK, Roster::new([bank.device()]))?;
    let addr = bank_link.local_addr()?;
    let mut crowd = Vec::new();
    for _ in 0..100 {
        let endpoint = caller(Some(expired(&Identity::generate()?)?), b"gravelbar/1")?;
        crowd.push(endpoint.connect(addr, "any")?);
        crowd.push(endpoint.connect(addr, "any")?);
    }
    let mut tries = 0;
    loop {
        tries += 1;
        match timeout(PATIENCE, net.connect(addr, bank.device())).await? {
            Ok(_) => break,
            Err(error) => assert!(tries < 20, "{error}"),
        }
    }
    assert!(timeout(PATIENCE, bank_link.accept()).await?.is_some());
    assert!(nobody_let_in(&bank_link).await);
    Ok(())
}
