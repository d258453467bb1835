//! Six digits that one device shows and a person types on another.

use std::fmt;
use std::str::FromStr;

use ring::rand::{SecureRandom, SystemRandom};

/// How many digits.
const DIGITS: usize = 6;

/// A short code for joining, drawn from a million with equal chances.
///
/// Written as two groups of three. Read with any spaces and hyphens; each digit counts.
#[derive(Clone, Copy, PartialEq, Eq)]
pub struct Code([u8; DIGITS]);

/// The text isn't six digits.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error("a code has {DIGITS} digits: type them as the other device shows them")]
pub struct CodeError;

impl Code {
    /// Draws one; nothing when the system gives no randomness.
    pub(crate) fn draw() -> Option<Self> {
        let random = SystemRandom::new();
        let mut digits = [0; DIGITS];
        for digit in &mut digits {
            *digit = loop {
                let mut byte = [0];
                random.fill(&mut byte).ok()?;
                // Of 256 values the first 250 fall on the ten digits evenly.
                if byte[0] < 250 {
                    break b'0' + byte[0] % 10;
                }
            };
        }
        Some(Self(digits))
    }

    /// The digits as ASCII.
    pub(crate) fn digits(&self) -> &[u8] {
        &self.0
    }
}

impl fmt::Display for Code {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (place, digit) in self.0.iter().enumerate() {
            if place == DIGITS / 2 {
                f.write_str(" ")?;
            }
            fmt::Write::write_char(f, char::from(*digit))?;
        }
        Ok(())
    }
}

/// Without the digits: a code has no place in a log.
impl fmt::Debug for Code {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("Code")
    }
}

impl FromStr for Code {
    type Err = CodeError;

    fn from_str(text: &str) -> Result<Self, CodeError> {
        let mut digits = [0; DIGITS];
        let mut filled = 0;
        for c in text.chars().filter(|c| !c.is_whitespace() && *c != '-') {
            let digit = c.to_digit(10).and_then(|d| u8::try_from(d).ok());
            let (Some(digit), Some(place)) = (digit, digits.get_mut(filled)) else {
                return Err(CodeError);
            };
            *place = b'0' + digit;
            filled += 1;
        }
        if filled == DIGITS {
            Ok(Self(digits))
        } else {
            Err(CodeError)
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn a_code_is_read_as_people_write_it() {
        let code: Code = "012345".parse().unwrap();
        assert_eq!(code.digits(), b"012345");
        assert_eq!(code.to_string(), "012 345");
        for written in ["012 345", " 012-345 ", "0 1 2 3 4 5\n"] {
            assert_eq!(written.parse(), Ok(code));
        }
        for wrong in ["", "12345", "1234567", "12345a", "١٢٣٤٥٦"] {
            assert_eq!(wrong.parse::<Code>(), Err(CodeError), "{wrong}");
        }
        assert_eq!(format!("{code:?}"), "Code");
    }

    /// Of 3,000 drawn codes each digit stands at each place 300 times, give or take: the standard
    /// deviation is sqrt(3000 * 0.1 * 0.9) = 16.4, and eight of them are passed by one of the 60
    /// counts in 10^13 runs.
    #[test]
    fn every_digit_is_drawn_at_every_place_about_as_often() {
        let mut counts = [[0_u32; 10]; DIGITS];
        for _ in 0..3_000 {
            let code = Code::draw().unwrap();
            for (place, digit) in code.digits().iter().enumerate() {
                counts[place][usize::from(digit - b'0')] += 1;
            }
        }
        for count in counts.as_flattened() {
            assert!((169..=431).contains(count), "{count}");
        }
    }

    proptest! {
        #[test]
        fn what_is_written_is_read(digits in "[0-9]{6}") {
            let code: Code = digits.parse().unwrap();
            prop_assert_eq!(code.to_string().parse(), Ok(code));
            prop_assert_eq!(code.digits(), digits.as_bytes());
        }

        #[test]
        fn any_text_is_read_or_refused(text in ".{0,40}") {
            if let Ok(code) = text.parse::<Code>() {
                prop_assert_eq!(code.digits().len(), DIGITS);
            }
        }
    }
}
