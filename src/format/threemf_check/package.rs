//! The package around a model: zip entries, content types, relationships (Open Packaging Conventions as 3MF uses them).

use std::collections::{BTreeMap, BTreeSet};
use std::io::{BufRead, BufReader, Cursor, Read};

use quick_xml::NsReader;
use quick_xml::events::Event;
use quick_xml::name::{Namespace, ResolveResult};
use zip::{CompressionMethod, ZipArchive};

use super::super::threemf::{MODEL_RELATION, MODEL_TYPE, RELS_TYPE};
use super::{Faults, syntax};

const TYPES_PART: &str = "[Content_Types].xml";
const ROOT_RELATIONS: &str = "_rels/.rels";
const TYPES_NS: &str = "http://schemas.openxmlformats.org/package/2006/content-types";
const RELATIONS_NS: &str = "http://schemas.openxmlformats.org/package/2006/relationships";
/// Small parts are read up to this, so that a package cannot fill the memory, bytes.
const SMALL_PART_MAX: u64 = 1 << 20;

pub type Archive<'a> = ZipArchive<Cursor<&'a [u8]>>;

/// Checks everything around the model; gives the archive and the model's part name when there is one.
pub fn open<'a>(bytes: &'a [u8], faults: &mut Faults) -> Option<(Archive<'a>, String)> {
    let mut archive = match ZipArchive::new(Cursor::new(bytes)) {
        Ok(archive) => archive,
        Err(error) => {
            faults.add(format!("the file is not a zip package: {error}"));
            return None;
        }
    };
    let names = entry_names(&mut archive, faults);
    let types = content_types(&mut archive, faults);
    let model = relations(&mut archive, &names, faults);
    for name in names.iter().filter(|name| *name != TYPES_PART) {
        let wanted = match model.as_ref() {
            _ if is_relations(name) => Some(RELS_TYPE),
            Some(model) if model == name => Some(MODEL_TYPE),
            _ => None,
        };
        match (types.of(name), wanted) {
            (None, _) => faults.add(format!("part `{name}` has no content type")),
            (Some(found), Some(wanted)) if found != wanted => {
                faults.add(format!("part `{name}` has the content type `{found}`, expected `{wanted}`"));
            }
            _ => {}
        }
    }
    model.map(|model| (archive, model))
}

/// Hands a part to `read`, then reads it to its end so that its checksum is tested too.
pub fn with_part<T>(
    archive: &mut Archive<'_>,
    name: &str,
    faults: &mut Faults,
    read: impl FnOnce(&mut dyn BufRead, &mut Faults) -> T,
) -> Option<T> {
    let entry = match archive.by_name(name) {
        Ok(entry) => entry,
        Err(error) => {
            faults.add(format!("part `{name}` cannot be read: {error}"));
            return None;
        }
    };
    let mut part = BufReader::with_capacity(1 << 16, entry);
    let result = read(&mut part, faults);
    if let Err(error) = std::io::copy(&mut part, &mut std::io::sink()) {
        faults.add(format!("part `{name}` is damaged: {error}"));
    }
    Some(result)
}

fn entry_names(archive: &mut Archive<'_>, faults: &mut Faults) -> Vec<String> {
    let mut names = Vec::new();
    let mut seen = BTreeSet::new();
    if archive.has_duplicate_names() {
        faults.add("two zip entries have the same name");
    }
    for i in 0..archive.len() {
        let entry = match archive.by_index_raw(i) {
            Ok(entry) => entry,
            Err(error) => {
                faults.add(format!("zip entry {i} cannot be read: {error}"));
                continue;
            }
        };
        let Ok(name) = entry.name().map(std::borrow::Cow::into_owned) else {
            faults.add(format!("zip entry {i} has a name that is not text"));
            continue;
        };
        if !matches!(entry.compression(), CompressionMethod::Stored | CompressionMethod::Deflated) {
            faults.add(format!("zip entry `{name}` is packed by {}, expected stored or deflate", entry.compression()));
        }
        if entry.encrypted() {
            faults.add(format!("zip entry `{name}` is encrypted"));
        }
        if !is_part_name(&name) {
            faults.add(format!("`{name}` is not a valid part name"));
        }
        if !seen.insert(name.to_ascii_lowercase()) {
            faults.add(format!("two parts are named `{name}`"));
        }
        names.push(name);
    }
    names
}

/// No empty segment, no leading or trailing dot (`_rels/.rels` apart), no backslash, plain ASCII.
fn is_part_name(name: &str) -> bool {
    let segment = |s: &str| !s.is_empty() && !s.starts_with('.') && !s.ends_with('.');
    name == ROOT_RELATIONS || (name.is_ascii() && !name.contains(['\\', '%']) && name.split('/').all(segment))
}

