//! Larger things than records, such as photographs: asked for by their SHA-256, in ranges, behind everything else.
//!
//! Each range has a stream of its own, of lower priority than the frames', and is so short that what is
//! under way never keeps a frame waiting for long. Whoever asks decides the pace and remembers how far it
//! came: after a cut it goes on from there, with the same peer or another. What came is believed only
//! once the whole has the hash that was asked for.

use std::sync::Arc;

use quinn::{Connection, RecvStream, SendStream, VarInt};
use ring::digest;
use tokio::time::timeout;

use crate::identity::DeviceKeyId;
use crate::peer::{Closed, Line};
use crate::tuning::GREETING;

/// No blob is longer.
pub const BLOB_BYTES: u64 = 16 * 1024 * 1024;

/// No range is longer.
pub const BLOB_RANGE_BYTES: usize = 64 * 1024;

/// The first byte of a request.
const ASK: u8 = b'B';
const REQUEST_BYTES: usize = 1 + 32 + 8 + 4;

/// First bytes of an answer.
const NOT_HERE: u8 = 0;
const HERE: u8 = 1;

/// Below the stream of frames, whose priority is 0.
const PRIORITY: i32 = -1;

/// The name of a blob: its SHA-256.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct BlobHash(pub [u8; 32]);

impl BlobHash {
    /// The name of these bytes.
    #[must_use]
    pub fn of(bytes: &[u8]) -> Self {
        let mut hash = [0; 32];
        hash.copy_from_slice(digest::digest(&digest::SHA256, bytes).as_ref());
        Self(hash)
    }
}

/// A part of a blob.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct BlobRange {
    /// The whole blob's length.
    pub total: u64,
    /// The bytes from where they were asked for; fewer than asked for only at the blob's end.
    pub bytes: Vec<u8>,
}

/// What a device has to give.
pub trait BlobSource: Send + Sync + 'static {
    /// At most `most` bytes of a blob from `offset`; nothing when it isn't here, isn't whole, or isn't for this
    /// device. May block: it is asked on a thread for that.
    fn read(
        &self,
        device: DeviceKeyId,
        hash: BlobHash,
        offset: u64,
        most: usize,
    ) -> Option<BlobRange>;
}

/// Where a blob that comes is put.
pub trait BlobSink: Send {
    /// How many of its bytes are here from before.
    fn here(&self) -> u64;

    /// Takes the next bytes.
    ///
    /// # Errors
    ///
    /// What the disk says.
    fn put(&mut self, bytes: &[u8]) -> std::io::Result<()>;

    /// Nothing more comes: keeps the blob if it has this hash, and else forgets all of it. Whether it has.
    ///
    /// # Errors
    ///
    /// What the disk says.
    fn finish(&mut self, hash: BlobHash) -> std::io::Result<bool>;
}

