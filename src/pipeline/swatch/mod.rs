//! Colours of filaments from a scan of printed chips: read, matched with the shelf, written back.

mod scan;
mod shelf;
mod warnings;

use std::path::PathBuf;

use serde::Serialize;

use super::plan::Change;
use super::runner::RunError;
pub use crate::chips::Looking;
use crate::chips::matched::{Match, balanced, by_colour, off};
use crate::chips::{Chip, chips};
use crate::colour::difference::ciede2000;
use crate::colour::spaces::{Lab, Linear, bytes_of_linear, format_hex, lab_of_linear, linear_of_bytes, parse_hex};
use crate::mesh::TriMesh;
use crate::problem::Problem;
use crate::stage::StageError;
pub use shelf::{Shelf, write};

/// A chip without a filament among the names.
pub const SKIPPED: &str = "-";
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

/// Reads the chips of a scan and takes each for a filament of the shelf, if there is one.
///
/// # Errors
/// When the scan cannot be read, has no colour or no chips, or the names do not fit.
pub fn swatches(order: &Order, shelf: Option<&Shelf>) -> Result<Swatches, SwatchError> {
    let (told, among) = match shelf {
        Some(shelf) => (told(&order.names, shelf)?, shelf.among(&order.among)?),
        None => (Vec::new(), Vec::new()),
    };
    let (mesh, unit) = scan::scanned(order)?;
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
    swatches.warnings = swatches.chips.iter().flat_map(warnings::warnings).collect();
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
