//! `swatch`: colours of filaments from a scan of printed chips.

use std::path::{Path, PathBuf};

use crate::pipeline::swatch::{Looking, Order, Shelf, Swatch, SwatchError, Swatches, swatches, write};

use super::exit_code::Failure;
use super::run::parse_changes;

/// Arguments of `swatch`.
#[derive(Debug, clap::Args)]
pub struct SwatchArgs {
    /// Scan of the chips: flat pieces that lie apart on a table or board (.ply .obj .glb .gltf, or a folder with one)
    pub scan: PathBuf,
    /// The shelf, or the workshop it lies in; without it the colours are only shown
    #[arg(long, value_name = "FILE")]
    pub shelf: Option<PathBuf>,
    /// Filament of each chip seen from above, row by row from the farthest, left to right; `-` for a chip of none
    #[arg(long, value_name = "NAMES", value_delimiter = ',', requires = "shelf", allow_hyphen_values = true)]
    pub filaments: Vec<String>,
    /// Filaments the chips are of, in any order: each chip is taken for the nearest of these
    #[arg(long, value_name = "NAMES", value_delimiter = ',', requires = "shelf", conflicts_with = "filaments")]
    pub among: Vec<String>,
    /// How far the board lies turned counter-clockwise in the scan, seen from above, when its left side is not at -x
    #[arg(long, value_name = "DEGREES", default_value_t = 0.0, allow_negative_numbers = true)]
    pub turned: f64,
    /// Longer side of the chips; what is larger or smaller by a quarter is passed over
    #[arg(long, value_name = "MM")]
    pub chip_mm: Option<f64>,
    /// Number of a chip that is a white card: all colours are balanced by it (only if the figures' scans are, too)
    #[arg(long, value_name = "NUMBER", requires = "white_is")]
    pub white: Option<usize>,
    /// True colour of the white card, such as `#F2F2EF`
    #[arg(long, value_name = "COLOUR", requires = "white")]
    pub white_is: Option<String>,
    /// Write the colours to the shelf; a copy of it as it was is kept beside it
    #[arg(long, requires = "shelf")]
    pub write: bool,
    /// Change one setting of `intake`, such as `intake.unit=cm` (may be repeated)
    #[arg(long = "set", value_name = "STAGE.SETTING=VALUE")]
    pub changes: Vec<String>,
}

/// `statuary swatch`.
///
/// # Errors
/// When the scan cannot be read or has no chips, the names do not fit, or the shelf cannot be read or written.
pub fn swatch(args: &SwatchArgs, json: bool) -> Result<(), Failure> {
    let order = order(args)?;
    let shelf = args.shelf.as_deref().map(Shelf::open).transpose().map_err(failure)?;
    let found = swatches(&order, shelf.as_ref()).map_err(failure)?;
    if !json {
        print!("{}", text(&found));
    }
    let kept = match &shelf {
        Some(shelf) if args.write => Some(write(&found, shelf).map_err(failure)?),
        _ => None,
    };
    if json {
        let object = serde_json::json!({
            "scan": found.scan, "unit": found.unit, "chips": found.chips, "warnings": found.warnings,
            "shelf": shelf.as_ref().map(|s| &s.path), "kept": kept,
        });
        println!("{}", serde_json::to_string(&object)?);
    } else if let Some(shelf) = &shelf {
        print!("{}", end(&shelf.path, kept.as_deref()));
    }
    Ok(())
}

fn order(args: &SwatchArgs) -> Result<Order, Failure> {
    let wrong = |what: String, hint: &str| Failure::Arguments { what, hint: hint.into() };
    if let Some(side) = args.chip_mm.filter(|side| !(8.0..=160.0).contains(side)) {
        return Err(wrong(format!("`--chip-mm` is {side}, expected 8 to 160"), "give the longer side of a chip"));
    }
    if !args.turned.is_finite() {
        return Err(wrong(format!("`--turned` is {}", args.turned), "give degrees, such as 90"));
    }
    Ok(Order {
        scan: args.scan.clone(),
        names: args.filaments.clone(),
        among: args.among.clone(),
        looking: Looking { side_mm: args.chip_mm, turned_deg: args.turned },
        white: args.white.zip(args.white_is.clone()),
        changes: parse_changes(&args.changes)?,
    })
}

fn failure(error: SwatchError) -> Failure {
    match error {
        SwatchError::Settings(problems) => Failure::Configuration(problems),
        SwatchError::Run(error) => Failure::Run(error),
        SwatchError::Order { what, hint } => Failure::Arguments { what, hint },
        SwatchError::Disk { path, source } => Failure::Disk { path, source },
    }
}

/// The table for people.
fn text(found: &Swatches) -> String {
    let mut text = format!("{}: {} chips; lengths in {}\n\n", found.scan, found.chips.len(), found.unit);
    text += "  chip  row, place  right, away mm      size mm  measured      L      a      b  spread";
    let has_shelf = found.chips.iter().any(|chip| chip.filament.is_some());
    text += if has_shelf { "  shelf    distance  filament\n" } else { "\n" };
    for chip in &found.chips {
        text += &line(chip);
    }
    for warning in &found.warnings {
        text += &format!("  ! {warning}\n");
    }
    text
}

fn line(chip: &Swatch) -> String {
    let ([right, away], [long, short], [l, a, b]) = (chip.place_mm, chip.size_mm, chip.lab);
    let (row, column, right, away) = (chip.row, chip.column, right.round() as i64, away.round() as i64);
    let mut line = format!(
        "  {:>4}  {row:>3}, {column:>5}  {right:>6}, {away:>4}     {long:>5.0} x {short:>5.0}  {:<8}  {l:>5.1}  {a:>5.1}  \
         {b:>5.1}  {:>6.1}",
        chip.number, chip.colour, chip.spread
    );
    if let Some(taken) = &chip.filament {
        let mark = if taken.is_doubtful { " ?" } else { "" };
        line += &format!("  {}  {:>8.1}  {}{mark}", taken.before_srgb, taken.distance, taken.name);
    } else if chip.is_white {
        line += "  white card";
    }
    line + "\n"
}

fn end(shelf: &Path, kept: Option<&Path>) -> String {
    match kept {
        Some(kept) => format!("written to {}; as it was: {}\n", shelf.display(), kept.display()),
        None => "nothing is written; `--write` takes the measured colours over to the shelf\n".to_owned(),
    }
}
