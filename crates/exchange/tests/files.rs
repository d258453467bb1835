//! Files: what goes in comes out, proved; what was altered, cut, made up or sealed to others
//! doesn't.

#![expect(
    clippy::unwrap_used,
    reason = "a test stops where something is missing"
)]

mod crew;

use allocation_counter::measure;
use crew::{Held, content_end, document, pack, packer, pkcs8, signed};
use gravelbar_exchange::{
    CarryError, CarryFile, Form, MAX_FILE_BYTES, Manifest, NotVerified, OfficeKey, OfficeKeyError,
    OfficeSecret, PackError, SealError, form_of, seal, unseal,
};
use gravelbar_ledger::{DocumentId, Ledger, Writer};
use gravelbar_proof::{DeviceId, Provenance};
use proptest::prelude::*;

/// Reads and proves everything; how many changes.
fn take(file: &[u8]) -> Option<usize> {
    let file = CarryFile::read(file).ok()?;
    let verified = file.documents.iter().map(|d| d.verify().ok());
    let verified: Option<Vec<_>> = verified.collect();
    Some(verified?.iter().flat_map(|v| v.changes_by.values()).sum())
}

fn three_visits() -> [Held; 3] {
    [
        document("QB-03, 18 August", 3, 700),
        document("SR-02, 19 August", 2, 40),
        document("a crew book", 1, 0),
    ]
}

#[test]
fn documents_come_out_as_they_went_in_and_prove_themselves() {
    let [one, two, empty] = three_visits();
    let file = pack(&[&two, &one, &empty]);
    assert_eq!(form_of(&file), Ok(Form::Open));
    let read = CarryFile::read(&file).unwrap();
    assert_eq!(read.packed_by, packer(1).device());
    assert_eq!(read.manifest.program, "gravelbar 0.1.0");
    let ids: Vec<DocumentId> = read.documents.iter().map(|d| d.id).collect();
    assert!(ids.is_sorted() && ids.len() == 3);
    for held in [&one, &two, &empty] {
        let carried = read
            .documents
            .iter()
            .find(|d| d.id == held.ledger.id())
            .unwrap();
        let verified = carried.verify().unwrap();
        assert_eq!(verified.records, held.ledger.records().len());
        assert_eq!(
            verified.changes_by.values().sum::<usize>(),
            held.ledger.log().len()
        );
        assert!(verified.gaps.is_empty() && verified.forks.is_empty());
        // A device that has nothing takes it in and stands where the packer stood; again: nothing new.
        let reader = Writer::from_bytes([0; 16]);
        let mut ledger = Ledger::create(carried.about, reader).unwrap();
        for round in 0..2 {
            for parcel in &carried.parcels {
                let received = ledger.receive(parcel.to_changes());
                let news = if round == 0 { parcel.changes.len() } else { 0 };
                assert_eq!(received.applied.len(), news);
            }
        }
        assert_eq!(ledger.heads(), held.ledger.heads());
    }
    // Whose they are, device by device: three wrote by turns.
    let big = read
        .documents
        .iter()
        .find(|d| d.id == one.ledger.id())
        .unwrap();
    let mut by: Vec<(DeviceId, usize)> = big.verify().unwrap().changes_by.into_iter().collect();
    let mut expected = [(1, 234), (2, 233), (3, 233)].map(|(s, n)| (packer(s).device(), n));
    by.sort_unstable();
    expected.sort_unstable();
    assert_eq!(by, expected);
    // Equal documents make an equal file, in whatever order they are named.
    assert_eq!(file, pack(&[&empty, &one, &two]));
}

#[test]
fn every_flipped_bit_of_a_small_file_is_noticed_and_its_place_named() {
    let held = document("QB-03, 18 August", 2, 6);
    let file = pack(&[&held]);
    assert_eq!(take(&file), Some(6));
    for place in 0..file.len() {
        for bit in 0..8 {
            let mut altered = file.clone();
            altered[place] ^= 1 << bit;
            assert_eq!(take(&altered), None, "byte {place}, bit {bit}");
        }
    }
}

#[test]
fn damage_in_a_long_file_is_named_to_the_stretch() {
    let held = document("QB-03, 18 August", 3, 1_400);
    let file = pack(&[&held]);
    assert!(content_end(&file) > 3 * 65_536);
    let mut altered = file.clone();
    altered[2 * 65_536 + 77] ^= 4;
    let damaged = CarryError::Damaged {
        from: 131_072,
        to: 196_607,
    };
    assert_eq!(CarryFile::read(&altered).unwrap_err(), damaged);
    let cut = CarryFile::read(&file[..file.len() - 1]).unwrap_err();
    let said = CarryError::Length {
        bytes: file.len() - 1,
        should: file.len(),
    };
    assert_eq!(cut, said);
    assert_eq!(
        cut.to_string(),
        format!(
            "this file has {} bytes and should have {}: copy it again from where it was written",
            file.len() - 1,
            file.len()
        )
    );
}

