//! Joining by six digits, and everybody who tries without.

mod outsider;

use std::net::SocketAddr;
use std::time::Duration;

use gravelbar_link::{Code, Counts, DeviceKeyId, EnterError, Identity, Joined, Link, Roster};
use outsider::{LOOPBACK, OURS, Outcome, answerer, caller, expired};
use quinn::{Connection, RecvStream, SendStream};
use ring::hmac;
use spake2::{Ed25519Group, Password, Spake2};
use tokio::time::timeout;

/// So that a test which would hang fails instead.
const PATIENCE: Duration = Duration::from_secs(60);
const TWO_MINUTES: Duration = Duration::from_secs(120);
const VISIT: Option<[u8; 16]> = Some([5; 16]);

/// A device that knows nobody.
struct Lone {
    identity: Identity,
    roster: Roster,
    link: Link,
    addr: SocketAddr,
}

fn lone() -> Outcome<Lone> {
    let identity = Identity::generate()?;
    let roster = Roster::new([]);
    let link = Link::bind(&identity, LOOPBACK, roster.clone())?;
    let addr = link.local_addr()?;
    Ok(Lone {
        identity,
        roster,
        link,
        addr,
    })
}

/// Six digits that are not these.
fn other_than(code: Code) -> Outcome<Code> {
    let digits: u32 = code.to_string().replace(' ', "").parse()?;
    Ok(format!("{:06}", (digits + 1) % 1_000_000).parse()?)
}

async fn nobody_let_in(lone: &Lone) -> bool {
    let nobody = timeout(Duration::from_millis(100), lone.link.accept()).await;
    nobody.is_err() && lone.roster.devices().is_empty()
}

/// The joiner's end of a run, written from WIRE.md a second time.
struct Raw {
    connection: Connection,
    sender: SendStream,
    receiver: RecvStream,
    exporter: [u8; 32],
    ids: (DeviceKeyId, DeviceKeyId),
}

impl Raw {
    async fn call(addr: SocketAddr, me: &Identity, bank: DeviceKeyId) -> Outcome<Self> {
        let endpoint = caller(Some(expired(me)?), b"gravelbar-code/1")?;
        let connection = timeout(PATIENCE, endpoint.connect(addr, "any")?).await??;
        let (sender, receiver) = connection.open_bi().await?;
        let mut exporter = [0; 32];
        connection
            .export_keying_material(&mut exporter, b"EXPERIMENTAL gravelbar-code/1", b"")
            .map_err(|_| "no exporter")?;
        Ok(Self {
            connection,
            sender,
            receiver,
            exporter,
            ids: (me.device(), bank),
        })
    }

    fn start(&self, code: Code) -> (Spake2<Ed25519Group>, Vec<u8>) {
        let digits = code.to_string().replace(' ', "");
        let id = |device: DeviceKeyId| [device.0, self.exporter].concat();
        Spake2::start_a(
            &Password::new(digits.as_bytes()),
            &spake2::Identity::new(&id(self.ids.0)),
            &spake2::Identity::new(&id(self.ids.1)),
        )
    }

    fn statement(&self, end: &[u8], messages: &[u8], document: &[u8]) -> Vec<u8> {
        let ids = [self.exporter, self.ids.0.0, self.ids.1.0].concat();
        [b"gravelbar-code/1 ", end, &ids, messages, document].concat()
    }

    /// Sends the first message, and reads what comes for it.
    async fn first(&mut self, message: &[u8]) -> Outcome<[u8; 33]> {
        self.sender.write_all(message).await?;
        let mut theirs = [0; 33];
        timeout(PATIENCE, self.receiver.read_exact(&mut theirs)).await??;
        Ok(theirs)
    }

    /// Everything that comes yet before the connection ends, and the code it ends with.
    async fn learns(&mut self) -> Outcome<(Vec<u8>, Option<u64>)> {
        let mut learnt = Vec::new();
        let mut buffer = [0; 256];
        while let Ok(Some(read)) = timeout(PATIENCE, self.receiver.read(&mut buffer)).await? {
            learnt.extend(&buffer[..read]);
        }
        let code = match timeout(PATIENCE, self.connection.closed()).await? {
            quinn::ConnectionError::ApplicationClosed(close) => Some(close.error_code.into_inner()),
            _ => None,
        };
        Ok((learnt, code))
    }

