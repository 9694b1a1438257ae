//! Colours of filaments from a scan of printed chips: read, matched with the shelf, written back.

use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::AtomicBool;

use serde::Serialize;

use super::equipment_files::{FILAMENTS, Workbench};
use super::files::{free_name, read_text, replace_whole, write_whole};
use super::plan::{Change, apply, plan};
use super::runner::RunError;
use super::scan_files::read_scan_files;
use super::shelf_text::with_colours;
use super::spec::read_spec;
pub use crate::chips::Looking;
use crate::chips::matched::{FAR, LEFT_OUT_MAX, Match, SPREAD_MAX, balanced, by_colour, off};
use crate::chips::{Chip, chips};
use crate::colour::difference::ciede2000;
use crate::colour::spaces::{
    Lab, Linear, bytes_of_linear, format_hex, lab_of_linear, linear_of_bytes, linear_of_lab, parse_hex,
};
use crate::equipment::Filament;
use crate::format::{self, RawMesh, ReadOptions, ScanFiles};
use crate::mesh::TriMesh;
use crate::problem::{Problem, nearest};
use crate::stage::{MemorySink, StageContext, StageError};
use crate::stages::Job;

/// A chip without a filament among the names.
pub const SKIPPED: &str = "-";
/// Less surface says little about a colour, mm2.
const AREA_MIN_MM2: f64 = 60.0;
/// Light at which scanners end.
const BRIGHT: f32 = 0.985;
/// Names in the wrong order: so far off on the shelf's old colours, and so much nearer another way round.
const OFF_MIN: f64 = 6.0;
const OTHER_WAY_SHARE: f64 = 0.5;

/// Why chips could not be read or written.
#[derive(Debug, thiserror::Error)]
pub enum SwatchError {
    #[error("the settings have faults")]
    Settings(Vec<Problem>),
    #[error(transparent)]
    Run(#[from] RunError),
    #[error("{what}")]
    Order { what: String, hint: String },
    #[error("`{}`: {source}", .path.display())]
    Disk { path: PathBuf, source: std::io::Error },
}

/// What is wanted of a scan of chips.
#[derive(Clone, Debug, Default)]
pub struct Order {
    pub scan: PathBuf,
    /// Filament of each chip, row by row; empty to tell them by colour.
    pub names: Vec<String>,
    /// Filaments to choose from by colour; empty for the whole shelf.
    pub among: Vec<String>,
    pub looking: Looking,
    /// Number of a chip that is a white card, from 1, and its true colour, `#RRGGBB`.
    pub white: Option<(usize, String)>,
    /// Settings of `intake`.
    pub changes: Vec<Change>,
}

/// A shelf as its owner wrote it.
#[derive(Clone, Debug)]
pub struct Shelf {
    pub path: PathBuf,
    pub text: String,
    pub filaments: Vec<Filament>,
}

/// What was found.
#[derive(Clone, Debug, Serialize)]
pub struct Swatches {
    pub scan: String,
    /// Unit the scan's lengths were taken for.
    pub unit: String,
    pub chips: Vec<Swatch>,
    pub warnings: Vec<String>,
}

/// A chip with its colour, and the filament it is of.
#[derive(Clone, Debug, Serialize)]
pub struct Swatch {
    /// From 1, row by row.
    pub number: usize,
    pub row: usize,
    pub column: usize,
    pub place_mm: [f64; 2],
    pub size_mm: [f64; 2],
    pub area_mm2: f64,
    /// sRGB.
    pub colour: String,
    /// CIE Lab under D65.
    pub lab: [f64; 3],
    /// CIEDE2000.
    pub spread: f64,
    pub left_out: f64,
    pub is_white: bool,
    pub filament: Option<Taken>,
}

/// The filament a chip was taken for.
#[derive(Clone, Debug, Serialize)]
pub struct Taken {
    pub name: String,
    /// Colour on the shelf, as it is written there, and as sRGB.
    pub before: String,
    pub before_srgb: String,
    /// CIEDE2000 between the two colours.
    pub distance: f64,
    /// Another filament whose colour is nearly as near.
    pub rival: Option<String>,
    /// Whether the colour alone does not tell.
    pub is_doubtful: bool,
    #[serde(skip)]
    number: usize,
}

impl Shelf {
    /// Reads a shelf: its file, or that of a workshop.
    ///
    /// # Errors
    /// When it cannot be read or has faults.
    pub fn open(path: &Path) -> Result<Self, SwatchError> {
        let path = if path.is_dir() { path.join(FILAMENTS) } else { path.to_path_buf() };
        let label = path.display().to_string();
        let text = read_text(&path).map_err(|error| {
            let hint = "give a workshop, or a file of filaments as in one";
            SwatchError::Settings(vec![Problem { file: label.clone(), ..Problem::new("", error.to_string(), hint) }])
        })?;
        let filaments = Workbench::shelf(&label, &text).map_err(SwatchError::Settings)?;
        Ok(Self { path, text, filaments })
    }

