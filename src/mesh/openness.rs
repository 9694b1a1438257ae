//! How open every vertex of a surface is to the sky all around (ambient occlusion, after Zhukov et al. 1998), from depth maps
//! seen from many sides.

use glam::DVec3;
use rayon::prelude::*;

/// Directions light comes from.
const DIRECTIONS: usize = 64;
/// Most cells of a depth map along each side, and vertices for each cell.
const CELLS_MAX: f64 = 256.0;
const PER_CELL: f64 = 2.0;
/// What lies so many cells deeper than the outermost is in its shadow: a few, and more where the surface runs away from the eye,
/// as steeply as this at most.
const BEHIND: f64 = 1.0;
const STEEP_MAX: f64 = 6.0;
/// Vertices of one piece of work.
const CHUNK: usize = 1 << 16;

/// Share of the light from all sides, weighted by how straight it falls, that reaches each vertex: 0 to 1. `normals` are unit
/// vectors; vertices must be spread densely enough over the surface to hide what is behind it.
#[must_use]
pub fn openness(positions: &[DVec3], normals: &[DVec3]) -> Vec<f32> {
    let mut got = vec![[0.0_f32; 2]; positions.len()];
    for i in 0..DIRECTIONS {
        let map = Map::of(positions, direction(i));
        got.par_iter_mut().zip(positions.par_iter().zip(normals)).for_each(|(got, (p, normal))| {
            let falls = normal.dot(map.towards) as f32;
            if falls > 0.0 {
                let steep = (1.0 / falls.powi(2) - 1.0).max(0.0).sqrt().min(STEEP_MAX as f32);
                got[0] += if map.sees(*p, f64::from(steep)) { falls } else { 0.0 };
                got[1] += falls;
            }
        });
    }
    got.into_iter().map(|[light, all]| if all > 0.0 { light / all } else { 1.0 }).collect()
}

/// Points of a spiral cover the sphere evenly.
fn direction(i: usize) -> DVec3 {
    let z = 1.0 - (2.0 * i as f64 + 1.0) / DIRECTIONS as f64;
    let turn = i as f64 * std::f64::consts::PI * (3.0 - 5.0_f64.sqrt());
    DVec3::new(turn.cos(), turn.sin(), 0.0) * (1.0 - z * z).sqrt() + DVec3::Z * z
}

/// The outermost depth of each cell, seen from one side.
struct Map {
    towards: DVec3,
    axes: [DVec3; 2],
    low: [f64; 2],
    cell_mm: f64,
    cells: usize,
    depth: Vec<f32>,
}

impl Map {
    fn of(positions: &[DVec3], towards: DVec3) -> Self {
        let axes: [DVec3; 2] = towards.any_orthonormal_pair().into();
        let start = ([f64::INFINITY; 2], [f64::NEG_INFINITY; 2]);
        let (low, high) = positions.iter().fold(start, |(low, high), p| {
            let at = axes.map(|axis| axis.dot(*p));
            ([0, 1].map(|i| low[i].min(at[i])), [0, 1].map(|i| high[i].max(at[i])))
        });
        let size = (high[0] - low[0]).max(high[1] - low[1]).max(1e-9);
        let cells = (positions.len() as f64 / PER_CELL).sqrt().clamp(8.0, CELLS_MAX) as usize;
        let mut map = Self { towards, axes, low, cell_mm: size / cells as f64, cells, depth: Vec::new() };
        let empty = || vec![f32::NEG_INFINITY; cells * cells];
        let chunk = |points: &[DVec3]| {
            let mut depth = empty();
            for p in points {
                let cell = map.cell(*p);
                depth[cell] = depth[cell].max(towards.dot(*p) as f32);
            }
            depth
        };
        let both = |a: Vec<f32>, b: Vec<f32>| a.into_iter().zip(b).map(|(a, b)| a.max(b)).collect();
        map.depth = positions.par_chunks(CHUNK).map(chunk).reduce(empty, both);
        map
    }

    fn cell(&self, p: DVec3) -> usize {
        let at = |i: usize| (((self.axes[i].dot(p) - self.low[i]) / self.cell_mm) as usize).min(self.cells - 1);
        at(1) * self.cells + at(0)
    }

    fn sees(&self, p: DVec3, steep: f64) -> bool {
        let behind = BEHIND * (1.0 + std::f64::consts::SQRT_2 * steep) * self.cell_mm;
        self.towards.dot(p) >= f64::from(self.depth[self.cell(p)]) - behind
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Points evenly over a ball of 10 mm.
    fn ball(count: usize) -> Vec<DVec3> {
        (0..count)
            .map(|i| {
                let z = 1.0 - (2.0 * i as f64 + 1.0) / count as f64;
                let turn = i as f64 * 2.399_963;
                10.0 * (DVec3::new(turn.cos(), turn.sin(), 0.0) * (1.0 - z * z).sqrt() + DVec3::Z * z)
            })
            .collect()
    }

    #[test]
    fn a_ball_alone_is_open_everywhere() {
        let positions = ball(40_000);
        let normals: Vec<DVec3> = positions.iter().map(|p| p.normalize()).collect();
        let least = openness(&positions, &normals).into_iter().fold(1.0, f32::min);
        assert!(least > 0.95, "{least}");
    }

    /// The inside of a ball sees nothing of the sky, and a floor close under a ball less than one far off: half of the sky is
    /// hidden where a ball of radius r touches, sin(a)^2 of it, weighted by the cosine, by a ball that looks a wide.
    #[test]
    fn what_is_near_hides_as_much_of_the_sky_as_it_covers() {
        let mut positions = ball(40_000);
        let mut normals: Vec<DVec3> = positions.iter().map(|p| p.normalize()).collect();
        let floor = (0..200 * 200).map(|i| DVec3::new(f64::from(i % 200) - 99.5, f64::from(i / 200) - 99.5, -20.0));
        positions.extend(floor);
        normals.resize(positions.len(), DVec3::Z);
        let open = openness(&positions, &normals);
        let at = |x: f64| {
            let off = |i: &usize| positions[*i].distance(DVec3::new(x, 0.0, -20.0));
            f64::from(open[(40_000..positions.len()).min_by(|a, b| off(a).total_cmp(&off(b))).unwrap()])
        };
        let covered: f64 = (10.0_f64 / 20.0).powi(2);
        assert!((1.0 - at(0.0) - covered).abs() < 0.06, "{} for {covered}", 1.0 - at(0.0));
        assert!(at(90.0) > 0.95, "{}", at(90.0));
        let inward: Vec<DVec3> = normals.iter().map(|n| -*n).collect();
        assert!(openness(&positions, &inward)[..40_000].iter().sum::<f32>() / 40_000.0 < 0.15);
    }
}
