//! The text by which a device is invited: whom to call, where, and the secret that opens the door.

use std::fmt;
use std::net::{IpAddr, Ipv4Addr, Ipv6Addr, SocketAddr};
use std::str::FromStr;

use crate::base32;
use crate::identity::DeviceKeyId;

/// The first byte of every invitation of this form.
const VERSION: u8 = 1;

/// Addresses in one invitation.
pub(crate) const ADDRESSES: usize = 8;

/// Digits in one group of the text.
const GROUP: usize = 5;

/// An invitation, for anyone who has its text, until it ends.
///
/// Written, it is groups of five digits and small letters, to be shown as a code for a camera,
/// passed on, or read out. Reading takes either case, o for 0, i and l for 1, and any spacing. Any one
/// wrong character, and any two exchanged neighbours, are noticed: the text ends in a CRC-32, which
/// finds every error confined to 32 bits in a row.
#[derive(Clone, PartialEq, Eq)]
pub struct Invitation {
    pub(crate) inviter: DeviceKeyId,
    pub(crate) secret: [u8; 16],
    pub(crate) document: Option<[u8; 16]>,
    pub(crate) addresses: Vec<SocketAddr>,
}

/// Why a text is no invitation.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum InvitationError {
    /// Some of it isn't as it was written.
    #[error(
        "this invitation is mistyped or incomplete: compare it with the original, group by group"
    )]
    Mistyped,
    /// It is of a form that this program doesn't know.
    #[error(
        "this invitation was made by a newer program (form {version}): bring this one up to date"
    )]
    OtherForm {
        /// Its form.
        version: u8,
    },
}

/// Why an invitation was not made.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum InviteError {
    /// No address was given, and this device listens on all of them at once.
    #[error("an invitation needs an address at which this device can be reached")]
    NoAddress,
    /// More addresses than an invitation carries.
    #[error("an invitation carries at most {ADDRESSES} addresses, not {0}")]
    TooManyAddresses(usize),
    /// Too many invitations are open.
    #[error("{0} invitations are open already: end one first")]
    TooManyOpen(usize),
    /// The system gave no randomness.
    #[error("this device could not draw a secret")]
    NoSecret,
}

impl Invitation {
    /// The device that invites.
    #[must_use]
    pub fn inviter(&self) -> DeviceKeyId {
        self.inviter
    }

    /// Where it said it can be reached.
    #[must_use]
    pub fn addresses(&self) -> &[SocketAddr] {
        &self.addresses
    }

    /// The document that the invitation is to, if it names one.
    #[must_use]
    pub fn document(&self) -> Option<[u8; 16]> {
        self.document
    }

    fn to_bytes(&self) -> Vec<u8> {
        let mut bytes = vec![VERSION];
        bytes.extend(self.inviter.0);
        bytes.extend(self.secret);
        bytes.push(u8::from(self.document.is_some()));
        bytes.extend(self.document.into_iter().flatten());
        for address in &self.addresses {
            match address.ip() {
                IpAddr::V4(ip) => {
                    bytes.push(4);
                    bytes.extend(ip.octets());
                }
                IpAddr::V6(ip) => {
                    bytes.push(6);
                    bytes.extend(ip.octets());
                }
            }
            bytes.extend(address.port().to_be_bytes());
        }
        bytes.extend(crc32(&bytes).to_be_bytes());
        bytes
    }

    fn from_bytes(bytes: &[u8]) -> Result<Self, InvitationError> {
        let (bytes, sum) = bytes.split_last_chunk().ok_or(InvitationError::Mistyped)?;
        if crc32(bytes) != u32::from_be_bytes(*sum) {
            return Err(InvitationError::Mistyped);
        }
        match bytes.first() {
            Some(&VERSION) => {}
            Some(&version) => return Err(InvitationError::OtherForm { version }),
            None => return Err(InvitationError::Mistyped),
        }
        Self::from_fields(&bytes[1..]).ok_or(InvitationError::Mistyped)
    }

    fn from_fields(mut left: &[u8]) -> Option<Self> {
        let inviter = DeviceKeyId(take(&mut left)?);
        let secret = take(&mut left)?;
        let document = match take::<1>(&mut left)? {
            [0] => None,
            [1] => Some(take(&mut left)?),
            _ => return None,
        };
        let mut addresses = Vec::new();
        while !left.is_empty() && addresses.len() < ADDRESSES {
            let ip = match take::<1>(&mut left)? {
                [4] => IpAddr::V4(Ipv4Addr::from(take::<4>(&mut left)?)),
                [6] => IpAddr::V6(Ipv6Addr::from(take::<16>(&mut left)?)),
                _ => return None,
            };
            let port = u16::from_be_bytes(take(&mut left)?);
            addresses.push(SocketAddr::new(ip, port));
        }
        (left.is_empty() && !addresses.is_empty()).then_some(Self {
            inviter,
            secret,
            document,
            addresses,
        })
    }
}

fn take<const N: usize>(left: &mut &[u8]) -> Option<[u8; N]> {
    let (first, rest) = left.split_first_chunk()?;
    *left = rest;
    Some(*first)
}

