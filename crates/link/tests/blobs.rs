//! Photographs between two devices: whole, resumed, refused, and never in the way of a frame.

mod outsider;
mod relay;

use std::collections::BTreeMap;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Arc, Mutex};
use std::time::Duration;

use gravelbar_link::{
    BLOB_BYTES, BLOB_RANGE_BYTES, BlobError, BlobHash, BlobRange, BlobSink, BlobSource,
    DeviceKeyId, Identity, Link, Peer, Roster,
};
use outsider::{LOOPBACK, Outcome};
use relay::{Relay, Weather};
use tokio::time::timeout;

/// So that a test which would hang fails instead.
const PATIENCE: Duration = Duration::from_secs(90);

/// Blobs in memory, given to whom it may concern.
#[derive(Default)]
struct Shelf {
    blobs: Mutex<BTreeMap<BlobHash, Vec<u8>>>,
    only_for: Option<DeviceKeyId>,
    /// Lies by one byte.
    spoilt: bool,
    given: AtomicUsize,
}

impl Shelf {
    fn of(blobs: &[Vec<u8>]) -> Self {
        let named = blobs
            .iter()
            .map(|bytes| (BlobHash::of(bytes), bytes.clone()));
        Self {
            blobs: Mutex::new(named.collect()),
            ..Self::default()
        }
    }
}

impl BlobSource for Shelf {
    fn read(
        &self,
        device: DeviceKeyId,
        hash: BlobHash,
        offset: u64,
        most: usize,
    ) -> Option<BlobRange> {
        let blobs = self.blobs.lock().ok()?;
        let blob = blobs.get(&hash)?;
        if self.only_for.is_some_and(|only| only != device) {
            return None;
        }
        let from = usize::try_from(offset).ok()?.min(blob.len());
        let mut bytes = blob[from..(from + most).min(blob.len())].to_vec();
        if let Some(last) = bytes.last_mut().filter(|_| self.spoilt) {
            *last ^= 1;
        }
        self.given.fetch_add(bytes.len(), Ordering::Relaxed);
        Some(BlobRange {
            total: blob.len() as u64,
            bytes,
        })
    }
}

/// Keeps in memory what comes.
#[derive(Debug, Default)]
struct Basket(Vec<u8>);

impl BlobSink for Basket {
    fn here(&self) -> u64 {
        self.0.len() as u64
    }

    fn put(&mut self, bytes: &[u8]) -> std::io::Result<()> {
        self.0.extend(bytes);
        Ok(())
    }

    fn finish(&mut self, hash: BlobHash) -> std::io::Result<bool> {
        let right = BlobHash::of(&self.0) == hash;
        if !right {
            self.0.clear();
        }
        Ok(right)
    }
}

/// Bytes without a pattern that a shifted range could repeat.
fn picture(seed: u64, bytes: usize) -> Vec<u8> {
    let mut state = seed | 1;
    let step = |_| {
        state ^= state << 13;
        state ^= state >> 7;
        state ^= state << 17;
        state.to_le_bytes()[3]
    };
    (0..bytes).map(step).collect()
}

struct Pair {
    bank: Link,
    net: Link,
}

fn pair() -> Outcome<Pair> {
    let (bank, net) = (Identity::generate()?, Identity::generate()?);
    Ok(Pair {
        bank: Link::bind(&bank, LOOPBACK, Roster::new([net.device()]))?,
        net: Link::bind(&net, LOOPBACK, Roster::new([bank.device()]))?,
    })
}

impl Pair {
    async fn meet(&self, through: Option<&Relay>) -> Outcome<(Peer, Peer)> {
        let at = match through {
            Some(relay) => relay.addr(),
            None => self.bank.local_addr()?,
        };
        let (net, bank) = timeout(PATIENCE, async {
            tokio::join!(self.net.connect(at, self.bank.device()), self.bank.accept())
        })
        .await?;
        Ok((net?, bank.ok_or("closed")?))
    }
}

#[tokio::test]
async fn either_end_fetches_from_the_other_and_only_what_is_there() -> Outcome {
    let pair = pair()?;
    let (net, bank) = pair.meet(None).await?;
    let lengths = [0, 1, BLOB_RANGE_BYTES, BLOB_RANGE_BYTES + 1, 1_000_000];
    let pictures: Vec<Vec<u8>> = (1..).zip(lengths).map(|(n, len)| picture(n, len)).collect();
    let ((net, ..), (bank, ..)) = (net.split(), bank.split());
    bank.serve_blobs(Arc::new(Shelf::of(&pictures)));
    net.serve_blobs(Arc::new(Shelf::of(&pictures)));
    for line in [&net, &bank] {
        for picture in &pictures {
            let mut basket = Basket::default();
            let hash = BlobHash::of(picture);
            timeout(PATIENCE, line.fetch_blob(hash, &mut basket)).await??;
            assert!(basket.0 == *picture);
        }
        let mut basket = Basket::default();
        let absent = line.fetch_blob(BlobHash([9; 32]), &mut basket);
        assert!(matches!(
            timeout(PATIENCE, absent).await?,
            Err(BlobError::NotThere)
        ));
    }
    Ok(())
}

