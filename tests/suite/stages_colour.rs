//! Stage `colour-reduce` on built figures whose right labels are known.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::atomic::AtomicBool;
use std::sync::{Arc, LazyLock};

use glam::DVec3;
use statuary::colour::spaces;
use statuary::equipment::{Changer, Equipment, Filament, Printer};
use statuary::figure::{Figure, Joint, Part};
use statuary::finding::Finding;
use statuary::mesh::inspect::inspect;
use statuary::mesh::intersect::self_intersections;
use statuary::mesh::{Origin, TriMesh, measure};
use statuary::stage::{MemorySink, Settings, StageContext, StageError, TargetSize, Transform};
use statuary::stages::reduce_colours::{ColourReduce, ForEach};

const SHELF: &str = include_str!("../../demo-data/workshop/filaments.yaml");
const PRINTERS: &str = include_str!("../../demo-data/workshop/printers.yaml");
const RINGS: usize = 160;
const SECTORS: usize = 160;

fn shelf() -> &'static [Filament] {
    static FILAMENTS: LazyLock<Vec<Filament>> = LazyLock::new(|| serde_yaml::from_str(SHELF).unwrap());
    &FILAMENTS
}

fn equipment() -> Equipment {
    let printers: Vec<Printer> = serde_yaml::from_str(PRINTERS).unwrap();
    Equipment { shelf: shelf().to_vec(), printer: printers[0].clone(), helpers: Vec::new() }
}

fn colour_of(name: &str) -> [f32; 3] {
    spaces::linear_of_bytes(shelf().iter().find(|f| f.name == name).unwrap().srgb().unwrap())
}

/// Direction of a point of the ball, from ring (south to north) and sector.
fn direction(ring: usize, sector: usize) -> DVec3 {
    let (latitude, longitude) = (
        std::f64::consts::PI * (ring as f64 / RINGS as f64 - 0.5),
        std::f64::consts::TAU * sector as f64 / SECTORS as f64,
    );
    DVec3::new(latitude.cos() * longitude.cos(), latitude.cos() * longitude.sin(), latitude.sin())
}

/// The part of an ellipsoid, 80 mm wide and 200 mm tall, between two rings; a cut face closes it where it is cut.
fn ellipsoid(rings: std::ops::Range<usize>, colour: &dyn Fn(DVec3) -> [f32; 3]) -> TriMesh {
    let mut mesh = TriMesh::default();
    let place = |ring: usize, sector: usize| direction(ring, sector) * DVec3::new(40.0, 40.0, 100.0);
    let mut rows = Vec::new();
    for ring in rings.start..=rings.end {
        let is_pole = ring == 0 || ring == RINGS;
        let row: Vec<u32> =
            (0..SECTORS).map(|s| mesh.positions.len() as u32 + if is_pole { 0 } else { s as u32 }).collect();
        mesh.positions.extend((0..if is_pole { 1 } else { SECTORS }).map(|s| place(ring, s)));
        rows.push(row);
    }
    let mut add = |corners: [u32; 3], origin: Origin| {
        if corners[0] != corners[1] && corners[1] != corners[2] && corners[2] != corners[0] {
            mesh.triangles.push(corners);
            mesh.origins.push(origin);
        }
    };
    for pair in rows.windows(2) {
        for s in 0..SECTORS {
            let t = (s + 1) % SECTORS;
            add([pair[0][s], pair[0][t], pair[1][t]], Origin::Skin);
            add([pair[0][s], pair[1][t], pair[1][s]], Origin::Skin);
        }
    }
    for (row, is_top) in [(&rows[0], false), (&rows[rows.len() - 1], true)] {
        for s in 1..SECTORS - 1 {
            let [a, b] = if is_top { [row[s], row[s + 1]] } else { [row[s + 1], row[s]] };
            add([row[0], a, b], Origin::Cut(0));
        }
    }
    mesh.colours = mesh.positions.iter().map(|p| colour(*p)).collect();
    mesh
}

fn part(number: usize, mesh: TriMesh) -> Part {
    let name = format!("{number:02}-piece");
    Part { number, name, mesh: Arc::new(mesh), labels: None, pose: None, estimate: None }
}

fn whole(colour: &dyn Fn(DVec3) -> [f32; 3]) -> Figure {
    Figure { parts: vec![part(1, ellipsoid(0..RINGS, colour))], ..Figure::default() }
}

