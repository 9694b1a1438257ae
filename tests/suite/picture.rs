//! Pictures against geometry worked out another way, hostile meshes, and the same bytes on any number of threads.

use glam::{DVec2, DVec3};
use statuary::mesh::TriMesh;
use statuary::picture::annotate::{Align, Lettering, Pen, spread_labels, text_width_px};
use statuary::picture::raster::{NOTHING, Projected, STEP, place, visible};
use statuary::picture::{Bed, Camera, Colouring, Image, Item, Lens, Placement, Scene, Shape, Style, View, draw};

/// A sphere of rings and sectors.
pub fn sphere(centre: DVec3, radius_mm: f64, rings: u32) -> TriMesh {
    let sectors = 2 * rings;
    let mut positions = vec![centre + DVec3::Z * radius_mm];
    for ring in 1..rings {
        let polar = std::f64::consts::PI * f64::from(ring) / f64::from(rings);
        for sector in 0..sectors {
            let turn = std::f64::consts::TAU * f64::from(sector) / f64::from(sectors);
            let flat = DVec2::from_angle(turn) * polar.sin();
            positions.push(centre + DVec3::new(flat.x, flat.y, polar.cos()) * radius_mm);
        }
    }
    positions.push(centre - DVec3::Z * radius_mm);
    let at = |ring: u32, sector: u32| 1 + (ring - 1) * sectors + sector % sectors;
    let last = positions.len() as u32 - 1;
    let mut triangles = Vec::new();
    for sector in 0..sectors {
        triangles.push([0, at(1, sector), at(1, sector + 1)]);
        triangles.push([last, at(rings - 1, sector + 1), at(rings - 1, sector)]);
        for ring in 1..rings - 1 {
            let [a, b] = [at(ring, sector), at(ring, sector + 1)];
            let [c, d] = [at(ring + 1, sector), at(ring + 1, sector + 1)];
            triangles.extend([[a, c, b], [b, c, d]]);
        }
    }
    TriMesh::from_shape(positions, triangles)
}

fn item<'a>(shape: &'a Shape<'a>, colouring: Colouring<'a>) -> Item<'a> {
    Item { shape, colouring, place: Placement::IDENTITY, two_sided: false }
}

