//! The shelf chips are matched with: found, searched by name, written back.

use std::path::{Path, PathBuf};

use super::{SwatchError, Swatches};
use crate::colour::spaces::Lab;
use crate::equipment::Filament;
use crate::pipeline::equipment_files::{FILAMENTS, Workbench};
use crate::pipeline::files::{free_name, read_text, replace_whole, write_whole};
use crate::pipeline::shelf_text::with_colours;
use crate::problem::{Problem, nearest};

/// A shelf as its owner wrote it.
#[derive(Clone, Debug)]
pub struct Shelf {
    pub path: PathBuf,
    pub text: String,
    pub filaments: Vec<Filament>,
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

    pub(super) fn labs(&self) -> Vec<Lab> {
        self.filaments.iter().map(|f| f.lab().unwrap_or_default()).collect()
    }

    /// Numbers of the filaments named, or of all.
    pub(super) fn among(&self, names: &[String]) -> Result<Vec<usize>, SwatchError> {
        if names.is_empty() {
            Ok((0..self.filaments.len()).collect())
        } else {
            names.iter().map(|n| self.find(n)).collect()
        }
    }

    /// Number of a filament by its name, written in any case and with any sign between the words.
    pub(super) fn find(&self, name: &str) -> Result<usize, SwatchError> {
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
