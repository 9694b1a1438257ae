//! How different two colours look: CIEDE2000.
//!
//! Symmetric, but not a metric and not continuous where hues lie opposite each other: build no search tree on it.

use super::spaces::Lab;

const POW7_OF_25: f64 = 6_103_515_625.0;

/// Colour difference CIEDE2000 with all weights 1 (Sharma, Wu, Dalal 2005).
#[must_use]
pub fn ciede2000(x: Lab, y: Lab) -> f64 {
    ciede2000_weighted(x, y, 1.0)
}

/// CIEDE2000 with a divisor `k_l` for the difference in lightness: 2 halves its weight, as is usual for textiles.
#[must_use]
pub fn ciede2000_weighted(x: Lab, y: Lab, k_l: f64) -> f64 {
    let chroma_mean = f64::midpoint(x.chroma(), y.chroma());
    let stretch = 1.5 - 0.5 * saturation(chroma_mean);
    let (x_a, y_a) = (stretch * x.a, stretch * y.a);
    let (x_c, y_c) = (x_a.hypot(x.b), y_a.hypot(y.b));
    let (x_h, y_h) = (hue_deg(x_a, x.b), hue_deg(y_a, y.b));

    let grey = x_c * y_c == 0.0;
    let turn = if grey { 0.0 } else { turn_deg(x_h, y_h) };
    let l_mean = f64::midpoint(x.l, y.l);
    let c_mean = f64::midpoint(x_c, y_c);
    let h_mean = if grey { x_h + y_h } else { mean_hue_deg(x_h, y_h) };

    let cos_deg = |deg: f64| deg.to_radians().cos();
    let t = 1.0 - 0.17 * cos_deg(h_mean - 30.0) + 0.24 * cos_deg(2.0 * h_mean) + 0.32 * cos_deg(3.0 * h_mean + 6.0)
        - 0.20 * cos_deg(4.0 * h_mean - 63.0);
    let l_off2 = (l_mean - 50.0).powi(2);
    let s_l = 1.0 + 0.015 * l_off2 / (20.0 + l_off2).sqrt();
    let s_c = 1.0 + 0.045 * c_mean;
    let s_h = 1.0 + 0.015 * c_mean * t;
    let rotation_deg = 60.0 * (-((h_mean - 275.0) / 25.0).powi(2)).exp();
    let r_t = -rotation_deg.to_radians().sin() * 2.0 * saturation(c_mean);

    let l_part = (y.l - x.l) / (k_l * s_l);
    let c_part = (y_c - x_c) / s_c;
    let h_part = 2.0 * (x_c * y_c).sqrt() * (turn / 2.0).to_radians().sin() / s_h;
    (l_part * l_part + c_part * c_part + h_part * h_part + r_t * c_part * h_part).max(0.0).sqrt()
}

/// `sqrt(c^7 / (c^7 + 25^7))`: near 0 for greys, near 1 for strong colours.
fn saturation(chroma: f64) -> f64 {
    let pow7 = chroma.powi(7);
    (pow7 / (pow7 + POW7_OF_25)).sqrt()
}

/// Hue angle, 0 to 360 degrees; 0 on the grey axis.
fn hue_deg(a: f64, b: f64) -> f64 {
    if a == 0.0 && b == 0.0 { 0.0 } else { b.atan2(a).to_degrees().rem_euclid(360.0) }
}

/// Way from one hue to the other, -180 to 180 degrees.
fn turn_deg(from: f64, to: f64) -> f64 {
    let turn = to - from;
    if turn > 180.0 {
        turn - 360.0
    } else if turn < -180.0 {
        turn + 360.0
    } else {
        turn
    }
}

/// Hue half-way between two hues, the short way round.
fn mean_hue_deg(x: f64, y: f64) -> f64 {
    let half = f64::midpoint(x, y);
    if (x - y).abs() <= 180.0 {
        half
    } else if half < 180.0 {
        half + 180.0
    } else {
        half - 180.0
    }
}
