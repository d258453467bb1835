//! Names people give to people, channels, species, buckets and packs: cleaned, bounded text.

use std::fmt;
use std::str::FromStr;

use serde::{Deserialize, Serialize};

/// The longest name, in characters.
pub const NAME_MAX_CHARS: usize = 60;

/// A name that can't be kept.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum NameError {
    /// Nothing but blanks.
    #[error("{what} is missing: type at least one letter")]
    Empty {
        /// What was to be named.
        what: &'static str,
    },
    /// Longer than [`NAME_MAX_CHARS`].
    #[error("{what} has {chars} characters: keep it to {NAME_MAX_CHARS}")]
    TooLong {
        /// What was to be named.
        what: &'static str,
        /// How many characters it has.
        chars: usize,
    },
    /// Not spelled as this program spells it.
    #[error("{what} isn't spelled as names are kept: single blanks, one way of capitals")]
    Untidy {
        /// What was named.
        what: &'static str,
    },
    /// Holds a line break or another control character.
    #[error("{what} holds a line break or an unprintable character: use one plain line")]
    Unprintable {
        /// What was to be named.
        what: &'static str,
    },
}

/// One line of text with single blanks, or why not.
pub(crate) fn clean(text: &str, what: &'static str, max: usize) -> Result<String, NameError> {
    let joined = text.split_whitespace().collect::<Vec<_>>().join(" ");
    let chars = joined.chars().count();
    if chars == 0 {
        Err(NameError::Empty { what })
    } else if chars > max {
        Err(NameError::TooLong { what, chars })
    } else if joined.chars().any(char::is_control) {
        Err(NameError::Unprintable { what })
    } else {
        Ok(joined)
    }
}

/// Whether [`clean`] would leave the text as it is, told without copying it; only ever said of
/// plain ASCII, which most text is.
pub(crate) fn is_plain(text: &str, max: usize) -> bool {
    let bytes = text.as_bytes();
    (1..=max).contains(&bytes.len())
        && bytes.iter().all(|b| (b' '..=b'~').contains(b))
        && !text.starts_with(' ')
        && !text.ends_with(' ')
        && !bytes.windows(2).any(|two| two == b"  ")
}

macro_rules! name {
    ($(#[$doc:meta])* $name:ident, $what:literal, $fold:expr, $folded:expr) => {
        $(#[$doc])*
        #[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
        #[serde(transparent)]
        pub struct $name(String);

        impl $name {
            /// Cleans `text` and keeps it.
            ///
            /// # Errors
            ///
            /// [`NameError`] when it is empty, too long or not one plain line.
            pub fn new(text: &str) -> Result<Self, NameError> {
                let fold: fn(&str) -> String = $fold;
                clean(&fold(text), $what, NAME_MAX_CHARS).map(Self)
            }

            /// The text.
            #[must_use]
            pub fn as_str(&self) -> &str {
                &self.0
            }

            /// Whether it is spelled as [`Self::new`] would spell it; a name from another device
            /// need not be.
            #[must_use]
            pub fn is_clean(&self) -> bool {
                self.check().is_ok()
            }

            /// Refuses a name that [`Self::new`] would not have made.
            pub(crate) fn check(&self) -> Result<(), NameError> {
                // Of plain ASCII, whether it is folded can be seen byte by byte.
                let folded: fn(&u8) -> bool = $folded;
                if is_plain(&self.0, NAME_MAX_CHARS) && self.0.as_bytes().iter().all(folded) {
                    return Ok(());
                }
                if Self::new(&self.0)? == *self {
                    Ok(())
                } else {
                    Err(NameError::Untidy { what: $what })
                }
            }
        }

        impl fmt::Display for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str(&self.0)
            }
        }

        impl FromStr for $name {
            type Err = NameError;

            fn from_str(text: &str) -> Result<Self, NameError> {
                Self::new(text)
            }
        }
    };
}

name! {
    /// A crew member, by the name the crew uses. Two people of one name are told apart in the
    /// name itself.
    PersonName, "the person's name", str::to_owned, |_| true
}

name! {
    /// A species, a group of species ("minnows") or a provisional name ("unknown a"), in lower
    /// case.
    SpeciesName, "the species", str::to_lowercase, |b| !b.is_ascii_uppercase()
}

