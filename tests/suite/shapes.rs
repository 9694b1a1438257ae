//! Shapes built for tests of mesh repair.

use std::collections::HashMap;

use glam::DVec3;
use statuary::mesh::TriMesh;

/// Sphere of a radius about a centre: an icosahedron split `level` times.
pub fn sphere(centre: DVec3, radius: f64, level: usize) -> TriMesh {
    let g = 0.5 * (1.0 + 5.0_f64.sqrt());
    let corner = |x: f64, y: f64, z: f64| DVec3::new(x, y, z).normalize();
    let mut points = vec![
        corner(-1.0, g, 0.0),
        corner(1.0, g, 0.0),
        corner(-1.0, -g, 0.0),
        corner(1.0, -g, 0.0),
        corner(0.0, -1.0, g),
        corner(0.0, 1.0, g),
        corner(0.0, -1.0, -g),
        corner(0.0, 1.0, -g),
        corner(g, 0.0, -1.0),
        corner(g, 0.0, 1.0),
        corner(-g, 0.0, -1.0),
        corner(-g, 0.0, 1.0),
    ];
    let mut faces: Vec<[u32; 3]> = vec![
        [0, 11, 5],
        [0, 5, 1],
        [0, 1, 7],
        [0, 7, 10],
        [0, 10, 11],
        [1, 5, 9],
        [5, 11, 4],
        [11, 10, 2],
        [10, 7, 6],
        [7, 1, 8],
        [3, 9, 4],
        [3, 4, 2],
        [3, 2, 6],
        [3, 6, 8],
        [3, 8, 9],
        [4, 9, 5],
        [2, 4, 11],
        [6, 2, 10],
        [8, 6, 7],
        [9, 8, 1],
    ];
    for _ in 0..level {
        let mut middles: HashMap<(u32, u32), u32> = HashMap::new();
        let mut middle = |a: u32, b: u32, points: &mut Vec<DVec3>| {
            *middles.entry((a.min(b), a.max(b))).or_insert_with(|| {
                points.push((points[a as usize] + points[b as usize]).normalize());
                points.len() as u32 - 1
            })
        };
        let mut finer = Vec::with_capacity(4 * faces.len());
        for [a, b, c] in faces {
            let (ab, bc, ca) = (middle(a, b, &mut points), middle(b, c, &mut points), middle(c, a, &mut points));
            finer.extend([[a, ab, ca], [b, bc, ab], [c, ca, bc], [ab, bc, ca]]);
        }
        faces = finer;
    }
    TriMesh::from_shape(points.into_iter().map(|p| centre + p * radius).collect(), faces)
}

/// Axis-parallel box between two corners, 8 vertices, 12 triangles.
pub fn cuboid(low: DVec3, high: DVec3) -> TriMesh {
    let pick = |i: u32, k: u32, l: f64, h: f64| if i >> k & 1 == 1 { h } else { l };
    let point = |i| DVec3::new(pick(i, 0, low.x, high.x), pick(i, 1, low.y, high.y), pick(i, 2, low.z, high.z));
    let quads = [[0, 2, 3, 1], [4, 5, 7, 6], [0, 1, 5, 4], [2, 6, 7, 3], [0, 4, 6, 2], [1, 3, 7, 5]];
    let faces = quads.iter().flat_map(|[a, b, c, d]| [[*a, *b, *c], [*a, *c, *d]]).collect();
    TriMesh::from_shape((0..8).map(point).collect(), faces)
}

/// Both meshes in one, nothing joined.
pub fn together(mut a: TriMesh, b: &TriMesh) -> TriMesh {
    let shift = a.positions.len() as u32;
    a.positions.extend(&b.positions);
    a.colours.extend(&b.colours);
    a.triangles.extend(b.triangles.iter().map(|t| t.map(|v| v + shift)));
    a.origins.extend(&b.origins);
    a
}

/// The mesh without the triangles whose centre fulfils a condition.
pub fn without(mut mesh: TriMesh, gone: impl Fn(DVec3) -> bool) -> TriMesh {
    let centres: Vec<DVec3> = (0..mesh.triangles.len()).map(|t| mesh.corners(t).iter().sum::<DVec3>() / 3.0).collect();
    let mut keep = centres.iter().map(|c| !gone(*c));
    mesh.triangles.retain(|_| keep.next().unwrap());
    mesh.origins.truncate(mesh.triangles.len());
    mesh
}

/// A profile of (radius, z), from the axis outwards and downwards, turned about the z axis; open at its last ring.
pub fn revolved(profile: &[(f64, f64)], segments: u32) -> TriMesh {
    let mut points = vec![DVec3::new(0.0, 0.0, profile[0].1)];
    for (radius, z) in &profile[1..] {
        for i in 0..segments {
            let angle = std::f64::consts::TAU * f64::from(i) / f64::from(segments);
            points.push(DVec3::new(radius * angle.cos(), radius * angle.sin(), *z));
        }
    }
    let at = |ring: u32, i: u32| 1 + ring * segments + i % segments;
    let mut faces: Vec<[u32; 3]> = (0..segments).map(|i| [0, at(0, i), at(0, i + 1)]).collect();
    for ring in 0..profile.len() as u32 - 2 {
        for i in 0..segments {
            let (a, b, c, d) = (at(ring, i), at(ring, i + 1), at(ring + 1, i), at(ring + 1, i + 1));
            faces.extend([[a, c, d], [a, d, b]]);
        }
    }
    TriMesh::from_shape(points, faces)
}
