//! Turns divided pieces into parts: numbers and names them, matches joints, sinks sockets, carries labels, orders the
//! gluing.

use std::sync::Arc;

use rayon::prelude::*;

use super::body::{Body, Zone};
use super::divide::{Division, Node, Work};
use super::joints::{Meeting, faces, meetings};
use super::labels::carried;
use super::place;
use super::sink::sink;
use crate::figure::{Joint, Key, Part};
use crate::joining::{KeyRules, Placed, Side};
use crate::mesh::{Origin, TriMesh, measure, outline};
use glam::DVec3;

/// The parts and joints of a divided figure.
#[derive(Clone, Debug)]
pub(super) struct Finished {
    pub parts: Vec<Part>,
    pub joints: Vec<Joint>,
    /// A point amid each joint, mm.
    pub middles: Vec<DVec3>,
    /// Number of joints with a pocket for glue.
    pub pockets: usize,
    /// Volume that keys and marks took from the parts, mm3.
    pub taken_mm3: f64,
    pub glue_order: Vec<usize>,
}

/// Sorts parts from the ground up and makes them ready.
pub(super) fn finish(
    mut division: Division,
    (body, zones): (&Body, &[Zone]),
    rules: &KeyRules,
    labels: Option<&[u8]>,
) -> Finished {
    let middle = |work: &Work| {
        let (low, high) = measure::bounds(&work.mesh.positions);
        0.5 * (low + high)
    };
    division.parts.sort_by_cached_key(|w| {
        let m = middle(w);
        (order_bits(m.z), order_bits(m.x), order_bits(m.y))
    });
    let works = &division.parts;
    let cuts = &division.cuts;
    let met = meetings(&faces(works, cuts));
    let sunk = sink(works, cuts, &met, rules);
    let ready: Vec<(TriMesh, Option<Vec<u8>>)> = sunk
        .works
        .par_iter()
        .enumerate()
        .map(|(i, work)| {
            let labels = labels.map(|l| carried(work, l, cuts, |joint| met[usize::from(joint)].cut));
            (renumbered(&work.mesh, i, &met), labels)
        })
        .collect();
    let names = place::names(body, zones, &sunk.works);
    let parts = ready
        .into_iter()
        .zip(names)
        .enumerate()
        .map(|(i, ((mesh, labels), name))| part(i, mesh, labels, &name))
        .collect();
    let glue_order = glue_order(&division, &met);
    let joints = (0..met.len()).map(|j| joint(&met[j], &sunk.keys[j], sunk.marked[j])).collect();
    let middles = met.iter().map(|m| m.site.plane.at(m.site.middle())).collect();
    Finished { parts, joints, middles, pockets: sunk.pockets, taken_mm3: sunk.taken_mm3, glue_order }
}

/// Bits that sort like the number.
fn order_bits(value: f64) -> i64 {
    let bits = (value + 0.0).to_bits() as i64;
    bits ^ (((bits >> 63) as u64) >> 1) as i64
}

/// The mesh with cut numbers turned into joint numbers; where a face meets several parts, by its triangles' middles.
fn renumbered(mesh: &TriMesh, index: usize, met: &[Meeting]) -> TriMesh {
    let mut mesh = mesh.clone();
    let own = |cut: u16| (0..met.len()).filter(move |j| met[*j].cut == cut);
    for t in 0..mesh.triangles.len() {
        let Origin::Cut(cut) = mesh.origins[t] else { continue };
        let mine: Vec<usize> = own(cut).filter(|j| met[*j].below == index || met[*j].above == index).collect();
        let [a, b, c] = mesh.corners(t);
        let inside = |j: &&usize| {
            let site = &met[**j].site;
            outline::winding(site.edges(), site.plane.within((a + b + c) / 3.0)) > 0
        };
        let joint = match mine.as_slice() {
            [one] => Some(*one),
            several => several.iter().find(inside).or(several.first()).copied(),
        };
        mesh.origins[t] = Origin::Cut(joint.or_else(|| own(cut).next()).unwrap_or(0) as u16);
    }
    mesh
}

fn part(index: usize, mesh: TriMesh, labels: Option<Vec<u8>>, place: &str) -> Part {
    let name = format!("{:02}-{place}", index + 1);
    let labels = labels.map(Arc::new);
    Part { number: index + 1, name, mesh: Arc::new(mesh), labels, pose: None, estimate: None }
}

fn joint(meeting: &Meeting, keys: &[Placed], marked: [bool; 2]) -> Joint {
    let plane = meeting.site.plane;
    let key = |k: &Placed| Key {
        centre: plane.at(k.centre),
        dowel_mm: k.dowel_mm,
        socket_mm: 2.0 * k.radius_mm,
        depth_mm: k.depth_mm,
        filed_to_mm: k.filed_to_mm(),
        pin_of: k.pin.map(|side| if side == Side::Below { meeting.below } else { meeting.above }),
    };
    Joint {
        a: meeting.below,
        b: meeting.above,
        normal: plane.normal(),
        offset_mm: plane.unit_offset_mm(),
        area_mm2: meeting.site.area_mm2,
        keys: keys.iter().map(key).collect(),
        marked,
    }
}

/// Order in which joints are glued: the last cuts first, from the ground up. Everything on one side of a cut is whole
/// before the two sides meet along the cut's normal, so nothing is ever locked out.
fn glue_order(division: &Division, met: &[Meeting]) -> Vec<usize> {
    let mut lowest = vec![usize::MAX; division.nodes.len()];
    for (part, work) in division.parts.iter().enumerate() {
        lowest[work.node] = part;
    }
    for node in (0..division.nodes.len()).rev() {
        let least = division.nodes[node].children.iter().map(|c| lowest[*c]).min();
        lowest[node] = lowest[node].min(least.unwrap_or(usize::MAX));
    }
    let mut order = Vec::with_capacity(met.len());
    visit(0, &division.nodes, &lowest, met, &mut order);
    order
}

fn visit(node: usize, nodes: &[Node], lowest: &[usize], met: &[Meeting], order: &mut Vec<usize>) {
    let mut children = nodes[node].children.clone();
    children.sort_by_key(|c| lowest[*c]);
    for child in children {
        visit(child, nodes, lowest, met, order);
    }
    if let Some(cut) = nodes[node].cut {
        order.extend((0..met.len()).filter(|j| usize::from(met[*j].cut) == cut));
    }
}
