//! Closed bodies with known measures, a workshop's equipment, and a way to run one stage: for the tests of stages.

use std::f64::consts::TAU;
use std::sync::Arc;
use std::sync::atomic::AtomicBool;

use glam::{DVec2, DVec3};
use rustc_hash::FxHashMap;
use statuary::equipment::{Changer, Equipment, Filament, Printer};
use statuary::figure::{Figure, Part, Pose};
use statuary::finding::Finding;
use statuary::mesh::TriMesh;
use statuary::stage::{MemorySink, StageContext, StageError, TargetSize, Transform};

/// A prism over a convex polygon (counter-clockwise), its sides cut into bands at the heights given, bottom first.
pub fn prism(outline: &[DVec2], heights: &[f64]) -> TriMesh {
    let n = outline.len() as u32;
    let at_height = |z: &f64| outline.iter().map(|p| p.extend(*z)).collect::<Vec<_>>();
    let positions: Vec<DVec3> = heights.iter().flat_map(at_height).collect();
    let top = (heights.len() as u32 - 1) * n;
    let mut triangles = Vec::new();
    for band in 0..heights.len() as u32 - 1 {
        for i in 0..n {
            let (a, b) = (band * n + i, band * n + (i + 1) % n);
            triangles.extend([[a, b, b + n], [a, b + n, a + n]]);
        }
    }
    for i in 1..n - 1 {
        triangles.extend([[0, i + 1, i], [top, top + i, top + i + 1]]);
    }
    TriMesh::from_shape(positions, triangles)
}

/// A box from corner to corner.
pub fn block(low: DVec3, high: DVec3) -> TriMesh {
    let corners = [(low.x, low.y), (high.x, low.y), (high.x, high.y), (low.x, high.y)].map(DVec2::from);
    prism(&corners, &[low.z, high.z])
}

/// A box standing on z = 0, its middle over the origin.
pub fn standing_block(size: DVec3) -> TriMesh {
    block(DVec3::new(-0.5 * size.x, -0.5 * size.y, 0.0), DVec3::new(0.5 * size.x, 0.5 * size.y, size.z))
}

/// An upright cylinder on z = 0.
pub fn cylinder(radius: f64, height: f64, sides: usize) -> TriMesh {
    let outline: Vec<DVec2> = (0..sides).map(|i| radius * DVec2::from_angle(TAU * i as f64 / sides as f64)).collect();
    prism(&outline, &[0.0, height])
}

/// A sphere of triangles of nearly one size: an octahedron whose edges are halved `level` times.
pub fn sphere(centre: DVec3, radius: f64, level: usize) -> TriMesh {
    let mut points = vec![DVec3::X, -DVec3::X, DVec3::Y, -DVec3::Y, DVec3::Z, -DVec3::Z];
    let mut triangles: Vec<[u32; 3]> =
        vec![[0, 2, 4], [2, 1, 4], [1, 3, 4], [3, 0, 4], [2, 0, 5], [1, 2, 5], [3, 1, 5], [0, 3, 5]];
    for _ in 0..level {
        let mut middles = FxHashMap::default();
        let mut halve = |a: u32, b: u32| {
            *middles.entry((a.min(b), a.max(b))).or_insert_with(|| {
                points.push((points[a as usize] + points[b as usize]).normalize());
                points.len() as u32 - 1
            })
        };
        triangles = triangles
            .iter()
            .flat_map(|&[a, b, c]| {
                let (ab, bc, ca) = (halve(a, b), halve(b, c), halve(c, a));
                [[a, ab, ca], [ab, b, bc], [ca, bc, c], [ab, bc, ca]]
            })
            .collect();
    }
    TriMesh::from_shape(points.iter().map(|p| centre + radius * *p).collect(), triangles)
}

