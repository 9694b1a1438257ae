//! Colour kernel against published tables, an independent library and exhaustive search.

use palette::{FromColor, color_difference::Ciede2000};
use statuary::colour::choose::{CELL, Costs, Request, Sample, choose, histogram};
use statuary::colour::difference::{ciede2000, ciede2000_weighted};
use statuary::colour::expansion::{FORBIDDEN, Labelling};
use statuary::colour::flow::FlowGraph;
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
                assert!((difference - other.difference(last_other)).abs() < 0.03);
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
    let with = |size_max: usize| choose(&costs, &Request { size_max, ..request.clone() }).unwrap().cost;
    assert!((1..4).all(|size| with(size + 1) <= with(size)) && with(1) > 100.0);
}

/// Costs of sets with mixes, found without the tables that the search keeps.
#[test]
fn filaments_chosen_for_their_mixes_are_the_best_of_all_sets() {
    use statuary::colour::mix;

    let mut stream = Stream(5);
    let colour = |stream: &mut Stream| [0; 3].map(|_| stream.next() as f32);
    let linear: Vec<_> = (0..9).map(|_| colour(&mut stream)).collect();
    let shelf: Vec<Lab> = linear.iter().map(|c| spaces::lab_of_linear(*c)).collect();
    let samples: Vec<Sample> = (0..40)
        .map(|_| Sample { lab: spaces::lab_of_linear(colour(&mut stream)), weight: 0.5 + stream.next() })
        .collect();
    let (period_max, price_de) = (3, 2.0);
    let mixes = mix::possible(&linear, period_max, 1.0);
    let costs = Costs::new(&samples, &shelf, 1.0).with_mixes(&samples, &mixes, (price_de, 1.0));
    let cost = |set: &[usize]| -> f64 {
        let of = |sample: &Sample| {
            let colours: Vec<_> = set.iter().map(|j| linear[*j]).collect();
            let all = mix::possible(&colours, period_max, 1.0).into_iter();
            let dear = all.map(|m| ciede2000(sample.lab, m.lab) + if m.parts.len() > 1 { price_de } else { 0.0 });
            sample.weight * dear.fold(f64::INFINITY, f64::min)
        };
        samples.iter().map(of).sum()
    };
    for must in [vec![], vec![4]] {
        let request = Request { size_max: 3, must: must.clone(), never: vec![0], work_max: u64::MAX };
        let choice = choose(&costs, &request).unwrap();
        let sets = (0_usize..1 << 9)
            .filter(|bits| bits.count_ones() == 3)
            .map(|bits| (0..9).filter(|j| bits >> j & 1 == 1).collect::<Vec<_>>())
            .filter(|set| !set.contains(&0) && must.iter().all(|j| set.contains(j)));
        let best = sets.map(|set| cost(&set)).fold(f64::INFINITY, f64::min);
        assert!((choice.cost - best).abs() < 1e-9 * best, "{} {best}", choice.cost);
        assert!((cost(&choice.picked) - best).abs() < 1e-9 * best && choice.gap.abs() < 1e-12);
        let short = choose(&costs, &Request { work_max: 0, ..request }).unwrap();
        assert!(short.cost >= best * (1.0 - 1e-9) && short.cost - short.gap <= best * (1.0 + 1e-9));
    }
}

