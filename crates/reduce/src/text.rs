//! The summary as plain text, 80 columns wide, for the command line and the printed sheet.

mod paper;
mod result;

use gravelbar_estimate::CAUTION;
use gravelbar_visit::{Flag, FlagKind, SafetyState, SignState};

use crate::advice::{Advice, Urgency};
use crate::figure::{counted, percent, plain};
use crate::moment::hour;
use crate::pass::{PassSummary, WorkUp};
use crate::span::PassState;
use crate::summary::Summary;
use paper::Paper;

impl Summary {
    /// The summary to read: at most 80 columns, every estimate with its estimator, interval and
    /// cautions.
    #[must_use]
    pub fn to_text(&self) -> String {
        let mut paper = Paper::default();
        self.write_header(&mut paper);
        self.write_crew(&mut paper);
        self.write_safety(&mut paper);
        self.write_reach(&mut paper);
        for pass in &self.passes {
            write_pass(pass, &mut paper);
        }
        self.write_results(&mut paper);
        self.write_take(&mut paper);
        self.write_decisions(&mut paper);
        self.write_flags(&mut paper);
        paper.finish()
    }

    fn write_header(&self, paper: &mut Paper) {
        let header = &self.header;
        paper.line(
            0,
            &format!("{} {}, {}", header.site, header.place, header.date),
        );
        if !header.purpose.is_empty() {
            paper.line(0, &header.purpose);
        }
        let state = match &header.sign {
            SignState::Open => "not signed".to_owned(),
            SignState::Signed { version } => format!("signed, version {version}"),
            SignState::ChangedAfter {
                version,
                arrived_after,
                waiting,
            } => format!(
                "version {version} signed, {arrived_after} records came after it, {waiting} not looked at"
            ),
            SignState::Reopened { version } => format!("opened again after version {version}"),
        };
        let signed = header
            .signed
            .as_ref()
            .map(|s| format!(" by {} at {}", s.by, hour(s.at)));
        paper.line(0, &format!("{state}{}", signed.unwrap_or_default()));
        paper.line(
            0,
            &format!(
                "{} records, digest {}",
                header.records,
                short(&header.digest)
            ),
        );
    }

    fn write_crew(&self, paper: &mut Paper) {
        paper.heading("Crew");
        for member in &self.crew {
            let mut said = member.name.to_string();
            let roles: Vec<&str> = member.roles.iter().map(|r| r.words()).collect();
            if !roles.is_empty() {
                said.push_str(&format!(": {}", roles.join(", ")));
            }
            if member.left {
                said.push_str(" (went home)");
            }
            paper.line(2, &said);
        }
        for device in &self.devices {
            let name = if device.name.is_empty() {
                device.tag.to_string()
            } else {
                device.name.clone()
            };
            let holder = device
                .holder
                .as_ref()
                .map(|h| format!(" ({h})"))
                .unwrap_or_default();
            let heard = device.last_record.map_or_else(
                || "nothing heard yet".to_owned(),
                |at| format!("{} records, last of {}", device.records, hour(at)),
            );
            let clock = match device.clock_offset_s {
                Some(off) if off.abs() >= 1.0 => format!(", clock {off:+.0} s"),
                Some(_) => String::new(),
                None => ", clock not compared".to_owned(),
            };
            paper.line(2, &format!("device {name}{holder}: {heard}{clock}"));
        }
    }

    fn write_safety(&self, paper: &mut Paper) {
        paper.heading("Safety");
        paper.line(
            2,
            match &self.safety.state {
                SafetyState::Stopped { .. } => "STOPPED: nobody energises",
                SafetyState::NotReady { .. } => "not ready",
                SafetyState::Ready => "ready, by the record",
            },
        );
        for stop in &self.safety.stops {
            let why = stop
                .why
                .as_ref()
                .map(|why| format!(" ({why})"))
                .unwrap_or_default();
            let until = stop
                .cleared_at
                .map_or_else(|| "HOLDS".to_owned(), |at| format!("cleared {}", hour(at)));
            paper.line(
                2,
                &format!("stop {} by {}{why}: {until}", hour(stop.at), stop.by),
            );
        }
        for check in &self.safety.missing {
            let people: Vec<&str> = check.people.iter().map(|p| p.as_str()).collect();
            let who = if people.is_empty() {
                "the crew".to_owned()
            } else {
                people.join(", ")
            };
            paper.line(2, &format!("missing: {} ({who})", check.words));
        }
        if !self.safety.unplaced.is_empty() {
            let records = self.safety.unplaced.len() as u64;
            let records = counted(records, "safety record", "safety records");
            paper.line(
                2,
                &format!("{records} can't be read or fit no line: the lead looks at them"),
            );
        }
    }

    fn write_reach(&self, paper: &mut Paper) {
        paper.heading("Reach");
        for channel in &self.channels {
            let mut said = format!("{}: ", channel.channel);
            match channel.length_m {
                Some(m) => said.push_str(&format!("{} m long", plain(m))),
                None => said.push_str("length not taped"),
            }
            match channel.mean_width_m {
                Some(m) => said.push_str(&format!(", {m:.2} m wide (mean of {})", channel.widths)),
                None => said.push_str(", no widths"),
            }
            if let Some(area) = channel.area_m2 {
                said.push_str(&format!(", {area:.0} m²"));
            }
            for other in &channel.other_lengths_m {
                said.push_str(&format!("; {} taped {} m", other.by, plain(other.length_m)));
            }
            paper.line(2, &said);
        }
        let water = &self.water;
        let lines = [
            ("stream at first", &water.stream_first),
            ("stream at last", &water.stream_last),
            ("live car at last", &water.live_car_last),
        ];
        for (what, line) in lines {
            if let Some(line) = line {
                paper.line(
                    2,
                    &format!(
                        "{what}: {} °C at {}",
                        plain(line.temperature_c),
                        hour(line.at)
                    ),
                );
            }
        }
        for (what, value) in [
            ("ambient", water.ambient_us_cm),
            ("specific, 25 °C", water.specific_us_cm),
        ] {
            if let Some(value) = value {
                paper.line(2, &format!("conductivity ({what}): {} µS/cm", plain(value)));
            }
        }
    }

