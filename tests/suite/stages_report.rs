//! The report of a small statue: every section, nothing from outside, names escaped, the same bytes twice.

use std::sync::Arc;
use std::sync::atomic::AtomicBool;

use glam::{DMat3, DVec3};
use statuary::equipment::{Changer, Equipment, Filament, Printer};
use statuary::figure::{Figure, Joint, Key, Part, PartEstimate, Pose, ScanInfo};
use statuary::finding::{Finding, Severity};
use statuary::run_record::{FileRecord, RunRecord, StageRecord};
use statuary::schedule::Print;
use statuary::stage::{MemorySink, Output, Settings, StageContext, TargetSize};
use statuary::stages::report::{FILE, Heads, Report};

use crate::picture::sphere;

fn filament(name: &str, material: &str, colour: &str, left_g: f64) -> Filament {
    Filament {
        name: name.to_owned(),
        material: material.to_owned(),
        colour: colour.into(),
        nozzle_c: [200.0, 220.0],
        bed_c: [50.0, 60.0],
        density_g_per_cm3: 1.24,
        left_g,
        opaque_mm: 2.0,
        price_per_kg: 20.0,
    }
}

pub fn equipment(tools: usize) -> Equipment {
    let printer = Printer {
        name: "quay".to_owned(),
        volume_mm: [220.0, 210.0, 250.0],
        tools,
        changer: Changer::Heads,
        nozzle_mm: 0.4,
        layer_mm: 0.2,
        change_secs: 10.0,
        change_g: 0.2,
        nozzle_max_c: 300.0,
        bed_max_c: 110.0,
        flow_mm3_per_sec: 12.0,
        time_factor: 1.0,
        cost_per_hour: 0.0,
        purge_tower: None,
    };
    Equipment { shelf: figure().palette, printer, helpers: Vec::new() }
}

/// Three spheres, one on the other, in two or three filaments each.
pub fn figure() -> Figure {
    let part = |i: usize| {
        let mut mesh = sphere(DVec3::new(0.0, 0.0, 300.0 + 550.0 * i as f64), 300.0 - 60.0 * i as f64, 20);
        mesh.colours.fill([0.35, 0.2, 0.1]);
        let labels = (0..mesh.triangles.len()).map(|t| if t % 3 == 0 { i as u8 } else { (i as u8 + 1) % 4 }).collect();
        Part {
            number: i + 1,
            name: format!("{:02}-{}", i + 1, ["base", "<b>belly</b>", "head & \"hat\""][i]),
            mesh: Arc::new(mesh),
            labels: Some(Arc::new(labels)),
            pose: Some(Pose { rotation: DMat3::IDENTITY, shift: DVec3::new(110.0, 105.0, -550.0 * i as f64) }),
            estimate: Some(PartEstimate {
                volume_mm3: 2e6,
                filament_g: vec![900.0, 100.0, 40.0, 3.0],
                mass_g: 1043.0,
                support_g: 20.0,
                purge_g: 10.0,
                need_g: vec![925.0, 102.0, 42.0, 4.0],
                in_layers: vec![vec![100, 100, 20], vec![0, 50, 100], vec![0; 3], vec![0; 3]],
                layers: 2000,
                tool_changes: 1200,
                tool_changes_unordered: 2400,
                seconds: 51_600.0,
                overhang_mm2: 100.0,
                need_by_height_g: vec![vec![400.0, 925.0], vec![51.0, 102.0], vec![21.0, 42.0], vec![2.0, 4.0]],
                tower: None,
            }),
        }
    };
    let joint = |a: usize| {
        let key = Key {
            centre: DVec3::Z * 600.0,
            dowel_mm: 8.0,
            socket_mm: 8.2,
            depth_mm: 24.0,
            filed_to_mm: None,
            pin_of: None,
        };
        Joint {
            a,
            b: a + 1,
            normal: DVec3::Z,
            offset_mm: 600.0,
            area_mm2: 12_000.0,
            // The one dowel of the second joint has a flat.
            keys: if a == 0 { vec![key; 2] } else { vec![Key { filed_to_mm: Some(6.34), ..key }] },
            marked: [true; 2],
        }
    };
    let scan = sphere(DVec3::Z * 800.0, 800.0, 24);
    Figure {
        scan: ScanInfo {
            name: "ferry <stoker>".to_owned(),
            triangles: scan.triangles.len(),
            has_colour: true,
            unit: "mm".to_owned(),
            unit_confidence: 0.97,
            up: "+z".to_owned(),
            up_confidence: 0.9,
            height_mm: 1600.0,
        },
        scan_mesh: Arc::new(scan),
        scale: 1.0,
        parts: (0..3).map(part).collect(),
        joints: vec![joint(0), joint(1)],
        palette: vec![
            filament("sand", "PLA", "#C99678", 5000.0),
            filament("peat", "PLA", "#2B1D16", 12.0),
            filament("chalk</td>", "PETG", "#E8E6E0", 900.0),
            filament("rust", "ABS", "red;} body{display:none", 900.0),
        ],
        glue_order: vec![1, 0],
        ..Figure::default()
    }
}