/// The same in two parts, cut level at a ring.
fn halves(ring: usize, colour: &dyn Fn(DVec3) -> [f32; 3]) -> Figure {
    let parts = vec![part(1, ellipsoid(0..ring, colour)), part(2, ellipsoid(ring..RINGS, colour))];
    let offset_mm = parts[1].mesh.positions[0].z;
    let joint = Joint { a: 0, b: 1, normal: DVec3::Z, offset_mm, area_mm2: 0.0, keys: vec![], marked: [false; 2] };
    Figure { parts, joints: vec![joint], ..Figure::default() }
}

struct Outcome {
    figure: Figure,
    findings: Vec<Finding>,
    numbers: BTreeMap<String, f64>,
}

impl Outcome {
    fn names(&self) -> Vec<&str> {
        self.figure.palette.iter().map(|f| f.name.as_str()).collect()
    }

    /// Area by filament name over the outside of a part.
    fn areas(&self, part: usize) -> BTreeMap<&str, f64> {
        let (mesh, labels) = (&self.figure.parts[part].mesh, self.figure.parts[part].labels.as_ref().unwrap());
        let mut areas = BTreeMap::new();
        for t in (0..labels.len()).filter(|t| mesh.origins[*t].is_outside()) {
            let name = self.figure.palette[usize::from(labels[t])].name.as_str();
            *areas.entry(name).or_default() += mesh.area_vector(t).length() / 2.0;
        }
        areas
    }

    /// Area of each patch over the outside of a part and whether it touches a cut, found anew.
    fn patches(&self, part: usize) -> Vec<(f64, bool)> {
        let (mesh, labels) = (&self.figure.parts[part].mesh, self.figure.parts[part].labels.as_ref().unwrap());
        let mut edges: BTreeMap<(u32, u32), Vec<usize>> = BTreeMap::new();
        for (t, corners) in mesh.triangles.iter().enumerate() {
            for (a, b) in [(0, 1), (1, 2), (2, 0)].map(|(i, j)| (corners[i], corners[j])) {
                edges.entry((a.min(b), a.max(b))).or_default().push(t);
            }
        }
        let mut patch: Vec<usize> = (0..labels.len()).collect();
        let outside = |t: usize| mesh.origins[t].is_outside();
        let mut rim = BTreeSet::new();
        for pair in edges.values() {
            let (x, y) = (pair[0], pair[1]);
            if outside(x) != outside(y) {
                rim.insert(if outside(x) { x } else { y });
            } else if outside(x) && labels[x] == labels[y] {
                let (x, y) = (find(&mut patch, x), find(&mut patch, y));
                patch[x.max(y)] = x.min(y);
            }
        }
        let mut found: BTreeMap<usize, (f64, bool)> = BTreeMap::new();
        for t in (0..labels.len()).filter(|t| outside(*t)) {
            let entry = found.entry(find(&mut patch, t)).or_default();
            entry.0 += mesh.area_vector(t).length() / 2.0;
            entry.1 |= rim.contains(&t);
        }
        found.into_values().collect()
    }
}

/// First triangle of the patch a triangle was joined to.
fn find(patch: &mut [usize], t: usize) -> usize {
    let mut root = t;
    while patch[root] != root {
        patch[root] = patch[patch[root]];
        root = patch[root];
    }
    root
}

fn reduce_on(equipment: &Equipment, figure: &Figure, settings: &ColourReduce) -> Result<Outcome, StageError> {
    let mut sink = MemorySink::default();
    let mut progress = |_: f64, _: &str| ();
    let cancel = Arc::new(AtomicBool::new(false));
    let mut ctx = StageContext::new(equipment, TargetSize::Unknown, &mut sink, cancel, &mut progress);
    let figure = settings.run(figure, &mut ctx)?;
    let (findings, numbers) = ctx.into_notes();
    Ok(Outcome { figure, findings, numbers: numbers.into_iter().collect() })
}

fn reduce(figure: &Figure, settings: &ColourReduce) -> Outcome {
    reduce_on(&equipment(), figure, settings).unwrap()
}

fn settings(yaml: &str) -> ColourReduce {
    serde_yaml::from_str(yaml).unwrap()
}

