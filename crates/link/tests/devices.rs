//! Two known devices on real sockets, in good air and bad.

mod outsider;
mod relay;

use std::net::SocketAddr;
use std::time::Duration;

use gravelbar_link::{
    Closed, ConnectError, FRAME_BYTES, Identity, Link, Peer, ReceiveError, Roster, SendError,
};
use outsider::{LOOPBACK, OURS, Outcome, answerer, caller, expired};
use relay::{Relay, Weather};
use tokio::time::timeout;

/// So that a test which would hang fails instead.
const PATIENCE: Duration = Duration::from_secs(90);

struct Pair {
    bank: Link,
    net: Link,
    bank_addr: SocketAddr,
}

fn pair() -> Outcome<Pair> {
    let (bank, net) = (Identity::generate()?, Identity::generate()?);
    let bank = Link::bind(&bank, LOOPBACK, Roster::new([net.device()]))?;
    let net = Link::bind(&net, LOOPBACK, Roster::new([bank.device()]))?;
    let bank_addr = bank.local_addr()?;
    Ok(Pair {
        bank,
        net,
        bank_addr,
    })
}

impl Pair {
    /// A connection, as the caller and as the called see it.
    async fn meet(&self, addr: SocketAddr) -> Outcome<(Peer, Peer)> {
        let (caller, called) = timeout(PATIENCE, async {
            tokio::join!(
                self.net.connect(addr, self.bank.device()),
                self.bank.accept()
            )
        })
        .await?;
        Ok((caller?, called.ok_or("the link closed")?))
    }
}

/// Sends `count` frames each way at once, of sizes from nothing to some thousand bytes, and checks
/// that each side gets the other's, whole and in order.
async fn exchange(one: Peer, other: Peer, count: usize) -> Outcome {
    let frame = |n: usize| vec![u8::try_from(n % 251).unwrap_or(0); n * 37 % 4_099];
    let (line_one, mut send_one, mut receive_one) = one.split();
    let (line_other, mut send_other, mut receive_other) = other.split();
    let sending_one = async {
        for n in 0..count {
            send_one.send(&frame(n)).await?;
        }
        send_one.finish().await?;
        Ok::<_, SendError>(())
    };
    let sending_other = async {
        for n in 0..count {
            send_other.send(&frame(n + 1)).await?;
        }
        send_other.finish().await?;
        Ok::<_, SendError>(())
    };
    let receiving_one = async {
        for n in 0..count {
            assert_eq!(receive_one.receive().await?, Some(frame(n + 1)));
        }
        assert_eq!(receive_one.receive().await?, None);
        Ok::<_, ReceiveError>(())
    };
    let receiving_other = async {
        for n in 0..count {
            assert_eq!(receive_other.receive().await?, Some(frame(n)));
        }
        assert_eq!(receive_other.receive().await?, None);
        Ok::<_, ReceiveError>(())
    };
    let all = async { tokio::join!(sending_one, sending_other, receiving_one, receiving_other) };
    let (a, b, c, d) = timeout(PATIENCE, all).await?;
    a?;
    b?;
    c?;
    d?;
    drop((line_one, line_other));
    Ok(())
}

#[tokio::test]
async fn two_known_devices_exchange_a_thousand_frames_both_ways() -> Outcome {
    let pair = pair()?;
    let (net, bank) = pair.meet(pair.bank_addr).await?;
    assert_eq!(net.device(), pair.bank.device());
    assert_eq!(bank.device(), pair.net.device());
    assert_eq!(bank.joined(), None);
    exchange(net, bank, 1_000).await
}

#[tokio::test]
async fn frames_get_through_where_a_third_is_lost() -> Outcome {
    let pair = pair()?;
    let bad_air = Weather {
        loss_percent: 30,
        double_percent: 5,
        delay_ms: 0..=20,
        ..Weather::default()
    };
    let relay = Relay::start(pair.bank_addr, bad_air, 30).await?;
    // A connection may be lost in such air; a crew's device calls again, and so does the test.
    let mut tries = 0;
    loop {
        tries += 1;
        let met = async {
            let net = pair.net.connect(relay.addr(), pair.bank.device()).await?;
            let bank = timeout(PATIENCE, pair.bank.accept())
                .await?
                .ok_or("closed")?;
            exchange(net, bank, 200).await
        };
        match met.await {
            Ok(()) => break,
            Err(error) => assert!(tries < 5, "{error}"),
        }
        // Whoever was let in and never knew it.
        while let Ok(Some(_)) = timeout(Duration::from_secs(1), pair.bank.accept()).await {}
    }
    let (carried, lost) = relay.counts();
    assert!(
        lost * 100 > 20 * (carried + lost),
        "{lost} lost, {carried} carried"
    );
    Ok(())
}

