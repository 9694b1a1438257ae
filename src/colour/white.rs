//! Whites other than D65, and the way from them: colour meters for print give Lab under D50.

use serde::{Deserialize, Serialize};

use super::spaces::{Lab, WHITE_D65, inverse, lab_of_relative, relative_of_lab, times};

/// The white a Lab colour was measured under.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, schemars::JsonSchema)]
pub enum White {
    D50,
    D65,
}

/// D50 for the 2 degree observer, Y = 1 (ICC.1, the white of the profile connection space).
const WHITE_D50: [f64; 3] = [0.9642, 1.0, 0.8249];

/// Cone responses from XYZ (Bradford; ICC.1 annex E).
const BRADFORD: [[f64; 3]; 3] = [[0.8951, 0.2664, -0.1614], [-0.7502, 1.7135, 0.0367], [0.0389, -0.0685, 1.0296]];

/// The Lab colour (ISO/CIE 11664-4) that looks under D65 as this one does under its white: by linear Bradford adaptation,
/// as ICC profiles are made.
#[must_use]
pub fn lab_under_d65(lab: Lab, white: White) -> Lab {
    match white {
        White::D65 => lab,
        White::D50 => {
            let relative = relative_of_lab(lab);
            let xyz = [0, 1, 2].map(|i| relative[i] * WHITE_D50[i]);
            let (from, to) = (times(&BRADFORD, WHITE_D50), times(&BRADFORD, *WHITE_D65));
            let cones = times(&BRADFORD, xyz);
            let adapted = times(&inverse(&BRADFORD), [0, 1, 2].map(|i| cones[i] * to[i] / from[i]));
            lab_of_relative([0, 1, 2].map(|i| adapted[i] / WHITE_D65[i]))
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::spaces::{bytes_of_linear, lab_of_bytes, linear_of_lab};
    use super::*;

    fn lab([l, a, b]: [f64; 3]) -> Lab {
        Lab { l, a, b }
    }

    /// Lab of the sRGB primaries under D50, as colour-managed programs show them (from memory).
    const PRIMARIES_D50: [([u8; 3], [f64; 3]); 3] = [
        ([255, 0, 0], [54.29, 80.81, 69.89]),
        ([0, 255, 0], [87.82, -79.29, 80.99]),
        ([0, 0, 255], [29.57, 68.30, -112.03]),
    ];

    #[test]
    fn primaries_measured_under_d50_come_back_as_srgb() {
        for (bytes, under_d50) in PRIMARIES_D50 {
            let found = bytes_of_linear(linear_of_lab(lab_under_d65(lab(under_d50), White::D50)));
            for i in 0..3 {
                assert!(found[i].abs_diff(bytes[i]) <= 1, "{bytes:?}: {found:?}");
            }
        }
    }

    #[test]
    fn greys_stay_greys_and_d65_stays_as_it_is() {
        for l in [0.0, 5.0, 50.0, 100.0] {
            let grey = lab_under_d65(lab([l, 0.0, 0.0]), White::D50);
            assert!((grey.l - l).abs() < 1e-9 && grey.chroma() < 1e-9, "{grey:?}");
        }
        let red = lab_of_bytes([200, 30, 40]);
        assert_eq!(lab_under_d65(red, White::D65), red);
    }
}
