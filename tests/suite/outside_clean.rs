//! Stage `clean` on badly damaged scans of a body of known volume, judged by libraries that share no code with the program:
//! trimesh (closed, consistently wound, one body), libigl with CGAL's exact arithmetic (crossing triangles, distances)
//! and manifold3d (is it a solid, which volume).

use std::collections::{BTreeSet, HashSet};
use std::sync::{Arc, OnceLock};

use glam::DVec3;
use serde_json::{Value, json};
use statuary::figure::Figure;
use statuary::mesh::TriMesh;
use statuary::mesh::measure::volume_mm3;
use statuary::stages::clean::Clean;

use super::bodies::{Outcome, equipment, run};
use super::mannequin::mannequin;
use super::shapes::{cuboid, sphere, together, without};
use super::support::oracle;

const HEIGHT_MM: f64 = 1750.0;

/// What happens to a scan.
type Damage = fn(TriMesh) -> TriMesh;

/// Every damage, in the order in which the worst scan suffers them, and how far the mended surface may stray from the body:
/// noise and filled holes do, and elsewhere every vertex is on it.
const DAMAGES: [(&str, Damage, f64); 13] = [
    ("noise on the head", noisy_head, 1.6),
    ("no crown, armpits, soles", holed, 5.0),
    ("single triangles missing", punctured, 1e-9),
    ("T-junctions", t_junctions, 1e-9),
    ("fins", finned, 1e-9),
    ("faces said twice", doubled, 1e-9),
    ("faces without area", flat_faces, 1e-9),
    ("single triangles turned", turned, 1e-9),
    ("a turned patch", turned_patch, 1e-9),
    ("a hand seen twice", ghost, 1e-9),
    ("islands", islands, 1e-9),
    ("a strip of floor", floor_strip, 1e-9),
    ("soup", soup, 1e-9),
];

/// Evenly distributed from 0 to 1, by seed and index.
fn chance(seed: u64, index: usize) -> f64 {
    let hash = blake3::hash(&[seed.to_le_bytes(), (index as u64).to_le_bytes()].concat());
    f64::from(u32::from_le_bytes(hash.as_bytes()[..4].try_into().unwrap())) / 2.0_f64.powi(32)
}

fn body() -> &'static TriMesh {
    static BODY: OnceLock<TriMesh> = OnceLock::new();
    BODY.get_or_init(|| mannequin(HEIGHT_MM, 140))
}

fn middle(mesh: &TriMesh, t: usize) -> DVec3 {
    mesh.corners(t).iter().sum::<DVec3>() / 3.0
}

fn at(x: f64, y: f64, z: f64) -> DVec3 {
    DVec3::new(x, y, z) * HEIGHT_MM
}

/// Adds triangles, as skin.
fn add(mesh: &mut TriMesh, triangles: Vec<[u32; 3]>) {
    let origin = mesh.origins[0];
    mesh.triangles.extend(triangles);
    mesh.origins.resize(mesh.triangles.len(), origin);
}

fn add_vertex(mesh: &mut TriMesh, p: DVec3) -> u32 {
    mesh.positions.push(p);
    mesh.colours.push([0.5; 3]);
    mesh.positions.len() as u32 - 1
}

/// A new vertex a step off the middle of an edge.
fn add_middle(mesh: &mut TriMesh, a: u32, b: u32, step: DVec3) -> u32 {
    let middle = (mesh.positions[a as usize] + mesh.positions[b as usize]) / 2.0;
    add_vertex(mesh, middle + step)
}

/// About one triangle of this many.
fn some(mesh: &TriMesh, seed: u64, of: f64) -> Vec<usize> {
    (0..mesh.triangles.len()).filter(|t| chance(seed, *t) * of < 1.0).collect()
}

fn noisy_head(mut mesh: TriMesh) -> TriMesh {
    for (i, p) in mesh.positions.iter_mut().enumerate().filter(|(_, p)| p.z > 0.87 * HEIGHT_MM) {
        let outwards = (*p - at(0.0, -0.015, 0.93)).normalize();
        *p += 3.0 * (chance(1, i) - 0.5) * outwards;
    }
    mesh
}

