//! The model part, element by element in one forward pass: what may stand where, ids, resources and the build.

use std::collections::{BTreeMap, BTreeSet};
use std::io::BufRead;

use quick_xml::NsReader;
use quick_xml::events::{BytesStart, Event};
use quick_xml::name::{Namespace, ResolveResult};

use super::super::threemf::{CORE_NS, ColouredObject, MATERIAL_NS};
use super::object::{Group, OpenObject, Resource, Resources};
use super::{Faults, syntax};

const UNITS: [&str; 6] = ["micron", "millimeter", "centimeter", "inch", "foot", "meter"];
/// Metadata names that need no namespace.
const METADATA: [&str; 9] = [
    "Title",
    "Designer",
    "Description",
    "Copyright",
    "LicenseTerms",
    "Rating",
    "CreationDate",
    "ModificationDate",
    "Application",
];

/// Elements of the model; what the checker does not know from other namespaces is foreign.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Tag {
    Model,
    Metadata,
    Resources,
    Group,
    GroupEntry,
    OtherResource,
    Object,
    MetadataGroup,
    Mesh,
    Vertices,
    Vertex,
    Triangles,
    Triangle,
    Components,
    Component,
    Build,
    Item,
    Foreign,
}

#[derive(Clone, Copy, PartialEq, Eq)]
enum Space {
    Core,
    Material,
    Foreign,
}

/// What an element of that name is inside `parent`; `None` when it may not stand there.
fn tag_of(parent: Option<Tag>, space: Space, name: &str) -> Option<Tag> {
    let tag = match (parent, space, name) {
        (Some(Tag::Foreign), ..) | (Some(_), Space::Foreign, _) | (Some(Tag::OtherResource), Space::Material, _) => {
            Tag::Foreign
        }
        (None, Space::Core, "model") => Tag::Model,
        (Some(Tag::Model | Tag::MetadataGroup), Space::Core, "metadata") => Tag::Metadata,
        (Some(Tag::Model), Space::Core, "resources") => Tag::Resources,
        (Some(Tag::Model), Space::Core, "build") => Tag::Build,
        (Some(Tag::Resources), Space::Core, "object") => Tag::Object,
        (Some(Tag::Resources), Space::Core, "basematerials")
        | (
            Some(Tag::Resources),
            Space::Material,
            "colorgroup" | "texture2dgroup" | "compositematerials" | "multiproperties",
        ) => Tag::Group,
        (Some(Tag::Resources), Space::Material, _) => Tag::OtherResource,
        (Some(Tag::Group), Space::Core, "base")
        | (Some(Tag::Group), Space::Material, "color" | "tex2coord" | "composite" | "multi") => Tag::GroupEntry,
        (Some(Tag::Object), Space::Core, "metadatagroup") => Tag::MetadataGroup,
        (Some(Tag::Object), Space::Core, "mesh") => Tag::Mesh,
        (Some(Tag::Object), Space::Core, "components") => Tag::Components,
        (Some(Tag::Mesh), Space::Core, "vertices") => Tag::Vertices,
        (Some(Tag::Mesh), Space::Core, "triangles") => Tag::Triangles,
        (Some(Tag::Vertices), Space::Core, "vertex") => Tag::Vertex,
        (Some(Tag::Triangles), Space::Core, "triangle") => Tag::Triangle,
        (Some(Tag::Components), Space::Core, "component") => Tag::Component,
        (Some(Tag::Build), Space::Core, "item") => Tag::Item,
        _ => return None,
    };
    Some(tag)
}

/// Attributes without prefix that an element of the core or materials namespace may have, and those it must have.
fn attribute_names(tag: Tag, name: &str) -> (&'static [&'static str], &'static [&'static str]) {
    match (tag, name) {
        (Tag::Model, _) => (&["unit", "requiredextensions", "recommendedextensions"], &[]),
        (Tag::Metadata, _) => (&["name", "preserve", "type"], &["name"]),
        (Tag::Group, "basematerials" | "colorgroup") => (&["id"], &["id"]),
        (Tag::GroupEntry, "base") => (&["name", "displaycolor"], &["name", "displaycolor"]),
        (Tag::GroupEntry, "color") => (&["color"], &["color"]),
        (Tag::Object, _) => (&["id", "type", "thumbnail", "partnumber", "name", "pid", "pindex"], &["id"]),
        (Tag::Component, _) => (&["objectid", "transform"], &["objectid"]),
        (Tag::Item, _) => (&["objectid", "transform", "partnumber"], &["objectid"]),
        _ => (&[], &[]),
    }
}

