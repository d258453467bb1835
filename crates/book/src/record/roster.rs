//! An entry of the roster: who is given which rights, who loses them, and what of a lost device
//! still counts.

use std::collections::BTreeMap;
use std::fmt;
use std::str::FromStr;

use chrono::NaiveDate;
use gravelbar_ledger::{DocumentId, RecordId, Writer};
use gravelbar_visit::{PersonName, Role};
use serde::{Deserialize, Serialize};
use sha2::{Digest as _, Sha256};

use super::{Check, FactError, person};
use crate::founding::{DeviceKey, hexadecimal};

/// The most entries one entry may say that it comes after.
pub const MAX_PREVIOUS: usize = 32;

/// The most grants one entry may withdraw or keep.
pub const MAX_NAMED: usize = 100;

/// SHA-256 of a record's text, written in hexadecimal.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct TextDigest(pub [u8; 32]);

impl TextDigest {
    /// Of this text.
    #[must_use]
    pub fn of(text: &str) -> Self {
        Self(Sha256::digest(text.as_bytes()).into())
    }
}

impl fmt::Display for TextDigest {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.0.iter().try_for_each(|byte| write!(f, "{byte:02x}"))
    }
}

impl fmt::Debug for TextDigest {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        fmt::Display::fmt(self, f)
    }
}

/// A grant by its name: what the founding gave the founder's device, or what an entry gave.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum GrantName {
    /// The founder's device leads.
    Founder,
    /// The grant in this record.
    Entry(RecordId),
}

impl fmt::Display for GrantName {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Founder => f.write_str("founder"),
            Self::Entry(record) => record.fmt(f),
        }
    }
}

/// A text that names no grant.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error("a grant is named “founder” or by its record")]
pub struct GrantNameError;

impl FromStr for GrantName {
    type Err = GrantNameError;

    fn from_str(text: &str) -> Result<Self, GrantNameError> {
        match text {
            "founder" => Ok(Self::Founder),
            record => record.parse().map(Self::Entry).map_err(|_| GrantNameError),
        }
    }
}

impl FromStr for TextDigest {
    type Err = crate::founding::DeviceKeyError;

    fn from_str(text: &str) -> Result<Self, Self::Err> {
        hexadecimal(text)
            .map(Self)
            .ok_or(crate::founding::DeviceKeyError)
    }
}

macro_rules! written_as_text {
    ($($name:ty),*) => {$(
        impl Serialize for $name {
            fn serialize<S: serde::Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
                serializer.collect_str(self)
            }
        }

        impl<'de> Deserialize<'de> for $name {
            fn deserialize<D: serde::Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
                let text = std::borrow::Cow::<'de, str>::deserialize(deserializer)?;
                text.parse().map_err(serde::de::Error::custom)
            }
        }
    )*};
}

written_as_text!(TextDigest, GrantName);

/// An earlier entry, bound by its text, so that nothing else can stand in its place.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub struct Link {
    /// Its record.
    pub record: RecordId,
    /// Of its text.
    pub digest: TextDigest,
}

/// A change of the roster. It counts only if its author's device leads, or is the office's, in the
/// roster that the entries before it make.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct RosterEntry {
    /// One more than the highest of the entries it comes after; 1 for a first one.
    pub epoch: u32,
    /// The entries it comes after: all that nothing else its author held came after.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub previous: Vec<Link>,
    /// Rights given to a device.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub grant: Option<Grant>,
    /// Grants that no longer hold.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub withdraw: Vec<GrantName>,
    /// A device that is shut out for good.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub revoke: Option<Revoke>,
    /// Grants that stand although others were made apart from them.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub keep: Vec<GrantName>,
    /// Records of a device that was shut out, looked at by a person and let count.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub accept: Option<Accept>,
}

