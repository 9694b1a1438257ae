//! Folders packed into one file and back. Entries are numbered, and a list tells which path each becomes: no name of a file
//! has to suit the archive, and every path is looked at before it is used.

use std::collections::BTreeSet;
use std::fs::{self, File};
use std::io::{self, Read, Write};
use std::path::{Component, Path, PathBuf};

use serde::de::DeserializeOwned;
use serde::{Deserialize, Serialize};
use zip::write::SimpleFileOptions;

use crate::daemon::archive::{self, ArchiveError};
use crate::pipeline::files;

/// The entry with the list.
const LIST: &str = "list.json";
/// Longest list, bytes.
const LIST_MAX: u64 = 16 << 20;

/// What stands in the list.
#[derive(Debug, Serialize, Deserialize)]
struct List<T> {
    about: T,
    /// Path of each numbered entry, from 0.
    paths: Vec<String>,
}

/// A packed file as it was written.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Sealed {
    pub blake3: String,
    pub bytes: u64,
}

/// Packs files one by one.
pub struct Packing {
    zip: zip::ZipWriter<File>,
    path: PathBuf,
    paths: Vec<String>,
    bytes: u64,
}

impl Packing {
    /// # Errors
    /// As the file system tells.
    pub fn begin(path: &Path) -> io::Result<Self> {
        let file = File::options().read(true).write(true).create(true).truncate(true).open(path)?;
        Ok(Self { zip: zip::ZipWriter::new(file), path: path.to_path_buf(), paths: Vec::new(), bytes: 0 })
    }

    /// Adds what a reader gives as a path below the folder it will be unpacked into.
    ///
    /// # Errors
    /// `FileTooLarge` when all together is more than is unpacked again, else as the file system tells.
    pub fn add(&mut self, path: &str, bytes: &mut impl Read) -> io::Result<()> {
        let left = archive::TOTAL_MAX - self.bytes;
        // Meshes are packed as they are: most of what travels is compressed already, and networks are fast.
        let options = SimpleFileOptions::default().compression_method(zip::CompressionMethod::Stored);
        self.zip.start_file(self.paths.len().to_string(), options).map_err(io::Error::other)?;
        self.bytes += io::copy(&mut bytes.take(left + 1), &mut self.zip)?;
        self.paths.push(path.to_owned());
        let too_much = self.bytes > archive::TOTAL_MAX - LIST_MAX || self.paths.len() as u64 >= archive::ENTRIES_MAX;
        if too_much {
            let what = format!("more than {} bytes, or {} files", archive::TOTAL_MAX, archive::ENTRIES_MAX);
            return Err(io::Error::new(io::ErrorKind::FileTooLarge, what));
        }
        Ok(())
    }

    /// Adds all files of a folder under a path.
    ///
    /// # Errors
    /// As [`Self::add`]; `InvalidData` for a name that is not UTF-8.
    pub fn add_folder(&mut self, folder: &Path) -> io::Result<()> {
        let mut waiting = vec![folder.to_path_buf()];
        while let Some(next) = waiting.pop() {
            let mut entries = fs::read_dir(next)?.map(|entry| Ok(entry?.path())).collect::<io::Result<Vec<_>>>()?;
            entries.sort();
            for path in entries {
                let meta = fs::symlink_metadata(&path)?;
                if meta.is_dir() {
                    waiting.push(path);
                } else if meta.is_file() {
                    let inner = path.strip_prefix(folder).ok().and_then(Path::to_str);
                    let what = || io::Error::new(io::ErrorKind::InvalidData, "holds a name that is not UTF-8");
                    self.add(inner.ok_or_else(what)?, &mut File::open(&path)?)?;
                }
            }
        }
        Ok(())
    }

    /// Writes the list and closes the file.
    ///
    /// # Errors
    /// As the file system tells.
    pub fn seal(mut self, about: &impl Serialize) -> io::Result<Sealed> {
        let list = serde_json::to_vec(&List { about, paths: self.paths }).map_err(io::Error::other)?;
        self.zip.start_file(LIST, SimpleFileOptions::default()).map_err(io::Error::other)?;
        self.zip.write_all(&list)?;
        drop(self.zip.finish().map_err(io::Error::other)?);
        sealed(&self.path)
    }
}

/// Digest and size of a file.
///
/// # Errors
/// As the file system tells.
pub fn sealed(path: &Path) -> io::Result<Sealed> {
    let mut sum = blake3::Hasher::new();
    sum.update_reader(File::open(path)?)?;
    Ok(Sealed { blake3: sum.finalize().to_hex().to_string(), bytes: sum.count() })
}

