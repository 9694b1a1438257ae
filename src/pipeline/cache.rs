//! Results of stages on disk, by stamp. Meshes are stored once by their digest; what does not match its digest is
//! treated as not there.

use std::collections::{BTreeSet, HashMap};
use std::fs;
use std::io;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::SystemTime;

use serde::{Deserialize, Serialize};

use crate::figure::Figure;
use crate::mesh::TriMesh;
use crate::run_record::{FileRecord, StageRecord};

use super::files;

/// A folder of stage results.
#[derive(Debug)]
pub struct Cache {
    root: PathBuf,
    /// Digests of meshes already stored, by address; the `Arc` keeps the address from being used again.
    stored: HashMap<usize, (Arc<TriMesh>, String)>,
}

/// One stage's result without its meshes.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct Entry {
    pub record: StageRecord,
    /// Files an output stage wrote.
    pub files: Vec<FileRecord>,
    figure: Option<StoredFigure>,
}

#[derive(Clone, Debug, Serialize, Deserialize)]
struct StoredFigure {
    figure: Figure,
    meshes: Vec<String>,
}

impl Cache {
    #[must_use]
    pub fn open(root: &Path) -> Self {
        Self { root: root.to_path_buf(), stored: HashMap::new() }
    }

    #[must_use]
    pub fn root(&self) -> &Path {
        &self.root
    }

    fn entry_path(&self, stamp: &str) -> PathBuf {
        self.root.join("stages").join(format!("{stamp}.json"))
    }

    fn mesh_path(&self, digest: &str) -> PathBuf {
        self.root.join("meshes").join(digest)
    }

    /// The entry with this stamp, if there is a whole one.
    #[must_use]
    pub fn entry(&self, stamp: &str) -> Option<Entry> {
        let text = fs::read(self.entry_path(stamp)).ok()?;
        let entry: Entry = serde_json::from_slice(&text).ok()?;
        (entry.record.stamp == stamp).then_some(entry)
    }

    /// The figure of an entry with its meshes; `None` when one is missing or damaged.
    pub fn figure(&mut self, entry: &Entry) -> Option<Figure> {
        let stored = entry.figure.as_ref()?;
        let mut read: HashMap<&str, Arc<TriMesh>> = HashMap::new();
        let mut meshes = Vec::with_capacity(stored.meshes.len());
        for digest in &stored.meshes {
            if let Some(mesh) = read.get(digest.as_str()) {
                meshes.push(Arc::clone(mesh));
                continue;
            }
            let bytes = fs::read(self.mesh_path(digest)).ok()?;
            if blake3::hash(&bytes).to_hex().as_str() != digest {
                return None;
            }
            let mesh: Arc<TriMesh> = Arc::new(postcard::from_bytes(&bytes).ok()?);
            self.stored.insert(Arc::as_ptr(&mesh).addr(), (Arc::clone(&mesh), digest.clone()));
            read.insert(digest, Arc::clone(&mesh));
            meshes.push(mesh);
        }
        stored.figure.clone().with_meshes(meshes)
    }

    /// Stores a stage's record with its figure or the files it wrote.
    ///
    /// # Errors
    /// As the file system tells.
    pub fn store(&mut self, record: &StageRecord, files: Vec<FileRecord>, figure: Option<&Figure>) -> io::Result<()> {
        let figure = figure.map(|figure| self.store_figure(figure)).transpose()?;
        let entry = Entry { record: record.clone(), files, figure };
        let text = serde_json::to_vec(&entry).map_err(io::Error::other)?;
        files::write_whole(&self.entry_path(&record.stamp), &text)
    }

    fn store_figure(&mut self, figure: &Figure) -> io::Result<StoredFigure> {
        let meshes = figure.meshes().into_iter().map(|mesh| self.store_mesh(mesh)).collect::<io::Result<_>>()?;
        Ok(StoredFigure { figure: figure.clone(), meshes })
    }

    fn store_mesh(&mut self, mesh: &Arc<TriMesh>) -> io::Result<String> {
        let address = Arc::as_ptr(mesh).addr();
        if let Some((_, digest)) = self.stored.get(&address) {
            return Ok(digest.clone());
        }
        let bytes = postcard::to_stdvec(mesh.as_ref()).map_err(io::Error::other)?;
        let digest = blake3::hash(&bytes).to_hex().to_string();
        let path = self.mesh_path(&digest);
        if !path.exists() {
            files::write_whole(&path, &bytes)?;
        }
        self.stored.insert(address, (Arc::clone(mesh), digest.clone()));
        Ok(digest)
    }

    /// Takes over the entries of another cache that have these stamps, by a second name for the same files.
    ///
    /// # Errors
    /// As the file system tells.
    pub fn adopt(&self, other: &Self, stamps: &[String]) -> io::Result<()> {
        for stamp in stamps {
            let Some(entry) = other.entry(stamp) else { continue };
            for digest in entry.figure.iter().flat_map(|f| &f.meshes) {
                let (from, to) = (other.mesh_path(digest), self.mesh_path(digest));
                if from.exists() && !to.exists() {
                    files::link_or_copy(&from, &to)?;
                }
            }
            if !self.entry_path(stamp).exists() {
                files::link_or_copy(&other.entry_path(stamp), &self.entry_path(stamp))?;
            }
        }
        Ok(())
    }

    /// Removes the entries with these stamps, and every mesh no other entry names.
    ///
    /// # Errors
    /// As the file system tells.
    pub fn forget(&self, stamps: &[String]) -> io::Result<()> {
        for stamp in stamps {
            files::remove(&self.entry_path(stamp))?;
        }
        self.sweep()
    }

    /// Removes the oldest entries until the cache is no larger than `limit_bytes`, then meshes without an entry.
    ///
    /// # Errors
    /// As the file system tells.
    pub fn shrink(&self, limit_bytes: u64) -> io::Result<()> {
        let mut entries = self.listed("stages")?;
        let meshes: u64 = self.listed("meshes")?.iter().map(|(_, size, _)| size).sum();
        if meshes <= limit_bytes {
            return Ok(());
        }
        entries.sort_by_key(|(path, _, age)| (*age, path.clone()));
        for (path, _, _) in entries {
            files::remove(&path)?;
            self.sweep()?;
            if self.listed("meshes")?.iter().map(|(_, size, _)| size).sum::<u64>() <= limit_bytes {
                break;
            }
        }
        Ok(())
    }

    fn sweep(&self) -> io::Result<()> {
        let mut named = BTreeSet::new();
        for (path, _, _) in self.listed("stages")? {
            let stamp = path.file_stem().map(|s| s.to_string_lossy().into_owned()).unwrap_or_default();
            named.extend(self.entry(&stamp).and_then(|e| e.figure).into_iter().flat_map(|f| f.meshes));
        }
        for (path, _, _) in self.listed("meshes")? {
            let digest = path.file_name().map(|s| s.to_string_lossy().into_owned()).unwrap_or_default();
            if !named.contains(&digest) {
                files::remove(&path)?;
            }
        }
        Ok(())
    }

    fn listed(&self, folder: &str) -> io::Result<Vec<(PathBuf, u64, SystemTime)>> {
        let entries = match fs::read_dir(self.root.join(folder)) {
            Ok(entries) => entries,
            Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(Vec::new()),
            Err(error) => return Err(error),
        };
        let mut list = Vec::new();
        for entry in entries {
            let entry = entry?;
            let meta = entry.metadata()?;
            list.push((entry.path(), meta.len(), meta.modified()?));
        }
        list.sort();
        Ok(list)
    }
}
