//! Tones: where the scan's colour is so far from the filament there that a mix of several is worth its bands, and which mix.

use glam::DVec3;
use rayon::prelude::*;

use super::Blend;
use super::mixes::Mixes;
use crate::colour::difference::ciede2000;
use crate::colour::expansion::{FORBIDDEN, Labelling};
use crate::colour::spaces::{Lab, bytes_of_linear, format_hex, lab_of_linear, linear_of_lab};
use crate::equipment::Filament;
use crate::figure::{BlendedTone, Figure, NO_TONE};
use crate::surface::zones::ZoneWeights;
use crate::surface::{NONE, Surface};

/// Whole-number energy of 1 dE on 1 mm2.
const UNIT: f64 = 65536.0;
/// Faces that want the same are taken together up to this area, mm2.
const CLUSTER_MM2: f32 = 4.0;
/// Rounds of moves over all mixes.
const ROUNDS: usize = 4;

/// The surface, the filament each face has, and where it can be blended.
#[derive(Debug)]
pub struct Field<'a> {
    pub figure: &'a Figure,
    pub surface: &'a Surface,
    pub labels: &'a [u8],
    /// Colours of the palette.
    pub filaments: Vec<Lab>,
    /// Whether a face may be blended: steep enough for narrow bands, and where the settings want them.
    pub open: Vec<bool>,
}

impl<'a> Field<'a> {
    /// Finds the faces that are steep in the pose their part is printed in; `None` when a filament's colour cannot be read.
    pub fn new(figure: &'a Figure, surface: &'a Surface, labels: &'a [u8], settings: &Blend) -> Option<Self> {
        let filaments = figure.palette.iter().map(Filament::lab).collect::<Option<_>>()?;
        // Smooth normals, so that a rough surface is not broken up into faces with bands and without.
        let mut normals = vec![DVec3::ZERO; surface.linear.len()];
        for face in 0..surface.len() {
            let area = surface.area_vector(figure, face);
            surface.corners[face].into_iter().for_each(|v| normals[v as usize] += area);
        }
        let [level_max, flat_max] = [1.0, 0.5].map(|share| (share * settings.slope_min_deg.to_radians()).cos());
        let is_steep = |face: usize| {
            let up =
                figure.parts[usize::from(surface.part[face])].pose.map(|pose| pose.rotation.transpose() * DVec3::Z);
            let normal = surface.corners[face].iter().map(|v| normals[*v as usize].normalize_or_zero()).sum::<DVec3>();
            let own = surface.area_vector(figure, face).normalize_or_zero();
            up.is_some_and(|up| normal.normalize_or_zero().dot(up).abs() <= level_max && own.dot(up).abs() <= flat_max)
        };
        let mut open: Vec<bool> = (0..surface.len()).into_par_iter().map(is_steep).collect();
        if settings.skin_only {
            let colour = |face: usize| lab_of_linear(surface.colour(face));
            let zones = surface.zone_weights(figure, colour, ZoneWeights { skin: 2.0, face: 2.0 });
            open.iter_mut().zip(zones).for_each(|(open, zone)| *open &= zone > 1.0);
        }
        Some(Self { figure, surface, labels, filaments, open })
    }

    /// Colour of the filament a face has.
    pub fn own(&self, face: usize) -> Lab {
        self.filaments[usize::from(self.labels[face])]
    }

    pub fn part(&self, face: usize) -> usize {
        usize::from(self.surface.part[face])
    }

    /// The mix of each face: least difference over the surface, `gain_min_de` to be gained, short borders, no patch too small.
    pub fn assign(&self, mixes: &Mixes, settings: &Blend) -> Vec<Option<u16>> {
        let surface = self.surface;
        let count = mixes.all.len() + 1;
        let costs: Vec<i64> =
            (0..surface.len()).into_par_iter().flat_map_iter(|face| self.costs(face, mixes)).collect();
        let of = |face: usize| &costs[face * count..][..count];
        let best = |face: usize| (0..count).min_by_key(|label| of(face)[*label]).unwrap_or(0) as u8;
        let wanted: Vec<u8> = (0..surface.len()).into_par_iter().map(best).collect();
        let alike = |x: usize, y: usize| wanted[x] == wanted[y] && self.open[x] == self.open[y];
        let (cluster_of, clusters) = surface.flood(CLUSTER_MM2, alike);
        let mut data = vec![0_i64; clusters * count];
        let mut labels = vec![0_u8; clusters];
        for (face, cluster) in cluster_of.iter().enumerate() {
            let sums = &mut data[*cluster as usize * count..][..count];
            sums.iter_mut().zip(of(face)).for_each(|(sum, cost)| *sum = (*sum + cost).min(FORBIDDEN));
            labels[*cluster as usize] = wanted[face];
        }
        let edges = self.edges(&cluster_of, settings.border_price());
        Labelling::new(count, data, &edges).improve(&mut labels, ROUNDS);
        let of_face: Vec<u8> = cluster_of.iter().map(|cluster| labels[*cluster as usize]).collect();
        self.without_small(&of_face, settings.area_min_mm2)
    }