impl fmt::Display for Invitation {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (at, digit) in base32::write(&self.to_bytes()).chars().enumerate() {
            if at > 0 && at % GROUP == 0 {
                f.write_str("-")?;
            }
            fmt::Write::write_char(f, digit)?;
        }
        Ok(())
    }
}

/// Without the secret.
impl fmt::Debug for Invitation {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Invitation")
            .field("inviter", &self.inviter)
            .field("addresses", &self.addresses)
            .finish_non_exhaustive()
    }
}

impl FromStr for Invitation {
    type Err = InvitationError;

    fn from_str(text: &str) -> Result<Self, InvitationError> {
        let bytes = base32::read(text).ok_or(InvitationError::Mistyped)?;
        Self::from_bytes(&bytes)
    }
}

/// CRC-32 as in Ethernet and zip (IEEE 802.3: reflected polynomial edb88320, all ones before and after).
fn crc32(bytes: &[u8]) -> u32 {
    let mut crc = u32::MAX;
    for byte in bytes {
        crc ^= u32::from(*byte);
        for _ in 0..8 {
            let low = crc & 1;
            crc >>= 1;
            if low == 1 {
                crc ^= 0xedb8_8320;
            }
        }
    }
    !crc
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// The check value of CRC-32/ISO-HDLC in the RevEng catalogue of CRC algorithms.
    #[test]
    fn the_checksum_is_the_standard_one() {
        assert_eq!(crc32(b"123456789"), 0xcbf4_3926);
    }

    fn invitation() -> impl Strategy<Value = Invitation> {
        let addresses = prop::collection::vec((any::<IpAddr>(), any::<u16>()), 1..=ADDRESSES);
        (
            any::<[u8; 32]>(),
            any::<[u8; 16]>(),
            any::<Option<[u8; 16]>>(),
            addresses,
        )
            .prop_map(|(inviter, secret, document, addresses)| Invitation {
                inviter: DeviceKeyId(inviter),
                secret,
                document,
                addresses: addresses.into_iter().map(SocketAddr::from).collect(),
            })
    }

    /// Every digit that may stand in a text.
    const DIGITS: &str = "0123456789abcdefghjkmnpqrstvwxyz";

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(12))]

        #[test]
        fn what_is_written_is_read(invitation in invitation()) {
            let text = invitation.to_string();
            prop_assert_eq!(text.parse(), Ok(invitation.clone()));
            let read_out = text.to_uppercase().replace('-', " ").replace('0', "O").replace('1', "l");
            prop_assert_eq!(read_out.parse(), Ok(invitation));
        }

        #[test]
        fn every_single_wrong_character_is_noticed(invitation in invitation()) {
            let text = invitation.to_string();
            for (at, right) in text.char_indices().filter(|(_, c)| *c != '-') {
                for wrong in DIGITS.chars().filter(|wrong| *wrong != right) {
                    let mut mistyped = text.clone();
                    mistyped.replace_range(at..=at, &wrong.to_string());
                    prop_assert_eq!(mistyped.parse::<Invitation>(), Err(InvitationError::Mistyped));
                }
            }
        }

        #[test]
        fn exchanged_neighbours_are_noticed(invitation in invitation()) {
            let digits: Vec<char> = invitation.to_string().chars().filter(|c| *c != '-').collect();
            for at in 1..digits.len() {
                if digits[at] != digits[at - 1] {
                    let mut swapped = digits.clone();
                    swapped.swap(at, at - 1);
                    let swapped: String = swapped.into_iter().collect();
                    prop_assert_eq!(swapped.parse::<Invitation>(), Err(InvitationError::Mistyped));
                }
            }
        }

        #[test]
        fn no_text_makes_reading_fail_otherwise(text in ".{0,300}") {
            prop_assert_eq!(text.parse::<Invitation>(), Err(InvitationError::Mistyped));
        }

        #[test]
        fn right_sums_over_any_bytes_are_read_or_refused(mut bytes in prop::collection::vec(any::<u8>(), 0..150)) {
            if let Some(first) = bytes.first_mut() {
                *first = VERSION;
            }
            bytes.extend(crc32(&bytes).to_be_bytes());
            if let Ok(read) = Invitation::from_bytes(&bytes) {
                prop_assert_eq!(read.to_bytes(), bytes);
            }
        }
    }

    #[test]
    fn a_newer_form_is_told_from_a_mistake() {
        let mut bytes = vec![9, 1, 2, 3];
        bytes.extend(crc32(&bytes).to_be_bytes());
        let text = base32::write(&bytes);
        assert_eq!(
            text.parse::<Invitation>(),
            Err(InvitationError::OtherForm { version: 9 })
        );
    }

    #[test]
    fn an_invitation_never_shows_its_secret_in_a_log() {
        let invitation = Invitation {
            inviter: DeviceKeyId([1; 32]),
            secret: [0xab; 16],
            document: None,
            addresses: vec![SocketAddr::from(([127, 0, 0, 1], 1))],
        };
        assert!(!format!("{invitation:?}").contains("171"));
        assert!(!format!("{invitation:?}").contains(&base32::write(&[0xab; 16])));
    }
}
