//! What the demo says to whoever watches: plain words, no wider than a small terminal.

use std::collections::BTreeSet;
use std::io::{self, Write};
use std::sync::Arc;

use gravelbar_reduce::{SizeGroups, Summary};
use gravelbar_visit::{Flag, FlagKind, SpeciesName};

use super::story::Letter;
use crate::node::{Picture, asks_for_a_person};

/// The widest line, in characters.
const WIDTH: usize = 80;

const INDENT: &str = "    ";

/// Where the telling goes.
pub(super) struct Telling {
    out: Box<dyn Write + Send>,
    /// The scene, as its first words say when it is.
    scene: String,
    /// What devices have asked, in order.
    asked: Vec<Asked>,
    /// Records of each device when they were last told.
    last: Vec<(Letter, usize)>,
}

/// What one device can be seen to know.
pub(super) struct Sight {
    pub(super) letter: Letter,
    /// The first name of who holds it.
    pub(super) holder: String,
    pub(super) picture: Arc<Picture>,
    /// Devices it hears now.
    pub(super) hears: BTreeSet<Letter>,
    /// Devices it heard before and doesn't now, and for how long, s.
    pub(super) heard: Vec<(Letter, i64)>,
}

/// Something a device asked a person about.
struct Asked {
    scene: String,
    devices: BTreeSet<Letter>,
    flag: Flag,
}

impl Asked {
    /// The band of an odd mass moves with every fish, and it stays the same question.
    fn is(&self, flag: &Flag) -> bool {
        self.flag.kind == flag.kind
            && (self.flag.words == flag.words
                || flag.kind == FlagKind::OddMass && self.flag.about == flag.about)
    }
}

impl Telling {
    pub(super) fn new(out: Box<dyn Write + Send>) -> Self {
        Self {
            out,
            scene: String::new(),
            asked: Vec::new(),
            last: Vec::new(),
        }
    }

    fn line(&mut self, text: &str) -> io::Result<()> {
        writeln!(self.out, "{text}")?;
        self.out.flush()
    }

    /// A paragraph, wrapped, with `indent` before every line but the first.
    fn wrapped(&mut self, first: &str, indent: &str, text: &str) -> io::Result<()> {
        for line in wrap(first, indent, text) {
            self.line(&line)?;
        }
        Ok(())
    }

    /// A new scene.
    pub(super) fn scene(&mut self, words: &str) -> io::Result<()> {
        let begin = words.split([',', '.']).next().unwrap_or_default();
        begin.clone_into(&mut self.scene);
        self.line("")?;
        self.wrapped("", "", words)
    }

    /// A paragraph of its own.
    pub(super) fn paragraph(&mut self, words: &str) -> io::Result<()> {
        self.line("")?;
        self.wrapped("", "", words)
    }

    /// Something that happens within a scene.
    pub(super) fn note(&mut self, words: &str) -> io::Result<()> {
        self.wrapped("  ", "  ", words)
    }

    /// What each device knows now, where that is new.
    pub(super) fn devices(&mut self, all: &[Sight]) -> io::Result<()> {
        let now: Vec<(Letter, usize)> = all
            .iter()
            .map(|s| (s.letter, s.picture.view.records))
            .collect();
        if now == self.last || self.scene.is_empty() {
            return Ok(());
        }
        self.last = now;
        self.line("")?;
        self.line("  device       records  trout netted/worked up  hears")?;
        for sight in all {
            self.line(&format!(
                "  {:<12} {:>7}  {:<22}  {}",
                format!("{} {}", sight.letter, sight.holder),
                sight.picture.view.records,
                trout_by_pass(&sight.picture.summary),
                hearing(sight)
            ))?;
        }
        self.new_questions(all)
    }

    /// What devices ask a person about that none has asked before. Whether a device may hold
    /// more is in the table already.
    fn new_questions(&mut self, all: &[Sight]) -> io::Result<()> {
        let told = self.asked.len();
        for sight in all {
            for flag in &sight.picture.summary.flags {
                if !asks_for_a_person(flag.kind) || flag.kind == FlagKind::DeviceNotHeard {
                    continue;
                }
                match self.asked.iter_mut().find(|asked| asked.is(flag)) {
                    Some(asked) => {
                        asked.devices.insert(sight.letter);
                    }
                    None => self.asked.push(Asked {
                        scene: self.scene.clone(),
                        devices: BTreeSet::from([sight.letter]),
                        flag: flag.clone(),
                    }),
                }
            }
        }
        let new: Vec<(String, String)> = (self.asked.iter().skip(told))
            .map(|asked| (letters(&asked.devices), asked.flag.words.clone()))
            .collect();
        for (devices, words) in new {
            self.wrapped(&format!("  {devices} asks: "), INDENT, &words)?;
        }
        Ok(())
    }

    /// Everything that was asked on the way, and whether it is still.
    pub(super) fn asked(&mut self, summary: &Summary) -> io::Result<()> {
        self.line("")?;
        self.line("  Asked on the way, by whom first, and how it stands:")?;
        let lines: Vec<(String, String)> = (self.asked.iter())
            .map(|asked| {
                let open = summary.flags.iter().any(|flag| asked.is(flag));
                let stands = if open { "open" } else { "settled" };
                let words = asked
                    .flag
                    .words
                    .split([';', '?'])
                    .next()
                    .unwrap_or_default();
                (format!("  {} {stands}: ", asked.scene), words.to_owned())
            })
            .collect();
        for (first, words) in lines {
            self.wrapped(&first, INDENT, &words)?;
        }
        Ok(())
    }

