//! Between linear light, which pictures are computed in, and the sRGB bytes they are stored in (IEC 61966-2-1).

/// Linear light to a byte by table: 4096 steps are finer than a byte everywhere but in the darkest 1 percent, where
/// the curve is straight enough.
#[derive(Debug)]
pub struct Tone {
    encode: Vec<u8>,
    decode: [f32; 256],
}

const STEPS: usize = 4096;

impl Default for Tone {
    fn default() -> Self {
        let encode = (0..=STEPS).map(|i| srgb_byte(i as f32 / STEPS as f32)).collect();
        Self { encode, decode: std::array::from_fn(|i| linear(i as f32 / 255.0)) }
    }
}

impl Tone {
    /// A linear value as a byte; out of range is clamped, not-a-number is black.
    #[must_use]
    pub fn byte(&self, linear: f32) -> u8 {
        self.encode[(linear.clamp(0.0, 1.0) * STEPS as f32 + 0.5) as usize]
    }

    /// A byte as linear light.
    #[must_use]
    pub fn light(&self, byte: u8) -> f32 {
        self.decode[usize::from(byte)]
    }
}

/// Decodes one sRGB channel (0 to 1) to linear light.
#[must_use]
pub fn linear(encoded: f32) -> f32 {
    if encoded <= 0.040_45 { encoded / 12.92 } else { ((encoded + 0.055) / 1.055).powf(2.4) }
}

/// Encodes one linear channel to a byte, rounding half up.
#[must_use]
pub fn srgb_byte(linear: f32) -> u8 {
    let encoded = if linear <= 0.003_130_8 { 12.92 * linear } else { 1.055 * linear.powf(1.0 / 2.4) - 0.055 };
    (encoded.clamp(0.0, 1.0) * 255.0 + 0.5) as u8
}

/// An sRGB colour as linear light.
#[must_use]
pub fn light_of(srgb: [u8; 3]) -> [f32; 3] {
    srgb.map(|c| linear(f32::from(c) / 255.0))
}

/// Keeps highlights from clipping: below 0.8 nothing changes, above it light is compressed towards 1.
#[must_use]
pub fn shoulder(light: f32) -> f32 {
    const KNEE: f32 = 0.8;
    if light <= KNEE { light } else { KNEE + (1.0 - KNEE) * (1.0 - (-(light - KNEE) / (1.0 - KNEE)).exp()) }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn bytes_come_back_and_published_values_hold() {
        let tone = Tone::default();
        for byte in 0..=255 {
            assert_eq!(tone.byte(tone.light(byte)), byte);
        }
        // Values of IEC 61966-2-1 computed with two independent libraries.
        for (byte, light) in [(10, 0.003_035_27), (11, 0.003_346_536), (128, 0.215_860_5), (188, 0.502_886_46)] {
            assert!((tone.light(byte) - light).abs() < 1e-6);
        }
        assert_eq!((srgb_byte(0.25), srgb_byte(0.5)), (137, 188));
    }

    #[test]
    fn the_shoulder_is_smooth_rises_and_stays_below_one() {
        assert!((shoulder(0.8 + 1e-3) - 0.801).abs() < 1e-5);
        assert!(shoulder(0.9) < shoulder(1.0) && shoulder(3.0) <= 1.0);
    }
}
