//! The workshop's shelf and printers: read, checked, and one printer chosen.

use std::path::{Path, PathBuf};

use crate::equipment::{Equipment, Filament, Printer, WindowC};
use crate::problem::{Problem, beyond, nearest};

use super::spec::read_yaml;

/// File names in a workshop.
pub const FILAMENTS: &str = "filaments.yaml";
pub const PRINTERS: &str = "printers.yaml";

/// The shelf a new workshop starts with.
pub const DEMO_FILAMENTS: &str = include_str!("../../demo-data/workshop/filaments.yaml");
/// The printers a new workshop starts with.
pub const DEMO_PRINTERS: &str = include_str!("../../demo-data/workshop/printers.yaml");

/// Everything the owner has.
#[derive(Clone, Debug, PartialEq)]
pub struct Workbench {
    pub shelf: Vec<Filament>,
    pub printers: Vec<Printer>,
    /// Whether the built-in demo shelf or printers stand in for a missing file.
    pub demo: bool,
}

impl Workbench {
    /// The museum's shelf and printers, as shipped for the demo.
    ///
    /// # Errors
    /// Never for a released program: a test reads the built-in files.
    pub fn demo() -> Result<Self, Vec<Problem>> {
        Self::read(&[("built-in shelf", DEMO_FILAMENTS)], &[("built-in printers", DEMO_PRINTERS)], true)
    }

    /// Reads `filaments.yaml` and `printers.yaml` of a folder; a file that is not there is replaced by the demo's.
    ///
    /// # Errors
    /// Every fault of both files.
    pub fn open(folder: &Path) -> Result<Self, Vec<Problem>> {
        let text = |name: &str| {
            let path: PathBuf = folder.join(name);
            let label = path.display().to_string();
            match super::files::read_text(&path) {
                Ok(text) => Ok(Some((label, text))),
                Err(error) if error.kind() == std::io::ErrorKind::NotFound => Ok(None),
                Err(error) => Err(vec![Problem {
                    file: label,
                    what: error.to_string(),
                    hint: "check that the file can be read and is UTF-8".into(),
                    ..Problem::default()
                }]),
            }
        };
        let (filaments, printers) = (text(FILAMENTS)?, text(PRINTERS)?);
        let demo = filaments.is_none() || printers.is_none();
        let pick = |own: &Option<(String, String)>, label: &str, built_in: &str| {
            own.clone().unwrap_or((label.to_owned(), built_in.to_owned()))
        };
        let filaments = pick(&filaments, "built-in shelf", DEMO_FILAMENTS);
        let printers = pick(&printers, "built-in printers", DEMO_PRINTERS);
        Self::read(&[(&filaments.0, &filaments.1)], &[(&printers.0, &printers.1)], demo)
    }

    /// Reads a shelf from its text.
    ///
    /// # Errors
    /// Every fault of it.
    pub fn shelf(file: &str, text: &str) -> Result<Vec<Filament>, Vec<Problem>> {
        let shelf: Vec<Filament> = read_yaml(file, text).map_err(|problem| vec![problem])?;
        let problems = check_shelf(file, &shelf);
        if problems.is_empty() { Ok(shelf) } else { Err(problems) }
    }

    /// Reads printers from their text.
    ///
    /// # Errors
    /// Every fault of it.
    pub fn printers(file: &str, text: &str) -> Result<Vec<Printer>, Vec<Problem>> {
        let printers: Vec<Printer> = read_yaml(file, text).map_err(|problem| vec![problem])?;
        let problems = check_printers(file, &printers);
        if problems.is_empty() { Ok(printers) } else { Err(problems) }
    }

    fn read(shelf: &[(&str, &str)], printers: &[(&str, &str)], demo: bool) -> Result<Self, Vec<Problem>> {
        let mut problems = Vec::new();
        let mut bench = Self { shelf: Vec::new(), printers: Vec::new(), demo };
        for (file, text) in shelf {
            match Self::shelf(file, text) {
                Ok(list) => bench.shelf.extend(list),
                Err(faults) => problems.extend(faults),
            }
        }
        for (file, text) in printers {
            match read_yaml::<Vec<Printer>>(file, text) {
                Ok(list) => {
                    problems.extend(check_printers(file, &list));
                    bench.printers.extend(list);
                }
                Err(problem) => problems.push(problem),
            }
        }
        if problems.is_empty() { Ok(bench) } else { Err(problems) }
    }

    /// The shelf with printers by name, those after the first as helpers; without names the first of the workshop.
    ///
    /// # Errors
    /// When there is no printer of a name, or one is named twice.
    pub fn equip(&self, names: &[String]) -> Result<Equipment, Problem> {
        let mut printers = names.iter().map(|name| self.printer(name)).collect::<Result<Vec<_>, _>>()?;
        if let Some(name) = (1..names.len()).find(|&i| names[..i].contains(&names[i])).map(|i| &names[i]) {
            let hint = "two printers of a kind are two entries in printers.yaml, each with a name of its own";
            return Err(Problem::new("printer", format!("`{name}` is named twice"), hint));
        }
        if printers.is_empty() {
            printers.extend(self.printers.first().cloned());
        }
        if printers.is_empty() {
            return Err(Problem::new("printer", "there is no printer", format!("list at least one in {PRINTERS}")));
        }
        let helpers = printers.split_off(1);
        Ok(Equipment { shelf: self.shelf.clone(), printer: printers.remove(0), helpers })
    }