    /// A whole run, in which `spoil` may change what is sent: the first message, then the
    /// confirmation.
    async fn run(
        mut self,
        code: Code,
        spoil: impl Fn(usize, &mut [u8]),
    ) -> Outcome<(Vec<u8>, Option<u64>)> {
        let (secret, mut message) = self.start(code);
        let mine = message[1..].to_vec();
        spoil(0, &mut message);
        let Ok(theirs) = self.first(&message).await else {
            return self.learns().await;
        };
        let key = secret.finish(&theirs).map_err(|_| "no key")?;
        let messages = [&b"A"[..], &mine, &theirs].concat();
        let key = hmac::Key::new(hmac::HMAC_SHA256, &key);
        let statement = self.statement(b"joiner", &messages, b"");
        let mut proof = hmac::sign(&key, &statement).as_ref().to_vec();
        spoil(33, &mut proof);
        self.sender.write_all(&proof).await?;
        self.learns().await
    }
}

#[tokio::test]
async fn two_strangers_with_one_code_come_to_know_each_other() -> Outcome {
    let (bank, net) = (lone()?, lone()?);
    let code = bank.link.open_code(VISIT, TWO_MINUTES)?;
    assert_eq!(bank.link.code(), Some((code, 3)));
    let typed: Code = code.to_string().parse()?;
    let addresses = [bank.addr];
    let (entered, accepted) = timeout(PATIENCE, async {
        tokio::join!(net.link.enter(&addresses, &typed), bank.link.accept())
    })
    .await?;
    let (mut peer, document) = entered?;
    let mut accepted = accepted.ok_or("closed")?;
    assert_eq!(document, VISIT);
    assert_eq!(peer.device(), bank.identity.device());
    let joined = Joined {
        device: net.identity.device(),
        document: VISIT,
    };
    assert_eq!(accepted.joined(), Some(joined));
    assert!(net.roster.contains(bank.identity.device()));
    assert!(bank.roster.contains(net.identity.device()));
    peer.send(b"there").await?;
    assert_eq!(accepted.receive().await?.as_deref(), Some(&b"there"[..]));
    accepted.send(b"back").await?;
    assert_eq!(peer.receive().await?.as_deref(), Some(&b"back"[..]));

    // It was good for one device.
    timeout(PATIENCE, bank.link.code_ended(code)).await?;
    let late = lone()?;
    let again = late.link.enter(&addresses, &typed).await.err();
    assert_eq!(again, Some(EnterError::NoCode));
    // The two call each other without it from now on.
    let (called, accepted) = timeout(PATIENCE, async {
        tokio::join!(
            bank.link.connect(net.addr, net.identity.device()),
            net.link.accept()
        )
    })
    .await?;
    called?;
    assert_eq!(accepted.map(|peer| peer.joined()), Some(None));
    Ok(())
}

#[tokio::test]
async fn what_this_program_speaks_is_what_the_page_about_it_says() -> Outcome {
    let (bank, me) = (lone()?, Identity::generate()?);
    let code = bank.link.open_code(VISIT, TWO_MINUTES)?;
    let mut raw = Raw::call(bank.addr, &me, bank.identity.device()).await?;
    let (secret, message) = raw.start(code);
    let theirs = raw.first(&message).await?;
    let key = secret.finish(&theirs).map_err(|_| "no key")?;
    let key = hmac::Key::new(hmac::HMAC_SHA256, &key);
    let messages = [&message[..], &theirs].concat();
    let proof = hmac::sign(&key, &raw.statement(b"joiner", &messages, b""));
    raw.sender.write_all(proof.as_ref()).await?;
    let mut answer = [0; 32 + 17];
    timeout(PATIENCE, raw.receiver.read_exact(&mut answer)).await??;
    assert_eq!(answer[32..], [&[1][..], &[5; 16]].concat());
    let statement = raw.statement(b"inviter", &messages, &answer[32..]);
    assert!(hmac::verify(&key, &statement, &answer[..32]).is_ok());
    Ok(())
}

#[tokio::test]
async fn three_strangers_tries_end_a_code_and_none_gets_in() -> Outcome {
    let bank = lone()?;
    let code = bank.link.open_code(VISIT, TWO_MINUTES)?;
    for left in [Some((code, 2)), Some((code, 1)), None] {
        let stranger = lone()?;
        let wrong = other_than(code)?;
        let entered = stranger.link.enter(&[bank.addr], &wrong).await.err();
        assert_eq!(entered, Some(EnterError::WrongCode));
        assert!(stranger.roster.devices().is_empty());
        assert_eq!(bank.link.code(), left);
    }
    let late = lone()?;
    let right = late.link.enter(&[bank.addr], &code).await.err();
    assert_eq!(right, Some(EnterError::NoCode));
    assert!(nobody_let_in(&bank).await);
    assert_eq!(bank.link.counts().wrong_codes, 3);
    // The next code is another, with all its tries.
    let next = bank.link.open_code(None, TWO_MINUTES)?;
    assert_eq!(bank.link.code(), Some((next, 3)));
    Ok(())
}

