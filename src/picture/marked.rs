//! A figure in the colour of clay with some of its triangles marked.

use glam::DVec3;
use rayon::prelude::*;
use rustc_hash::FxHashMap;

use super::{Camera, Colouring, Drawn, Item, Placement, Scene, Shape, Style, draw};
use crate::colour::spaces::linear_of_bytes;
use crate::mesh::TriMesh;

/// Surface, and marked surface, sRGB.
pub const CLAY: [u8; 3] = [0xd8, 0xd2, 0xc4];
pub const MARK: [u8; 3] = [0xd0, 0x2f, 0x6a];

/// Draws a shape whose triangles are marked or not.
#[must_use]
pub fn draw_marked(shape: &Shape<'_>, marks: &[bool], camera: Camera, size: [usize; 2], style: Style) -> Drawn {
    let labels: Vec<u8> = marks.iter().map(|mark| u8::from(*mark)).collect();
    let palette = [linear_of_bytes(CLAY), linear_of_bytes(MARK)];
    let colouring = Colouring::Labels { labels: &labels, palette: &palette };
    let item = Item { shape, colouring, place: Placement::IDENTITY, two_sided: false };
    draw(&Scene { items: vec![item], camera, size, style, focus: None })
}

/// Which triangles have their centre within `radius_mm` of one of some points.
#[must_use]
pub fn around(mesh: &TriMesh, points: &[DVec3], radius_mm: f64) -> Vec<bool> {
    let cell = |p: DVec3| (p / radius_mm).floor().as_i64vec3();
    let mut cells = FxHashMap::<_, Vec<DVec3>>::default();
    for p in points {
        cells.entry(cell(*p)).or_default().push(*p);
    }
    let is_near = |t: usize| {
        let middle = mesh.corners(t).into_iter().sum::<DVec3>() / 3.0;
        let own = cell(middle);
        (0..27).any(|i| {
            let at = own + glam::I64Vec3::new(i % 3 - 1, i / 3 % 3 - 1, i / 9 - 1);
            cells.get(&at).is_some_and(|points| points.iter().any(|p| p.distance(middle) <= radius_mm))
        })
    };
    (0..mesh.triangles.len()).into_par_iter().map(is_near).collect()
}
