//! Turns divided pieces into parts: numbers and names them, matches joints, sinks sockets, carries labels, orders the
//! gluing.

use std::collections::BTreeSet;
use std::sync::Arc;

use rayon::prelude::*;

use super::body::Body;
use super::divide::{Division, Node, Work};
use super::joints::{Meeting, faces, meetings, plane_of};
use super::keys::{KeyRules, Placed, Survey, Taken};
use super::labels::carried;
use super::place;
use crate::figure::{Joint, Key, Part};
use crate::mesh::cut::{self, NO_SOURCE, Plane, Socket};
use crate::mesh::sound::{Sound, pairs_beside};
use crate::mesh::{Origin, TriMesh, measure, outline};
use glam::{DVec2, DVec3};

/// The parts and joints of a divided figure.
#[derive(Clone, Debug)]
pub(super) struct Finished {
    pub parts: Vec<Part>,
    pub joints: Vec<Joint>,
    /// A point amid each joint, mm.
    pub middles: Vec<DVec3>,
    /// Volume that sockets took from the parts, mm3.
    pub taken_mm3: f64,
    pub glue_order: Vec<usize>,
}

/// Sorts parts from the ground up and makes them ready.
pub(super) fn finish(mut division: Division, body: &Body, rules: &KeyRules, labels: Option<&[u8]>) -> Finished {
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
    let (keyed, keys) = keyed(works, cuts, &met, keys(works, &met, rules));
    let ready: Vec<(TriMesh, Option<Vec<u8>>)> = keyed
        .par_iter()
        .enumerate()
        .map(|(i, work)| {
            let labels = labels.map(|l| carried(work, l, cuts, |joint| met[usize::from(joint)].cut));
            (renumbered(&work.mesh, i, &met), labels)
        })
        .collect();
    let parts = ready.into_iter().enumerate().map(|(i, (mesh, labels))| part(i, mesh, labels, body)).collect();
    let glue_order = glue_order(&division, &met);
    let joints = met.iter().zip(&keys).map(|(m, k)| joint(m, k)).collect();
    let taken =
        |(m, keys): (&Meeting, &Vec<Placed>)| keys.iter().map(|k| 2.0 * socket(0, k).volume_mm3(m.plane)).sum::<f64>();
    let taken_mm3 = met.iter().zip(&keys).map(taken).sum();
    Finished { parts, joints, middles: met.iter().map(middle_of).collect(), taken_mm3, glue_order }
}

/// The mean corner of a joint's outlines.
fn middle_of(meeting: &Meeting) -> DVec3 {
    let corners: Vec<DVec2> = meeting.outlines.iter().flatten().copied().collect();
    meeting.plane.at(corners.iter().sum::<DVec2>() / corners.len().max(1) as f64)
}

/// Bits that sort like the number.
fn order_bits(value: f64) -> i64 {
    let bits = (value + 0.0).to_bits() as i64;
    bits ^ (((bits >> 63) as u64) >> 1) as i64
}

/// Keys of all joints; the largest joints choose first.
fn keys(works: &[Work], met: &[Meeting], rules: &KeyRules) -> Vec<Vec<Placed>> {
    if rules.dowels_mm.is_empty() {
        return vec![Vec::new(); met.len()];
    }
    let meshes = |m: &Meeting| [m.below, m.above].map(|p| works[p].mesh.as_ref());
    let surveys: Vec<Survey> = met.par_iter().map(|m| Survey::of(m, meshes(m), rules)).collect();
    let mut order: Vec<usize> = (0..met.len()).collect();
    order.sort_by(|a, b| met[*b].area_mm2.total_cmp(&met[*a].area_mm2));
    let mut taken = vec![Taken::default(); works.len()];
    let mut keys = vec![Vec::new(); met.len()];
    for i in order {
        let m = &met[i];
        keys[i] = surveys[i].place([&taken[m.below], &taken[m.above]], rules);
        for key in &keys[i] {
            taken[m.below].add(m.plane, false, key);
            taken[m.above].add(m.plane, true, key);
        }
    }
    keys
}

