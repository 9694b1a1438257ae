//! Colours of chips in scans the test made: on a table, apart, turned, noisy, in shadow, with holes.

use std::fmt::Write;
use std::path::{Path, PathBuf};
use std::process::Output;

use glam::{DMat3, DVec3};
use statuary::colour::difference::ciede2000;
use statuary::colour::spaces::{Linear, bytes_of_linear, lab_of_bytes, linear_of_bytes, parse_hex};
use statuary::pipeline::equipment_files::Workbench;

use super::support::{folder, statuary, stderr, text, workshop};

/// A number between -0.5 and 0.5 that looks like chance.
fn chance(seed: u64) -> f64 {
    let mixed = (seed + 1).wrapping_mul(0x9E37_79B9_7F4A_7C15);
    let mixed = (mixed ^ (mixed >> 29)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
    ((mixed ^ (mixed >> 32)) >> 11) as f64 / (1_u64 << 53) as f64 - 0.5
}

/// Filaments of the demo shelf, and the colours they were printed in: not quite those on the shelf.
const PRINTED: [(&str, &str); 6] = [
    ("Sailcloth White", "#DFDDD2"),
    ("Signal Red", "#B8262E"),
    ("Harbour Navy", "#1D2B4C"),
    ("Gull Grey", "#9DA2A4"),
    ("Anchor Black", "#1F1E1F"),
    ("Rope Beige", "#C9B28A"),
];

/// What a scan is made of.
struct Scene {
    /// sRGB of the chips, row by row from the farthest.
    chips: Vec<[u8; 3]>,
    columns: usize,
    /// A table under them.
    table: bool,
    /// Light everywhere, by channel.
    light: [f64; 3],
    /// Height and colour noise from end to end, mm and linear light.
    noise: [f64; 2],
    turn: DMat3,
    unit_mm: f64,
    /// Between points, mm.
    step: f64,
    /// A soft shadow over the right of every chip instead of hard ones.
    soft: bool,
}

const SIDE: f64 = 30.0;
const APART: f64 = 45.0;

impl Scene {
    fn of(chips: &[&str]) -> Self {
        Self {
            chips: chips.iter().map(|hex| parse_hex(hex).unwrap()).collect(),
            columns: 3,
            table: true,
            light: [1.0; 3],
            noise: [0.2, 0.04],
            turn: DMat3::IDENTITY,
            unit_mm: 1.0,
            step: 0.8,
            soft: false,
        }
    }

    fn printed() -> Self {
        Self::of(&PRINTED.map(|(_, hex)| hex))
    }

    /// Height and light of a place; none where nothing was scanned.
    fn at(&self, x: f64, y: f64, seed: u64) -> Option<(f64, Linear)> {
        let (column, row) = ((x / APART).floor(), (y / APART).floor());
        let (u, v) = (x - APART * column, y - APART * row);
        let rows = self.chips.len().div_ceil(self.columns);
        let i = (rows as f64 - 1.0 - row) * self.columns as f64 + column;
        let on_chip = u < SIDE && v < SIDE && column >= 0.0 && (column as usize) < self.columns && row >= 0.0;
        let chip = self.chips.get(i as usize).filter(|_| on_chip && i >= 0.0);
        let bright = chance(seed);
        let (height, light, shade) = match chip {
            Some(chip) => {
                // A hole, a speck of glue, the shadow of a rim, and one corner in deep shade.
                if (u - 8.0).hypot(v - 9.0) < 2.5 {
                    return None;
                }
                let speck = (u - 20.0).hypot(v - 22.0) < 2.0;
                let soft = 1.0 - 0.4 * ((u - 18.0) / 10.0).clamp(0.0, 1.0);
                let hard = (1.0 - 0.5 * (1.0 - u / 7.0).max(0.0)) * if u + v > 50.0 { 0.5 } else { 1.0 };
                let shade = if self.soft { soft } else { hard };
                (3.0, if speck { [0.9, 0.9, 0.2] } else { linear_of_bytes(*chip) }, shade)
            }
            None if self.table => (0.0, [0.35, 0.22, 0.13], 1.0),
            None => return None,
        };
        let lit = [0, 1, 2].map(|k| {
            let noise = self.noise[1] * chance(seed.wrapping_mul(7) + k as u64);
            (f64::from(light[k]) * self.light[k] * shade * (1.0 + 0.05 * bright) + 0.25 * noise).clamp(0.0, 1.0) as f32
        });
        Some((height + self.noise[0] * chance(seed.wrapping_mul(13)), lit))
    }

    /// The scan as PLY text.
    fn ply(&self) -> String {
        let step = self.step;
        let rows = self.chips.len().div_ceil(self.columns);
        let margin = 15.0;
        let [width, depth] = [self.columns, rows].map(|n| ((n as f64 * APART + 2.0 * margin) / step) as usize);
        let mut ids = vec![None; width * depth];
        let (mut points, mut faces, mut count) = (String::new(), String::new(), 0);
        for j in 0..depth {
            for i in 0..width {
                let (x, y) = (i as f64 * step - margin, j as f64 * step - margin);
                let Some((z, light)) = self.at(x, y, (j * width + i) as u64) else { continue };
                let p = self.turn * DVec3::new(x, y, z) / self.unit_mm;
                let [r, g, b] = bytes_of_linear(light);
                writeln!(points, "{:.6} {:.6} {:.6} {r} {g} {b}", p.x, p.y, p.z).unwrap();
                ids[j * width + i] = Some(count);
                count += 1;
            }
        }
        let mut triangles = 0;
        for (j, i) in (0..depth - 1).flat_map(|j| (0..width - 1).map(move |i| (j, i))) {
            let corner = |i: usize, j: usize| ids[j * width + i];
            let corners = [corner(i, j), corner(i + 1, j), corner(i + 1, j + 1), corner(i, j + 1)];
            if let [Some(a), Some(b), Some(c), Some(d)] = corners {
                writeln!(faces, "3 {a} {b} {c}\n3 {a} {c} {d}").unwrap();
                triangles += 2;
            }
        }
        format!(
            "ply\nformat ascii 1.0\nelement vertex {count}\nproperty float x\nproperty float y\nproperty float z\n\
             property uchar red\nproperty uchar green\nproperty uchar blue\nelement face {triangles}\n\
             property list uchar int vertex_indices\nend_header\n{points}{faces}"
        )
    }

    fn scan(&self, folder: &Path) -> PathBuf {
        let path = folder.join("chips.ply");
        std::fs::write(&path, self.ply()).unwrap();
        path
    }
}

fn swatch(scan: &Path, more: &[&str]) -> Output {
    statuary(&[&["swatch", &text(scan), "--json"], more].concat())
}

fn found(output: &Output) -> serde_json::Value {
    assert!(output.status.success(), "{}", stderr(output));
    serde_json::from_slice(&output.stdout).unwrap()
}

/// Largest CIEDE2000 between the colours found and those printed.
fn worst(found: &serde_json::Value, printed: &[&str]) -> f64 {
    let chips = found["chips"].as_array().unwrap();
    assert_eq!(chips.len(), printed.len(), "{found}");
    let off = chips.iter().zip(printed).map(|(chip, hex)| {
        let lab = |hex: &str| lab_of_bytes(parse_hex(hex).unwrap());
        ciede2000(lab(chip["colour"].as_str().unwrap()), lab(hex))
    });
    off.fold(0.0, f64::max)
}

fn names(found: &serde_json::Value) -> Vec<&str> {
    found["chips"].as_array().unwrap().iter().map(|c| c["filament"]["name"].as_str().unwrap_or("-")).collect()
}

#[test]
fn chips_are_read_through_noise_shade_specks_and_holes() {
    let folder = folder();
    let scan = Scene::printed().scan(folder.path());
    let found = found(&swatch(&scan, &[]));
    assert!(worst(&found, &PRINTED.map(|(_, hex)| hex)) < 1.5, "{found:#}");
    for (i, chip) in found["chips"].as_array().unwrap().iter().enumerate() {
        assert_eq!((chip["row"].as_u64(), chip["column"].as_u64()), (Some(i as u64 / 3 + 1), Some(i as u64 % 3 + 1)));
        let place = |axis: usize| chip["place_mm"][axis].as_f64().unwrap();
        let wanted = [APART * (i as f64 % 3.0 - 1.0), APART * if i < 3 { 0.5 } else { -0.5 }];
        assert!((place(0) - wanted[0]).abs() < 1.5 && (place(1) - wanted[1]).abs() < 1.5, "{chip}");
        let size = |side: usize| chip["size_mm"][side].as_f64().unwrap();
        assert!((size(0) - SIDE).abs() < 2.5 && (size(1) - SIDE).abs() < 2.5, "{chip}");
        // In dark chips the shade is hardly darker than their noise.
        if chip["lab"][0].as_f64().unwrap() > 30.0 {
            assert!(chip["left_out"].as_f64().unwrap() > 0.01, "shade and specks are left out: {chip}");
        }
    }
}

#[test]
fn coarse_scans_and_soft_shadows_do_too() {
    let folder = folder();
    for (step, soft) in [(0.8, true), (2.5, false), (0.5, false)] {
        let scan = Scene { step, soft, ..Scene::printed() }.scan(folder.path());
        let found = found(&swatch(&scan, &[]));
        assert!(worst(&found, &PRINTED.map(|(_, hex)| hex)) < 1.5, "{step} {soft}: {found:#}");
    }
}

#[test]
fn the_shelf_takes_the_colours_and_nothing_else() {
    let (folder, workshop) = (folder(), workshop());
    let scan = Scene::printed().scan(folder.path());
    let shelf = workshop.path().join("filaments.yaml");
    let before = std::fs::read_to_string(&shelf).unwrap();
    let list = "sailcloth-white,signal red,HARBOUR_NAVY,-,anchor-black,rope-beige";
    let place = text(workshop.path());
    let shown = swatch(&scan, &["--shelf", &place, "--filaments", list]);
    assert_eq!(std::fs::read_to_string(&shelf).unwrap(), before, "nothing is written unasked");
    assert_eq!(
        names(&found(&shown)),
        ["Sailcloth White", "Signal Red", "Harbour Navy", "-", "Anchor Black", "Rope Beige"]
    );
    let written = found(&swatch(&scan, &["--shelf", &place, "--filaments", list, "--write"]));
    let after = std::fs::read_to_string(&shelf).unwrap();
    let kept = std::fs::read_to_string(written["kept"].as_str().unwrap()).unwrap();
    assert_eq!(kept, before);
    let changed: Vec<(&str, &str)> = before.lines().zip(after.lines()).filter(|(a, b)| a != b).collect();
    assert_eq!((changed.len(), before.lines().count()), (5, after.lines().count()), "{changed:?}");
    assert!(changed.iter().all(|(a, b)| a.starts_with("  colour:") && b.starts_with("  colour:")), "{changed:?}");
    let own = Workbench::shelf("shelf", &after).unwrap();
    let navy = own.iter().find(|f| f.name == "Harbour Navy").unwrap();
    let chip = &written["chips"][2];
    assert_eq!(navy.colour.to_string(), chip["colour"].as_str().unwrap());
    // A second time the first copy stays.
    let again = found(&swatch(&scan, &["--shelf", &place, "--filaments", list, "--write"]));
    assert_ne!(again["kept"], written["kept"]);
    assert_eq!(std::fs::read_to_string(written["kept"].as_str().unwrap()).unwrap(), before);
}

#[test]
fn without_names_the_nearest_filament_is_taken_unless_two_are_near() {
    let (folder, workshop) = (folder(), workshop());
    let scan = Scene::printed().scan(folder.path());
    let shelf = workshop.path().join("own.yaml");
    let entry = |(name, hex): &(&str, &str)| {
        format!(
            "- name: {name}\n  material: PLA\n  colour: \"{hex}\"\n  nozzle_c: [190, 220]\n  bed_c: [20, 60]\n  \
             density_g_per_cm3: 1.24\n  left_g: 900\n"
        )
    };
    let mut own: Vec<(&str, &str)> = PRINTED.to_vec();
    own.reverse();
    std::fs::write(&shelf, own.iter().map(entry).collect::<String>()).unwrap();
    let told = found(&swatch(&scan, &["--shelf", &text(&shelf)]));
    assert_eq!(names(&told), PRINTED.map(|(name, _)| name));
    let ok = swatch(&scan, &["--shelf", &text(&shelf), "--write"]);
    assert!(ok.status.success(), "{}", stderr(&ok));
    // A second navy, hardly different.
    own.push(("Night Navy", "#1E2C4E"));
    let twins = own.iter().map(entry).collect::<String>();
    std::fs::write(&shelf, &twins).unwrap();
    let told = found(&swatch(&scan, &["--shelf", &text(&shelf)]));
    let warned = told["warnings"].to_string();
    assert!(
        warned.contains("chip 3 may be") && warned.contains("Night Navy") && warned.contains("Harbour Navy"),
        "{warned}"
    );
    let printed = PRINTED.map(|(name, _)| name).join(",");
    let told = found(&swatch(&scan, &["--shelf", &text(&shelf), "--among", &printed]));
    assert_eq!((names(&told), told["warnings"].to_string()), (PRINTED.map(|(name, _)| name).to_vec(), "[]".to_owned()));
    let refused = swatch(&scan, &["--shelf", &text(&shelf), "--write"]);
    assert_eq!(refused.status.code(), Some(2));
    assert!(stderr(&refused).contains("chip 3 may be mistaken") && stderr(&refused).contains("--filaments"));
    assert_eq!(std::fs::read_to_string(&shelf).unwrap(), twins);
}

#[test]
fn a_board_without_table_turned_and_in_metres_is_read_alike() {
    let folder = folder();
    let tilt = DMat3::from_rotation_x((-90.0_f64).to_radians());
    // Up along y as scanners have it, and turned as it came to lie.
    let scene = Scene {
        table: false,
        unit_mm: 1000.0,
        turn: tilt * DMat3::from_rotation_z(20.0_f64.to_radians()),
        ..Scene::printed()
    };
    let found = found(&swatch(&scene.scan(folder.path()), &["--chip-mm", "30"]));
    assert_eq!(found["unit"], "m");
    assert!(worst(&found, &PRINTED.map(|(_, hex)| hex)) < 1.5, "{found:#}");
}

#[test]
fn names_the_wrong_way_round_are_noticed() {
    let (folder, workshop) = (folder(), workshop());
    let scene = Scene { turn: DMat3::from_rotation_z(175.0_f64.to_radians()), ..Scene::printed() };
    let scan = scene.scan(folder.path());
    let place = text(workshop.path());
    let list = PRINTED.map(|(name, _)| name).join(",");
    let wrong = found(&swatch(&scan, &["--shelf", &place, "--filaments", &list]));
    assert!(wrong["warnings"].to_string().contains("--turned 180"), "{}", wrong["warnings"]);
    let right = found(&swatch(&scan, &["--shelf", &place, "--filaments", &list, "--turned", "180"]));
    assert!(!right["warnings"].to_string().contains("--turned"), "{}", right["warnings"]);
    assert!(worst(&right, &PRINTED.map(|(_, hex)| hex)) < 1.5, "{right:#}");
}

#[test]
fn a_white_card_takes_the_cast_of_the_light_out() {
    let folder = folder();
    let mut printed = PRINTED.map(|(_, hex)| hex);
    printed[0] = "#F2F2EF";
    let scene = Scene { light: [0.85, 0.8, 0.65], ..Scene::of(&printed) };
    let scan = scene.scan(folder.path());
    assert!(worst(&found(&swatch(&scan, &[])), &printed) > 5.0);
    let balanced = found(&swatch(&scan, &["--white", "1", "--white-is", "#F2F2EF"]));
    assert!(worst(&balanced, &printed) < 2.0, "{balanced:#}");
    assert_eq!(balanced["chips"][0]["is_white"], true);
}

#[test]
fn what_cannot_be_read_is_told_with_what_to_do() {
    let (folder, workshop) = (folder(), workshop());
    let place = text(workshop.path());
    let told = |output: &Output, code: i32, words: &[&str]| {
        assert_eq!(output.status.code(), Some(code), "{}", stderr(output));
        for word in words {
            assert!(stderr(output).contains(word), "{word}: {}", stderr(output));
        }
    };
    let scan = Scene::printed().scan(folder.path());
    told(
        &swatch(&scan, &["--shelf", &place, "--filaments", "signal-red"]),
        2,
        &["6 chips", "1 filaments", "--chip-mm"],
    );
    told(
        &swatch(&scan, &["--shelf", &place, "--filaments", "singal red,-,-,-,-,-"]),
        2,
        &["`singal red`", "`Signal Red`"],
    );
    told(&swatch(&scan, &["--white", "7", "--white-is", "#FFFFFF"]), 2, &["no chip 7", "--white"]);
    told(&swatch(&scan, &["--chip-mm", "60"]), 4, &["no chip was found", "--chip-mm"]);
    told(&swatch(&folder.path().join("none.ply"), &[]), 4, &["none.ply"]);
    let grey = folder.path().join("grey.ply");
    let plain = Scene::printed().ply();
    let plain = plain.replace("property uchar red\nproperty uchar green\nproperty uchar blue\n", "");
    let without = |line: &str| line.split(' ').take(3).collect::<Vec<_>>().join(" ");
    let (head, rest) = plain.split_once("end_header\n").unwrap();
    let strip = |line: &str| if line.starts_with("3 ") { line.to_owned() } else { without(line) };
    let rest: Vec<String> = rest.lines().map(strip).collect();
    std::fs::write(&grey, format!("{head}end_header\n{}\n", rest.join("\n"))).unwrap();
    told(&swatch(&grey, &[]), 4, &["no colour", "vertex colours"]);
    let empty = Scene { chips: Vec::new(), ..Scene::printed() };
    told(&swatch(&empty.scan(folder.path()), &[]), 4, &["no chip was found"]);
}

#[test]
fn a_shelf_takes_lab_with_its_white() {
    let shelf = |colour: &str| {
        let text = format!(
            "- name: Signal Red\n  material: PLA\n  colour: {colour}\n  nozzle_c: [190, 220]\n  bed_c: [20, 60]\n  \
             density_g_per_cm3: 1.24\n  left_g: 900\n"
        );
        Workbench::shelf("own.yaml", &text)
    };
    // sRGB red under D50, as colour-managed programs show it (from memory).
    let red = shelf("{lab: [54.29, 80.81, 69.89], white: D50}").unwrap();
    let bytes = red[0].srgb().unwrap();
    assert!(bytes[0] >= 254 && bytes[1] <= 2 && bytes[2] <= 2, "{bytes:?}");
    // The same under D65 (from memory).
    let red = shelf("{lab: [53.24, 80.09, 67.20], white: D65}").unwrap();
    let bytes = red[0].srgb().unwrap();
    assert!(bytes[0] >= 254 && bytes[1] <= 2 && bytes[2] <= 2, "{bytes:?}");
    for (wrong, word) in [
        ("{lab: [54, 80, 69]}", "white"),
        ("{lab: [54, 80], white: D50}", "3"),
        ("{lab: [54, 80, 69], white: D75}", "D65"),
        ("{lab: [154, 80, 69], white: D50}", "colour"),
        ("[54, 80, 69]", "#RRGGBB"),
        ("\"#12345\"", "colour"),
    ] {
        let problems = shelf(wrong).unwrap_err();
        let told: String = problems.iter().map(|p| format!("{p} {}", p.hint)).collect();
        assert!(told.contains(word) && told.contains("own.yaml"), "{wrong}: {told}");
    }
}
