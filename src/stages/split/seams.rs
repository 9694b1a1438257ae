//! What the seams of a divided figure show, and what those of a plain grid of beds would.

use glam::DVec3;
use rayon::prelude::*;

use super::bed::Bed;
use super::body::Body;
use super::care::Care;
use super::divide::Work;
use super::rims::rims;
use crate::mesh::TriMesh;
use crate::mesh::cut::{NO_SOURCE, Plane};

/// Sums over all seams of a figure.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
#[allow(clippy::struct_field_names, reason = "lengths carry their unit")]
pub(super) struct Seams {
    pub length_mm: f64,
    /// Length weighted with how much it shows: plain skin seen from the front counts once.
    pub shown_mm: f64,
    /// Length where nothing was to be cut.
    pub barred_mm: f64,
}

impl Seams {
    /// Seams between parts, each counted once.
    pub fn of(parts: &[Work], cuts: &[Option<Plane>], care: &Care) -> Self {
        let each: Vec<Self> = parts.par_iter().map(|part| Self::of_part(part, cuts, care)).collect();
        each.into_iter().fold(Self::default(), |sum, seams| sum.and(&seams))
    }

    fn of_part(part: &Work, cuts: &[Option<Plane>], care: &Care) -> Self {
        let mut seams = Self::default();
        for rim in
            rims(&part.mesh, cuts).into_iter().filter(|r| r.face.faces_up && part.source[r.triangle] != NO_SOURCE)
        {
            let normal = part.mesh.area_vector(rim.triangle).normalize_or_zero();
            let source = part.source[rim.triangle] as usize;
            seams.add(care, source, [rim.face.outward(), normal], rim.length_mm);
        }
        seams
    }

    fn add(&mut self, care: &Care, source: usize, [plane_normal, normal]: [DVec3; 2], length_mm: f64) {
        self.length_mm += length_mm;
        self.shown_mm += length_mm * care.across(source, plane_normal, normal);
        self.barred_mm += if care.is_barred(source) { length_mm } else { 0.0 };
    }

    fn and(&self, other: &Self) -> Self {
        Self {
            length_mm: self.length_mm + other.length_mm,
            shown_mm: self.shown_mm + other.shown_mm,
            barred_mm: self.barred_mm + other.barred_mm,
        }
    }
}

/// A figure cut by evenly spaced planes, as many as it takes: what the search has to beat.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct Plain {
    pub parts: usize,
    pub seams: Seams,
}

impl Plain {
    /// The plain grid with the fewest parts, of both ways to turn the bed.
    pub fn of(whole: &TriMesh, body: &Body, bed: &Bed, care: &Care) -> Self {
        let [x, y] = bed.sides_mm;
        let size = body.high - body.low;
        let counts = |room: [f64; 3]| [0, 1, 2].map(|i| (size[i] / room[i]).ceil().max(1.0) as usize);
        let ways = [counts([x, y, bed.height_mm]), counts([y, x, bed.height_mm])];
        let [(parts, counts), other] = ways.map(|counts| (body.pieces(counts), counts));
        let (parts, counts) = if other.0 < parts { other } else { (parts, counts) };
        let chunks: Vec<Seams> = (0..whole.triangles.len().div_ceil(CHUNK))
            .into_par_iter()
            .map(|chunk| {
                let mut seams = Seams::default();
                for t in CHUNK * chunk..(CHUNK * (chunk + 1)).min(whole.triangles.len()) {
                    crossings(whole, t, body, counts, |axis, length_mm| {
                        let normal = whole.area_vector(t).normalize_or_zero();
                        seams.add(care, t, [DVec3::AXES[axis], normal], length_mm);
                    });
                }
                seams
            })
            .collect();
        let seams = chunks.iter().fold(Seams::default(), |sum, s| sum.and(s));
        Self { parts, seams }
    }
}

/// Triangles summed up at a time.
const CHUNK: usize = 1 << 14;

/// Calls back with the length in which each plane of an even grid over the body crosses a triangle.
fn crossings(mesh: &TriMesh, t: usize, body: &Body, counts: [usize; 3], mut found: impl FnMut(usize, f64)) {
    let corners = mesh.corners(t);
    for axis in 0..3 {
        let step = (body.high - body.low)[axis] / counts[axis] as f64;
        let height = corners.map(|p| (p[axis] - body.low[axis]) / step);
        let (low, high) = height.iter().fold((f64::MAX, f64::MIN), |(l, h), v| (l.min(*v), h.max(*v)));
        for plane in (low.floor().max(0.0) as usize + 1)..counts[axis] {
            let plane = plane as f64;
            if plane >= high {
                break;
            }
            let mut ends = Vec::with_capacity(2);
            for i in 0..3 {
                let j = (i + 1) % 3;
                if (height[i] < plane) != (height[j] < plane) {
                    ends.push(corners[i].lerp(corners[j], (plane - height[i]) / (height[j] - height[i])));
                }
            }
            if let [p, q] = ends.as_slice() {
                found(axis, p.distance(*q));
            }
        }
    }
}
