//! Plays the story on real devices: each with its own folder, key, clock and socket, in one
//! process, with air between them that can be cut.

use std::collections::{BTreeMap, BTreeSet};
use std::net::{Ipv4Addr, SocketAddr};
use std::path::Path;
use std::sync::Arc;
use std::time::{Duration, Instant};

use gravelbar_visit::{DeviceTag, DocumentId, RecordId};

use super::DemoError;
use super::air::Air;
use super::labels::Labels;
use super::story::{Hand, Letter, Line, SignLine, SpareVisit, Stage, Step, Story, StoryError};
use super::telling::{Sight, Telling};
use crate::node::{Act, Node, Picture, Sign};
use crate::{Clock, Options, Reach};

/// A merge that takes longer has failed.
const MERGE_WITHIN: Duration = Duration::from_secs(30);

/// Pause after a step and after a sentence, for someone who watches: two to three minutes in all.
const STEP_SEEN: Duration = Duration::from_millis(170);
const SENTENCE_READ: Duration = Duration::from_secs(4);

/// The device that starts the visit and invites the others.
const LEAD: Letter = 'A';

struct Playing {
    node: Node,
    hand: Hand,
}

/// The story's devices, running.
pub(super) struct Player<'a> {
    story: &'a Story,
    air: Air,
    devices: BTreeMap<Letter, Playing>,
    /// The devices by the names their records carry.
    tags: BTreeMap<DeviceTag, Letter>,
    visit: DocumentId,
    labels: Labels,
    telling: Telling,
    fast: bool,
    /// Lines played.
    played: usize,
}

fn on(device: Letter, at: impl ToString, why: impl ToString) -> DemoError {
    DemoError::Device {
        device,
        doing: at.to_string(),
        why: why.to_string(),
    }
}

impl<'a> Player<'a> {
    /// Starts all devices in `folder`; the lead's opens the visit, the others join it by
    /// invitation.
    pub(super) async fn start(
        story: &'a Story,
        folder: &Path,
        telling: Telling,
        fast: bool,
    ) -> Result<Self, DemoError> {
        let air = Air::new(story.devices.keys().copied())
            .await
            .map_err(DemoError::Air)?;
        let (mut devices, mut tags) = (BTreeMap::new(), BTreeMap::new());
        for (letter, hand) in &story.devices {
            let (node, tag) = start_device(&air, *letter, hand, folder).await?;
            tags.insert(tag, *letter);
            let hand = hand.clone();
            devices.insert(*letter, Playing { node, hand });
        }
        let lead = devices.get(&LEAD).ok_or(StoryError::UnknownDevice(LEAD))?;
        let visit = lead
            .node
            .start(story.plan.clone())
            .await
            .map_err(|e| on(LEAD, "starting the visit", e))?;
        let player = Self {
            story,
            air,
            devices,
            tags,
            visit,
            labels: Labels::default(),
            telling,
            fast,
            played: 0,
        };
        player.join_all().await?;
        Ok(player)
    }

    async fn join_all(&self) -> Result<(), DemoError> {
        let lead = self.node(LEAD)?;
        for (letter, playing) in &self.devices {
            if *letter != LEAD {
                let invitation = lead
                    .invite(self.visit)
                    .await
                    .map_err(|e| on(LEAD, "inviting", e))?;
                tokio::time::timeout(MERGE_WITHIN, playing.node.join(invitation))
                    .await
                    .map_err(|_| on(*letter, "joining", "no answer within 30 s"))?
                    .map_err(|e| on(*letter, "joining", e))?;
            }
            playing
                .node
                .be(self.visit, playing.hand.holder.clone())
                .await
                .map_err(|e| on(*letter, "taking the device in hand", e))?;
        }
        self.merged(self.devices.keys().copied().collect()).await?;
        // Each is named once it has heard what the inviter called it meanwhile.
        for (letter, playing) in &self.devices {
            playing
                .node
                .name_device(playing.hand.name.clone())
                .await
                .map_err(|e| on(*letter, "naming the device", e))?;
        }
        self.merged(self.devices.keys().copied().collect()).await?;
        Ok(())
    }

    fn node(&self, device: Letter) -> Result<&Node, DemoError> {
        let playing = self.devices.get(&device);
        Ok(&playing.ok_or(StoryError::UnknownDevice(device))?.node)
    }

    /// The lead's device, for its pages.
    pub(super) fn lead(&self) -> Result<Node, DemoError> {
        self.node(LEAD).cloned()
    }

    /// What the merged visit is called.
    pub(super) fn visit(&self) -> DocumentId {
        self.visit
    }

