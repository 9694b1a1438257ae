//! Archives as they should be, and every way they should not.

use zip::write::SimpleFileOptions;

use super::*;

/// An archive of these files, packed by another hand.
fn packed(entries: &[(&str, &[u8])]) -> Vec<u8> {
    let mut writer = zip::ZipWriter::new(io::Cursor::new(Vec::new()));
    for (name, bytes) in entries {
        writer.start_file(*name, SimpleFileOptions::default()).unwrap();
        writer.write_all(bytes).unwrap();
    }
    writer.finish().unwrap().into_inner()
}

/// Unpacks bytes; what came out as names and contents, or the refusal. Nothing is left after a refusal.
fn unpacked(bytes: &[u8]) -> Result<Vec<(String, Vec<u8>)>, String> {
    let folder = tempfile::tempdir().unwrap();
    let (archive, into) = (folder.path().join("a.zip"), folder.path().join("out"));
    fs::write(&archive, bytes).unwrap();
    match unpack(&archive, &into) {
        Ok(()) => {
            let (mut found, mut waiting) = (Vec::new(), vec![into.clone()]);
            while let Some(next) = waiting.pop() {
                for path in fs::read_dir(next).unwrap().map(|entry| entry.unwrap().path()) {
                    if path.is_dir() {
                        waiting.push(path);
                    } else {
                        let name = path.strip_prefix(&into).unwrap().to_string_lossy().into_owned();
                        found.push((name, fs::read(path).unwrap()));
                    }
                }
            }
            found.sort();
            Ok(found)
        }
        Err(error) => {
            assert_eq!(fs::read_dir(folder.path()).unwrap().count(), 1, "only the archive is there");
            Err(error.to_string())
        }
    }
}

/// Puts other bytes in the place of some, everywhere they stand.
fn replaced(bytes: &[u8], from: &[u8], to: &[u8]) -> Vec<u8> {
    assert_eq!(from.len(), to.len());
    let mut bytes = bytes.to_vec();
    let places: Vec<usize> = (0..=bytes.len() - from.len()).filter(|at| bytes[*at..].starts_with(from)).collect();
    assert!(!places.is_empty());
    for at in places {
        bytes[at..at + to.len()].copy_from_slice(to);
    }
    bytes
}

/// Where the entries' headers in the list at the end are.
fn list_headers(bytes: &[u8]) -> Vec<usize> {
    (0..bytes.len() - 4).filter(|at| bytes[*at..].starts_with(b"PK\x01\x02")).collect()
}

#[test]
fn a_plain_archive_comes_out_as_it_went_in() {
    let long = b"0123456789".repeat(5000);
    let made = packed(&[("scan/a.obj", &long), ("scan/tex/a.png", b"pixels"), ("readme.txt", b"")]);
    let found = unpacked(&made).unwrap();
    let expected = [("readme.txt", b"".to_vec()), ("scan/a.obj", long), ("scan/tex/a.png", b"pixels".to_vec())];
    assert_eq!(found, expected.map(|(name, bytes)| (name.to_owned(), bytes)));
}

#[test]
fn names_that_lead_out_or_occur_twice_are_refused() {
    let made = packed(&[("aaaaaaaa.ply", b"x")]);
    for name in ["../../aa.ply", "/aaaaaaa.ply", "aaa\\aaaa.ply", "C:aaaaaa.ply", "aa//aaaa.ply", "aaaaaaa\n.ply"] {
        let error = unpacked(&replaced(&made, b"aaaaaaaa.ply", name.as_bytes())).unwrap_err();
        assert!(error.contains("leads out of its folder"), "{name:?}: {error}");
    }
    let two = packed(&[("one.ply", b"x"), ("two.ply", b"y")]);
    for name in ["two.ply", "TWO.ply"] {
        let error = unpacked(&replaced(&two, b"one.ply", name.as_bytes())).unwrap_err();
        assert!(error.contains("two entries"), "{error}");
    }
}

