//! The rule written a second time, plainly, and with mistakes planted in it: the attacks must find each one.

use std::collections::BTreeMap;

use gravelbar_ledger::Ledger;
use ring::signature::{ED25519, Ed25519KeyPair, KeyPair, UnparsedPublicKey};
use sha2::{Digest, Sha256};

/// A mistake a builder could make.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Mistake {
    None,
    /// A link doesn't take in the one before it.
    LinkWithoutPrevious,
    /// A link doesn't take in the change.
    LinkWithoutChange,
    /// The signature doesn't take in which chain it is.
    HeadWithoutOrigin,
    /// The signature doesn't take in the number.
    HeadWithoutNumber,
    /// The chain doesn't start from the document.
    OriginWithoutDocument,
    /// The signature isn't looked at.
    Unverified,
    /// What comes after the last signature passes too.
    BeyondTheHead,
}

struct Rule(Mistake);

/// All of one writer's changes from number one, with the one signature over the last.
#[derive(Debug, Clone)]
struct Parcel {
    document: [u8; 16],
    run: [u8; 8],
    key: Vec<u8>,
    changes: Vec<[u8; 32]>,
    number: u64,
    signature: Vec<u8>,
    /// Told without the changes, as news of the newest signature is.
    told: Option<[u8; 32]>,
}

impl Rule {
    fn sha(parts: &[&[u8]]) -> [u8; 32] {
        Sha256::digest(parts.concat()).into()
    }

    fn origin(&self, parcel: &Parcel) -> [u8; 32] {
        let document: &[u8] = match self.0 {
            Mistake::OriginWithoutDocument => &[],
            _ => &parcel.document,
        };
        let opening = [&[1], document, &parcel.run, &parcel.key, &[0]].concat();
        Self::sha(&[b"gravelbar chain 1", &opening])
    }

    fn link(&self, parcel: &Parcel, number: u64) -> [u8; 32] {
        let upto = usize::try_from(number).unwrap().min(parcel.changes.len());
        parcel.changes[..upto]
            .iter()
            .fold(self.origin(parcel), |link, change| match self.0 {
                Mistake::LinkWithoutPrevious => Self::sha(&[change]),
                Mistake::LinkWithoutChange => Self::sha(&[&link]),
                _ => Self::sha(&[&link, change]),
            })
    }

    fn message(&self, parcel: &Parcel) -> Vec<u8> {
        let mut message = b"gravelbar head 1".to_vec();
        if self.0 != Mistake::HeadWithoutOrigin {
            message.extend(self.origin(parcel));
        }
        if self.0 != Mistake::HeadWithoutNumber {
            message.extend(parcel.number.to_be_bytes());
        }
        message.extend(
            parcel
                .told
                .unwrap_or_else(|| self.link(parcel, parcel.number)),
        );
        message
    }

    fn signed(
        &self,
        key: &Ed25519KeyPair,
        document: [u8; 16],
        run: u8,
        changes: &[[u8; 32]],
    ) -> Parcel {
        let mut parcel = Parcel {
            document,
            run: [run; 8],
            key: key.public_key().as_ref().to_vec(),
            changes: changes.to_vec(),
            number: changes.len() as u64,
            signature: Vec::new(),
            told: None,
        };
        parcel.signature = key.sign(&self.message(&parcel)).as_ref().to_vec();
        parcel
    }

    fn passes(&self, document: [u8; 16], parcel: &Parcel) -> bool {
        let covered = parcel.told.is_some()
            || match self.0 {
                Mistake::BeyondTheHead => parcel.changes.len() as u64 >= parcel.number,
                _ => parcel.changes.len() as u64 == parcel.number,
            };
        let in_document = self.0 == Mistake::OriginWithoutDocument || parcel.document == document;
        let verified = self.0 == Mistake::Unverified
            || UnparsedPublicKey::new(&ED25519, &parcel.key)
                .verify(&self.message(parcel), &parcel.signature)
                .is_ok();
        covered && in_document && verified
    }

