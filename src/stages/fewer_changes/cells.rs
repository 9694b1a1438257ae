//! Patches cut at level planes near their ends, so that a thin end in layers that lack its label otherwise may be given up
//! without the rest.

use std::sync::Arc;

use rayon::prelude::*;

use super::FewerChanges;
use crate::equipment::Equipment;
use crate::figure::{Figure, Part};
use crate::mesh::level::{self, Levelled};
use crate::stage::StageError;
use crate::surface::Surface;

/// Ends of a patch may be cut off where a layer first holds such a share of what the patch's layers hold in the mean,
const FULL_SHARES: [f64; 2] = [0.5, 0.2];
/// and where they have such a share of its surface.
const END_SHARES: [f64; 2] = [0.05, 0.2];
/// Most layers a patch may go through.
const LAYERS_MAX: f64 = 1e6;
/// Fewest layers between two planes, and between a plane and the patch's end.
const LAYERS_MIN: usize = 3;

/// Patches of a figure and the planes each may be cut at.
pub struct Planes {
    /// Patch of each triangle by part, `u32::MAX` for triangles inside.
    patch_of: Vec<Vec<u32>>,
    /// Heights on the bed for each patch, ascending, mm.
    heights_mm: Vec<Vec<f64>>,
}

/// A figure cut along planes.
pub struct Cut {
    pub figure: Figure,
    pub surface: Surface,
    /// Label and place between planes of each face: faces with one key that hang together are a cell.
    pub keys: Vec<(u8, u16)>,
    /// By part: the pieces it was cut into.
    pieces: Vec<Pieces>,
}

/// Triangle that each triangle of a part is a piece of, and the height of its middle on the bed, mm.
struct Pieces {
    source: Vec<u32>,
    middle_mm: Vec<f64>,
}

impl Planes {
    /// Planes near the ends of all patches that the core's label does not have anyway, on borders of layers.
    ///
    /// # Errors
    /// When a part has no bed pose.
    pub fn near_ends(
        settings: &FewerChanges,
        figure: &Figure,
        own: &Equipment,
        (surface, labels): (&Surface, &[u8]),
    ) -> Result<Self, StageError> {
        let (of_face, count) = surface.patches(labels);
        let mut patch_of: Vec<Vec<u32>> =
            figure.parts.iter().map(|part| vec![u32::MAX; part.mesh.triangles.len()]).collect();
        let mut faces: Vec<Vec<u32>> = vec![Vec::new(); count];
        for (face, patch) in of_face.iter().enumerate() {
            patch_of[usize::from(surface.part[face])][surface.triangle[face] as usize] = *patch;
            faces[*patch as usize].push(face as u32);
        }
        let cores: Vec<Option<u8>> = figure.parts.par_iter().map(Part::core_label).collect();
        if let Some(part) = figure.parts.iter().find(|part| part.pose.is_none()) {
            let what = format!("part {} has no bed pose", part.name);
            return Err(StageError::failed(what, "put `orient` before `fewer-changes`"));
        }
        let layer_mm = own.printer.layer_or(settings.layer_mm);
        let of_patch = |faces: &Vec<u32>| {
            let first = faces[0] as usize;
            let part = &figure.parts[usize::from(surface.part[first])];
            if settings.trim_min_mm2 <= 0.0 || cores[usize::from(surface.part[first])] == Some(labels[first]) {
                return Vec::new();
            }
            let weighed: Vec<([f64; 3], f64)> = faces
                .iter()
                .map(|face| {
                    let corners = part.mesh.corners(surface.triangle[*face as usize] as usize);
                    let heights = corners.map(|p| part.pose.map_or(p.z, |pose| pose.to_bed(p).z));
                    (heights, f64::from(surface.area_mm2[*face as usize]))
                })
                .collect();
            planes(&weighed, layer_mm, settings.trim_min_mm2)
        };
        let heights_mm = faces.par_iter().map(of_patch).collect();
        Ok(Self { patch_of, heights_mm })
    }

