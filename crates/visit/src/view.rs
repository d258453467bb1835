//! What the records mean when read together: plain structs, each with who, when and its rivals.

mod amended;
mod catch;
mod clocks;
mod crew;
mod flag;
mod history;
mod lost;
mod named;
mod passes;
mod place;
mod read;
mod safety;
mod seen;
mod sign;
mod standing;

use chrono::{DateTime, FixedOffset};
use gravelbar_ledger::{DeviceTag, DocumentId, RecordId};
use serde::Serialize;

pub use flag::{Flag, FlagKind};
pub use history::HistoryLine;
pub(crate) use lost::Held;
pub use lost::LostView;
pub(crate) use named::{has_field, may_be_joined, may_be_undone, may_be_voided};
pub(crate) use read::{Heading, life_of};
pub use safety::{ItemView, Safety, SafetyState, StopView};
pub use seen::{Causality, Past, Seen, Unreadable};
pub use sign::{SignState, SignatureView};
pub(crate) use standing::Standings;

use crate::joining::JoinedVisit;
use crate::names::{BucketLabel, Channel, Pack, PassKey, PersonName, SpeciesName};
use crate::plan::Plan;
use crate::record::{
    BucketMoment, CountKind, DeathStage, Decision, Fate, GearEvent, Incident, LengthType, NetEnd,
    NetState, Note, Role, Setting, Source, Trial, Water,
};

/// Who wrote a record and when.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Stamp {
    /// The record.
    pub id: RecordId,
    /// Its place in the order by cause: whatever its author had seen stands lower. Records of one
    /// number were made apart from each other.
    pub lamport: u64,
    /// The person.
    pub by: PersonName,
    /// The author's clock as it stood.
    pub at: DateTime<FixedOffset>,
    /// The same moment on the reference device's clock, as far as the offsets are known.
    pub corrected: DateTime<FixedOffset>,
}

/// Something recorded once and kept as it is.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Dated<T> {
    /// Who and when.
    pub stamp: Stamp,
    /// The reason given.
    pub why: Option<String>,
    /// What.
    pub what: T,
    /// Taken out of the totals.
    pub voided: bool,
}

/// A value that people may have given more than once.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Settled<T> {
    /// The value that counts meanwhile.
    pub value: T,
    /// The record it comes from.
    pub from: RecordId,
    /// Values that nobody has replaced and that differ; empty once settled.
    pub rivals: Vec<Rival<T>>,
}

/// A value that stands beside the one that counts.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Rival<T> {
    /// The value.
    pub value: T,
    /// The record it comes from.
    pub from: RecordId,
    /// Who gave it.
    pub by: PersonName,
}

/// A crew member.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct PersonView {
    /// Name.
    pub name: PersonName,
    /// Roles held now.
    pub roles: Vec<Role>,
    /// Devices held now.
    pub devices: Vec<DeviceTag>,
    /// Went home.
    pub left: bool,
}

/// A role taken or given up.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct RoleChange {
    /// Who recorded it and when.
    pub stamp: Stamp,
    /// Whose role.
    pub person: PersonName,
    /// Which role.
    pub role: Role,
    /// Taken, or given up.
    pub taken: bool,
}

/// A device of the visit.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct DeviceView {
    /// Short name in record ids.
    pub tag: DeviceTag,
    /// SHA-256 of its public key, hexadecimal; blank for a device that wrote records without
    /// being listed.
    pub key: String,
    /// What the crew calls it.
    pub name: String,
    /// Who holds it.
    pub holder: Option<PersonName>,
    /// How many of its records are here.
    pub records: usize,
    /// Its newest record here.
    pub last: Option<Stamp>,
    /// Its clock minus the reference device's, ms, where a chain of meetings tells.
    pub clock_offset_ms: Option<i64>,
    /// How far that offset may be off, ms.
    pub clock_uncertainty_ms: Option<i64>,
}

/// One arm of the stream.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ChannelView {
    /// Which.
    pub channel: Channel,
    /// Fished length, m.
    pub length_m: Option<Settled<f64>>,
    /// Wetted widths, m.
    pub widths_m: Vec<Dated<f64>>,
}

/// One block net.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct NetView {
    /// Which arm.
    pub channel: Channel,
    /// Which end.
    pub end: NetEnd,
    /// Its states, in order by cause.
    pub states: Vec<Dated<NetState>>,
    /// Mesh, mm, as last noted.
    pub mesh_mm: Option<f64>,
}

/// One pass over one channel.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct PassView {
    /// Which.
    pub pass: PassKey,
    /// Everyone who opened it; more than one where two did so apart.
    pub opened: Vec<Dated<()>>,
    /// Everyone who closed it.
    pub closed: Vec<Dated<()>>,
    /// Energised seconds by pack.
    pub counters: Vec<CounterView>,
}

/// One pack's counter over one pass.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct CounterView {
    /// Which pack.
    pub pack: Pack,
    /// The reading that counts, with its rivals: read beats heard, then the newest by cause.
    pub reading: Settled<CounterReading>,
}

/// A counter reading.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct CounterReading {
    /// Before the pass, s.
    pub start_s: f64,
    /// After the pass, s.
    pub end_s: f64,
    /// Read or heard.
    pub source: Source,
}