#[tokio::test]
async fn a_caller_whose_address_changes_goes_on() -> Outcome {
    let pair = pair()?;
    let relay = Relay::start(pair.bank_addr, Weather::default(), 1).await?;
    let (mut net, mut bank) = pair.meet(relay.addr()).await?;
    net.send(b"before").await?;
    assert_eq!(bank.receive().await?.as_deref(), Some(&b"before"[..]));
    let before = bank.remote_addr();
    relay.move_callers();
    net.send(b"after").await?;
    let after = timeout(PATIENCE, bank.receive()).await??;
    assert_eq!(after.as_deref(), Some(&b"after"[..]));
    assert_ne!(bank.remote_addr(), before);
    bank.send(b"and back").await?;
    let back = timeout(PATIENCE, net.receive()).await??;
    assert_eq!(back.as_deref(), Some(&b"and back"[..]));
    Ok(())
}

#[tokio::test]
async fn a_device_that_moves_to_another_socket_goes_on() -> Outcome {
    let pair = pair()?;
    let (mut net, mut bank) = pair.meet(pair.bank_addr).await?;
    net.send(b"before").await?;
    assert!(bank.receive().await?.is_some());
    let before = pair.net.local_addr()?;
    pair.net.rebind(LOOPBACK)?;
    assert_ne!(pair.net.local_addr()?, before);
    net.send(b"after").await?;
    let after = timeout(PATIENCE, bank.receive()).await??;
    assert_eq!(after.as_deref(), Some(&b"after"[..]));
    Ok(())
}

#[tokio::test]
async fn a_device_that_vanishes_within_a_frame_is_an_error_and_not_a_wait() -> Outcome {
    let me = Identity::generate()?;
    let bank = Link::bind(&Identity::generate()?, LOOPBACK, Roster::new([me.device()]))?;
    let relay = Relay::start(bank.local_addr()?, Weather::default(), 1).await?;
    let endpoint = caller(Some(expired(&me)?), b"gravelbar/1")?;
    let connection = endpoint.connect(relay.addr(), "any")?.await?;
    let (mut sender, _receiver) = connection.open_bi().await?;
    sender.write_all(b"G\x00\x00\x10\x00half a frame").await?;
    let mut peer = timeout(PATIENCE, bank.accept()).await?.ok_or("closed")?;
    let receiving = tokio::spawn(async move { peer.receive().await });
    tokio::time::sleep(Duration::from_millis(200)).await;
    assert!(!receiving.is_finished());
    relay.set(Weather::cut());
    let received = timeout(PATIENCE, receiving).await??;
    assert_eq!(received, Err(ReceiveError::Closed(Closed::OutOfReach)));
    Ok(())
}

#[tokio::test]
async fn a_stream_that_ends_within_a_frame_is_an_error() -> Outcome {
    let me = Identity::generate()?;
    let bank = Link::bind(&Identity::generate()?, LOOPBACK, Roster::new([me.device()]))?;
    let endpoint = caller(Some(expired(&me)?), b"gravelbar/1")?;
    for cut in [&b"G\x00\x00"[..], b"G\x00\x00\x00\x05four"] {
        let connection = endpoint.connect(bank.local_addr()?, "any")?.await?;
        let (mut sender, _receiver) = connection.open_bi().await?;
        sender.write_all(cut).await?;
        sender.finish()?;
        let mut peer = timeout(PATIENCE, bank.accept()).await?.ok_or("closed")?;
        let received = timeout(PATIENCE, peer.receive()).await?;
        assert_eq!(received, Err(ReceiveError::CutOff));
    }
    Ok(())
}

