//! The deckhand as a distance field in mm, and the colours of what he wears. Invented: no person stood model.

type Point = [f64; 3];

fn sub(a: Point, b: Point) -> Point {
    std::array::from_fn(|i| a[i] - b[i])
}

fn dot(a: Point, b: Point) -> f64 {
    (0..3).map(|i| a[i] * b[i]).sum()
}

fn length(a: Point) -> f64 {
    dot(a, a).sqrt()
}

/// Approximate distance to an ellipsoid.
fn ellipsoid(p: Point, centre: Point, radii: Point) -> f64 {
    let d = sub(p, centre);
    let near = length(std::array::from_fn(|i| d[i] / radii[i]));
    let slope = length(std::array::from_fn(|i| d[i] / (radii[i] * radii[i])));
    if slope < 1e-9 { -radii[0].min(radii[1]).min(radii[2]) } else { near * (near - 1.0) / slope }
}

/// Distance to a capsule whose radius goes from `r0` to `r1`.
fn limb(p: Point, from: Point, to: Point, r0: f64, r1: f64) -> f64 {
    let (pa, ba) = (sub(p, from), sub(to, from));
    let t = (dot(pa, ba) / dot(ba, ba)).clamp(0.0, 1.0);
    length(std::array::from_fn(|i| pa[i] - t * ba[i])) - (r0 + t * (r1 - r0))
}

/// Distance to a box with rounded edges.
fn slab(p: Point, centre: Point, half: Point, round: f64) -> f64 {
    let q: Point = std::array::from_fn(|i| (p[i] - centre[i]).abs() - half[i] + round);
    length(q.map(|x| x.max(0.0))) + q[0].max(q[1]).max(q[2]).min(0.0) - round
}

/// Union with a rounded transition of width `k` (polynomial smooth minimum).
fn blend(a: f64, b: f64, k: f64) -> f64 {
    let h = (0.5 + 0.5 * (b - a) / k).clamp(0.0, 1.0);
    b + (a - b) * h - k * h * (1.0 - h)
}

/// What a point of the surface belongs to.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Piece {
    Skin,
    Beard,
    Cap,
    Jacket,
    Trousers,
    Boots,
    Rope,
    Collar,
}

/// Height the head is centred at, mm.
const HEAD: Point = [0.0, 1612.0, 12.0];
const WRIST: Point = [338.0, 905.0, 75.0];

fn head(p: Point) -> f64 {
    let skull = ellipsoid(p, HEAD, [77.0, 112.0, 96.0]);
    let jaw = ellipsoid(p, [0.0, 1556.0, 40.0], [58.0, 58.0, 62.0]);
    let nose = limb(p, [0.0, 1622.0, 100.0], [0.0, 1588.0, 122.0], 9.0, 13.0);
    let brow = ellipsoid(p, [0.0, 1642.0, 84.0], [50.0, 12.0, 22.0]);
    let ear = ellipsoid([p[0].abs(), p[1], p[2]], [79.0, 1606.0, 2.0], [10.0, 32.0, 20.0]);
    let neck = limb(p, [0.0, 1420.0, -5.0], [0.0, 1560.0, 8.0], 64.0, 58.0);
    let socket = ellipsoid([p[0].abs(), p[1], p[2]], [31.0, 1622.0, 112.0], [17.0, 11.0, 16.0]);
    let face = blend(blend(blend(skull, jaw, 30.0), nose, 14.0), brow, 16.0);
    let face = -blend(-face, socket, 12.0);
    blend(blend(face, ear, 8.0), neck, 24.0)
}

fn beard(p: Point) -> f64 {
    let curls = 1.6 * ((p[0] * 0.35).sin() * (p[1] * 0.31).cos() + (p[2] * 0.4 + p[1] * 0.2).sin());
    let mass = ellipsoid(p, [0.0, 1540.0, 58.0], [64.0, 52.0, 58.0]);
    let mouth = ellipsoid(p, [0.0, 1563.0, 118.0], [24.0, 9.0, 22.0]);
    mass.max(-mouth) + curls
}

fn cap(p: Point) -> f64 {
    let dome = ellipsoid(p, [0.0, 1650.0, 4.0], [90.0, 104.0, 106.0]).max(1662.0 - p[1]);
    let rolled = ((((p[0] / 91.0).powi(2) + ((p[2] - 5.0) / 106.0).powi(2)).sqrt() - 1.0) * 95.0)
        .hypot((p[1] - 1668.0) * 0.55)
        - 15.0;
    blend(dome, rolled, 8.0) + 0.9 * (p[0].atan2(p[2] - 4.0) * 48.0).sin()
}

