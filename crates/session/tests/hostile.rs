//! A peer that lies, floods, babbles or speaks another version: no panic, no loop, no growth.

mod crew;

use crew::{Crew, Dice, Disk, change, document, writer};
use gravelbar_ledger::{DocumentId, Writer};
use gravelbar_session::{
    Event, FRAME_BYTES, Introduction, Limits, Offer, Parcel, ProtocolError, Session, Shelf, Vector,
};

const NOW_MS: i64 = 1_750_000_000_000;

/// Frames written by hand from `WIRE.md`, not by the code under test.
mod by_hand {
    use super::{DocumentId, Writer};

    pub(crate) fn varint(mut n: u64) -> Vec<u8> {
        let mut bytes = Vec::new();
        while n >= 0x80 {
            bytes.push(u8::try_from(n & 0x7f).unwrap_or_default() | 0x80);
            n >>= 7;
        }
        bytes.push(u8::try_from(n).unwrap_or_default());
        bytes
    }

    pub(crate) fn bytes(content: &[u8]) -> Vec<u8> {
        [varint(content.len() as u64), content.to_vec()].concat()
    }

    pub(crate) fn vector(entries: &[(Writer, u64)]) -> Vec<u8> {
        let mut bytes = varint(entries.len() as u64);
        for (writer, number) in entries {
            bytes.extend(writer.to_bytes());
            bytes.extend(varint(*number));
        }
        bytes
    }

    pub(crate) fn hello(newest: u64, oldest: u64) -> Vec<u8> {
        [
            vec![0x01],
            varint(newest),
            varint(oldest),
            bytes(b"Net 2"),
            bytes(b"by hand"),
        ]
        .concat()
    }

    pub(crate) fn offer(document: DocumentId, about: &[u8], entries: &[(Writer, u64)]) -> Vec<u8> {
        offer_standing(document, about, &[], entries)
    }

    pub(crate) fn offer_standing(
        document: DocumentId,
        about: &[u8],
        standing: &[u8],
        entries: &[(Writer, u64)],
    ) -> Vec<u8> {
        [
            vec![0x02],
            document.0.to_vec(),
            bytes(about),
            bytes(standing),
            vector(entries),
        ]
        .concat()
    }

    pub(crate) fn batch(
        document: DocumentId,
        number: u64,
        reach: &[(Writer, u64)],
        changes: &[&[u8]],
    ) -> Vec<u8> {
        batch_proved(document, number, reach, b"shown", changes)
    }

    pub(crate) fn batch_proved(
        document: DocumentId,
        number: u64,
        reach: &[(Writer, u64)],
        proof: &[u8],
        changes: &[&[u8]],
    ) -> Vec<u8> {
        let mut frame = [
            vec![0x03],
            document.0.to_vec(),
            varint(number),
            vector(reach),
            bytes(proof),
            varint(changes.len() as u64),
        ]
        .concat();
        for change in changes {
            frame.extend(bytes(change));
        }
        frame
    }

    pub(crate) fn stored(document: DocumentId, entries: &[(Writer, u64)]) -> Vec<u8> {
        [vec![0x04], document.0.to_vec(), vector(entries)].concat()
    }

    pub(crate) fn refused(document: DocumentId, batch: u64, why: &[u8]) -> Vec<u8> {
        [vec![0x05], document.0.to_vec(), varint(batch), bytes(why)].concat()
    }

    pub(crate) fn urgent(
        document: DocumentId,
        writer: Writer,
        number: u64,
        message: &[u8],
    ) -> Vec<u8> {
        [
            vec![0x06],
            document.0.to_vec(),
            writer.to_bytes().to_vec(),
            varint(number),
            bytes(message),
        ]
        .concat()
    }

    pub(crate) fn clock_ask(ask: u64) -> Vec<u8> {
        [vec![0x80], varint(ask)].concat()
    }
}

fn session() -> Session {
    let me = Introduction {
        name: "Bank".to_owned(),
        program: "test".to_owned(),
    };
    Session::new(me, Limits::default(), 1)
}

/// A disk with two documents: the first with 40 changes, the second with one.
fn disk() -> Disk {
    let mut disk = Disk::default();
    for _ in 0..40 {
        disk.append(document(1), writer(1, 1), 20);
    }
    disk.append(document(2), writer(1, 1), 20);
    disk
}

/// A session that has been greeted, and has said all it had to say to that.
fn greeted(disk: &Disk) -> Session {
    let mut session = session();
    let events = session.handle_frame(NOW_MS, &by_hand::hello(2, 2), disk);
    assert!(matches!(events.as_deref(), Ok([Event::Greeted { .. }])));
    drain(&mut session, disk);
    session
}

