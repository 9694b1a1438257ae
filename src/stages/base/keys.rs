//! Dowels between the plate and the feet, and between parts of the plate.

use glam::DVec2;

use crate::joining::{KeyRules, Placed, Side, Site, Survey, Taken};
use crate::mesh::cut::{Feature, Flat, Plane, add_features};
use crate::mesh::sound::{Sound, pairs_beside};
use crate::mesh::{TriMesh, outline};

/// The faces of two parts that meet, the lower one along the axis first.
#[derive(Clone, Debug)]
pub(super) struct Meeting {
    pub flats: [Flat; 2],
    /// Outlines of the common area, material to the left seen from the plane's upper side.
    pub outlines: Vec<Vec<DVec2>>,
}

impl Meeting {
    pub fn area_mm2(&self) -> f64 {
        outline::loops_area_mm2(&self.outlines)
    }

    pub fn plane(&self) -> Plane {
        self.flats[0].plane
    }
}

/// A part that a joint is sunk into, and the triangle of the part before that each of its triangles is of.
pub(super) type Drilled = (TriMesh, Vec<u32>);

/// Places keys on a joint and sinks their sockets into both parts, under the joint's number; `None` when there is no room
/// or a socket would cross anything.
pub(super) fn sink(
    meeting: &Meeting,
    meshes: [&TriMesh; 2],
    joint: u16,
    rules: &KeyRules,
) -> Option<(Vec<Placed>, [Drilled; 2])> {
    let site = Site { plane: meeting.plane(), outlines: meeting.outlines.clone(), area_mm2: meeting.area_mm2() };
    let none = Taken::default();
    // Sockets sunk before are surface of the parts already.
    let faces = [0, 1].map(|side| Some(meeting.flats[side].joint));
    let keys = Survey::of(&site, meshes, faces, rules).place([&none, &none], rules, &[]);
    if keys.is_empty() {
        return None;
    }
    let round = || keys.iter().map(|key| Placed { flat: false, ..*key }).collect::<Vec<_>>();
    let drilled = |keys: Vec<Placed>| {
        let drill = |side: Side| drill(meshes[side as usize], &meeting.flats[side as usize], &keys, joint, side);
        let both = [drill(Side::Below)?, drill(Side::Above)?];
        Some((keys, both))
    };
    drilled(keys.clone()).or_else(|| keys.iter().any(|key| key.flat).then(round).and_then(drilled))
}

/// A part with the sockets of these keys; `None` when they cross anything.
fn drill(mesh: &TriMesh, flat: &Flat, keys: &[Placed], joint: u16, side: Side) -> Option<Drilled> {
    let sockets: Vec<Feature> = keys.iter().map(|key| key.feature(joint, side)).collect();
    let piece = add_features(mesh, flat, &sockets).ok()?;
    let sound = pairs_beside(&piece.mesh, &Sound::of(mesh, &[])).is_empty();
    sound.then_some((piece.mesh, piece.source))
}
