//! The vault: what is written to disk is sealed under the folder's data key, and looked up by masked names.

use std::fmt;

use ring::aead::{Aad, CHACHA20_POLY1305, LessSafeKey, NONCE_LEN, Nonce, UnboundKey};
use ring::hkdf::{HKDF_SHA256, KeyType, Okm, Prk, Salt};
use ring::hmac;
use ring::rand::{SecureRandom, SystemRandom};

use crate::read::{Broken, Checked};

/// The system gives no random numbers.
#[derive(Debug, thiserror::Error)]
#[error("the system gives no random numbers")]
pub(crate) struct NoRandomness;

impl From<NoRandomness> for rusqlite::Error {
    fn from(error: NoRandomness) -> Self {
        Self::ToSqlConversionFailure(Box::new(error))
    }
}

/// Some random bytes from the system.
pub(crate) fn random<const N: usize>() -> Result<[u8; N], NoRandomness> {
    let mut bytes = [0; N];
    SystemRandom::new()
        .fill(&mut bytes)
        .map_err(|_| NoRandomness)?;
    Ok(bytes)
}

/// 32 bytes for one purpose out of a key (HKDF-SHA-256, RFC 5869).
pub(crate) fn derive(key: &[u8], purpose: &str) -> [u8; 32] {
    struct Length;
    impl KeyType for Length {
        fn len(&self) -> usize {
            32
        }
    }
    let root: Prk = Salt::new(HKDF_SHA256, b"gravelbar data folder 2").extract(key);
    let mut bytes = [0; 32];
    // 32 bytes are what one block of the expansion gives, so neither step can fail.
    let filled = root
        .expand(&[purpose.as_bytes()], Length)
        .and_then(|okm: Okm<'_, Length>| okm.fill(&mut bytes));
    debug_assert!(filled.is_ok());
    bytes
}

/// Seals under one key: ChaCha20-Poly1305 (RFC 8439), a random nonce in front.
///
/// Nonces are drawn at random and not counted, because a count would go back with a folder that is put back from
/// a copy, and a nonce used twice gives both texts away. Among n nonces of 96 bits two are alike with a chance of about
/// n² / 2^97: after 2^32 rows (a row every second for 136 years) less than one in 2^32.
pub(crate) struct Sealing(LessSafeKey);

impl Sealing {
    pub(crate) fn new(key: &[u8; 32]) -> Option<Self> {
        UnboundKey::new(&CHACHA20_POLY1305, key)
            .ok()
            .map(|key| Self(LessSafeKey::new(key)))
    }

    pub(crate) fn seal(&self, place: &[u8], content: Vec<u8>) -> Result<Vec<u8>, NoRandomness> {
        let nonce: [u8; NONCE_LEN] = random()?;
        let mut content = content;
        let tag = self
            .0
            .seal_in_place_separate_tag(
                Nonce::assume_unique_for_key(nonce),
                Aad::from(place),
                &mut content,
            )
            // Fails only for texts of more than 256 GiB.
            .map_err(|_| NoRandomness)?;
        let mut sealed = Vec::with_capacity(NONCE_LEN + content.len() + 16);
        sealed.extend(nonce);
        sealed.append(&mut content);
        sealed.extend(tag.as_ref());
        Ok(sealed)
    }

    pub(crate) fn open(&self, place: &[u8], sealed: &[u8]) -> Checked<Vec<u8>> {
        let (nonce, text) = sealed.split_first_chunk().ok_or(Broken)?;
        let mut text = text.to_vec();
        let length = self
            .0
            .open_in_place(
                Nonce::assume_unique_for_key(*nonce),
                Aad::from(place),
                &mut text,
            )
            .map_err(|_| Broken)?
            .len();
        text.truncate(length);
        Ok(text)
    }
}

/// An open data folder's keys.
pub(crate) struct Vault {
    sealing: Sealing,
    naming: hmac::Key,
}

impl fmt::Debug for Vault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("Vault")
    }
}

impl Vault {
    pub(crate) fn new(data_key: &[u8; 32]) -> Option<Self> {
        Some(Self {
            sealing: Sealing::new(&derive(data_key, "rows"))?,
            naming: hmac::Key::new(hmac::HMAC_SHA256, &derive(data_key, "names")),
        })
    }

    /// What stands in an index for a name: the same for the same name, and nothing to who hasn't the key.
    pub(crate) fn mask(&self, kind: &str, name: &[u8]) -> [u8; 16] {
        let tag = hmac::sign(&self.naming, &joined(kind, &[name]));
        let mut mask = [0; 16];
        // HMAC-SHA-256 gives 32 bytes.
        mask.copy_from_slice(&tag.as_ref()[..16]);
        mask
    }

    /// Seals the parts of a row for its table and the columns that stand open in it, so that no row fits
    /// another's place.
    pub(crate) fn seal(
        &self,
        table: &str,
        columns: &[&[u8]],
        parts: &[&[u8]],
    ) -> Result<Vec<u8>, NoRandomness> {
        let mut content = Vec::new();
        for part in parts {
            length_and(&mut content, part);
        }
        self.sealing.seal(&joined(table, columns), content)
    }

    pub(crate) fn open(&self, table: &str, columns: &[&[u8]], sealed: &[u8]) -> Checked<Parts> {
        let content = self.sealing.open(&joined(table, columns), sealed)?;
        Ok(Parts { content, at: 0 })
    }
}