/// All that the session has to say now.
fn drain(session: &mut Session, disk: &Disk) -> Vec<Vec<u8>> {
    let mut frames = Vec::new();
    while let Some(frame) = session.poll(NOW_MS, disk) {
        assert!(frame.len() <= FRAME_BYTES);
        frames.push(frame);
        assert!(frames.len() < 5_000, "it doesn't stop talking");
    }
    frames
}

fn kinds(frames: &[Vec<u8>]) -> Vec<u8> {
    frames.iter().map(|frame| frame[0]).collect()
}

#[test]
fn the_frames_are_what_the_document_says() {
    let mut disk = Disk::default();
    disk.append(document(7), writer(3, 2), 0);
    let mut session = session();
    let hello = session.poll(NOW_MS, &disk);
    let mut expected = vec![0x01, 2, 2, 4];
    expected.extend(b"Bank\x04test");
    assert_eq!(hello, Some(expected));
    assert_eq!(
        session.poll(NOW_MS, &disk),
        None,
        "nothing before it is greeted"
    );

    let greeting = session.handle_frame(NOW_MS, &by_hand::hello(2, 2), &disk);
    assert_eq!(
        greeting,
        Ok(vec![Event::Greeted {
            name: "Net 2".to_owned(),
            program: "by hand".to_owned()
        }])
    );
    let about = crew::about(document(7));
    let held = [(writer(3, 2), 1)];
    let standing = crew::standing(&Vector::from(held));
    let offer = by_hand::offer_standing(document(7), about.as_bytes(), &standing, &held);
    assert_eq!(drain(&mut session, &disk), [by_hand::clock_ask(1), offer]);

    // The peer wants the document and has nothing of it.
    let wanted = by_hand::offer(document(7), b"", &[]);
    let events = session.handle_frame(NOW_MS, &wanted, &disk);
    let vector = Vector::new();
    assert_eq!(
        events,
        Ok(vec![Event::PeerHas {
            document: document(7),
            vector
        }])
    );
    let bytes = change(writer(3, 2), 1, &Vector::new(), 0);
    let proof = crew::proof([&*bytes].into_iter());
    let batch = by_hand::batch_proved(document(7), 1, &held, &proof, &[&bytes]);
    assert_eq!(drain(&mut session, &disk), [batch]);

    // It acknowledges, and sends one of its own, which is stored here and acknowledged in turn.
    let events = session.handle_frame(NOW_MS, &by_hand::stored(document(7), &held), &disk);
    let vector = Vector::from(held);
    assert_eq!(
        events,
        Ok(vec![Event::PeerHas {
            document: document(7),
            vector
        }])
    );
    let batch = by_hand::batch(document(7), 1, &[(writer(4, 1), 1)], &[b"one"]);
    let events = session.handle_frame(NOW_MS, &batch, &disk);
    assert_eq!(
        events,
        Ok(vec![
            Event::Arrived {
                document: document(7),
                batch: 1,
                changes: vec![b"one".to_vec()],
                proof: b"shown".to_vec()
            },
            Event::PeerHas {
                document: document(7),
                vector: Vector::from([(writer(3, 2), 1), (writer(4, 1), 1)])
            }
        ])
    );
    assert_eq!(
        drain(&mut session, &disk),
        Vec::<Vec<u8>>::new(),
        "not stored yet"
    );
    let now = Vector::from([(writer(3, 2), 1), (writer(4, 1), 1)]);
    session.handle_stored(document(7), &now);
    let told = by_hand::stored(document(7), &[(writer(4, 1), 1)]);
    assert_eq!(drain(&mut session, &disk), [told], "only what is new");
    session.handle_stored(document(7), &now);
    assert_eq!(
        drain(&mut session, &disk),
        Vec::<Vec<u8>>::new(),
        "it was told"
    );

    // And one that isn't taken.
    let batch = by_hand::batch(document(7), 2, &[(writer(4, 1), 2)], &[b"two"]);
    assert!(session.handle_frame(NOW_MS, &batch, &disk).is_ok());
    session.handle_refused(document(7), 2, "not a record");
    let told = by_hand::refused(document(7), 2, b"not a record");
    assert_eq!(drain(&mut session, &disk), [told]);

    // The clock: asked at once, answered with the time of receipt and of the answer.
    assert!(
        session
            .handle_frame(NOW_MS + 5, &by_hand::clock_ask(300), &disk)
            .is_ok()
    );
    let zigzag = |ms: i64| by_hand::varint(u64::try_from(ms * 2).unwrap_or_default());
    let answer = [
        vec![0x81],
        by_hand::varint(300),
        zigzag(NOW_MS + 5),
        zigzag(NOW_MS + 9),
    ]
    .concat();
    assert_eq!(session.poll(NOW_MS + 9, &disk), Some(answer));
}

