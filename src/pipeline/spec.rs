//! YAML text to `Spec`: what the owner asked for, each fault with its line and column.

use std::fmt;

use serde::Deserialize;
use serde::de::{self, DeserializeSeed, Deserializer, IgnoredAny, MapAccess, SeqAccess, Visitor};

use crate::problem::{Place, Problem, nearest};
use crate::stages::Stage;

/// Largest pipeline, shelf or printer file that is read, bytes.
pub const TEXT_MAX_BYTES: usize = 1 << 20;

/// A pipeline file as written.
#[derive(Clone, Debug, PartialEq)]
pub struct Spec {
    /// Name of the pipeline: the file's stem.
    pub name: String,
    /// File it came from, for messages.
    pub file: String,
    pub text: String,
    /// One line for people.
    pub about: String,
    /// Printers by name: the one the figure is made for, and those that help; the first of the workshop when none is named.
    pub printers: Vec<String>,
    pub stages: Vec<Stage>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Page {
    #[serde(default)]
    about: String,
    #[serde(default)]
    printer: Names,
    stages: Vec<Entry>,
}

/// One name, or a list of them.
#[derive(Default)]
struct Names(Vec<String>);

impl<'de> Deserialize<'de> for Names {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        deserializer.deserialize_any(NamesVisitor)
    }
}

struct NamesVisitor;

impl<'de> Visitor<'de> for NamesVisitor {
    type Value = Names;

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("the name of a printer, or a list of names")
    }

    fn visit_unit<E: de::Error>(self) -> Result<Names, E> {
        Ok(Names::default())
    }

    fn visit_str<E: de::Error>(self, name: &str) -> Result<Names, E> {
        Ok(Names(vec![name.to_owned()]))
    }

    fn visit_seq<A: SeqAccess<'de>>(self, mut list: A) -> Result<Names, A::Error> {
        let mut names = Vec::new();
        while let Some(name) = list.next_element()? {
            names.push(name);
        }
        Ok(Names(names))
    }
}

struct Entry(Stage);

impl<'de> Deserialize<'de> for Entry {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        deserializer.deserialize_any(EntryVisitor)
    }
}

struct EntryVisitor;

impl<'de> Visitor<'de> for EntryVisitor {
    type Value = Entry;

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("a stage: its name, or its name with a map of settings")
    }

    fn visit_str<E: de::Error>(self, name: &str) -> Result<Entry, E> {
        let empty = serde_yaml::Value::Mapping(serde_yaml::Mapping::new());
        Stage::from_value(name, empty).map(Entry).map_err(E::custom)
    }

    fn visit_map<A: MapAccess<'de>>(self, mut map: A) -> Result<Entry, A::Error> {
        let Some(name) = map.next_key::<String>()? else {
            return Err(de::Error::custom("an entry of `stages` names no stage"));
        };
        let stage = Stage::read(&name, &mut map)?;
        if let Some(second) = map.next_key::<String>()? {
            return Err(de::Error::custom(format!(
                "`{second}` stands in the same entry as `{name}`: one stage per `-`"
            )));
        }
        Ok(Entry(stage))
    }
}

/// Reads a pipeline.
///
/// # Errors
/// The fault the parser stops at, with its place.
pub fn read_spec(name: &str, file: &str, text: &str) -> Result<Spec, Problem> {
    let page: Page = read_yaml(file, text)?;
    let stages = page.stages.into_iter().map(|entry| entry.0).collect();
    Ok(Spec {
        name: name.into(),
        file: file.into(),
        text: text.into(),
        about: page.about,
        printers: page.printer.0,
        stages,
    })
}

/// Reads any YAML configuration file into `T`.
///
/// # Errors
/// The fault the parser stops at, with its place.
pub fn read_yaml<T: for<'de> Deserialize<'de>>(file: &str, text: &str) -> Result<T, Problem> {
    if text.len() > TEXT_MAX_BYTES {
        let what = format!("{} bytes are more than the {TEXT_MAX_BYTES} a configuration file may have", text.len());
        return Err(Problem { file: file.into(), what, hint: "is this the right file?".into(), ..Problem::default() });
    }
    let deserializer = serde_yaml::Deserializer::from_str(text);
    serde_path_to_error::deserialize(deserializer).map_err(|error| {
        let path = error.path().to_string();
        let inner = error.into_inner();
        let place = inner.location().map(|l| Place { line: l.line(), column: l.column() });
        let setting = if path == "." { String::new() } else { path };
        let (what, hint) = explain(&inner, &setting);
        Problem { file: file.into(), place, setting, what, hint }
    })
}