#[tokio::test]
async fn tries_on_many_connections_at_once_are_three() -> Outcome {
    let bank = lone()?;
    let code = bank.link.open_code(VISIT, TWO_MINUTES)?;
    let wrong = other_than(code)?;
    let mut tries = tokio::task::JoinSet::new();
    for _ in 0..12 {
        let (me, bank_id, addr) = (Identity::generate()?, bank.identity.device(), bank.addr);
        tries.spawn(async move {
            let raw = Raw::call(addr, &me, bank_id).await.ok()?;
            raw.run(wrong, |_, _| ()).await.ok()
        });
    }
    let mut looked_at = 0;
    while let Some(tried) = timeout(PATIENCE, tries.join_next()).await? {
        let Some((learnt, ended)) = tried? else {
            continue; // Turned away in the handshake: the code had ended.
        };
        assert!(learnt.is_empty(), "{learnt:?}");
        looked_at += u32::from(ended == Some(2));
    }
    assert_eq!(looked_at, 3);
    assert_eq!(bank.link.counts().wrong_codes, 3);
    assert!(nobody_let_in(&bank).await);
    Ok(())
}

#[tokio::test]
async fn a_run_that_stops_before_its_confirmation_is_no_try_and_tells_nothing() -> Outcome {
    let bank = lone()?;
    let code = bank.link.open_code(VISIT, TWO_MINUTES)?;
    for _ in 0..5 {
        let me = Identity::generate()?;
        let mut raw = Raw::call(bank.addr, &me, bank.identity.device()).await?;
        let (_, message) = raw.start(code);
        raw.first(&message).await?;
        raw.connection.close(0_u32.into(), b"");
    }
    assert_eq!(bank.link.code(), Some((code, 3)));
    assert!(nobody_let_in(&bank).await);
    Ok(())
}

#[tokio::test]
async fn a_byte_changed_anywhere_on_the_way_lets_nobody_in() -> Outcome {
    let bank = lone()?;
    for at in 0..33_usize + 32 {
        let code = bank.link.open_code(VISIT, TWO_MINUTES)?;
        let me = Identity::generate()?;
        let raw = Raw::call(bank.addr, &me, bank.identity.device()).await?;
        let spoil = |from: usize, bytes: &mut [u8]| {
            if let Some(byte) = at.checked_sub(from).and_then(|at| bytes.get_mut(at)) {
                *byte ^= 1 << (at % 8);
            }
        };
        let (learnt, ended) = raw.run(code, spoil).await?;
        assert_eq!((learnt, ended), (Vec::new(), Some(2)), "byte {at}");
        assert_eq!(bank.link.code(), Some((code, 2)), "byte {at}");
    }
    assert!(nobody_let_in(&bank).await);
    Ok(())
}

#[tokio::test]
async fn a_proof_taken_from_one_connection_is_worth_nothing_on_another() -> Outcome {
    let bank = lone()?;
    let code = bank.link.open_code(VISIT, TWO_MINUTES)?;
    let me = Identity::generate()?;
    let mut first = Raw::call(bank.addr, &me, bank.identity.device()).await?;
    let (secret, message) = first.start(code);
    let theirs = first.first(&message).await?;
    let key = secret.finish(&theirs).map_err(|_| "no key")?;
    let key = hmac::Key::new(hmac::HMAC_SHA256, &key);
    let messages = [&message[..], &theirs].concat();
    let proof = hmac::sign(&key, &first.statement(b"joiner", &messages, b""));

    let mut second = Raw::call(bank.addr, &me, bank.identity.device()).await?;
    second.first(&message).await?;
    second.sender.write_all(proof.as_ref()).await?;
    assert_eq!(second.learns().await?, (Vec::new(), Some(2)));
    assert_eq!(bank.link.code(), Some((code, 2)));
    Ok(())
}

/// Answers one call as if it showed the code; `talk` has the stream.
async fn false_bank<F>(talk: impl FnOnce(Connection, SendStream, RecvStream) -> F) -> Outcome
where
    F: Future<Output = Outcome>,
{
    let (net, liar) = (lone()?, Identity::generate()?);
    let answering = answerer(expired(&liar)?, OURS)?;
    let addr = answering.local_addr()?;
    let answer = async {
        let connection = answering.accept().await.ok_or("closed")?.await?;
        let (sender, receiver) = connection.accept_bi().await?;
        talk(connection, sender, receiver).await
    };
    let code: Code = "314159".parse()?;
    let addresses = [addr];
    let (entered, answered) = timeout(PATIENCE, async {
        tokio::join!(net.link.enter(&addresses, &code), answer)
    })
    .await?;
    answered?;
    assert!(entered.is_err(), "a liar was believed");
    assert!(net.roster.devices().is_empty());
    Ok(())
}

