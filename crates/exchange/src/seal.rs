//! Sealing a file to an office's key: HPKE (RFC 9180) with X25519, HKDF-SHA256 and
//! ChaCha20-Poly1305, in stretches, the last one marked, so that none can be left out.

use hpke::aead::ChaCha20Poly1305;
use hpke::kdf::HkdfSha256;
use hpke::kem::X25519HkdfSha256;
use hpke::{Deserializable, Kem, OpModeR, OpModeS, Serializable, setup_receiver, setup_sender};

use crate::MAX_FILE_BYTES;
use crate::error::{CarryError, SealError};
use crate::file::{Form, MAGIC, STRETCH_BYTES, VERSION, form_of};
use crate::office::{OfficeKey, OfficeSecret};

/// Magic, version, form, the key's tag.
const HEAD_BYTES: usize = 26;

/// The sender's one-time key.
const ENCAPPED_BYTES: usize = 32;

/// What a stretch grows by.
const TAG_BYTES: usize = 16;

type PublicKey = <X25519HkdfSha256 as Kem>::PublicKey;
type PrivateKey = <X25519HkdfSha256 as Kem>::PrivateKey;
type EncappedKey = <X25519HkdfSha256 as Kem>::EncappedKey;

fn head(key: &OfficeKey) -> [u8; HEAD_BYTES] {
    let mut head = [0; HEAD_BYTES];
    head[..16].copy_from_slice(MAGIC);
    head[16] = VERSION;
    head[17] = 1;
    head[18..].copy_from_slice(&key.tag());
    head
}

/// A file that only the office reads.
///
/// # Errors
///
/// [`SealError`] when the file is none that can be sealed, or the key can't be used.
///
/// # Panics
///
/// Where the system gives no random numbers.
pub fn seal(file: &[u8], to: &OfficeKey) -> Result<Vec<u8>, SealError> {
    if form_of(file)? == Form::Sealed {
        return Err(CarryError::Sealed.into());
    }
    let stretches = file.len().div_ceil(STRETCH_BYTES);
    let sealed = HEAD_BYTES + ENCAPPED_BYTES + file.len() + stretches * TAG_BYTES;
    if sealed > MAX_FILE_BYTES {
        return Err(CarryError::TooLong { bytes: sealed }.into());
    }
    let key = PublicKey::from_bytes(&to.0).map_err(|_| SealError::Key)?;
    let head = head(to);
    let (encapped, mut context) =
        setup_sender::<ChaCha20Poly1305, HkdfSha256, X25519HkdfSha256>(&OpModeS::Base, &key, &head)
            .map_err(|_| SealError::Key)?;
    let mut out = Vec::with_capacity(sealed);
    out.extend(head);
    out.extend_from_slice(&encapped.to_bytes());
    for (n, stretch) in (1..).zip(file.chunks(STRETCH_BYTES)) {
        let last = [u8::from(n == stretches)];
        let bytes = context.seal(stretch, &last).map_err(|_| SealError::Key)?;
        out.extend(bytes);
    }
    Ok(out)
}

/// The file that was sealed.
///
/// # Errors
///
/// [`SealError`] when it was sealed to another key, or isn't as it was sealed.
pub fn unseal(sealed: &[u8], with: &OfficeSecret) -> Result<Vec<u8>, SealError> {
    if sealed.len() > MAX_FILE_BYTES {
        return Err(CarryError::TooLong {
            bytes: sealed.len(),
        }
        .into());
    }
    if form_of(sealed)? == Form::Open {
        return Err(SealError::NotSealed);
    }
    let key = with.key().map_err(|_| SealError::Key)?;
    let damaged = |at| SealError::Damaged { at };
    let (head_here, rest) = (sealed.split_at_checked(HEAD_BYTES)).ok_or(damaged(sealed.len()))?;
    if head_here != head(&key) {
        let tag: String = head_here[18..].iter().map(|b| format!("{b:02x}")).collect();
        return Err(SealError::OtherKey(tag));
    }
    let (encapped, rest) = (rest.split_at_checked(ENCAPPED_BYTES)).ok_or(damaged(sealed.len()))?;
    let encapped = EncappedKey::from_bytes(encapped).map_err(|_| damaged(HEAD_BYTES))?;
    let secret = PrivateKey::from_bytes(&with.0).map_err(|_| SealError::Key)?;
    let mut context = setup_receiver::<ChaCha20Poly1305, HkdfSha256, X25519HkdfSha256>(
        &OpModeR::Base,
        &secret,
        &encapped,
        head_here,
    )
    .map_err(|_| damaged(HEAD_BYTES))?;
    let stretches: Vec<&[u8]> = rest.chunks(STRETCH_BYTES + TAG_BYTES).collect();
    if stretches.is_empty() {
        return Err(damaged(sealed.len()));
    }
    let mut file = Vec::with_capacity(rest.len());
    let mut at = HEAD_BYTES + ENCAPPED_BYTES;
    for (n, stretch) in (1..).zip(&stretches) {
        let last = [u8::from(n == stretches.len())];
        let opened = context.open(stretch, &last).map_err(|_| damaged(at))?;
        file.extend(opened);
        at += stretch.len();
    }
    Ok(file)
}