name! {
    /// One arm of the stream at the site: "main", "left", "right".
    Channel, "the channel", str::to_lowercase, |b| !b.is_ascii_uppercase()
}

name! {
    /// What is written on a bucket, such as "1B".
    BucketLabel, "the bucket's label", str::to_uppercase, |b| !b.is_ascii_lowercase()
}

name! {
    /// One backpack unit, such as "L" or a serial number.
    Pack, "the pack's name", str::to_owned, |_| true
}

impl PersonName {
    /// Stands for nobody in particular, in records a device makes by itself before anyone holds it.
    #[must_use]
    pub fn unnamed() -> Self {
        Self("unnamed".to_owned())
    }
}

impl SpeciesName {
    /// Whether it stands for a fish nobody could name yet.
    #[must_use]
    pub fn is_provisional(&self) -> bool {
        self.0 == "unknown" || self.0.starts_with("unknown ")
    }
}

impl Channel {
    /// The whole stream, where it runs in one arm.
    #[must_use]
    pub fn main() -> Self {
        Self("main".to_owned())
    }
}

/// One pass over one channel. Written "left/2"; two people who open pass 2 of a channel apart
/// from each other mean the same pass.
///
/// ```
/// use gravelbar_visit::PassKey;
///
/// let pass: PassKey = "main/2".parse()?;
/// assert_eq!(pass.number, 2);
/// assert_eq!(pass.to_string(), "main/2");
/// # Ok::<(), gravelbar_visit::PassKeyError>(())
/// ```
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct PassKey {
    /// The arm of the stream.
    pub channel: Channel,
    /// First pass is 1.
    pub number: u8,
}

impl PassKey {
    /// Pass `number` of a stream that runs in one arm.
    #[must_use]
    pub fn main(number: u8) -> Self {
        Self {
            channel: Channel::main(),
            number,
        }
    }
}

impl fmt::Display for PassKey {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}/{}", self.channel, self.number)
    }
}

/// The text names no pass.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("“{text}” names no pass: write channel and number, such as main/1")]
pub struct PassKeyError {
    text: String,
}

impl FromStr for PassKey {
    type Err = PassKeyError;

    fn from_str(text: &str) -> Result<Self, PassKeyError> {
        let error = || PassKeyError {
            text: text.chars().take(NAME_MAX_CHARS).collect(),
        };
        let (channel, number) = text.rsplit_once('/').ok_or_else(error)?;
        let pass: u8 = number.parse().map_err(|_| error())?;
        if pass == 0 || pass.to_string() != number {
            return Err(error());
        }
        Ok(Self {
            channel: Channel::new(channel).map_err(|_| error())?,
            number: pass,
        })
    }
}

impl Serialize for PassKey {
    fn serialize<S: serde::Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_str(self)
    }
}

impl<'de> Deserialize<'de> for PassKey {
    fn deserialize<D: serde::Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        let text = std::borrow::Cow::<'de, str>::deserialize(deserializer)?;
        text.parse().map_err(serde::de::Error::custom)
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    proptest! {
        #[test]
        fn a_name_once_cleaned_stays_as_it_is(text in "\\PC{0,70}|[ a-zA-Z\t]{0,70}") {
            for max in [NAME_MAX_CHARS, 5] {
                if let Ok(cleaned) = clean(&text, "it", max) {
                    prop_assert_eq!(clean(&cleaned, "it", max), Ok(cleaned.clone()));
                    prop_assert!(!is_plain(&text, max) || cleaned == text);
                } else {
                    prop_assert!(!is_plain(&text, max));
                }
            }
            if let Ok(species) = SpeciesName::new(&text) {
                prop_assert!(species.is_clean());
                prop_assert_eq!(SpeciesName::new(species.as_str()), Ok(species));
            }
            if let Ok(label) = BucketLabel::new(&text) {
                prop_assert!(label.is_clean());
            }
            // The quick look never takes for clean what isn't.
            let kept = SpeciesName(text.clone());
            prop_assert_eq!(kept.is_clean(), SpeciesName::new(&text) == Ok(kept.clone()));
            let kept = PersonName(text.clone());
            prop_assert_eq!(kept.is_clean(), PersonName::new(&text) == Ok(kept.clone()));
        }
    }
}
