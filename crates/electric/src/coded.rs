//! Owns the form of every refusal and caution in data: a code for machines, words for the crew.

/// Serializes a type that has `code()` and `Display` as `{"code": "...", "text": "..."}`.
macro_rules! coded {
    ($type:ty) => {
        impl serde::Serialize for $type {
            fn serialize<S: serde::Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
                use serde::ser::SerializeStruct;
                let mut coded = serializer.serialize_struct("Coded", 2)?;
                coded.serialize_field("code", self.code())?;
                coded.serialize_field("text", &self.to_string())?;
                coded.end()
            }
        }
    };
}
pub(crate) use coded;