    /// Energies of a face as it is and under each mix.
    fn costs(&self, face: usize, mixes: &Mixes) -> Vec<i64> {
        let area = f64::from(self.surface.area_mm2[face]);
        let scan = lab_of_linear(self.surface.colour(face));
        let whole = |difference: f64| (area * difference * UNIT) as i64;
        let mut costs = vec![FORBIDDEN; mixes.all.len() + 1];
        costs[0] = whole(ciede2000(scan, self.own(face)));
        for mix in mixes.of_part[self.part(face)].iter().filter(|_| self.open[face]) {
            let (mix, price_de) = (*mix, mixes.prices_de[*mix]);
            costs[mix + 1] = whole(ciede2000(scan, mixes.all[mix].lab) + price_de);
        }
        costs
    }

    /// Borders between clusters; one to a face without bands costs nothing, as there must be one.
    fn edges(&self, cluster_of: &[u32], per_mm: f64) -> Vec<(u32, u32, i64)> {
        let surface = self.surface;
        let mut edges = Vec::new();
        for face in (0..surface.len()).filter(|face| self.open[*face]) {
            for (next, length) in surface.neighbours[face].into_iter().zip(surface.length_mm[face]) {
                if next != NONE && face < next as usize && self.open[next as usize] {
                    let price = (f64::from(length) * per_mm * UNIT) as i64;
                    edges.push((cluster_of[face], cluster_of[next as usize], price));
                }
            }
        }
        edges
    }

    /// Numbers of mixes; patches of a mix that are too small stay as they were.
    fn without_small(&self, labels: &[u8], area_min_mm2: f64) -> Vec<Option<u16>> {
        let (patch_of, count) = self.surface.patches(labels);
        let area_mm2 = self.surface.patch_areas_mm2(&patch_of, count);
        let kept = |(label, patch): (&u8, &u32)| {
            let mix = u16::from(*label).checked_sub(1);
            mix.filter(|_| area_mm2[*patch as usize] >= area_min_mm2)
        };
        labels.iter().zip(&patch_of).map(kept).collect()
    }

    /// What was blended, the largest first, and the number each mix has among it.
    pub fn tones(&self, mixes: &Mixes, mix_of_face: &[Option<u16>]) -> (Vec<BlendedTone>, Vec<u8>) {
        let mut sums = vec![Sum::default(); mixes.all.len()];
        for (face, mix) in mix_of_face.iter().enumerate() {
            if let Some(mix) = mix.map(usize::from) {
                let area = f64::from(self.surface.area_mm2[face]);
                let scan = self.surface.colour(face);
                let lab = lab_of_linear(scan);
                sums[mix].take(area, scan, [ciede2000(lab, self.own(face)), ciede2000(lab, mixes.all[mix].lab)]);
            }
        }
        let mut used: Vec<usize> = (0..sums.len()).filter(|mix| sums[*mix].area_mm2 > 0.0).collect();
        used.sort_by(|x, y| sums[*y].area_mm2.total_cmp(&sums[*x].area_mm2));
        let mut tone_of_mix = vec![NO_TONE; sums.len()];
        for (tone, mix) in (0..NO_TONE).zip(&used) {
            tone_of_mix[*mix] = tone;
        }
        (used.into_iter().map(|mix| sums[mix].tone(mixes, mix)).collect(), tone_of_mix)
    }
}

/// Sums over the surface of a tone.
#[derive(Clone, Copy, Debug, Default)]
struct Sum {
    area_mm2: f64,
    colour: [f64; 3],
    /// Differences as it was and as blended.
    differences: [f64; 2],
}

impl Sum {
    fn take(&mut self, area: f64, colour: [f32; 3], differences: [f64; 2]) {
        self.area_mm2 += area;
        self.colour.iter_mut().zip(colour).for_each(|(sum, x)| *sum += area * f64::from(x));
        self.differences.iter_mut().zip(differences).for_each(|(sum, x)| *sum += area * x);
    }

    fn tone(&self, mixes: &Mixes, mix: usize) -> BlendedTone {
        let [distance_before, distance] = self.differences.map(|sum| sum / self.area_mm2);
        let known = &mixes.all[mix];
        BlendedTone {
            colour: format_hex(bytes_of_linear(self.colour.map(|sum| (sum / self.area_mm2) as f32))),
            looks: format_hex(bytes_of_linear(linear_of_lab(known.lab))),
            area_mm2: self.area_mm2,
            bands: known.parts.iter().map(|(label, count)| (*label as u8, *count)).collect(),
            band_mm: mixes.bands_mm[mix],
            distance_before,
            distance,
        }
    }
}
