//! How much memory a scan will take, told before it is loaded, and how much there is.

use std::fs;
use std::io::Read;
use std::path::{Path, PathBuf};

use crate::format::count::{HEAD_BYTES, description_end, triangles};
use crate::pipeline::scan_files::find_mesh;

/// What a run takes however small the scan is, and what each triangle adds to it, bytes.
///
/// Highest resident memory of whole runs, two threads, 2026-11-28: `life-size` 468 MB with 45,557 triangles, 485 MB with
/// 341,374 and 671 MB with 709,272; `desk-figure` 115, 404 and 590 MB. The line lies above all of them.
const BASE_BYTES: u64 = 450_000_000;
const TRIANGLE_BYTES: u64 = 700;
/// A picture takes up to some thirty times its file: three bytes a pixel, where the file has a tenth of one.
const PICTURE_FACTOR: u64 = 30;
/// Longest description of a glTF that is looked at, bytes.
const DESCRIPTION_MAX: u64 = 64 << 20;
/// Share of the machine that is used when nothing else is asked for.
const SHARE: f64 = 0.9;

/// What a scan is expected to take.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Prediction {
    pub triangles: u64,
    pub bytes: u64,
}

/// Predicts from the header of the mesh at `path`, a file or the folder with one.
#[must_use]
pub fn predict(path: &Path) -> Prediction {
    let Ok(mesh) = find_mesh(path) else { return Prediction { triangles: 0, bytes: BASE_BYTES } };
    let triangles = count(&mesh).unwrap_or(0);
    let pictures = mesh.parent().map_or(0, picture_bytes);
    let bytes = BASE_BYTES
        .saturating_add(triangles.saturating_mul(TRIANGLE_BYTES))
        .saturating_add(pictures.saturating_mul(PICTURE_FACTOR));
    Prediction { triangles, bytes }
}

fn count(mesh: &Path) -> Option<u64> {
    let mut file = fs::File::open(mesh).ok()?;
    let size = file.metadata().ok()?.len();
    let name = mesh.file_name()?.to_string_lossy().into_owned();
    let mut head = Vec::new();
    file.by_ref().take(HEAD_BYTES as u64).read_to_end(&mut head).ok()?;
    let wanted = if name.to_ascii_lowercase().ends_with(".gltf") { Some(size) } else { description_end(&head) };
    let more = wanted.unwrap_or(0).min(DESCRIPTION_MAX).saturating_sub(head.len() as u64);
    file.take(more).read_to_end(&mut head).ok()?;
    triangles(&name, &head, size)
}

fn picture_bytes(folder: &Path) -> u64 {
    let is_picture = |path: &Path| {
        let ending = path.extension().map(|ending| ending.to_string_lossy().to_ascii_lowercase());
        ending.is_some_and(|ending| ["png", "jpg", "jpeg"].contains(&ending.as_str()))
    };
    let entries = fs::read_dir(folder).into_iter().flatten().filter_map(Result::ok);
    entries.filter(|entry| is_picture(&entry.path())).filter_map(|entry| entry.metadata().ok()).map(|m| m.len()).sum()
}

/// What runs may take together, and what is free of it now; bytes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Room {
    pub most: u64,
    pub free: u64,
}

impl Room {
    /// Of this machine, or of the limit its group of processes has; `wanted` is the most to take, if it was said.
    #[must_use]
    pub fn of_machine(wanted: Option<u64>) -> Self {
        let memory = meminfo();
        let (mut most, mut free) = (memory("MemTotal:"), memory("MemAvailable:"));
        let own = fs::read_to_string("/proc/self/cgroup").unwrap_or_default();
        if let Some((limit, used)) = group_limit(Path::new("/sys/fs/cgroup"), &own) {
            most = most.min(limit);
            free = free.min(limit.saturating_sub(used));
        }
        let most = wanted.unwrap_or((most as f64 * SHARE) as u64);
        Self { most, free: if wanted.is_some() { free.max(most) } else { free } }
    }

    /// What is left for one more, when those at work will take so much, of which they have so much now; bytes.
    #[must_use]
    pub fn left(&self, at_work: &[(u64, u64)]) -> u64 {
        let taken: u64 = at_work.iter().map(|(will_take, _)| will_take).sum();
        let to_come: u64 = at_work.iter().map(|(will_take, has)| will_take.saturating_sub(*has)).sum();
        self.most.saturating_sub(taken).min(self.free.saturating_sub(to_come))
    }

    /// Whether one more fits in, by what it will take.
    #[must_use]
    pub fn has_place_for(&self, bytes: u64, at_work: &[(u64, u64)]) -> bool {
        bytes <= self.left(at_work)
    }
}