    /// The figure cut along all planes.
    #[must_use]
    pub fn cut(&self, figure: &Figure) -> Cut {
        let none = Vec::new();
        let old: Vec<&Vec<u8>> = figure.parts.iter().map(|part| part.labels.as_deref().unwrap_or(&none)).collect();
        let cut_part = |(part, patch_of): (&Part, &Vec<u32>)| {
            let up = |p: &glam::DVec3| part.pose.map_or(p.z, |pose| pose.to_bed(*p).z);
            let heights: Vec<f64> = part.mesh.positions.iter().map(up).collect();
            let planes = |t: usize| self.heights_mm.get(patch_of[t] as usize).map_or(&[][..], Vec::as_slice);
            level::split(&part.mesh, &heights, f64::INFINITY, &[], planes)
        };
        let levelled: Vec<Levelled> = figure.parts.par_iter().zip(&self.patch_of).map(cut_part).collect();
        let mut cut = Cut { figure: figure.clone(), surface: Surface::default(), keys: Vec::new(), pieces: Vec::new() };
        for ((index, part), levelled) in cut.figure.parts.iter_mut().enumerate().zip(levelled) {
            let Levelled { mesh, source, heights_mm } = levelled;
            let middle = |t: &[u32; 3]| t.iter().map(|v| heights_mm[*v as usize]).sum::<f64>() / 3.0;
            let middle_mm: Vec<f64> = mesh.triangles.iter().map(middle).collect();
            part.labels = Some(Arc::new(source.iter().map(|s| old[index][*s as usize]).collect()));
            part.mesh = Arc::new(mesh);
            cut.pieces.push(Pieces { source, middle_mm });
        }
        cut.surface = Surface::new(&cut.figure);
        let key = |(part, triangle): (&u16, &u32)| {
            let (part, triangle) = (usize::from(*part), *triangle as usize);
            let (source, middle) = (cut.pieces[part].source[triangle] as usize, cut.pieces[part].middle_mm[triangle]);
            let planes = &self.heights_mm[self.patch_of[part][source] as usize];
            (old[part][source], planes.partition_point(|plane| *plane < middle) as u16)
        };
        cut.keys = cut.surface.part.iter().zip(&cut.surface.triangle).map(key).collect();
        cut
    }

    /// Those planes of which the two sides have different labels now, given the label of each face of the cut figure.
    pub fn used(&self, cut: &Cut, labels: &[u8]) -> Self {
        let mut used: Vec<Vec<bool>> = self.heights_mm.iter().map(|heights| vec![false; heights.len()]).collect();
        for face in 0..cut.surface.len() {
            let patch = self.patch(cut, face);
            for next in cut.surface.neighbours[face].iter().map(|next| *next as usize).filter(|n| *n < labels.len()) {
                let (low, high) = (cut.keys[face].1, cut.keys[next].1);
                let beside = cut.surface.part[next] == cut.surface.part[face] && self.patch(cut, next) == patch;
                if beside && low < high && labels[next] != labels[face] {
                    used[patch][usize::from(low)..usize::from(high)].fill(true);
                }
            }
        }
        let keep = |(heights, used): (&Vec<f64>, &Vec<bool>)| {
            heights.iter().zip(used).filter(|(_, used)| **used).map(|(height, _)| *height).collect()
        };
        Self { patch_of: self.patch_of.clone(), heights_mm: self.heights_mm.iter().zip(&used).map(keep).collect() }
    }

    fn patch(&self, cut: &Cut, face: usize) -> usize {
        let part = usize::from(cut.surface.part[face]);
        let source = cut.pieces[part].source[cut.surface.triangle[face] as usize];
        self.patch_of[part][source as usize] as usize
    }
}

impl Cut {
    /// Labels of this figure's faces, taken from the pieces of the same triangles in another cut of the figure.
    pub fn labels_from(&self, other: &Self, labels: &[u8]) -> Vec<u8> {
        // Pieces of each triangle, the other's faces in order: pieces of one follow each other within a part.
        let mut first: Vec<Vec<u32>> = self.figure.parts.iter().map(|_| Vec::new()).collect();
        for face in 0..other.surface.len() {
            let part = usize::from(other.surface.part[face]);
            let source = other.pieces[part].source[other.surface.triangle[face] as usize] as usize;
            let starts = &mut first[part];
            starts.resize(starts.len().max(source + 1), u32::MAX);
            starts[source] = starts[source].min(face as u32);
        }
        let label = |face: usize| {
            let part = usize::from(self.surface.part[face]);
            let place = self.surface.triangle[face] as usize;
            let (source, middle) = (self.pieces[part].source[place], self.pieces[part].middle_mm[place]);
            let start = first[part][source as usize] as usize;
            let of_same = |f: &usize| {
                usize::from(other.surface.part[*f]) == part
                    && other.pieces[part].source[other.surface.triangle[*f] as usize] == source
            };
            let apart = |f: &usize| (other.pieces[part].middle_mm[other.surface.triangle[*f] as usize] - middle).abs();
            let same = (start..other.surface.len()).take_while(of_same);
            same.min_by(|x, y| apart(x).total_cmp(&apart(y))).map_or(0, |f| labels[f])
        };
        (0..self.surface.len()).map(label).collect()
    }
}

