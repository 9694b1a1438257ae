//! Spikes of several vertices: little clusters that hang on the surface by long edges all round.

use glam::DVec3;
use rustc_hash::FxHashSet;

use super::super::TriMesh;
use super::super::fans::Fans;
use super::{APART, ORDINARY, SPIKE, median_edge_mm, stretched};

/// A spike to be cut out.
#[derive(Clone, Debug, PartialEq)]
pub struct Spike {
    /// Its vertices, ascending.
    pub vertices: Vec<u32>,
    /// All triangles at them, ascending.
    pub triangles: Vec<u32>,
    /// Mean point of its foot, mm.
    pub foot: DVec3,
}

/// Spikes of 2 to 16 vertices, by lowest triangle; single ones are for [`super::pull_back_spikes`].
///
/// All edges from a spike to its foot are more than 6 times the median edge, the edges around the foot are ordinary, the
/// foot is narrower than the spike is high, and its triangles face apart. A mesh more than a hundredth of whose triangles
/// are so long is not a dense scan, and has none (common practice, no source).
///
/// # Examples
/// ```
/// use glam::DVec3;
/// use statuary::mesh::{TriMesh, spikes::deep_spikes};
///
/// // A level sheet of 24 x 24 points, two neighbours of them thrown up.
/// let up = |i: u32| if i == 300 || i == 301 { 15.0 } else { 0.0 };
/// let points = (0..576).map(|i| DVec3::new(f64::from(i % 24), f64::from(i / 24), up(i))).collect();
/// let squares = (0..552_u32).filter(|i| i % 24 < 23);
/// let faces = squares.flat_map(|i| [[i, i + 1, i + 25], [i, i + 25, i + 24]]).collect();
/// let spikes = deep_spikes(&TriMesh::from_shape(points, faces));
/// assert_eq!((spikes.len(), spikes[0].vertices.as_slice()), (1, [300, 301].as_slice()));
/// assert_eq!((spikes[0].triangles.len(), spikes[0].foot.z), (10, 0.0));
/// ```
#[must_use]
pub fn deep_spikes(mesh: &TriMesh) -> Vec<Spike> {
    const DENSE: f64 = 0.01;
    let median = median_edge_mm(mesh);
    let long = stretched(mesh, SPIKE * median);
    // A spike alone on a small mesh is no sign of a coarse one.
    if long.is_empty() || long.len() as f64 > DENSE * mesh.triangles.len() as f64 + 20.0 {
        return Vec::new();
    }
    let search = Search { mesh, fans: Fans::of(mesh), median };
    let (mut seen, mut found) = (FxHashSet::default(), Vec::new());
    for v in long.iter().flat_map(|t| mesh.triangles[*t as usize]) {
        if seen.insert(v)
            && let Some(cluster) = search.cluster(v)
        {
            seen.extend(&cluster);
            found.extend(search.spike(cluster));
        }
    }
    found
}

struct Search<'a> {
    mesh: &'a TriMesh,
    fans: Fans,
    median: f64,
}

impl Search<'_> {
    fn place(&self, v: u32) -> DVec3 {
        self.mesh.positions[v as usize]
    }

    fn is_long(&self, v: u32, w: u32) -> bool {
        self.place(v).distance(self.place(w)) > SPIKE * self.median
    }

    /// Vertices connected to one by edges that are not long, ascending; `None` if these are many.
    fn cluster(&self, v: u32) -> Option<Vec<u32>> {
        const MANY: usize = 16;
        let mut cluster = vec![v];
        let mut at = 0;
        while let Some(v) = cluster.get(at).copied() {
            at += 1;
            for w in self.fans.ring(self.mesh, v).filter(|w| !self.is_long(v, *w)) {
                if !cluster.contains(&w) {
                    cluster.push(w);
                }
            }
            if cluster.len() > MANY {
                return None;
            }
        }
        cluster.sort_unstable();
        Some(cluster)
    }

    /// The spike these vertices are, if they are one.
    fn spike(&self, vertices: Vec<u32>) -> Option<Spike> {
        let mut triangles: Vec<u32> = vertices.iter().flat_map(|v| self.fans.around(*v)).copied().collect();
        triangles.sort_unstable();
        triangles.dedup();
        let is_outside = |v: &u32| !vertices.contains(v);
        let (mut foot, mut is_ordinary) = (Vec::new(), true);
        let mut normals = DVec3::ZERO;
        for t in &triangles {
            let corners = self.mesh.triangles[*t as usize];
            let outside: Vec<u32> = corners.into_iter().filter(is_outside).collect();
            if let [a, b] = outside[..] {
                is_ordinary &= self.place(a).distance(self.place(b)) < ORDINARY * self.median;
            }
            foot.extend(outside);
            normals += self.mesh.area_vector(*t as usize).normalize_or_zero();
        }
        foot.sort_unstable();
        foot.dedup();
        if vertices.len() < 2 || foot.len() < 3 || !is_ordinary {
            return None;
        }
        let mean = |some: &[u32]| some.iter().map(|v| self.place(*v)).sum::<DVec3>() / some.len() as f64;
        let (tip, middle) = (mean(&vertices), mean(&foot));
        let radius = foot.iter().map(|v| self.place(*v).distance(middle)).fold(0.0, f64::max);
        let faces_apart = normals.length() < APART * triangles.len() as f64;
        (faces_apart && 2.0 * radius < tip.distance(middle)).then_some(Spike { vertices, triangles, foot: middle })
    }
}