#[tokio::test]
async fn a_frame_that_comes_byte_by_byte_is_whole() -> Outcome {
    let me = Identity::generate()?;
    let bank = Link::bind(&Identity::generate()?, LOOPBACK, Roster::new([me.device()]))?;
    let endpoint = caller(Some(expired(&me)?), b"gravelbar/1")?;
    let connection = endpoint.connect(bank.local_addr()?, "any")?.await?;
    let (mut sender, _receiver) = connection.open_bi().await?;
    sender.write_all(b"G").await?;
    let mut peer = timeout(PATIENCE, bank.accept()).await?.ok_or("closed")?;
    let receiving = tokio::spawn(async move { peer.receive().await });
    for byte in b"\x00\x00\x00\x03tap" {
        sender.write_all(&[*byte]).await?;
        tokio::time::sleep(Duration::from_millis(15)).await;
    }
    let received = timeout(PATIENCE, receiving).await???;
    assert_eq!(received.as_deref(), Some(&b"tap"[..]));
    Ok(())
}

#[tokio::test]
async fn a_frame_of_the_greatest_size_passes_and_one_byte_more_is_refused() -> Outcome {
    let pair = pair()?;
    let (mut net, mut bank) = pair.meet(pair.bank_addr).await?;
    let greatest = vec![7; FRAME_BYTES];
    let (sent, received) = timeout(PATIENCE, async {
        tokio::join!(net.send(&greatest), bank.receive())
    })
    .await?;
    sent?;
    assert_eq!(received?, Some(greatest));
    let longer = vec![7; FRAME_BYTES + 1];
    assert_eq!(
        net.send(&longer).await,
        Err(SendError::TooLong {
            bytes: FRAME_BYTES + 1
        })
    );
    net.send(b"shorter").await?;
    assert_eq!(bank.receive().await?.as_deref(), Some(&b"shorter"[..]));
    Ok(())
}

#[tokio::test]
async fn an_announced_frame_over_the_limit_closes_the_connection() -> Outcome {
    let me = Identity::generate()?;
    let bank = Link::bind(&Identity::generate()?, LOOPBACK, Roster::new([me.device()]))?;
    let endpoint = caller(Some(expired(&me)?), b"gravelbar/1")?;
    let connection = endpoint.connect(bank.local_addr()?, "any")?.await?;
    let (mut sender, _receiver) = connection.open_bi().await?;
    sender.write_all(b"G\x00\x10\x00\x01").await?;
    let mut peer = timeout(PATIENCE, bank.accept()).await?.ok_or("closed")?;
    let received = timeout(PATIENCE, peer.receive()).await?;
    assert_eq!(received, Err(ReceiveError::TooLong { bytes: 0x0010_0001 }));
    timeout(PATIENCE, connection.closed()).await?;
    Ok(())
}

#[tokio::test]
async fn receiving_may_be_given_up_and_taken_up_again() -> Outcome {
    let pair = pair()?;
    let (mut net, mut bank) = pair.meet(pair.bank_addr).await?;
    let sending = tokio::spawn(async move {
        for n in 0..50_u8 {
            net.send(&vec![n; 30_000]).await?;
        }
        Ok::<_, SendError>(net)
    });
    let mut received = Vec::new();
    let mut given_up = 0;
    while received.len() < 50 {
        tokio::select! {
            biased;
            frame = bank.receive() => received.push(frame?.ok_or("ended")?),
            () = tokio::task::yield_now() => given_up += 1,
        }
    }
    for (n, frame) in received.iter().enumerate() {
        assert_eq!(frame, &vec![u8::try_from(n)?; 30_000]);
    }
    assert!(given_up > 0);
    sending.await??;
    Ok(())
}

#[tokio::test]
async fn a_partition_ends_the_connection_and_the_next_call_goes_through() -> Outcome {
    let pair = pair()?;
    let relay = Relay::start(pair.bank_addr, Weather::default(), 1).await?;
    let (net, bank) = pair.meet(relay.addr()).await?;
    relay.set(Weather::cut());
    let (there, here) = timeout(PATIENCE, async {
        tokio::join!(net.closed(), bank.closed())
    })
    .await?;
    assert_eq!((there, here), (Closed::OutOfReach, Closed::OutOfReach));
    relay.set(Weather::default());
    let (net, bank) = pair.meet(relay.addr()).await?;
    exchange(net, bank, 10).await
}

#[tokio::test]
async fn the_reason_for_closing_is_told() -> Outcome {
    let pair = pair()?;
    let (net, bank) = pair.meet(pair.bank_addr).await?;
    net.close("the visit is signed");
    let reason = "the visit is signed".to_owned();
    assert_eq!(
        timeout(PATIENCE, bank.closed()).await?,
        Closed::There { reason }
    );
    assert_eq!(net.closed().await, Closed::Here);
    Ok(())
}