fn is_relations(name: &str) -> bool {
    name.rsplit_once('.').is_some_and(|(_, end)| end.eq_ignore_ascii_case("rels"))
}

/// Content types by extension (lower case) and by absolute part name.
#[derive(Default)]
struct ContentTypes {
    defaults: BTreeMap<String, String>,
    overrides: BTreeMap<String, String>,
}

impl ContentTypes {
    fn of(&self, name: &str) -> Option<&String> {
        let extension = || name.rsplit_once('.').map(|(_, end)| end.to_ascii_lowercase());
        self.overrides.get(&format!("/{name}")).or_else(|| self.defaults.get(&extension()?))
    }
}

fn content_types(archive: &mut Archive<'_>, faults: &mut Faults) -> ContentTypes {
    let mut types = ContentTypes::default();
    for (element, mut attributes) in small_part(archive, TYPES_PART, TYPES_NS, faults) {
        let (table, key) = match element.as_str() {
            "Types" => continue,
            "Default" => (&mut types.defaults, attributes.remove("Extension").map(|e| e.to_ascii_lowercase())),
            "Override" => (&mut types.overrides, attributes.remove("PartName")),
            _ => {
                faults.add(format!("`{TYPES_PART}` holds an unknown element <{element}>"));
                continue;
            }
        };
        match (key, attributes.remove("ContentType")) {
            (Some(key), Some(content)) => {
                if table.insert(key.clone(), content).is_some() {
                    faults.add(format!("`{TYPES_PART}` names `{key}` twice"));
                }
            }
            _ => faults.add(format!("<{element}> of `{TYPES_PART}` lacks an attribute")),
        }
    }
    types
}

/// Checks every relationship part; gives the model that the package's root points to.
fn relations(archive: &mut Archive<'_>, names: &[String], faults: &mut Faults) -> Option<String> {
    let mut models = Vec::new();
    if !names.iter().any(|name| name == ROOT_RELATIONS) {
        faults.add(format!("the package has no `{ROOT_RELATIONS}`"));
    }
    for part in names.iter().filter(|name| is_relations(name)) {
        let mut ids = BTreeSet::new();
        for (element, attributes) in small_part(archive, part, RELATIONS_NS, faults) {
            if element == "Relationships" {
                continue;
            }
            let (Some(id), Some(kind), Some(target)) =
                (attributes.get("Id"), attributes.get("Type"), attributes.get("Target"))
            else {
                faults.add(format!("a relationship in `{part}` lacks its id, type or target"));
                continue;
            };
            if !ids.insert(id.clone()) {
                faults.add(format!("two relationships in `{part}` have the id `{id}`"));
            }
            if attributes.get("TargetMode").is_some_and(|mode| mode != "Internal") {
                faults.add(format!("relationship `{id}` points out of the package"));
            }
            match target.strip_prefix('/').filter(|name| names.iter().any(|n| n == name)) {
                Some(name) if kind == MODEL_RELATION && part == ROOT_RELATIONS => models.push(name.to_owned()),
                Some(_) => {}
                None => {
                    faults.add(format!("relationship `{id}` points to `{target}`, which is no part of the package"));
                }
            }
        }
    }
    if models.len() != 1 {
        faults.add(format!("the package root points to {} models, expected one", models.len()));
    }
    models.into_iter().next()
}

type Element = (String, BTreeMap<String, String>);

/// Elements of a small XML part in order of their start, all of which belong to one namespace.
fn small_part(archive: &mut Archive<'_>, name: &str, namespace: &str, faults: &mut Faults) -> Vec<Element> {
    let read = |part: &mut dyn BufRead, faults: &mut Faults| {
        let mut reader = NsReader::from_reader(part.take(SMALL_PART_MAX));
        let (mut elements, mut buffer) = (Vec::new(), Vec::new());
        loop {
            buffer.clear();
            match reader.read_resolved_event_into(&mut buffer) {
                Ok((found, Event::Start(start) | Event::Empty(start))) => {
                    if found != ResolveResult::Bound(Namespace(namespace)) {
                        faults.add(format!("<{}> in `{name}` is not in the namespace `{namespace}`", start.name().0));
                    }
                    elements.push((start.local_name().into_inner().to_owned(), syntax::attributes(&start, faults)));
                }
                Ok((_, Event::DocType(_))) => faults.add(format!("`{name}` holds a document type")),
                Ok((_, Event::Eof)) => return elements,
                Ok(_) => {}
                Err(error) => {
                    faults.add(format!("`{name}` is not well-formed: {error}"));
                    return elements;
                }
            }
        }
    };
    with_part(archive, name, faults, read).unwrap_or_default()
}
