//! The patches of every part with what the trade needs: layers, colour differences, neighbours.

use std::collections::BTreeMap;

use glam::DVec3;
use rayon::prelude::*;

use super::FewerChanges;
use crate::colour::difference::ciede2000;
use crate::colour::spaces::{self, Lab};
use crate::equipment::Equipment;
use crate::figure::{Figure, Part};
use crate::mesh::patch_layers::{NO_PATCH, PatchLayers, Patched};
use crate::mesh::slice::Layers;
use crate::mesh::tree::TriTree;
use crate::stage::StageError;
use crate::surface::zones::ZoneWeights;
use crate::surface::{NONE, Surface};

/// A patch of another part across a joint.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Across {
    pub part: usize,
    pub patch: u32,
    /// Length of the rim they share, mm.
    pub rim_mm: f64,
}

/// The surface of each part on the bed, as it was before patches were cut: shells end half-way to what is behind them.
pub struct Trees(Vec<TriTree>);

impl Trees {
    #[must_use]
    pub fn of(figure: &Figure) -> Self {
        let tree = |part: &Part| TriTree::new(&on_bed(part), &part.mesh.triangles);
        Self(figure.parts.par_iter().map(tree).collect())
    }
}

fn on_bed(part: &Part) -> Vec<DVec3> {
    part.mesh.positions.par_iter().map(|p| part.pose.map_or(*p, |pose| pose.to_bed(*p))).collect()
}

/// The patches of one part; lists have one entry for each.
#[derive(Clone, Debug)]
pub struct Patches {
    pub layers: PatchLayers,
    /// Labels as they came.
    pub labels: Vec<u8>,
    /// Difference under each label, surface alone and weighed by what the eye dwells on, dE mm2.
    pub costs: Vec<Vec<Cost>>,
    /// Least surface that may be left of a patch, mm2.
    pub least_mm2: f64,
    /// Patches of the same part that it borders on.
    pub borders: Vec<Vec<u32>>,
    pub across: Vec<Vec<Across>>,
}

/// Colour difference of a patch under a label, dE mm2 (CIEDE2000).
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Cost {
    pub plain: f64,
    pub weighed: f64,
}

/// All that is known of the figure.
pub struct Gathered {
    /// Patch of each face, numbered through all parts.
    pub patch_of: Vec<u32>,
    pub parts: Vec<Patches>,
    /// Visible surface of all parts, mm2.
    pub area_mm2: f64,
}

impl Gathered {
    /// Faces with one key, whose first is the label, that hang together are a patch.
    ///
    /// # Errors
    /// When a part has no bed pose, or a filament's colour cannot be read.
    pub fn new(
        settings: &FewerChanges,
        figure: &Figure,
        (own, trees): (&Equipment, &Trees),
        (surface, keys): (&Surface, &[(u8, u16)]),
    ) -> Result<Self, StageError> {
        let (patch_of, count) = surface.patches(keys);
        let starts = starts(surface, &patch_of, count);
        let labs: Vec<Lab> = surface.linear.par_iter().map(|c| spaces::lab_of_linear(*c)).collect();
        let costs = costs(settings, figure, surface, (&labs, &patch_of, count))?;
        let (borders, across) = neighbours(surface, &patch_of, &starts);
        let mut labels = vec![0; count];
        for (patch, (label, _)) in patch_of.iter().zip(keys) {
            labels[*patch as usize] = *label;
        }
        let one = |(index, part): (usize, &Part)| {
            let own_patches = starts[index]..starts[index + 1];
            Ok(Patches {
                layers: layers(settings, figure, part, (own, trees), (surface, index, &patch_of, own_patches.clone()))?,
                labels: labels[own_patches.clone()].to_vec(),
                costs: costs[own_patches.clone()].to_vec(),
                least_mm2: settings.trim_min_mm2,
                borders: borders[own_patches.clone()].to_vec(),
                across: across[own_patches].to_vec(),
            })
        };
        let parts: Vec<Patches> =
            figure.parts.par_iter().enumerate().map(|(i, p)| one((i, p))).collect::<Result<_, StageError>>()?;
        let area_mm2 = parts.iter().flat_map(|part| part.layers.area_mm2()).sum();
        Ok(Self { patch_of, parts, area_mm2 })
    }

    /// Label of each face when the patches of each part have these.
    #[must_use]
    pub fn face_labels(&self, labels: &[Vec<u8>]) -> Vec<u8> {
        let all: Vec<u8> = labels.iter().flatten().copied().collect();
        self.patch_of.iter().map(|patch| all[*patch as usize]).collect()
    }
}

/// Patches are numbered by their first face, so those of a part follow each other.
fn starts(surface: &Surface, patch_of: &[u32], count: usize) -> Vec<usize> {
    let first = |face: &usize| patch_of.get(*face).map_or(count, |patch| *patch as usize);
    let mut starts: Vec<usize> = surface.part_start.iter().map(first).collect();
    // A part without visible surface has no face of its own.
    for i in (0..starts.len().saturating_sub(1)).rev() {
        starts[i] = starts[i].min(starts[i + 1]);
    }
    starts
}

