//! Rules of one object: its vertices, triangles and their properties.

use std::collections::BTreeMap;

use quick_xml::events::BytesStart;

use super::super::threemf::ColouredObject;
use super::{Faults, solid, syntax};

/// A property group: materials or colours that triangles point into.
#[derive(Debug, Default)]
pub struct Group {
    /// Whether the corners of a triangle may differ.
    pub gradients: bool,
    /// The entries; a colour where it is one.
    pub entries: Vec<Option<[u8; 3]>>,
}

/// What an id of the model stands for.
#[derive(Debug)]
pub enum Resource {
    Group(Group),
    Object { printable: bool },
    Other,
}

pub type Resources = BTreeMap<u32, Resource>;

/// An object while its elements go by.
#[derive(Debug, Default)]
pub struct OpenObject {
    pub id: u32,
    pub kind: String,
    pub name: String,
    pub meshes: usize,
    pub component_lists: usize,
    pub vertex_lists: usize,
    pub triangle_lists: usize,
    /// Default property group and index in it.
    default: (Option<u32>, Option<u32>),
    positions: Vec<[f64; 3]>,
    triangles: Vec<[u32; 3]>,
    /// Entry of the default group per triangle, while all triangles have just one.
    colour_of: Option<Vec<u8>>,
    with_property: usize,
    out_of_range: bool,
}

impl OpenObject {
    pub fn start(id: u32, attributes: &BTreeMap<String, String>, resources: &Resources, faults: &mut Faults) -> Self {
        let text = |key: &str| attributes.get(key).map(String::as_str);
        let kind = text("type").unwrap_or("model").to_owned();
        if !matches!(kind.as_str(), "model" | "solidsupport" | "support" | "surface" | "other") {
            faults.add(format!("object {id} has the unknown type `{kind}`"));
        }
        let pid = text("pid").map(|t| (t, syntax::id(t)));
        let pindex = text("pindex").map(|t| (t, syntax::index(t)));
        let default = (pid.and_then(|p| p.1), pindex.and_then(|p| p.1));
        match (pid, pindex) {
            (Some((t, None)), _) | (_, Some((t, None))) => {
                faults.add(format!("object {id} has the default property `{t}`, expected an integer"));
            }
            (Some(_), None) => faults.add(format!("object {id} has a pid but no pindex")),
            (None, Some(_)) => faults.add(format!("object {id} has a pindex but no pid")),
            _ => {}
        }
        if let (Some(pid), Some(pindex)) = default {
            match resources.get(&pid) {
                Some(Resource::Group(group)) if (pindex as usize) < group.entries.len() => {}
                Some(Resource::Group(_)) => faults.add(format!("pindex {pindex} of object {id} is out of range")),
                _ => faults.add(format!("object {id} uses property group {pid}, which is not defined before it")),
            }
        }
        let name = text("name").unwrap_or_default().to_owned();
        Self { id, kind, name, default, colour_of: Some(Vec::new()), ..Self::default() }
    }

    pub fn vertex(&mut self, element: &BytesStart<'_>, faults: &mut Faults) {
        let (mut position, mut seen) = ([None; 3], [false; 3]);
        for attribute in element.attributes() {
            let Ok(attribute) = attribute else {
                faults.add(format!("vertex {} of object {} has a malformed attribute", self.positions.len(), self.id));
                continue;
            };
            let axis = match attribute.key.0 {
                "x" => 0,
                "y" => 1,
                "z" => 2,
                other => {
                    self.foreign_attribute("vertex", other, faults);
                    continue;
                }
            };
            seen[axis] = true;
            position[axis] = syntax::number(&attribute.value);
            if position[axis].is_none() {
                let (name, value, vertex) = (attribute.key.0, &attribute.value, self.positions.len());
                faults.add(format!("{name} of vertex {vertex} of object {} is `{value}`, expected a number", self.id));
            }
        }
        if seen != [true; 3] {
            faults.add(format!("vertex {} of object {} lacks a coordinate", self.positions.len(), self.id));
        }
        self.positions.push(position.map(Option::unwrap_or_default));
    }

    pub fn triangle(&mut self, element: &BytesStart<'_>, resources: &Resources, faults: &mut Faults) {
        let number = self.triangles.len();
        let (mut corners, mut pid, mut properties) = ([None; 3], None, [None; 3]);
        for attribute in element.attributes() {
            let Ok(attribute) = attribute else {
                faults.add(format!("triangle {number} of object {} has a malformed attribute", self.id));
                continue;
            };
            let place = match attribute.key.0 {
                "v1" => &mut corners[0],
                "v2" => &mut corners[1],
                "v3" => &mut corners[2],
                "pid" => &mut pid,
                "p1" => &mut properties[0],
                "p2" => &mut properties[1],
                "p3" => &mut properties[2],
                other => {
                    self.foreign_attribute("triangle", other, faults);
                    continue;
                }
            };
            *place = syntax::index(&attribute.value);
            if place.is_none() {
                let (name, value) = (attribute.key.0, &attribute.value);
                faults
                    .add(format!("{name} of triangle {number} of object {} is `{value}`, expected an index", self.id));
            }
        }
        self.corners(corners, faults);
        self.properties(pid, properties, resources, faults);
    }