fn jacket(p: Point) -> f64 {
    let x = p[0].abs();
    let chest = ellipsoid(p, [0.0, 1262.0, 0.0], [202.0, 205.0, 140.0]);
    let belly = ellipsoid(p, [0.0, 1060.0, 14.0], [188.0, 215.0, 148.0]);
    let hem = slab(p, [0.0, 905.0, 6.0], [186.0, 92.0, 138.0], 90.0);
    let shoulder = limb([x, p[1], p[2]], [60.0, 1420.0, -8.0], [192.0, 1386.0, -10.0], 62.0, 74.0);
    let upper = limb([x, p[1], p[2]], [206.0, 1378.0, -10.0], [296.0, 1128.0, -8.0], 72.0, 58.0);
    let lower = limb([x, p[1], p[2]], [296.0, 1128.0, -8.0], [332.0, 930.0, 62.0], 58.0, 50.0);
    let body = blend(blend(chest, belly, 60.0), hem, 50.0);
    let arm = blend(upper, lower, 24.0);
    let folds =
        2.6 * (p[1] * 0.047 + 1.3 * (p[0] * 0.021).sin() + p[2] * 0.02).sin() + 1.2 * (p[1] * 0.13 + p[0] * 0.06).sin();
    blend(blend(body, shoulder, 46.0), arm, 22.0) + folds
}

fn collar(p: Point) -> f64 {
    let ring = ((p[0] / 84.0).powi(2) + ((p[2] + 2.0) / 84.0).powi(2)).sqrt();
    ((ring - 1.0).abs() * 84.0 - 9.0).max((p[1] - 1466.0).abs() - 36.0)
}

fn hand(p: Point) -> f64 {
    let q = [p[0].abs(), p[1], p[2]];
    let palm = ellipsoid(q, [342.0, 868.0, 84.0], [22.0, 52.0, 40.0]);
    let wrist = limb(q, WRIST, [334.0, 960.0, 58.0], 32.0, 32.0);
    let mut all = blend(palm, wrist, 16.0);
    for (i, reach) in [0.0, 1.0, 2.0, 3.0].into_iter().zip([66.0, 76.0, 72.0, 58.0]) {
        let z = 58.0 + i * 19.0;
        let finger = limb(q, [342.0, 832.0, z], [336.0, 832.0 - reach, z + 8.0], 10.5, 8.5);
        all = blend(all, finger, 5.0);
    }
    let thumb = limb(q, [334.0, 884.0, 112.0], [318.0, 836.0, 134.0], 13.0, 10.0);
    blend(all, thumb, 10.0)
}

fn trousers(p: Point) -> f64 {
    let x = p[0].abs();
    let hip = ellipsoid(p, [0.0, 905.0, 0.0], [170.0, 110.0, 122.0]);
    let thigh = limb([x, p[1], p[2]], [92.0, 870.0, 0.0], [104.0, 505.0, 6.0], 94.0, 68.0);
    let shin = limb([x, p[1], p[2]], [104.0, 505.0, 6.0], [112.0, 330.0, -8.0], 68.0, 66.0);
    let folds = 2.2 * (p[1] * 0.058 + (p[0] * 0.03).sin() * 2.0).sin();
    blend(hip, blend(thigh, shin, 20.0), 30.0) + folds
}

fn boots(p: Point) -> f64 {
    let q = [p[0].abs(), p[1], p[2]];
    let shaft = limb(q, [112.0, 340.0, -10.0], [116.0, 110.0, -14.0], 82.0, 62.0).max(p[1] - 372.0);
    let foot = limb(q, [117.0, 62.0, -30.0], [132.0, 48.0, 148.0], 60.0, 50.0);
    let heel = ellipsoid(q, [116.0, 50.0, -38.0], [52.0, 66.0, 58.0]);
    let sole = slab(q, [124.0, 14.0, 52.0], [56.0, 16.0, 148.0], 14.0);
    blend(blend(blend(shaft, heel, 20.0), foot, 34.0), sole, 8.0).max(-p[1])
}

/// A coil of rope over the left shoulder.
fn rope(p: Point) -> f64 {
    let (from, to) = ([150.0, 1420.0, 0.0], [-150.0, 1010.0, 40.0]);
    let centre: Point = std::array::from_fn(|i| 0.5 * (from[i] + to[i]));
    let d = sub(p, centre);
    let along = (d[0] * 300.0 + d[1] * 410.0) / 508.0;
    let across = d[0] * 410.0 / 508.0 - d[1] * 300.0 / 508.0;
    let ring = ((along / 282.0).powi(2) + ((d[2] + 4.0) / 176.0).powi(2)).sqrt();
    let turn = (d[2] + 4.0).atan2(along * 0.62);
    ((ring - 1.0) * 196.0).hypot(across) - 19.0 + 1.8 * (turn * 60.0 + across * 0.2).sin()
}

