//! Colour kernel against published tables, an independent library and exhaustive search.

use palette::{FromColor, color_difference::Ciede2000};
use statuary::colour::choose::{Costs, Request, Sample, choose, gain_curve, histogram};
use statuary::colour::difference::{ciede2000, ciede2000_weighted};
use statuary::colour::spaces::{self, Lab};

/// A fixed stream of numbers from 0 to 1 (a multiplicative congruential generator).
struct Stream(u64);

impl Stream {
    fn next(&mut self) -> f64 {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (self.0 >> 11) as f64 / (1_u64 << 53) as f64
    }

    fn below(&mut self, end: usize) -> usize {
        (self.next() * end as f64) as usize
    }
}

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

fn random_costs(stream: &mut Stream, candidates: usize, samples: usize) -> Costs {
    Costs::from_rows((0..candidates).map(|_| (0..samples).map(|_| stream.next()).collect()).collect())
}

/// Least cost over all sets that the request allows.
fn exhaustive(costs: &Costs, request: &Request, candidates: usize) -> f64 {
    let sets = (1_usize..1 << candidates).map(|bits| (0..candidates).filter(|j| bits >> j & 1 == 1).collect());
    let allowed = sets.filter(|set: &Vec<usize>| {
        set.len() <= request.size_max
            && request.must.iter().all(|j| set.contains(j))
            && !request.never.iter().any(|j| set.contains(j))
    });
    allowed.map(|set| costs.of(&set)).fold(f64::INFINITY, f64::min)
}

#[test]
fn the_chosen_set_is_as_good_as_the_best_of_all_sets() {
    let mut stream = Stream(1);
    for round in 0..200 {
        let candidates = 4 + stream.below(7);
        let costs = random_costs(&mut stream, candidates, 30);
        let must = if round % 3 == 0 { vec![stream.below(candidates)] } else { vec![] };
        let never = (0..candidates).filter(|j| !must.contains(j) && stream.next() < 0.1).collect();
        let request = Request { size_max: 1 + stream.below(4), must, never, work_max: u64::MAX };
        let Some(choice) = choose(&costs, &request) else {
            assert_eq!(request.never.len(), candidates);
            continue;
        };
        assert!((choice.cost - exhaustive(&costs, &request, candidates)).abs() < 1e-9, "{request:?}");
        assert!((choice.cost - costs.of(&choice.picked)).abs() < 1e-9);
        assert!(choice.gap <= 0.0 && choice.picked.is_sorted() && choice.picked.len() <= request.size_max);
        assert!(request.must.iter().all(|j| choice.picked.contains(j)));
        assert!(!request.never.iter().any(|j| choice.picked.contains(j)));
    }
}

#[test]
fn a_search_cut_short_tells_a_true_bound() {
    let mut stream = Stream(2);
    for work_max in [0, 1000, 5000] {
        for _ in 0..40 {
            let costs = random_costs(&mut stream, 10, 25);
            let request = Request { size_max: 4, must: vec![], never: vec![], work_max };
            let choice = choose(&costs, &request).unwrap();
            let best = exhaustive(&costs, &request, 10);
            assert!(choice.cost >= best - 1e-9 && choice.cost - choice.gap <= best + 1e-9);
        }
    }
}

#[test]
fn the_gain_curve_falls_and_useless_filaments_stay_on_the_shelf() {
    let shelf = ["#FFFFFF", "#1F2A44", "#FFFF00", "#E8BEAC"].map(hex);
    let samples = [0, 1, 3].map(|j| Sample { lab: shelf[j], weight: 10.0 });
    let costs = Costs::new(&samples, &shelf, 1.0);
    let request = Request { size_max: 4, must: vec![], never: vec![], work_max: u64::MAX };
    let choice = choose(&costs, &request).unwrap();
    assert_eq!((choice.picked, choice.cost), (vec![0, 1, 3], 0.0));
    let curve = gain_curve(&costs, &request);
    assert_eq!(curve.len(), 4);
    assert!(curve.windows(2).all(|pair| pair[1].1 <= pair[0].1) && curve[0].1 > 100.0);
}

#[test]
fn the_histogram_keeps_weight_and_mean() {
    let mut stream = Stream(3);
    let colours: Vec<_> = (0..5000)
        .map(|_| spaces::oklab_of_linear([0; 3].map(|_| 0.2 + 0.03 * stream.next() as f32)))
        .zip((0..5000).map(|i| 1.0 + f64::from(i % 7)))
        .collect();
    let samples = histogram(colours.iter().copied());
    let total = |weights: &mut dyn Iterator<Item = f64>| weights.sum::<f64>();
    let weight = total(&mut colours.iter().map(|c| c.1));
    assert!((total(&mut samples.iter().map(|s| s.weight)) - weight).abs() < 1e-6);
    assert!(samples.len() > 3 && samples.len() < 60, "{}", samples.len());
    let mean = total(&mut samples.iter().map(|s| s.weight * s.lab.l)) / weight;
    let exact = total(&mut colours.iter().map(|c| c.1 * spaces::lab_of_linear(spaces::linear_of_oklab(c.0)).l));
    assert!((mean - exact / weight).abs() < 0.01);
}

/// 60 over 8 has 2.6 thousand million sets: a plain search over all would be hopeless.
#[test]
fn large_shelves_are_searched_to_the_end_when_colours_cluster_as_clothes_do() {
    let mut stream = Stream(4);
    let mut colour = || spaces::lab_of_linear([0; 3].map(|_| stream.next().powi(2) as f32));
    let shelf: Vec<Lab> = (0..60).map(|_| colour()).collect();
    let clothes: Vec<Lab> = (0..6).map(|_| colour()).collect();
    let worn = |i: usize| {
        let (base, noise) = (clothes[i % 6], colour());
        lab(base.l + 0.2 * (noise.l - 50.0), base.a + 0.2 * noise.a, base.b + 0.2 * noise.b)
    };
    let samples: Vec<Sample> = (0..600).map(worn).map(|lab| Sample { lab, weight: 1.0 }).collect();
    let request = Request { size_max: 8, must: vec![], never: vec![], work_max: 300_000_000 };
    let choice = choose(&Costs::new(&samples, &shelf, 1.0), &request).unwrap();
    assert!(choice.gap <= 0.0, "{}", choice.gap);
}