#[test]
fn no_beginning_of_a_file_and_no_longer_one_is_taken() {
    let held = document("QB-03, 18 August", 2, 6);
    let file = pack(&[&held]);
    for end in 0..file.len() {
        assert_eq!(take(&file[..end]), None, "{end} bytes");
    }
    for more in [vec![0], file.clone(), b"\n".to_vec()] {
        assert_eq!(take(&[file.clone(), more].concat()), None);
    }
}

#[test]
fn other_files_and_newer_ones_are_told_apart() {
    for other in [
        "",
        "gravelbar carry",
        "PK\u{3}\u{4}",
        "{\"gravelbar_visit\":1}",
    ] {
        assert_eq!(
            form_of(other.as_bytes()),
            Err(CarryError::NotOne),
            "{other}"
        );
        assert_eq!(
            CarryFile::read(other.as_bytes()).unwrap_err(),
            CarryError::NotOne
        );
    }
    let mut newer = pack(&[&document("QB-03", 1, 1)]);
    newer[16] = 2;
    let error = CarryFile::read(&newer).unwrap_err();
    assert_eq!(error, CarryError::Newer(2));
    assert!(error.to_string().contains("update this device"));
}

/// A content with one part exchanged for others of a hostile packer.
fn hostile_contents(held: &Held, other: &Held) -> Vec<(&'static str, Vec<u8>)> {
    let file = pack(&[held]);
    let content = file[26..content_end(&file)].to_vec();
    let length = usize::try_from(u32::from_be_bytes(content[..4].try_into().unwrap())).unwrap();
    let manifest: Manifest = serde_json::from_slice(&content[4..4 + length]).unwrap();
    let rest = &content[4 + length..];
    let with = |manifest: &Manifest, rest: &[u8]| {
        let text = serde_json::to_vec(manifest).unwrap();
        let length = u32::try_from(text.len()).unwrap().to_be_bytes();
        [&length[..], &text, rest].concat()
    };
    let line = |change: &dyn Fn(&mut gravelbar_exchange::CarriedLine)| {
        let mut manifest = manifest.clone();
        change(&mut manifest.documents[0]);
        with(&manifest, rest)
    };
    let about = manifest.documents[0].about_bytes;
    let bomb = |at: usize, value: u32| {
        let mut rest = rest.to_vec();
        rest[at..at + 4].copy_from_slice(&value.to_be_bytes());
        with(&manifest, &rest)
    };
    let twice = Manifest {
        documents: vec![manifest.documents[0].clone(), manifest.documents[0].clone()],
        ..manifest.clone()
    };
    let of_other = pack(&[other]);
    let other_content = &of_other[26..content_end(&of_other)];
    let other_length = usize::try_from(u32::from_be_bytes(other_content[..4].try_into().unwrap()));
    let other_rest = &other_content[4 + other_length.unwrap()..];
    let other_manifest: Manifest =
        serde_json::from_slice(&other_content[4..other_content.len() - other_rest.len()]).unwrap();
    let other_parcels = &other_rest[other_manifest.documents[0].about_bytes..];
    let mut foreign = manifest.clone();
    foreign.documents[0].changes = other_manifest.documents[0].changes;
    foreign.documents[0].bytes = other_parcels.len();
    let mut spelled = serde_json::to_string_pretty(&manifest)
        .unwrap()
        .into_bytes();
    let spelled_length = u32::try_from(spelled.len()).unwrap().to_be_bytes();
    spelled.extend_from_slice(rest);
    vec![
        ("nothing", Vec::new()),
        ("no manifest", 0_u32.to_be_bytes().to_vec()),
        (
            "a manifest longer than the file",
            [u32::MAX.to_be_bytes().to_vec(), vec![0; 64]].concat(),
        ),
        ("two manifests", [content.clone(), content.clone()].concat()),
        (
            "bytes behind the last visit",
            [content.clone(), vec![0]].concat(),
        ),
        (
            "a manifest spelled otherwise",
            [spelled_length.to_vec(), spelled].concat(),
        ),
        (
            "no documents",
            with(
                &Manifest {
                    documents: vec![],
                    ..manifest.clone()
                },
                rest,
            ),
        ),
        ("one document twice", with(&twice, &[rest, rest].concat())),
        ("another id", line(&|l| l.id = DocumentId([7; 16]))),
        ("more changes than there are", line(&|l| l.changes += 1)),
        ("fewer changes than there are", line(&|l| l.changes -= 1)),
        (
            "no changes at all, of many",
            line(&|l| l.changes = usize::MAX),
        ),
        ("another length", line(&|l| l.bytes += 1)),
        (
            "a subject of any length",
            line(&|l| l.about_bytes = usize::MAX),
        ),
        ("another subject", line(&|l| l.about_bytes -= 1)),
        (
            "heads it hasn't got",
            line(&|l| l.heads = vec![gravelbar_ledger::ChangeHash([1; 32])]),
        ),
        ("no heads", line(&|l| l.heads.clear())),
        ("heads twice", line(&|l| l.heads.push(l.heads[0]))),
        ("four thousand million parcels", bomb(about, u32::MAX)),
        ("a proof longer than the file", bomb(about + 4, u32::MAX)),
        (
            "the other visit's changes",
            with(&foreign, &[&rest[..about], other_parcels].concat()),
        ),
    ]
}