#[test]
fn the_histogram_keeps_weight_and_mean() {
    let mut stream = Stream(3);
    let colours: Vec<_> = (0..5000)
        .map(|_| spaces::oklab_of_linear([0; 3].map(|_| 0.2 + 0.03 * stream.next() as f32)))
        .zip((0..5000).map(|i| 1.0 + f64::from(i % 7)))
        .collect();
    let samples = histogram(CELL, colours.iter().copied());
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

/// A random graph: room from the source, room to the sink, edges with room in both directions.
struct Net {
    terminals: Vec<(i64, i64)>,
    edges: Vec<(u32, u32, i64, i64)>,
}

fn random_net(stream: &mut Stream, nodes: usize) -> Net {
    let mut room = |odds: f64| if stream.next() < odds { (stream.next() * 20.0) as i64 } else { 0 };
    let terminals = (0..nodes).map(|_| (room(0.3), room(0.3))).collect();
    let pairs = (0..nodes as u32).flat_map(|a| (0..a).map(move |b| (a, b)));
    let edges = pairs.map(|(a, b)| (a, b, room(0.15), room(0.15))).collect();
    Net { terminals, edges }
}

/// Largest flow by shortest augmenting paths over a full matrix.
fn flow_by_shortest_paths(net: &Net) -> i64 {
    let n = net.terminals.len();
    let (source, sink) = (n, n + 1);
    let mut room = vec![vec![0; n + 2]; n + 2];
    for (node, &(from_source, to_sink)) in net.terminals.iter().enumerate() {
        (room[source][node], room[node][sink]) = (from_source, to_sink);
    }
    for &(a, b, there, back) in &net.edges {
        room[a as usize][b as usize] += there;
        room[b as usize][a as usize] += back;
    }
    let mut flow = 0;
    loop {
        let mut from = vec![None; n + 2];
        let mut queue = std::collections::VecDeque::from([source]);
        while let Some(node) = queue.pop_front() {
            for next in 0..n + 2 {
                if next != source && from[next].is_none() && room[node][next] > 0 {
                    from[next] = Some(node);
                    queue.push_back(next);
                }
            }
        }
        let steps = std::iter::successors(Some(sink), |node| from[*node]).collect::<Vec<_>>();
        if steps.len() < 2 {
            return flow;
        }
        let amount = steps.windows(2).map(|step| room[step[1]][step[0]]).min().unwrap();
        for step in steps.windows(2) {
            room[step[1]][step[0]] -= amount;
            room[step[0]][step[1]] += amount;
        }
        flow += amount;
    }
}

#[test]
fn the_flow_is_the_largest_and_the_cut_carries_it() {
    let mut stream = Stream(5);
    let mut graph = FlowGraph::default();
    for _ in 0..300 {
        let nodes = 2 + stream.below(48);
        let net = random_net(&mut stream, nodes);
        graph.reset(nodes);
        for (node, &(from_source, to_sink)) in net.terminals.iter().enumerate() {
            graph.add_terminals(node as u32, from_source, to_sink);
        }
        for &(a, b, there, back) in &net.edges {
            graph.add_edge(a, b, there, back);
        }
        let flow = graph.max_flow();
        assert_eq!(flow, flow_by_shortest_paths(&net));
        let sink_side = |node: u32| graph.is_sink_side(node);
        let ends = net.terminals.iter().zip(0..).map(|(t, node)| if sink_side(node) { t.0 } else { t.1 });
        let across = net.edges.iter().map(|&(a, b, there, back)| match (sink_side(a), sink_side(b)) {
            (false, true) => there,
            (true, false) => back,
            _ => 0,
        });
        assert_eq!(flow, ends.sum::<i64>() + across.sum::<i64>());
    }
}

/// Eight faces in a row with unit borders; values found by trying all labellings. Everything is doubled to be whole.
#[test]
fn a_chain_of_two_labels_reaches_the_best_energy() {
    let data = [[0, 4], [1, 3], [0, 5], [3, 1], [0, 4], [4, 0], [5, 0], [3, 1]];
    let data: Vec<i64> = data.iter().flatten().map(|d| 2 * d).collect();
    let cases = [
        (0, 6, "00010111"),
        (1, 9, "00010111"),
        (2, 12, ""),
        (4, 14, "00000111"),
        (10, 20, "00000111"),
        (40, 32, "00000000"),
    ];
    for (price, best, expected) in cases {
        let edges: Vec<_> = (0..7).map(|n| (n, n + 1, price)).collect();
        let problem = Labelling::new(2, data.clone(), &edges);
        let mut labels = problem.cheapest();
        assert_eq!(problem.improve(&mut labels, 9), best);
        assert_eq!(problem.energy(&labels), best);
        let found: String = labels.iter().map(u8::to_string).collect();
        assert!(expected.is_empty() || found == expected, "price {price}: {found}");
    }
}

/// Nine faces in a square with unit borders; values found by trying all labellings. Everything is doubled.
#[test]
fn a_square_of_three_labels_reaches_the_best_energy() {
    let data = [[0, 5, 9], [2, 3, 9], [6, 1, 9], [1, 5, 9], [4, 4, 2], [7, 0, 9], [0, 6, 9], [3, 2, 9], [8, 1, 9]];
    let data: Vec<i64> = data.iter().flatten().map(|d| 2 * d).collect();
    let cases = [
        (0, [0, 0, 0], 18),
        (1, [0, 0, 0], 24),
        (2, [0, 0, 0], 30),
        (4, [0, 0, 0], 36),
        (1, [0, 0, 6], 26),
        (1, [16, 16, 16], 58),
        (1, [40, 40, 40], 94),
    ];
    for (price, label_costs, best) in cases {
        let across = (0..9).filter(|n| n % 3 < 2).map(|n| (n, n + 1, price));
        let edges: Vec<_> = across.chain((0..6).map(|n| (n, n + 3, price))).collect();
        let problem = Labelling::new(3, data.clone(), &edges).with_label_costs(label_costs.to_vec());
        let mut labels = problem.cheapest();
        assert_eq!(problem.improve(&mut labels, 9), best, "price {price}, label costs {label_costs:?}");
    }
}

#[test]
fn moves_never_raise_the_energy_and_end_near_the_best() {
    let mut stream = Stream(6);
    for _ in 0..150 {
        let (nodes, labels) = (8, 3);
        let mut data: Vec<i64> = (0..nodes * labels).map(|_| stream.below(20) as i64).collect();
        data[labels] = FORBIDDEN;
        let edges: Vec<_> =
            (0..14).map(|_| (stream.below(nodes) as u32, stream.below(nodes) as u32, stream.below(9) as i64)).collect();
        let label_costs: Vec<i64> = (0..labels).map(|_| stream.below(12) as i64).collect();
        let problem = Labelling::new(labels, data, &edges).with_label_costs(label_costs);
        let all = (0..3_usize.pow(nodes as u32))
            .map(|code| (0..nodes).map(move |n| (code / 3_usize.pow(n as u32) % 3) as u8));
        let best = all.map(|l| problem.energy(&l.collect::<Vec<_>>())).min().unwrap();
        let mut found = problem.cheapest();
        let mut energy = problem.energy(&found);
        for _ in 0..4 {
            let next = problem.improve(&mut found, 1);
            assert!(next <= energy && next == problem.energy(&found));
            energy = next;
        }
        assert!(found[1] != 0 && best <= energy && energy <= 2 * best, "{energy} {best}");
    }
}
