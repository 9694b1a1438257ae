//! The flat undersides a figure stands on.

use std::collections::{BTreeMap, BTreeSet};

use glam::{DVec2, DVec3};

use crate::mesh::{Origin, TriMesh};

/// Contact smaller than this is a touching edge, not a sole, mm2.
const AREA_MIN_MM2: f64 = 1.0;

/// The sole of a mesh: all triangles that lie flat on its ground.
#[derive(Clone, Debug)]
pub(super) struct Sole {
    /// Index of the part it is of.
    pub part: usize,
    pub triangles: Vec<u32>,
    /// Directed edges around it, seen from below with the sole to their left: vertices of the mesh.
    pub rim: Vec<[u32; 2]>,
    pub area_mm2: f64,
}

impl Sole {
    /// The flat part of a mesh in a level plane, facing down; `None` when there is next to nothing.
    pub fn of(mesh: &TriMesh, part: usize, level_mm: f64) -> Option<Self> {
        let flat = |t: &u32| {
            let low = mesh.triangles[*t as usize].iter().all(|v| mesh.positions[*v as usize].z == level_mm);
            low && mesh.area_vector(*t as usize).z < 0.0
        };
        let triangles: Vec<u32> = (0..mesh.triangles.len() as u32).filter(flat).collect();
        let area_mm2 = triangles.iter().map(|t| -0.5 * mesh.area_vector(*t as usize).z).sum();
        let edges: BTreeSet<[u32; 2]> = triangles
            .iter()
            .map(|t| mesh.triangles[*t as usize])
            .flat_map(|[a, b, c]| [[a, b], [b, c], [c, a]])
            .collect();
        let rim = edges.iter().filter(|[a, b]| !edges.contains(&[*b, *a])).copied().collect();
        (area_mm2 >= AREA_MIN_MM2).then_some(Self { part, triangles, rim, area_mm2 })
    }

    /// Marks it as the cut face of a joint, which it becomes once the plate is glued to it.
    pub fn mark(&self, mesh: &mut TriMesh, joint: u16) {
        for t in &self.triangles {
            mesh.origins[*t as usize] = Origin::Cut(joint);
        }
    }

    /// Its rim as points seen from above.
    pub fn edges(&self, mesh: &TriMesh) -> Vec<[DVec2; 2]> {
        self.rim.iter().map(|edge| edge.map(|v| mesh.positions[v as usize].truncate())).collect()
    }
}

/// A place by the bits of its coordinates; both zeros are one.
pub(super) fn place(p: DVec2) -> [u64; 2] {
    [(p.x + 0.0).to_bits(), (p.y + 0.0).to_bits()]
}

/// The figure and its plate as one solid: the plate's top around the soles joined to the surface above them. `plate` has
/// an opening of the soles' outline in its top; `None` when the rims do not meet one to one.
pub(super) fn united(whole: &TriMesh, sole: &Sole, plate: &TriMesh) -> Option<TriMesh> {
    let gone: BTreeSet<u32> = sole.triangles.iter().copied().collect();
    let mut rim = BTreeMap::new();
    let mut level_mm = f64::NAN;
    for v in sole.rim.iter().map(|edge| edge[0]) {
        let p = whole.positions[v as usize];
        level_mm = p.z;
        if rim.insert(place(p.truncate()), v).is_some_and(|other| other != v) {
            return None;
        }
    }
    let kept = |t: &usize| !gone.contains(&(*t as u32));
    let mut joined = TriMesh {
        positions: whole.positions.clone(),
        colours: whole.colours.clone(),
        triangles: (0..whole.triangles.len()).filter(kept).map(|t| whole.triangles[t]).collect(),
        origins: (0..whole.triangles.len()).filter(kept).map(|t| whole.origins[t]).collect(),
    };
    let mut met = 0;
    let mut index = Vec::with_capacity(plate.positions.len());
    for (p, colour) in plate.positions.iter().zip(&plate.colours) {
        let shared = (p.z == level_mm).then(|| rim.get(&place(p.truncate()))).flatten();
        met += usize::from(shared.is_some());
        index.push(shared.copied().unwrap_or_else(|| {
            joined.positions.push(*p);
            joined.colours.push(*colour);
            joined.positions.len() as u32 - 1
        }));
    }
    joined.triangles.extend(plate.triangles.iter().map(|t| t.map(|v| index[v as usize])));
    joined.origins.extend(&plate.origins);
    (met == rim.len()).then(|| without_loose_points(joined))
}

/// Drops vertices that no triangle uses: those amid the soles.
fn without_loose_points(mesh: TriMesh) -> TriMesh {
    const NONE: u32 = u32::MAX;
    let mut index = vec![NONE; mesh.positions.len()];
    mesh.triangles.iter().flatten().for_each(|v| index[*v as usize] = 0);
    let used: Vec<usize> = (0..index.len()).filter(|v| index[*v] != NONE).collect();
    used.iter().enumerate().for_each(|(new, old)| index[*old] = new as u32);
    let positions: Vec<DVec3> = used.iter().map(|v| mesh.positions[*v]).collect();
    let colours = used.iter().map(|v| mesh.colours[*v]).collect();
    let triangles = mesh.triangles.iter().map(|t| t.map(|v| index[v as usize])).collect();
    TriMesh { positions, colours, triangles, origins: mesh.origins }
}