#[test]
fn a_device_that_signs_nonsense_gets_nothing_in_and_takes_no_memory() {
    let held = document("QB-03, 18 August", 2, 6);
    let other = document("SR-02, 19 August", 2, 6);
    // The signature written a second time is the program's own.
    let file = pack(&[&held]);
    assert_eq!(signed(1, &file[26..content_end(&file)]), file);
    for (what, content) in hostile_contents(&held, &other) {
        let file = signed(9, &content);
        let mut taken = Some(0);
        let used = measure(|| taken = take(&file));
        assert_eq!(taken, None, "{what}");
        assert!(
            used.bytes_max < 4 * 1024 * 1024,
            "{what}: {} bytes",
            used.bytes_max
        );
    }
}

#[test]
fn parcels_in_another_order_and_changes_twice_are_no_document() {
    let held = document("QB-03, 18 August", 2, 300);
    let file = pack(&[&held]);
    let mut read = CarryFile::read(&file).unwrap();
    let carried = &mut read.documents[0];
    assert_eq!(carried.parcels.len(), 2);
    carried.parcels.reverse();
    assert!(carried.verify().is_err());
    carried.parcels.reverse();
    assert!(carried.verify().is_ok());
    let last = carried.parcels.pop().unwrap();
    assert_eq!(carried.verify().unwrap_err(), NotVerified::NotWhole);
    carried.parcels.push(last);
    let first = carried.parcels[1].changes[0];
    carried.parcels[1].changes.push(first);
    assert!(carried.verify().is_err());
}

#[test]
fn nobody_packs_a_record_as_another_devices_own() {
    let held = document("QB-03, 18 August", 2, 6);
    // A change of device 2 that nobody signed.
    let forger = Writer {
        device: packer(2).device().tag(),
        session: gravelbar_ledger::Session([66; 8]),
    };
    let log = held.ledger.log().iter().map(|c| c.bytes.to_vec());
    let (mut ledger, _) = Ledger::restore(held.ledger.about(), forger, log).unwrap();
    ledger
        .append(&["a forged tap".to_owned()], 1_770_000_000)
        .unwrap();
    let forged = Held {
        ledger,
        provenance: held.provenance.clone(),
    };
    let refused = packer(1).pack(&[forged.contents()], "p", 0);
    assert!(
        matches!(refused, Err(PackError::Unproved { .. })),
        "{refused:?}"
    );
    // Nor with a proof of other changes.
    let file = pack(&[&held]);
    let mut read = CarryFile::read(&file).unwrap();
    let carried = &mut read.documents[0];
    let bytes = forged.ledger.log().last().unwrap().bytes.to_vec();
    carried.parcels[0].changes.push(&bytes);
    assert!(matches!(carried.verify(), Err(NotVerified::Unproved(_))));
}

#[test]
fn what_cannot_be_packed_is_refused_in_words() {
    let held = document("QB-03", 1, 1);
    let none = packer(1).pack(&[], "p", 0);
    assert_eq!(none, Err(PackError::Documents(0)));
    assert!(Packer::bad().is_err());
    let unknown = Held {
        provenance: Provenance::new(held.ledger.id()),
        ledger: held.ledger,
    };
    let refused = packer(1).pack(&[unknown.contents()], "p", 0).unwrap_err();
    assert!(refused.to_string().contains("meet the device"), "{refused}");
}

/// A key that is none.
struct Packer;

impl Packer {
    fn bad() -> Result<gravelbar_exchange::Packer, PackError> {
        gravelbar_exchange::Packer::from_pkcs8(&pkcs8(1)[1..])
    }
}