/// Lines of the system's account of its memory, as bytes; plenty where there is no such account.
fn meminfo() -> impl Fn(&str) -> u64 {
    let text = fs::read_to_string("/proc/meminfo").unwrap_or_default();
    move |name| kib_line(&text, name).unwrap_or(u64::MAX / 4)
}

fn kib_line(text: &str, name: &str) -> Option<u64> {
    let line = text.lines().find_map(|line| line.strip_prefix(name))?;
    line.trim().trim_end_matches("kB").trim().parse::<u64>().ok()?.checked_mul(1024)
}

/// The tightest limit of the groups a process is in, by the system's line of them, and what that group uses, without pages
/// that can be dropped.
fn group_limit(top: &Path, own: &str) -> Option<(u64, u64)> {
    let group = own.lines().find_map(|line| line.strip_prefix("0::"))?.trim_start_matches('/').to_owned();
    let folders: Vec<PathBuf> =
        top.join(group).ancestors().take_while(|f| f.starts_with(top)).map(Path::to_path_buf).collect();
    let number = |folder: &Path, file: &str| fs::read_to_string(folder.join(file)).ok()?.trim().parse::<u64>().ok();
    let limits = folders.iter().filter_map(|folder| {
        let limit = number(folder, "memory.max")?;
        let stat = fs::read_to_string(folder.join("memory.stat")).unwrap_or_default();
        let droppable = stat.lines().find_map(|line| line.strip_prefix("inactive_file ")?.parse::<u64>().ok());
        let used = number(folder, "memory.current")?.saturating_sub(droppable.unwrap_or(0));
        Some((limit, used))
    });
    limits.min_by_key(|(limit, _)| *limit)
}

/// Resident memory of a process, bytes; 0 when the system does not tell.
#[must_use]
pub fn resident_bytes(process: u32) -> u64 {
    let text = fs::read_to_string(format!("/proc/{process}/status")).unwrap_or_default();
    kib_line(&text, "VmRSS:").unwrap_or(0)
}

/// A size in words.
#[must_use]
pub fn gigabytes(bytes: u64) -> String {
    format!("{:.1} GB", bytes as f64 / 1e9)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_tightest_group_limits() {
        let top = tempfile::tempdir().unwrap();
        let folder = top.path().join("shop.slice/statuary.service");
        fs::create_dir_all(&folder).unwrap();
        let write = |folder: &Path, most: &str, used: &str| {
            fs::write(folder.join("memory.max"), most).unwrap();
            fs::write(folder.join("memory.current"), used).unwrap();
            fs::write(folder.join("memory.stat"), "anon 5\ninactive_file 100\n").unwrap();
        };
        let limit = || group_limit(top.path(), "1:name=old:/other\n0::/shop.slice/statuary.service\n");
        assert_eq!(limit(), None, "nobody limits it");
        write(&folder, "max\n", "900\n");
        write(folder.parent().unwrap(), "4000\n", "1500\n");
        assert_eq!(limit(), Some((4000, 1400)), "what can be dropped does not count");
        write(&folder, "3000\n", "900\n");
        assert_eq!(limit(), Some((3000, 800)));
        assert_eq!(group_limit(top.path(), "0::/elsewhere\n"), None);
    }

    #[test]
    fn the_prediction_lies_above_what_was_measured() {
        for (triangles, measured) in [(45_557, 467_845_120_u64), (341_374, 485_396_480), (709_272, 670_916_608)] {
            assert!(BASE_BYTES + triangles * TRIANGLE_BYTES > measured, "{triangles} triangles");
        }
        let shipped = Path::new(env!("CARGO_MANIFEST_DIR")).join("demo-data/deckhand-small.ply");
        assert_eq!(predict(&shipped).triangles, 45_557);
    }

    #[test]
    fn what_is_at_work_counts_with_what_it_has_and_will_take() {
        let room = Room { most: 100, free: 60 };
        assert_eq!(room.left(&[]), 60);
        assert_eq!(room.left(&[(30, 30)]), 60, "it has all of it already, so that it is not free");
        assert_eq!(room.left(&[(30, 10)]), 40, "20 of what is free are spoken for");
        assert_eq!(room.left(&[(80, 80)]), 20, "not more than the most");
        assert!(room.has_place_for(20, &[(80, 80)]) && !room.has_place_for(21, &[(80, 80)]));
    }

    #[test]
    fn the_machine_has_room() {
        let room = Room::of_machine(None);
        assert!(room.most > 100_000_000 && room.free > 0, "{room:?}");
        assert_eq!(Room::of_machine(Some(5)).most, 5);
        assert!(resident_bytes(std::process::id()) > 1_000_000);
    }
}
