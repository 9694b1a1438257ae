//! Part of `clean` before the foot is cut: the scanner's noise is smoothed away, most where the surface is rough and
//! dark, least on the face, never at the soles.

use rayon::prelude::*;

use super::Clean;
use super::size::Size;
use crate::finding::{Finding, Severity};
use crate::mesh::TriMesh;
use crate::mesh::denoise::{Denoised, Smoothing, denoise, roughness_mm};
use crate::mesh::measure::bounds;
use crate::stage::StageContext;

/// Roughness, for a scan of adult size, up to which a surface is left alone and from which it is smoothed in full, mm:
/// body scanners are good to about 0.1 mm on bright cloth (common practice, no source).
const FINE_MM: f64 = 0.04;
const ROUGH_MM: f64 = 0.2;

/// Linear brightness below which scanners see little: hair and dark cloth (common practice, no source).
const DARK: f64 = 0.05;

/// What roughness counts for in the dark.
const DARK_WEIGHT: f64 = 1.5;

/// Share of the height from which the front is the face, and what smoothing counts for there.
const HEAD: f64 = 0.87;
const FACE_WEIGHT: f64 = 0.5;

/// Smooths a body that is one sound solid, in place, if the settings ask for it. It stays a sound solid.
pub fn smooth(settings: &Clean, body: &mut TriMesh, size: Size, ctx: &mut StageContext<'_>) {
    let move_max_mm = settings.denoise_max_mm * size.body;
    if settings.denoise <= 0.0 || move_max_mm <= 0.0 {
        return;
    }
    ctx.progress(0.7, "smoothing noise");
    let strength = strengths(body, settings.denoise, move_max_mm, size);
    let smoothing = Smoothing { sliver_mm: size.sliver_mm(), ..Smoothing::usual(&strength, move_max_mm) };
    let done = denoise(body, &smoothing);
    tell(done, body.positions.len(), ctx);
}

/// How much each vertex may be smoothed, 0 to 1.
fn strengths(body: &TriMesh, share: f64, move_max_mm: f64, size: Size) -> Vec<f64> {
    let rough = roughness_mm(body);
    let (low, high) = bounds(&body.positions);
    let head: Vec<f64> = body.positions.iter().filter(|p| size.share(p.z) > HEAD).map(|p| p.y).collect();
    let (front, back) = head.iter().fold((high.y, low.y), |(front, back), y| (front.min(*y), back.max(*y)));
    let strength = |v: usize| {
        let place = body.positions[v];
        let [r, g, b] = body.colours[v].map(f64::from);
        // Luminance of linear light, ITU-R BT.709.
        let is_dark = 0.2126 * r + 0.7152 * g + 0.0722 * b < DARK;
        let counted_mm = rough[v] * if is_dark { DARK_WEIGHT } else { 1.0 };
        let noisy = eased(counted_mm, FINE_MM * size.body, ROUGH_MM * size.body);
        // The head's front fades in over a tenth of its depth and of its height, so that no seam shows.
        let facing = 1.0 - eased(place.y, 0.45f64.mul_add(back - front, front), 0.55f64.mul_add(back - front, front));
        let face = facing * eased(size.share(place.z), HEAD - 0.01, HEAD + 0.01);
        // A vertex moves by half its height over the soles at most, so none gets below them.
        let over_soles = (0.5 * (place.z - low.z) / move_max_mm).clamp(0.0, 1.0);
        (share * noisy * (1.0 - (1.0 - FACE_WEIGHT) * face)).min(over_soles)
    };
    (0..body.positions.len()).into_par_iter().map(strength).collect()
}

/// 0 below `from`, 1 above `to`, smooth between (Hermite's cubic).
fn eased(x: f64, from: f64, to: f64) -> f64 {
    let t = ((x - from) / (to - from).max(f64::MIN_POSITIVE)).clamp(0.0, 1.0);
    t * t * (3.0 - 2.0 * t)
}

fn tell(done: Denoised, vertices: usize, ctx: &mut StageContext<'_>) {
    let moved = 100.0 * done.moved as f64 / vertices.max(1) as f64;
    ctx.figure("denoise_moved_share", 0.01 * moved);
    ctx.figure("denoise_rms_mm", done.rms_mm);
    ctx.figure("denoise_max_mm_moved", done.max_mm);
    ctx.figure("denoise_put_back", done.put_back as f64);
    if moved < 1.0 {
        return;
    }
    let (rms, max) = (done.rms_mm, done.max_mm);
    let what =
        format!("noise smoothed: {moved:.0} % of the vertices moved, by {rms:.3} mm RMS and {max:.2} mm at most");
    ctx.finding(Finding::new(Severity::Note, what));
}