    fn write_take(&self, paper: &mut Paper) {
        if self.take.is_empty() {
            return;
        }
        paper.heading("Permit take, this visit as far as known here");
        for take in &self.take {
            let alarm = if take.dead_at_limit || take.caught_at_limit {
                "  LIMIT"
            } else {
                ""
            };
            paper.line(
                2,
                &format!(
                    "{}: {} caught, {} dead; season {} of {} caught, {} of {} dead{alarm}",
                    take.species,
                    take.caught,
                    take.dead,
                    take.season_caught,
                    take.limit_caught,
                    take.season_dead,
                    take.limit_dead
                ),
            );
        }
    }

    /// Only what asks for a person: the rest stands in the parts above.
    fn write_decisions(&self, paper: &mut Paper) {
        let pressing: Vec<&Advice> = self.decisions.iter().filter(|d| d.presses()).collect();
        if pressing.is_empty() {
            return;
        }
        paper.heading("Decisions: the lead decides, these are the numbers");
        for advice in pressing {
            let mark = if advice.urgency == Urgency::Now {
                "!"
            } else {
                "?"
            };
            let question = advice.question.words();
            paper.item(mark, &format!("{question} {}", advice.sentence));
            for caution in advice.cautions.iter().filter(|c| *c != CAUTION) {
                paper.line(4, &format!("caution: {caution}"));
            }
        }
    }

    fn write_flags(&self, paper: &mut Paper) {
        if self.flags.is_empty() {
            return;
        }
        paper.heading("To look at");
        let urgent = |flag: &&Flag| {
            matches!(
                flag.kind,
                FlagKind::TakeLimit | FlagKind::NotReady | FlagKind::ClearWithoutRole
            )
        };
        for flag in self.flags.iter().filter(urgent) {
            paper.item("!", &flag.words);
        }
        for flag in self.flags.iter().filter(|flag| !urgent(flag)) {
            paper.item("-", &flag.words);
        }
    }
}

fn write_pass(pass: &PassSummary, paper: &mut Paper) {
    let times = match (&pass.opened, &pass.closed) {
        (Some(opened), Some(closed)) => format!("{} to {}", hour(opened.at), hour(closed.at)),
        (Some(opened), None) => format!("since {}, still open", hour(opened.at)),
        (None, Some(closed)) => format!("closed {}, opening not on record", hour(closed.at)),
        (None, None) => "not opened".to_owned(),
    };
    let minutes = pass
        .clock_min
        .map(|min| format!(", {min:.0} min"))
        .unwrap_or_default();
    let stopped = if pass.stopped_min > 0.0 {
        format!(", of these {:.0} stopped", pass.stopped_min)
    } else {
        String::new()
    };
    paper.heading(&format!("Pass {}: {times}{minutes}{stopped}", pass.pass));
    paper.line(2, &effort_words(pass));
    paper.line(2, &pass.nets.words);
    for setting in &pass.settings {
        let pack = &setting.pack;
        match &setting.at_start {
            Some(line) => paper.line(2, &format!("pack {pack}: {}", line.words)),
            None => paper.line(2, &format!("pack {pack}: no output on record")),
        }
        for change in &setting.changes {
            paper.line(4, &format!("from {}: {}", hour(change.at), change.words));
        }
    }
    let unfinished = match (pass.state, pass.work_up) {
        (_, WorkUp::NotBegun) => ", work-up not begun",
        (_, WorkUp::Underway) => ", work-up under way",
        (PassState::Open, WorkUp::Done) => ", pass still open",
        (_, WorkUp::Done) => "",
    };
    let escaped = match pass.escaped {
        0 => String::new(),
        n => format!(", {n} seen to escape"),
    };
    paper.line(
        2,
        &format!(
            "{} fish worked up{unfinished}; netters counted {}{escaped}",
            pass.worked_up, pass.tallied
        ),
    );
    for added in &pass.with_reason {
        paper.line(
            4,
            &format!(
                "{} recorded by {} with the reason: {}",
                added.n, added.by, added.why
            ),
        );
    }
}

fn effort_words(pass: &PassSummary) -> String {
    let effort = &pass.effort;
    let Some(total) = effort.total_s else {
        return "no energised seconds on record".to_owned();
    };
    let mut said = format!("{total:.0} energised s");
    if effort.packs.len() > 1 {
        let packs: Vec<String> = (effort.packs.iter())
            .map(|p| format!("{} {:.0}", p.pack, p.effort_s))
            .collect();
        said.push_str(&format!(" ({})", packs.join(", ")));
    }
    if let Some(per) = effort.s_per_m {
        said.push_str(&format!(", {per:.1} s/m"));
    }
    if let Some(per) = effort.s_per_m2 {
        said.push_str(&format!(", {per:.2} s/m²"));
    }
    if let Some(share) = effort.share_of_first.filter(|_| pass.pass.number > 1) {
        said.push_str(&format!(", {} of pass 1", percent(share)));
    }
    said
}

/// The first digits of a digest, in groups to read aloud.
fn short(digest: &str) -> String {
    let first: Vec<char> = digest.chars().take(16).collect();
    let groups: Vec<String> = first
        .chunks(4)
        .map(|group| group.iter().collect())
        .collect();
    groups.join(" ")
}
