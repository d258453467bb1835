//! The text by which a device says on the local network that it is here, so that only its crew can tell.
//!
//! A nonce and HMAC-SHA256(crew secret, label ‖ nonce ‖ port ‖ device id), cut to 16 bytes. Whoever has
//! the secret and knows the device recognises it. To anyone else nonce and tag are random numbers, and
//! with a new nonce nothing in the text connects it with the one before. (Who stays at one
//! address and port can be followed by these; that is in the nature of a network.) No clock enters.

use ring::hmac;
use ring::rand::{SecureRandom, SystemRandom};

use crate::base32;
use crate::identity::DeviceKeyId;

const NONCE_BYTES: usize = 16;
const TAG_BYTES: usize = 16;

/// Digits of the label that an inviter shows.
const LABEL_DIGITS: usize = 4;

/// What the devices of one crew share, so that they recognise each other's beacons. It opens no door.
#[derive(Clone, PartialEq, Eq)]
pub struct CrewSecret(pub [u8; 32]);

/// Without the secret.
impl std::fmt::Debug for CrewSecret {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("CrewSecret")
    }
}

/// One such text, read.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Sighting {
    nonce: [u8; NONCE_BYTES],
    tag: [u8; TAG_BYTES],
}

impl Sighting {
    /// A new one of this device; nothing when the system gives no randomness.
    pub(crate) fn of(device: DeviceKeyId, port: u16, secret: &CrewSecret) -> Option<Self> {
        let mut nonce = [0; NONCE_BYTES];
        SystemRandom::new().fill(&mut nonce).ok()?;
        let mut tag = [0; TAG_BYTES];
        let whole = hmac::sign(&key(secret), &statement(&nonce, port, device));
        tag.copy_from_slice(&whole.as_ref()[..TAG_BYTES]);
        Some(Self { nonce, tag })
    }

    /// Which of these devices it is of, at this port, by any of these secrets.
    pub(crate) fn whose(
        &self,
        port: u16,
        secrets: &[CrewSecret],
        devices: &[DeviceKeyId],
    ) -> Option<DeviceKeyId> {
        let keys: Vec<hmac::Key> = secrets.iter().map(key).collect();
        devices.iter().copied().find(|device| {
            let statement = statement(&self.nonce, port, *device);
            keys.iter()
                .any(|key| hmac::sign(key, &statement).as_ref()[..TAG_BYTES] == self.tag)
        })
    }

    pub(crate) fn write(&self) -> String {
        base32::write(&[self.nonce, self.tag].concat())
    }

    /// Nothing where the text is of another form.
    pub(crate) fn read(text: &str) -> Option<Self> {
        // Longer texts aren't looked at, so that nobody makes us read much.
        if text.len() > 64 {
            return None;
        }
        let bytes = base32::read(text)?;
        let (nonce, tag) = bytes.split_first_chunk()?;
        Some(Self {
            nonce: *nonce,
            tag: tag.try_into().ok()?,
        })
    }
}

fn key(secret: &CrewSecret) -> hmac::Key {
    hmac::Key::new(hmac::HMAC_SHA256, &secret.0)
}

fn statement(nonce: &[u8; NONCE_BYTES], port: u16, device: DeviceKeyId) -> Vec<u8> {
    let label = b"gravelbar-beacon/1";
    [&label[..], nonce, &port.to_be_bytes(), &device.0].concat()
}

/// A random name on the network, of no meaning.
pub(crate) fn nameless() -> Option<String> {
    let mut bytes = [0; 10];
    SystemRandom::new().fill(&mut bytes).ok()?;
    Some(base32::write(&bytes))
}

/// What a device shows while it is open for joining, on its screen and on the network: four
/// digits and letters, so that a newcomer picks the right one of several.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub struct JoiningLabel(String);

impl JoiningLabel {
    /// Draws one; nothing when the system gives no randomness.
    #[must_use]
    pub fn draw() -> Option<Self> {
        let mut name = nameless()?;
        name.truncate(LABEL_DIGITS);
        Some(Self(name))
    }

    /// Nothing where the text is no label.
    pub(crate) fn read(text: &str) -> Option<Self> {
        let plain = |b: u8| b.is_ascii_lowercase() || b.is_ascii_digit();
        (text.len() == LABEL_DIGITS && text.bytes().all(plain)).then(|| Self(text.to_owned()))
    }
}

impl std::fmt::Display for JoiningLabel {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(&self.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    const CREW: CrewSecret = CrewSecret([4; 32]);
    const OTHER_CREW: CrewSecret = CrewSecret([5; 32]);

    fn device(n: u8) -> DeviceKeyId {
        DeviceKeyId([n; 32])
    }

    #[test]
    fn a_crew_recognises_its_own_and_nobody_else_does() {
        let seen = Sighting::of(device(1), 47_410, &CREW).unwrap();
        let known: Vec<_> = (0..20).map(device).collect();
        let both = [OTHER_CREW, CREW];
        assert_eq!(seen.whose(47_410, &both, &known), Some(device(1)));
        assert_eq!(seen.whose(47_410, &[OTHER_CREW], &known), None);
        assert_eq!(seen.whose(47_410, &[], &known), None);
        assert_eq!(seen.whose(47_411, &both, &known), None);
        assert_eq!(seen.whose(47_410, &both, &known[2..]), None);
    }

    #[test]
    fn two_sightings_of_one_device_have_nothing_in_common() {
        let texts: Vec<String> = (0..50)
            .map(|_| Sighting::of(device(1), 47_410, &CREW).unwrap().write())
            .collect();
        for (at, one) in texts.iter().enumerate() {
            for other in &texts[..at] {
                // 26 digits of the nonce, 26 of the tag; two random texts share 10 places in a
                // row about once in 10^14.
                let common = one.bytes().zip(other.bytes()).map(|(a, b)| a == b);
                let longest = common
                    .fold((0, 0), |(most, run), same| {
                        let run = if same { run + 1 } else { 0 };
                        (most.max(run), run)
                    })
                    .0;
                assert!(longest < 10, "{one} {other}");
            }
        }
    }

    proptest! {
        #[test]
        fn any_text_is_a_sighting_or_none(text in ".{0,80}") {
            if let Some(seen) = Sighting::read(&text) {
                prop_assert_eq!(Sighting::read(&seen.write()), Some(seen));
                prop_assert_eq!(seen.whose(1, &[CREW], &[device(1)]), None);
            }
            if let Some(label) = JoiningLabel::read(&text) {
                prop_assert_eq!(label.to_string(), text);
            }
        }

        #[test]
        fn what_is_written_is_read(port in any::<u16>(), n in any::<u8>()) {
            let seen = Sighting::of(device(n), port, &CREW).unwrap();
            prop_assert_eq!(Sighting::read(&seen.write()), Some(seen));
            prop_assert_eq!(seen.whose(port, &[CREW], &[device(n)]), Some(device(n)));
        }
    }
}