fn holed(mesh: TriMesh) -> TriMesh {
    let holes = [(at(0.0, -0.015, 1.0), 50.0), (at(0.125, 0.0, 0.74), 60.0), (at(-0.125, 0.0, 0.74), 45.0)];
    without(mesh, |c| c.z < 1.0 || holes.iter().any(|(hole, radius)| c.distance(*hole) < *radius))
}

fn punctured(mesh: TriMesh) -> TriMesh {
    let gone: BTreeSet<usize> = some(&mesh, 2, 150.0).into_iter().collect();
    let (mut left, mut t) = (mesh, 0..);
    left.triangles.retain(|_| !gone.contains(&t.next().unwrap()));
    left.origins.truncate(left.triangles.len());
    left
}

/// A new vertex on an edge of one of its two triangles only.
fn t_junctions(mut mesh: TriMesh) -> TriMesh {
    for t in some(&mesh, 3, 150.0) {
        let [a, b, c] = mesh.triangles[t];
        let m = add_middle(&mut mesh, a, b, DVec3::ZERO);
        mesh.triangles[t] = [a, m, c];
        add(&mut mesh, vec![[m, b, c]]);
    }
    mesh
}

/// A third triangle on an edge, sticking out.
fn finned(mut mesh: TriMesh) -> TriMesh {
    for t in some(&mesh, 4, 400.0) {
        let ([a, b, _], outwards) = (mesh.triangles[t], mesh.area_vector(t).normalize());
        let tip = add_middle(&mut mesh, a, b, 15.0 * outwards);
        add(&mut mesh, vec![[a, b, tip]]);
    }
    mesh
}

/// As it is, turned over, and named from another corner.
fn doubled(mut mesh: TriMesh) -> TriMesh {
    let again = some(&mesh, 5, 100.0).into_iter().map(|t| {
        let [a, b, c] = mesh.triangles[t];
        [[a, b, c], [b, a, c], [c, a, b]][t % 3]
    });
    let again = again.collect();
    add(&mut mesh, again);
    mesh
}

/// Triangles of one vertex, of two, and of three on a line.
fn flat_faces(mut mesh: TriMesh) -> TriMesh {
    for t in some(&mesh, 6, 300.0) {
        let [a, b, _] = mesh.triangles[t];
        let m = add_middle(&mut mesh, a, b, DVec3::ZERO);
        add(&mut mesh, vec![[[a, a, a], [a, b, b], [a, b, m]][t % 3]]);
    }
    mesh
}

fn turned(mut mesh: TriMesh) -> TriMesh {
    for t in some(&mesh, 7, 30.0) {
        mesh.triangles[t].swap(0, 1);
    }
    mesh
}

fn turned_patch(mut mesh: TriMesh) -> TriMesh {
    let chest = at(0.0, -0.07, 0.76);
    for t in (0..mesh.triangles.len()).filter(|t| middle(&mesh, *t).distance(chest) < 110.0).collect::<Vec<_>>() {
        mesh.triangles[t].swap(1, 2);
    }
    mesh
}

/// One hand once more, 4 mm beside, as when the subject moved between two passes.
fn ghost(mesh: TriMesh) -> TriMesh {
    let mut hand = without(mesh.clone(), |c| c.z > 0.58 * HEIGHT_MM || c.x < 0.19 * HEIGHT_MM);
    hand.positions.iter_mut().for_each(|p| *p += DVec3::new(2.4, -3.2, 0.0));
    together(mesh, &hand)
}

fn islands(mesh: TriMesh) -> TriMesh {
    (0..40).fold(mesh, |mesh, i| {
        let low = at(chance(8, 4 * i) - 0.5, 0.25 + 0.1 * chance(8, 4 * i + 1), chance(8, 4 * i + 2));
        together(mesh, &cuboid(low, low + DVec3::splat(2.0 + 12.0 * chance(8, 4 * i + 3))))
    })
}