#[test]
fn an_older_program_is_told_which_to_bring_up_to_date() {
    let mut session = session();
    let error = session.handle_frame(NOW_MS, &by_hand::hello(9, 8), &disk());
    let expected = ProtocolError::Version {
        theirs_newest: 9,
        theirs_oldest: 8,
    };
    assert_eq!(error, Err(expected.clone()));
    // It still greets, so that the other side finds out the same; then it is silent.
    assert_eq!(kinds(&drain(&mut session, &disk())), [0x01]);
    assert_eq!(session.poll_timeout(), None);
    let again = session.handle_frame(NOW_MS, &by_hand::hello(2, 2), &disk());
    assert_eq!(again, Err(expected));
}

#[test]
fn a_newer_program_that_still_speaks_this_version_is_understood() {
    let mut longer_hello = by_hand::hello(9, 2);
    longer_hello.extend(b"what version nine adds");
    let mut session = session();
    assert!(session.handle_frame(NOW_MS, &longer_hello, &disk()).is_ok());
    // What may be passed over is; what may not ends the talk.
    assert_eq!(
        session.handle_frame(NOW_MS, &[0x90, 1, 2], &disk()),
        Ok(vec![])
    );
    assert_eq!(
        session.handle_frame(NOW_MS, &[0x7f, 1, 2], &disk()),
        Err(ProtocolError::UnknownKind { kind: 0x7f })
    );
}

#[test]
fn nothing_is_said_to_who_does_not_greet() {
    for frame in [
        by_hand::clock_ask(1),
        by_hand::offer(document(1), b"", &[]),
        by_hand::stored(document(1), &[]),
    ] {
        let mut session = session();
        let error = session.handle_frame(NOW_MS, &frame, &disk());
        assert!(matches!(error, Err(ProtocolError::OutOfTurn { .. })));
    }
    let mut session = greeted(&disk());
    let twice = session.handle_frame(NOW_MS, &by_hand::hello(2, 2), &disk());
    assert!(matches!(twice, Err(ProtocolError::OutOfTurn { .. })));
}

/// The peer claims to hold what it lacks. It goes without on this connection; nothing waits for
/// it, and the next connection looks afresh.
#[test]
fn a_peer_that_claims_too_much_harms_only_itself() {
    let mut disk = disk();
    let mut session = greeted(&disk);
    let claim = by_hand::offer(document(1), b"", &[(writer(1, 1), u64::MAX)]);
    assert!(session.handle_frame(NOW_MS, &claim, &disk).is_ok());
    assert_eq!(drain(&mut session, &disk), Vec::<Vec<u8>>::new());
    // Others' changes still go out, and other documents.
    disk.append(document(1), writer(5, 5), 0);
    session.handle_changed(document(1));
    assert_eq!(kinds(&drain(&mut session, &disk)), [0x03]);
    let honest = by_hand::offer(document(2), b"", &[]);
    assert!(session.handle_frame(NOW_MS, &honest, &disk).is_ok());
    assert_eq!(kinds(&drain(&mut session, &disk)), [0x03]);

    let mut session = greeted(&disk);
    let truth = by_hand::offer(document(1), b"", &[]);
    assert!(session.handle_frame(NOW_MS, &truth, &disk).is_ok());
    assert_eq!(kinds(&drain(&mut session, &disk)), [0x03]);
}

/// A batch that names a reach it doesn't bring is never answered, and after four of those the peer is
/// cut off; it can't make us wait or keep more.
#[test]
fn a_peer_that_names_more_than_it_sends_is_cut_off_after_four_batches() {
    let disk = disk();
    let mut session = greeted(&disk);
    for number in 1..=5 {
        let reach = [(writer(9, 9), number * 1_000)];
        let batch = by_hand::batch(document(1), number, &reach, &[b"x"]);
        let result = session.handle_frame(NOW_MS, &batch, &disk);
        let held = disk.0[&document(1)].vector.clone();
        session.handle_stored(document(1), &held);
        drain(&mut session, &disk);
        assert_eq!(result.is_ok(), number < 5, "{result:?}");
    }
}