/// An object and the matrix that moves it to its place on the bed, if it is moved.
pub type Built = (ColouredObject, Option<[f64; 12]>);

/// Checks a model and gives its object when the build is just that one, coloured per triangle.
pub fn walk(part: &mut dyn BufRead, faults: &mut Faults) -> Option<Built> {
    let mut reader = NsReader::from_reader(part);
    let mut walk = Walk::default();
    let mut buffer = Vec::new();
    loop {
        buffer.clear();
        let event = match reader.read_event_into(&mut buffer) {
            Ok(event) => event,
            Err(error) => {
                faults.add(format!("the model is not well-formed: {error}"));
                return None;
            }
        };
        match event {
            Event::Start(start) => {
                let space = space_of(&reader.resolver().resolve_element(start.name()).0, &start, faults);
                walk.start(space, &start, faults);
            }
            Event::Empty(start) => {
                let space = space_of(&reader.resolver().resolve_element(start.name()).0, &start, faults);
                walk.start(space, &start, faults);
                walk.end(faults);
            }
            Event::End(_) => walk.end(faults),
            Event::Text(text) => walk.text(&text.xml10_content(), faults),
            Event::CData(text) => walk.text(&text.xml10_content(), faults),
            Event::GeneralRef(_) => walk.text("&", faults),
            Event::Decl(declaration) => {
                if let Some(Ok(encoding)) = declaration.encoding()
                    && !encoding.eq_ignore_ascii_case("utf-8")
                {
                    faults.add(format!("the model is encoded in `{encoding}`, expected UTF-8"));
                }
            }
            Event::DocType(_) => faults.add("the model holds a document type"),
            Event::Comment(_) | Event::PI(_) => {}
            Event::Eof => return walk.finish(faults),
        }
    }
}

fn space_of(namespace: &ResolveResult<'_>, element: &BytesStart<'_>, faults: &mut Faults) -> Space {
    match namespace {
        ResolveResult::Bound(Namespace(CORE_NS)) => Space::Core,
        ResolveResult::Bound(Namespace(MATERIAL_NS)) => Space::Material,
        ResolveResult::Bound(_) => Space::Foreign,
        ResolveResult::Unbound | ResolveResult::Unknown(_) => {
            faults.add(format!("<{}> is in no namespace", element.name().0));
            Space::Foreign
        }
    }
}

/// Where the pass is and what it has seen.
#[derive(Debug, Default)]
struct Walk {
    stack: Vec<Tag>,
    prefixes: BTreeMap<String, String>,
    metadata: BTreeSet<String>,
    models: usize,
    resource_lists: usize,
    builds: usize,
    resources: Resources,
    group: Option<(u32, Group)>,
    object: Option<OpenObject>,
    /// Objects with a colour per triangle, by id.
    coloured: Vec<(u32, ColouredObject)>,
    /// What is built: an object's id and where it is moved to.
    items: Vec<(u32, Option<[f64; 12]>)>,
}

impl Walk {
    fn start(&mut self, space: Space, element: &BytesStart<'_>, faults: &mut Faults) {
        let local = element.local_name();
        let name = local.into_inner();
        let parent = self.stack.last().copied();
        let tag = tag_of(parent, space, name).unwrap_or_else(|| {
            match parent {
                Some(_) => faults.add(format!("<{name}> may not stand where it does")),
                None => faults.add(format!("the root is <{name}>, expected <model> of the core namespace")),
            }
            Tag::Foreign
        });
        self.stack.push(tag);
        match (tag, &mut self.object) {
            (Tag::Vertex, Some(object)) => object.vertex(element, faults),
            (Tag::Triangle, Some(object)) => object.triangle(element, &self.resources, faults),
            (Tag::Foreign, _) => {}
            _ => {
                let attributes = syntax::attributes(element, faults);
                check_attributes(tag, name, &attributes, faults);
                self.open(tag, name, &attributes, faults);
            }
        }
    }

