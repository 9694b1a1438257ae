//! Colour kernel against published tables, an independent library and exhaustive search.

use palette::{FromColor, color_difference::Ciede2000};
use statuary::colour::difference::{ciede2000, ciede2000_weighted};
use statuary::colour::spaces::{self, Lab};

const PAIRS: &str = include_str!("../data/colour/ciede2000.csv");

/// Numbers of a row of the pair table, the pair's own number left out.
fn pair_rows() -> Vec<[f64; 8]> {
    let rows = PAIRS.lines().skip(2);
    rows.map(|row| {
        let numbers: Vec<f64> = row.split(',').skip(1).map(|n| n.parse().unwrap()).collect();
        numbers.try_into().unwrap()
    })
    .collect()
}

fn lab(l: f64, a: f64, b: f64) -> Lab {
    Lab { l, a, b }
}

fn hex(text: &str) -> Lab {
    spaces::lab_of_bytes(spaces::parse_hex(text).unwrap())
}

#[test]
fn differences_match_the_published_pairs() {
    let rows = pair_rows();
    assert_eq!(rows.len(), 34);
    for [l1, a1, b1, l2, a2, b2, expected, expected_kl2] in rows {
        let (x, y) = (lab(l1, a1, b1), lab(l2, a2, b2));
        assert!((ciede2000(x, y) - expected).abs() <= 6e-5, "{x:?} {y:?}");
        assert!((ciede2000_weighted(x, y, 2.0) - expected_kl2).abs() <= 6e-5, "{x:?} {y:?}");
        assert_eq!(ciede2000(x, y).to_bits(), ciede2000(y, x).to_bits(), "not symmetric for {x:?} {y:?}");
    }
}

/// Computed with two independent programs.
#[test]
fn differences_of_srgb_colours_match() {
    let pairs = [
        ("#808080", "#7F7F7F", 0.3806),
        ("#808080", "#777777", 3.515),
        ("#FFFFFF", "#000000", 100.0),
        ("#FF0000", "#0000FF", 52.881),
        ("#E8BEAC", "#C68642", 20.162),
        ("#C68642", "#5C3A21", 32.815),
        ("#4B3621", "#5C3A21", 5.558),
    ];
    for (x, y, expected) in pairs {
        assert!((ciede2000(hex(x), hex(y)) - expected).abs() < 2e-2, "{x} {y}");
    }
}

#[test]
fn spaces_and_differences_agree_with_an_independent_library() {
    let steps = [0_u8, 1, 10, 11, 37, 90, 128, 188, 241, 255];
    let mut last = hex("#4B3621");
    let mut last_other = palette::Lab::new(last.l, last.a, last.b);
    for r in steps {
        for g in steps {
            for b in steps {
                let ours = spaces::lab_of_bytes([r, g, b]);
                let srgb = palette::Srgb::new(r, g, b).into_format::<f64>();
                let other: palette::Lab<palette::white_point::D65, f64> = palette::Lab::from_color(srgb);
                let off = (ours.l - other.l).abs().max((ours.a - other.a).abs()).max((ours.b - other.b).abs());
                assert!(off < 0.03, "{r} {g} {b}: {ours:?} {other:?}");
                let difference = ciede2000(ours, last);
                assert!((difference - f64::from(other.difference(last_other))).abs() < 0.03);
                (last, last_other) = (ours, other);
            }
        }
    }
}

/// IEC 61966-2-1 by its own formula.
#[test]
fn the_srgb_curve_is_met_and_bytes_survive() {
    for (byte, linear) in [(10, 0.003_035_270), (11, 0.003_346_536), (128, 0.215_860_500), (188, 0.502_886_458)] {
        assert!((f64::from(spaces::linear_of_byte(byte)) - linear).abs() < 5e-8);
    }
    assert!((spaces::srgb_of_linear(0.18) - 0.461_356).abs() < 1e-6);
    assert_eq!([0.25, 0.5, -1.0, 2.0].map(spaces::byte_of_linear), [137, 188, 0, 255]);
    for byte in 0..=255 {
        assert_eq!(spaces::byte_of_linear(spaces::linear_of_byte(byte)), byte);
    }
}

/// Lab and `OKLab` as two independent programs give them, within their spread.
#[test]
fn known_colours_land_where_they_should() {
    let known = [
        ("#FFFFFF", [100.0, 0.0, 0.0], [1.0, 0.0, 0.0]),
        ("#808080", [53.585, 0.0, 0.0], [0.59987, 0.0, 0.0]),
        ("#FF0000", [53.241, 80.092, 67.203], [0.62796, 0.22486, 0.12585]),
        ("#00FF00", [87.735, -86.183, 83.179], [0.86644, -0.23389, 0.17950]),
        ("#0000FF", [32.297, 79.188, -107.860], [0.45201, -0.03246, -0.31153]),
        ("#E8BEAC", [80.159, 12.378, 14.747], [0.83364, 0.03889, 0.03813]),
        ("#C68642", [61.179, 18.042, 45.590], [0.67199, 0.04829, 0.10434]),
        ("#5C3A21", [27.877, 12.166, 21.538], [0.38277, 0.03431, 0.05089]),
        ("#1F2A44", [17.294, 3.910, -17.830], [0.28832, -0.00360, -0.05017]),
    ];
    for (text, lab, oklab) in known {
        let linear = spaces::linear_of_bytes(spaces::parse_hex(text).unwrap());
        let ours = spaces::lab_of_linear(linear);
        let found = [ours.l, ours.a, ours.b];
        assert!(found.iter().zip(lab).all(|(x, y)| (x - y).abs() < 0.02), "{text}: {found:?}");
        let found = spaces::oklab_of_linear(linear);
        assert!(found.iter().zip(oklab).all(|(x, y)| (x - y).abs() < 2e-4), "{text}: {found:?}");
        for back in [spaces::linear_of_lab(ours), spaces::linear_of_oklab(found)] {
            assert!(back.iter().zip(linear).all(|(x, y)| (x - y).abs() < 1e-5), "{text}: {back:?}");
        }
    }
}

#[test]
fn hex_colours_read_and_write_back() {
    assert_eq!(spaces::parse_hex("#1f2A44").map(spaces::format_hex).as_deref(), Some("#1F2A44"));
    for wrong in ["", "1F2A44", "#1F2A4", "#1F2A4G", "#+1F2A4", "#1F2A44FF", "navy", "#ééé"] {
        assert_eq!(spaces::parse_hex(wrong), None, "{wrong}");
    }
}
