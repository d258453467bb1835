//! What stands on top of every sheet: which visit, in which state, by whom, on which devices.

use chrono::{DateTime, FixedOffset, NaiveDate};
use gravelbar_visit::{DeviceTag, DocumentId, PersonName, Role, SignState, View, digest};
use serde::Serialize;

use crate::figure::figure;
use crate::moment::Clocks;

/// The visit and the state of it that the summary tells of.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Header {
    /// The document.
    pub document: DocumentId,
    /// Site code.
    pub site: String,
    /// Stream and place in words.
    pub place: String,
    /// The planned day.
    pub date: NaiveDate,
    /// Why the reach is fished.
    pub purpose: String,
    /// Passes planned on each channel.
    pub planned_passes: u8,
    /// The state of the document, as hexadecimal heads in order.
    pub heads: Vec<String>,
    /// [`digest`] of those heads: what is printed on the sheet and signed. Two devices that show one
    /// digest hold the same records, and so the same summary.
    pub digest: String,
    /// How many records the document holds.
    pub records: usize,
    /// How the visit stands.
    pub sign: SignState,
    /// Person who signed last, and when.
    pub signed: Option<Signed>,
}

/// The newest signature.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Signed {
    /// Who.
    pub by: PersonName,
    /// When, on the corrected clock.
    pub at: DateTime<FixedOffset>,
    /// Version signed.
    pub version: u32,
    /// Digest signed.
    pub digest: String,
}

/// A crew member.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Member {
    /// Name.
    pub name: PersonName,
    /// Roles held now.
    pub roles: Vec<Role>,
    /// Devices held now.
    pub devices: Vec<DeviceTag>,
    /// Went home.
    pub left: bool,
}

/// A device, and how much of it is known here.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct DeviceLine {
    /// Short name in record ids.
    pub tag: DeviceTag,
    /// What the crew calls it.
    pub name: String,
    /// Who holds it.
    pub holder: Option<PersonName>,
    /// How many of its records are here.
    pub records: usize,
    /// The corrected time of its newest record here: it may hold more.
    pub last_record: Option<DateTime<FixedOffset>>,
    /// Its clock minus the reference device's, s; `None` where they never met.
    pub clock_offset_s: Option<f64>,
    /// How far that may be off, s.
    pub clock_uncertainty_s: Option<f64>,
}

pub(crate) fn header(view: &View, clocks: &Clocks) -> Header {
    let mut heads = view.heads.clone();
    heads.sort_unstable();
    let newest = view
        .signatures
        .iter()
        .max_by_key(|s| (s.version, s.stamp.id));
    Header {
        document: view.document,
        site: view.plan.site.clone(),
        place: view.plan.place.clone(),
        date: view.plan.date,
        purpose: view.plan.purpose.clone(),
        planned_passes: view.plan.passes,
        digest: digest(&heads),
        heads,
        records: view.records,
        sign: view.sign_state.clone(),
        signed: newest.map(|s| Signed {
            by: s.stamp.by.clone(),
            at: clocks.shown(&s.stamp),
            version: s.version,
            digest: s.digest.clone(),
        }),
    }
}

pub(crate) fn crew(view: &View) -> Vec<Member> {
    let mut crew: Vec<Member> = (view.people.iter())
        .map(|person| {
            let (mut roles, mut devices) = (person.roles.clone(), person.devices.clone());
            roles.sort_unstable();
            devices.sort_unstable();
            Member {
                name: person.name.clone(),
                roles,
                devices,
                left: person.left,
            }
        })
        .collect();
    crew.sort_by(|a, b| a.name.cmp(&b.name));
    crew
}

pub(crate) fn devices(view: &View, clocks: &Clocks) -> Vec<DeviceLine> {
    let seconds = |ms: Option<i64>| ms.and_then(|ms| figure(ms as f64 / 1_000.0));
    let mut devices: Vec<DeviceLine> = (view.devices.iter())
        .map(|device| DeviceLine {
            tag: device.tag,
            name: device.name.clone(),
            holder: device.holder.clone(),
            records: device.records,
            last_record: device.last.as_ref().map(|last| clocks.shown(last)),
            clock_offset_s: seconds(device.clock_offset_ms),
            clock_uncertainty_s: seconds(device.clock_uncertainty_ms),
        })
        .collect();
    devices.sort_by_key(|device| device.tag);
    devices
}