pub fn run() -> RunRecord {
    let mut crown = Finding::new(Severity::Warning, "a hole of 121 cm2 was closed without colour");
    crown = crown.at("crown of the head").hint("scan it again with `clean.holes: keep`");
    let spool = Finding::new(Severity::Fault, "300 g of peat needed, 12 g left").on("01-base").hint("buy a spool");
    let note = Finding::new(Severity::Note, "the unit was taken for mm <script>alert(1)</script>");
    let stage = |name: &str, cached: bool, figures: &[(&str, f64)], findings: Vec<Finding>| StageRecord {
        stage: name.to_owned(),
        settings: serde_json::Value::Null,
        stamp: "0".repeat(64),
        cached,
        seconds: 3.21,
        peak_memory_bytes: 1 << 20,
        figures: figures.iter().map(|(name, value)| ((*name).to_owned(), *value)).collect(),
        findings,
    };
    let colours = [("de_mean_best", 4.31), ("de_p95_best", 9.8), ("de_mean", 4.62), ("de_p95", 10.4)];
    RunRecord {
        program: "statuary".to_owned(),
        version: "0.0.0".to_owned(),
        pipeline: "life-size".to_owned(),
        printer: "quay".to_owned(),
        scan: "stoker.ply".to_owned(),
        started: "2026-03-04T09:12:00Z".to_owned(),
        inputs: vec![FileRecord { file: "stoker.ply".to_owned(), bytes: 41_000_000, blake3: "ab".repeat(32) }],
        stages: vec![
            stage("intake", true, &[("triangles", 1_234_567.0)], vec![note]),
            stage("clean", false, &[("hole_area_mm2", 12_100.0)], vec![crown]),
            stage("colour-reduce", false, &colours, vec![spool]),
            stage("estimate", false, &[("tip_deg", 4.4)], vec![]),
        ],
        ..RunRecord::default()
    }
}

pub fn page_of(settings: &Report, figure: &Figure, run: &RunRecord, equipment: &Equipment) -> String {
    let mut files = MemorySink::default();
    let mut progress = |_: f64, _: &str| {};
    let cancel = Arc::new(AtomicBool::new(false));
    let mut ctx = StageContext::new(equipment, TargetSize::Unknown, &mut files, cancel, &mut progress);
    settings.write(figure, run, &mut ctx).unwrap();
    String::from_utf8(files.0.remove(FILE).unwrap()).unwrap()
}

pub fn small() -> Report {
    Report { picture_height_px: 200, ..Report::default() }
}

/// What a reader sees: no styles, scripts, tags or pictures; one line per block; plain blanks.
fn text_of(page: &str) -> String {
    let body = page.split_once("<body>").unwrap().1;
    let body: String =
        body.split("<script").map(|piece| piece.split_once("</script>").map_or(piece, |p| p.1)).collect();
    let mut text = String::new();
    for piece in body.split('<') {
        let (tag, words) = piece.split_once('>').unwrap_or(("", piece));
        let name = tag.trim_start_matches('/').split([' ', '\n']).next().unwrap_or("");
        if ["td", "th", "dd", "span"].contains(&name) && !tag.starts_with('/') {
            text.push_str(" | ");
        } else if !["b", "small", "code", "strong", "sup", "span", "td", "th", "dd"].contains(&name) {
            text.push('\n');
        }
        text.push_str(words);
    }
    let plain = text.replace(['\u{202f}', '\u{a0}'], " ");
    let lines = plain.lines().map(|line| line.split_whitespace().collect::<Vec<_>>().join(" "));
    lines.filter(|line| !line.is_empty()).collect::<Vec<_>>().join("\n")
}

