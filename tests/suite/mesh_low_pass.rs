//! Smoothing without shrinking: Taubin's formulas (1995), and trimesh's filter (`PyPI`) on the same ball.

use glam::DVec3;
use statuary::mesh::low_pass::{LAMBDA, MU, low_pass, pass_band, transfer};
use statuary::mesh::measure::volume_mm3;
use statuary::mesh::topology::Edges;

use super::support::oracle;
use crate::shapes::sphere;

/// G. Taubin, "A signal processing approach to fair surface design", 1995: the pass band is 1 / lambda + 1 / mu, 0.1132
/// for these factors; below it a frequency is kept or grows a little, above it fades. From memory.
#[test]
fn low_frequencies_pass_and_high_ones_fade() {
    assert!((pass_band() - 0.1132).abs() < 5e-5, "{}", pass_band());
    assert!((transfer(pass_band()) - 1.0).abs() < 1e-12 && transfer(0.0) == 1.0);
    assert!((1..100).all(|i| transfer(pass_band() * f64::from(i) / 100.0) > 1.0));
    let above = |i: i32| pass_band() + (2.0 - pass_band()) * f64::from(i) / 100.0;
    assert!((1..100).all(|i| transfer(above(i)).abs() < transfer(above(i - 1)).abs()));
    assert!(transfer(2.0).abs() < 1e-12);
}

#[test]
fn a_ball_is_smoothed_as_by_trimesh() {
    let ball = sphere(DVec3::ZERO, 10.0, 4);
    let edges = Edges::of(&ball.triangles, ball.positions.len());
    let all: Vec<u32> = (0..ball.positions.len() as u32).collect();
    for pairs in [10, 50] {
        let own = low_pass(&ball, &edges, &all, pairs);
        let positions: Vec<[f64; 3]> = ball.positions.iter().map(DVec3::to_array).collect();
        let question = serde_json::json!({
            "positions": positions, "triangles": ball.triangles, "lambda": LAMBDA, "mu": MU, "pairs": pairs
        });
        let answer = oracle::ask(&["taubin"], &question.to_string());
        let theirs: Vec<[f64; 3]> = serde_json::from_value(answer["positions"].clone()).unwrap();
        let apart = own.iter().zip(&theirs).map(|(a, b)| a.distance(DVec3::from_array(*b))).fold(0.0, f64::max);
        assert!(apart < 1e-9, "{apart} mm after {pairs} pairs");
        let mut smooth = ball.clone();
        smooth.positions = own;
        // It swells a little, where plain smoothing would shrink by percents.
        let grown = volume_mm3(&smooth) / volume_mm3(&ball);
        assert!((1.0..1.02).contains(&grown), "{grown}");
    }
}
