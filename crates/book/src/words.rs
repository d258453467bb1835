//! What text a record may carry: one tidy line, bounded.

/// A text that can't be kept.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum TextError {
    /// Nothing but blanks.
    #[error("it is blank: type at least one letter")]
    Blank,
    /// Too long.
    #[error("it has {chars} characters: keep it to {most}")]
    TooLong {
        /// How many it has.
        chars: usize,
        /// How many can be kept.
        most: usize,
    },
    /// Holds a control character.
    #[error("it holds a line break or an unprintable character: use one plain line")]
    Unprintable,
    /// Blanks at an end, or two side by side.
    #[error("it has blanks at its ends or two side by side")]
    Untidy,
}

/// Refuses what is no tidy line of at most `most` characters.
pub(crate) fn line(text: &str, most: usize) -> Result<(), TextError> {
    let chars = text.chars().count();
    if text.trim().is_empty() {
        Err(TextError::Blank)
    } else if chars > most {
        Err(TextError::TooLong { chars, most })
    } else if text.chars().any(char::is_control) {
        Err(TextError::Unprintable)
    } else if text.split_whitespace().collect::<Vec<_>>().join(" ") != text {
        Err(TextError::Untidy)
    } else {
        Ok(())
    }
}

/// [`line()`], or nothing at all.
pub(crate) fn line_if(text: &str, most: usize) -> Result<(), TextError> {
    if text.is_empty() {
        Ok(())
    } else {
        line(text, most)
    }
}
