//! Which way the subject faces, from its feet: toes lie before the ankles.

use glam::DVec2;

use crate::mesh::TriMesh;
use crate::mesh::measure::bounds;

/// Direction the subject faces in figure coordinates.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct FrontGuess {
    pub axis: &'static str,
    pub confidence: f64,
}

/// Shares of the height: the feet, and the shins above the ankles.
const FEET: f64 = 0.035;
const SHINS: [f64; 2] = [0.08, 0.2];
/// How far the feet's middle lies before the shins', share of the height, from which the guess is sure: a foot is about
/// .15 of stature long and its heel lies .04 behind the ankle (Drillis and Contini 1966, from memory).
const SURE: f64 = 0.02;

/// Guesses the front of a standing body; without feet the usual `-y`, with little confidence.
#[must_use]
pub fn guess(mesh: &TriMesh) -> FrontGuess {
    const DIRECTIONS: [(&str, DVec2); 4] =
        [("-y", DVec2::NEG_Y), ("+x", DVec2::X), ("+y", DVec2::Y), ("-x", DVec2::NEG_X)];
    let (low, high) = bounds(&mesh.positions);
    let height = (high.z - low.z).max(f64::MIN_POSITIVE);
    let middle = |from: f64, to: f64| {
        let mut sum = (DVec2::ZERO, 0.0);
        for t in 0..mesh.triangles.len() {
            let corner = mesh.corners(t)[0];
            if (from..to).contains(&((corner.z - low.z) / height)) {
                let area = mesh.area_vector(t).length();
                sum = (sum.0 + area * corner.truncate(), sum.1 + area);
            }
        }
        (sum.1 > 0.0).then(|| sum.0 / sum.1)
    };
    let ahead = middle(0.0, FEET).zip(middle(SHINS[0], SHINS[1])).map(|(feet, shins)| (feet - shins) / height);
    let Some(ahead) = ahead.filter(|ahead| ahead.length() > 0.1 * SURE) else {
        return FrontGuess { axis: "-y", confidence: 0.2 };
    };
    let (axis, along) = DIRECTIONS
        .map(|(axis, direction)| (axis, ahead.dot(direction)))
        .into_iter()
        .fold(("-y", f64::NEG_INFINITY), |best, next| if next.1 > best.1 { next } else { best });
    let straight = along / ahead.length();
    FrontGuess { axis, confidence: ((along / SURE).min(1.0) * straight).clamp(0.2, 0.95) }
}
