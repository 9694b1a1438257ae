//! The doors to the disk: whole reads, whole writes by rename, folders only their owner may open.

use std::fs::{self, File};
use std::io::{self, Read, Write};
use std::path::{Path, PathBuf};

#[cfg(unix)]
use std::os::unix::fs::DirBuilderExt;

/// Reads a configuration file, refusing what is no plain text of reasonable size.
///
/// # Errors
/// As the file system tells, or `InvalidData` when it is too long or not UTF-8.
pub fn read_text(path: &Path) -> io::Result<String> {
    let mut text = String::new();
    File::open(path)?.take(super::spec::TEXT_MAX_BYTES as u64 + 1).read_to_string(&mut text)?;
    Ok(text)
}

/// Makes a folder and those above it; new ones are open to their owner only.
///
/// # Errors
/// As the file system tells.
pub fn make_folder(path: &Path) -> io::Result<()> {
    let mut builder = fs::DirBuilder::new();
    builder.recursive(true);
    #[cfg(unix)]
    builder.mode(0o700);
    builder.create(path)
}

/// Writes a whole file readable by its owner only; nobody ever sees a part of it.
///
/// # Errors
/// As the file system tells.
pub fn write_whole(path: &Path, bytes: &[u8]) -> io::Result<()> {
    let file = filled(path, bytes)?;
    file.as_file().sync_all()?;
    file.persist(path).map_err(|error| error.error)?;
    sync_folder(path.parent().unwrap_or(Path::new(".")))
}

/// Like [`write_whole`] without waiting for the disk: for what is checked when it is read and can be made again, as a
/// power failure may spoil it.
///
/// # Errors
/// As the file system tells.
pub fn write_checked(path: &Path, bytes: &[u8]) -> io::Result<()> {
    filled(path, bytes)?.persist(path).map(drop).map_err(|error| error.error)
}

/// A file beside the one it is to become.
fn filled(path: &Path, bytes: &[u8]) -> io::Result<tempfile::NamedTempFile> {
    let folder = path.parent().unwrap_or(Path::new("."));
    make_folder(folder)?;
    let mut file = tempfile::NamedTempFile::new_in(folder)?;
    file.write_all(bytes)?;
    Ok(file)
}

/// Writes a whole file in the place of one that is there, also at the end of a link; its rights stay as they were.
///
/// # Errors
/// As the file system tells.
pub fn replace_whole(path: &Path, bytes: &[u8]) -> io::Result<()> {
    let path = fs::canonicalize(path)?;
    let rights = fs::metadata(&path)?.permissions();
    write_whole(&path, bytes)?;
    fs::set_permissions(&path, rights)
}

/// Makes a rename or a new entry in the folder last.
///
/// # Errors
/// As the file system tells.
pub fn sync_folder(folder: &Path) -> io::Result<()> {
    let folder = if folder.as_os_str().is_empty() { Path::new(".") } else { folder };
    File::open(folder)?.sync_all()
}

/// Makes a folder and all in it last, from the inside out.
///
/// # Errors
/// As the file system tells.
pub fn sync_tree(path: &Path) -> io::Result<()> {
    let meta = fs::symlink_metadata(path)?;
    if meta.is_dir() {
        for entry in fs::read_dir(path)? {
            sync_tree(&entry?.path())?;
        }
    }
    if meta.is_dir() || meta.is_file() { File::open(path)?.sync_all() } else { Ok(()) }
}

/// Renames to a name that nobody has.
///
/// # Errors
/// `AlreadyExists` when somebody has it, `CrossesDevices` onto another file system, else as the file system tells.
pub fn rename_new(from: &Path, to: &Path) -> io::Result<()> {
    use rustix::fs::{CWD, RenameFlags, renameat_with};
    match renameat_with(CWD, from, CWD, to, RenameFlags::NOREPLACE) {
        // Not every file system knows the flag.
        Err(rustix::io::Errno::INVAL | rustix::io::Errno::NOSYS) if fs::symlink_metadata(to).is_err() => {
            fs::rename(from, to)
        }
        Err(rustix::io::Errno::INVAL | rustix::io::Errno::NOSYS) => Err(io::ErrorKind::AlreadyExists.into()),
        other => Ok(other?),
    }
}

