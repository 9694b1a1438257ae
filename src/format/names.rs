//! Names of files that a scan refers to: made safe, and found again however the exporting system spelt them.

use super::ScanFiles;

/// A reference that would leave the scan's folder.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Outside;

/// Folder part of a name, with its slash; empty for a name without folder.
fn folder_of(name: &str) -> &str {
    name.rfind('/').map_or("", |slash| &name[..=slash])
}

fn base_of(name: &str) -> &str {
    name.rsplit('/').next().unwrap_or(name)
}

/// Turns a reference found in file `from` into a name relative to the scan's folder.
///
/// Backslashes count as slashes; an absolute path, which belongs to another machine, is reduced to its last part.
pub(super) fn below_folder(reference: &str, from: &str) -> Result<String, Outside> {
    let reference = reference.trim().trim_matches('"').replace('\\', "/");
    let has_drive = reference.as_bytes().get(1) == Some(&b':');
    if reference.contains("://") && !reference.starts_with("file://") {
        return Err(Outside);
    }
    if reference.starts_with('/') || has_drive || reference.starts_with("file:") {
        return if base_of(&reference).is_empty() { Err(Outside) } else { Ok(base_of(&reference).to_owned()) };
    }
    let mut parts: Vec<&str> = folder_of(from).split('/').filter(|part| !part.is_empty()).collect();
    for part in reference.split('/') {
        match part {
            "" | "." => {}
            ".." => {
                parts.pop().ok_or(Outside)?;
            }
            part => parts.push(part),
        }
    }
    if parts.is_empty() || reference.contains('\0') { Err(Outside) } else { Ok(parts.join("/")) }
}

/// Resolves `%20` and the like in a URI; wrong escapes stay as they are.
pub(super) fn percent_decoded(uri: &str) -> String {
    let bytes = uri.as_bytes();
    let mut out = Vec::with_capacity(bytes.len());
    let mut at = 0;
    while let Some(&byte) = bytes.get(at) {
        let digits = uri.get(at + 1..at + 3).filter(|_| byte == b'%');
        if let Some(value) = digits.and_then(|d| u8::from_str_radix(d, 16).ok()) {
            out.push(value);
            at += 3;
        } else {
            out.push(byte);
            at += 1;
        }
    }
    String::from_utf8(out).unwrap_or_else(|_| uri.to_owned())
}

impl ScanFiles {
    /// Bytes of the mesh file; empty when it is missing.
    #[must_use]
    pub fn main_bytes(&self) -> &[u8] {
        self.files.get(&self.main).map_or(&[], Vec::as_slice)
    }

    /// Finds a file by name: as spelt, in other case, or by its last part alone.
    #[must_use]
    pub fn find(&self, name: &str) -> Option<(&str, &[u8])> {
        let by = |test: &dyn Fn(&str) -> bool| self.files.iter().find(|(known, _)| test(known));
        let lower = name.to_lowercase();
        self.files
            .get_key_value(name)
            .or_else(|| by(&|known| known.to_lowercase() == lower))
            .or_else(|| by(&|known| base_of(known).to_lowercase() == base_of(&lower)))
            .map(|(known, bytes)| (known.as_str(), bytes.as_slice()))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn references_stay_below_the_folder() {
        assert_eq!(below_folder("tex\\Skin 1.png", "a.obj"), Ok("tex/Skin 1.png".to_owned()));
        assert_eq!(below_folder("skin.png", "sub/a.mtl"), Ok("sub/skin.png".to_owned()));
        assert_eq!(below_folder("../skin.png", "sub/a.mtl"), Ok("skin.png".to_owned()));
        assert_eq!(below_folder("C:\\scans\\skin.png", "a.obj"), Ok("skin.png".to_owned()));
        assert_eq!(below_folder("/home/x/skin.png", "a.obj"), Ok("skin.png".to_owned()));
        for leaving in ["../skin.png", "a/../../skin.png", "https://x.org/skin.png", "", ".."] {
            assert_eq!(below_folder(leaving, "a.obj"), Err(Outside), "{leaving}");
        }
    }

    #[test]
    fn escapes_are_resolved() {
        assert_eq!(percent_decoded("skin%20one.png"), "skin one.png");
        assert_eq!(percent_decoded("100%.png"), "100%.png");
        assert_eq!(percent_decoded("%ff"), "%ff");
    }

    #[test]
    fn files_are_found_in_other_case_and_without_their_folder() {
        let mut files = ScanFiles { main: "a.obj".to_owned(), ..ScanFiles::default() };
        files.files.insert("Skin.PNG".to_owned(), vec![1]);
        assert_eq!(files.find("skin.png"), Some(("Skin.PNG", &[1u8][..])));
        assert_eq!(files.find("textures/skin.png"), Some(("Skin.PNG", &[1u8][..])));
        assert_eq!(files.find("hair.png"), None);
    }
}
