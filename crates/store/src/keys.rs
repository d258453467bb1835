//! The folder's key file: the data key, in the open or wrapped under what opens it.

use std::fs::{self, File};
use std::io::Write;

use argon2::{Algorithm, Argon2, Params, Version};
use sha2::{Digest, Sha256};

use crate::errors::hex;
use crate::folder::Folder;
use crate::lock::{Lock, NewLock, RecoveryKey, Unlock};
use crate::vault::{NoRandomness, Sealing, derive, random};
use crate::{LockError, Mode, OpenError};

/// The file and its twin: written one after the other, so that one is always whole, and rot in one costs nothing.
const FILES: [&str; 2] = ["keys", "keys-copy"];
const PART: &str = "keys.part";
const FIRST_LINE: &str = "gravelbar-keys-1";
/// A key file is some hundred bytes; what is longer is none.
const LONGEST: u64 = 4096;

/// Argon2id as RFC 9106, section 4, recommends it where memory is scarce: 64 MiB, 3 passes, 4 lanes, a salt of
/// 128 bits, 256 bits out.
const MEMORY_KIB: u32 = 64 * 1024;
const PASSES: u32 = 3;
const LANES: u32 = 4;
/// More memory than this isn't given to a key file that asks for it (it may have been tampered with).
const MOST_MEMORY_KIB: u32 = 2 * 1024 * 1024;
const MOST_PASSES: u32 = 64;

/// What the file says.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Keys {
    lines: Vec<Line>,
}

/// One way to the data key.
#[derive(Debug, Clone, PartialEq, Eq)]
enum Line {
    Open {
        data_key: [u8; 32],
    },
    Passphrase {
        memory_kib: u32,
        passes: u32,
        lanes: u32,
        salt: [u8; 16],
        wrapped: Vec<u8>,
    },
    Platform {
        wrapped: Vec<u8>,
    },
    Recovery {
        wrapped: Vec<u8>,
    },
}

/// Where a wrapped key belongs: the line's own words, so that no parameter of it can be altered.
fn place(words: &str) -> Vec<u8> {
    format!("{FIRST_LINE} {words}").into_bytes()
}

fn passphrase_words(memory_kib: u32, passes: u32, lanes: u32, salt: &[u8; 16]) -> String {
    format!(
        "passphrase argon2id-19 {memory_kib} {passes} {lanes} {}",
        hex(salt)
    )
}

fn stretched(
    passphrase: &str,
    memory_kib: u32,
    passes: u32,
    lanes: u32,
    salt: &[u8; 16],
) -> Option<[u8; 32]> {
    let params = Params::new(memory_kib, passes, lanes, Some(32)).ok()?;
    let mut key = [0; 32];
    Argon2::new(Algorithm::Argon2id, Version::V0x13, params)
        .hash_password_into(passphrase.as_bytes(), salt, &mut key)
        .ok()?;
    Some(key)
}

fn wrap(key: &[u8; 32], words: &str, data_key: &[u8; 32]) -> Result<Vec<u8>, NoRandomness> {
    Sealing::new(key)
        .ok_or(NoRandomness)?
        .seal(&place(words), data_key.to_vec())
}

fn unwrap(key: &[u8; 32], words: &str, wrapped: &[u8]) -> Option<[u8; 32]> {
    let data_key = Sealing::new(key)?.open(&place(words), wrapped).ok()?;
    data_key.try_into().ok()
}

impl Keys {
    /// A new folder's: nothing has to be given to open it.
    pub(crate) fn fresh() -> Result<Self, NoRandomness> {
        Ok(Self {
            lines: vec![Line::Open {
                data_key: random()?,
            }],
        })
    }

    /// The same data key under another lock, and the recovery key that goes with it.
    pub(crate) fn relocked(
        data_key: &[u8; 32],
        lock: NewLock<'_>,
    ) -> Result<(Self, Option<RecoveryKey>), LockError> {
        let line = match lock {
            NewLock::Open => {
                let lines = vec![Line::Open {
                    data_key: *data_key,
                }];
                return Ok((Self { lines }, None));
            }
            NewLock::Passphrase(passphrase) => {
                if passphrase.chars().count() < NewLock::SHORTEST {
                    return Err(LockError::TooShort);
                }
                let salt = random()?;
                let (memory_kib, passes, lanes) = (MEMORY_KIB, PASSES, LANES);
                let key = stretched(passphrase, memory_kib, passes, lanes, &salt)
                    .ok_or(LockError::NotStretched)?;
                let words = passphrase_words(memory_kib, passes, lanes, &salt);
                Line::Passphrase {
                    memory_kib,
                    passes,
                    lanes,
                    salt,
                    wrapped: wrap(&key, &words, data_key)?,
                }
            }
            NewLock::Platform(key) => Line::Platform {
                wrapped: wrap(&derive(key, "platform"), "platform", data_key)?,
            },
        };
        let recovery = RecoveryKey(random()?);
        let wrapped = wrap(&derive(&recovery.0, "recovery"), "recovery", data_key)?;
        let lines = vec![line, Line::Recovery { wrapped }];
        Ok((Self { lines }, Some(recovery)))
    }