/// A fixed value from -1 to 1 for each place, as a camera adds to a colour.
fn noise(p: DVec3) -> f32 {
    let bits = (p.x * 7919.0 + p.y * 104_729.0 + p.z * 1_299_709.0).to_bits().wrapping_mul(0x9E37_79B9_7F4A_7C15);
    (bits >> 40) as f32 / (1_u32 << 23) as f32 - 1.0
}

/// Trousers, shirt and a dark cap, with camera noise.
fn crew(p: DVec3) -> [f32; 3] {
    let name = match p.z {
        z if z < -10.0 => "Harbour Navy",
        z if z < 60.0 => "Signal Red",
        _ => "Sailcloth White",
    };
    colour_of(name).map(|c| (c * (1.0 + 0.15 * noise(p))).min(1.0))
}

#[test]
fn clear_colours_get_their_own_filaments() {
    let outcome = reduce(&whole(&crew), &settings("{even_light: 0}"));
    assert_eq!(outcome.names(), ["Sailcloth White", "Harbour Navy", "Signal Red"]);
    let (mesh, labels) = (&outcome.figure.parts[0].mesh, outcome.figure.parts[0].labels.as_ref().unwrap());
    let mut wrong = 0.0;
    let mut all = 0.0;
    for t in 0..labels.len() {
        let middle = mesh.corners(t).iter().sum::<DVec3>() / 3.0;
        let name = &outcome.figure.palette[usize::from(labels[t])].name;
        let area = mesh.area_vector(t).length() / 2.0;
        let right = if middle.z < -10.0 {
            "Harbour Navy"
        } else if middle.z < 60.0 {
            "Signal Red"
        } else {
            "Sailcloth White"
        };
        wrong += if name == right { 0.0 } else { area };
        all += area;
    }
    // Between two rings of vertices, 2 mm apart, the borders may run anywhere: half of that is 1.2 % of the surface.
    assert!(wrong < 0.013 * all, "{wrong} of {all}");
    assert_eq!(outcome.patches(0).len(), 3);
    assert!(outcome.numbers["de_excess_mean"] < 1.0 && outcome.numbers["de_mean"] < 5.0, "{:?}", outcome.numbers);
}

/// The crew's colours, a fourth of the way to each other and with a camera's noise.
fn noisy(p: DVec3) -> [f32; 3] {
    let (clear, other) = (crew(p), crew(DVec3::new(p.x, p.y, -p.z)));
    [0, 1, 2].map(|i| ((0.75 * clear[i] + 0.25 * other[i]) * (1.0 + 0.3 * noise(p))).clamp(0.0, 1.0))
}

#[test]
fn noise_is_smoothed_at_little_cost() {
    let outcome = reduce(&whole(&noisy), &settings("{even_light: 0, colours: 5}"));
    let number = |name: &str| outcome.numbers[name];
    assert!(number("patches_unsmoothed") > 20.0 * number("patches"), "{:?}", outcome.numbers);
    assert!(number("border_mm") <= 0.35 * number("border_unsmoothed_mm"), "{:?}", outcome.numbers);
    assert!(number("de_evened_excess_mean") <= 0.06 * number("de_evened_mean_best"), "{:?}", outcome.numbers);
}

/// Seven spots of 2.4 mm radius and three of 6 mm in a grid on the front.
fn spotted(p: DVec3) -> [f32; 3] {
    let spot = |y: f64, z: f64, radius: f64| p.x > 0.0 && (p - DVec3::new(p.x, y, z)).length() < radius;
    let small = (-3..=3).any(|i| spot(f64::from(i) * 8.0, -20.0, 2.4));
    let large = (-1..=1).any(|i| spot(f64::from(i) * 16.0, 20.0, 6.0));
    colour_of(if small || large { "Anchor Black" } else { "Oilskin Yellow" })
}

#[test]
fn no_patch_is_below_the_least_area_and_larger_ones_stay() {
    let raw = reduce(&whole(&spotted), &settings("{smoothing_mm: 0, patch_min_mm2: 0, even_light: 0}"));
    assert_eq!(raw.patches(0).len(), 11);
    let outcome = reduce(&whole(&spotted), &settings("{smoothing_mm: 0, patch_min_mm2: 36, even_light: 0}"));
    let patches = outcome.patches(0);
    assert!(patches.len() == 4 && patches.iter().all(|(area, _)| *area >= 36.0), "{patches:?}");
    assert!(outcome.numbers["patches_cleared"] >= 7.0);
    let smooth = reduce(&whole(&spotted), &settings("{smoothing_mm: 40, patch_min_mm2: 0, even_light: 0}"));
    assert!(smooth.patches(0).len() < 11);
}