#[test]
fn the_page_says_everything_in_order() {
    let page = page_of(&small(), &figure(), &run(), &equipment(3));
    insta::assert_snapshot!(text_of(&page));
}

#[test]
fn the_page_is_complete_in_itself_and_escapes_what_comes_from_files() {
    let page = page_of(&small(), &figure(), &run(), &equipment(3));
    let hosts = ["http:", "https:", "src=\"/", "url(", "@import", "<link", "fetch(", "import("];
    for outside in hosts.into_iter().chain(["<script>alert", "<b>belly", "chalk</td>", "red;} body"]) {
        assert!(!page.contains(outside), "the page contains {outside}");
    }
    assert!(page.contains("content=\"default-src 'none';"), "the browser is not told to ask no host");
    // The clock times of the plan, the view's data and its script, and nothing else.
    assert_eq!((page.matches("<script").count(), page.matches("</script").count()), (3, 3));
    assert!(page.contains("ferry &#60;stoker&#62;") || page.contains("ferry &lt;stoker&gt;"));
    // Two views of the scan, two of the figure, one taken apart, three parts.
    assert_eq!(page.matches("src=\"data:image/jpeg;base64,").count(), 8);
    assert_eq!(page.matches("<img ").count(), page.matches(" alt=\"").count());
    assert!(page.len() < 6_000_000, "{} bytes", page.len());
}

#[test]
fn the_view_can_be_left_out_and_comes_only_beside_pictures() {
    let bare = page_of(&Report { turning: false, ..small() }, &figure(), &run(), &equipment(3));
    let views = |page: &str| page.contains("turning-data") || page.contains("<canvas");
    assert!(!views(&bare) && bare.contains("<img"));
    let pictureless = page_of(&Report { pictures: false, ..small() }, &figure(), &run(), &equipment(3));
    assert!(!views(&pictureless));
    let with = page_of(&small(), &figure(), &run(), &equipment(3));
    assert_eq!(with.matches("data-part=\"").count(), figure().parts.len());
    // What the view stands in for is still there, for paper and where it cannot turn.
    assert_eq!(with.matches("<img ").count(), bare.matches("<img ").count());
    assert!(with.contains("<div class=\"turning\" id=\"turning\" hidden>"));
}

#[test]
fn the_same_run_gives_the_same_bytes_on_any_number_of_threads() {
    let on = |threads: usize| {
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap();
        pool.install(|| page_of(&small(), &figure(), &run(), &equipment(3)))
    };
    let one = on(1);
    assert!(one == on(1) && one == on(2), "pages differ");
}

#[test]
fn without_times_a_slower_run_gives_the_same_page() {
    let settings = Report { times: false, pictures: false, ..Report::default() };
    let mut slower = run();
    slower.started = "2027-01-01T00:00:00Z".to_owned();
    slower.stages.iter_mut().for_each(|stage| (stage.seconds, stage.cached) = (99.0, !stage.cached));
    let page = page_of(&settings, &figure(), &run(), &equipment(3));
    assert_eq!(page, page_of(&settings, &figure(), &slower, &equipment(3)));
    assert!(!page.contains("<img"));
}

#[test]
fn a_run_that_failed_early_still_has_a_page() {
    let bare = Figure { scan_mesh: figure().scan_mesh, ..Figure::default() };
    let failed = RunRecord { error: Some("clean: no surface was left".to_owned()), ..run() };
    let text = text_of(&page_of(&small(), &bare, &failed, &equipment(3)));
    assert!(text.contains("The run stopped before it was done"), "{text}");
    assert!(text.contains("clean: no surface was left"));
    assert!(text.contains("The scan as it came in, front") && !text.contains("The figure in"));
    assert!(!text.contains("Order of gluing") && !text.contains("what to load"));
    let empty = text_of(&page_of(&small(), &Figure::default(), &RunRecord::default(), &equipment(0)));
    assert!(empty.contains("A figure"), "{empty}");
}