    /// Plays all lines.
    pub(super) async fn play(&mut self) -> Result<(), DemoError> {
        for line in &self.story.lines {
            self.played += 1;
            match line {
                Line::Step(step) => self.step(step).await?,
                Line::Stage(stage) => self.stage(stage).await?,
            }
        }
        Ok(())
    }

    async fn pause(&self, time: Duration) {
        if !self.fast {
            tokio::time::sleep(time).await;
        }
    }

    async fn step(&mut self, step: &Step) -> Result<(), DemoError> {
        if step.names_others() {
            self.merged(self.air.in_reach(step.device)).await?;
        }
        let act = Act {
            tap_id: format!("demo-step-{}", self.played),
            by: step.by.clone(),
            at: Some(step.at),
            why: step.why.clone(),
            facts: step.facts(&self.labels)?,
        };
        let saved = self
            .node(step.device)?
            .act(self.visit, act)
            .await
            .map_err(|e| on(step.device, step.at, e))?;
        self.label(step.label.as_deref(), saved.records);
        self.pause(STEP_SEEN).await;
        Ok(())
    }

    fn label(&mut self, label: Option<&str>, records: Vec<RecordId>) {
        if let Some(label) = label {
            self.labels.put(label, records);
        }
    }

    async fn stage(&mut self, stage: &Stage) -> Result<(), DemoError> {
        match stage {
            Stage::Devices(_) => Ok(()),
            Stage::Say(words) => {
                self.tell_devices().await?;
                self.telling.scene(words).map_err(DemoError::Telling)?;
                self.pause(SENTENCE_READ).await;
                Ok(())
            }
            Stage::Apart(groups) => {
                let groups = groups.iter().map(|g| g.iter().copied().collect());
                self.regroup(groups.collect()).await
            }
            Stage::Together(_) => {
                self.regroup(vec![self.devices.keys().copied().collect()])
                    .await
            }
            Stage::SpareVisit(spare) => self.start_spare(spare).await,
            Stage::Sign(sign) => self.sign(sign).await,
            Stage::ReadAloud(_) => self.read_aloud().await,
        }
    }

    /// What was in reach has been heard before devices go apart, and those that come together
    /// hear what they missed.
    async fn regroup(&mut self, groups: Vec<BTreeSet<Letter>>) -> Result<(), DemoError> {
        for group in self.air.groups() {
            self.merged(group).await?;
        }
        self.air.part(groups.clone());
        let begun = Instant::now();
        for group in groups {
            self.merged(group).await?;
        }
        let took = begun.elapsed().as_secs_f64();
        if took >= 0.1 {
            self.telling
                .note(&format!("(Merged within reach after {took:.1} s.)"))
                .map_err(DemoError::Telling)?;
        }
        Ok(())
    }

    async fn start_spare(&mut self, spare: &SpareVisit) -> Result<(), DemoError> {
        let node = self.node(spare.device)?.clone();
        let failed = |e| on(spare.device, "starting the visit a second time", e);
        let document = node
            .start(spare.plan(&self.story.plan))
            .await
            .map_err(failed)?;
        let act = Act {
            tap_id: format!("demo-spare-{}", self.played),
            by: spare.by.clone(),
            at: Some(spare.at),
            why: None,
            facts: spare.facts()?,
        };
        node.act(document, act).await.map_err(failed)?;
        let lines = node.visits().await;
        let doubles = lines.iter().filter(|l| !l.perhaps_same_as.is_empty());
        let words = format!(
            "{} asks: {} visits of {} on one day are here; perhaps it is one, made twice.",
            spare.device,
            doubles.count(),
            self.story.plan.site
        );
        self.telling.note(&words).map_err(DemoError::Telling)
    }

    async fn sign(&mut self, sign: &SignLine) -> Result<(), DemoError> {
        self.merged(self.air.in_reach(sign.device)).await?;
        let act = Sign {
            tap_id: format!("demo-sign-{}", self.played),
            by: sign.by.clone(),
            at: Some(sign.at),
            why: sign.why.clone(),
        };
        let saved = self
            .node(sign.device)?
            .sign(self.visit, act)
            .await
            .map_err(|e| on(sign.device, sign.at, e))?;
        self.label(sign.label.as_deref(), saved.records);
        self.merged(self.air.in_reach(sign.device)).await?;
        let picture = self.picture(sign.device).await?;
        if let Some(newest) = picture.view.signatures.last() {
            let words = format!(
                "Version {} is signed by {}: digest {}.",
                newest.version,
                sign.by,
                newest.digest.chars().take(16).collect::<String>()
            );
            self.telling.note(&words).map_err(DemoError::Telling)?;
        }
        Ok(())
    }