    fn labs(&self) -> Vec<Lab> {
        self.filaments.iter().map(|f| f.lab().unwrap_or_default()).collect()
    }

    /// Numbers of the filaments named, or of all.
    fn among(&self, names: &[String]) -> Result<Vec<usize>, SwatchError> {
        if names.is_empty() {
            Ok((0..self.filaments.len()).collect())
        } else {
            names.iter().map(|n| self.find(n)).collect()
        }
    }

    /// Number of a filament by its name, written in any case and with any sign between the words.
    fn find(&self, name: &str) -> Result<usize, SwatchError> {
        let same = |f: &Filament| plain(&f.name) == plain(name);
        self.filaments.iter().position(same).ok_or_else(|| {
            let names: Vec<&str> = self.filaments.iter().map(|f| f.name.as_str()).collect();
            let near = self.filaments.iter().map(|f| (plain(&f.name), f.name.as_str()));
            let near = nearest(&plain(name), near.clone().map(|n| n.0).collect::<Vec<_>>().iter().map(String::as_str))
                .and_then(|word| near.clone().find(|n| n.0 == word))
                .map(|n| n.1);
            let guess = near.map_or(String::new(), |n| format!("did you mean `{n}`? "));
            let what = format!("no filament is named `{name}`");
            SwatchError::Order { what, hint: format!("{guess}the shelf has {}", names.join(", ")) }
        })
    }
}

fn plain(name: &str) -> String {
    let words: Vec<String> =
        name.split(|c: char| !c.is_alphanumeric()).filter(|w| !w.is_empty()).map(str::to_lowercase).collect();
    words.join("-")
}

/// Reads the chips of a scan and takes each for a filament of the shelf, if there is one.
///
/// # Errors
/// When the scan cannot be read, has no colour or no chips, or the names do not fit.
pub fn swatches(order: &Order, shelf: Option<&Shelf>) -> Result<Swatches, SwatchError> {
    let (told, among) = match shelf {
        Some(shelf) => (told(&order.names, shelf)?, shelf.among(&order.among)?),
        None => (Vec::new(), Vec::new()),
    };
    let (mesh, unit) = scanned(order)?;
    let found = chips(&mesh, order.looking);
    if found.is_empty() {
        let hint = "chips are flat, at least 8 mm wide, lie apart, and stand out from the table by half a millimetre or by \
                    their colour; is the unit right (`--set intake.unit=mm`), and `--chip-mm` if given?";
        return Err(refused("no chip was found", hint));
    }
    let white = order.white.as_ref().map(|white| white_chip(white, found.len())).transpose()?;
    if !told.is_empty() && told.len() != found.len() {
        return Err(miscounted(found.len(), told.len()));
    }
    let lights = match white {
        Some((chip, should)) => balanced(&found, chip, should),
        None => found.iter().map(|chip| chip.tone.light).collect(),
    };
    let mut swatches =
        Swatches { scan: order.scan.display().to_string(), unit, chips: Vec::new(), warnings: Vec::new() };
    let labs: Vec<Lab> = lights.iter().map(|light| lab_of_linear(*light)).collect();
    let mut taken = match shelf {
        Some(shelf) => takes(&labs, &told, white.map(|w| w.0), &shelf.labs(), &among),
        None => vec![None; found.len()],
    };
    for (i, chip) in found.iter().enumerate() {
        let is_white = white.is_some_and(|(chip, _)| chip == i);
        let filament = taken[i].take().filter(|_| !is_white).zip(shelf).map(|(taken, shelf)| named(taken, shelf));
        swatches.chips.push(swatch(i + 1, chip, lights[i], is_white, filament));
    }
    swatches.warnings = swatches.chips.iter().flat_map(warnings).collect();
    if shelf.is_some() && told.is_empty() {
        let left = swatches.chips.iter().filter(|chip| chip.filament.is_none() && !chip.is_white);
        swatches
            .warnings
            .extend(left.map(|chip| format!("chip {} is left over: there are more chips than filaments", chip.number)));
    }
    if let Some(shelf) = shelf.filter(|_| !told.is_empty()) {
        swatches.warnings.extend(other_way(&mesh, order, &labs, &told, &shelf.labs()));
    }
    Ok(swatches)
}

/// Writes the colours of the chips to the shelf and keeps a copy of it as it was; tells where.
///
/// # Errors
/// When a chip may be mistaken, the text cannot be changed line by line, or the disk refuses.
pub fn write(swatches: &Swatches, shelf: &Shelf) -> Result<PathBuf, SwatchError> {
    let takes = || swatches.chips.iter().filter_map(|chip| Some((chip, chip.filament.as_ref()?)));
    let doubtful: Vec<String> =
        takes().filter(|(_, taken)| taken.is_doubtful).map(|(chip, _)| chip.number.to_string()).collect();
    if !doubtful.is_empty() {
        let what = format!("chip {} may be mistaken for another filament; nothing was written", doubtful.join(", "));
        let hint = "name the filaments in the order of the table: `--filaments NAME,NAME,...` with `-` for a chip of none; or \
                    those that were printed: `--among NAME,NAME,...`";
        return Err(SwatchError::Order { what, hint: hint.into() });
    }
    let changes: Vec<(usize, String)> = takes().map(|(chip, taken)| (taken.number, chip.colour.clone())).collect();
    if changes.is_empty() {
        let what = "no chip is taken for a filament; nothing was written".to_owned();
        return Err(SwatchError::Order { what, hint: "name the filaments with `--filaments`".into() });
    }
    let changed = with_colours(&shelf.text, &changes).ok_or_else(|| SwatchError::Order {
        what: format!("`{}` is written in a way that cannot be changed line by line", shelf.path.display()),
        hint: "write each filament's `colour:` on a line of its own, or enter the colours of the table by hand".into(),
    })?;
    let mut kept = shelf.path.clone().into_os_string();
    kept.push(".before");
    let kept = free_name(Path::new(&kept));
    let disk = |path: &Path| {
        let path = path.to_path_buf();
        move |source| SwatchError::Disk { path, source }
    };
    write_whole(&kept, shelf.text.as_bytes()).map_err(disk(&kept))?;
    replace_whole(&shelf.path, changed.as_bytes()).map_err(disk(&shelf.path))?;
    Ok(kept)
}

fn told(names: &[String], shelf: &Shelf) -> Result<Vec<Option<usize>>, SwatchError> {
    let mut told: Vec<Option<usize>> = Vec::new();
    for name in names {
        let filament = if name.trim() == SKIPPED { None } else { Some(shelf.find(name)?) };
        if filament.is_some() && told.contains(&filament) {
            let hint = "give each filament once, and `-` for a chip of none";
            return Err(SwatchError::Order { what: format!("`{name}` is named twice"), hint: hint.into() });
        }
        told.push(filament);
    }
    Ok(told)
}

fn miscounted(found: usize, named: usize) -> SwatchError {
    let what = format!("{found} chips were found, but {named} filaments are named");
    let hint = "without `--filaments` the table shows where they lie; `--chip-mm` passes over what has another size, and \
                `-` stands for a chip of no filament";
    SwatchError::Order { what, hint: hint.into() }
}

/// The white card's place among the chips, from 0, and the linear light it should have.
fn white_chip((number, colour): &(usize, String), found: usize) -> Result<(usize, Linear), SwatchError> {
    let wrong = |what: String, hint: &str| SwatchError::Order { what, hint: hint.into() };
    let bytes = parse_hex(colour).ok_or_else(|| {
        wrong(format!("`{colour}` is no colour"), "write the white card's colour as sRGB, such as `#F2F2EF`")
    })?;
    if !(1..=found).contains(number) {
        let what = format!("there is no chip {number}: {found} were found");
        return Err(wrong(what, "without `--white` the table shows their numbers"));
    }
    Ok((number - 1, linear_of_bytes(bytes)))
}

fn refused(what: &str, hint: &str) -> SwatchError {
    RunError::Stage { stage: "swatch".into(), source: StageError::scan(what, hint) }.into()
}

/// The scan as a coloured surface in millimetres, its axes left as they are, and the unit it was taken for.
fn scanned(order: &Order) -> Result<(TriMesh, String), SwatchError> {
    let files = read_scan_files(&order.scan).map_err(RunError::from)?;
    let raw = format::read(&files, ReadOptions { drop_non_finite: true, ignore_missing_picture: false })
        .map_err(|e| refused(&e.to_string(), &e.hint))?;
    if !raw.has_colour() {
        let hint = "export it as PLY with vertex colours, or as OBJ or GLB with its pictures";
        return Err(refused("the scan has no colour", hint));
    }
    let text = format!("about: chips\nstages:\n  - intake: {{up: +z, unit: {}}}\n", board_unit(&raw));
    taken_in(&files, &text, &order.changes)
}

/// The unit in which a board of chips is 40 mm to 1 m long.
fn board_unit(raw: &RawMesh) -> &'static str {
    if let Some(mm) = raw.unit_hint_mm {
        return match mm {
            m if m >= 999.0 => "m",
            m if m >= 300.0 => "ft",
            m if m >= 20.0 => "in",
            m if m >= 5.0 => "cm",
            _ => "mm",
        };
    }
    let ends = (glam::DVec3::INFINITY, glam::DVec3::NEG_INFINITY);
    let used = raw.triangles.iter().flatten().map(|v| raw.positions[*v as usize]);
    let (low, high) = used.fold(ends, |(low, high), p| (low.min(p), high.max(p)));
    match (high - low).max_element() {
        long if long < 1.0 => "m",
        long if long < 40.0 => "cm",
        _ => "mm",
    }
}