#[tokio::test]
async fn dropping_every_part_of_a_connection_ends_it() -> Outcome {
    let pair = pair()?;
    let (net, bank) = pair.meet(pair.bank_addr).await?;
    let (line, sender, receiver) = net.split();
    drop((line, sender));
    assert!(
        timeout(Duration::from_millis(200), bank.closed())
            .await
            .is_err()
    );
    drop(receiver);
    let reason = "bye".to_owned();
    assert_eq!(
        timeout(PATIENCE, bank.closed()).await?,
        Closed::There { reason }
    );
    Ok(())
}

#[tokio::test]
async fn a_closed_link_tells_its_peers_and_lets_nobody_in() -> Outcome {
    let pair = pair()?;
    let (net, _bank) = pair.meet(pair.bank_addr).await?;
    timeout(PATIENCE, pair.bank.close("switched off")).await?;
    let reason = "switched off".to_owned();
    assert_eq!(
        timeout(PATIENCE, net.closed()).await?,
        Closed::There { reason }
    );
    assert!(timeout(PATIENCE, pair.bank.accept()).await?.is_none());
    Ok(())
}

#[tokio::test]
async fn a_call_to_nobody_gets_no_answer() -> Outcome {
    let pair = pair()?;
    let relay = Relay::start(pair.bank_addr, Weather::cut(), 1).await?;
    let addr = relay.addr();
    let call = timeout(PATIENCE, pair.net.connect(addr, pair.bank.device())).await?;
    assert_eq!(call.err(), Some(ConnectError::NoAnswer { addr }));
    Ok(())
}

#[tokio::test]
async fn certificates_that_ended_in_1980_connect_both_ways() -> Outcome {
    let (old, new) = (Identity::generate()?, Identity::generate()?);
    let link = Link::bind(&new, LOOPBACK, Roster::new([old.device()]))?;

    let endpoint = caller(Some(expired(&old)?), b"gravelbar/1")?;
    let connection = endpoint.connect(link.local_addr()?, "any")?.await?;
    let (mut sender, _receiver) = connection.open_bi().await?;
    sender.write_all(b"G\x00\x00\x00\x03tap").await?;
    let mut peer = timeout(PATIENCE, link.accept()).await?.ok_or("closed")?;
    assert_eq!(peer.receive().await?.as_deref(), Some(&b"tap"[..]));

    let answering = answerer(expired(&old)?, OURS)?;
    let addr = answering.local_addr()?;
    let answer = tokio::spawn(async move {
        let incoming = answering.accept().await.ok_or("closed")?;
        let connection = incoming.await?;
        let (mut sender, _receiver) = connection.accept_bi().await?;
        sender.write_all(b"G\x00\x00\x00\x02ok").await?;
        connection.closed().await;
        Outcome::Ok(())
    });
    let mut peer = timeout(PATIENCE, link.connect(addr, old.device())).await??;
    assert_eq!(peer.receive().await?.as_deref(), Some(&b"ok"[..]));
    drop(peer);
    timeout(PATIENCE, answer).await??
}

/// The public key in standard form is these twelve bytes (RFC 8410 section 4, and its example in
/// section 10.1) and the 32 of the key.
#[test]
fn a_device_is_named_by_the_hash_of_its_public_key_in_standard_form() -> Outcome {
    let identity = Identity::generate()?;
    let key = rcgen::KeyPair::try_from(identity.pkcs8())?;
    let mut standard = vec![
        0x30, 0x2a, 0x30, 0x05, 0x06, 0x03, 0x2b, 0x65, 0x70, 0x03, 0x21, 0x00,
    ];
    standard.extend(key.public_key_raw());
    let hash = ring::digest::digest(&ring::digest::SHA256, &standard);
    assert_eq!(identity.device().0, hash.as_ref());
    Ok(())
}

#[test]
fn a_key_kept_and_read_back_is_the_same_device() -> Outcome {
    let made = Identity::generate()?;
    let read = Identity::from_pkcs8(made.pkcs8())?;
    assert_eq!(read.device(), made.device());
    assert_eq!(made.device().to_string().parse(), Ok(made.device()));
    assert!(Identity::from_pkcs8(b"no key").is_err());
    let shown = format!("{made:?}");
    assert_eq!(shown, format!("Identity({})", made.device()));
    Ok(())
}
