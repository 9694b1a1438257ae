//! Finds pipelines: a file, one of the workshop's, or one that ships with the program.

use std::path::{Path, PathBuf};

use crate::problem::{Problem, nearest};

use super::files;
use super::spec::{Spec, read_spec};

/// The pipelines that ship with the program: name and text.
pub const SHIPPED: [(&str, &str); 5] = [
    ("life-size", include_str!("../../pipelines/life-size.yaml")),
    ("half-size", include_str!("../../pipelines/half-size.yaml")),
    ("quarter-size", include_str!("../../pipelines/quarter-size.yaml")),
    ("desk-figure", include_str!("../../pipelines/desk-figure.yaml")),
    ("bust", include_str!("../../pipelines/bust.yaml")),
];

/// Reads the pipeline a name or path stands for.
///
/// # Errors
/// When it is not found, or is no pipeline.
pub fn open(name_or_path: &str, workshop: Option<&Path>) -> Result<Spec, Problem> {
    let path = Path::new(name_or_path);
    if name_or_path.contains('/') || is_yaml(path) {
        return open_file(path);
    }
    if let Some(folder) = workshop.map(|w| w.join("pipelines")) {
        for ending in ["yaml", "yml"] {
            let path = folder.join(format!("{name_or_path}.{ending}"));
            if path.is_file() {
                return open_file(&path);
            }
        }
    }
    if let Some((name, text)) = SHIPPED.iter().find(|(name, _)| *name == name_or_path) {
        return read_spec(name, &format!("pipelines/{name}.yaml"), text);
    }
    let mut known: Vec<String> = SHIPPED.iter().map(|(name, _)| (*name).to_owned()).collect();
    known.extend(workshop.map(list).unwrap_or_default());
    known.sort();
    known.dedup();
    let near = nearest(name_or_path, known.iter().map(String::as_str));
    let guess = near.map_or(String::new(), |near| format!("did you mean `{near}`? "));
    let hint = format!("{guess}known: {}; or give the path of a .yaml file", known.join(", "));
    Err(Problem::new("pipeline", format!("there is no pipeline `{name_or_path}`"), hint))
}

/// Reads one pipeline file.
///
/// # Errors
/// When it cannot be read, or is no pipeline.
pub fn open_file(path: &Path) -> Result<Spec, Problem> {
    let shown = path.display().to_string();
    let name = path.file_stem().map(|s| s.to_string_lossy().into_owned()).unwrap_or_default();
    let text = files::read_text(path).map_err(|error| Problem {
        file: shown.clone(),
        what: format!("cannot be read: {error}"),
        hint: "check the path, and that the file is UTF-8 text".into(),
        ..Problem::default()
    })?;
    read_spec(&name, &shown, &text)
}

/// Names of the workshop's own pipelines, sorted.
#[must_use]
pub fn list(workshop: &Path) -> Vec<String> {
    paths(workshop).iter().filter_map(|p| p.file_stem()).map(|s| s.to_string_lossy().into_owned()).collect()
}

/// Files of the workshop's own pipelines, sorted.
#[must_use]
pub fn paths(workshop: &Path) -> Vec<PathBuf> {
    let Ok(entries) = std::fs::read_dir(workshop.join("pipelines")) else { return Vec::new() };
    let mut paths: Vec<PathBuf> = entries.filter_map(Result::ok).map(|e| e.path()).filter(|p| is_yaml(p)).collect();
    paths.sort();
    paths
}

fn is_yaml(path: &Path) -> bool {
    path.extension().is_some_and(|ending| ending == "yaml" || ending == "yml")
}