fn taken_in(files: &ScanFiles, text: &str, changes: &[Change]) -> Result<(TriMesh, String), SwatchError> {
    let mut spec = read_spec("swatch", "", text).map_err(|problem| SwatchError::Settings(vec![problem]))?;
    apply(&mut spec, changes).map_err(SwatchError::Settings)?;
    let workbench = Workbench::demo().map_err(SwatchError::Settings)?;
    let plan = plan(&spec, &workbench).map_err(SwatchError::Settings)?;
    let (mut sink, mut progress) = (MemorySink::default(), |_: f64, _: &str| {});
    let cancel = Arc::new(AtomicBool::new(false));
    let mut ctx = StageContext::new(&plan.equipment, plan.target, &mut sink, cancel, &mut progress);
    for stage in &plan.stages {
        if let Job::Intake(intake) = stage.job() {
            let failed = |source| RunError::Stage { stage: stage.name().into(), source };
            let figure = intake.read(files, &mut ctx).map_err(failed)?;
            return Ok((figure.whole.as_ref().clone(), figure.scan.unit));
        }
    }
    Ok((TriMesh::default(), String::new()))
}

/// The filament of each chip: as told, else by colour; the white card is none.
fn takes(
    labs: &[Lab],
    told: &[Option<usize>],
    white: Option<usize>,
    shelf: &[Lab],
    among: &[usize],
) -> Vec<Option<Match>> {
    if !told.is_empty() {
        let distance = |i: usize, filament: usize| ciede2000(labs[i], shelf[filament]);
        let as_told = |(i, filament): (usize, &Option<usize>)| {
            filament.map(|filament| Match { filament, distance: distance(i, filament), rival: None })
        };
        return told.iter().enumerate().map(as_told).collect();
    }
    let others: Vec<usize> = (0..labs.len()).filter(|i| Some(*i) != white).collect();
    let mut takes = vec![None; labs.len()];
    let pick = |from: &[Lab], numbers: &[usize]| numbers.iter().map(|i| from[*i]).collect::<Vec<_>>();
    for (i, found) in others.iter().zip(by_colour(&pick(labs, &others), &pick(shelf, among))) {
        takes[*i] = found.map(|m| Match { filament: among[m.filament], rival: m.rival.map(|r| among[r]), ..m });
    }
    takes
}