#[test]
fn a_peer_that_never_acknowledges_gets_four_batches_and_other_documents() {
    let disk = disk();
    let me = Introduction {
        name: "Bank".to_owned(),
        program: "test".to_owned(),
    };
    let limits = Limits {
        batch_changes: 5,
        ..Limits::default()
    };
    let mut session = Session::new(me, limits, 1);
    assert!(
        session
            .handle_frame(NOW_MS, &by_hand::hello(2, 2), &disk)
            .is_ok()
    );
    drain(&mut session, &disk);
    let wanted = by_hand::offer(document(1), b"", &[]);
    assert!(session.handle_frame(NOW_MS, &wanted, &disk).is_ok());
    assert_eq!(kinds(&drain(&mut session, &disk)), [3; 4]);
    session.handle_changed(document(1));
    assert_eq!(drain(&mut session, &disk), Vec::<Vec<u8>>::new());
    let wanted = by_hand::offer(document(2), b"", &[]);
    assert!(session.handle_frame(NOW_MS, &wanted, &disk).is_ok());
    assert_eq!(kinds(&drain(&mut session, &disk)), [3]);
    // Refusing counts as an answer, and what was refused isn't sent again.
    let refused = by_hand::refused(document(1), 1, b"no");
    let events = session.handle_frame(NOW_MS, &refused, &disk);
    let reach = Vector::from([(writer(1, 1), 5)]);
    let why = "no".to_owned();
    assert_eq!(
        events,
        Ok(vec![Event::Refused {
            document: document(1),
            reach,
            why
        }])
    );
    let next = drain(&mut session, &disk);
    assert_eq!(kinds(&next), [3]);
    let reach = by_hand::vector(&[(writer(1, 1), 25)]);
    assert_eq!(next[0][18..18 + reach.len()], reach);
    // The same again refuses nothing.
    assert_eq!(session.handle_frame(NOW_MS, &refused, &disk), Ok(vec![]));
}

#[test]
fn a_document_that_this_peer_may_not_have_is_neither_sent_nor_taken() {
    let mut disk = disk();
    let mut session = greeted(&disk);
    // Never offered: asking for it is news, sending to it is out of turn.
    let foreign = by_hand::offer(document(9), b"theirs", &[]);
    let events = session.handle_frame(NOW_MS, &foreign, &disk);
    assert!(matches!(events.as_deref(), Ok([Event::Offered { .. }])));
    assert_eq!(drain(&mut session, &disk), Vec::<Vec<u8>>::new());

    // Taken from the shelf after it was offered: what comes is refused, nothing goes out.
    let wanted = by_hand::offer(document(1), b"", &[]);
    let log = disk.0.remove(&document(1));
    assert!(session.handle_frame(NOW_MS, &wanted, &disk).is_ok());
    session.handle_changed(document(1));
    session.handle_stored(document(1), &log.unwrap_or_default().vector);
    assert_eq!(drain(&mut session, &disk), Vec::<Vec<u8>>::new());
    let batch = by_hand::batch(document(1), 1, &[(writer(8, 8), 1)], &[b"x"]);
    assert_eq!(session.handle_frame(NOW_MS, &batch, &disk), Ok(vec![]));
    let told = by_hand::refused(document(1), 1, b"this document isn't shared with you");
    assert_eq!(drain(&mut session, &disk), [told]);

    let batch = by_hand::batch(document(9), 2, &[(writer(8, 8), 1)], &[b"x"]);
    let error = session.handle_frame(NOW_MS, &batch, &disk);
    assert!(matches!(error, Err(ProtocolError::OutOfTurn { .. })));
}

/// A shelf on which everything is still readable, and nothing offered any more.
struct Withdrawn<'a>(&'a Disk);

impl Shelf for Withdrawn<'_> {
    fn offers(&self) -> Vec<Offer> {
        Vec::new()
    }

    fn missing(
        &self,
        document: DocumentId,
        than: &Vector,
        max_changes: usize,
        max_bytes: usize,
    ) -> Parcel {
        self.0.missing(document, than, max_changes, max_bytes)
    }
}

#[test]
fn who_was_shut_out_while_connected_gets_no_further_change() {
    let disk = disk();
    let mut session = greeted(&disk);
    let wanted = by_hand::offer(document(1), b"", &[]);
    assert!(session.handle_frame(NOW_MS, &wanted, &disk).is_ok());
    session.handle_changed(document(1));
    assert_eq!(session.poll(NOW_MS, &Withdrawn(&disk)), None);
    // Admitted again, it goes on.
    session.handle_changed(document(1));
    assert_eq!(kinds(&drain(&mut session, &disk)), [0x03]);
}

#[test]
fn a_document_taken_up_later_is_offered_then_and_filled() {
    let mut disk = disk();
    let mut session = greeted(&disk);
    let theirs = by_hand::offer(document(9), b"theirs", &[(writer(8, 8), 3)]);
    let events = session.handle_frame(NOW_MS, &theirs, &disk);
    assert_eq!(
        events,
        Ok(vec![Event::Offered {
            document: document(9),
            about: "theirs".to_owned(),
            vector: Vector::from([(writer(8, 8), 3)])
        }])
    );
    disk.0.entry(document(9)).or_default().about = "theirs".to_owned();
    session.handle_changed(document(9));
    let offer = by_hand::offer(document(9), b"theirs", &[]);
    assert_eq!(drain(&mut session, &disk), [offer]);
}

