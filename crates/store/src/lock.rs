//! How a data folder is locked: what it takes to open it, and the words of its recovery key.

use std::fmt;
use std::str::FromStr;

/// What it takes to open a folder.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Lock {
    /// Nothing: the key lies in the folder. Whoever finds the device can read everything.
    Open,
    /// A passphrase that a person types.
    Passphrase,
    /// A key that the platform keeps (a phone's keystore) and hands over.
    Platform,
}

/// Opens a folder.
#[derive(Clone, Copy)]
pub enum Unlock<'a> {
    /// With the key that lies in the folder.
    Nothing,
    /// With the passphrase.
    Passphrase(&'a str),
    /// With the platform's key.
    Platform(&'a [u8; 32]),
    /// With the recovery key, where the passphrase or the platform's key is lost.
    Recovery(&'a RecoveryKey),
}

/// How a folder is to be locked from now on.
#[derive(Clone, Copy)]
pub enum NewLock<'a> {
    /// Not at all.
    Open,
    /// By a passphrase of at least [`NewLock::SHORTEST`] characters.
    Passphrase(&'a str),
    /// By a key of the platform.
    Platform(&'a [u8; 32]),
}

impl NewLock<'_> {
    /// Characters that a passphrase has at least. Four words that have nothing to do with each other are better than
    /// one with digits (common practice, no source).
    pub const SHORTEST: usize = 10;
}

/// Neither secret is for logs.
impl fmt::Debug for Unlock<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Nothing => "Nothing",
            Self::Passphrase(_) => "Passphrase",
            Self::Platform(_) => "Platform",
            Self::Recovery(_) => "Recovery",
        })
    }
}

impl fmt::Debug for NewLock<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Open => "Open",
            Self::Passphrase(_) => "Passphrase",
            Self::Platform(_) => "Platform",
        })
    }
}

/// 128 random bits that open a locked folder whatever happens to its passphrase: shown once, to be written
/// down and kept at the office.
///
/// ```
/// use gravelbar_store::RecoveryKey;
///
/// let written: RecoveryKey = "0000-0000-0000-0000-0000-0000-00".parse()?;
/// assert_eq!(written.to_string(), "0000-0000-0000-0000-0000-0000-00");
/// // Letters that look like digits are read as those.
/// assert_eq!(written, "OOOO 0000 oooo 0000 0000 0000 00".parse()?);
/// # Ok::<(), gravelbar_store::RecoveryKeyError>(())
/// ```
#[derive(Clone, Copy, PartialEq, Eq)]
pub struct RecoveryKey(pub(crate) [u8; 16]);

impl fmt::Debug for RecoveryKey {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("RecoveryKey")
    }
}

/// The text is no recovery key.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error("a recovery key is 26 letters and digits; look whether one is missing or mistyped")]
pub struct RecoveryKeyError;

const DIGITS: &[u8; 32] = b"0123456789abcdefghjkmnpqrstvwxyz";

impl fmt::Display for RecoveryKey {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let mut number = u128::from_be_bytes(self.0);
        let mut digits = [b'0'; 26];
        for digit in digits.iter_mut().rev() {
            *digit = DIGITS[(number & 31) as usize];
            number >>= 5;
        }
        for (place, group) in digits.chunks(4).enumerate() {
            if place > 0 {
                f.write_str("-")?;
            }
            group
                .iter()
                .try_for_each(|d| write!(f, "{}", char::from(*d)))?;
        }
        Ok(())
    }
}

impl FromStr for RecoveryKey {
    type Err = RecoveryKeyError;

    fn from_str(text: &str) -> Result<Self, RecoveryKeyError> {
        let (mut number, mut count) = (0_u128, 0);
        for letter in text.chars().filter(|c| !c.is_whitespace() && *c != '-') {
            let letter = match letter.to_ascii_lowercase() {
                'o' => '0',
                'i' | 'l' => '1',
                other => other,
            };
            let value = DIGITS.iter().position(|d| char::from(*d) == letter);
            let value = value.ok_or(RecoveryKeyError)? as u128;
            number = number
                .checked_mul(32)
                .and_then(|n| n.checked_add(value))
                .ok_or(RecoveryKeyError)?;
            count += 1;
        }
        if count == 26 {
            Ok(Self(number.to_be_bytes()))
        } else {
            Err(RecoveryKeyError)
        }
    }
}
