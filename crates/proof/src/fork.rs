//! A device that went on twice from one point: a copy of its data went its own way, or was put back.

use std::collections::BTreeMap;

use gravelbar_ledger::Writer;

use crate::device::DeviceId;
use crate::provenance::Provenance;
use crate::run::Run;

/// Two histories of one device.
///
/// All of it is kept and counts, once each: the runs have different names, so nothing of one can take the place
/// of anything of the other. That there are two is for a person to know.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum Fork {
    /// Several runs name one and the same run as the one before them: two devices use one key.
    #[error(
        "{} runs of the device {} go on from one point: a copy of its data is in use on another device, or was put back from an older copy",
        runs.len(),
        device.tag()
    )]
    Twice {
        /// The device.
        device: DeviceId,
        /// The run they all go on from; nothing if each says it is the first.
        from: Option<Writer>,
        /// The runs.
        runs: Vec<Writer>,
    },
    /// A run goes on from a point that the run before it had long passed: the device's data was put back
    /// from an older copy.
    #[error(
        "the device {} went on from its number {at}, though it had written up to {reached}: its data was put back from an older copy, or a copy of it is in use",
        device.tag()
    )]
    Restored {
        /// The device.
        device: DeviceId,
        /// The run that goes on.
        run: Writer,
        /// The run that it goes on from.
        from: Writer,
        /// Where it says that run ended.
        at: u64,
        /// Where that run is known to reach.
        reached: u64,
    },
    /// A run says something else about the run before it than that run's own chain.
    #[error(
        "the device {} says two things about its own records up to number {at}: it doesn't keep to the rules, or somebody else has its key",
        device.tag()
    )]
    Altered {
        /// The device.
        device: DeviceId,
        /// The run that goes on.
        run: Writer,
        /// The run that it goes on from.
        from: Writer,
        /// Up to where they differ.
        at: u64,
    },
}

impl Fork {
    /// Whose history it is.
    #[must_use]
    pub fn device(&self) -> DeviceId {
        match self {
            Self::Twice { device, .. }
            | Self::Restored { device, .. }
            | Self::Altered { device, .. } => *device,
        }
    }
}

impl Provenance {
    /// Where a device's history parts, by device.
    #[must_use]
    pub fn forks(&self) -> Vec<Fork> {
        let mut from_one_point: BTreeMap<(DeviceId, Option<Writer>), Vec<Writer>> = BTreeMap::new();
        let mut forks = Vec::new();
        for (writer, run) in &self.runs {
            let device = run.opening.device();
            let from = run.opening.previous_writer();
            from_one_point
                .entry((device, from))
                .or_default()
                .push(*writer);
            forks.extend(self.before(*writer, run));
        }
        for ((device, from), runs) in from_one_point {
            if runs.len() > 1 {
                forks.push(Fork::Twice { device, from, runs });
            }
        }
        forks.sort_by_key(Fork::device);
        forks
    }

    /// What a run says about the one before it, held against that one's own chain.
    fn before(&self, writer: Writer, run: &Run) -> Option<Fork> {
        let previous = run.opening.previous()?;
        let from = run.opening.previous_writer()?;
        let before = self.runs.get(&from)?;
        let (device, at) = (run.opening.device(), previous.number);
        if before.opening.device() != device {
            return None;
        }
        if before
            .link_at(at)
            .is_some_and(|link| link.0 != previous.link)
        {
            return Some(Fork::Altered {
                device,
                run: writer,
                from,
                at,
            });
        }
        (before.known() > at).then(|| Fork::Restored {
            device,
            run: writer,
            from,
            at,
            reached: before.known(),
        })
    }
}
