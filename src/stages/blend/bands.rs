//! Lays bands on a part: splits its surface along them and gives each its filament.

use crate::figure::{Part, Pose};
use crate::mesh::TriMesh;
use crate::mesh::level::{self, Levelled};
use crate::mesh::sound::{Sound, pairs_beside};

/// Edges are not split nearer to their ends than this share of a band.
const NEAR: f64 = 0.1;

/// The bands of a mix.
#[derive(Clone, Debug)]
pub struct Band {
    pub height_mm: f64,
    /// Filaments of a period's bands.
    pub sequence: Vec<usize>,
}

/// The bands of all mixes.
#[derive(Clone, Debug)]
pub struct Bands {
    pub of_mix: Vec<Band>,
}

/// A part with bands.
#[derive(Clone, Debug)]
pub struct Banded {
    pub mesh: TriMesh,
    pub labels: Vec<u8>,
    /// The mix that each triangle is a band of.
    pub mixes: Vec<Option<u16>>,
}

impl Bands {
    /// Lays bands on the triangles that have a mix; bands lie between whole layers of the part as it stands on the bed.
    pub fn lay(&self, part: &Part, mix: &[Option<u16>]) -> Banded {
        let labels = part.labels.as_deref().cloned().unwrap_or_default();
        if mix.iter().all(Option::is_none) {
            return Banded { mesh: (*part.mesh).clone(), labels, mixes: mix.to_vec() };
        }
        let split = self.split(part, mix);
        let label = |piece: usize| {
            let source = split.source[piece] as usize;
            let Some(band) = self.of(mix[source]) else { return labels[source] };
            let z: f64 = split.mesh.triangles[piece].iter().map(|v| split.heights_mm[*v as usize]).sum();
            let place = (z / 3.0 / band.height_mm).max(0.0) as usize;
            band.sequence[place % band.sequence.len()] as u8
        };
        let pieces = 0..split.source.len();
        Banded {
            labels: pieces.clone().map(label).collect(),
            mixes: pieces.map(|piece| mix[split.source[piece] as usize]).collect(),
            mesh: split.mesh,
        }
    }

    fn of(&self, mix: Option<u16>) -> Option<&Band> {
        self.of_mix.get(usize::from(mix?))
    }

    /// The surface split along the bands. A new vertex lies on the lattice and so a little beside its edge; where that makes the
    /// surface run through itself, its triangles are kept whole.
    fn split(&self, part: &Part, mix: &[Option<u16>]) -> Levelled {
        let pose = part.pose.unwrap_or(Pose::IDENTITY);
        let heights: Vec<f64> = part.mesh.positions.iter().map(|p| pose.to_bed(*p).z).collect();
        let top = heights.iter().copied().fold(0.0, f64::max);
        let planes = |band: &Band| -> Vec<f64> {
            (1..=(top / band.height_mm) as usize).map(|i| i as f64 * band.height_mm).collect()
        };
        let planes: Vec<Vec<f64>> = self.of_mix.iter().map(planes).collect();
        let within = |t: usize, planes: &'_ [f64]| {
            let z = part.mesh.triangles[t].map(|v| heights[v as usize]);
            let (low, high) = (z[0].min(z[1]).min(z[2]), z[0].max(z[1]).max(z[2]));
            let first = planes.partition_point(|plane| *plane <= low);
            first..first.max(planes.partition_point(|plane| *plane < high))
        };
        let of = |t: usize| match mix[t].and_then(|mix| planes.get(usize::from(mix))) {
            Some(planes) => &planes[within(t, planes)],
            None => &[],
        };
        let near_mm = NEAR * self.of_mix.iter().map(|band| band.height_mm).fold(f64::INFINITY, f64::min);
        let sound = Sound::of(&part.mesh, &[]);
        let mut kept: Vec<u32> = Vec::new();
        loop {
            let split = level::split(&part.mesh, &heights, near_mm, &kept, of);
            let before = kept.len();
            kept.extend(pairs_beside(&split.mesh, &sound).iter().flatten().map(|piece| split.source[*piece as usize]));
            kept.sort_unstable();
            kept.dedup();
            if kept.len() == before {
                return split;
            }
        }
    }
}