/// Heights at which a patch may be cut, given its triangles' corner heights and areas.
fn planes(triangles: &[([f64; 3], f64)], layer_mm: f64, least_mm2: f64) -> Vec<f64> {
    let layer = |z: f64| (z / layer_mm).floor();
    let ends = |z: &[f64; 3]| [z[0].min(z[1]).min(z[2]), z[0].max(z[1]).max(z[2])].map(layer);
    let all_ends = triangles.iter().map(|(z, _)| ends(z));
    let [low, high] = all_ends.fold([f64::INFINITY, f64::NEG_INFINITY], |[l, h], [x, y]| [l.min(x), h.max(y)]);
    if !(high - low).is_finite() || high - low > LAYERS_MAX {
        return Vec::new();
    }
    // Surface in each layer, as if every triangle had as much in each of its layers.
    let mut areas = vec![0.0; (high - low) as usize + 1];
    for (z, area) in triangles {
        let [from, to] = ends(z).map(|layer| (layer - low) as usize);
        areas[from..=to].iter_mut().for_each(|sum| *sum += area / (to - from + 1) as f64);
    }
    let all: f64 = areas.iter().sum();
    let mean = all / areas.len() as f64;
    let below: Vec<f64> = areas.iter().scan(0.0, |sum, area| Some(std::mem::replace(sum, *sum + area))).collect();
    let rises = FULL_SHARES.iter().flat_map(|share| {
        let is_full = |area: &f64| *area >= share * mean;
        [areas.iter().position(is_full), areas.iter().rposition(is_full).map(|last| last + 1)]
    });
    let ends = END_SHARES.iter().flat_map(|share| {
        let first = |area: f64| below.iter().position(|below| *below >= area);
        [first(share * all), first((1.0 - share) * all)]
    });
    let mut kept: Vec<usize> = Vec::new();
    for at in rises.chain(ends).flatten() {
        let apart = kept.iter().all(|other| other.abs_diff(at) >= LAYERS_MIN);
        let inside = at >= LAYERS_MIN && at + LAYERS_MIN <= areas.len();
        if apart && inside && below[at] >= least_mm2 && all - below[at] >= least_mm2 {
            kept.push(at);
        }
    }
    kept.sort_unstable();
    kept.iter().map(|at| (low + *at as f64) * layer_mm).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A tongue of 10 layers hangs from a band of 40: the plane between the two is among those found.
    #[test]
    fn a_plane_lies_where_a_patch_widens() {
        let strip = |from: f64, to: f64, area: f64| ([from + 0.01, to - 0.01, from + 0.01], area);
        let layers = (0..50_u32).map(|i| {
            let z = 20.0 + 0.2 * f64::from(i);
            strip(z, z + 0.2, if i < 10 { 2.0 } else { 25.0 })
        });
        let found = planes(&layers.collect::<Vec<_>>(), 0.2, 9.0);
        assert!(found.iter().any(|z| (z - 22.0).abs() < 1e-9), "{found:?}");
        assert!(found.iter().all(|z| (20.6..=29.4).contains(z)), "{found:?}");
        assert!(found.windows(2).all(|pair| pair[1] - pair[0] > 0.59), "{found:?}");
    }

    #[test]
    fn what_is_too_small_to_be_parted_has_no_planes() {
        assert!(planes(&[([0.0, 4.0, 0.0], 17.0)], 0.2, 9.0).is_empty());
        assert!(planes(&[], 0.2, 9.0).is_empty());
    }
}