/// Differences of all patches from all filaments.
fn costs(
    settings: &FewerChanges,
    figure: &Figure,
    surface: &Surface,
    (labs, patch_of, count): (&[Lab], &[u32], usize),
) -> Result<Vec<Vec<Cost>>, StageError> {
    let mut palette = Vec::with_capacity(figure.palette.len());
    for filament in &figure.palette {
        palette.push(filament.lab().ok_or_else(|| {
            let what = format!("filament `{}` has a colour that cannot be read", filament.name);
            StageError::failed(what, "correct it on the shelf")
        })?);
    }
    let weights = ZoneWeights { skin: settings.skin_weight as f32, face: settings.face_weight as f32 };
    let colour = |face: usize| {
        let [x, y, z] = surface.corners[face].map(|v| labs[v as usize]);
        Lab { l: (x.l + y.l + z.l) / 3.0, a: (x.a + y.a + z.a) / 3.0, b: (x.b + y.b + z.b) / 3.0 }
    };
    let zones = surface.zone_weights(figure, colour, weights);
    let size = palette.len();
    let mut differences = vec![0.0_f32; labs.len() * size];
    differences.par_chunks_mut(size.max(1)).zip(labs).for_each(|(row, lab)| {
        row.iter_mut().zip(&palette).for_each(|(de, filament)| *de = ciede2000(*lab, *filament) as f32);
    });
    let mut costs = vec![vec![Cost::default(); size]; count];
    for (face, patch) in patch_of.iter().enumerate() {
        let area = f64::from(surface.area_mm2[face]);
        let rows = surface.corners[face].map(|v| &differences[v as usize * size..][..size]);
        for (label, cost) in costs[*patch as usize].iter_mut().enumerate() {
            let plain = area * f64::from(rows[0][label] + rows[1][label] + rows[2][label]) / 3.0;
            cost.plain += plain;
            cost.weighed += plain * f64::from(zones[face]);
        }
    }
    Ok(costs)
}

type Neighbours = (Vec<Vec<u32>>, Vec<Vec<Across>>);

/// What each patch borders on in its part, numbered within it, and over joints.
fn neighbours(surface: &Surface, patch_of: &[u32], starts: &[usize]) -> Neighbours {
    let count = starts.last().copied().unwrap_or(0);
    let mut borders = vec![Vec::new(); count];
    let mut rims: BTreeMap<(u32, u16, u32), f64> = BTreeMap::new();
    for face in 0..surface.len() {
        let (part, patch) = (surface.part[face], patch_of[face]);
        for (next, length) in surface.neighbours[face].iter().zip(surface.length_mm[face]) {
            let Some(other) = patch_of.get(*next as usize).filter(|_| *next != NONE) else { continue };
            let other_part = surface.part[*next as usize];
            if other_part != part {
                let local = other - starts[usize::from(other_part)] as u32;
                *rims.entry((patch, other_part, local)).or_default() += f64::from(length);
            } else if *other != patch {
                let local = other - starts[usize::from(part)] as u32;
                if !borders[patch as usize].contains(&local) {
                    borders[patch as usize].push(local);
                }
            }
        }
    }
    for list in &mut borders {
        list.sort_unstable();
    }
    let mut across = vec![Vec::new(); count];
    for ((patch, part, other), rim_mm) in rims {
        across[patch as usize].push(Across { part: usize::from(part), patch: other, rim_mm });
    }
    (borders, across)
}

/// Tool changes of all parts as they are labelled.
///
/// # Errors
/// When a part has no bed pose.
pub fn changes(
    settings: &FewerChanges,
    figure: &Figure,
    (own, trees): (&Equipment, &Trees),
    (surface, labels): (&Surface, &[u8]),
) -> Result<usize, StageError> {
    let (patch_of, count) = surface.patches(labels);
    let starts = starts(surface, &patch_of, count);
    let mut of_patch = vec![0; count];
    for (patch, label) in patch_of.iter().zip(labels) {
        of_patch[*patch as usize] = *label;
    }
    let one = |(index, part): (usize, &Part)| {
        let own_patches = starts[index]..starts[index + 1];
        let layers = layers(settings, figure, part, (own, trees), (surface, index, &patch_of, own_patches.clone()))?;
        Ok(layers.changes(&of_patch[own_patches]))
    };
    let counts: Vec<usize> = figure.parts.par_iter().enumerate().map(one).collect::<Result<_, StageError>>()?;
    Ok(counts.iter().sum())
}

/// The layers that the patches of a part lie in.
fn layers(
    settings: &FewerChanges,
    figure: &Figure,
    part: &Part,
    (own, trees): (&Equipment, &Trees),
    (surface, index, patch_of, own_patches): (&Surface, usize, &[u32], std::ops::Range<usize>),
) -> Result<PatchLayers, StageError> {
    if part.pose.is_none() {
        let what = format!("part {} has no bed pose", part.name);
        return Err(StageError::failed(what, "put `orient` before `fewer-changes`"));
    }
    let positions = on_bed(part);
    let mut of_triangle = vec![NO_PATCH; part.mesh.triangles.len()];
    for face in surface.part_start[index]..surface.part_start[index + 1] {
        of_triangle[surface.triangle[face] as usize] = patch_of[face] - own_patches.start as u32;
    }
    let top = positions.iter().fold(0.0, |top: f64, p| top.max(p.z));
    let depth = |filament| own.printer.colour_depth_or(settings.colour_depth_mm, filament);
    let depth_mm: Vec<f64> = figure.palette.iter().map(depth).collect();
    let patched = Patched {
        positions: &positions,
        triangles: &part.mesh.triangles,
        patch_of: &of_triangle,
        patch_count: own_patches.len(),
    };
    Ok(PatchLayers::new(
        patched,
        &trees.0[index],
        Layers::up_to(top, own.printer.layer_or(settings.layer_mm)),
        &depth_mm,
    ))
}