#[test]
fn links_and_encrypted_entries_are_refused() {
    let mut link = packed(&[("a.ply", b"/etc/passwd")]);
    let at = list_headers(&link)[0];
    link[at + 38..at + 42].copy_from_slice(&(0o120_777_u32 << 16).to_le_bytes());
    assert!(unpacked(&link).unwrap_err().contains("link"));
    let mut locked = packed(&[("a.ply", b"x")]);
    let at = list_headers(&locked)[0];
    locked[at + 8] |= 1;
    assert!(unpacked(&locked).unwrap_err().contains("encrypted"));
}

#[test]
fn what_grows_too_much_is_refused_before_and_while_it_grows() {
    let bomb = packed(&[("a.ply", &vec![0; 11 << 20])]);
    assert!(unpacked(&bomb).unwrap_err().contains("grows more than"));
    // The list tells a small size, the bytes are many.
    let mut liar = packed(&[("a.ply", &vec![0; 1 << 20])]);
    let at = list_headers(&liar)[0];
    liar[at + 24..at + 28].copy_from_slice(&10_u32.to_le_bytes());
    assert!(unpacked(&liar).unwrap_err().contains("not what the list says"));
    let mut huge = packed(&[("a.ply", b"x"), ("b.ply", b"y")]);
    for at in list_headers(&huge) {
        huge[at + 24..at + 28].copy_from_slice(&3_000_000_000_u32.to_le_bytes());
    }
    assert!(unpacked(&huge).unwrap_err().contains("would unpack to"));
}

#[test]
fn entries_that_share_bytes_are_refused() {
    let mut made = packed(&[("a.ply", b"same bytes"), ("b.ply", b"same bytes")]);
    let headers = list_headers(&made);
    let first: Vec<u8> = made[headers[0] + 42..headers[0] + 46].to_vec();
    made[headers[1] + 42..headers[1] + 46].copy_from_slice(&first);
    assert!(unpacked(&made).unwrap_err().contains("says two things"));
    // A second entry inside the bytes of the first.
    let inner = packed(&[("b.ply", b"inner")]);
    let mut writer = zip::ZipWriter::new(io::Cursor::new(Vec::new()));
    let stored = SimpleFileOptions::default().compression_method(zip::CompressionMethod::Stored);
    writer.start_file("a.ply", stored).unwrap();
    writer.write_all(&inner).unwrap();
    writer.start_file("b.ply", stored).unwrap();
    writer.write_all(b"inner").unwrap();
    let mut made = writer.finish().unwrap().into_inner();
    let inside = (1..made.len()).find(|at| made[*at..].starts_with(b"PK\x03\x04")).unwrap() as u32;
    let (own, listed) = (list_headers(&inner)[0], *list_headers(&made).last().unwrap());
    made[listed + 42..listed + 46].copy_from_slice(&inside.to_le_bytes());
    for field in [8..12, 16..28] {
        made[listed + field.start..listed + field.end].copy_from_slice(&inner[own + field.start..own + field.end]);
    }
    assert!(unpacked(&made).unwrap_err().contains("overlap"));
}

#[test]
fn a_cut_or_changed_archive_is_refused_at_every_byte_without_a_panic() {
    let made = packed(&[("a.ply", b"some bytes that are packed"), ("b/c.png", b"others")]);
    for end in 0..made.len() {
        assert!(unpacked(&made[..end]).is_err(), "cut at {end}");
    }
    for at in 0..made.len() {
        for bit in [1, 0x80] {
            let mut changed = made.clone();
            changed[at] ^= bit;
            // Dates and the like may change unnoticed; contents may not.
            if let Ok(found) = unpacked(&changed) {
                let contents: Vec<&[u8]> = found.iter().map(|(_, bytes)| bytes.as_slice()).collect();
                assert!(contents.contains(&b"some bytes that are packed".as_slice()), "changed at {at}");
            }
        }
    }
}