/// Two eyes of 1.6 mm radius in a face, and the same spot on the back and on the belly.
fn faced(p: DVec3) -> [f32; 3] {
    let spot = |middle: DVec3| (p - middle).with_x(0.0).length() < 1.6;
    let front = p.x > 0.0 && (-1..=1).step_by(2).any(|side| spot(DVec3::new(0.0, f64::from(side) * 6.0, 82.0)));
    let belly = p.x > 0.0 && spot(DVec3::new(0.0, 0.0, 0.0));
    match p.z {
        _ if front || belly => colour_of("Anchor Black"),
        z if z < 50.0 => colour_of("Oilskin Yellow"),
        _ if p.x > -8.0 => colour_of("Weathered Skin"),
        _ => colour_of("Signal Red"),
    }
}

#[test]
fn eyes_too_small_to_print_are_enlarged_and_other_specks_are_not() {
    let with = |growth: f64| {
        let text = format!("{{even_light: 0, smoothing_mm: 0.5, patch_min_mm2: 12, feature_growth_max: {growth}}}");
        reduce(&whole(&faced), &settings(&text))
    };
    let black = |outcome: &Outcome| outcome.areas(0).get("Anchor Black").copied().unwrap_or(0.0);
    let kept = with(4.0);
    assert_eq!((kept.numbers["features_enlarged"], kept.numbers["features_lost"]), (2.0, 0.0));
    let area = black(&kept);
    assert!((24.0..40.0).contains(&area), "two eyes of 8 mm2 grew to 12 each: {area}");
    assert!(kept.patches(0).iter().all(|(area, _)| *area >= 12.0));
    assert!(kept.findings.iter().any(|f| f.what.contains("drawn larger")), "{:?}", kept.findings);
    let small = with(1.2);
    assert_eq!((small.numbers["features_enlarged"], small.numbers["features_lost"]), (0.0, 2.0));
    assert!(small.findings.iter().any(|f| f.what.contains("too small to print")) && black(&small) <= 0.0);
    assert!(black(&with(1.0)) <= 0.0);
}

#[test]
fn labels_agree_over_a_joint_and_cut_faces_follow_their_rim() {
    // The cut goes through a spot: the piece above is below the least area, but the spot as a whole is not.
    let spot =
        |p: DVec3| colour_of(if p.x > 0.0 && p.y.hypot(p.z - 2.0) < 4.4 { "Anchor Black" } else { "Rope Beige" });
    let figure = halves(RINGS / 2, &spot);
    let outcome = reduce(&figure, &settings("{even_light: 0, smoothing_mm: 0.5, patch_min_mm2: 36}"));
    let pieces: Vec<f64> = (0..2).map(|part| outcome.areas(part).get("Anchor Black").copied().unwrap_or(0.0)).collect();
    assert!(pieces[0] > 9.0 && pieces[0] < 36.0 && pieces[0] + pieces[1] > 36.0, "{pieces:?}");
    for part in &outcome.figure.parts {
        let labels = part.labels.as_ref().unwrap();
        assert_eq!(labels.len(), part.mesh.triangles.len());
        let inner = labels.iter().zip(&part.mesh.origins).filter(|(_, origin)| !origin.is_outside());
        assert!(
            inner.map(|(label, _)| &outcome.figure.palette[usize::from(*label)].name).all(|name| name == "Rope Beige")
        );
    }
    let alone = Figure { parts: vec![figure.parts[0].clone()], ..Figure::default() };
    let alone = reduce(&alone, &settings("{even_light: 0, smoothing_mm: 0.5, patch_min_mm2: 36}"));
    assert_eq!(alone.areas(0).get("Anchor Black"), None);
}