    pub(crate) fn lock(&self) -> Lock {
        let of_line = |line: &Line| match line {
            Line::Open { .. } => Some(Lock::Open),
            Line::Passphrase { .. } => Some(Lock::Passphrase),
            Line::Platform { .. } => Some(Lock::Platform),
            Line::Recovery { .. } => None,
        };
        // A file without any of these isn't read.
        self.lines
            .iter()
            .find_map(of_line)
            .unwrap_or(Lock::Passphrase)
    }

    /// The data key.
    pub(crate) fn unlock(&self, with: Unlock<'_>) -> Result<[u8; 32], OpenError> {
        let lock = self.lock();
        let found = self.lines.iter().find_map(|line| match (line, with) {
            // A folder that isn't locked opens with anything.
            (Line::Open { data_key }, _) => Some(*data_key),
            (
                Line::Passphrase {
                    memory_kib,
                    passes,
                    lanes,
                    salt,
                    wrapped,
                },
                Unlock::Passphrase(passphrase),
            ) => {
                let key = stretched(passphrase, *memory_kib, *passes, *lanes, salt)?;
                let words = passphrase_words(*memory_kib, *passes, *lanes, salt);
                unwrap(&key, &words, wrapped)
            }
            (Line::Platform { wrapped }, Unlock::Platform(key)) => {
                unwrap(&derive(key, "platform"), "platform", wrapped)
            }
            (Line::Recovery { wrapped }, Unlock::Recovery(key)) => {
                unwrap(&derive(&key.0, "recovery"), "recovery", wrapped)
            }
            _ => None,
        });
        found.ok_or(match with {
            Unlock::Nothing => OpenError::Locked { lock },
            _ => OpenError::WrongKey { lock },
        })
    }

    fn write(&self) -> String {
        let mut text = format!("{FIRST_LINE}\n");
        for line in &self.lines {
            text += &match line {
                Line::Open { data_key } => format!("open {}\n", hex(data_key)),
                Line::Passphrase {
                    memory_kib,
                    passes,
                    lanes,
                    salt,
                    wrapped,
                } => format!(
                    "{} {}\n",
                    passphrase_words(*memory_kib, *passes, *lanes, salt),
                    hex(wrapped)
                ),
                Line::Platform { wrapped } => format!("platform {}\n", hex(wrapped)),
                Line::Recovery { wrapped } => format!("recovery {}\n", hex(wrapped)),
            };
        }
        let check = Sha256::digest(text.as_bytes());
        text + &format!("check {}\n", hex(&check))
    }

    fn read(text: &str) -> Option<Self> {
        let end = text.trim_end_matches('\n').rfind('\n')? + 1;
        let (said, check) = text.split_at_checked(end)?;
        let check = check.strip_prefix("check ")?.trim_end();
        if unhex(check)? != Sha256::digest(said.as_bytes())[..] {
            return None;
        }
        let mut words = said.lines();
        if words.next() != Some(FIRST_LINE) {
            return None;
        }
        let lines = words.map(read_line).collect::<Option<Vec<Line>>>()?;
        let opens = lines
            .iter()
            .any(|line| !matches!(line, Line::Recovery { .. }));
        opens.then_some(Self { lines })
    }
}

fn read_line(line: &str) -> Option<Line> {
    let words: Vec<&str> = line.split(' ').collect();
    match words[..] {
        ["open", key] => Some(Line::Open {
            data_key: unhex(key)?.try_into().ok()?,
        }),
        ["platform", wrapped] => Some(Line::Platform {
            wrapped: unhex(wrapped)?,
        }),
        ["recovery", wrapped] => Some(Line::Recovery {
            wrapped: unhex(wrapped)?,
        }),
        [
            "passphrase",
            "argon2id-19",
            memory,
            passes,
            lanes,
            salt,
            wrapped,
        ] => {
            let (memory_kib, passes): (u32, u32) = (memory.parse().ok()?, passes.parse().ok()?);
            let bounded = memory_kib <= MOST_MEMORY_KIB && passes <= MOST_PASSES;
            bounded.then_some(Line::Passphrase {
                memory_kib,
                passes,
                lanes: lanes.parse().ok()?,
                salt: unhex(salt)?.try_into().ok()?,
                wrapped: unhex(wrapped)?,
            })
        }
        _ => None,
    }
}

fn unhex(text: &str) -> Option<Vec<u8>> {
    if !text.is_ascii() || !text.len().is_multiple_of(2) {
        return None;
    }
    (0..text.len() / 2)
        .map(|n| u8::from_str_radix(text.get(2 * n..2 * n + 2)?, 16).ok())
        .collect()
}