    fn open(&mut self, tag: Tag, name: &str, attributes: &BTreeMap<String, String>, faults: &mut Faults) {
        match tag {
            Tag::Model => self.model(attributes, faults),
            Tag::Metadata => self.metadata(attributes, faults),
            Tag::Resources => {
                self.resource_lists += 1;
                if self.builds > 0 {
                    faults.add("the build stands before the resources");
                }
            }
            Tag::Build => self.builds += 1,
            Tag::Group | Tag::OtherResource | Tag::Object => {
                let id = self.new_id(name, attributes, faults);
                match tag {
                    Tag::Group => {
                        let gradients = name != "basematerials";
                        self.group = Some((id, Group { gradients, entries: Vec::new() }));
                    }
                    Tag::Object => self.object = Some(OpenObject::start(id, attributes, &self.resources, faults)),
                    _ => drop(self.resources.insert(id, Resource::Other)),
                }
            }
            Tag::GroupEntry => self.group_entry(name, attributes, faults),
            Tag::Component | Tag::Item => self.reference(tag, name, attributes, faults),
            _ => self.object_piece(tag, faults),
        }
    }

    fn model(&mut self, attributes: &BTreeMap<String, String>, faults: &mut Faults) {
        self.models += 1;
        if let Some(unit) = attributes.get("unit").filter(|unit| !UNITS.contains(&unit.as_str())) {
            faults.add(format!("the unit is `{unit}`, expected one of {}", UNITS.join(", ")));
        }
        for (key, namespace) in attributes {
            if let Some(prefix) = key.strip_prefix("xmlns:") {
                self.prefixes.insert(prefix.to_owned(), namespace.clone());
            }
        }
        for prefix in attributes.get("requiredextensions").map_or("", String::as_str).split_whitespace() {
            match self.prefixes.get(prefix).map(String::as_str) {
                Some(MATERIAL_NS) => {}
                Some(other) => faults.add(format!("the extension `{other}` is required, which is not supported")),
                None => faults.add(format!("the required extension `{prefix}` is not declared")),
            }
        }
    }

    fn metadata(&mut self, attributes: &BTreeMap<String, String>, faults: &mut Faults) {
        let Some(name) = attributes.get("name") else { return };
        let known = match name.split_once(':') {
            Some((prefix, _)) => self.prefixes.contains_key(prefix),
            None => METADATA.contains(&name.as_str()),
        };
        if !known {
            faults.add(format!("the metadata name `{name}` is neither listed nor in a declared namespace"));
        }
        let of_model = self.object.is_none();
        if of_model && !self.metadata.insert(name.clone()) {
            faults.add(format!("the metadata `{name}` is given twice"));
        }
        if of_model && self.resource_lists > 0 {
            faults.add(format!("the metadata `{name}` stands after the resources"));
        }
    }

    /// The id of a resource, checked to be new; 0, which no file may use, when there is none.
    fn new_id(&self, name: &str, attributes: &BTreeMap<String, String>, faults: &mut Faults) -> u32 {
        let Some(text) = attributes.get("id") else { return 0 };
        let Some(id) = syntax::id(text) else {
            faults.add(format!("<{name}> has the id `{text}`, expected a positive integer below 2^31"));
            return 0;
        };
        if self.resources.contains_key(&id) {
            faults.add(format!("two resources have the id {id}"));
        }
        id
    }

    fn group_entry(&mut self, name: &str, attributes: &BTreeMap<String, String>, faults: &mut Faults) {
        let Some((id, group)) = &mut self.group else { return };
        let text = attributes.get(if name == "base" { "displaycolor" } else { "color" });
        let colour = text.and_then(|text| syntax::colour(text));
        if let (Some(text), None) = (text, colour) {
            faults.add(format!("colour `{text}` of property group {id} is not written #RRGGBB"));
        }
        group.entries.push(colour);
    }

