//! A crew of real programs in one network: joined by codes, tapping, and asked whether they agree.

use std::collections::BTreeSet;
use std::time::{Duration, Instant};

use serde_json::{Value, json};
use tempfile::TempDir;

use crate::air::{Air, Place};
use crate::crew::{plan, tally};
use crate::program::{Program, Trouble};

/// What the network brings that takes longer has failed.
const PATIENCE: Duration = Duration::from_secs(90);

/// Devices with one visit.
pub struct Nodes {
    /// The first has started the visit.
    pub all: Vec<Program>,
    home: TempDir,
    visit: String,
    taps: usize,
}

impl Nodes {
    /// One device, which starts the visit.
    ///
    /// # Errors
    ///
    /// When it doesn't start.
    pub fn lead(place: Place) -> Result<Self, Trouble> {
        let home = TempDir::new()?;
        let mut nodes = Self {
            all: Vec::new(),
            home,
            visit: String::new(),
            taps: 0,
        };
        nodes.start(place);
        let started = nodes.post(0, "/start", &json!({ "plan_text": plan("QB-03").about() }))?;
        let next = started["next"].as_str().ok_or("nowhere to go next")?;
        nodes.visit = next.split('/').nth(2).ok_or("no visit")?.to_owned();
        Ok(nodes)
    }

    /// One device more, that knows nobody; its number.
    pub fn start(&mut self, place: Place) -> usize {
        let number = self.all.len();
        let folder = self.home.path().join(number.to_string());
        let mut program = Program::at(place, folder, &format!("device {number}"));
        program.start();
        self.all.push(program);
        number
    }

    /// One device more, joined by a code typed with the inviter's address as it is `called` there.
    ///
    /// # Errors
    ///
    /// When it isn't let in.
    pub fn join(&mut self, place: Place, called: &str) -> Result<usize, Trouble> {
        let newcomer = self.start(place);
        let begun = Instant::now();
        loop {
            let (digits, _) = self.show_code()?;
            let typed = json!({ "code": digits, "address": called });
            match self.post(newcomer, "/join-code", &typed) {
                Ok(_) => return Ok(newcomer),
                // In bad air a person tries again with a new code.
                Err(error) if begun.elapsed() > PATIENCE => return Err(error),
                Err(_) => {}
            }
        }
    }

    /// Has the first device show a code: its digits and label.
    ///
    /// # Errors
    ///
    /// When the page shows none.
    pub fn show_code(&self) -> Result<(String, String), Trouble> {
        self.post(0, &self.path("code"), &json!({}))?;
        let page = self.all[0].get(&self.path("let-in"))?.body;
        let between = |before: &str| {
            let rest = page.split(before).nth(1)?;
            Some(rest.split('<').next().unwrap_or(rest).to_owned())
        };
        let digits = between("id=\"digits\">").ok_or("no code is shown")?;
        let label = between("label-of\">").ok_or("no label is shown")?;
        Ok((digits, label))
    }

    /// The labels that the newcomer's page lists, once it lists any or the time is over.
    ///
    /// # Errors
    ///
    /// When the page can't be had.
    pub fn labels_seen(&self, newcomer: usize, within: Duration) -> Result<Vec<String>, Trouble> {
        self.all[newcomer].listen("/joinable", within, |event| {
            let labels: Vec<String> = serde_json::from_str(event).unwrap_or_default();
            (!labels.is_empty()).then_some(labels)
        })
    }

    /// An address in the visit.
    #[must_use]
    pub fn path(&self, of: &str) -> String {
        format!("/v/{}/{of}", self.visit)
    }

    /// Sends something to a device.
    ///
    /// # Errors
    ///
    /// What it says where it doesn't do it.
    pub fn post(&self, device: usize, path: &str, body: &Value) -> Result<Value, Trouble> {
        let answer = self.all[device].post(path, body)?;
        if answer.status == 200 {
            Ok(serde_json::from_str(&answer.body)?)
        } else {
            Err(format!("device {device}, {path}: {} {}", answer.status, answer.body).into())
        }
    }

