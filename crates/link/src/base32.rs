//! Bytes as text that a person can read out: base 32 without letters that look like digits.

/// Digits and letters without i, l, o (which look like digits) and u.
const DIGITS: &[u8; 32] = b"0123456789abcdefghjkmnpqrstvwxyz";

/// Writes bytes, most significant bits first, the last digit filled up with noughts.
pub(crate) fn write(bytes: &[u8]) -> String {
    let mut text = String::with_capacity((bytes.len() * 8).div_ceil(5));
    let mut pending = 0_u32;
    let mut bits = 0;
    for byte in bytes {
        pending = (pending << 8) | u32::from(*byte);
        bits += 8;
        while bits >= 5 {
            bits -= 5;
            text.push(digit(pending >> bits));
        }
        pending &= (1 << bits) - 1;
    }
    if bits > 0 {
        text.push(digit(pending << (5 - bits)));
    }
    text
}

/// Reads what [`write()`] wrote, in either case, with o for 0 and i or l for 1; spaces and hyphens
/// count for nothing. Nothing when there is any other character, or one too many.
pub(crate) fn read(text: &str) -> Option<Vec<u8>> {
    let mut bytes = Vec::new();
    let mut pending = 0_u32;
    let mut bits = 0;
    for c in text.chars() {
        if c.is_whitespace() || c == '-' {
            continue;
        }
        let c = match c.to_ascii_lowercase() {
            'o' => '0',
            'i' | 'l' => '1',
            c => c,
        };
        let value = DIGITS.iter().position(|d| char::from(*d) == c)?;
        pending = (pending << 5) | u32::try_from(value).ok()?;
        bits += 5;
        if bits >= 8 {
            bits -= 8;
            bytes.push(u8::try_from(pending >> bits).ok()?);
            pending &= (1 << bits) - 1;
        }
    }
    // What is left over fills up the last digit: less than a digit, and nought.
    (bits < 5 && pending == 0).then_some(bytes)
}

fn digit(value: u32) -> char {
    char::from(DIGITS[(value & 31) as usize])
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// Worked by hand: 0x00 0x44 0x32 0x14 0xc7 is the bit groups 0, 1, 2, 3, 4, 5, 6, 7.
    #[test]
    fn the_first_eight_digits_are_what_they_count() {
        assert_eq!(write(&[0x00, 0x44, 0x32, 0x14, 0xc7]), "01234567");
        assert_eq!(
            read("O1-23 4567").as_deref(),
            Some(&[0, 0x44, 0x32, 0x14, 0xc7][..])
        );
    }

    proptest! {
        #[test]
        fn what_is_written_is_read(bytes in prop::collection::vec(any::<u8>(), 0..100)) {
            prop_assert_eq!(read(&write(&bytes)), Some(bytes));
        }

        #[test]
        fn one_text_has_one_reading_only(text in "[0-9a-hjkmnp-tv-z]{0,40}") {
            if let Some(bytes) = read(&text) {
                prop_assert_eq!(write(&bytes), text);
            }
        }
    }
}