/// Each part is preceded by its length, so no two different rows give the same bytes.
fn joined(table: &str, columns: &[&[u8]]) -> Vec<u8> {
    let mut bytes = Vec::new();
    length_and(&mut bytes, table.as_bytes());
    for column in columns {
        length_and(&mut bytes, column);
    }
    bytes
}

fn length_and(bytes: &mut Vec<u8>, part: &[u8]) {
    bytes.extend((part.len() as u64).to_be_bytes());
    bytes.extend(part);
}

/// The parts of an opened row, read in order.
#[derive(Debug)]
pub(crate) struct Parts {
    content: Vec<u8>,
    at: usize,
}

impl Parts {
    pub(crate) fn bytes(&mut self) -> Checked<&[u8]> {
        let rest = self.content.get(self.at..).ok_or(Broken)?;
        let (length, rest) = rest.split_first_chunk().ok_or(Broken)?;
        let length = usize::try_from(u64::from_be_bytes(*length)).map_err(|_| Broken)?;
        let part = rest.get(..length).ok_or(Broken)?;
        self.at += 8 + length;
        Ok(part)
    }

    pub(crate) fn array<const N: usize>(&mut self) -> Checked<[u8; N]> {
        self.bytes()?.try_into().map_err(|_| Broken)
    }

    /// Bytes of this length, or nothing where none were.
    pub(crate) fn maybe<const N: usize>(&mut self) -> Checked<Option<[u8; N]>> {
        let part = self.bytes()?;
        if part.is_empty() {
            return Ok(None);
        }
        part.try_into().map(Some).map_err(|_| Broken)
    }

    pub(crate) fn i64(&mut self) -> Checked<i64> {
        self.array().map(i64::from_be_bytes)
    }

    pub(crate) fn text(&mut self) -> Checked<String> {
        String::from_utf8(self.bytes()?.to_vec()).map_err(|_| Broken)
    }

    /// Nothing follows.
    pub(crate) fn end<T>(&self, value: T) -> Checked<T> {
        if self.at == self.content.len() {
            Ok(value)
        } else {
            Err(Broken)
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn hex(text: &str) -> Vec<u8> {
        (0..text.len() / 2)
            .map(|n| u8::from_str_radix(&text[2 * n..2 * n + 2], 16).unwrap())
            .collect()
    }

    /// RFC 8439, section 2.8.2: that what is sealed here is that cipher, nonce in front and tag behind.
    #[test]
    fn a_sealed_text_of_the_standard_opens() {
        let key: Vec<u8> = (0x80..0xa0).collect();
        let sealed = hex(concat!(
            "070000004041424344454647",
            "d31a8d34648e60db7b86afbc53ef7ec2a4aded51296e08fea9e2b5a736ee62d63dbea45e8ca9671282fafb69da92728b",
            "1a71de0a9e060b2905d6a5b67ecd3b3692ddbd7f2d778b8c9803aee328091b58fab324e4fad675945585808b4831d7bc",
            "3ff4def08e4b7a9de576d26586cec64b6116",
            "1ae10b594f09e26a7e902ecbd0600691",
        ));
        let place = hex("50515253c0c1c2c3c4c5c6c7");
        let sealing = Sealing::new(&key.try_into().unwrap()).unwrap();
        let text = sealing.open(&place, &sealed).unwrap();
        assert!(text.starts_with(b"Ladies and Gentlemen of the class of '99"));
        assert!(sealing.open(b"", &sealed).is_err());
    }

    /// RFC 5869 fixes the function; the salt and the purposes are ours. What is checked here is that purposes differ.
    #[test]
    fn keys_for_different_purposes_differ() {
        assert_ne!(derive(&[1; 32], "rows"), derive(&[1; 32], "names"));
        assert_ne!(derive(&[1; 32], "rows"), derive(&[2; 32], "rows"));
    }

    #[test]
    fn a_row_fits_its_own_place_only_and_no_flipped_bit_passes() {
        let vault = Vault::new(&[7; 32]).unwrap();
        let sealed = vault.seal("peer", &[b"a"], &[b"x", b""]).unwrap();
        let mut parts = vault.open("peer", &[b"a"], &sealed).unwrap();
        assert_eq!(parts.bytes().unwrap(), b"x");
        assert_eq!(parts.maybe::<32>().unwrap(), None);
        parts.end(()).unwrap();
        for (table, columns) in [
            ("heard", vec![&b"a"[..]]),
            ("peer", vec![&b"b"[..]]),
            ("peer", vec![]),
            ("peer", vec![b"", b"a"]),
        ] {
            assert!(vault.open(table, &columns, &sealed).is_err());
        }
        for bit in 0..sealed.len() * 8 {
            let mut flipped = sealed.clone();
            flipped[bit / 8] ^= 1 << (bit % 8);
            assert!(vault.open("peer", &[b"a"], &flipped).is_err());
        }
        let other = Vault::new(&[8; 32]).unwrap();
        assert!(other.open("peer", &[b"a"], &sealed).is_err());
        assert_ne!(vault.mask("peer", b"a"), other.mask("peer", b"a"));
        assert_ne!(vault.mask("peer", b"a"), vault.mask("tap", b"a"));
        assert_ne!(sealed, vault.seal("peer", &[b"a"], &[b"x", b""]).unwrap());
    }
}