/// Why a blob didn't come.
#[derive(Debug, thiserror::Error)]
pub enum BlobError {
    /// The peer hasn't got it, or doesn't give it.
    #[error("the other device doesn't have this picture")]
    NotThere,
    /// It is longer than any may be.
    #[error("a picture of {bytes} bytes is too long: {BLOB_BYTES} is the most")]
    TooLong {
        /// As the peer announced it.
        bytes: u64,
    },
    /// What came isn't what was asked for.
    #[error("the other device sent something else than this picture")]
    OtherBytes,
    /// The peer doesn't keep the rules, or is of another version.
    #[error("the other device's answer can't be read")]
    Unreadable,
    /// What came can't be stored.
    #[error("the picture can't be stored: {0}")]
    NotStored(#[from] std::io::Error),
    /// The peer is silent.
    #[error("the other device didn't answer")]
    Silent,
    /// The connection is gone; what came so far is kept.
    #[error(transparent)]
    Closed(#[from] Closed),
}

impl Line {
    /// Gives the other device what it asks for, one range at a time, until the connection ends.
    /// To be called once, within a tokio runtime.
    pub fn serve_blobs(&self, source: Arc<dyn BlobSource>) {
        let (connection, device) = (self.connection().clone(), self.device());
        tokio::spawn(async move {
            while let Ok((sender, receiver)) = connection.accept_bi().await {
                let answered = answer(sender, receiver, device, source.clone());
                // One that dawdles gives way to the next; its stream is reset when dropped.
                let _ = timeout(GREETING, answered).await;
            }
        });
    }

    /// A part of a blob, at most [`BLOB_RANGE_BYTES`].
    ///
    /// # Errors
    ///
    /// [`BlobError`].
    pub async fn blob_range(
        &self,
        hash: BlobHash,
        offset: u64,
        most: usize,
    ) -> Result<BlobRange, BlobError> {
        let most = most.min(BLOB_RANGE_BYTES);
        let asking = ask(self.connection(), hash, offset, most);
        match timeout(GREETING, asking).await {
            Ok(Ok(answer)) => read_answer(&answer, offset, most),
            Ok(Err(Lost)) if self.connection().close_reason().is_none() => {
                Err(BlobError::Unreadable)
            }
            Ok(Err(Lost)) => Err(self.why_gone().into()),
            Err(_) => Err(BlobError::Silent),
        }
    }

    /// Fetches a whole blob, from where the sink's bytes end.
    ///
    /// # Errors
    ///
    /// [`BlobError`]. After [`BlobError::Closed`] and [`BlobError::Silent`] the sink keeps what came, and the next
    /// fetch goes on from there.
    pub async fn fetch_blob(
        &self,
        hash: BlobHash,
        sink: &mut impl BlobSink,
    ) -> Result<(), BlobError> {
        let mut announced = None;
        loop {
            let here = sink.here();
            let range = self.blob_range(hash, here, BLOB_RANGE_BYTES).await?;
            if announced.is_some_and(|total| total != range.total) || here > range.total {
                return Err(BlobError::OtherBytes);
            }
            announced = Some(range.total);
            sink.put(&range.bytes)?;
            if sink.here() >= range.total {
                return match sink.finish(hash)? {
                    true => Ok(()),
                    false => Err(BlobError::OtherBytes),
                };
            }
        }
    }
}

/// The stream ended before its time.
struct Lost;

async fn ask(
    connection: &Connection,
    hash: BlobHash,
    offset: u64,
    most: usize,
) -> Result<Vec<u8>, Lost> {
    let (mut sender, mut receiver) = connection.open_bi().await.map_err(|_| Lost)?;
    let _ = sender.set_priority(PRIORITY); // Fails on a closed stream only, as the next line then does.
    let request = write_request(hash, offset, most);
    sender.write_all(&request).await.map_err(|_| Lost)?;
    sender.finish().map_err(|_| Lost)?;
    let limit = 1 + 8 + most;
    receiver.read_to_end(limit).await.map_err(|_| Lost)
}

async fn answer(
    mut sender: SendStream,
    mut receiver: RecvStream,
    device: DeviceKeyId,
    source: Arc<dyn BlobSource>,
) -> Result<(), Lost> {
    let _ = sender.set_priority(PRIORITY); // As in `ask`.
    let mut request = [0; REQUEST_BYTES];
    receiver.read_exact(&mut request).await.map_err(|_| Lost)?;
    let Some((hash, offset, most)) = read_request(&request) else {
        let _ = sender.reset(VarInt::from_u32(crate::peer::code::BROKEN));
        return Err(Lost);
    };
    let reading = move || source.read(device, hash, offset, most);
    let range = tokio::task::spawn_blocking(reading)
        .await
        .map_err(|_| Lost)?;
    let answer = write_answer(range.as_ref(), most);
    sender.write_all(&answer).await.map_err(|_| Lost)?;
    sender.finish().map_err(|_| Lost)?;
    // Until the other end has it, so that there is never more than one range under way.
    sender.stopped().await.map_err(|_| Lost)?;
    Ok(())
}

fn write_request(hash: BlobHash, offset: u64, most: usize) -> Vec<u8> {
    let most = u32::try_from(most).unwrap_or(u32::MAX);
    let (offset, most) = (offset.to_be_bytes(), most.to_be_bytes());
    [&[ASK][..], &hash.0, &offset, &most].concat()
}

fn read_request(request: &[u8; REQUEST_BYTES]) -> Option<(BlobHash, u64, usize)> {
    let (first, rest) = request.split_first()?;
    let (hash, rest) = rest.split_first_chunk()?;
    let (offset, most) = rest.split_first_chunk()?;
    let most = u32::from_be_bytes(most.try_into().ok()?);
    let most = usize::try_from(most).ok()?.min(BLOB_RANGE_BYTES);
    (*first == ASK).then_some((BlobHash(*hash), u64::from_be_bytes(*offset), most))
}

fn write_answer(range: Option<&BlobRange>, most: usize) -> Vec<u8> {
    match range {
        None => vec![NOT_HERE],
        Some(range) => {
            let bytes = &range.bytes[..range.bytes.len().min(most)];
            [&[HERE][..], &range.total.to_be_bytes(), bytes].concat()
        }
    }
}

fn read_answer(answer: &[u8], offset: u64, most: usize) -> Result<BlobRange, BlobError> {
    let (total, bytes) = match answer.split_first() {
        Some((&NOT_HERE, [])) => return Err(BlobError::NotThere),
        Some((&HERE, rest)) => rest.split_first_chunk().ok_or(BlobError::Unreadable)?,
        _ => return Err(BlobError::Unreadable),
    };
    let total = u64::from_be_bytes(*total);
    if total > BLOB_BYTES {
        return Err(BlobError::TooLong { bytes: total });
    }
    // As many as were asked for and are there: no fewer, so that each answer gets further, and no more.
    let left = total.saturating_sub(offset);
    if bytes.len() as u64 != left.min(most as u64) {
        return Err(BlobError::Unreadable);
    }
    Ok(BlobRange {
        total,
        bytes: bytes.to_vec(),
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// FIPS 180-4's example for SHA-256 of "abc".
    #[test]
    fn a_blob_is_named_by_the_standard_hash() {
        let name: String = BlobHash::of(b"abc")
            .0
            .iter()
            .map(|b| format!("{b:02x}"))
            .collect();
        assert_eq!(
            name,
            "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
        );
    }

    proptest! {
        #[test]
        fn a_request_is_read_as_it_was_written(hash in any::<[u8; 32]>(), offset in any::<u64>(), most in 0..=BLOB_RANGE_BYTES) {
            let written: [u8; REQUEST_BYTES] = write_request(BlobHash(hash), offset, most).try_into().unwrap();
            prop_assert_eq!(read_request(&written), Some((BlobHash(hash), offset, most)));
        }

        #[test]
        fn any_request_is_read_within_the_limits_or_not_at_all(bytes in prop::collection::vec(any::<u8>(), REQUEST_BYTES)) {
            let request: [u8; REQUEST_BYTES] = bytes.try_into().unwrap();
            let read = read_request(&request);
            prop_assert_eq!(read.is_some(), request[0] == ASK);
            prop_assert!(read.is_none_or(|(_, _, most)| most <= BLOB_RANGE_BYTES));
        }

        #[test]
        fn any_answer_gets_further_within_the_limits_or_is_refused(
            answer in prop::collection::vec(any::<u8>(), 0..40), offset in 0_u64..40, most in 1_usize..40,
        ) {
            if let Ok(range) = read_answer(&answer, offset, most) {
                prop_assert!(range.bytes.len() <= most);
                prop_assert!(range.total <= BLOB_BYTES);
                prop_assert_eq!(range.bytes.is_empty(), offset >= range.total);
            }
        }

        #[test]
        fn an_answer_is_read_as_it_was_written(total in 0_u64..100, offset in 0_u64..120, most in 0_usize..100) {
            let bytes = vec![7; usize::try_from(total.saturating_sub(offset)).unwrap().min(most)];
            let range = BlobRange { total, bytes };
            let read = read_answer(&write_answer(Some(&range), most), offset, most);
            prop_assert_eq!(read.unwrap(), range);
        }
    }
}
