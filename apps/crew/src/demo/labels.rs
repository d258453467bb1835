//! Labels: how a line of the story means a record that gets its name only when it is written.

use std::collections::BTreeMap;

use gravelbar_visit::RecordId;
use serde_json::Value;

/// Records by label.
#[derive(Debug, Clone, Default)]
pub struct Labels {
    records: BTreeMap<String, Vec<RecordId>>,
}

/// A label of no earlier line.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("${0} is no record of an earlier line")]
pub struct UnknownLabel(String);

impl Labels {
    /// Remembers the records of a line.
    pub fn put(&mut self, label: &str, records: Vec<RecordId>) {
        self.records.insert(label.to_owned(), records);
    }

    /// The record of a label: "close1" is the first of its line, "close1.2" the second.
    #[must_use]
    pub fn record(&self, label: &str) -> Option<RecordId> {
        let (name, number) = match label.rsplit_once('.') {
            Some((name, number)) => (name, number.parse().ok()?),
            None => (label, 1_usize),
        };
        self.records.get(name)?.get(number.checked_sub(1)?).copied()
    }

    /// `value` with every text that begins with "$" replaced by the id it stands for.
    ///
    /// # Errors
    ///
    /// [`UnknownLabel`].
    pub fn resolve(&self, value: &Value) -> Result<Value, UnknownLabel> {
        match value {
            Value::String(text) => match text.strip_prefix('$') {
                Some(label) => self
                    .record(label)
                    .map(|id| Value::String(id.to_string()))
                    .ok_or_else(|| UnknownLabel(label.to_owned())),
                None => Ok(value.clone()),
            },
            Value::Array(items) => items.iter().map(|item| self.resolve(item)).collect(),
            Value::Object(fields) => fields
                .iter()
                .map(|(name, field)| Ok((name.clone(), self.resolve(field)?)))
                .collect::<Result<_, _>>()
                .map(Value::Object),
            _ => Ok(value.clone()),
        }
    }
}

/// Whether any label is in `value`.
pub(super) fn names_any(value: &Value) -> bool {
    match value {
        Value::String(text) => text.starts_with('$'),
        Value::Array(items) => items.iter().any(names_any),
        Value::Object(fields) => fields.values().any(names_any),
        _ => false,
    }
}