/// The parts with their sockets, and the keys that are left: a joint whose sockets would cross anything goes without.
fn keyed(
    works: &[Work],
    cuts: &[Option<Plane>],
    met: &[Meeting],
    mut keys: Vec<Vec<Placed>>,
) -> (Vec<Work>, Vec<Vec<Placed>>) {
    loop {
        let keyed: Vec<Work> = works.par_iter().enumerate().map(|(i, w)| socketed(w, i, cuts, met, &keys)).collect();
        let has_keys = |i: usize, j: &usize| (met[*j].below == i || met[*j].above == i) && !keys[*j].is_empty();
        let crossing = |(i, (new, old)): (usize, (&Work, &Work))| {
            let mut joints = crossing_keys(&new.mesh, &old.mesh)?;
            if joints.is_empty() {
                joints.extend((0..met.len()).filter(|j| has_keys(i, j)));
            }
            // The smallest joint gives way; whether that was enough is seen in the next round.
            joints
                .into_iter()
                .filter(|j| !keys[*j].is_empty())
                .min_by(|a, b| met[*a].area_mm2.total_cmp(&met[*b].area_mm2))
        };
        let wrong: BTreeSet<usize> = keyed.par_iter().zip(works).enumerate().filter_map(crossing).collect();
        if wrong.is_empty() {
            return (keyed, keys);
        }
        for joint in wrong {
            keys[joint].clear();
        }
    }
}

/// Joints whose sockets cross something in a part, given the part without sockets; `None` when nothing crosses.
fn crossing_keys(keyed: &Arc<TriMesh>, bare: &Arc<TriMesh>) -> Option<BTreeSet<usize>> {
    if Arc::ptr_eq(keyed, bare) {
        return None;
    }
    let pairs = pairs_beside(keyed, &Sound::of(bare, &[]));
    let key = |t: u32| match keyed.origins[t as usize] {
        Origin::Key(joint) => Some(usize::from(joint)),
        _ => None,
    };
    (!pairs.is_empty()).then(|| pairs.into_iter().flatten().filter_map(key).collect())
}

/// A part with its sockets.
fn socketed(work: &Work, index: usize, cuts: &[Option<Plane>], met: &[Meeting], keys: &[Vec<Placed>]) -> Work {
    let mut work = work.clone();
    for flat in cut::flats_in(&work.mesh, |cut| plane_of(cuts, cut)) {
        let own = |m: &Meeting| m.cut == flat.joint && if flat.faces_up { m.below == index } else { m.above == index };
        let sockets: Vec<Socket> =
            (0..met.len()).filter(|j| own(&met[*j])).flat_map(|j| keys[j].iter().map(move |k| socket(j, k))).collect();
        // Sockets keep a wall's distance from the rim, so they cannot meet it; without room there are none.
        if let Some(piece) = (!sockets.is_empty()).then(|| cut::add_sockets(&work.mesh, &flat, &sockets).ok()).flatten()
        {
            let source = piece
                .source
                .iter()
                .map(|t| if *t == NO_SOURCE { NO_SOURCE } else { work.source[*t as usize] })
                .collect();
            work = Work { mesh: Arc::new(piece.mesh), source, ..work };
        }
    }
    work
}

fn socket(joint: usize, key: &Placed) -> Socket {
    Socket { joint: joint as u16, centre: key.centre, radius_mm: key.radius_mm, depth_mm: key.depth_mm }
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
            let m = &met[**j];
            let closed = |l: &Vec<DVec2>| (0..l.len()).map(|i| (l[i], l[(i + 1) % l.len()])).collect::<Vec<_>>();
            outline::winding(m.outlines.iter().flat_map(closed), m.plane.within((a + b + c) / 3.0)) > 0
        };
        let joint = match mine.as_slice() {
            [one] => Some(*one),
            several => several.iter().find(inside).or(several.first()).copied(),
        };
        mesh.origins[t] = Origin::Cut(joint.or_else(|| own(cut).next()).unwrap_or(0) as u16);
    }
    mesh
}

fn part(index: usize, mesh: TriMesh, labels: Option<Vec<u8>>, body: &Body) -> Part {
    let (low, high) = measure::bounds(&mesh.positions);
    let name = format!("{:02}-{}", index + 1, place::words(body, low, high));
    let labels = labels.map(Arc::new);
    Part { number: index + 1, name, mesh: Arc::new(mesh), labels, pose: None, estimate: None }
}

fn joint(meeting: &Meeting, keys: &[Placed]) -> Joint {
    let plane = meeting.plane;
    let key = |k: &Placed| Key {
        centre: plane.at(k.centre),
        dowel_mm: k.dowel_mm,
        socket_mm: 2.0 * k.radius_mm,
        depth_mm: k.depth_mm,
    };
    Joint {
        a: meeting.below,
        b: meeting.above,
        normal: plane.normal(),
        offset_mm: plane.unit_offset_mm(),
        area_mm2: meeting.area_mm2,
        keys: keys.iter().map(key).collect(),
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