/// Whether two files or folders hold the same.
///
/// # Errors
/// As the file system tells.
pub fn same_content(one: &Path, other: &Path) -> io::Result<bool> {
    let (a, b) = (fs::symlink_metadata(one)?, fs::symlink_metadata(other)?);
    if !a.is_dir() || !b.is_dir() {
        return Ok(a.is_file() && b.is_file() && a.len() == b.len() && fs::read(one)? == fs::read(other)?);
    }
    for entry in fs::read_dir(one)? {
        let name = entry?.file_name();
        if fs::symlink_metadata(other.join(&name)).is_err() || !same_content(&one.join(&name), &other.join(&name))? {
            return Ok(false);
        }
    }
    Ok(true)
}

/// Removes what an earlier process left under names of [`beside`] with this tag.
///
/// # Errors
/// As the file system tells.
pub fn remove_leftovers(folder: &Path, tag: &str) -> io::Result<()> {
    for entry in fs::read_dir(folder)? {
        let entry = entry?;
        let name = entry.file_name().to_string_lossy().into_owned();
        let pid = name.strip_prefix('.').and_then(|rest| rest.rsplit_once(&format!(".{tag}-"))).map(|(_, pid)| pid);
        if pid.is_some_and(|pid| !pid.is_empty() && pid.bytes().all(|b| b.is_ascii_digit())) {
            remove(&entry.path())?;
        }
    }
    Ok(())
}

/// Gives a second name to a file, or copies it where the file system cannot.
///
/// # Errors
/// As the file system tells.
pub fn link_or_copy(from: &Path, to: &Path) -> io::Result<()> {
    if let Some(folder) = to.parent() {
        make_folder(folder)?;
    }
    fs::hard_link(from, to).or_else(|_| fs::copy(from, to).map(drop))
}

/// Renames, or copies and deletes across file systems: the target appears whole in either case.
///
/// # Errors
/// As the file system tells; the source is still there then.
pub fn move_entry(from: &Path, to: &Path) -> io::Result<()> {
    if let Some(folder) = to.parent() {
        make_folder(folder)?;
    }
    match fs::rename(from, to) {
        Err(error) if error.kind() == io::ErrorKind::CrossesDevices => {
            let waiting = beside(to, "moving");
            copy_tree(from, &waiting)?;
            sync_tree(&waiting)?;
            fs::rename(&waiting, to)?;
            remove(from)
        }
        other => other,
    }
}

/// Copies a file or a whole folder.
///
/// # Errors
/// As the file system tells.
pub fn copy_tree(from: &Path, to: &Path) -> io::Result<()> {
    if !fs::symlink_metadata(from)?.is_dir() {
        return fs::copy(from, to).map(drop);
    }
    make_folder(to)?;
    for entry in fs::read_dir(from)? {
        let entry = entry?;
        copy_tree(&entry.path(), &to.join(entry.file_name()))?;
    }
    Ok(())
}

/// Takes the rights of others to a file or a whole folder away, as far as they are ours to take.
pub fn keep_to_owner(path: &Path) {
    use std::os::unix::fs::PermissionsExt;
    let Ok(meta) = fs::symlink_metadata(path) else { return };
    if meta.is_symlink() {
        return;
    }
    let mode = if meta.is_dir() { 0o700 } else { 0o600 };
    // Another's file in our folder cannot be reached through it either.
    let _ = fs::set_permissions(path, fs::Permissions::from_mode(mode));
    for entry in fs::read_dir(path).into_iter().flatten().filter_map(Result::ok) {
        keep_to_owner(&entry.path());
    }
}

/// Removes a file or a whole folder; nothing there is fine.
///
/// # Errors
/// As the file system tells.
pub fn remove(path: &Path) -> io::Result<()> {
    let gone = |error: io::Error| if error.kind() == io::ErrorKind::NotFound { Ok(()) } else { Err(error) };
    match fs::symlink_metadata(path) {
        Ok(meta) if meta.is_dir() => fs::remove_dir_all(path).or_else(gone),
        Ok(_) => fs::remove_file(path).or_else(gone),
        Err(error) => gone(error),
    }
}

/// A hidden name in the same folder.
#[must_use]
pub fn beside(path: &Path, tag: &str) -> PathBuf {
    let name = path.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
    path.with_file_name(format!(".{name}.{tag}-{}", std::process::id()))
}

/// `path`, or `path-2`, `path-3` and so on: the first that is not taken.
#[must_use]
pub fn free_name(path: &Path) -> PathBuf {
    let name = path.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
    (1..)
        .map(|n| if n == 1 { path.to_path_buf() } else { path.with_file_name(format!("{name}-{n}")) })
        .find(|candidate| !candidate.exists())
        .expect("the numbers do not end")
}
