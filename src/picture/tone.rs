//! From computed light to bytes: highlights are compressed, and a table does the sRGB curve.

use std::sync::LazyLock;

use crate::colour::spaces::byte_of_linear;

const STEPS: usize = 4096;

/// Bytes of evenly spaced light. In the dark, where the curve is steepest, steps are 0.8 of a byte apart: no byte is
/// left out, and none is off by more than one.
static BYTES: LazyLock<Vec<u8>> =
    LazyLock::new(|| (0..=STEPS).map(|i| byte_of_linear(i as f32 / STEPS as f32)).collect());

/// The sRGB byte of a linear value; out of range is clamped, not-a-number is black.
#[must_use]
pub fn byte(linear: f32) -> u8 {
    BYTES[(linear.clamp(0.0, 1.0) * STEPS as f32 + 0.5) as usize]
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
    use crate::colour::spaces::linear_of_byte;

    #[test]
    fn bytes_come_back() {
        for original in 0..=255 {
            assert_eq!(byte(linear_of_byte(original)), original);
        }
        assert_eq!((byte(-1.0), byte(f32::NAN), byte(7.0)), (0, 0, 255));
    }

    #[test]
    fn the_shoulder_is_smooth_rises_and_stays_below_one() {
        assert!((shoulder(0.8 + 1e-3) - 0.801).abs() < 1e-5);
        assert!(shoulder(0.9) < shoulder(1.0) && shoulder(3.0) <= 1.0);
    }
}