#[test]
fn a_flood_of_small_frames_makes_no_answer_grow() {
    let disk = disk();
    let mut session = greeted(&disk);
    for ask in 0..100_000 {
        let frame = by_hand::clock_ask(ask);
        assert_eq!(session.handle_frame(NOW_MS, &frame, &disk), Ok(vec![]));
    }
    assert_eq!(kinds(&drain(&mut session, &disk)), [0x81]);
    for n in 0..=1_024 {
        let result = session.handle_frame(NOW_MS, &[0xee; 40], &disk);
        assert_eq!(result.is_ok(), n < 1_024);
    }
}

#[test]
fn offers_are_counted_and_none_comes_twice() {
    let disk = disk();
    let name = |n: u64| DocumentId([n.to_be_bytes(), [3; 8]].concat().try_into().expect("16"));
    let mut session = greeted(&disk);
    for n in 0..=1_024 {
        let frame = by_hand::offer(name(n), b"", &[]);
        let result = session.handle_frame(NOW_MS, &frame, &disk);
        assert_eq!(result.is_ok(), n < 1_024);
    }
    let mut session = greeted(&disk);
    let frame = by_hand::offer(name(1), b"", &[]);
    assert!(session.handle_frame(NOW_MS, &frame, &disk).is_ok());
    let twice = session.handle_frame(NOW_MS, &frame, &disk);
    assert!(matches!(twice, Err(ProtocolError::OutOfTurn { .. })));
}

#[test]
fn writers_are_counted_over_all_documents() {
    let disk = disk();
    let mut session = greeted(&disk);
    let entries: Vec<_> = (0..16_384).map(|n| (writer(n, 1), 1)).collect();
    for n in 0..=4_u8 {
        let frame = by_hand::offer(document(100 + n), b"", &entries);
        let result = session.handle_frame(NOW_MS, &frame, &disk);
        assert_eq!(result.is_ok(), n < 4, "{n}");
    }
}

#[test]
fn lengths_are_checked_against_what_is_there() {
    let disk = disk();
    let long_about = vec![b'a'; 16 * 1024 + 1];
    let many: Vec<_> = (0..=16_384).map(|n| (writer(n, 1), 1)).collect();
    let one = [(writer(8, 8), 1)];
    let unsorted = [(writer(9, 1), 1), (writer(8, 1), 1)];
    let huge = by_hand::varint(u64::MAX);
    let name = document(1).0.to_vec();
    for (what, frame) in [
        ("nothing", vec![]),
        ("a kind only", vec![0x02]),
        (
            "a longer text",
            by_hand::offer(document(1), &long_about, &[]),
        ),
        (
            "not a text",
            by_hand::offer(document(1), &[0xff, 0xfe], &[]),
        ),
        ("more writers", by_hand::offer(document(1), b"", &many)),
        ("unsorted writers", by_hand::stored(document(1), &unsorted)),
        (
            "a writer twice",
            by_hand::stored(document(1), &[one[0], one[0]]),
        ),
        (
            "more changes",
            by_hand::batch(document(1), 1, &one, &[&b"x"[..]; 257]),
        ),
        ("no changes", by_hand::batch(document(1), 1, &one, &[])),
        ("no reach", by_hand::batch(document(1), 1, &[], &[b"x"])),
        (
            "a wider reach",
            by_hand::batch(document(1), 1, &[one[0], (writer(9, 9), 1)], &[b"x"]),
        ),
        (
            "a vector without end",
            [vec![0x04], name.clone(), huge.clone()].concat(),
        ),
        (
            "changes without end",
            [
                vec![0x03],
                name.clone(),
                vec![1],
                by_hand::vector(&one),
                huge.clone(),
            ]
            .concat(),
        ),
        (
            "a change without end",
            [
                vec![0x03],
                name.clone(),
                vec![1],
                by_hand::vector(&one),
                vec![1],
                huge.clone(),
            ]
            .concat(),
        ),
        (
            "a text without end",
            [vec![0x02], name.clone(), huge].concat(),
        ),
        ("bytes left over", [by_hand::clock_ask(1), vec![0]].concat()),
    ] {
        let mut session = greeted(&disk);
        let error = session.handle_frame(NOW_MS, &frame, &disk);
        assert_eq!(error, Err(ProtocolError::Malformed), "{what}");
    }
    let mut session = greeted(&disk);
    let error = session.handle_frame(NOW_MS, &vec![0x80; FRAME_BYTES + 1], &disk);
    let bytes = FRAME_BYTES + 1;
    assert_eq!(error, Err(ProtocolError::FrameTooLong { bytes }));
}