fn floor_strip(mesh: TriMesh) -> TriMesh {
    let (columns, rows) = (30, 12);
    let points = (0..rows * columns).map(|i| {
        let bump = 1.5 * chance(9, i);
        DVec3::new(14.0 * (i % columns) as f64 - 210.0, 14.0 * (i / columns) as f64 + 60.0, bump - 2.0)
    });
    let squares = (0..(rows - 1) * columns).filter(|i| i % columns + 1 < columns).map(|i| i as u32);
    let n = columns as u32;
    let faces = squares.flat_map(|i| [[i, i + 1, i + n + 1], [i, i + n + 1, i + n]]).collect();
    together(mesh, &TriMesh::from_shape(points.collect(), faces))
}

/// Every triangle with vertices of its own.
fn soup(mesh: TriMesh) -> TriMesh {
    let corners: Vec<usize> = mesh.triangles.iter().flatten().map(|v| *v as usize).collect();
    TriMesh {
        positions: corners.iter().map(|v| mesh.positions[*v]).collect(),
        colours: corners.iter().map(|v| mesh.colours[*v]).collect(),
        triangles: (0..mesh.triangles.len() as u32).map(|t| [3 * t, 3 * t + 1, 3 * t + 2]).collect(),
        origins: mesh.origins,
    }
}

/// Which triangles of the body a scan still has, whichever way round.
fn intact(scan: &TriMesh) -> Vec<bool> {
    let named = |mesh: &TriMesh, t: usize| {
        let mut corners = mesh.corners(t).map(|p| p.to_array().map(f64::to_bits));
        corners.sort_unstable();
        corners
    };
    let there: HashSet<_> = (0..scan.triangles.len()).map(|t| named(scan, t)).collect();
    (0..body().triangles.len()).map(|t| there.contains(&named(body(), t))).collect()
}

fn as_json(mesh: &TriMesh) -> Value {
    let positions: Vec<[f64; 3]> = mesh.positions.iter().map(DVec3::to_array).collect();
    json!({ "positions": positions, "triangles": mesh.triangles })
}

/// What the libraries find, and what the stage says.
struct Judged {
    seen: Value,
    told: Outcome,
}

impl Judged {
    fn number(&self, name: &str) -> f64 {
        self.seen[name].as_f64().unwrap_or_else(|| panic!("no number `{name}` in {}", self.seen))
    }
}

/// Cleans a scan without denoising, and lets the libraries judge it against what every result must be.
fn judged(what: &str, scan: &TriMesh) -> Judged {
    let settings = Clean { denoise: 0.0, ..Clean::default() };
    let figure = Figure { scan_mesh: Arc::new(scan.clone()), ..Figure::default() };
    let told = run(&settings, &figure, &equipment()).unwrap_or_else(|error| panic!("{what}: {error}"));
    // Back from where it stands to where it was scanned.
    let mut solid = told.figure.whole.as_ref().clone();
    solid.positions.iter_mut().for_each(|p| p.z -= told.number("floor_shift_mm"));
    let question = json!({ "body": as_json(body()), "intact": intact(scan), "solid": as_json(&solid) });
    let judged = Judged { seen: oracle::ask(&["mended"], &question.to_string()), told };
    let seen = &judged.seen;
    assert!(seen["watertight"] == true && seen["wound"] == true && seen["bodies"] == 1, "{what}: {seen}");
    assert!(seen["crossings"] == 0, "{what}: {seen}");
    assert_eq!(judged.number("euler"), 2.0, "{what}: a person has no hole through him");
    let own = volume_mm3(judged.told.figure.whole.as_ref());
    assert!((own / judged.number("volume") - 1.0).abs() < 1e-6, "{what}: {own}, {seen}");
    assert!((own / judged.number("manifold_volume") - 1.0).abs() < 1e-6, "{what}: {own}, {seen}");
    judged
}

/// The mended surface is the scanned one wherever that is whole, and its volume that of the body.
fn assert_true_to_scan(what: &str, judged: &Judged) {
    let share = judged.number("manifold_volume") / judged.number("body_volume") - 1.0;
    assert!(share.abs() < 0.005, "{what}: volume off by {share}");
    let [most, nearly_all] = ["distance_95", "distance_99_5"].map(|name| judged.number(name));
    assert!(most < 0.3 && nearly_all < 1.0, "{what}: {}", judged.seen);
}