    fn printer(&self, name: &str) -> Result<Printer, Problem> {
        let found = self.printers.iter().find(|printer| printer.name == name);
        found.cloned().ok_or_else(|| {
            let names: Vec<&str> = self.printers.iter().map(|printer| printer.name.as_str()).collect();
            let near = nearest(name, names.iter().copied());
            let guess = near.map_or(String::new(), |near| format!("did you mean `{near}`? "));
            let hint = format!("{guess}printers in {PRINTERS}: {}", names.join(", "));
            Problem::new("printer", format!("there is no printer `{name}`"), hint)
        })
    }
}

fn fault(file: &str, at: String, what: impl Into<String>, hint: &str) -> Problem {
    Problem { file: file.into(), ..Problem::new(at, what, hint) }
}

fn check_shelf(file: &str, shelf: &[Filament]) -> Vec<Problem> {
    let mut problems = Vec::new();
    if shelf.is_empty() {
        problems.push(fault(file, String::new(), "the shelf is empty", "list at least one filament"));
    }
    if shelf.len() > 255 {
        problems.push(fault(file, String::new(), "more than 255 filaments", "leave out what is not in use"));
    }
    for (i, filament) in shelf.iter().enumerate() {
        let at = |setting: &str| format!("[{i}].{setting} ({})", filament.name);
        if filament.name.trim().is_empty() || shelf[..i].iter().any(|other| other.name == filament.name) {
            problems.push(fault(
                file,
                at("name"),
                "the name is empty or taken",
                "give each filament a name of its own",
            ));
        }
        if filament.srgb().is_none() {
            let what = format!("`{}` is no colour", filament.colour);
            let hint = "write it as measured on a printed sample: \"#RRGGBB\", or {lab: [L, a, b], white: D50} with L 0 to 100, \
                        a and b within 150";
            problems.push(fault(file, at("colour"), what, hint));
        }
        for (setting, value, low, high) in [
            ("density_g_per_cm3", filament.density_g_per_cm3, 0.3, 10.0),
            ("left_g", filament.left_g, 0.0, 1e6),
            ("opaque_mm", filament.opaque_mm, 0.0, 100.0),
            ("price_per_kg", filament.price_per_kg, 0.0, 1e6),
        ] {
            problems.extend(out_of_range(file, &at(setting), value, low, high));
        }
        for (setting, window) in [("nozzle_c", filament.nozzle_c), ("bed_c", filament.bed_c)] {
            problems.extend(check_window(file, &at(setting), window));
        }
    }
    problems
}

fn check_window(file: &str, at: &str, [low, high]: WindowC) -> Option<Problem> {
    let fine = low.is_finite() && high.is_finite() && low <= high && low >= 0.0 && high <= 600.0;
    (!fine)
        .then(|| fault(file, at.into(), format!("[{low}, {high}] is no temperature window"), "write [low, high] in °C"))
}

fn out_of_range(file: &str, at: &str, value: f64, low: f64, high: f64) -> Option<Problem> {
    beyond(value, low, high).map(|what| fault(file, at.into(), what, "correct the number; mind its unit"))
}

fn check_printers(file: &str, printers: &[Printer]) -> Vec<Problem> {
    let mut problems = Vec::new();
    if printers.is_empty() {
        problems.push(fault(file, String::new(), "there is no printer", "list at least one printer"));
    }
    for (i, printer) in printers.iter().enumerate() {
        let at = |setting: &str| format!("[{i}].{setting} ({})", printer.name);
        if printer.name.trim().is_empty() || printers[..i].iter().any(|other| other.name == printer.name) {
            problems.push(fault(file, at("name"), "the name is empty or taken", "give each printer a name of its own"));
        }
        if printer.tools == 0 || printer.tools > 64 {
            let what = format!("{} filaments at once", printer.tools);
            problems.push(fault(file, at("tools"), what, "between 1 and 64"));
        }
        let [x, y, z] = printer.volume_mm;
        for (setting, value, low, high) in [
            ("volume_mm", x.min(y).min(z), 20.0, 500_000.0),
            ("volume_mm", x.max(y).max(z), 20.0, 500_000.0),
            ("nozzle_mm", printer.nozzle_mm, 0.05, 5.0),
            ("layer_mm", printer.layer_mm, 0.02, 3.0),
            ("change_secs", printer.change_secs, 0.0, 3600.0),
            ("change_g", printer.change_g, 0.0, 100.0),
            ("nozzle_max_c", printer.nozzle_max_c, 50.0, 600.0),
            ("bed_max_c", printer.bed_max_c, 0.0, 300.0),
            ("flow_mm3_per_sec", printer.flow_mm3_per_sec, 0.1, 1000.0),
            ("time_factor", printer.time_factor, 0.1, 10.0),
            ("cost_per_hour", printer.cost_per_hour, 0.0, 1e6),
        ] {
            problems.extend(out_of_range(file, &at(setting), value, low, high));
        }
        if let Some(tower) = printer.purge_tower {
            problems.extend(out_of_range(file, &at("purge_tower.width_mm"), tower.width_mm, 5.0, 500.0));
            problems.extend(out_of_range(file, &at("purge_tower.fill_share"), tower.fill_share, 0.02, 1.0));
        }
    }
    problems
}