#[tokio::test]
async fn whoever_sends_the_joiners_own_words_back_is_not_believed() -> Outcome {
    for letter in [b'A', b'B'] {
        false_bank(|connection, mut sender, mut receiver| async move {
            let mut message = [0; 33];
            receiver.read_exact(&mut message).await?;
            message[0] = letter;
            sender.write_all(&message).await?;
            let mut proof = [0; 32];
            if receiver.read_exact(&mut proof).await.is_ok() {
                sender.write_all(&[&proof[..], &[0]].concat()).await?;
            }
            connection.closed().await;
            Ok(())
        })
        .await?;
    }
    Ok(())
}

#[tokio::test]
async fn whoever_stands_between_and_passes_everything_on_gains_nothing() -> Outcome {
    let bank = lone()?;
    let (between, bank_id) = (Identity::generate()?, bank.identity.device());
    let net = lone()?;
    let answering = answerer(expired(&between)?, OURS)?;
    let addresses = [answering.local_addr()?];
    let code = bank.link.open_code(VISIT, TWO_MINUTES)?;
    let passing_on = async {
        let connection = answering.accept().await.ok_or("closed")?.await?;
        let (mut to_net, mut from_net) = connection.accept_bi().await?;
        let mut raw = Raw::call(bank.addr, &between, bank_id).await?;
        let mut message = [0; 33];
        from_net.read_exact(&mut message).await?;
        let theirs = raw.first(&message).await?;
        to_net.write_all(&theirs).await?;
        let mut proof = [0; 32];
        from_net.read_exact(&mut proof).await?;
        raw.sender.write_all(&proof).await?;
        let learnt = raw.learns().await?;
        connection.close(0_u32.into(), b"");
        Outcome::Ok(learnt)
    };
    let (entered, learnt) = timeout(PATIENCE, async {
        tokio::join!(net.link.enter(&addresses, &code), passing_on)
    })
    .await?;
    assert_eq!(learnt?, (Vec::new(), Some(2)));
    assert!(entered.is_err());
    assert!(net.roster.devices().is_empty());
    assert!(nobody_let_in(&bank).await);
    // It was a try.
    assert_eq!(bank.link.code(), Some((code, 2)));
    Ok(())
}

#[tokio::test]
async fn a_code_ends_with_its_time_and_on_command() -> Outcome {
    let bank = lone()?;
    let brief = bank.link.open_code(VISIT, Duration::from_millis(50))?;
    timeout(PATIENCE, bank.link.code_ended(brief)).await?;
    assert_eq!(bank.link.code(), None);
    let late = lone()?;
    let entered = late.link.enter(&[bank.addr], &brief).await.err();
    assert_eq!(entered, Some(EnterError::NoCode));

    let code = bank.link.open_code(VISIT, TWO_MINUTES)?;
    bank.link.end_code();
    let entered = late.link.enter(&[bank.addr], &code).await.err();
    assert_eq!(entered, Some(EnterError::NoCode));
    assert_eq!(bank.link.counts().wrong_codes, 0);
    let nowhere = late.link.enter(&[], &code).await.err();
    assert_eq!(nowhere, Some(EnterError::NoAddress));
    Ok(())
}

#[tokio::test]
async fn an_open_code_opens_no_other_door() -> Outcome {
    let bank = lone()?;
    bank.link.open_code(VISIT, TWO_MINUTES)?;
    let stranger = Identity::generate()?;
    for (alpn, ended) in [(&b"gravelbar/1"[..], 1), (b"gravelbar-join/1", 2)] {
        let endpoint = caller(Some(expired(&stranger)?), alpn)?;
        let connection = timeout(PATIENCE, endpoint.connect(bank.addr, "any")?).await??;
        let (mut sender, mut receiver) = connection.open_bi().await?;
        let _ = sender.write_all(&[b'G'; 33]).await;
        assert!(receiver.read_to_end(10).await.is_err());
        let closed = timeout(PATIENCE, connection.closed()).await?;
        let quinn::ConnectionError::ApplicationClosed(close) = closed else {
            return Err(format!("{closed}").into());
        };
        assert_eq!(close.error_code.into_inner(), ended);
    }
    let counts = Counts {
        strangers: 1,
        wrong_proofs: 1,
        ..Counts::default()
    };
    assert_eq!(bank.link.counts(), counts);
    assert!(nobody_let_in(&bank).await);
    Ok(())
}