#[test]
fn each_part_may_have_filaments_of_its_own() {
    let bands = ["Harbour Navy", "Signal Red", "Oilskin Yellow", "Anchor Black", "Seaweed Green", "Sailcloth White"];
    let banded = |p: DVec3| colour_of(bands[(((p.z + 100.0) / 200.0 * 6.0) as usize).min(5)]);
    let figure = halves(RINGS / 2, &banded);
    let one = reduce(&figure, &settings("{colours: 3, even_light: 0}"));
    assert_eq!(one.figure.palette.len(), 3);
    let each = reduce(&figure, &settings("{colours: 3, for_each: part, even_light: 0}"));
    assert_eq!(each.figure.palette.len(), 6);
    assert!((0..2).all(|part| each.areas(part).len() == 3));
    let order: Vec<usize> =
        each.names().iter().map(|name| shelf().iter().position(|f| f.name == *name).unwrap()).collect();
    assert!(order.is_sorted());
    assert!(each.numbers["de_mean"] < 2.0 && one.numbers["de_mean"] > 10.0);
    assert!(one.numbers["de_mean_with_1_colours"] > one.numbers["de_mean_with_3_colours"]);
}

#[test]
fn light_from_one_side_does_not_break_a_colour_into_bands() {
    let towards = DVec3::new(0.6, -0.5, 0.62).normalize();
    let lit = |p: DVec3| {
        let normal = (p / DVec3::new(1600.0, 1600.0, 10_000.0)).normalize_or_zero();
        let light = (0.4 + 0.6 * normal.dot(towards).max(0.0)) as f32;
        colour_of(if p.z > 0.0 { "Weathered Skin" } else { "Worn Denim" }).map(|c| c * light)
    };
    let even = reduce(&whole(&lit), &settings("{}"));
    assert_eq!(even.patches(0).len(), 2, "{:?}", even.areas(0));
    assert!(even.numbers["light_contrast"] > 2.0);
    let uneven = reduce(&whole(&lit), &settings("{even_light: 0, lightness_weight: 1}"));
    assert!(uneven.patches(0).len() > 2);
}

#[test]
fn wishes_are_kept() {
    let figure = whole(&crew);
    let outcome = reduce(&figure, &settings("{even_light: 0, never: [Harbour Navy]}"));
    assert!(!outcome.names().contains(&"Harbour Navy"));
    let outcome = reduce(&figure, &settings("{even_light: 0, material: petg}"));
    assert!(outcome.figure.palette.iter().all(|f| f.material == "PETG"));
    assert!(outcome.findings.iter().any(|f| f.what.contains("only 3 filaments")), "{:?}", outcome.findings);
    let outcome = reduce(&figure, &settings("{even_light: 0, must: [Engine Black], colours: 2}"));
    assert!(outcome.figure.palette.iter().all(|f| f.material == "PETG") && outcome.figure.palette.len() <= 2);
    let outcome = reduce(&figure, &settings("{colours: 9}"));
    assert!(outcome.findings.iter().any(|f| f.what.contains("the printer holds 5")));
    assert!(outcome.figure.palette.len() <= 5);
}

#[test]
fn filaments_that_share_a_nozzle_share_its_temperature() {
    let mut equipment = equipment();
    for filament in equipment.shelf.iter_mut().filter(|f| f.name == "Harbour Navy") {
        filament.nozzle_c = [225.0, 235.0];
    }
    let figure = whole(&crew);
    let has_navy = |equipment: &Equipment| {
        let outcome = reduce_on(equipment, &figure, &settings("{even_light: 0}")).unwrap();
        let lows = outcome.figure.palette.iter().map(|f| f.nozzle_c[0]).fold(0.0, f64::max);
        let highs = outcome.figure.palette.iter().map(|f| f.nozzle_c[1]).fold(999.0, f64::min);
        (outcome.names().contains(&"Harbour Navy"), lows <= highs)
    };
    assert_eq!(has_navy(&equipment), (true, false));
    equipment.printer.changer = Changer::Shared;
    assert_eq!(has_navy(&equipment), (false, true));
}

#[test]
fn faults_name_the_thing_and_what_to_do() {
    let figure = whole(&|_| [0.5; 3]);
    let fault = |equipment: &Equipment, yaml: &str| {
        let error = reduce_on(equipment, &figure, &settings(yaml)).err().unwrap();
        format!("{error}; {}", error.hint())
    };
    let mut wrong = equipment();
    wrong.shelf[4].colour = "navy".into();
    assert!(fault(&wrong, "{}").contains("`Harbour Navy` has the colour `navy`"));
    assert!(fault(&equipment(), "{must: [Harbour Nary]}").contains("`Harbour Nary`"));
    assert!(fault(&equipment(), "{material: NYLON}").contains("`NYLON`"));
    assert!(fault(&equipment(), "{must: [Harbour Navy, Engine Black]}").contains("cannot be printed together"));
    let many = "{must: [Harbour Navy, Signal Red, Anchor Black, Gull Grey, Rope Beige, Amber Skin]}";
    assert!(fault(&equipment(), many).contains("a part can have 5"));
    let mut bare = equipment();
    bare.shelf.clear();
    assert!(fault(&bare, "{}").contains("none of the 0 filaments"));
}

