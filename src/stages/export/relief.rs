//! A step around the cut face that a part stands on: there the first layer spreads, and would stand out at the seam.

use std::sync::Arc;

use glam::DVec3;

use crate::figure::{Figure, Part};
use crate::mesh::cut::{self, Feature, Flat, Piece, Region, Ring};
use crate::mesh::sound::{Sound, pairs_beside};
use crate::mesh::{TriMesh, measure, outline};
use crate::units::LATTICE_MM;

/// A face looks down on the bed when its normal is within this of the way down.
const DOWN: f64 = 1e-6;

/// The figure with its parts as they are to be printed.
#[derive(Clone, Debug)]
pub struct Relieved {
    pub figure: Figure,
    /// Volume the parts lost, mm3.
    pub taken_mm3: f64,
    /// Parts that stand on a cut face, and those of them that got the step.
    pub standing: usize,
    pub done: usize,
}

/// Cuts a step as deep and as wide as this into the rim of every cut face on the bed, mm; faces where that would do harm are
/// left as they are.
#[must_use]
pub fn relieved(figure: &Figure, step_mm: f64) -> Relieved {
    let mut all = Relieved { figure: figure.clone(), taken_mm3: 0.0, standing: 0, done: 0 };
    let depth_mm = (step_mm / LATTICE_MM).round() * LATTICE_MM;
    if depth_mm <= 0.0 {
        return all;
    }
    for part in &mut all.figure.parts {
        let Some(flat) = face_on_bed(part) else { continue };
        all.standing += 1;
        if let Some((mesh, labels)) = stepped(part, &flat, depth_mm) {
            all.taken_mm3 += measure::volume_mm3(&part.mesh) - measure::volume_mm3(&mesh);
            all.done += 1;
            part.mesh = Arc::new(mesh);
            part.labels = labels.map(Arc::new);
        }
    }
    all
}

/// The cut face a part lies on.
fn face_on_bed(part: &Part) -> Option<Flat> {
    let down = part.pose?.rotation.transpose() * DVec3::NEG_Z;
    let lowest = |p: &DVec3| -down.dot(*p);
    let bed = part.mesh.positions.iter().map(lowest).fold(f64::INFINITY, f64::min);
    let lies = |flat: &Flat| {
        let on_face = flat.outlines(&part.mesh).first().and_then(|o| o.first().copied());
        flat.outward().dot(down) > 1.0 - DOWN && on_face.is_some_and(|p| lowest(&flat.plane.at(p)) - bed < LATTICE_MM)
    };
    cut::flats(&part.mesh).into_iter().find(lies)
}