    /// Attacks on two devices' parcels that get something through which its device didn't say so.
    fn broken_by(&self) -> Vec<&'static str> {
        let keys: Vec<Ed25519KeyPair> = (1..=2)
            .map(|seed| Ed25519KeyPair::from_seed_unchecked(&[seed; 32]).unwrap())
            .collect();
        let (here, there) = ([1; 16], [2; 16]);
        let changes: Vec<[u8; 32]> = (10..15).map(|n| [n; 32]).collect();
        let one = self.signed(&keys[0], here, 1, &changes);
        let other = self.signed(&keys[1], here, 1, &changes[1..]);
        let elsewhere = self.signed(&keys[0], there, 1, &changes);
        let run = self.signed(&keys[0], here, 2, &changes[1..]);
        assert!([&one, &other, &run].iter().all(|p| self.passes(here, p)));

        let mut attacks: BTreeMap<&'static str, Vec<Parcel>> = BTreeMap::new();
        let mut attack = |name, forged: Parcel| attacks.entry(name).or_default().push(forged);
        for place in 0..changes.len() {
            let mut altered = one.clone();
            altered.changes[place] = [99; 32];
            attack("altered", altered);
            let mut dropped = one.clone();
            dropped.changes.remove(place);
            attack("dropped", dropped.clone());
            dropped.number -= 1;
            attack("dropped and renumbered", dropped);
            let mut swapped = one.clone();
            swapped.changes.swap(place, (place + 1) % changes.len());
            attack("reordered", swapped);
        }
        let mut longer = one.clone();
        longer.changes.push([98; 32]);
        attack("extended", longer.clone());
        longer.number += 1;
        attack("extended and renumbered", longer);
        // News of the newest signature, which comes without changes.
        let told = Parcel {
            told: Some(self.link(&one, 5)),
            ..one.clone()
        };
        assert!(self.passes(here, &told));
        let (number, run_named) = (9, [5; 8]);
        attack(
            "news of another number",
            Parcel {
                number,
                ..told.clone()
            },
        );
        attack(
            "news of another run",
            Parcel {
                run: run_named,
                ..told
            },
        );
        for (target, source) in [(&one, &other), (&other, &one), (&one, &run), (&run, &one)] {
            attack(
                "another's signature",
                Parcel {
                    signature: source.signature.clone(),
                    ..target.clone()
                },
            );
            attack(
                "under another run's name",
                Parcel {
                    run: [7; 8],
                    ..target.clone()
                },
            );
            attack(
                "under another's key",
                Parcel {
                    key: source.key.clone(),
                    run: [6; 8],
                    ..target.clone()
                },
            );
        }
        attack(
            "from another document",
            Parcel {
                document: here,
                ..elsewhere.clone()
            },
        );
        attack("from another document as it is", elsewhere);
        (attacks.into_iter())
            .filter(|(_, forged)| forged.iter().any(|parcel| self.passes(here, parcel)))
            .map(|(name, _)| name)
            .collect()
    }
}

#[test]
fn the_rule_as_it_is_withstands_every_attack_and_every_planted_mistake_is_found() {
    assert_eq!(Rule(Mistake::None).broken_by(), Vec::<&str>::new());
    for mistake in [
        Mistake::LinkWithoutPrevious,
        Mistake::LinkWithoutChange,
        Mistake::HeadWithoutOrigin,
        Mistake::OriginWithoutDocument,
        Mistake::HeadWithoutNumber,
        Mistake::Unverified,
        Mistake::BeyondTheHead,
    ] {
        let found = Rule(mistake).broken_by();
        assert!(!found.is_empty(), "{mistake:?}");
    }
}

/// The crate's bytes are the rule's bytes.
#[test]
fn the_crate_signs_what_the_rule_signs() {
    let mut device = crate::world::Device::new(3);
    device.turn(5);
    let key = Ed25519KeyPair::from_seed_unchecked(&[3; 32]).unwrap();
    let changes: Vec<[u8; 32]> = (device.ledger.log().iter())
        .map(|change| Ledger::claims(&change.bytes).unwrap().hash.0)
        .collect();
    let mut parcel = Parcel {
        document: device.ledger.id().0,
        run: device.writer.session.0,
        key: key.public_key().as_ref().to_vec(),
        number: 5,
        changes,
        signature: Vec::new(),
        told: None,
    };
    let rule = Rule(Mistake::None);
    parcel.signature = key.sign(&rule.message(&parcel)).as_ref().to_vec();
    let named: Vec<_> = (1..=5).map(|n| (device.writer, n)).collect();
    let proof = device.provenance.prove(&named).unwrap();
    // Ed25519 signatures are the same every time (RFC 8032, section 5.1.6).
    assert!(proof.ends_with(&parcel.signature));
}