#[tokio::test]
async fn a_fetch_that_was_cut_goes_on_where_it_was_with_whoever_has_it() -> Outcome {
    let pair = pair()?;
    let whole = picture(3, 2_000_000);
    let hash = BlobHash::of(&whole);
    let relay = Relay::start(pair.bank.local_addr()?, Weather::default(), 7).await?;
    let (net, bank) = pair.meet(Some(&relay)).await?;
    let ((net, ..), (bank, ..)) = (net.split(), bank.split());
    bank.serve_blobs(Arc::new(Shelf::of(std::slice::from_ref(&whole))));
    let mut basket = Basket::default();
    for _ in 0..10 {
        let range = net
            .blob_range(hash, basket.here(), BLOB_RANGE_BYTES)
            .await?;
        basket.put(&range.bytes)?;
    }
    relay.set(Weather::cut());
    let cut = timeout(PATIENCE, net.fetch_blob(hash, &mut basket)).await?;
    assert!(
        matches!(cut, Err(BlobError::Silent | BlobError::Closed(_))),
        "{cut:?}"
    );
    assert_eq!(basket.here(), 10 * BLOB_RANGE_BYTES as u64);
    drop((net, bank));

    let (net, bank) = pair.meet(None).await?;
    let ((net, ..), (bank, ..)) = (net.split(), bank.split());
    let other = Arc::new(Shelf::of(std::slice::from_ref(&whole)));
    bank.serve_blobs(other.clone());
    timeout(PATIENCE, net.fetch_blob(hash, &mut basket)).await??;
    assert!(basket.0 == whole);
    // What had come was not sent again.
    assert_eq!(
        other.given.load(Ordering::Relaxed),
        whole.len() - 10 * BLOB_RANGE_BYTES
    );
    Ok(())
}

#[tokio::test]
async fn what_is_not_what_was_asked_for_is_not_kept() -> Outcome {
    let pair = pair()?;
    let whole = picture(4, 200_000);
    let hash = BlobHash::of(&whole);
    let (net, bank) = pair.meet(None).await?;
    let ((net, ..), (bank, ..)) = (net.split(), bank.split());
    let mut liar = Shelf::of(&[whole]);
    liar.spoilt = true;
    bank.serve_blobs(Arc::new(liar));
    let mut basket = Basket::default();
    let fetched = timeout(PATIENCE, net.fetch_blob(hash, &mut basket)).await?;
    assert!(matches!(fetched, Err(BlobError::OtherBytes)), "{fetched:?}");
    assert!(basket.0.is_empty());

    // Longer than any may be, and another's.
    for (only_for, bytes) in [
        (None, usize::try_from(BLOB_BYTES)? + 1),
        (Some(pair.bank.device()), 10),
    ] {
        let (net, bank) = pair.meet(None).await?;
        let ((net, ..), (bank, ..)) = (net.split(), bank.split());
        let whole = picture(5, bytes);
        let mut shelf = Shelf::of(std::slice::from_ref(&whole));
        shelf.only_for = only_for;
        bank.serve_blobs(Arc::new(shelf));
        let fetching = net.fetch_blob(BlobHash::of(&whole), &mut basket);
        match timeout(PATIENCE, fetching).await? {
            Err(BlobError::TooLong { bytes }) => assert_eq!(bytes, BLOB_BYTES + 1),
            Err(BlobError::NotThere) => assert!(only_for.is_some()),
            other => return Err(format!("{other:?}").into()),
        }
        assert!(basket.0.is_empty());
    }
    Ok(())
}

#[tokio::test]
async fn frames_go_first_while_a_picture_is_under_way_on_a_slow_line() -> Outcome {
    let pair = pair()?;
    let slow = Weather {
        bytes_per_s: Some(50_000),
        ..Weather::default()
    };
    let relay = Relay::start(pair.bank.local_addr()?, slow, 9).await?;
    let (net, bank) = pair.meet(Some(&relay)).await?;
    let (net_line, _net_send, mut net_receive) = net.split();
    let (bank_line, mut bank_send, _bank_receive) = bank.split();
    let whole = picture(6, 600_000);
    let hash = BlobHash::of(&whole);
    bank_line.serve_blobs(Arc::new(Shelf::of(&[whole])));
    let fetching = tokio::spawn(async move {
        let mut basket = Basket::default();
        net_line
            .fetch_blob(hash, &mut basket)
            .await
            .map(|()| basket)
    });
    // Twelve seconds' worth of picture; the frames, one after the other, don't wait for its end.
    for n in 0..5_u8 {
        bank_send.send(&[n; 100]).await?;
        let frame = timeout(PATIENCE, net_receive.receive()).await??;
        assert_eq!(frame.as_deref(), Some(&[n; 100][..]));
        assert!(!fetching.is_finished(), "the picture came before frame {n}");
    }
    timeout(PATIENCE, fetching).await???;
    drop(bank_line);
    Ok(())
}
