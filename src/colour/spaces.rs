//! Colour spaces: sRGB bytes, linear light, CIE Lab (D65) and `OKLab`, and the ways between them.
//!
//! Averages and interpolation belong in linear light, grouping in `OKLab`, verdicts for people in Lab. There is one
//! white, D65; greys have no chroma in either space.

use std::sync::LazyLock;

/// Linear-light RGB with the sRGB primaries, 0 to 1.
pub type Linear = [f32; 3];

/// CIE 1976 L*a*b* under D65.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Lab {
    pub l: f64,
    pub a: f64,
    pub b: f64,
}

impl Lab {
    /// Distance from the grey axis.
    #[must_use]
    pub fn chroma(self) -> f64 {
        self.a.hypot(self.b)
    }

    /// Hue angle, 0 to 360 degrees; 0 for greys.
    #[must_use]
    pub fn hue_deg(self) -> f64 {
        self.b.atan2(self.a).to_degrees().rem_euclid(360.0)
    }
}

/// `OKLab` (Ottosson 2020): lightness and two opponent axes; straight-line distance follows the eye fairly well.
pub type Oklab = [f64; 3];

/// From linear RGB to XYZ under D65 (IEC 61966-2-1).
const XYZ_OF_LINEAR: [[f64; 3]; 3] = [
    [0.412_456_4, 0.357_576_1, 0.180_437_5],
    [0.212_672_9, 0.715_152_2, 0.072_175_0],
    [0.019_333_9, 0.119_192_0, 0.950_304_1],
];

/// XYZ of the white D65.
pub(super) static WHITE_D65: LazyLock<[f64; 3]> = LazyLock::new(|| XYZ_OF_LINEAR.map(|row| row.iter().sum()));

/// Inverse of [`XYZ_OF_LINEAR`].
static LINEAR_OF_XYZ: LazyLock<[[f64; 3]; 3]> = LazyLock::new(|| inverse(&XYZ_OF_LINEAR));

/// Cone responses of `OKLab` from linear RGB.
const CONES_OF_LINEAR: [[f64; 3]; 3] = [
    [0.412_221_470_8, 0.536_332_536_3, 0.051_445_992_9],
    [0.211_903_498_2, 0.680_699_545_1, 0.107_396_956_6],
    [0.088_302_461_9, 0.281_718_837_6, 0.629_978_700_5],
];

/// `OKLab` from the cube roots of the cone responses.
const OKLAB_OF_ROOTS: [[f64; 3]; 3] = [
    [0.210_454_255_3, 0.793_617_785_0, -0.004_072_046_8],
    [1.977_998_495_1, -2.428_592_205_0, 0.450_593_709_9],
    [0.025_904_037_1, 0.782_771_766_2, -0.808_675_766_0],
];

static LINEAR_OF_CONES: LazyLock<[[f64; 3]; 3]> = LazyLock::new(|| inverse(&CONES_OF_LINEAR));
static ROOTS_OF_OKLAB: LazyLock<[[f64; 3]; 3]> = LazyLock::new(|| inverse(&OKLAB_OF_ROOTS));

/// Linear light of every sRGB byte.
static LINEAR_OF_BYTE: LazyLock<[f32; 256]> =
    LazyLock::new(|| std::array::from_fn(|byte| linear_of_srgb(byte as f64 / 255.0) as f32));

/// Decodes one sRGB channel, 0 to 1 (IEC 61966-2-1).
#[must_use]
pub fn linear_of_srgb(encoded: f64) -> f64 {
    if encoded <= 0.040_45 { encoded / 12.92 } else { ((encoded + 0.055) / 1.055).powf(2.4) }
}

/// Encodes one channel of linear light, 0 to 1 (IEC 61966-2-1).
#[must_use]
pub fn srgb_of_linear(linear: f64) -> f64 {
    if linear <= 0.003_130_8 { 12.92 * linear } else { 1.055 * linear.powf(1.0 / 2.4) - 0.055 }
}

/// Linear light of an sRGB byte.
#[must_use]
pub fn linear_of_byte(byte: u8) -> f32 {
    LINEAR_OF_BYTE[usize::from(byte)]
}

/// The nearest sRGB byte; light below 0 or above 1 is clamped.
#[must_use]
pub fn byte_of_linear(linear: f32) -> u8 {
    (srgb_of_linear(f64::from(linear).clamp(0.0, 1.0)) * 255.0 + 0.5) as u8
}

/// Linear light of an sRGB colour.
#[must_use]
pub fn linear_of_bytes(bytes: [u8; 3]) -> Linear {
    bytes.map(linear_of_byte)
}