    /// The totals and estimates, as they are read aloud.
    pub(super) fn read_aloud(&mut self, summary: &Summary) -> io::Result<()> {
        let passes = summary.passes.len();
        let heads: String = (1..=passes)
            .map(|n| format!("{:>6}", format!("P{n}")))
            .collect();
        self.line("")?;
        self.line(&format!("  {:<24}{heads}   all  estimate", "species"))?;
        for species in &summary.species {
            let catch: String = species
                .catch
                .iter()
                .map(|c| format!("{:>6}", c.n))
                .collect();
            self.line(&format!(
                "  {:<24}{catch}{:>6}  {}",
                species.species.as_str(),
                species.total,
                estimate(&species.removal)
            ))?;
            if let SizeGroups::Estimated { groups, .. } = &species.size_groups {
                for group in groups {
                    let catch: String = (group.removal.catch.iter())
                        .map(|n| format!("{n:>6}"))
                        .collect();
                    self.line(&format!(
                        "    {:<22}{catch}{:>6}  {}",
                        group.words,
                        group.removal.total,
                        estimate(&group.removal)
                    ))?;
                }
            }
        }
        let sums: String = (summary.passes.iter())
            .map(|p| format!("{:>6}", p.worked_up))
            .collect();
        self.line(&format!(
            "  {:<24}{sums}{:>6}",
            "all fish", summary.worked_up
        ))?;
        if let Some(caution) = summary
            .species
            .iter()
            .find_map(|s| s.removal.analysis.as_ref().map(|a| a.caution))
        {
            self.note("Estimates by Carle and Strub, ± 1.96 standard errors, and the 95 % profile interval.")?;
            self.note(&format!("Beside every estimate: {caution}"))?;
        }
        for take in &summary.take {
            self.note(&format!(
                "Permit, {}: {} of {} caught, {} of {} dead this season.",
                take.species,
                take.season_caught,
                take.limit_caught,
                take.season_dead,
                take.limit_dead
            ))?;
        }
        Ok(())
    }
}

/// An estimate in a few words.
fn estimate(removal: &gravelbar_reduce::Removal) -> String {
    match removal.headline() {
        Some(headline) => match headline.relative_half_width {
            Some(share) if share > 0.0 => {
                let ends = headline.profile_95.map_or(String::new(), |interval| {
                    let high = interval
                        .high
                        .map_or("no limit".to_owned(), |h| h.to_string());
                    format!(", {} to {high}", interval.low)
                });
                format!("{} ± {:.0} %{ends}", headline.n_fish, 100.0 * share)
            }
            _ => format!("{}, all caught", headline.n_fish),
        },
        None => format!("minimum {}", removal.total),
    }
}

/// Brook trout of each pass, netted and worked up.
fn trout_by_pass(summary: &Summary) -> String {
    let Ok(trout) = SpeciesName::new("brook trout") else {
        return String::new();
    };
    let passes = summary.passes.iter().map(|pass| {
        let tally = pass.tally.iter().find(|t| t.name == trout);
        let (tallied, worked_up) = tally.map_or((0, 0), |t| (t.tallied, t.worked_up));
        format!("{tallied}/{worked_up}")
    });
    let passes: Vec<String> = passes.collect();
    if passes.is_empty() {
        "no pass yet".to_owned()
    } else {
        passes.join("  ")
    }
}

/// Who is heard now, and how long ago the others were.
fn hearing(sight: &Sight) -> String {
    let now = if sight.hears.is_empty() {
        "nobody".to_owned()
    } else {
        letters(&sight.hears)
    };
    let longest = sight.heard.iter().map(|(_, ago_s)| *ago_s).max();
    match longest {
        Some(ago_s) => {
            let gone: BTreeSet<Letter> = sight.heard.iter().map(|(letter, _)| *letter).collect();
            format!("{now}; {} {ago_s} s ago", letters(&gone))
        }
        None => now,
    }
}

fn letters(devices: &BTreeSet<Letter>) -> String {
    let each: Vec<String> = devices.iter().map(Letter::to_string).collect();
    each.join(" ")
}

/// Words in lines of at most [`WIDTH`] characters.
fn wrap(first: &str, indent: &str, text: &str) -> Vec<String> {
    let mut lines = Vec::new();
    let mut line = first.to_owned();
    let mut bare = true;
    for word in text.split_whitespace() {
        let long = line.chars().count() + 1 + word.chars().count() > WIDTH;
        if long && !bare {
            lines.push(std::mem::replace(&mut line, indent.to_owned()));
            bare = true;
        }
        if !bare {
            line.push(' ');
        }
        line.push_str(word);
        bare = false;
    }
    lines.push(line);
    lines
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn no_line_is_wider_than_a_small_terminal() {
        let text = "a bucket of pass 1 was handed over and never emptied ".repeat(9);
        let lines = wrap("  E asks: ", INDENT, &text);
        assert!(lines.iter().all(|line| line.chars().count() <= WIDTH));
        let joined = lines.join(" ");
        let words: Vec<&str> = joined.split_whitespace().skip(2).collect();
        assert_eq!(words, text.split_whitespace().collect::<Vec<_>>());
    }
}
