//! Light on the visible surface: main, fill and rim light that stand still around the camera, plus light from above
//! and below; the floor and the backdrop; and the way from samples to pixels.

use glam::{DVec2, DVec3, Mat3, Vec3};
use rayon::prelude::*;

use super::camera::View;
use super::ground::{Floor, blend};
use super::raster::{Corner, NOTHING, Projected, STEP, Samples, place, side};
use super::shape::corner_normal;
use super::tone::{byte, shoulder};
use super::{Colouring, Image, Item, Scene};

/// A lamp: direction towards it in camera axes (right, up, back), colour, and how far it wraps around edges.
struct Lamp {
    towards: Vec3,
    light: Vec3,
    wrap: f32,
}

/// Together they show a surface that faces the camera in its own colour, nearly.
const LAMPS: [Lamp; 3] = [
    Lamp { towards: KEY, light: Vec3::new(0.665, 0.65, 0.625), wrap: 0.15 },
    Lamp { towards: Vec3::new(0.74, 0.10, 0.66), light: Vec3::new(0.19, 0.20, 0.215), wrap: 0.3 },
    Lamp { towards: Vec3::new(0.55, 0.45, -0.70), light: Vec3::new(0.34, 0.345, 0.35), wrap: 0.0 },
];
const KEY: Vec3 = Vec3::new(-0.46, 0.62, 0.635);
const SKY: Vec3 = Vec3::new(0.345, 0.35, 0.355);
const EARTH: Vec3 = Vec3::new(0.20, 0.195, 0.185);
/// What is seen of a surface's back: it belongs inside.
const BACK_FACE: f32 = 0.45;
const UNKNOWN: [f32; 3] = [0.4; 3];

/// Direction towards the main light in scene axes.
#[must_use]
pub fn key_direction(view: &View) -> DVec3 {
    let key = KEY.as_dvec3();
    (view.axes[0] * key.x + view.axes[1] * key.y + view.axes[2] * key.z).normalize()
}

/// Light of all lamps and the surroundings on a surface with this normal in camera axes; `up` is the scene's.
fn light_on(normal: Vec3, up: Vec3, openness: f32) -> Vec3 {
    let mut light = Vec3::ZERO;
    for lamp in &LAMPS {
        let facing = (normal.dot(lamp.towards) + lamp.wrap) / (1.0 + lamp.wrap);
        light += lamp.light * facing.max(0.0);
    }
    // Obscured places lose all of the surroundings' light but only part of the lamps'.
    light *= 0.55 + 0.45 * openness;
    light + EARTH.lerp(SKY, 0.5 + 0.5 * normal.dot(up)) * openness
}

/// Everything the last step needs.
pub struct Light<'a> {
    pub scene: &'a Scene<'a>,
    pub view: &'a View,
    pub projected: Projected,
    pub samples: Samples,
    pub openness: Vec<f32>,
    pub floor: Option<Floor>,
    pub oversampling: usize,
    /// The scene's way up, in camera axes.
    pub up: Vec3,
}

/// Shades all samples and averages them to pixels, in linear light.
#[must_use]
pub fn shade(light: &Light<'_>) -> Image {
    let [width, height] = light.scene.size;
    let turns: Vec<Mat3> = light.scene.items.iter().map(|i| (light.view.turn() * i.place.rotation).as_mat3()).collect();
    let row = |y: usize| {
        let mut facet = None;
        let mut bytes = Vec::with_capacity(3 * width);
        for x in 0..width {
            bytes.extend(light.pixel(x, y, &turns, &mut facet).map(|c| byte(shoulder(c))));
        }
        bytes
    };
    let rgb = (0..height).into_par_iter().flat_map_iter(row).collect();
    Image { width, height, rgb }
}

/// A triangle prepared for shading; neighbouring samples mostly share it.
#[derive(Clone, Copy)]
struct Facet {
    id: u32,
    corners: [Corner; 3],
    per_area: f32,
    normals: [Vec3; 3],
    colours: [[f32; 3]; 3],
    /// Seen from behind.
    behind: bool,
}

