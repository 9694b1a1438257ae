//! `auto` for a setting that is found out from the scan unless it is given.

use serde::de::{Error, IntoDeserializer};
use serde::{Deserialize, Deserializer, Serialize, Serializer};

#[expect(clippy::ref_option, reason = "serde prescribes the signature")]
pub(super) fn serialize<T: Serialize, S: Serializer>(given: &Option<T>, serializer: S) -> Result<S::Ok, S::Error> {
    match given {
        Some(given) => given.serialize(serializer),
        None => serializer.serialize_str("auto"),
    }
}

pub(super) fn deserialize<'de, T: Deserialize<'de>, D: Deserializer<'de>>(
    deserializer: D,
) -> Result<Option<T>, D::Error> {
    let word = String::deserialize(deserializer)?;
    if word == "auto" {
        return Ok(None);
    }
    let given: Result<T, serde::de::value::Error> = T::deserialize(word.into_deserializer());
    given.map(Some).map_err(|e| D::Error::custom(format!("{e}, or `auto`")))
}

/// Schema of what may be written: a value, or `auto`.
pub(super) fn schema<T: schemars::JsonSchema>(generator: &mut schemars::SchemaGenerator) -> schemars::Schema {
    let value = generator.subschema_for::<T>();
    schemars::json_schema!({"anyOf": [{"const": "auto"}, value], "default": "auto"})
}