fn pieces(p: Point) -> [(Piece, f64); 9] {
    [
        (Piece::Skin, head(p)),
        (Piece::Beard, beard(p)),
        (Piece::Cap, cap(p)),
        (Piece::Jacket, jacket(p)),
        (Piece::Collar, collar(p)),
        (Piece::Skin, hand(p)),
        (Piece::Trousers, trousers(p)),
        (Piece::Boots, boots(p)),
        (Piece::Rope, rope(p)),
    ]
}

/// Signed distance to the deckhand, mm: negative inside.
#[must_use]
pub fn distance(p: Point) -> f64 {
    pieces(p).into_iter().fold(f64::INFINITY, |all, (_, d)| if all.is_finite() { blend(all, d, 5.0) } else { d })
}

/// What the surface point belongs to.
#[must_use]
pub fn piece(p: Point) -> Piece {
    let near = pieces(p).into_iter().min_by(|a, b| a.1.total_cmp(&b.1));
    near.map_or(Piece::Skin, |(piece, _)| piece)
}

fn outward(p: Point) -> Point {
    let step = 2.0;
    let gradient: Point = std::array::from_fn(|i| {
        let (mut low, mut high) = (p, p);
        low[i] -= step;
        high[i] += step;
        distance(high) - distance(low)
    });
    let size = length(gradient).max(1e-9);
    gradient.map(|x| x / size)
}

/// Paint of a surface point in sRGB, 0 to 1, before light and noise.
fn paint(p: Point) -> Point {
    let x = p[0].abs();
    match piece(p) {
        Piece::Skin if length(sub([x, p[1], p[2]], [31.0, 1621.0, 98.0])) < 11.0 => {
            let iris = length(sub([x, p[1], 0.0], [31.0, 1621.0, 0.0])) < 5.5;
            if iris { [0.16, 0.22, 0.30] } else { [0.92, 0.91, 0.88] }
        }
        Piece::Skin if (p[1] - 1643.0).abs() < 6.0 && p[2] > 70.0 && (14.0..48.0).contains(&x) => [0.35, 0.22, 0.14],
        Piece::Skin if p[2] > 92.0 && (p[1] - 1563.0).abs() < 8.0 && x < 24.0 => [0.70, 0.38, 0.36],
        Piece::Skin => [0.87, 0.66, 0.54],
        Piece::Beard => [0.45, 0.27, 0.15],
        Piece::Cap => [0.72, 0.13, 0.13],
        Piece::Collar => [0.15, 0.18, 0.28],
        Piece::Jacket => jacket_paint(p, x),
        Piece::Trousers => [0.12, 0.17, 0.30],
        Piece::Boots if p[1] < 30.0 => [0.80, 0.78, 0.72],
        Piece::Boots => [0.13, 0.15, 0.14],
        Piece::Rope => [0.80, 0.72, 0.55],
    }
}

/// Oilskin yellow with a pale band, dark pockets, buttons and cuffs.
fn jacket_paint(p: Point, x: f64) -> Point {
    let front = p[2] > 40.0;
    if front && x < 9.0 && p[1] > 830.0 && (p[1] - 850.0).rem_euclid(95.0) < 18.0 {
        return [0.15, 0.18, 0.28];
    }
    if front && (60.0..130.0).contains(&x) && ((1000.0..1014.0).contains(&p[1]) || (1250.0..1262.0).contains(&p[1])) {
        return [0.55, 0.42, 0.10];
    }
    if (1100.0..1150.0).contains(&p[1]) && x < 250.0 {
        return [0.84, 0.85, 0.86];
    }
    if x > 250.0 && p[1] < 985.0 {
        return [0.15, 0.18, 0.28];
    }
    [0.93, 0.72, 0.13]
}

/// Colour as the scanner's camera took it: paint, light from the front left above, and noise.
#[must_use]
pub fn colour(p: Point) -> [u8; 3] {
    let normal = outward(p);
    let light = 0.78 + 0.20 * (normal[0] * -0.35 + normal[1] * 0.62 + normal[2] * 0.70);
    let shelter =
        (1.0 - 0.05 * (24.0 - distance(std::array::from_fn(|i| p[i] + 24.0 * normal[i]))).max(0.0) / 4.0).max(0.6);
    let key = p.map(|x| (x * 64.0).round() as i64 as u64);
    let noise =
        super::chance(7, key[0].wrapping_mul(31).wrapping_add(key[1]).wrapping_mul(31).wrapping_add(key[2])) - 0.5;
    paint(p).map(|c| ((c * light * shelter + 0.03 * noise).clamp(0.0, 1.0) * 255.0).round() as u8)
}
