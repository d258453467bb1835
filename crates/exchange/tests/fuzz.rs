//! Any bytes: as a file, as the content of a file that a hostile device signed, as a sealed file.

#![expect(
    clippy::unwrap_used,
    reason = "a test stops where something is missing"
)]

mod crew;

use crew::{content_end, document, pack, signed};
use gravelbar_exchange::{CarryFile, OfficeSecret, form_of, unseal};

fn read(file: &[u8]) {
    form_of(file).ok();
    if let Ok(read) = CarryFile::read(file) {
        for carried in &read.documents {
            carried.verify().ok();
        }
    }
}

#[test]
fn any_bytes_are_read_or_refused() {
    let secret: OfficeSecret =
        "gravelbar-office-secret-1-0123456789abcdefghjkmnpqrstvwxyz0123456789abcdefghjg"
            .parse()
            .unwrap();
    let valid = pack(&[&document("QB-03", 2, 4)]);
    let content = valid[26..content_end(&valid)].to_vec();
    bolero::check!().for_each(|bytes: &[u8]| {
        let Some((how, bytes)) = bytes.split_first() else {
            return;
        };
        match how % 4 {
            0 => read(bytes),
            1 => read(&signed(1, bytes)),
            2 => {
                // A good content with some bytes written over from a place on.
                let mut altered = content.clone();
                if let [high, low, new @ ..] = bytes {
                    let at = usize::from(*high) * 256 + usize::from(*low);
                    let to = altered.len();
                    for (place, byte) in (at.min(to)..to).zip(new) {
                        altered[place] = *byte;
                    }
                }
                read(&signed(1, &altered));
            }
            _ => {
                let mut sealed = b"gravelbar carry\n\x01\x01".to_vec();
                sealed.extend_from_slice(bytes);
                assert!(unseal(&sealed, &secret).is_err());
            }
        }
    });
}