    /// So many trout netted on a device, one tap each.
    ///
    /// # Errors
    ///
    /// When a tap isn't saved.
    pub fn tap(&mut self, device: usize, times: usize) -> Result<(), Trouble> {
        for _ in 0..times {
            self.taps += 1;
            self.act(
                device,
                &format!("tap-number-{}", self.taps),
                &json!([tally("brook trout", 1)]),
            )?;
        }
        Ok(())
    }

    /// As [`Self::tap`], several taps in each act.
    ///
    /// # Errors
    ///
    /// When one isn't saved.
    pub fn tap_in_acts(&mut self, device: usize, times: usize, each: usize) -> Result<(), Trouble> {
        let mut left = times;
        while left > 0 {
            let now = left.min(each);
            left -= now;
            self.taps += now;
            let facts = vec![tally("brook trout", 1); now];
            self.act(device, &format!("taps-up-to-{}", self.taps), &json!(facts))?;
        }
        Ok(())
    }

    /// One act on a device.
    ///
    /// # Errors
    ///
    /// When it isn't saved.
    pub fn act(&self, device: usize, tap_id: &str, facts: &Value) -> Result<(), Trouble> {
        let act = json!({ "tap_id": tap_id, "by": format!("Person {device}"), "facts": facts });
        self.post(device, &self.path("act"), &act)?;
        Ok(())
    }

    /// The visit as a device sees it.
    ///
    /// # Errors
    ///
    /// When it doesn't answer.
    pub fn summary(&self, device: usize) -> Result<Value, Trouble> {
        let answer = self.all[device].get(&self.path("summary.json"))?;
        Ok(serde_json::from_str(&answer.body)?)
    }

    /// How many records a device holds.
    ///
    /// # Errors
    ///
    /// When it doesn't answer.
    pub fn records(&self, device: usize) -> Result<u64, Trouble> {
        let summary = self.summary(device)?;
        let records = summary["header"]["records"].as_u64();
        Ok(records.ok_or("a summary without its number of records")?)
    }

    /// Waits until these devices show the same, to the byte, with every tap made so far; how long that took.
    ///
    /// # Errors
    ///
    /// When they don't.
    pub fn agree(&self, devices: &[usize]) -> Result<Duration, Trouble> {
        let begun = Instant::now();
        let mut last = String::new();
        while begun.elapsed() < PATIENCE {
            let shown: Result<BTreeSet<String>, Trouble> = devices
                .iter()
                .map(|device| Ok(self.all[*device].get(&self.path("summary.json"))?.body))
                .collect();
            let shown = shown?;
            if let Some(only) = shown.iter().next().filter(|_| shown.len() == 1) {
                let summary: Value = serde_json::from_str(only)?;
                if summary["tallied"] == json!(self.taps) {
                    return Ok(begun.elapsed());
                }
                last = format!("all show {} of {} taps", summary["tallied"], self.taps);
            } else {
                last = format!("{} different summaries", shown.len());
            }
            std::thread::sleep(Duration::from_millis(20));
        }
        Err(format!("devices {devices:?} don't agree: {last}").into())
    }

    /// [`Self::agree`] of all.
    ///
    /// # Errors
    ///
    /// As for [`Self::agree`].
    pub fn all_agree(&self) -> Result<Duration, Trouble> {
        self.agree(&(0..self.all.len()).collect::<Vec<_>>())
    }

    /// A lead and so many others in one network, all joined through `called`.
    ///
    /// # Errors
    ///
    /// When one doesn't start or join.
    pub fn crew(air: &Air, others: usize) -> Result<Self, Trouble> {
        let place = air.place()?;
        let called = place.address().to_string();
        let mut nodes = Self::lead(place)?;
        for _ in 0..others {
            nodes.join(air.place()?, &called)?;
        }
        Ok(nodes)
    }
}