/// Several bodies in one mesh.
pub fn together(meshes: &[TriMesh]) -> TriMesh {
    let mut all = TriMesh::default();
    for mesh in meshes {
        let base = all.positions.len() as u32;
        all.positions.extend(&mesh.positions);
        all.triangles.extend(mesh.triangles.iter().map(|t| t.map(|v| v + base)));
        all.colours.extend(&mesh.colours);
        all.origins.extend(&mesh.origins);
    }
    all
}

/// A filament of the demo shelf.
pub fn filament(name: &str) -> Filament {
    Filament {
        name: name.into(),
        material: "PLA".into(),
        colour: "#20304A".into(),
        nozzle_c: [190.0, 220.0],
        bed_c: [20.0, 60.0],
        density_g_per_cm3: 1.24,
        left_g: 1000.0,
        opaque_mm: 1.0,
        price_per_kg: 20.0,
    }
}

/// Filaments by name and colour.
pub fn filaments(named: &[(&str, &str)]) -> Vec<Filament> {
    named.iter().map(|(name, hex)| Filament { colour: (*hex).into(), ..filament(name) }).collect()
}

/// A shelf of four filaments and a printer of 250 mm with heads of their own.
pub fn equipment() -> Equipment {
    Equipment {
        shelf: ["Harbour Navy", "Sail White", "Buoy Red", "Rope Sand"].map(filament).to_vec(),
        printer: Printer {
            name: "slipway".into(),
            volume_mm: [250.0; 3],
            tools: 5,
            changer: Changer::Heads,
            nozzle_mm: 0.4,
            layer_mm: 0.2,
            change_secs: 12.0,
            change_g: 0.1,
            nozzle_max_c: 280.0,
            bed_max_c: 100.0,
            flow_mm3_per_sec: 12.0,
            time_factor: 1.0,
            cost_per_hour: 0.0,
            purge_tower: None,
        },
        helpers: Vec::new(),
    }
}

pub fn part(number: usize, mesh: TriMesh) -> Part {
    let name = format!("{number:02}-part");
    Part { number, name, mesh: Arc::new(mesh), labels: None, pose: None, estimate: None }
}

/// A figure of these parts, lying as they are.
pub fn figure(parts: Vec<Part>) -> Figure {
    Figure { parts, scale: 1.0, ..Figure::default() }
}

/// The part's labels by a rule over triangle middles.
pub fn labelled(mut part: Part, label: impl Fn(DVec3) -> u8) -> Part {
    let middle = |t: usize| part.mesh.corners(t).into_iter().sum::<DVec3>() / 3.0;
    part.labels = Some(Arc::new((0..part.mesh.triangles.len()).map(|t| label(middle(t))).collect()));
    part
}

/// The part in the pose it already has.
pub fn as_it_lies(mut part: Part) -> Part {
    part.pose = Some(Pose::IDENTITY);
    part
}

/// What a stage made and told.
#[derive(Debug)]
pub struct Outcome {
    pub figure: Figure,
    pub findings: Vec<Finding>,
    pub numbers: Vec<(String, f64)>,
}

impl Outcome {
    pub fn number(&self, name: &str) -> f64 {
        self.numbers.iter().find(|(known, _)| known == name).unwrap_or_else(|| panic!("no number `{name}`")).1
    }

    pub fn told(&self, words: &str) -> Option<&Finding> {
        self.findings.iter().find(|finding| finding.what.contains(words))
    }
}

/// Runs one stage.
pub fn run(stage: &impl Transform, figure: &Figure, equipment: &Equipment) -> Result<Outcome, StageError> {
    let mut files = MemorySink::default();
    let mut progress = |_: f64, _: &str| {};
    let cancel = Arc::new(AtomicBool::new(false));
    let mut ctx = StageContext::new(equipment, TargetSize::Unknown, &mut files, cancel, &mut progress);
    let figure = stage.run(figure, &mut ctx)?;
    let (findings, numbers) = ctx.into_notes();
    Ok(Outcome { figure, findings, numbers })
}