#[test]
fn what_is_over_a_limit_here_is_not_offered_and_counted() {
    let mut disk = disk();
    let long = disk.0.entry(document(50)).or_default();
    long.about = "a".repeat(16 * 1024 + 1);
    let wide = disk.0.entry(document(51)).or_default();
    wide.vector = (0..=16_384).map(|n| (writer(n, 1), 1)).collect();
    let mut session = session();
    assert!(
        session
            .handle_frame(NOW_MS, &by_hand::hello(2, 2), &disk)
            .is_ok()
    );
    let offers = kinds(&drain(&mut session, &disk));
    assert_eq!(offers.iter().filter(|kind| **kind == 0x02).count(), 2);
    assert_eq!(session.unoffered(), 2);
}

#[test]
fn random_bytes_never_panic() {
    let disk = disk();
    let mut dice = Dice::new(1);
    let mut understood = 0;
    for _ in 0..25_000 {
        let mut session = if dice.below(8) == 0 {
            session()
        } else {
            greeted_cheaply(&disk)
        };
        for _ in 0..3 {
            let length = dice.below(120);
            let mut frame: Vec<u8> = (0..length).map(|_| small(&mut dice)).collect();
            if let Some(kind) = frame.first_mut() {
                *kind = [1, 2, 3, 4, 5, 0x80, 0x81, 6, 0x99][dice.below(9)];
            }
            understood += usize::from(session.handle_frame(NOW_MS, &frame, &disk).is_ok());
            session.poll(NOW_MS, &disk);
        }
    }
    assert!(understood > 1_000, "only {understood} were read at all");
}

/// Bytes that are often small, so that counts and lengths often fit.
fn small(dice: &mut Dice) -> u8 {
    let byte = u8::try_from(dice.below(256)).unwrap_or_default();
    if dice.below(2) == 0 { byte % 4 } else { byte }
}

fn greeted_cheaply(disk: &Disk) -> Session {
    let mut session = session();
    let _ = session.handle_frame(NOW_MS, &by_hand::hello(2, 2), disk);
    session
}

/// Honest frames with one to four bytes changed, cut or doubled, at the point where they belong.
#[test]
fn damaged_frames_never_panic_and_never_stop_the_talk_from_ending() {
    let disk = disk();
    let honest = [
        by_hand::hello(2, 2),
        by_hand::offer(document(1), b"about", &[(writer(1, 1), 3)]),
        by_hand::batch(document(1), 1, &[(writer(8, 8), 2)], &[b"one", b"two"]),
        by_hand::stored(document(1), &[(writer(1, 1), 20), (writer(8, 8), 2)]),
        by_hand::refused(document(1), 1, b"why"),
        by_hand::urgent(document(1), writer(8, 8), 3, b"stop"),
        by_hand::clock_ask(1),
        [
            vec![0x81, 1],
            by_hand::varint(1 << 41),
            by_hand::varint(1 << 41),
        ]
        .concat(),
    ];
    let mut dice = Dice::new(2);
    let (mut refused, mut taken) = (0, 0);
    for _ in 0..20_000 {
        let mut session = session();
        session.poll(NOW_MS, &disk);
        let damaged = dice.below(honest.len());
        for (at, frame) in honest.iter().enumerate() {
            let mut frame = frame.clone();
            if at == damaged {
                for _ in 0..=dice.below(4) {
                    let place = dice.below(frame.len());
                    match dice.below(4) {
                        0 => frame.truncate(place),
                        1 => frame.extend_from_within(place..),
                        _ => {
                            if let Some(byte) = frame.get_mut(place) {
                                *byte = small(&mut dice);
                            }
                        }
                    }
                }
            }
            match session.handle_frame(NOW_MS, &frame, &disk) {
                Ok(_) => taken += 1,
                Err(_) => refused += 1,
            }
            for _ in 0..20 {
                session.poll(NOW_MS, &disk);
            }
            assert_eq!(session.poll(NOW_MS, &disk), None);
        }
    }
    assert!(refused > 10_000 && taken > 10_000, "{refused} {taken}");
}