fn named(taken: Match, shelf: &Shelf) -> Taken {
    let filament = &shelf.filaments[taken.filament];
    Taken {
        name: filament.name.clone(),
        before: filament.colour.to_string(),
        before_srgb: filament.srgb().map(format_hex).unwrap_or_default(),
        distance: taken.distance,
        rival: taken.rival.map(|other| shelf.filaments[other].name.clone()),
        is_doubtful: taken.is_doubtful(),
        number: taken.filament,
    }
}

fn swatch(number: usize, chip: &Chip, light: Linear, is_white: bool, filament: Option<Taken>) -> Swatch {
    let Lab { l, a, b } = lab_of_linear(light);
    Swatch {
        number,
        row: chip.row,
        column: chip.column,
        place_mm: chip.place_mm,
        size_mm: chip.size_mm,
        area_mm2: chip.tone.area_mm2,
        colour: format_hex(bytes_of_linear(light)),
        lab: [l, a, b],
        spread: chip.tone.spread,
        left_out: chip.tone.left_out,
        is_white,
        filament,
    }
}

fn warnings(chip: &Swatch) -> Vec<String> {
    let number = chip.number;
    let mut found = Vec::new();
    if chip.spread > SPREAD_MAX {
        found.push(format!("chip {number} is not of one colour (spread {:.1}): light it evenly", chip.spread));
    }
    if chip.left_out > LEFT_OUT_MAX {
        let share = 100.0 * chip.left_out;
        found.push(format!("{share:.0} % of chip {number} were left out as shadow, shine or specks: scan it again"));
    }
    if chip.area_mm2 < AREA_MIN_MM2 {
        found.push(format!("chip {number} is small: only {:.0} mm2 away from its rim", chip.area_mm2));
    }
    if brightest(chip) > BRIGHT {
        found.push(format!("chip {number} is as bright as the scan can show: expose it less"));
    }
    match &chip.filament {
        Some(Taken { name, rival: Some(rival), .. }) => {
            found.push(format!("chip {number} may be {name} or {rival}: their colours on the shelf leave it open"));
        }
        Some(taken) if taken.is_doubtful => {
            let far = format!("{:.1}, more than {FAR}", taken.distance);
            found.push(format!("chip {number} looks like no filament: {} is the nearest, off by {far}", taken.name));
        }
        _ => {}
    }
    found
}

fn brightest(chip: &Swatch) -> f32 {
    let [l, a, b] = chip.lab;
    let light = linear_of_lab(Lab { l, a, b });
    light.into_iter().fold(0.0, f32::max)
}

/// Whether the names would fit the colours on the shelf much better with the board turned.
fn other_way(mesh: &TriMesh, order: &Order, labs: &[Lab], told: &[Option<usize>], shelf: &[Lab]) -> Option<String> {
    let own = off(labs, shelf, told);
    if own < OFF_MIN {
        return None;
    }
    [90.0, 180.0, 270.0].into_iter().find_map(|turn| {
        let turned_deg = (order.looking.turned_deg + turn).rem_euclid(360.0);
        let turned = chips(mesh, Looking { turned_deg, ..order.looking });
        let labs: Vec<Lab> = turned.iter().map(|chip| chip.tone.lab()).collect();
        (labs.len() == told.len() && off(&labs, shelf, told) < OTHER_WAY_SHARE * own).then(|| {
            format!(
                "the names are off by {own:.0} from the colours on the shelf and would fit much better with the board turned: \
                 is it `--turned {turned_deg}`?"
            )
        })
    })
}
