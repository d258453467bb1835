//! Signatures and what came after them.
use gravelbar_ledger::RecordId;
use serde::Serialize;

use super::Stamp;

/// A signature.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct SignatureView {
    /// Who and when.
    pub stamp: Stamp,
    /// First signature is version 1.
    pub version: u32,
    /// What is printed on the sheet.
    pub digest: String,
    /// How many records it covers; `None` where some of them aren't here.
    pub covers: Option<usize>,
    /// Devices named as not heard.
    pub not_heard: Vec<String>,
    /// Records of the visit that it doesn't cover.
    pub arrived_after: Vec<RecordId>,
    /// Of these, records someone has accepted.
    pub accepted: Vec<RecordId>,
    /// Opened again by.
    pub reopened: Option<Stamp>,
}

/// How the visit stands.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case", tag = "state")]
pub enum SignState {
    /// Nobody has signed.
    Open,
    /// Signed, and nothing has come since.
    Signed {
        /// Version signed.
        version: u32,
    },
    /// Records came after the newest signature.
    ChangedAfter {
        /// Version signed.
        version: u32,
        /// How many records came after it.
        arrived_after: usize,
        /// Of these, not yet accepted.
        waiting: usize,
    },
    /// Opened again.
    Reopened {
        /// Version set aside.
        version: u32,
    },
}