    fn foreign_attribute(&self, element: &str, name: &str, faults: &mut Faults) {
        if name == "xml:space" || !name.contains(':') {
            faults.add(format!("a {element} of object {} has the unknown attribute `{name}`", self.id));
        }
    }

    fn corners(&mut self, corners: [Option<u32>; 3], faults: &mut Faults) {
        let (number, end) = (self.triangles.len(), self.positions.len());
        let in_range = |v: Option<u32>| v.filter(|v| (*v as usize) < end);
        let triangle = if let [Some(a), Some(b), Some(c)] = corners.map(in_range) {
            if a == b || b == c || c == a {
                faults.add(format!("triangle {number} of object {} repeats a vertex", self.id));
            }
            [a, b, c]
        } else {
            faults.add(format!("triangle {number} of object {} names a vertex that is not there", self.id));
            self.out_of_range = true;
            [0; 3]
        };
        self.triangles.push(triangle);
    }

    fn properties(
        &mut self,
        pid: Option<u32>,
        properties: [Option<u32>; 3],
        resources: &Resources,
        faults: &mut Faults,
    ) {
        let (number, id) = (self.triangles.len() - 1, self.id);
        let [p1, p2, p3] = properties;
        if pid.is_some() || p1.is_some() {
            self.with_property += 1;
        }
        let Some(first) = p1 else {
            if p2.is_some() || p3.is_some() {
                faults.add(format!("triangle {number} of object {id} has p2 or p3 but no p1"));
            }
            self.note_colour(self.default.1.filter(|_| pid.is_none() || pid == self.default.0));
            return;
        };
        let group = match pid.or(self.default.0).map(|pid| (pid, resources.get(&pid))) {
            Some((_, Some(Resource::Group(group)))) => group,
            Some((pid, _)) => {
                faults
                    .add(format!("triangle {number} of object {id} uses property group {pid}, not defined before it"));
                return self.note_colour(None);
            }
            None => {
                faults.add(format!("triangle {number} of object {id} has p1 but no property group"));
                return self.note_colour(None);
            }
        };
        let used = [first, p2.unwrap_or(first), p3.unwrap_or(first)];
        if used.iter().any(|p| *p as usize >= group.entries.len()) {
            faults.add(format!("a property of triangle {number} of object {id} is out of range"));
        }
        let plain = used.iter().all(|p| *p == first);
        if !plain && !group.gradients {
            faults.add(format!("triangle {number} of object {id} blends base materials"));
        }
        self.note_colour(Some(first).filter(|_| plain && pid.or(self.default.0) == self.default.0));
    }

    /// Keeps the triangle's colour as long as every triangle has just one of the default group.
    fn note_colour(&mut self, entry: Option<u32>) {
        match (entry.and_then(|e| u8::try_from(e).ok()), &mut self.colour_of) {
            (Some(entry), Some(colour_of)) => colour_of.push(entry),
            _ => self.colour_of = None,
        }
    }

    /// Rules that can be judged only once the object is complete; gives it when it is coloured per triangle.
    pub fn finish(self, resources: &Resources, faults: &mut Faults) -> Option<ColouredObject> {
        let place = format!("object {}", self.id);
        if self.meshes + self.component_lists != 1 {
            faults.add(format!("{place} has {} meshes and {} component lists", self.meshes, self.component_lists));
        }
        if self.component_lists > 0 && self.default != (None, None) {
            faults.add(format!("{place} has components and a default property"));
        }
        if self.with_property > 0 && (self.default.0.is_none() || self.default.1.is_none()) {
            faults.add(format!("{place} has triangles with properties but no default property"));
        }
        if self.meshes > 0 && (self.vertex_lists, self.triangle_lists) != (1, 1) {
            faults.add(format!("the mesh of {place} needs one list of vertices and one of triangles"));
        }
        let must_close = matches!(self.kind.as_str(), "model" | "solidsupport") && self.meshes > 0;
        if self.positions.len() < 3 && self.meshes > 0 {
            faults.add(format!("{place} has {} vertices, expected at least 3", self.positions.len()));
        }
        if must_close && !self.out_of_range {
            solid::check(&place, &self.positions, &self.triangles, faults);
        }
        let Some(Resource::Group(group)) = resources.get(&self.default.0?) else { return None };
        let colours: Option<Vec<[u8; 3]>> = group.entries.iter().copied().collect();
        Some(ColouredObject {
            name: self.name,
            positions: self.positions,
            triangles: self.triangles,
            colours: colours?,
            colour_of: self.colour_of?,
            transform: None,
        })
    }
}