/// Rights given to a device.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Grant {
    /// Which device.
    pub key: DeviceKey,
    /// Whose.
    pub person: PersonName,
    /// What its holder does; a device of a [`Role::Lead`] may change the roster.
    pub roles: Vec<Role>,
    /// The office's device, which may change the roster too.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub office: bool,
    /// Which visits it may have.
    #[serde(default, skip_serializing_if = "Validity::is_everything")]
    pub valid: Validity,
}

impl Grant {
    /// Whether it lets the device change the roster.
    #[must_use]
    pub fn leads(&self) -> bool {
        self.office || self.roles.contains(&Role::Lead)
    }
}

/// The visits a grant is good for, told by the visits' planned days, never by a clock. Whatever is
/// left out is no bound.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Validity {
    /// These only.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub visits: Vec<DocumentId>,
    /// Those of this year.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub season: Option<i32>,
    /// Those up to and on this day.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub until: Option<NaiveDate>,
}

impl Validity {
    /// Whether it sets no bound.
    #[must_use]
    pub fn is_everything(&self) -> bool {
        *self == Self::default()
    }

    /// Whether a visit planned for `day` is within it.
    ///
    /// ```
    /// use gravelbar_book::{Founding, DeviceKey, Validity};
    ///
    /// let visit = Founding::new("any document", DeviceKey([1; 32]), [2; 16])?.document_id();
    /// let season = Validity { season: Some(2026), ..Validity::default() };
    /// assert!(season.covers(visit, "2026-08-18".parse()?));
    /// assert!(!season.covers(visit, "2027-05-02".parse()?));
    /// # Ok::<(), Box<dyn std::error::Error>>(())
    /// ```
    #[must_use]
    pub fn covers(&self, visit: DocumentId, day: NaiveDate) -> bool {
        use chrono::Datelike as _;
        (self.visits.is_empty() || self.visits.contains(&visit))
            && self.season.is_none_or(|year| day.year() == year)
            && self.until.is_none_or(|until| day <= until)
    }
}

/// How far each run of a device reaches in a document: the number of its last record that counts.
/// A run that isn't named reaches nowhere.
pub type Reach = BTreeMap<Writer, u32>;

/// A device that is shut out for good: it was lost, or its holder is no longer trusted. Its key
/// never comes back; a device that is found again gets a new one.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Revoke {
    /// Which.
    pub key: DeviceKey,
    /// What of it counts, by document. In a document that isn't named, nothing.
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    pub cuts: BTreeMap<DocumentIdText, Reach>,
}

impl Revoke {
    /// The number of the last record of `writer` that counts in `document`.
    #[must_use]
    pub fn cut(&self, document: DocumentId, writer: Writer) -> u32 {
        let reach = self.cuts.get(&DocumentIdText(document));
        reach.and_then(|r| r.get(&writer)).copied().unwrap_or(0)
    }
}

/// A document's name as the key of a map.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(transparent)]
pub struct DocumentIdText(pub DocumentId);

/// Records of a device that was shut out, looked at by a person and let count.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Accept {
    /// The revocations it answers; one that its author hadn't seen holds all the same.
    pub of: Vec<RecordId>,
    /// In which document.
    pub document: DocumentId,
    /// Up to these.
    pub last: Reach,
}

impl Check for RosterEntry {
    fn check(&self) -> Result<(), FactError> {
        if self.previous.len() > MAX_PREVIOUS {
            return Err(FactError::Incomplete(
                "a roster entry comes after 32 others at most",
            ));
        }
        if self.withdraw.len() > MAX_NAMED || self.keep.len() > MAX_NAMED {
            return Err(FactError::Incomplete(
                "a roster entry names 100 grants at most",
            ));
        }
        if let Some(grant) = &self.grant {
            person(&grant.person)?;
        }
        if self.accept.as_ref().is_some_and(|a| a.of.is_empty()) {
            return Err(FactError::Incomplete(
                "accepting a lost device's records names the entry that shut it out",
            ));
        }
        Ok(())
    }
}
