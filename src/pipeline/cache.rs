//! Results of stages on disk, by stamp. Meshes are stored once by their digest, and beside them what stages keep that
//! depends on one mesh alone; what does not match its digest is treated as not there.

use std::collections::{BTreeSet, HashMap};
use std::fs;
use std::io;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::{Duration, SystemTime};

use rayon::prelude::*;
use serde::{Deserialize, Serialize};

use crate::figure::Figure;
use crate::mesh::TriMesh;
use crate::run_record::{FileRecord, StageRecord};
use crate::stage::{Keep, KeptOf};

use super::files;
use super::manifest::Manifest;

const MESHES: &str = "meshes";
const KEPT: &str = "kept";
/// Age of a hidden file from which nobody is writing it any more.
const LEFTOVER: Duration = Duration::from_hours(1);

/// A folder of stage results.
#[derive(Debug)]
pub struct Cache {
    root: PathBuf,
    /// Digests of meshes already stored, by address; the `Arc` keeps the address from being used again.
    stored: HashMap<usize, (Arc<TriMesh>, String)>,
}

/// What a stage left.
#[derive(Debug)]
pub struct StageResult<'a> {
    /// Files it wrote.
    pub files: Vec<FileRecord>,
    pub figure: Option<&'a Figure>,
    pub manifest: &'a Manifest,
}

/// One stage's result without its meshes.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct Entry {
    pub record: StageRecord,
    /// Files an output stage wrote.
    pub files: Vec<FileRecord>,
    figure: Option<StoredFigure>,
    /// What the stage started from: what is kept of that lasts as long as the entry.
    #[serde(default)]
    basis: String,
    /// The lines its stamp was made of.
    #[serde(default)]
    pub lines: Vec<String>,
}

impl Entry {
    /// Digest of the figure the stage left, meshes and all; none for a stage that only wrote files.
    #[must_use]
    pub fn content(&self) -> Option<String> {
        self.figure.as_ref().and_then(StoredFigure::content)
    }
}

#[derive(Clone, Debug, Serialize, Deserialize)]
struct StoredFigure {
    figure: Figure,
    meshes: Vec<String>,
}

