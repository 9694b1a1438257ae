//! What travels to a worker: a scan's files as a run reads them and no others, its pipeline, the shelf and the printers.

use std::fs::File;
use std::io;
use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};

use crate::daemon::archive::ArchiveError;
use crate::daemon::workshop::Workshop;
use crate::pipeline::equipment_files::{FILAMENTS, PRINTERS};
use crate::pipeline::scan_files::{ScanFilesError, consent, consent_path, each_scan_file};

use super::listing::{self, Packing, Sealed, is_inside};

/// Folders inside a parcel.
const WORKSHOP: &str = "workshop";
const SCAN: &str = "scan";

/// Why a parcel could not be packed.
#[derive(Debug, thiserror::Error)]
pub enum PackError {
    #[error(transparent)]
    Scan(#[from] ScanFilesError),
    #[error("the scan is too large to be sent: {0}")]
    TooLarge(String),
    #[error("{0}")]
    Disk(io::Error),
}

impl From<io::Error> for PackError {
    fn from(error: io::Error) -> Self {
        match error.kind() {
            io::ErrorKind::FileTooLarge => Self::TooLarge(error.to_string()),
            _ => Self::Disk(error),
        }
    }
}

/// What a parcel is about.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct About {
    pub pipeline: String,
    /// Name of the mesh file.
    pub mesh: String,
    /// What the scan is called in all that is made of it; its own name if not given.
    pub name: Option<String>,
}

/// Packs the scan at a path, a mesh file or the folder with one.
///
/// # Errors
/// What is wrong with the scan, or as the file system tells.
pub fn pack(
    to: &Path,
    workshop: &Workshop,
    scan: &Path,
    (pipeline, name): (&str, Option<&str>),
) -> Result<Sealed, PackError> {
    let mut packing = Packing::begin(to)?;
    for file in configuration(workshop, pipeline) {
        let inner = file.strip_prefix(workshop.root()).ok().and_then(Path::to_str).unwrap_or_default();
        packing.add(&format!("{WORKSHOP}/{inner}"), &mut File::open(&file)?)?;
    }
    let mut failed = Ok(());
    let mesh = each_scan_file(scan, |name, bytes| {
        if failed.is_ok() {
            failed = packing.add(&format!("{SCAN}/{name}"), &mut &bytes[..]);
        }
    })?;
    failed?;
    let consent = consent(scan);
    if !consent.is_empty() {
        let beside = consent_path(Path::new(&mesh));
        packing.add(&format!("{SCAN}/{}", beside.display()), &mut consent.as_bytes())?;
    }
    let about = About { pipeline: pipeline.to_owned(), mesh, name: name.map(ToOwned::to_owned) };
    Ok(packing.seal(&about)?)
}

/// The files that a plan is made from. A pipeline that ships with the program is not among them.
fn configuration(workshop: &Workshop, pipeline: &str) -> Vec<PathBuf> {
    let own = ["yaml", "yml"].map(|ending| workshop.root().join("pipelines").join(format!("{pipeline}.{ending}")));
    let own = own.into_iter().find(|path| path.is_file());
    let equipment = [FILAMENTS, PRINTERS].map(|name| workshop.root().join(name));
    own.into_iter().chain(equipment.into_iter().filter(|path| path.is_file())).collect()
}

/// A parcel unpacked in a folder.
#[derive(Clone, Debug)]
pub struct Unpacked {
    pub about: About,
    pub workshop: PathBuf,
    pub mesh: PathBuf,
}

/// Unpacks a parcel into a new folder.
///
/// # Errors
/// What is wrong with it, or as the file system tells.
pub fn unpack(parcel: &Path, into: &Path) -> Result<Unpacked, ArchiveError> {
    let about: About = listing::unpack(parcel, into)?;
    // A pipeline is named, not given by a path, and a mesh lies among the scan's files.
    let yaml = [".yaml", ".yml"].iter().any(|ending| about.pipeline.ends_with(ending));
    let plain = |name: &str| is_inside(name) && !name.contains('/');
    if !plain(&about.pipeline) || yaml || !plain(&about.mesh) {
        return Err(ArchiveError::Refused("names no pipeline or no mesh".into()));
    }
    let mesh = into.join(SCAN).join(&about.mesh);
    Ok(Unpacked { about, workshop: into.join(WORKSHOP), mesh })
}

#[cfg(test)]
mod tests {
    use std::fs;

    use super::*;

    #[test]
    fn a_parcel_holds_what_a_run_reads_and_nothing_else() {
        let folder = tempfile::tempdir().unwrap();
        let root = folder.path().join("ws");
        for path in ["pipelines", "scan"] {
            fs::create_dir_all(root.join(path)).unwrap();
        }
        for (name, text) in [
            ("pipelines/desk.yaml", "stages: [intake]"),
            ("pipelines/other.yaml", "stages: [intake]"),
            ("filaments.yaml", "[]"),
            ("scan/mate.obj", "mtllib mate.mtl\n"),
            ("scan/mate.mtl", "newmtl skin\nmap_Kd Skin.PNG\n"),
            ("scan/skin.png", "picture"),
            ("scan/letter.txt", "not asked for"),
            ("scan/consent.txt", "until May"),
        ] {
            fs::write(root.join(name), text).unwrap();
        }
        let parcel = folder.path().join("parcel");
        pack(&parcel, &Workshop::at(&root), &root.join("scan"), ("desk", None)).unwrap();
        let out = unpack(&parcel, &folder.path().join("out")).unwrap();
        assert_eq!(out.about, About { pipeline: "desk".into(), mesh: "mate.obj".into(), name: None });
        let read = |name: &str| fs::read_to_string(folder.path().join("out").join(name)).ok();
        assert_eq!(read("scan/Skin.PNG").as_deref(), Some("picture"), "under the name that is asked for");
        assert_eq!(consent(&out.mesh), "until May");
        assert_eq!(read("workshop/filaments.yaml").as_deref(), Some("[]"));
        assert!(read("scan/letter.txt").is_none() && read("workshop/pipelines/other.yaml").is_none());
    }

    #[test]
    fn a_scan_that_is_none_is_told_as_a_run_tells_it() {
        let folder = tempfile::tempdir().unwrap();
        let error = pack(&folder.path().join("p"), &Workshop::at(folder.path()), folder.path(), ("desk", None));
        assert!(matches!(&error, Err(PackError::Scan(e)) if e.what.contains("no mesh")), "{error:?}");
    }
}