/// Turns the parser's words into what and hint: the position is said apart, unknown names get their nearest neighbour.
fn explain(error: &serde_yaml::Error, path: &str) -> (String, String) {
    let full = error.to_string();
    let text = full.split(" at line ").next().unwrap_or(&full);
    let text = text.rsplit_once("]: ").map_or(text, |(_, rest)| rest);
    let text = text.strip_prefix(&format!("{path}: ")).unwrap_or(text).to_owned();
    if let Some((_, rest)) = text.split_once("unknown field `")
        && let Some((wrong, known)) = rest.split_once('`')
    {
        let names: Vec<&str> = known.split('`').skip(1).step_by(2).collect();
        let near = nearest(wrong, names.iter().copied());
        let guess = near.map_or(String::new(), |n| format!("did you mean `{n}`? "));
        return (format!("unknown setting `{wrong}`"), format!("{guess}known here: {}", names.join(", ")));
    }
    (text, "see `statuary check --explain` for every setting and its default".into())
}

/// Line and column of `stages[index].STAGE.setting`, found by walking the text with the parser once more.
#[must_use]
pub fn place_of(text: &str, index: usize, setting: &str) -> Option<Place> {
    let find = |setting: Option<&str>| {
        let probe = Probe { index, setting };
        let error = probe.deserialize(serde_yaml::Deserializer::from_str(text)).err()?;
        error.location().map(|l| Place { line: l.line(), column: l.column() })
    };
    find(Some(setting)).or_else(|| find(None))
}

/// Walks to one setting and stops there with an error, which carries the place.
struct Probe<'a> {
    index: usize,
    setting: Option<&'a str>,
}

enum Depth {
    Page,
    List,
    Entry,
    Settings,
}

struct Walk<'a> {
    probe: &'a Probe<'a>,
    depth: Depth,
}

impl<'de> DeserializeSeed<'de> for Probe<'_> {
    type Value = ();

    fn deserialize<D: Deserializer<'de>>(self, deserializer: D) -> Result<(), D::Error> {
        Walk { probe: &self, depth: Depth::Page }.deserialize(deserializer)
    }
}

impl<'de> DeserializeSeed<'de> for Walk<'_> {
    type Value = ();

    fn deserialize<D: Deserializer<'de>>(self, deserializer: D) -> Result<(), D::Error> {
        deserializer.deserialize_any(self)
    }
}

impl<'de> Visitor<'de> for Walk<'_> {
    type Value = ();

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("a map, a list or a name")
    }

    fn visit_str<E: de::Error>(self, _: &str) -> Result<(), E> {
        if matches!(self.depth, Depth::Entry) { Err(E::custom("here")) } else { Ok(()) }
    }

    fn visit_seq<A: SeqAccess<'de>>(self, mut seq: A) -> Result<(), A::Error> {
        for _ in 0..self.probe.index {
            seq.next_element::<IgnoredAny>()?;
        }
        seq.next_element_seed(Walk { probe: self.probe, depth: Depth::Entry })?;
        while seq.next_element::<IgnoredAny>()?.is_some() {}
        Ok(())
    }

    fn visit_map<A: MapAccess<'de>>(self, mut map: A) -> Result<(), A::Error> {
        while let Some(key) = map.next_key::<String>()? {
            let below = match self.depth {
                Depth::Page if key == "stages" => Some(Depth::List),
                Depth::Entry if self.probe.setting.is_none() => return Err(de::Error::custom("here")),
                Depth::Entry => Some(Depth::Settings),
                Depth::Settings if Some(key.as_str()) == self.probe.setting => return Err(de::Error::custom("here")),
                _ => None,
            };
            match below {
                Some(depth) => map.next_value_seed(Walk { probe: self.probe, depth })?,
                None => map.next_value::<IgnoredAny>().map(drop)?,
            }
        }
        Ok(())
    }

    fn visit_unit<E: de::Error>(self) -> Result<(), E> {
        Ok(())
    }
}