    /// What an item or a component points to.
    fn reference(&mut self, tag: Tag, name: &str, attributes: &BTreeMap<String, String>, faults: &mut Faults) {
        let transform = attributes.get("transform").map(|text| (text, syntax::transform(text)));
        if let Some((text, None)) = transform {
            faults.add(format!("the transform `{text}` of <{name}> is not twelve numbers of an invertible matrix"));
        }
        let Some(text) = attributes.get("objectid") else { return };
        match syntax::id(text).map(|id| (id, self.resources.get(&id))) {
            Some((id, Some(Resource::Object { printable }))) => {
                if tag == Tag::Item {
                    self.items.push((id, transform.and_then(|t| t.1)));
                    if !printable {
                        faults.add(format!("the build names object {id}, whose type may not be built"));
                    }
                }
            }
            _ => faults.add(format!("<{name}> names object `{text}`, which is not defined before it")),
        }
    }

    fn object_piece(&mut self, tag: Tag, faults: &mut Faults) {
        let Some(object) = &mut self.object else { return };
        match tag {
            Tag::Mesh => object.meshes += 1,
            Tag::Components => object.component_lists += 1,
            Tag::Vertices => object.vertex_lists += 1,
            Tag::Triangles => {
                object.triangle_lists += 1;
                if object.vertex_lists == 0 {
                    faults.add(format!("the triangles of object {} stand before its vertices", object.id));
                }
            }
            _ => {}
        }
    }

    fn text(&self, text: &str, faults: &mut Faults) {
        let may_hold_text = matches!(self.stack.last(), Some(Tag::Metadata | Tag::Foreign));
        if !may_hold_text && text.contains(|c: char| !c.is_ascii_whitespace()) {
            faults.add(format!("there is loose text in the model: `{}`", text.trim()));
        }
    }

    fn end(&mut self, faults: &mut Faults) {
        match self.stack.pop() {
            Some(Tag::Group) => {
                if let Some((id, group)) = self.group.take() {
                    if group.entries.is_empty() {
                        faults.add(format!("property group {id} is empty"));
                    }
                    self.resources.insert(id, Resource::Group(group));
                }
            }
            Some(Tag::Object) => {
                if let Some(object) = self.object.take() {
                    let (id, printable) = (object.id, object.kind != "other");
                    let coloured = object.finish(&self.resources, faults);
                    self.coloured.extend(coloured.map(|object| (id, object)));
                    self.resources.insert(id, Resource::Object { printable });
                }
            }
            _ => {}
        }
    }

    fn finish(mut self, faults: &mut Faults) -> Option<Built> {
        if !self.stack.is_empty() {
            faults.add("the model ends before its elements are closed");
        }
        for (count, what) in [(self.models, "model"), (self.resource_lists, "resources"), (self.builds, "build")] {
            if count != 1 {
                faults.add(format!("there are {count} <{what}> elements, expected one"));
            }
        }
        if self.items.is_empty() {
            faults.add("the build holds nothing to print");
        }
        let built = (self.items.len() == 1 && self.coloured.len() == 1).then(|| self.coloured.remove(0))?;
        let [(id, transform)] = self.items[..] else { return None };
        (id == built.0).then_some((built.1, transform))
    }
}

fn check_attributes(tag: Tag, name: &str, attributes: &BTreeMap<String, String>, faults: &mut Faults) {
    let (allowed, needed) = attribute_names(tag, name);
    let open_ended = matches!(tag, Tag::OtherResource)
        || (matches!(tag, Tag::Group) && !matches!(name, "basematerials" | "colorgroup"))
        || (matches!(tag, Tag::GroupEntry) && !matches!(name, "base" | "color"));
    for key in attributes.keys() {
        if key == "xml:space" {
            faults.add(format!("<{name}> has the attribute xml:space, which is not allowed"));
        } else if !(open_ended || key.contains(':') || key == "xmlns" || allowed.contains(&key.as_str())) {
            faults.add(format!("<{name}> has the unknown attribute `{key}`"));
        }
    }
    for key in needed.iter().filter(|key| !attributes.contains_key(**key)) {
        faults.add(format!("<{name}> lacks the attribute `{key}`"));
    }
}