/// What the folder's key files say.
#[derive(Debug)]
pub(crate) enum Found {
    /// There are none.
    None,
    /// There are, and none of them can be read.
    Damaged,
    /// This, in both or in one of them.
    Keys { keys: Keys, twins: bool },
}

/// Reads the folder's key files. The first that is whole counts: it is always written first.
pub(crate) fn find(folder: &Folder) -> Result<Found, OpenError> {
    let mut read = Vec::new();
    let mut there = false;
    for name in FILES {
        let path = folder.file(name);
        match fs::metadata(&path) {
            Err(error) if error.kind() == std::io::ErrorKind::NotFound => {}
            Err(error) => return Err(error.into()),
            Ok(about) => {
                there = true;
                if about.len() <= LONGEST {
                    let bytes = fs::read(&path)?;
                    let keys = std::str::from_utf8(&bytes).ok().and_then(Keys::read);
                    read.push(keys);
                    continue;
                }
            }
        }
        read.push(None);
    }
    let twins = read.iter().all(|keys| keys.is_some() && *keys == read[0]);
    match read.into_iter().flatten().next() {
        Some(keys) => Ok(Found::Keys { keys, twins }),
        None if there => Ok(Found::Damaged),
        None => Ok(Found::None),
    }
}

/// Writes both files, each whole or not at all, the second only when the first is safe.
///
/// Killed in between, the first counts: so a new passphrase holds as soon as this has begun to end, and the old one
/// until then.
pub(crate) fn store(folder: &Folder, keys: &Keys) -> std::io::Result<()> {
    debug_assert_eq!(folder.mode(), Mode::ReadWrite);
    for name in FILES {
        let part = folder.file(PART);
        let mut file = File::create(&part)?;
        file.write_all(keys.write().as_bytes())?;
        file.sync_all()?;
        fs::rename(&part, folder.file(name))?;
        folder.sync();
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// RFC 9106, section 5.3, has a check value for a secret and associated data, which aren't used here; the
    /// library's own tests hold it. This one is of the reference program for the same call as ours
    /// (github.com/P-H-C/phc-winner-argon2, src/test.c: version 19, argon2id, t 2, m 2^16, p 1).
    #[test]
    fn stretching_is_argon2id() {
        let params = Params::new(1 << 16, 2, 1, Some(32)).unwrap();
        let mut key = [0; 32];
        Argon2::new(Algorithm::Argon2id, Version::V0x13, params)
            .hash_password_into(b"password", b"somesalt", &mut key)
            .unwrap();
        assert_eq!(
            hex(&key),
            "09316115d5cf24ed5a15a31a3ba326e5cf32edc24702987c02b6566f61913cf7"
        );
    }

    #[test]
    fn what_is_written_is_read_and_every_flipped_bit_is_noticed() {
        let (keys, _) = Keys::relocked(&[3; 32], NewLock::Platform(&[4; 32])).unwrap();
        let text = keys.write();
        assert_eq!(Keys::read(&text), Some(keys));
        for bit in 0..text.len() * 8 {
            let mut bytes = text.clone().into_bytes();
            bytes[bit / 8] ^= 1 << (bit % 8);
            let read = std::str::from_utf8(&bytes).ok().and_then(Keys::read);
            // The case of a hexadecimal digit says nothing, nor does a missing end of the last line.
            assert!(
                read.is_none()
                    || bytes.eq_ignore_ascii_case(text.as_bytes())
                    || bit / 8 + 1 == text.len(),
                "bit {bit}"
            );
        }
    }

    #[test]
    fn only_what_it_was_locked_with_opens_it() {
        let data_key = [9; 32];
        let (keys, recovery) = Keys::relocked(&data_key, NewLock::Platform(&[4; 32])).unwrap();
        let recovery = recovery.unwrap();
        assert_eq!(keys.lock(), Lock::Platform);
        assert_eq!(keys.unlock(Unlock::Platform(&[4; 32])).unwrap(), data_key);
        assert_eq!(keys.unlock(Unlock::Recovery(&recovery)).unwrap(), data_key);
        for wrong in [
            Unlock::Platform(&[5; 32]),
            Unlock::Passphrase(""),
            Unlock::Recovery(&RecoveryKey([0; 16])),
        ] {
            assert!(matches!(
                keys.unlock(wrong),
                Err(OpenError::WrongKey {
                    lock: Lock::Platform
                })
            ));
        }
        assert!(matches!(
            keys.unlock(Unlock::Nothing),
            Err(OpenError::Locked {
                lock: Lock::Platform
            })
        ));
        assert!(!keys.write().contains(&hex(&data_key)));
    }

    #[test]
    fn a_short_passphrase_is_refused() {
        assert!(matches!(
            Keys::relocked(&[1; 32], NewLock::Passphrase("ninechars")),
            Err(LockError::TooShort)
        ));
    }
}
