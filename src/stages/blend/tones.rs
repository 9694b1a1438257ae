//! Tones: patches of one filament and like colour, taken together over the whole figure so that face and hands get one blend.

use glam::DVec3;
use rayon::prelude::*;

use super::Blend;
use crate::colour::difference::ciede2000;
use crate::colour::mix::{self, Mix};
use crate::colour::spaces::{Lab, Linear, lab_of_linear};
use crate::equipment::Filament;
use crate::figure::Figure;
use crate::surface::Surface;

/// Patches of one filament whose mean colours are closer than this are one tone, dE (CIEDE2000).
const ONE_TONE_DE: f64 = 6.0;

/// A tone and where it is.
#[derive(Clone, Debug)]
pub struct Tone {
    pub filament: u8,
    /// Mean colour, linear light.
    pub colour: Linear,
    pub area_mm2: f64,
    /// Its faces, ascending.
    pub faces: Vec<u32>,
}

/// What can be blended: faces steep enough for bands, by their filament.
#[derive(Debug)]
pub struct Field<'a> {
    pub figure: &'a Figure,
    pub surface: &'a Surface,
    pub labels: &'a [u8],
    /// Whether bands on a face are narrow enough.
    pub steep: Vec<bool>,
}

impl<'a> Field<'a> {
    /// Faces at least so steep in the pose their part is printed in.
    pub fn new(figure: &'a Figure, surface: &'a Surface, labels: &'a [u8], slope_min_deg: f64) -> Self {
        // Smooth normals, so that a rough surface is not broken up into faces with bands and without.
        let mut normals = vec![DVec3::ZERO; surface.linear.len()];
        for face in 0..surface.len() {
            let area = surface.area_vector(figure, face);
            surface.corners[face].into_iter().for_each(|v| normals[v as usize] += area);
        }
        let [level_max, flat_max] = [1.0, 0.5].map(|share| (share * slope_min_deg.to_radians()).cos());
        let is_steep = |face: usize| {
            let up =
                figure.parts[usize::from(surface.part[face])].pose.map(|pose| pose.rotation.transpose() * DVec3::Z);
            let normal = surface.corners[face].iter().map(|v| normals[*v as usize].normalize_or_zero()).sum::<DVec3>();
            let own = surface.area_vector(figure, face).normalize_or_zero();
            up.is_some_and(|up| normal.normalize_or_zero().dot(up).abs() <= level_max && own.dot(up).abs() <= flat_max)
        };
        let steep = (0..surface.len()).into_par_iter().map(is_steep).collect();
        Self { figure, surface, labels, steep }
    }

    /// All tones, the largest first.
    pub fn tones(&self, area_min_mm2: f64) -> Vec<Tone> {
        let (surface, labels) = (self.surface, self.labels);
        let keys: Vec<(u8, bool)> = labels.iter().copied().zip(self.steep.iter().copied()).collect();
        let (patch_of, count) = surface.patches(&keys);
        let mut patches: Vec<Tone> =
            vec![Tone { filament: 0, colour: [0.0; 3], area_mm2: 0.0, faces: Vec::new() }; count];
        for face in (0..surface.len()).filter(|face| self.steep[*face]) {
            let area = f64::from(surface.area_mm2[face]);
            let patch = &mut patches[patch_of[face] as usize];
            patch.filament = labels[face];
            patch.take(surface.colour(face), area);
            patch.faces.push(face as u32);
        }
        patches.retain(|patch| patch.area_mm2 > 0.0);
        patches.sort_by(|a, b| b.area_mm2.total_cmp(&a.area_mm2).then(a.faces[0].cmp(&b.faces[0])));
        let mut tones: Vec<Tone> = Vec::new();
        for patch in patches {
            let lab = lab_of_linear(patch.colour);
            let near = |tone: &&mut Tone| {
                tone.filament == patch.filament && ciede2000(lab, lab_of_linear(tone.colour)) < ONE_TONE_DE
            };
            match tones.iter_mut().find(near) {
                Some(tone) => {
                    tone.take(patch.colour, patch.area_mm2);
                    tone.faces.extend(patch.faces);
                }
                None => tones.push(patch),
            }
        }
        tones.retain(|tone| tone.area_mm2 >= area_min_mm2);
        for tone in &mut tones {
            tone.faces.sort_unstable();
        }
        tones.sort_by(|a, b| b.area_mm2.total_cmp(&a.area_mm2).then(a.faces[0].cmp(&b.faces[0])));
        tones
    }

    /// Mean difference of a tone's faces from a colour.
    pub fn distance(&self, faces: &[u32], printed: Lab) -> f64 {
        let sums = faces.iter().fold([0.0, 0.0], |[sum, all], face| {
            let area = f64::from(self.surface.area_mm2[*face as usize]);
            let scan = lab_of_linear(self.surface.colour(*face as usize));
            [sum + area * ciede2000(scan, printed), all + area]
        });
        sums[0] / sums[1].max(f64::MIN_POSITIVE)
    }
}

impl Tone {
    /// Adds surface of a colour to the mean.
    fn take(&mut self, colour: Linear, area_mm2: f64) {
        let all = self.area_mm2 + area_mm2;
        let share = if all > 0.0 { (area_mm2 / all) as f32 } else { 0.0 };
        self.colour = [0, 1, 2].map(|c| self.colour[c] + share * (colour[c] - self.colour[c]));
        self.area_mm2 = all;
    }
}

/// The best blend of a tone out of some of the figure's filaments.
pub fn blend_of(settings: &Blend, tone: &Tone, palette: &[Filament], allowed: &[u8], period_max: usize) -> Option<Mix> {
    let colour = |label: &u8| palette.get(usize::from(*label)).and_then(Filament::lab);
    let known: Vec<(u8, Lab)> = allowed.iter().filter_map(|label| Some((*label, colour(label)?))).collect();
    let colours: Vec<Linear> = known.iter().map(|(_, lab)| crate::colour::spaces::linear_of_lab(*lab)).collect();
    let mut mix = mix::nearest(lab_of_linear(tone.colour), &colours, period_max, settings.spread)?;
    mix.parts.iter_mut().for_each(|(index, _)| *index = usize::from(known[*index].0));
    Some(mix)
}