/// Unpacks into a new folder; what it is about is returned.
///
/// # Errors
/// What is wrong with it, or as the file system tells; the folder is not there then.
pub fn unpack<T: DeserializeOwned>(packed: &Path, into: &Path) -> Result<T, ArchiveError> {
    let numbered = files::beside(into, "numbered");
    let result = unpack_numbered(packed, &numbered, into);
    files::remove(&numbered)?;
    if result.is_err() {
        files::remove(into)?;
    }
    result
}

fn unpack_numbered<T: DeserializeOwned>(packed: &Path, numbered: &Path, into: &Path) -> Result<T, ArchiveError> {
    let refuse = |what: String| Err(ArchiveError::Refused(what));
    files::remove(numbered)?;
    archive::unpack(packed, numbered)?;
    let mut text = Vec::new();
    File::open(numbered.join(LIST))?.take(LIST_MAX).read_to_end(&mut text)?;
    let list: List<T> = match serde_json::from_slice(&text) {
        Ok(list) => list,
        Err(error) => return refuse(format!("has a list that cannot be read: {error}")),
    };
    files::make_folder(into)?;
    let mut known = BTreeSet::new();
    for (number, path) in list.paths.iter().enumerate() {
        if !is_inside(path) || !known.insert(path) {
            return refuse(format!("names the path `{}`, which is taken or leads out", path.escape_default()));
        }
        let target = into.join(path);
        files::make_folder(target.parent().unwrap_or(into))?;
        files::rename_new(&numbered.join(number.to_string()), &target)?;
    }
    Ok(list.about)
}

/// Whether a path stays in the folder it is joined to.
#[must_use]
pub fn is_inside(path: &str) -> bool {
    let plain = |part: Component<'_>| matches!(part, Component::Normal(_) | Component::CurDir);
    let named = Path::new(path).components().any(|part| matches!(part, Component::Normal(_)));
    named
        && path.len() < 1000
        && !path.contains('\0')
        && !path.ends_with('/')
        && Path::new(path).components().all(plain)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn packed(folder: &Path, files: &[(&str, &[u8])]) -> (PathBuf, Sealed) {
        let path = folder.join("packed");
        let mut packing = Packing::begin(&path).unwrap();
        for (name, bytes) in files {
            packing.add(name, &mut &bytes[..]).unwrap();
        }
        let sealed = packing.seal(&"about it").unwrap();
        (path, sealed)
    }

    #[test]
    fn what_was_packed_comes_out_whatever_it_is_called() {
        let folder = tempfile::tempdir().unwrap();
        let names = ["scan/crew: 12\\30.ply", "scan/./hat.png", "pipelines/desk figure.yaml"];
        let contents: Vec<(&str, &[u8])> = names.iter().map(|name| (*name, name.as_bytes())).collect();
        let (path, told) = packed(folder.path(), &contents);
        assert_eq!(sealed(&path).unwrap(), told);
        let into = folder.path().join("out");
        assert_eq!(unpack::<String>(&path, &into).unwrap(), "about it");
        for name in names {
            assert_eq!(fs::read(into.join(name)).unwrap(), name.as_bytes());
        }
    }

    #[test]
    fn a_folder_comes_back_as_it_was() {
        let folder = tempfile::tempdir().unwrap();
        let from = folder.path().join("from");
        fs::create_dir_all(from.join("parts/01")).unwrap();
        fs::write(from.join("run.json"), "{}").unwrap();
        fs::write(from.join("parts/01/red.stl"), vec![7; 100_000]).unwrap();
        let mut packing = Packing::begin(&folder.path().join("packed")).unwrap();
        packing.add_folder(&from).unwrap();
        packing.seal(&()).unwrap();
        let into = folder.path().join("into");
        unpack::<()>(&folder.path().join("packed"), &into).unwrap();
        assert!(files::same_content(&from, &into).unwrap() && files::same_content(&into, &from).unwrap());
    }

    #[test]
    fn paths_that_lead_out_or_come_twice_are_refused_and_leave_nothing() {
        let folder = tempfile::tempdir().unwrap();
        let into = folder.path().join("out");
        for bad in ["../escaped", "/escaped", "a/../../escaped", "", ".", "scan/", "a\0b"] {
            let (path, _) = packed(folder.path(), &[("fine", b"1"), (bad, b"2")]);
            let error = unpack::<String>(&path, &into).unwrap_err();
            assert!(matches!(error, ArchiveError::Refused(_)), "{bad:?}: {error}");
            assert!(!into.exists() && !folder.path().join("escaped").exists());
        }
        let (path, _) = packed(folder.path(), &[("same", b"1"), ("same", b"2")]);
        assert!(unpack::<String>(&path, &into).is_err());
        fs::write(&path, "no archive").unwrap();
        assert!(unpack::<String>(&path, &into).is_err());
        assert_eq!(fs::read_dir(folder.path()).unwrap().count(), 1, "only the packed file is left");
    }
}