#[test]
fn every_damage_alone_is_mended() {
    for (what, damage, stray_mm) in DAMAGES {
        let judged = judged(what, &damage(body().clone()));
        assert_true_to_scan(what, &judged);
        assert!(judged.number("stray_max") < stray_mm, "{what}: {}", judged.seen);
        assert_eq!(judged.told.number("wrapped"), 0.0, "{what}");
    }
}

/// A fin beside a missing triangle may be taken for skin, hence the few vertices left out.
#[test]
fn all_damages_at_once_are_mended() {
    let scan = DAMAGES.iter().fold(body().clone(), |scan, (_, damage, _)| damage(scan));
    let judged = judged("all damages", &scan);
    assert_true_to_scan("all damages", &judged);
    assert!(judged.number("stray_99_5") < 1.6, "{}", judged.seen);
    assert_eq!(judged.told.number("wrapped"), 0.0);
}

/// Three balls in a row, joined where they overlap, judged by the libraries: 3 V less two lenses of
/// pi (4 r + d) (2 r - d)^2 / 12 each.
#[test]
fn pieces_that_cross_are_joined_without_a_fault() {
    let (r, d) = (100.0, 150.0);
    let ball = sphere(DVec3::new(1.0, 2.0, 100.0), r, 5);
    let others = [1.0, 2.0].map(|i| sphere(DVec3::new(4.0, 2.0, 100.0 + i * d), r, 5));
    let scan = together(together(ball.clone(), &others[0]), &others[1]);
    let settings = Clean { denoise: 0.0, ..Clean::default() };
    let figure = Figure { scan_mesh: Arc::new(scan), ..Figure::default() };
    let told = run(&settings, &figure, &equipment()).unwrap();
    assert!(told.number("wrapped") == 0.0 && told.number("wrapped_share") < 0.15);
    let every = vec![true; ball.triangles.len()];
    let solid = as_json(told.figure.whole.as_ref());
    let question = json!({ "body": as_json(&ball), "intact": every, "solid": solid }).to_string();
    let seen = oracle::ask(&["mended"], &question);
    assert!(seen["watertight"] == true && seen["wound"] == true && seen["bodies"] == 1, "{seen}");
    assert!(seen["crossings"] == 0 && seen["euler"] == 2, "{seen}");
    let lens = std::f64::consts::PI * (4.0 * r + d) * (2.0 * r - d) * (2.0 * r - d) / 12.0;
    let share = seen["manifold_volume"].as_f64().unwrap() / (3.0 * volume_mm3(&ball) - 2.0 * lens);
    // The flat sole takes up to 0.6 %.
    assert!((share - 1.0).abs() < 0.01, "{share}");
}

/// The libraries must see faults where there are some, or their praise is worth nothing.
#[test]
fn the_judges_see_faults() {
    let low = DVec3::ZERO;
    let crossing = together(cuboid(low, DVec3::splat(2.0)), &cuboid(DVec3::splat(1.1), DVec3::splat(3.0)));
    let every = vec![true; 12];
    let cube = as_json(&cuboid(low, DVec3::splat(2.0)));
    let seen =
        oracle::ask(&["mended"], &json!({ "body": cube, "intact": every, "solid": as_json(&crossing) }).to_string());
    assert!(seen["crossings"].as_u64().unwrap() > 0 && seen["bodies"] == 2 && seen["watertight"] == true, "{seen}");
    let open = without(cuboid(low, DVec3::splat(2.0)), |c| c.z > 1.9);
    let seen = oracle::ask(&["mended"], &json!({ "body": cube, "intact": every, "solid": as_json(&open) }).to_string());
    assert!(seen["watertight"] == false && seen["manifold_volume"].is_null() && seen["crossings"] == 0, "{seen}");
    assert!(seen["distance_99_5"].as_f64().unwrap() > 0.5, "{seen}");
}