#[test]
fn only_the_office_opens_what_was_sealed_to_it() {
    let held = document("QB-03, 18 August", 3, 1_400);
    let file = pack(&[&held]);
    let office = OfficeSecret::generate();
    let key = office.key().unwrap();
    let sealed = seal(&file, &key).unwrap();
    assert_eq!(form_of(&sealed), Ok(Form::Sealed));
    assert_eq!(unseal(&sealed, &office).unwrap(), file);
    assert_eq!(CarryFile::read(&sealed).unwrap_err(), CarryError::Sealed);
    // Nothing of the file shows, and no two sealed files are alike.
    let about = b"QB-03, 18 August";
    assert!(file.windows(about.len()).any(|w| w == about));
    assert!(!sealed.windows(about.len()).any(|w| w == about));
    assert_ne!(seal(&file, &key).unwrap(), sealed);
    // Another office, an open file, a file sealed twice.
    let other = unseal(&sealed, &OfficeSecret::generate());
    assert!(matches!(other, Err(SealError::OtherKey(_))));
    assert_eq!(unseal(&file, &office), Err(SealError::NotSealed));
    assert_eq!(
        seal(&sealed, &key),
        Err(SealError::File(CarryError::Sealed))
    );
    // Cut anywhere between stretches, or elsewhere.
    let stretch = 65_536 + 16;
    for end in (58..sealed.len())
        .step_by(stretch)
        .chain([18, 26, 30, 57, 59, sealed.len() - 1])
    {
        assert!(unseal(&sealed[..end], &office).is_err(), "{end}");
    }
    // Two stretches exchanged.
    let mut exchanged = sealed.clone();
    exchanged[58..58 + 2 * stretch].rotate_left(stretch);
    assert_eq!(
        unseal(&exchanged, &office),
        Err(SealError::Damaged { at: 58 })
    );
    let mut flipped = sealed;
    flipped[58 + stretch + 5] ^= 1;
    let at = 58 + stretch;
    assert_eq!(unseal(&flipped, &office), Err(SealError::Damaged { at }));
}

#[test]
fn office_keys_are_kept_as_text_and_their_halves_not_mixed_up() {
    let office = OfficeSecret::generate();
    let (public, secret) = (office.key().unwrap().to_string(), office.to_text());
    let again: OfficeSecret = format!(" {secret}\n").parse().unwrap();
    assert_eq!(again.key(), office.key());
    assert_eq!(public.parse::<OfficeKey>().unwrap(), office.key().unwrap());
    assert_eq!(secret.parse::<OfficeKey>(), Err(OfficeKeyError::OtherHalf));
    assert_eq!(
        public.parse::<OfficeSecret>().unwrap_err(),
        OfficeKeyError::OtherHalf
    );
    let cut = &public[..public.len() - 1];
    assert_eq!(cut.parse::<OfficeKey>(), Err(OfficeKeyError::NotAKey));
    assert_eq!(format!("{office:?}"), "OfficeSecret");
}

#[test]
fn what_is_too_long_is_refused_before_anything_is_read() {
    let long = vec![0; MAX_FILE_BYTES + 1];
    let used = measure(|| {
        let too_long = CarryError::TooLong { bytes: long.len() };
        assert_eq!(CarryFile::read(&long).unwrap_err(), too_long);
    });
    assert!(used.bytes_max < 1024);
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 3_000, ..ProptestConfig::default() })]

    #[test]
    fn thousands_of_flips_cuts_and_splices_let_nothing_in(
        flips in proptest::collection::vec((any::<proptest::sample::Index>(), 1..=u8::MAX), 1..4),
        cut in any::<proptest::sample::Index>(),
        what in 0..4_u8,
        resigned in any::<bool>(),
    ) {
        static FILE: std::sync::OnceLock<Vec<u8>> = std::sync::OnceLock::new();
        let file = FILE.get_or_init(|| pack(&[&document("QB-03, 18 August", 3, 40)]));
        let (start, end) = if resigned { (26, content_end(file)) } else { (0, file.len()) };
        let part = &file[start..end];
        let mut altered = part.to_vec();
        match what {
            0 => altered.truncate(cut.index(part.len())),
            1 => {
                let at = cut.index(part.len());
                altered.splice(at..at, part[..at].iter().copied());
            }
            _ => for (at, by) in flips {
                altered[at.index(part.len())] ^= by;
            },
        }
        prop_assume!(altered != part);
        let file = if resigned { signed(9, &altered) } else { altered };
        // Whoever signs for it may say what it likes about the program and the time.
        if let Ok(read) = CarryFile::read(&file) {
            let same = read.documents.iter().all(|d| d.verify().is_ok());
            prop_assert!(!same || resigned && (read.manifest.program != "gravelbar 0.1.0"
                || read.manifest.packed_at_s != 1_770_000_100));
        }
    }
}
