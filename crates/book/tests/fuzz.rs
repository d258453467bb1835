//! Any bytes, read as the texts of a crew book: nothing panics, what is read and written again is
//! the same, and nobody but the founder leads. Replays the committed corpus, then tries random bytes.
//!
//! Guided by coverage, for as long as one likes: see "Fuzzing" in DEVELOPERS.md.

use gravelbar_book::{Book, DeviceKey, Entry, Founding};
use gravelbar_ledger::{
    DeviceTag, Ledger, MAX_BODY_BYTES, MAX_RECORDS_PER_CHANGE, Session, Writer,
};

/// The texts in `bytes`, a line feed between each two. The first bit of a text's first byte says
/// whether the founder's device or a stranger's writes it; it is taken off.
fn texts(bytes: &[u8]) -> (Vec<String>, Vec<String>) {
    let (mut founders, mut strangers) = (Vec::new(), Vec::new());
    for line in bytes
        .split(|b| *b == b'\n')
        .take(MAX_RECORDS_PER_CHANGE / 4)
    {
        let text: String = String::from_utf8_lossy(line).chars().take(2_000).collect();
        let (stranger, text) = match text.strip_prefix('~') {
            Some(rest) => (true, rest.to_owned()),
            None => (false, text),
        };
        if !text.is_empty() && text.len() <= MAX_BODY_BYTES {
            let kept = if stranger {
                &mut strangers
            } else {
                &mut founders
            };
            kept.push(text);
        }
    }
    (founders, strangers)
}

fn writer(device: DeviceTag) -> Writer {
    Writer {
        device,
        session: Session([7; 8]),
    }
}

#[test]
fn any_texts_are_read_the_same_by_everybody_and_give_nobody_a_right() {
    let founder = DeviceKey([1; 32]);
    let founding = Founding::new("Quillet crew", founder, [9; 16]).unwrap();
    bolero::check!().for_each(|bytes: &[u8]| {
        if let Ok(text) = std::str::from_utf8(bytes) {
            if let Ok(read) = Founding::from_about(text) {
                assert_eq!(Founding::from_about(&read.about()), Ok(read));
            }
            if let Ok(entry) = serde_json::from_str::<Entry>(text) {
                let written = serde_json::to_string(&entry).unwrap();
                let again: Entry = serde_json::from_str(&written).unwrap();
                // Written once more it is the same text, whatever was left out or typed twice.
                assert_eq!(serde_json::to_string(&again).unwrap(), written);
                assert_eq!(again.check().is_ok(), entry.check().is_ok());
            }
        }
        let (founders, strangers) = texts(bytes);
        let mut changes = Vec::new();
        for (device, bodies) in [(founder.tag(), founders), (DeviceTag([2; 8]), strangers)] {
            let mut ledger = Ledger::create(&founding.about(), writer(device)).unwrap();
            if let Ok(appended) = ledger.append(&bodies, 1_770_000_000) {
                changes.push(appended.change.bytes.to_vec());
            }
        }
        let open = |changes: Vec<Vec<u8>>| {
            let reader = writer(DeviceTag([3; 8]));
            Book::restore(&founding.about(), reader, changes).unwrap().0
        };
        let view = open(changes.clone()).view();
        changes.reverse();
        assert_eq!(open(changes).view(), view);
        assert!(view.roster.lines.len() + view.aside.len() <= view.records);
        // A stranger gives nothing, and what the founder's device gives it gives by name.
        assert!(
            !view.roster.may_change(DeviceTag([2; 8])) || {
                let mut given = view
                    .roster
                    .lines
                    .iter()
                    .filter_map(|l| l.entry.grant.as_ref());
                given.any(|g| g.key.tag() == DeviceTag([2; 8]))
            }
        );
        for line in view
            .roster
            .lines
            .iter()
            .filter(|l| l.record.writer.device != founder.tag())
        {
            assert!(line.effect != gravelbar_book::Effect::Counts || view.roster.epoch > 1);
        }
    });
}