/// A netter's tap, or an escape seen.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct TallyView {
    /// Who and when.
    pub stamp: Stamp,
    /// The pass it counts for now.
    pub pass: Settled<PassKey>,
    /// Species or group.
    pub species: Settled<SpeciesName>,
    /// How many.
    pub n: Settled<u32>,
    /// Bucket.
    pub bucket: Option<BucketLabel>,
    /// Taken back or voided.
    pub out: bool,
}

/// One fish of the work-up.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct FishView {
    /// Who and when.
    pub stamp: Stamp,
    /// Reason given when it was recorded, such as a late-found bucket.
    pub why: Option<String>,
    /// The pass it counts for now.
    pub pass: Settled<PassKey>,
    /// Species.
    pub species: Settled<SpeciesName>,
    /// Length, mm.
    pub length_mm: Option<Settled<f64>>,
    /// Which length.
    pub length_type: Option<Settled<LengthType>>,
    /// Mass, g.
    pub mass_g: Option<Settled<f64>>,
    /// Marks.
    pub marks: Option<Settled<String>>,
    /// Anomalies.
    pub anomalies: Option<Settled<String>>,
    /// What became of it.
    pub fate: Option<Settled<Fate>>,
    /// Bucket.
    pub bucket: Option<BucketLabel>,
    /// Out of the totals.
    pub voided: bool,
}

/// Fish counted together.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct BatchView {
    /// Who and when.
    pub stamp: Stamp,
    /// Reason given when it was recorded.
    pub why: Option<String>,
    /// The pass it counts for now.
    pub pass: Settled<PassKey>,
    /// Species.
    pub species: Settled<SpeciesName>,
    /// How many.
    pub n: Settled<u32>,
    /// Counted or estimated.
    pub counted: CountKind,
    /// Mass together, g.
    pub mass_g: Option<Settled<f64>>,
    /// Shortest, mm.
    pub min_mm: Option<f64>,
    /// Longest, mm.
    pub max_mm: Option<f64>,
    /// Mean, mm.
    pub mean_mm: Option<f64>,
    /// Bucket.
    pub bucket: Option<BucketLabel>,
    /// Voided, or the same as an earlier one.
    pub out: bool,
}

/// Fish judged dead.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct DeathView {
    /// Who and when.
    pub stamp: Stamp,
    /// Pass.
    pub pass: Settled<PassKey>,
    /// Species.
    pub species: Settled<SpeciesName>,
    /// How many.
    pub n: Settled<u32>,
    /// When in the handling.
    pub stage: DeathStage,
    /// The fish's record.
    pub fish: Option<RecordId>,
    /// Voided, or known to be the same as an earlier one.
    pub out: bool,
}

/// A bucket and what it went through.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct BucketView {
    /// Label.
    pub label: BucketLabel,
    /// The pass its fish belong to.
    pub pass: PassKey,
    /// Its moments, in order by cause.
    pub moments: Vec<Dated<BucketMoment>>,
}

/// The visit as these records tell it. A pure function of the document.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct View {
    /// The document.
    pub document: DocumentId,
    /// Its heads in their written form, sorted.
    pub heads: Vec<String>,
    /// How many records it holds.
    pub records: usize,
    /// The plan.
    pub plan: Plan,
    /// The crew, by name.
    pub people: Vec<PersonView>,
    /// Roles over time.
    pub role_changes: Vec<RoleChange>,
    /// The devices, by tag.
    pub devices: Vec<DeviceView>,
    /// Channels, by name.
    pub channels: Vec<ChannelView>,
    /// Nets, by channel and end.
    pub nets: Vec<NetView>,
    /// Water readings.
    pub water: Vec<Dated<Water>>,
    /// Settings in force, one after the other.
    pub settings: Vec<Dated<Setting>>,
    /// Trial steps.
    pub trials: Vec<Dated<Trial>>,
    /// Batteries, faults.
    pub gear: Vec<Dated<GearEvent>>,
    /// Passes, by channel and number.
    pub passes: Vec<PassView>,
    /// Taps.
    pub tallies: Vec<TallyView>,
    /// Escapes.
    pub escapes: Vec<TallyView>,
    /// Buckets, by label.
    pub buckets: Vec<BucketView>,
    /// Fish of the work-up.
    pub fish: Vec<FishView>,
    /// Batches.
    pub batches: Vec<BatchView>,
    /// Deaths.
    pub deaths: Vec<DeathView>,
    /// Checklist and stops.
    pub safety: Safety,
    /// Notes.
    pub notes: Vec<Dated<Note>>,
    /// Incidents.
    pub incidents: Vec<Dated<Incident>>,
    /// Decisions.
    pub decisions: Vec<Dated<Decision>>,
    /// Other documents joined into this one, whether or not the joining stands.
    pub joined: Vec<JoinedVisit>,
    /// Devices that are lost, by tag.
    pub lost: Vec<LostView>,
    /// Signatures, oldest first; the first is version 1.
    pub signatures: Vec<SignatureView>,
    /// How the visit stands.
    pub sign_state: SignState,
    /// Everything odd, in a fixed order.
    pub flags: Vec<Flag>,
}