/// The part with the step, and its labels; `None` when it would not come out sound.
fn stepped(part: &Part, flat: &Flat, depth_mm: f64) -> Option<(TriMesh, Option<Vec<u8>>)> {
    let (mesh, inward) = (part.mesh.as_ref(), if flat.faces_up { -1.0 } else { 1.0 });
    let plane = flat.plane.moved(inward * depth_mm);
    let section = cut::section(mesh, plane).ok()?;
    let face: Vec<_> = flat.rim(mesh).iter().map(|e| flat.plane.flatten(mesh.positions[e[0] as usize])).collect();
    let over_face = |region: &Region| face.iter().any(|p| p.clamp(region.low, region.high) == *p);
    let chosen: Vec<bool> = section.regions.iter().map(over_face).collect();
    let mut pieces = cut::pieces(mesh, &section, &chosen, flat.joint).ok()?.pieces;
    // All that is cut off must be the slab between the two planes.
    let slab = |piece: &Piece| piece.mesh.positions.iter().all(|p| inward * plane.above_mm(*p) <= LATTICE_MM);
    pieces.retain(|piece| !slab(piece));
    let [kept] = <[Piece; 1]>::try_from(pieces).ok()?;
    let lower = cut::flats_in(&kept.mesh, |joint| (joint == flat.joint).then_some(plane));
    let lower = lower.into_iter().find(|f| f.joint == flat.joint && f.faces_up == flat.faces_up)?;
    let loops = outline::inset(&lower.outlines(&kept.mesh), depth_mm);
    let ring = |height_mm| Ring { loops: loops.clone(), height_mm };
    let raised = Feature { joint: flat.joint, rings: vec![ring(0.0), ring(depth_mm)], inner: Vec::new() };
    let made = cut::add_features(&kept.mesh, &lower, &[raised]).ok()?;
    if !pairs_beside(&made.mesh, &Sound::of(mesh, &[])).is_empty() {
        return None;
    }
    let core = part.core_label().unwrap_or_default();
    let source = made.source_in(&kept.source);
    let labels = part
        .labels
        .as_ref()
        .map(|labels| source.iter().map(|t| labels.get(*t as usize).copied().unwrap_or(core)).collect());
    Some((made.mesh, labels))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::figure::Pose;
    use crate::mesh::base::section_areas_mm2;
    use crate::mesh::cut::{Plane, halves};
    use crate::mesh::inspect::inspect;
    use crate::units::snap_mm;

    /// The upper part of a ball of 30 mm, cut 10 mm below its middle.
    fn dome() -> Part {
        const RINGS: usize = 60;
        const SECTORS: usize = 90;
        let place = |ring: usize, sector: usize| {
            let (up, around) = (
                std::f64::consts::PI * ring as f64 / RINGS as f64,
                std::f64::consts::TAU * sector as f64 / SECTORS as f64,
            );
            30.0 * DVec3::new(up.sin() * around.cos(), up.sin() * around.sin(), -up.cos())
        };
        let vertex = |ring: usize, sector: usize| match ring {
            0 => 0,
            RINGS => 1,
            ring => (2 + (ring - 1) * SECTORS + sector % SECTORS) as u32,
        };
        let mut positions = vec![place(0, 0), place(RINGS, 0)];
        positions.extend((1..RINGS).flat_map(|r| (0..SECTORS).map(move |s| place(r, s))));
        let mut triangles = Vec::new();
        for (r, s) in (0..RINGS).flat_map(|r| (0..SECTORS).map(move |s| (r, s))) {
            let [a, b, c, d] = [vertex(r, s), vertex(r, s + 1), vertex(r + 1, s + 1), vertex(r + 1, s)];
            triangles.extend([[a, b, c], [a, c, d]].into_iter().filter(|[a, b, c]| a != b && b != c && c != a));
        }
        let ball = TriMesh::from_shape(positions.iter().map(|p| p.map(snap_mm)).collect(), triangles);
        let mesh = halves(&ball, Plane::new(2, crate::units::snap_between_mm(-10.0)), 0).unwrap().above.mesh;
        let labels = Some(Arc::new(vec![0; mesh.triangles.len()]));
        Part {
            number: 1,
            name: "01-dome".to_owned(),
            mesh: Arc::new(mesh),
            labels,
            pose: Some(Pose::IDENTITY),
            estimate: None,
        }
    }

    /// The face is a circle of radius sqrt(30^2 - 10^2), 28.28 mm (elementary geometry).
    #[test]
    fn the_lowest_layer_is_smaller_by_the_step_all_around_and_the_next_is_as_before() {
        let figure = Figure { parts: vec![dome()], ..Figure::default() };
        let step = 0.25;
        let made = relieved(&figure, step);
        assert_eq!((made.standing, made.done), (1, 1));
        let mesh = &made.figure.parts[0].mesh;
        let faults = inspect(mesh);
        assert!(faults.is_solid(), "{faults:?}");
        assert_eq!(made.figure.parts[0].labels.as_ref().unwrap().len(), mesh.triangles.len());

        let radius = |mesh: &TriMesh, z: f64| (section_areas_mm2(mesh, &[z])[0] / std::f64::consts::PI).sqrt();
        let before = &figure.parts[0].mesh;
        let [low, high] = [-9.9, -9.5].map(|z| radius(mesh, z) - radius(before, z));
        assert!((low + step).abs() < 0.06, "{low}");
        assert!(high.abs() < 1e-3, "{high}");
        let ring = std::f64::consts::PI * (28.28_f64.powi(2) - (28.28 - step).powi(2)) * step;
        assert!((made.taken_mm3 / ring - 1.0).abs() < 0.25, "{} {ring}", made.taken_mm3);
    }

    #[test]
    fn without_a_step_or_a_cut_face_on_the_bed_nothing_changes() {
        let figure = Figure { parts: vec![dome()], ..Figure::default() };
        assert_eq!(relieved(&figure, 0.0).figure, figure);
        let mut turned = figure.clone();
        let rotation = glam::DMat3::from_diagonal(DVec3::new(1.0, -1.0, -1.0));
        turned.parts[0].pose = Some(Pose { rotation, shift: DVec3::ZERO });
        let made = relieved(&turned, 0.3);
        assert_eq!((made.standing, made.figure), (0, turned));
    }
}
