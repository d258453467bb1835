//! What a fact said before, who changed it, when and why.
use serde::Serialize;

use super::Stamp;

/// One step in the life of a record.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct HistoryLine {
    /// Who and when.
    pub stamp: Stamp,
    /// What was done, in words: "recorded", "length: 171 mm → 177 mm", "voided".
    pub what: String,
    /// Reason.
    pub why: Option<String>,
}
