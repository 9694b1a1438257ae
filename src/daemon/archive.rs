//! Reads an archive that somebody dropped: bounded, and into a folder of our own only.
//!
//! Layout after the published ZIP format: the list of entries at the end of the file says what there is; each entry
//! has a header of its own before its bytes, which must say the same.

use std::collections::BTreeSet;
use std::fs::{self, File};
use std::io::{self, Read, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};

use crate::pipeline::files;

/// Most that may come out, bytes.
pub const TOTAL_MAX: u64 = 4 << 30;
/// Above [`RATIO_FROM`], no entry may grow by more than this.
const RATIO_MAX: u64 = 200;
const RATIO_FROM: u64 = 10 << 20;
/// Most entries.
pub const ENTRIES_MAX: u64 = 2000;
const LIST_MAX: u64 = 16 << 20;
/// Length of the record at the end without its comment, and the longest comment.
const END_BYTES: u64 = 22;
const COMMENT_MAX: u64 = 65_535;

/// Why an archive is not unpacked.
#[derive(Debug, thiserror::Error)]
pub enum ArchiveError {
    #[error("the archive {0}")]
    Refused(String),
    #[error("{0}")]
    Disk(#[from] io::Error),
}

/// What to do about a refused archive.
pub const HINT: &str = "pack one export, its mesh and pictures, into a plain ZIP file, or drop the folder itself";

fn refuse<T>(what: impl Into<String>) -> Result<T, ArchiveError> {
    Err(ArchiveError::Refused(what.into()))
}

/// Whether a file name is that of an archive.
#[must_use]
pub fn is_archive_name(path: &Path) -> bool {
    path.extension().is_some_and(|ending| ending.eq_ignore_ascii_case("zip"))
}

/// An entry as the list at the end tells it.
#[derive(Debug)]
struct Entry {
    name: String,
    folder: bool,
    packed: u64,
    size: u64,
    crc: u32,
    deflated: bool,
    header: u64,
}

/// Whether the list of entries at the end of the file is there: it is written last.
///
/// # Errors
/// What is missing.
pub fn completeness(path: &Path) -> Result<(), String> {
    let mut file = File::open(path).map_err(|error| error.to_string())?;
    list(&mut file).map(drop).map_err(|error| error.to_string())
}

/// Unpacks an archive into a new folder.
///
/// # Errors
/// What is wrong with it, or as the file system tells; the folder is gone then.
pub fn unpack(archive: &Path, into: &Path) -> Result<(), ArchiveError> {
    let waiting = files::beside(into, "unpacking");
    files::remove(&waiting)?;
    let result = unpack_into(archive, &waiting).and_then(|()| Ok(fs::rename(&waiting, into)?));
    if result.is_err() {
        files::remove(&waiting)?;
    }
    result
}

fn unpack_into(archive: &Path, into: &Path) -> Result<(), ArchiveError> {
    let mut file = File::open(archive)?;
    let (entries, list_start) = list(&mut file)?;
    check_sizes(&entries)?;
    let mut spans = Vec::new();
    let mut names = BTreeSet::new();
    for entry in &entries {
        let path = safe_path(&entry.name)?;
        // Two names that differ in case only are one file on many systems.
        if !names.insert(entry.name.trim_end_matches('/').to_lowercase()) {
            return refuse(format!("has two entries `{}`", entry.name));
        }
        let start = data_start(&mut file, entry)?;
        spans.push((entry.header, start + entry.packed));
        if entry.folder {
            files::make_folder(&into.join(path))?;
        } else {
            let target = into.join(path);
            files::make_folder(target.parent().unwrap_or(into))?;
            inflate(&mut file, start, entry, &target)?;
        }
    }
    spans.sort_unstable();
    let overlap = spans.windows(2).any(|pair| pair[0].1 > pair[1].0);
    if overlap || spans.last().is_some_and(|(_, end)| *end > list_start) {
        return refuse("has entries that overlap");
    }
    Ok(())
}

fn check_sizes(entries: &[Entry]) -> Result<(), ArchiveError> {
    let total = entries.iter().fold(0_u64, |sum, entry| sum.saturating_add(entry.size));
    if total > TOTAL_MAX {
        return refuse(format!("would unpack to {total} bytes; at most {TOTAL_MAX} are taken"));
    }
    let bomb = entries.iter().find(|e| e.size > RATIO_FROM && e.size / RATIO_MAX > e.packed);
    match bomb {
        Some(entry) => refuse(format!("holds `{}`, which grows more than {RATIO_MAX} times", entry.name)),
        None => Ok(()),
    }
}

/// The path of an entry below the folder it is unpacked into.
fn safe_path(name: &str) -> Result<PathBuf, ArchiveError> {
    let plain = |part: &str| !part.is_empty() && part != "." && part != ".." && !part.contains(':');
    let inner = name.strip_suffix('/').unwrap_or(name);
    if name.len() > 1000 || name.chars().any(|c| c == '\\' || c.is_control()) || !inner.split('/').all(plain) {
        return refuse(format!("holds the name `{}`, which leads out of its folder", name.escape_default()));
    }
    Ok(inner.split('/').collect())
}

fn u16_at(bytes: &[u8], at: usize) -> u64 {
    bytes.get(at..at + 2).map_or(0, |b| u64::from(u16::from_le_bytes([b[0], b[1]])))
}

fn u32_at(bytes: &[u8], at: usize) -> u64 {
    u16_at(bytes, at) | u16_at(bytes, at + 2) << 16
}

/// The entries, and where their list starts.
fn list(file: &mut File) -> Result<(Vec<Entry>, u64), ArchiveError> {
    let size = file.metadata()?.len();
    let tail_start = size.saturating_sub(END_BYTES + COMMENT_MAX);
    let tail = read_at(file, tail_start, size - tail_start)?;
    let ends = |at: &usize| {
        tail[*at..].starts_with(b"PK\x05\x06") && u16_at(&tail, at + 20) == (tail.len() - at) as u64 - END_BYTES
    };
    let Some(end) = (0..tail.len().saturating_sub(END_BYTES as usize - 1)).rev().find(ends) else {
        return refuse("is cut off: its list of entries is missing");
    };
    let (count, length, start) = (u16_at(&tail, end + 10), u32_at(&tail, end + 12), u32_at(&tail, end + 16));
    let disks = u16_at(&tail, end + 4) | u16_at(&tail, end + 6) | (u16_at(&tail, end + 8) ^ count);
    if disks != 0 || count == 0xFFFF || length == 0xFFFF_FFFF || start == 0xFFFF_FFFF {
        return refuse("is in several pieces or of the 64-bit kind");
    }
    if count > ENTRIES_MAX || length > LIST_MAX || start + length > tail_start + end as u64 {
        return refuse(format!("has {count} entries in a list of {length} bytes; that is too many, or not true"));
    }
    let bytes = read_at(file, start, length)?;
    let (mut entries, mut at) = (Vec::new(), 0);
    for _ in 0..count {
        let (entry, next) = read_entry(&bytes, at)?;
        entries.push(entry);
        at = next;
    }
    Ok((entries, start))
}

fn read_entry(bytes: &[u8], at: usize) -> Result<(Entry, usize), ArchiveError> {
    let Some(head) = bytes.get(at..at + 46).filter(|head| head.starts_with(b"PK\x01\x02")) else {
        return refuse("is damaged: its list of entries ends too early");
    };
    let (name, extra, comment) = (u16_at(head, 28) as usize, u16_at(head, 30) as usize, u16_at(head, 32) as usize);
    let Some(Ok(name_text)) = bytes.get(at + 46..at + 46 + name).map(|raw| std::str::from_utf8(raw)) else {
        return refuse("holds a name that is not UTF-8");
    };
    let (flags, method, mode) = (u16_at(head, 8), u16_at(head, 10), u32_at(head, 38) >> 16);
    if flags & 0x2041 != 0 {
        return refuse(format!("holds `{name_text}`, which is encrypted"));
    }
    // Upper half of the outer attributes: the file type as on Unix, 0 where the packer had none.
    if !matches!(mode & 0o170_000, 0 | 0o040_000 | 0o100_000) {
        return refuse(format!("holds `{name_text}`, which is a link or no plain file"));
    }
    if !matches!(method, 0 | 8) {
        return refuse(format!("holds `{name_text}`, packed in a way this program does not know ({method})"));
    }
    let entry = Entry {
        name: name_text.to_owned(),
        folder: name_text.ends_with('/'),
        packed: u32_at(head, 20),
        size: u32_at(head, 24),
        crc: u32_at(head, 16) as u32,
        deflated: method == 8,
        header: u32_at(head, 42),
    };
    if entry.packed == 0xFFFF_FFFF || entry.size == 0xFFFF_FFFF || entry.header == 0xFFFF_FFFF {
        return refuse("is of the 64-bit kind");
    }
    Ok((entry, at + 46 + name + extra + comment))
}

/// Where an entry's bytes start; its own header must name it as the list does.
fn data_start(file: &mut File, entry: &Entry) -> Result<u64, ArchiveError> {
    let head = read_at(file, entry.header, 30)?;
    let (name, extra) = (u16_at(&head, 26), u16_at(&head, 28));
    let own = read_at(file, entry.header + 30, name)?;
    if !head.starts_with(b"PK\x03\x04") || own != entry.name.as_bytes() || u16_at(&head, 6) & 1 != 0 {
        return refuse(format!("says two things of `{}`", entry.name));
    }
    Ok(entry.header + 30 + name + extra)
}

fn read_at(file: &mut File, start: u64, length: u64) -> Result<Vec<u8>, ArchiveError> {
    file.seek(SeekFrom::Start(start))?;
    let mut bytes = Vec::new();
    file.take(length).read_to_end(&mut bytes)?;
    if bytes.len() as u64 == length { Ok(bytes) } else { refuse("is cut off") }
}

fn inflate(file: &mut File, start: u64, entry: &Entry, target: &Path) -> Result<(), ArchiveError> {
    file.seek(SeekFrom::Start(start))?;
    let packed = io::BufReader::new(file.take(entry.packed));
    // One byte more than was told shows that more was there.
    let mut plain: Box<dyn Read> = if entry.deflated {
        Box::new(flate2::bufread::DeflateDecoder::new(packed).take(entry.size + 1))
    } else {
        Box::new(packed.take(entry.size + 1))
    };
    let mut out = File::create_new(target)?;
    let (mut sum, mut written, mut buffer) = (flate2::Crc::new(), 0_u64, vec![0; 64 << 10]);
    loop {
        let got = match plain.read(&mut buffer) {
            Ok(0) => break,
            Ok(got) => got,
            Err(error) => return refuse(format!("is damaged at `{}`: {error}", entry.name)),
        };
        sum.update(&buffer[..got]);
        written += got as u64;
        out.write_all(&buffer[..got])?;
    }
    if written != entry.size || sum.sum() != entry.crc {
        return refuse(format!("is damaged at `{}`: it is not what the list says", entry.name));
    }
    Ok(out.sync_all()?)
}

#[cfg(test)]
mod tests;
