//! JSON Schemas (2020-12) of the files an owner writes, for editors that complete and check while typing.
//!
//! They come from the same types that the files are read into, so they name every setting, its meaning and its default.

use schemars::generate::SchemaSettings;
use schemars::{JsonSchema, Schema, SchemaGenerator};
use serde_json::{Value, json};

use crate::equipment::{Filament, Printer};
use crate::stages::{StageEntry, TABLE};

/// Of a pipeline.
#[must_use]
pub fn pipeline() -> Value {
    let mut generator = generator();
    let names: Vec<Value> = TABLE.iter().map(name).collect();
    let with_settings: Vec<Value> = TABLE.iter().map(|entry| with_settings(entry, &mut generator)).collect();
    let ways = [names, with_settings].concat();
    let stage = json!({"description": "A stage by its name, or its name with settings", "anyOf": ways});
    let page = json!({
        "title": "Pipeline",
        "description": "What becomes of a scan, stage by stage",
        "type": "object",
        "additionalProperties": false,
        "required": ["stages"],
        "properties": {
            "about": {"description": "One line for people", "type": "string"},
            "printer": {
                "description": "A printer of printers.yaml by its name, or the one the figure is made for and those that help; \
                                the first of the file when left out",
                "type": ["string", "array", "null"],
                "items": {"type": "string"},
            },
            "stages": {"type": "array", "items": stage},
        },
    });
    finished(page, generator)
}

fn name(entry: &StageEntry) -> Value {
    json!({"const": entry.name, "description": entry.summary})
}

fn with_settings(entry: &StageEntry, generator: &mut SchemaGenerator) -> Value {
    let settings = (entry.schema)(generator);
    json!({
        "type": "object",
        "description": entry.summary,
        "additionalProperties": false,
        "required": [entry.name],
        "properties": {entry.name: {"anyOf": [settings, {"type": "null"}]}},
    })
}

/// Of a shelf.
#[must_use]
pub fn filaments() -> Value {
    list_of::<Filament>("Filaments", "The filaments on the shelf")
}

/// Of a list of printers.
#[must_use]
pub fn printers() -> Value {
    list_of::<Printer>("Printers", "The owner's printers; the first is taken where a pipeline names none")
}

fn list_of<T: JsonSchema>(title: &str, description: &str) -> Value {
    let mut generator = generator();
    let item: Schema = generator.subschema_for::<T>();
    let page = json!({"title": title, "description": description, "type": "array", "minItems": 1, "items": item});
    finished(page, generator)
}

fn generator() -> SchemaGenerator {
    SchemaSettings::draft2020_12().into_generator()
}

/// The page with the definitions it refers to.
fn finished(mut page: Value, mut generator: SchemaGenerator) -> Value {
    page["$schema"] = json!("https://json-schema.org/draft/2020-12/schema");
    page["$defs"] = Value::Object(generator.take_definitions(true));
    page
}