/// Two devices with clocks seven minutes apart measure it, each with the sign that the other's has.
#[test]
fn each_side_measures_how_far_the_other_is_ahead() {
    let disk = Disk::default();
    let (mut bank, mut net) = (session(), session());
    let ahead_ms = 7 * 60_000;
    let (mut seen_by_bank, mut seen_by_net) = (None, None);
    let mut bank_ms = NOW_MS;
    for _ in 0..10 {
        // Each way takes 30 ms; the net's clock is ahead.
        for frame in drain_at(&mut bank, bank_ms, &disk) {
            let events = net.handle_frame(bank_ms + 30 + ahead_ms, &frame, &disk);
            seen_by_net = measured(&events.expect("honest")).or(seen_by_net);
        }
        bank_ms += 30;
        for frame in drain_at(&mut net, bank_ms + ahead_ms, &disk) {
            let events = bank.handle_frame(bank_ms + 30, &frame, &disk);
            seen_by_bank = measured(&events.expect("honest")).or(seen_by_bank);
        }
        bank_ms += 30;
    }
    assert_eq!(seen_by_bank, Some((ahead_ms, 30)));
    assert_eq!(seen_by_net, Some((-ahead_ms, 30)));
    assert!(bank.poll_timeout().is_some_and(|at| at > bank_ms));
}

fn drain_at(session: &mut Session, now_ms: i64, disk: &Disk) -> Vec<Vec<u8>> {
    std::iter::from_fn(|| session.poll(now_ms, disk)).collect()
}

fn measured(events: &[Event]) -> Option<(i64, i64)> {
    events.iter().find_map(|event| match event {
        Event::Clock {
            offset_ms,
            uncertainty_ms,
        } => Some((*offset_ms, *uncertainty_ms)),
        _ => None,
    })
}

/// What waits for a slow peer waits on the shelf, not in the session.
#[test]
fn a_peer_that_reads_nothing_makes_nothing_pile_up() {
    let mut crew = Crew::new(2, Limits::default());
    crew.write(0, document(1), 0);
    crew.meet(0, 1);
    let road = crew.roads()[0];
    for _ in 0..10 {
        for end in 0..2 {
            crew.send(road, end);
            crew.deliver(road, end);
        }
        crew.store(1);
    }
    // From here on the second device takes nothing off the road.
    let before = crew.frames_sent;
    for _ in 0..2_000 {
        crew.write(0, document(1), 0);
        while crew.send(road, 0) {}
    }
    assert!(
        crew.frames_sent - before <= 4,
        "{}",
        crew.frames_sent - before
    );
}

/// What is urgent goes ahead of all else, once to each peer that lacks it, and never back.
#[test]
fn an_urgent_message_goes_first_and_once() {
    let mut disk = disk();
    let log = disk.0.get_mut(&document(1)).expect("there");
    log.urgent = [(writer(1, 1), 7), (writer(1, 1), 30)].into();
    let mut session = greeted(&disk);
    // A peer that holds the first of the two, and hasn't been sent anything yet.
    let wanted = by_hand::offer(document(1), b"", &[(writer(1, 1), 7)]);
    assert!(
        session
            .handle_frame(NOW_MS, &by_hand::clock_ask(9), &disk)
            .is_ok()
    );
    assert!(session.handle_frame(NOW_MS, &wanted, &disk).is_ok());
    let said = drain(&mut session, &disk);
    assert_eq!(kinds(&said), [0x06, 0x81, 0x03]);
    assert_eq!(
        said[0],
        by_hand::urgent(document(1), writer(1, 1), 30, b"stop 30")
    );
    session.handle_changed(document(1));
    assert!(!kinds(&drain(&mut session, &disk)).contains(&0x06), "once");

    // One that the peer sent itself isn't sent back to it, stored here or not.
    let heard = by_hand::urgent(document(1), writer(6, 6), 2, b"stop");
    let events = session.handle_frame(NOW_MS, &heard, &disk);
    assert!(
        matches!(events.as_deref(), Ok([Event::Urgent { urgent, .. }]) if urgent.bytes == b"stop")
    );
    let log = disk.0.get_mut(&document(1)).expect("there");
    log.urgent.insert((writer(6, 6), 2));
    session.handle_changed(document(1));
    assert!(!kinds(&drain(&mut session, &disk)).contains(&0x06));

    // On a new connection it goes again until the peer says that it has the change.
    let mut session = greeted(&disk);
    let wanted = by_hand::offer(document(1), b"", &[(writer(6, 6), 2)]);
    assert!(session.handle_frame(NOW_MS, &wanted, &disk).is_ok());
    let said = drain(&mut session, &disk);
    assert_eq!(kinds(&said), [0x06, 0x06, 0x03]);
}

