//! Collects the pictures a mesh is covered with: each is decoded once, a missing one is refused or noted.

use super::ScanFiles;
use super::names::below_folder;
use super::picture::{Picture, decode};
use super::raw_mesh::ReadOptions;
use super::read_error::ReadError;

/// Most pixels all pictures of a scan may have together.
const PIXELS_MAX: usize = 400_000_000;

/// Pictures decoded so far.
#[derive(Debug)]
pub(super) struct SurfacePictures<'a> {
    files: &'a ScanFiles,
    options: ReadOptions,
    names: Vec<String>,
    pictures: Vec<Picture>,
}

impl<'a> SurfacePictures<'a> {
    pub fn new(files: &'a ScanFiles, options: ReadOptions) -> Self {
        Self { files, options, names: Vec::new(), pictures: Vec::new() }
    }

    /// The picture file that `from` refers to; none when it is missing and that is allowed.
    pub fn named(&mut self, reference: &str, from: &str, notes: &mut Vec<String>) -> Result<Option<usize>, ReadError> {
        let name = below_folder(reference, from).map_err(|_| leaves_folder(reference, from))?;
        if let Some((known, bytes)) = self.files.find(&name) {
            return self.embedded(known, bytes).map(Some);
        }
        if !self.options.ignore_missing_picture {
            return Err(missing(&name, from));
        }
        notes.push(format!("the picture `{name}` is missing; its faces have no colour"));
        Ok(None)
    }

    /// A picture whose bytes are at hand.
    pub fn embedded(&mut self, name: &str, bytes: &[u8]) -> Result<usize, ReadError> {
        if let Some(known) = self.names.iter().position(|known| known == name) {
            return Ok(known);
        }
        let picture = decode(name, bytes)?;
        let pixels: usize = self.pictures.iter().chain([&picture]).map(|p| p.width * p.height).sum();
        if pixels > PIXELS_MAX {
            let what = format!("the pictures of the scan have {pixels} pixels together");
            return Err(ReadError::new(what, format!("use at most {PIXELS_MAX}")).in_file(name));
        }
        self.names.push(name.to_owned());
        self.pictures.push(picture);
        Ok(self.pictures.len() - 1)
    }

    pub fn into_pictures(self) -> Vec<Picture> {
        self.pictures
    }
}

pub(super) fn leaves_folder(reference: &str, from: &str) -> ReadError {
    let what = format!("refers to `{reference}`, which is not in the scan's folder");
    ReadError::new(what, "put all files of a scan into one folder and name them without `..`").in_file(from)
}

pub(super) fn missing(name: &str, from: &str) -> ReadError {
    let what = format!("refers to `{name}`, which is not there");
    let hint = "put it beside the scan, or print without it: `--set intake.missing_picture=ignore`";
    ReadError::new(what, hint).in_file(from)
}