#[test]
fn a_colour_the_shelf_lacks_is_reported_with_its_place() {
    let violet = spaces::linear_of_bytes([0x6A, 0x2C, 0xC8]);
    let figure = whole(&|p| if p.z > 20.0 { violet } else { colour_of("Anchor Black") });
    let outcome = reduce(&figure, &settings("{even_light: 0}"));
    let finding = outcome.findings.iter().find(|f| f.hint.contains("to the shelf")).unwrap();
    assert!(finding.what.contains("purple of about #6A2CC") && finding.what.contains("cm2"), "{}", finding.what);
    assert!(finding.place.ends_with("of 200 mm"), "{}", finding.place);
}

#[test]
fn any_number_of_threads_gives_the_same_labels() {
    let figure = halves(RINGS / 3, &|p| crew(p).map(|c| c * (1.0 + 0.5 * noise(p * 3.0))));
    let on = |threads: usize| {
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap();
        pool.install(|| reduce(&figure, &settings("{for_each: part}")))
    };
    let (one, three) = (on(1), on(3));
    assert_eq!(one.figure, three.figure);
    assert_eq!(one.numbers, three.numbers);
}

#[test]
fn settings_are_checked_and_the_example_reads() {
    assert_eq!(ColourReduce::default().check(), []);
    let example = settings(ColourReduce::EXAMPLE);
    assert_eq!((example.check(), example.for_each), (vec![], ForEach::Figure));
    let wrong = settings(
        "{colours: 0, smoothing_mm: .nan, patch_min_mm2: -1, skin_weight: 0, face_weight: .inf, lightness_weight: 2, \
         even_light: -0.1, even_light_max: 0.5, must: [A], never: [A]}",
    );
    let named: Vec<String> = wrong.check().into_iter().map(|problem| problem.setting).collect();
    let expected = [
        "colours",
        "must",
        "never",
        "smoothing_mm",
        "patch_min_mm2",
        "skin_weight",
        "face_weight",
        "lightness_weight",
        "even_light",
        "even_light_max",
    ];
    assert_eq!(named, expected);
}

#[test]
fn the_workshop_of_the_demo_is_sound() {
    let shelf = shelf();
    let names: BTreeSet<&str> = shelf.iter().map(|f| f.name.as_str()).collect();
    assert!(names.len() == shelf.len() && shelf.len() >= 24);
    for filament in shelf {
        assert!(filament.srgb().is_some() && filament.nozzle_c[0] < filament.nozzle_c[1]);
        assert!(filament.bed_c[0] < filament.bed_c[1] && (0.9..1.4).contains(&filament.density_g_per_cm3));
    }
    let printers: Vec<Printer> = serde_yaml::from_str(PRINTERS).unwrap();
    assert_eq!(printers.iter().map(|p| p.tools).collect::<Vec<_>>(), [5, 4]);
}

#[test]
fn a_figure_without_parts_or_colour_does_no_harm() {
    let outcome = reduce(&Figure::default(), &ColourReduce::default());
    assert!(outcome.figure.parts.is_empty() && outcome.figure.palette.is_empty());
    let outcome = reduce(&whole(&|_| [0.5; 3]), &ColourReduce::default());
    assert_eq!((outcome.figure.palette.len(), outcome.patches(0).len()), (1, 1));
}

/// Where the plane n.p = d meets the ellipsoid: scaled to a ball it is a circle (elementary geometry), whose image is measured by
/// many chords.
fn ellipse_mm(n: DVec3, d: f64) -> f64 {
    let axes = DVec3::new(40.0, 40.0, 100.0);
    let scaled = n * axes;
    let (centre, radius) = (scaled * (d / scaled.length_squared()), (1.0 - d * d / scaled.length_squared()).sqrt());
    let (u, v) = scaled.normalize().any_orthonormal_pair();
    let at = |i: u32| {
        let (sin, cos) = (std::f64::consts::TAU * f64::from(i) / 10_000.0).sin_cos();
        (centre + radius * (u * cos + v * sin)) * axes
    };
    (0..10_000).map(|i| at(i).distance(at(i + 1))).sum()
}