#[test]
fn urgent_messages_are_bounded_and_belong_to_a_shared_document() {
    let mut disk = disk();
    let mut session = greeted(&disk);
    let foreign = by_hand::urgent(document(9), writer(6, 6), 1, b"stop");
    let error = session.handle_frame(NOW_MS, &foreign, &disk);
    assert!(matches!(error, Err(ProtocolError::OutOfTurn { .. })));

    let mut session = greeted(&disk);
    for n in 0..=4_096 {
        let frame = by_hand::urgent(document(1), writer(6, 6), n, b"stop");
        let result = session.handle_frame(NOW_MS, &frame, &disk);
        assert_eq!(result.is_ok(), n < 4_096, "{n}");
    }

    let mut session = greeted(&disk);
    let long = by_hand::urgent(document(1), writer(6, 6), 1, &vec![0; 64 * 1024 + 1]);
    let error = session.handle_frame(NOW_MS, &long, &disk);
    assert_eq!(error, Err(ProtocolError::Malformed));

    // A shelf that has no end of them is cut off, and changes go on.
    let log = disk.0.get_mut(&document(1)).expect("there");
    log.urgent = (1..=5_000).map(|n| (writer(2, 2), n)).collect();
    let mut session = greeted(&disk);
    let wanted = by_hand::offer(document(1), b"", &[]);
    assert!(session.handle_frame(NOW_MS, &wanted, &disk).is_ok());
    let said = kinds(&drain(&mut session, &disk));
    assert_eq!(said.iter().filter(|kind| **kind == 0x06).count(), 4_096);
    assert_eq!(said.last(), Some(&0x03));
}

/// What others wrote waits a little, and isn't sent to who has told that it has it.
#[test]
fn what_others_wrote_is_held_back_and_what_this_device_wrote_is_not() {
    let mut disk = disk();
    let mut session = greeted(&disk);
    let wanted = by_hand::offer(document(1), b"", &[(writer(1, 1), 40)]);
    assert!(session.handle_frame(NOW_MS, &wanted, &disk).is_ok());
    assert_eq!(drain(&mut session, &disk), Vec::<Vec<u8>>::new());

    // Heard from elsewhere: told after 40 ms, sent after 100 to 250.
    disk.append(document(1), writer(5, 5), 0);
    let held = disk.0[&document(1)].vector.clone();
    session.handle_relayed(NOW_MS, document(1), &held);
    assert_eq!(session.poll(NOW_MS, &disk), None);
    assert_eq!(session.poll_timeout(), Some(NOW_MS + 40));
    let told = by_hand::stored(document(1), &[(writer(5, 5), 1)]);
    assert_eq!(drain_at(&mut session, NOW_MS + 40, &disk), [told]);
    let due_ms = session.poll_timeout().expect("held");
    assert!((NOW_MS + 100..=NOW_MS + 250).contains(&due_ms), "{due_ms}");
    assert!(drain_at(&mut session, due_ms - 1, &disk).is_empty());
    assert_eq!(kinds(&drain_at(&mut session, due_ms, &disk)), [0x03]);

    // Again, and this time the peer tells in between that it has it.
    disk.append(document(1), writer(5, 5), 0);
    let held = disk.0[&document(1)].vector.clone();
    let told = by_hand::stored(document(1), &[(writer(5, 5), 2)]);
    assert!(session.handle_frame(due_ms, &told, &disk).is_ok());
    session.handle_relayed(due_ms, document(1), &held);
    let said = kinds(&drain_at(&mut session, due_ms + 300, &disk));
    assert!(!said.contains(&0x03), "{said:x?}");

    // Its own goes at once, with what it builds on.
    disk.append(document(1), writer(5, 5), 0);
    let held = disk.0[&document(1)].vector.clone();
    session.handle_relayed(due_ms + 300, document(1), &held);
    disk.append(document(1), writer(1, 1), 0);
    session.handle_changed(document(1));
    let said = drain_at(&mut session, due_ms + 300, &disk);
    assert_eq!(kinds(&said), [0x03]);
    let reach = by_hand::vector(&[(writer(1, 1), 41), (writer(5, 5), 3)]);
    assert_eq!(said[0][18..18 + reach.len()], reach);
}

/// A hold ends at once when the clock it was made by is set back.
#[test]
fn a_clock_set_back_ten_years_holds_nothing_back_for_ten_years() {
    let mut disk = disk();
    let mut session = greeted(&disk);
    let wanted = by_hand::offer(document(1), b"", &[(writer(1, 1), 40)]);
    assert!(session.handle_frame(NOW_MS, &wanted, &disk).is_ok());
    disk.append(document(1), writer(5, 5), 0);
    let held = disk.0[&document(1)].vector.clone();
    session.handle_relayed(NOW_MS, document(1), &held);
    let earlier_ms = NOW_MS - 315_360_000_000;
    let said = kinds(&drain_at(&mut session, earlier_ms, &disk));
    assert!(said.contains(&0x03), "{said:x?}");
}