impl StoredFigure {
    fn content(&self) -> Option<String> {
        Some(blake3::hash(&serde_json::to_vec(self).ok()?).to_hex().to_string())
    }
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
        self.root.join(MESHES).join(digest)
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
        let names: BTreeSet<&String> = stored.meshes.iter().collect();
        let read: Vec<(&String, Option<Arc<TriMesh>>)> =
            names.into_par_iter().map(|digest| (digest, self.read_mesh(digest))).collect();
        let read: HashMap<&String, Arc<TriMesh>> =
            read.into_iter().map(|(digest, mesh)| Some((digest, mesh?))).collect::<Option<_>>()?;
        for (digest, mesh) in &read {
            self.stored.insert(Arc::as_ptr(mesh).addr(), (Arc::clone(mesh), (*digest).clone()));
        }
        let meshes = stored.meshes.iter().map(|digest| read.get(digest).cloned()).collect::<Option<_>>()?;
        stored.figure.clone().with_meshes(meshes)
    }

    /// A damaged file goes, so that the mesh can be stored anew.
    fn read_mesh(&self, digest: &str) -> Option<Arc<TriMesh>> {
        let path = self.mesh_path(digest);
        let bytes = fs::read(&path).ok()?;
        if blake3::hash(&bytes).to_hex().as_str() == digest {
            return postcard::from_bytes(&bytes).ok().map(Arc::new);
        }
        let _ = files::remove(&path);
        None
    }

    /// Stores a stage's record with its figure or the files it wrote; gives the digest of that figure.
    ///
    /// # Errors
    /// As the file system tells.
    pub fn store(&mut self, record: &StageRecord, result: StageResult<'_>) -> io::Result<Option<String>> {
        let StageResult { files, figure, manifest } = result;
        let figure = figure.map(|figure| self.store_figure(figure)).transpose()?;
        let (basis, lines) = (manifest.basis.clone(), manifest.lines.clone());
        let entry = Entry { record: record.clone(), files, figure, basis, lines };
        let text = serde_json::to_vec(&entry).map_err(io::Error::other)?;
        files::write_whole(&self.entry_path(&record.stamp), &text)?;
        Ok(entry.content())
    }

    /// Takes an entry out that turned out to be damaged.
    ///
    /// # Errors
    /// As the file system tells.
    pub fn drop_entry(&self, stamp: &str) -> io::Result<()> {
        files::remove(&self.entry_path(stamp))
    }

    fn store_figure(&mut self, figure: &Figure) -> io::Result<StoredFigure> {
        let meshes = figure.meshes();
        let new: HashMap<usize, &Arc<TriMesh>> = meshes.iter().map(|mesh| (Arc::as_ptr(mesh).addr(), *mesh)).collect();
        let new: Vec<_> = new.into_iter().filter(|(address, _)| !self.stored.contains_key(address)).collect();
        let written: Vec<_> = new.into_par_iter().map(|(at, mesh)| (at, mesh, self.write_mesh(mesh))).collect();
        for (address, mesh, digest) in written {
            self.stored.insert(address, (Arc::clone(mesh), digest?));
        }
        let digest = |mesh: &&Arc<TriMesh>| self.digest(mesh).ok_or_else(|| io::Error::other("a mesh was not stored"));
        Ok(StoredFigure { figure: figure.clone(), meshes: meshes.iter().map(digest).collect::<io::Result<_>>()? })
    }

    fn write_mesh(&self, mesh: &TriMesh) -> io::Result<String> {
        let bytes = postcard::to_stdvec(mesh).map_err(io::Error::other)?;
        let digest = blake3::hash(&bytes).to_hex().to_string();
        let path = self.mesh_path(&digest);
        if !path.exists() {
            files::write_checked(&path, &bytes)?;
        }
        Ok(digest)
    }

    fn digest(&self, mesh: &Arc<TriMesh>) -> Option<String> {
        self.stored.get(&Arc::as_ptr(mesh).addr()).map(|(_, digest)| digest.clone())
    }

    /// Where what was kept lies: under the digest of what it depends on and that of its own name.
    fn kept_path(&self, of: &str, name: &str) -> PathBuf {
        self.root.join(KEPT).join(format!("{of}-{}", blake3::hash(name.as_bytes()).to_hex()))
    }

    /// Digest of what something is kept of; none for a mesh that is not stored.
    fn kept_key(&self, of: KeptOf<'_>) -> Option<String> {
        match of {
            KeptOf::Mesh(mesh) => self.digest(mesh),
            KeptOf::Start(basis) => Some(basis.to_owned()),
        }
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
            let meshes = entry.figure.iter().flat_map(|f| &f.meshes);
            let keys: BTreeSet<&str> = meshes.map(String::as_str).chain([entry.basis.as_str()]).collect();
            for kept in other.kept_of(|key| keys.contains(key))? {
                let to = self.root.join(KEPT).join(kept.file_name().unwrap_or_default());
                if !to.exists() {
                    files::link_or_copy(&kept, &to)?;
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
        if self.size_bytes()? <= limit_bytes {
            return Ok(());
        }
        let mut entries = self.listed("stages")?;
        entries.sort_by_key(|(path, _, age)| (*age, path.clone()));
        for (path, _, _) in entries {
            files::remove(&path)?;
            self.sweep()?;
            if self.size_bytes()? <= limit_bytes {
                break;
            }
        }
        Ok(())
    }

    /// What meshes, and what is kept of them, take up.
    ///
    /// # Errors
    /// As the file system tells.
    pub fn size_bytes(&self) -> io::Result<u64> {
        let (meshes, kept) = (self.listed(MESHES)?, self.listed(KEPT)?);
        Ok(meshes.iter().chain(&kept).map(|(_, size, _)| size).sum())
    }

    /// What is kept of some meshes and starts, chosen by their digests.
    fn kept_of(&self, chosen: impl Fn(&str) -> bool) -> io::Result<Vec<PathBuf>> {
        let name = |path: &Path| path.file_name().map(|s| s.to_string_lossy().into_owned()).unwrap_or_default();
        let key = |path: &PathBuf| chosen(name(path).split('-').next().unwrap_or_default());
        Ok(self.listed(KEPT)?.into_iter().map(|(path, _, _)| path).filter(key).collect())
    }

    fn sweep(&self) -> io::Result<()> {
        let mut named = BTreeSet::new();
        for (path, _, _) in self.listed("stages")? {
            let stamp = path.file_stem().map(|s| s.to_string_lossy().into_owned()).unwrap_or_default();
            let Some(entry) = self.entry(&stamp) else { continue };
            named.insert(entry.basis);
            named.extend(entry.figure.into_iter().flat_map(|f| f.meshes));
        }
        for (path, _, _) in self.listed(MESHES)? {
            let digest = path.file_name().map(|s| s.to_string_lossy().into_owned()).unwrap_or_default();
            if !named.contains(&digest) {
                files::remove(&path)?;
            }
        }
        for kept in self.kept_of(|key| !named.contains(key))? {
            files::remove(&kept)?;
        }
        Ok(())
    }

    /// What lies in one folder of the cache. Other processes write and remove there meanwhile: what is gone between two
    /// looks is not there, and what is still being written is passed over.
    fn listed(&self, folder: &str) -> io::Result<Vec<(PathBuf, u64, SystemTime)>> {
        let gone = |error: &io::Error| error.kind() == io::ErrorKind::NotFound;
        let entries = match fs::read_dir(self.root.join(folder)) {
            Ok(entries) => entries,
            Err(error) if gone(&error) => return Ok(Vec::new()),
            Err(error) => return Err(error),
        };
        let mut list = Vec::new();
        for entry in entries {
            let entry = entry?;
            let meta = match entry.metadata() {
                Ok(meta) => meta,
                Err(error) if gone(&error) => continue,
                Err(error) => return Err(error),
            };
            let changed = meta.modified()?;
            let hidden = entry.file_name().as_encoded_bytes().starts_with(b".");
            if !hidden || changed.elapsed().is_ok_and(|age| age > LEFTOVER) {
                list.push((entry.path(), meta.len(), changed));
            }
        }
        list.sort();
        Ok(list)
    }
}

/// What is kept is written after its digest.
impl Keep for Cache {
    fn get(&mut self, of: KeptOf<'_>, name: &str) -> Option<Vec<u8>> {
        let bytes = fs::read(self.kept_path(&self.kept_key(of)?, name)).ok()?;
        let (digest, kept) = bytes.split_at_checked(blake3::OUT_LEN)?;
        (blake3::hash(kept).as_bytes() == digest).then(|| kept.to_vec())
    }

    fn put(&mut self, of: KeptOf<'_>, name: &str, value: &[u8]) {
        let Some(digest) = self.kept_key(of) else { return };
        let path = self.kept_path(&digest, name);
        let written = files::write_checked(&path, &[blake3::hash(value).as_bytes().as_slice(), value].concat());
        if let Err(error) = written {
            tracing::debug!(%error, name, "not kept for the next run");
        }
    }
}

#[cfg(test)]
mod tests {
    use std::sync::atomic::{AtomicBool, Ordering};

    use super::*;

    fn stored(cache: &mut Cache, stamp: &str, height: f64) -> Arc<TriMesh> {
        let corners = [[0.0; 3], [1.0, 0.0, 0.0], [0.0, 0.0, height]].map(glam::DVec3::from_array);
        let mesh = Arc::new(TriMesh::from_shape(corners.to_vec(), vec![[0, 1, 2]]));
        let figure = Figure { whole: Arc::clone(&mesh), ..Figure::default() };
        let record = StageRecord { stamp: stamp.to_owned(), ..StageRecord::default() };
        let manifest = Manifest { basis: format!("before {stamp}"), lines: Vec::new(), stamp: stamp.to_owned() };
        cache.store(&record, StageResult { files: Vec::new(), figure: Some(&figure), manifest: &manifest }).unwrap();
        mesh
    }

    #[test]
    fn what_is_kept_lasts_as_long_as_its_mesh() {
        let folder = tempfile::tempdir().unwrap();
        let mut cache = Cache::open(folder.path());
        let [first, second] = [("first", 1.0), ("second", 2.0)].map(|(stamp, z)| stored(&mut cache, stamp, z));
        assert_eq!(cache.get(KeptOf::Mesh(&first), "area"), None);
        cache.put(KeptOf::Mesh(&first), "area", b"0.5");
        cache.put(KeptOf::Mesh(&second), "area", b"1.0");
        assert_eq!(cache.get(KeptOf::Mesh(&first), "area").as_deref(), Some(b"0.5".as_slice()));
        assert_eq!(cache.get(KeptOf::Mesh(&first), "volume"), None, "each name is kept apart");

        let mut other = Cache::open(&folder.path().join("other"));
        other.adopt(&cache, &["second".to_owned()]).unwrap();
        let entry = other.entry("second").unwrap();
        let adopted = other.figure(&entry).unwrap().whole;
        assert_eq!(other.get(KeptOf::Mesh(&adopted), "area").as_deref(), Some(b"1.0".as_slice()));

        cache.put(KeptOf::Start("before first"), "pictures", b"PNG");
        assert_eq!(cache.get(KeptOf::Start("before first"), "pictures").as_deref(), Some(b"PNG".as_slice()));
        cache.forget(&["first".to_owned()]).unwrap();
        assert_eq!(cache.get(KeptOf::Start("before first"), "pictures"), None);
        assert_eq!(cache.get(KeptOf::Mesh(&first), "area"), None, "nothing of a forgotten scan stays");
        assert_eq!(cache.get(KeptOf::Mesh(&second), "area").as_deref(), Some(b"1.0".as_slice()));
        cache.shrink(0).unwrap();
        assert_eq!(cache.listed(KEPT).unwrap(), Vec::new());
    }

    #[test]
    fn others_may_write_while_it_is_measured_and_shrunk() {
        let folder = tempfile::tempdir().unwrap();
        let (writer, stop) = (Cache::open(folder.path()), AtomicBool::new(false));
        std::thread::scope(|scope| {
            let writing = scope.spawn(|| {
                let mut written = 0_u64;
                while !stop.load(Ordering::Relaxed) {
                    files::write_checked(&writer.mesh_path(&written.to_string()), &written.to_le_bytes()).unwrap();
                    written += 1;
                }
                written
            });
            let cache = Cache::open(folder.path());
            let measured = (0..2000).map(|_| cache.size_bytes().and_then(|_| cache.sweep()));
            let measured = measured.collect::<io::Result<Vec<()>>>();
            stop.store(true, Ordering::Relaxed);
            assert!(writing.join().unwrap() > 0);
            measured.unwrap();
        });
    }

    #[test]
    fn a_damaged_value_is_not_there() {
        let folder = tempfile::tempdir().unwrap();
        let mut cache = Cache::open(folder.path());
        let mesh = stored(&mut cache, "only", 1.0);
        cache.put(KeptOf::Mesh(&mesh), "area", b"0.5");
        let path = cache.kept_path(&cache.digest(&mesh).unwrap(), "area");
        let mut bytes = fs::read(&path).unwrap();
        *bytes.last_mut().unwrap() ^= 1;
        fs::write(&path, &bytes).unwrap();
        assert_eq!(cache.get(KeptOf::Mesh(&mesh), "area"), None);
        fs::write(&path, b"short").unwrap();
        assert_eq!(cache.get(KeptOf::Mesh(&mesh), "area"), None);
    }
}