impl Light<'_> {
    fn pixel(&self, x: usize, y: usize, turns: &[Mat3], cache: &mut Option<Facet>) -> [f32; 3] {
        let n = self.oversampling;
        let openness = self.openness[y * self.scene.size[0] + x];
        let seen = |sx: usize, sy: usize| self.samples.triangle[sy * self.samples.width + sx];
        if (y * n..(y + 1) * n).all(|sy| (x * n..(x + 1) * n).all(|sx| seen(sx, sy) == NOTHING)) {
            return self.surroundings(DVec2::new(x as f64 + 0.5, y as f64 + 0.5));
        }
        let mut sum = Vec3::ZERO;
        for (dx, dy) in (0..n).flat_map(|dy| (0..n).map(move |dx| (dx, dy))) {
            let (sx, sy) = (x * n + dx, y * n + dy);
            let id = seen(sx, sy);
            sum += if id == NOTHING {
                let (x, y) = place(sx, sy);
                Vec3::from(self.surroundings(DVec2::new(x as f64, y as f64) / (STEP as f64 * n as f64)))
            } else {
                let facet = match cache {
                    Some(facet) if facet.id == id => *facet,
                    _ => self.facet(id, turns),
                };
                *cache = Some(facet);
                self.surface(&facet, sx, sy, openness)
            };
        }
        (sum / (n * n) as f32).to_array()
    }

    fn facet(&self, id: u32, turns: &[Mat3]) -> Facet {
        let (item_index, index) = self.projected.locate(id);
        let item = &self.scene.items[item_index];
        let mesh = item.shape.mesh;
        let triangle = mesh.triangles[index];
        let own = mesh.area_vector(index).as_vec3().normalize_or_zero();
        let turn = turns[item_index];
        let corners = self.projected.triangle(&self.scene.items, id);
        let [a, b, c] = corners;
        let area = side(a, b, i64::from(c.x), i64::from(c.y));
        let behind = area < 0;
        let flip = if behind { -1.0 } else { 1.0 };
        let normals = triangle.map(|v| turn * corner_normal(own, item.shape.normals[v as usize]) * flip);
        Facet { id, corners, per_area: 1.0 / area as f32, normals, colours: colours(item, index, triangle), behind }
    }

    fn surface(&self, facet: &Facet, x: usize, y: usize, openness: f32) -> Vec3 {
        let [a, b, c] = facet.corners;
        let (x, y) = place(x, y);
        let flat = [side(b, c, x, y), side(c, a, x, y)].map(|w| w as f32 * facet.per_area);
        let flat = [flat[0], flat[1], 1.0 - flat[0] - flat[1]];
        // Perspective: shares in the scene follow from shares in the picture by nearness (ortho views skip it).
        let nears = if a.near > 0.0 { [a.near, b.near, c.near] } else { [1.0; 3] };
        let total: f32 = (0..3).map(|i| flat[i] * nears[i]).sum();
        let share: [f32; 3] = std::array::from_fn(|i| flat[i] * nears[i] / total);
        let normal: Vec3 = (0..3).map(|i| facet.normals[i] * share[i]).sum::<Vec3>().normalize_or_zero();
        let colour: Vec3 = (0..3).map(|i| Vec3::from(facet.colours[i]) * share[i]).sum();
        let light = light_on(normal, self.up, openness);
        colour * light * if facet.behind { BACK_FACE } else { 1.0 }
    }

    /// Floor or backdrop where nothing stands, at a place in pixels.
    fn surroundings(&self, at: DVec2) -> [f32; 3] {
        let [top, bottom] = self.scene.style.backdrop;
        let down = (at.y / self.scene.size[1].max(1) as f64) as f32;
        let backdrop = blend(top, bottom, down * down * (3.0 - 2.0 * down));
        let Some(floor) = &self.floor else { return backdrop };
        let (start, along) = self.view.ray(at.x, at.y);
        let ahead = (floor.z_mm - start.z) / along.z;
        if !(ahead > 0.0 && ahead.is_finite()) {
            return backdrop;
        }
        let p = start + along * ahead;
        let px_mm = 1.0 / self.view.px_per_mm(self.view.project(p).near);
        floor.look(p.truncate(), px_mm, backdrop)
    }
}

fn colours(item: &Item<'_>, index: usize, triangle: [u32; 3]) -> [[f32; 3]; 3] {
    match item.colouring {
        Colouring::Vertex => triangle.map(|v| item.shape.mesh.colours.get(v as usize).copied().unwrap_or(UNKNOWN)),
        Colouring::Labels { labels, palette } => {
            let entry = labels.get(index).and_then(|l| palette.get(usize::from(*l)));
            [entry.copied().unwrap_or(UNKNOWN); 3]
        }
        Colouring::Flat(colour) => [colour; 3],
    }
}
