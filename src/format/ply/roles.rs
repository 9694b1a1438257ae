//! What the properties of a PLY file mean, in the spellings that exporters use.

use super::header::{Element, Kind, Scalar};

/// What a property of a vertex or face means.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Role {
    /// x, y or z.
    Position(usize),
    /// Red, green or blue.
    Colour(usize),
    /// u or v.
    Uv(usize),
    Corners,
    CornerUvs,
    PictureNumber,
    Skip,
}

const POSITIONS: [&str; 3] = ["x", "y", "z"];
/// Spellings of red, green and blue met in the wild (common practice, no source).
const COLOURS: [[&str; 3]; 4] = [
    ["red", "green", "blue"],
    ["r", "g", "b"],
    ["diffuse_red", "diffuse_green", "diffuse_blue"],
    ["vertex_red", "vertex_green", "vertex_blue"],
];
/// Spellings of texture coordinates met in the wild (common practice, no source).
const UVS: [[&str; 2]; 5] =
    [["s", "t"], ["u", "v"], ["texture_u", "texture_v"], ["texture_s", "texture_t"], ["tex_u", "tex_v"]];

fn role(element: &Element, name: &str, kind: Kind) -> Role {
    let has_all = |names: &[&str]| names.iter().all(|n| element.properties.iter().any(|p| p.name == *n));
    let place = |names: &[&str]| names.iter().position(|n| *n == name).filter(|_| has_all(names));
    if let Kind::List { .. } = kind {
        return match name {
            "vertex_indices" | "vertex_index" => Role::Corners,
            "texcoord" | "texcoords" => Role::CornerUvs,
            _ => Role::Skip,
        };
    }
    if let Some(axis) = place(&POSITIONS).filter(|_| element.name == "vertex") {
        return Role::Position(axis);
    }
    if let Some(channel) = COLOURS.iter().find_map(|names| place(names)) {
        return Role::Colour(channel);
    }
    match UVS.iter().find_map(|names| place(names)) {
        Some(axis) => Role::Uv(axis),
        None if name == "texnumber" => Role::PictureNumber,
        None => Role::Skip,
    }
}

/// The kind and meaning of each property, in file order.
pub(super) fn roles(element: &Element) -> Vec<(Kind, Role)> {
    element.properties.iter().map(|p| (p.kind, role(element, &p.name, p.kind))).collect()
}

/// How colours are stored, if there are any.
pub(super) fn colour_kind(roles: &[(Kind, Role)]) -> Option<Scalar> {
    roles.iter().find_map(|&(kind, role)| match (kind, role) {
        (Kind::One(scalar), Role::Colour(_)) => Some(scalar),
        _ => None,
    })
}