fn scene(items: Vec<Item<'_>>, camera: Camera, size: [usize; 2]) -> Scene<'_> {
    Scene { items, camera, size, style: Style::default(), focus: None }
}

fn level(lens: Lens) -> Camera {
    Camera { elevation_deg: 0.0, lens, ..Camera::front() }
}

#[test]
fn a_sphere_covers_the_disc_it_should() {
    let mesh = sphere(DVec3::new(5.0, -3.0, 8.0), 10.0, 90);
    let shape = Shape::new(&mesh);
    let camera = Camera { margin: 0.1, ..level(Lens::Orthographic) };
    let view = View::fit(&camera, [200, 200], || mesh.positions.iter().copied());
    let items = [item(&shape, Colouring::Vertex)];
    let samples = visible(&items, &Projected::new(&items, &view, 2), 400, 400);
    let seen = samples.triangle.iter().filter(|t| **t != NOTHING).count();
    // The picture is 200 pixels wide with 20 at either rim, so the radius is 80 pixels: 160 samples.
    let disc = std::f64::consts::PI * 160.0 * 160.0;
    assert!((seen as f64 / disc - 1.0).abs() < 0.002, "{seen} samples, a disc has {disc:.0}");
}

/// Pseudo-random numbers from 0 to 1 (a linear congruential generator, Knuth's constants from memory).
fn random(state: &mut u64) -> f64 {
    *state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
    (*state >> 11) as f64 / (1u64 << 53) as f64
}

#[test]
fn the_nearest_triangle_is_found_as_by_asking_every_one() {
    let mut state = 7;
    let mut point = || DVec3::new(random(&mut state), random(&mut state), random(&mut state)) * 100.0;
    let positions: Vec<DVec3> = (0..60).map(|_| point()).collect();
    let triangles: Vec<[u32; 3]> = (0..20).map(|t| [3 * t, 3 * t + 1, 3 * t + 2]).collect();
    let mesh = TriMesh::from_shape(positions, triangles);
    let shape = Shape::new(&mesh);
    for lens in [Lens::Orthographic, Lens::Perspective { radii: 3.0 }] {
        let view = View::fit(&level(lens), [60, 60], || mesh.positions.iter().copied());
        let items = [Item { two_sided: true, ..item(&shape, Colouring::Vertex) }];
        let samples = visible(&items, &Projected::new(&items, &view, 2), 120, 120);
        let (mut same, mut other) = (0, 0);
        for (y, x) in (0..120).flat_map(|y| (0..120).map(move |x| (y, x))) {
            let (px, py) = place(x, y);
            let (start, along) = view.ray(px as f64 / (2 * STEP) as f64, py as f64 / (2 * STEP) as f64);
            let hit = |t: usize| ray_hit(start, along, mesh.corners(t)).map(|ahead| (ahead, t as u32));
            let nearest = (0..20).filter_map(hit).min_by(|a, b| a.0.total_cmp(&b.0)).map_or(NOTHING, |(_, t)| t);
            if samples.triangle[y * 120 + x] == nearest { same += 1 } else { other += 1 }
        }
        // Corners are rounded to 1/64 of a sample, which moves a few samples that lie on an edge.
        assert!(other * 200 < same, "{lens:?}: {other} of {} samples differ", same + other);
    }
}

/// Distance along a ray to a triangle, by its plane and three same-side tests.
fn ray_hit(start: DVec3, along: DVec3, [a, b, c]: [DVec3; 3]) -> Option<f64> {
    let normal = (b - a).cross(c - a);
    let ahead = (a - start).dot(normal) / along.dot(normal);
    let p = start + along * ahead;
    let inner = |a: DVec3, b: DVec3| (b - a).cross(p - a).dot(normal) >= 0.0;
    (ahead > 0.0 && inner(a, b) && inner(b, c) && inner(c, a)).then_some(ahead)
}

#[test]
fn a_tilted_sheet_of_small_triangles_has_no_gap() {
    let n = 160_u32;
    let point = |i: u32| {
        let (x, z) = (f64::from(i % n), f64::from(i / n));
        DVec3::new(x + 0.3 * z, 0.37 * x + 0.11 * z, z)
    };
    let cell = |i: u32| [[i, i + 1, i + n + 1], [i, i + n + 1, i + n]];
    let cells = (0..n * (n - 1)).filter(|i| i % n != n - 1);
    let mesh = TriMesh::from_shape((0..n * n).map(point).collect(), cells.flat_map(cell).collect());
    let shape = Shape::new(&mesh);
    let view = View::fit(&Camera::front(), [150, 150], || mesh.positions.iter().copied());
    let items = [item(&shape, Colouring::Vertex)];
    let samples = visible(&items, &Projected::new(&items, &view, 2), 300, 300);
    let seen = |x: usize, y: usize| samples.triangle[y * 300 + x] != NOTHING;
    // Rows and columns are staggered, so neighbours two away tell whether a sample lies inside.
    let inside = |x: usize, y: usize| seen(x - 2, y) && seen(x + 2, y) && seen(x, y - 2) && seen(x, y + 2);
    let gaps = (2..298).flat_map(|y| (2..298).map(move |x| (x, y))).filter(|(x, y)| inside(*x, *y) && !seen(*x, *y));
    assert_eq!(gaps.count(), 0);
    assert!(samples.triangle.iter().filter(|t| **t != NOTHING).count() > 30_000);
}

#[test]
fn a_surface_that_faces_the_camera_shows_its_own_colour() {
    let corners = [[0.0, 0.0, 0.0], [10.0, 0.0, 0.0], [10.0, 0.0, 10.0], [0.0, 0.0, 10.0]].map(DVec3::from);
    let mesh = TriMesh::from_shape(corners.to_vec(), vec![[0, 1, 2], [0, 2, 3]]);
    let shape = Shape::new(&mesh);
    for srgb in [[0xc9, 0x96, 0x78], [0x1e, 0x35, 0x70], [0x80, 0x80, 0x80]] {
        let flat = Colouring::Flat(statuary::colour::spaces::linear_of_bytes(srgb));
        let image = draw(&scene(vec![item(&shape, flat)], level(Lens::Orthographic), [60, 60])).image;
        let middle = &image.rgb[3 * (30 * 60 + 30)..][..3];
        for (shown, own) in middle.iter().zip(srgb) {
            let off = i32::from(*shown) - i32::from(own);
            assert!(off.abs() <= 16, "{middle:?} for {srgb:?}");
        }
    }
}

#[test]
fn each_item_is_anchored_on_itself_and_keeps_its_colour() {
    let meshes = [sphere(DVec3::new(-20.0, 0.0, 0.0), 10.0, 24), sphere(DVec3::new(20.0, 0.0, 0.0), 10.0, 24)];
    let shapes = meshes.each_ref().map(Shape::new);
    let labels = [vec![0_u8; meshes[0].triangles.len()], vec![1_u8; meshes[1].triangles.len()]];
    let palette = [[0.6, 0.02, 0.02], [0.02, 0.02, 0.6]];
    let colouring = |i: usize| Colouring::Labels { labels: &labels[i], palette: &palette };
    let items = vec![item(&shapes[0], colouring(0)), item(&shapes[1], colouring(1))];
    let drawn = draw(&scene(items, Camera::front(), [200, 120]));
    for (anchor, strong) in drawn.anchors.iter().zip([0, 2]) {
        let [x, y] = anchor.expect("both are seen");
        let pixel = &drawn.image.rgb[3 * (y as usize * 200 + x as usize)..][..3];
        assert!(pixel[strong] > 2 * pixel[2 - strong], "{pixel:?} at {x} {y}");
    }
    assert!(drawn.anchors[0] < drawn.anchors[1], "the first lies to the left");
}

fn bytes_on(threads: usize) -> Vec<u8> {
    let mesh = sphere(DVec3::new(0.0, 0.0, 30.0), 30.0, 200);
    let shape = Shape::new(&mesh);
    let mut scene = scene(vec![item(&shape, Colouring::Vertex)], Camera::three_quarter(), [240, 300]);
    scene.style.floor_mm = Some(0.0);
    scene.style.bed = Some(Bed { low_mm: [-60.0; 2], high_mm: [60.0; 2], tick_mm: 20.0 });
    let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap();
    pool.install(|| draw(&scene).image.png().unwrap())
}

#[test]
fn a_picture_has_the_same_bytes_on_any_number_of_threads() {
    let one = bytes_on(1);
    assert_eq!(one, bytes_on(2));
    assert_eq!(one, bytes_on(5));
}

#[test]
fn a_png_holds_the_pixels() {
    let mut image = Image::filled(7, 5, [10, 20, 30]);
    Pen::on(&mut image).disc([3.0, 2.0], 1.5, [250, 0, 0]);
    let back = image::load_from_memory(&image.png().unwrap()).unwrap().to_rgb8();
    assert_eq!((back.width(), back.height(), back.as_raw().as_slice()), (7, 5, image.rgb.as_slice()));
    let jpeg = image::load_from_memory(&image.jpeg(90).unwrap()).unwrap();
    assert_eq!((jpeg.width(), jpeg.height()), (7, 5));
    assert!(Image::filled(0, 5, [0; 3]).png().is_err());
}

#[test]
fn hostile_meshes_are_drawn_without_harm() {
    let mut broken = sphere(DVec3::ZERO, 10.0, 12);
    broken.positions[3] = DVec3::NAN;
    broken.positions[4] = DVec3::new(f64::INFINITY, 0.0, 0.0);
    broken.positions[5] = DVec3::splat(1e300);
    let mut dangling = sphere(DVec3::ZERO, 10.0, 12);
    dangling.triangles[0] = [0, 1, u32::MAX];
    let mut short = sphere(DVec3::ZERO, 10.0, 12);
    short.colours.truncate(3);
    short.origins.clear();
    for mesh in [broken, dangling, short, TriMesh::default()] {
        let shape = Shape::new(&mesh);
        let few = Colouring::Labels { labels: &[9, 0], palette: &[[0.5; 3]] };
        for colouring in [Colouring::Vertex, few] {
            let mut scene = scene(vec![item(&shape, colouring)], Camera::front(), [40, 50]);
            scene.style.floor_mm = Some(-10.0);
            assert_eq!(draw(&scene).image.rgb.len(), 40 * 50 * 3);
        }
    }
    assert!(draw(&scene(Vec::new(), Camera::front(), [0, 0])).image.rgb.is_empty());
}

#[test]
fn what_lies_outside_the_focus_does_not_shrink_the_subject() {
    let mut mesh = sphere(DVec3::ZERO, 10.0, 24);
    let stray = mesh.positions.len() as u32;
    mesh.positions.extend([DVec3::X * 900.0, DVec3::X * 901.0, DVec3::new(900.0, 0.0, 1.0)]);
    mesh.colours.extend([[0.5; 3]; 3]);
    mesh.triangles.push([stray, stray + 1, stray + 2]);
    mesh.origins.push(statuary::mesh::Origin::Skin);
    let shape = Shape::new(&mesh);
    let mut scene = scene(vec![item(&shape, Colouring::Flat([0.02; 3]))], Camera::front(), [100, 100]);
    let dark = |scene: &Scene<'_>| draw(scene).image.rgb.chunks(3).filter(|p| p[0] < 100).count();
    let lost = dark(&scene);
    scene.focus = Some([DVec3::splat(-20.0), DVec3::splat(20.0)]);
    assert!(dark(&scene) > 100 * lost.max(1), "{lost} then {}", dark(&scene));
}

#[test]
fn text_is_as_wide_as_it_says_and_blends_smoothly() {
    let mut image = Image::filled(300, 60, [255; 3]);
    let lettering = Lettering::of(24.0, Align::Left);
    Pen::on(&mut image).text([20.0, 45.0], "250 mm", lettering, [0; 3]);
    let inked: Vec<usize> = (0..300).filter(|x| (0..60).any(|y| image.rgb[3 * (y * 300 + x)] < 128)).collect();
    let width = inked[inked.len() - 1] - inked[0];
    assert!((width as f64 - text_width_px("250 mm", 24.0) - lettering.pen_px).abs() < 3.0, "{width}");
    assert!(image.rgb.iter().any(|b| (100..200).contains(b)), "edges are smooth");
}

#[test]
fn labels_keep_their_order_and_distance() {
    let wished = [50.0, 52.0, 10.0, 51.0, 98.0];
    let placed = spread_labels(&wished, 10.0, 5.0, 95.0);
    let mut order: Vec<usize> = (0..5).collect();
    order.sort_by(|a, b| placed[*a].total_cmp(&placed[*b]));
    assert_eq!(order, [2, 0, 3, 1, 4]);
    assert!(order.windows(2).all(|w| placed[w[1]] - placed[w[0]] >= 10.0 - 1e-9), "{placed:?}");
    assert!(placed.iter().all(|y| (5.0..=95.0).contains(y)), "{placed:?}");
    assert!((placed[3] - 51.0).abs() < 1e-9, "the middle one of three stays: {placed:?}");
}
