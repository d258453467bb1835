//! The sheet against its promises: one page, nothing left out unsaid, nothing told to the wrong reader.
#![expect(
    clippy::unwrap_used,
    clippy::panic,
    reason = "a test that can't be set up has failed"
)]

#[path = "../../../reduce/tests/all/crew.rs"]
#[expect(dead_code, reason = "the reducer's tests use the rest")]
mod crew;
#[path = "../../../reduce/tests/all/random.rs"]
#[expect(dead_code, reason = "the reducer's tests use the rest")]
mod random;

mod landowner;
mod laws;
mod paper;
mod plots;

/// Without blanks and line breaks, which the page sets where it has room.
pub(crate) fn flat(text: &str) -> String {
    text.chars().filter(|c| !c.is_whitespace()).collect()
}

/// A summary's cautions, each once: those of species, their size groups and channels.
pub(crate) fn cautions(summary: &gravelbar_reduce::Summary) -> std::collections::BTreeSet<String> {
    let mut all = std::collections::BTreeSet::new();
    for species in &summary.species {
        all.extend(species.removal.cautions.iter().cloned());
        if let gravelbar_reduce::SizeGroups::Estimated { groups, .. } = &species.size_groups {
            all.extend(
                groups
                    .iter()
                    .flat_map(|g| g.removal.cautions.iter().cloned()),
            );
        }
        for channel in &species.channels {
            all.extend(channel.removal.cautions.iter().cloned());
        }
    }
    all
}

/// All numbers that follow `before` in a text, where `after` follows them.
pub(crate) fn stated(text: &str, before: &str, after: &str) -> usize {
    (text.split(before).skip(1))
        .filter_map(|rest| {
            let digits: String = rest.chars().take_while(char::is_ascii_digit).collect();
            rest.strip_prefix(&digits)?
                .starts_with(after)
                .then(|| digits.parse::<usize>().ok())?
        })
        .sum()
}