/// The nearest sRGB colour.
#[must_use]
pub fn bytes_of_linear(linear: Linear) -> [u8; 3] {
    linear.map(byte_of_linear)
}

/// CIE XYZ under D65, white at Y = 1.
#[must_use]
pub fn xyz_of_linear(linear: Linear) -> [f64; 3] {
    times(&XYZ_OF_LINEAR, linear.map(f64::from))
}

/// CIE Lab under D65.
#[must_use]
pub fn lab_of_linear(linear: Linear) -> Lab {
    let xyz = xyz_of_linear(linear);
    lab_of_relative([0, 1, 2].map(|i| xyz[i] / WHITE_D65[i]))
}

/// CIE Lab of XYZ over that of the white.
pub(super) fn lab_of_relative(relative: [f64; 3]) -> Lab {
    let [x, y, z] = relative.map(lab_root);
    Lab { l: 116.0 * y - 16.0, a: 500.0 * (x - y), b: 200.0 * (y - z) }
}

/// The way back from CIE Lab; colours outside sRGB come out below 0 or above 1.
#[must_use]
pub fn linear_of_lab(lab: Lab) -> Linear {
    let relative = relative_of_lab(lab);
    let xyz = [0, 1, 2].map(|i| relative[i] * WHITE_D65[i]);
    times(&LINEAR_OF_XYZ, xyz).map(|c| c as f32)
}

/// XYZ over that of the white.
pub(super) fn relative_of_lab(lab: Lab) -> [f64; 3] {
    let y = (lab.l + 16.0) / 116.0;
    [y + lab.a / 500.0, y, y - lab.b / 200.0].map(lab_power)
}

/// CIE Lab of an sRGB colour.
#[must_use]
pub fn lab_of_bytes(bytes: [u8; 3]) -> Lab {
    lab_of_linear(linear_of_bytes(bytes))
}

/// `OKLab` of a colour.
#[must_use]
pub fn oklab_of_linear(linear: Linear) -> Oklab {
    times(&OKLAB_OF_ROOTS, times(&CONES_OF_LINEAR, linear.map(f64::from)).map(f64::cbrt))
}

/// The way back from `OKLab`; colours outside sRGB come out below 0 or above 1.
#[must_use]
pub fn linear_of_oklab(oklab: Oklab) -> Linear {
    times(&LINEAR_OF_CONES, times(&ROOTS_OF_OKLAB, oklab).map(|root| root.powi(3))).map(|c| c as f32)
}

/// Reads `#RRGGBB` in either case; `None` for anything else.
#[must_use]
pub fn parse_hex(text: &str) -> Option<[u8; 3]> {
    let digits = text.strip_prefix('#').filter(|d| d.len() == 6 && d.bytes().all(|b| b.is_ascii_hexdigit()))?;
    let number = u32::from_str_radix(digits, 16).ok()?;
    Some([(number >> 16) as u8, (number >> 8) as u8, number as u8])
}

/// Writes `#RRGGBB`, upper case.
#[must_use]
pub fn format_hex([red, green, blue]: [u8; 3]) -> String {
    format!("#{red:02X}{green:02X}{blue:02X}")
}

/// The compressing function of CIE Lab: a cube root with a straight foot.
fn lab_root(t: f64) -> f64 {
    if t > (6.0_f64 / 29.0).powi(3) { t.cbrt() } else { t / (3.0 * (6.0_f64 / 29.0).powi(2)) + 4.0 / 29.0 }
}

/// Inverse of [`lab_root`].
fn lab_power(t: f64) -> f64 {
    if t > 6.0 / 29.0 { t.powi(3) } else { 3.0 * (6.0_f64 / 29.0).powi(2) * (t - 4.0 / 29.0) }
}

pub(super) fn times(matrix: &[[f64; 3]; 3], v: [f64; 3]) -> [f64; 3] {
    matrix.map(|row| row[0] * v[0] + row[1] * v[1] + row[2] * v[2])
}

/// Inverse of a 3x3 matrix by cofactors.
pub(super) fn inverse(m: &[[f64; 3]; 3]) -> [[f64; 3]; 3] {
    let minor = |r: usize, c: usize| {
        let (r1, r2, c1, c2) = ((r + 1) % 3, (r + 2) % 3, (c + 1) % 3, (c + 2) % 3);
        m[r1][c1] * m[r2][c2] - m[r1][c2] * m[r2][c1]
    };
    let determinant: f64 = (0..3).map(|c| m[0][c] * minor(0, c)).sum();
    std::array::from_fn(|r| std::array::from_fn(|c| minor(c, r) / determinant))
}