#[test]
fn a_drawn_border_is_as_long_as_the_curve_it_follows_and_a_stepped_one_longer() {
    let (plane, d) = (DVec3::new(0.8, 0.3, 0.5).normalize(), 11.3);
    let figure = whole(&|p| colour_of(if plane.dot(p) > d { "Harbour Navy" } else { "Sailcloth White" }));
    let drawn = reduce(&figure, &settings("{even_light: 0, border_smooth_mm: 3}"));
    let stepped = reduce(&figure, &settings("{even_light: 0, border_smooth_mm: 0}"));
    let curve = ellipse_mm(plane, d);
    let [length, steps] = [&drawn, &stepped].map(|o| o.numbers["border_mm"] / curve);
    assert!((length - 1.0).abs() < 0.02, "{length}");
    assert!(steps > 1.1, "{steps}");
    let [rough, rough_steps] = [&drawn, &stepped].map(|o| o.numbers["border_roughness"]);
    assert!(rough < 1.03 && rough_steps > rough + 0.03, "{rough} {rough_steps}");
    // The line takes no area from either side.
    let [after, before] = [&drawn, &stepped].map(|o| o.areas(0)["Harbour Navy"]);
    assert!((after / before - 1.0).abs() < 0.01, "{after} {before}");
    let mesh = &drawn.figure.parts[0].mesh;
    let faults = inspect(mesh);
    assert!(faults.is_solid() && self_intersections(mesh).is_empty(), "{faults:?}");
    let [new, old] = [mesh, &figure.parts[0].mesh].map(|mesh| measure::volume_mm3(mesh));
    assert!((new / old - 1.0).abs() < 1e-6, "{new} {old}");
}

#[test]
fn borders_meet_over_joints() {
    let figure = halves(RINGS / 2, &|p| colour_of(if p.x + 0.3 * p.z > 5.0 { "Harbour Navy" } else { "Rope Beige" }));
    let outcome = reduce(&figure, &settings("{even_light: 0, border_smooth_mm: 3}"));
    // The label of each rim edge, by the places of its ends.
    let rim = |part: usize| {
        let (mesh, labels) = (&outcome.figure.parts[part].mesh, outcome.figure.parts[part].labels.as_ref().unwrap());
        let level = figure.joints[0].offset_mm;
        let mut rim = BTreeMap::new();
        for t in (0..labels.len()).filter(|t| mesh.origins[*t].is_outside()) {
            let corners = mesh.corners(t);
            for (p, q) in [(0, 1), (1, 2), (2, 0)].map(|(i, j)| (corners[i], corners[j])) {
                if p.z == level && q.z == level {
                    let mut ends = [p, q].map(|p| p.to_array().map(f64::to_bits));
                    ends.sort_unstable();
                    rim.insert(ends, labels[t]);
                }
            }
        }
        rim
    };
    assert_eq!(rim(0), rim(1));
    assert_eq!(rim(0).values().collect::<BTreeSet<_>>().len(), 2);
}

#[test]
fn a_spool_that_helps_little_is_spared() {
    // Two nearly like greys, each on a part of its own.
    let figure = halves(RINGS / 2, &|p| if p.z > 0.0 { colour_of("Gull Grey") } else { [0.33, 0.345, 0.345] });
    let sets = |yaml: &str| reduce(&figure, &settings(yaml)).figure.palette.len();
    assert_eq!(sets("{even_light: 0, for_each: part, spare_spool_de: 3}"), 1);
    let wanted = reduce(
        &whole(&|p| if p.z > 0.0 { [0.4, 0.02, 0.3] } else { colour_of("Gull Grey") }),
        &settings("{even_light: 0}"),
    );
    let finding = wanted.findings.iter().find(|f| f.what.contains("missed most")).unwrap();
    assert!(finding.what.contains("purple of about #"), "{}", finding.what);
    assert!(wanted.numbers["de_mean_with_1_more_filaments"] < 0.5, "{:?}", wanted.numbers);
}