    async fn read_aloud(&mut self) -> Result<(), DemoError> {
        self.tell_devices().await?;
        let pictures = self.merged(self.devices.keys().copied().collect()).await?;
        let summaries: BTreeSet<String> = pictures.iter().map(|p| p.summary.to_json()).collect();
        let Some(picture) = pictures.first().filter(|_| summaries.len() == 1) else {
            return Err(DemoError::Differ {
                summaries: summaries.len(),
            });
        };
        let words = format!(
            "All {} devices hold the same {} records and reckon the same summary, byte for byte.",
            pictures.len(),
            picture.view.records
        );
        self.telling.paragraph(&words).map_err(DemoError::Telling)?;
        self.telling
            .read_aloud(&picture.summary)
            .map_err(DemoError::Telling)?;
        self.telling
            .asked(&picture.summary)
            .map_err(DemoError::Telling)?;
        self.pause(SENTENCE_READ).await;
        Ok(())
    }

    async fn picture(&self, device: Letter) -> Result<Arc<Picture>, DemoError> {
        self.node(device)?
            .picture(self.visit)
            .await
            .ok_or_else(|| on(device, "showing the visit", "it isn't on this device"))
    }

    /// Tells what each device knows, once devices in reach have heard each other.
    async fn tell_devices(&mut self) -> Result<(), DemoError> {
        for group in self.air.groups() {
            self.merged(group).await?;
        }
        let mut sights = Vec::new();
        for letter in self.devices.keys() {
            sights.push(self.sight(*letter).await?);
        }
        self.telling.devices(&sights).map_err(DemoError::Telling)
    }

    async fn sight(&self, letter: Letter) -> Result<Sight, DemoError> {
        let hand = &self
            .devices
            .get(&letter)
            .ok_or(StoryError::UnknownDevice(letter))?
            .hand;
        let picture = self.picture(letter).await?;
        let now = Clock::ahead_by(hand.ahead()).now();
        let in_reach = self.air.in_reach(letter);
        let (mut hears, mut heard) = (BTreeSet::new(), Vec::new());
        for peer in &picture.live {
            let Some(other) = self.tags.get(&peer.tag) else {
                continue;
            };
            // A device takes some seconds to notice that another is gone.
            if peer.connected && in_reach.contains(other) {
                hears.insert(*other);
            } else if let Some(last) = peer.last_heard {
                heard.push((*other, (now - last).num_seconds()));
            }
        }
        let holder = hand.holder.as_str();
        Ok(Sight {
            letter,
            holder: holder.split(' ').next().unwrap_or(holder).to_owned(),
            picture,
            hears,
            heard,
        })
    }

    /// Waits until devices in reach of each other hold the same, and returns what they show.
    async fn merged(&self, group: BTreeSet<Letter>) -> Result<Vec<Arc<Picture>>, DemoError> {
        let begun = Instant::now();
        loop {
            let mut pictures = Vec::new();
            for device in &group {
                pictures.push(self.picture(*device).await?);
            }
            let mut heads = pictures.iter().map(|p| &p.view.heads);
            let first = heads.next();
            if heads.all(|other| Some(other) == first) {
                return Ok(pictures);
            }
            if begun.elapsed() > MERGE_WITHIN {
                let records = group.iter().zip(&pictures);
                let records = records.map(|(letter, p)| format!("{letter} {}", p.view.records));
                return Err(DemoError::NotMerged {
                    records: records.collect::<Vec<_>>().join(", "),
                });
            }
            tokio::time::sleep(Duration::from_millis(15)).await;
        }
    }

    /// Closes all devices but the lead's.
    pub(super) async fn close_others(&self) {
        for (letter, playing) in &self.devices {
            if *letter != LEAD {
                playing.node.quit().await;
            }
        }
    }
}

async fn start_device(
    air: &Air,
    letter: Letter,
    hand: &Hand,
    folder: &Path,
) -> Result<(Node, DeviceTag), DemoError> {
    let options = Options {
        // As the program itself lays out a data folder, so that it can be opened with it later.
        folder: folder.join(letter.to_string()).join("device"),
        witness: Some(folder.join(letter.to_string()).join("device.witness")),
        listen: SocketAddr::from((Ipv4Addr::LOCALHOST, 0)),
        reach: Reach::At(air.front(letter).into_iter().collect()),
        name: hand.name.clone(),
        clock: Clock::ahead_by(hand.ahead()),
    };
    let node = crate::start(options, tokio::runtime::Handle::current())
        .map_err(|e| on(letter, "starting", e))?;
    let device = node.device().await;
    let tag = device.as_ref().map(|d| d.tag);
    let address = device.and_then(|d| d.address);
    let socket = address.and_then(|a| a.parse().ok());
    let (Some(tag), Some(socket)) = (tag, socket) else {
        return Err(on(letter, "starting", "it has no address"));
    };
    air.put(letter, socket);
    Ok((node, tag))
}