/// Nobody is recognised: the topmost ball is a few blocks in every picture, and there is nothing to turn.
#[test]
fn hidden_heads_are_hidden_in_all_pictures() {
    let settings = Report { heads: Heads::Hidden, ..small() };
    let page = page_of(&settings, &figure(), &run(), &equipment(3));
    let open = page_of(&small(), &figure(), &run(), &equipment(3));
    assert!(!page.contains("turning-data") && !page.contains("<canvas"));
    let pictures = |page: &str| -> Vec<String> {
        page.split("src=\"data:").skip(1).map(|rest| rest.split('"').next().unwrap().to_owned()).collect()
    };
    let (hidden, shown) = (pictures(&page), pictures(&open));
    assert_eq!(hidden.len(), shown.len());
    // The lower two parts are all below the shoulders; every other picture shows the head.
    let alike = hidden.iter().zip(&shown).filter(|(a, b)| a == b).count();
    assert_eq!(alike, 2, "of {}", hidden.len());
}

#[test]
fn spools_are_swapped_only_when_the_printer_cannot_hold_them() {
    let text = |tools| text_of(&page_of(&Report { pictures: false, ..small() }, &figure(), &run(), &equipment(tools)));
    assert!(text(4).contains("All filaments fit into its 4 tools"));
    assert!(text(3).contains("It holds 3 filaments at once.") && text(3).contains("4 spools put in"));
    assert!(text(1).contains("no tool is left for"));
}

/// Three parts of 14 h 20 min on two printers; the sand of both lasts for five parts and a bit.
#[test]
fn the_plan_tells_printers_times_and_where_a_spool_ends() {
    let mut planned = figure();
    planned.palette[0].left_g = 1325.0;
    let print = |needs: &[usize]| Print { needs: needs.to_vec(), seconds: vec![Some(51_600.0); 2] };
    let prints = [print(&[0, 1]), print(&[1, 2]), print(&[0, 2])];
    planned.schedule = Some(statuary::schedule::plan(&prints, &[("slipway", 2), ("pier", 2)]));
    let mut run = run();
    let settings = serde_json::json!({"layer_mm": 0.0, "walls": 2, "top_bottom_layers": 4, "infill_share": 0.1,
        "overhang_max_deg": 45.0});
    run.stages.iter_mut().for_each(|stage| stage.settings = settings.clone());
    run.outputs.push(FileRecord { file: "parts/01-base.3mf".to_owned(), bytes: 1, blake3: String::new() });
    let page = page_of(&Report { pictures: false, ..small() }, &planned, &run, &equipment(2));
    let text = text_of(&page);
    let ends_s = planned.schedule.as_ref().unwrap().ends_s().unwrap();
    assert!(page.contains(&format!("data-after=\"{ends_s}\"")), "{text}");
    // Two parts one after the other and two or three spools: 28 h 40 min and 6 or 9.
    assert!(text.contains("In all 28 h 46 min") || text.contains("In all 28 h 49 min"), "{text}");
    assert!(text.contains("slipway") && text.contains("pier"));
    // The first part takes 925 g; the next ends after the 400 g that its lower half takes.
    assert!(text.contains("The spool of sand ends") && text.contains("at about layer 1001 of 2000"), "{text}");
    assert!(text.contains("To get") && text.contains("Round rod of 8"));
    assert!(text.contains("| 2 lines, 0.88 mm") && text.contains("parts/01-base.3mf"), "{text}");
}

#[test]
fn settings_out_of_range_are_told() {
    assert!(Report::default().check().is_empty());
    let problems = Report { picture_height_px: 20, ..Report::default() }.check();
    assert_eq!(problems[0].to_string(), "`picture_height_px`: 20 pixels, expected 200 to 2400");
    let example: Report = serde_yaml::from_str(Report::EXAMPLE).unwrap();
    assert_eq!(example.picture_height_px, 1200);
    assert!(serde_yaml::from_str::<Report>("picture: true").is_err());
}
