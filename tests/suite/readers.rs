//! Readers of scan files: what they read, what they refuse, and that no bytes make them panic.

mod glb;
mod hostile;
mod obj;
mod ply;
mod stl;

use statuary::format::{RawMesh, ReadError, ReadOptions, ScanFiles, completeness, read, references};

/// A scan of one file.
fn scan(name: &str, bytes: &[u8]) -> ScanFiles {
    ScanFiles { main: name.to_owned(), ..with(ScanFiles::default(), name, bytes) }
}

/// The scan with one more file.
fn with(mut scan: ScanFiles, name: &str, bytes: &[u8]) -> ScanFiles {
    scan.files.insert(name.to_owned(), bytes.to_vec());
    scan
}

fn read_strictly(scan: &ScanFiles) -> Result<RawMesh, ReadError> {
    read(scan, ReadOptions::default())
}

/// The mesh of a single file that is in order.
fn mesh_of(name: &str, bytes: &[u8]) -> RawMesh {
    read_strictly(&scan(name, bytes)).unwrap()
}

/// The message of a single file that is refused.
fn refusal_of(name: &str, bytes: &[u8]) -> String {
    let error = read_strictly(&scan(name, bytes)).unwrap_err();
    assert!(!error.hint.is_empty(), "no hint for: {error}");
    error.to_string()
}

/// Area of all triangles.
fn area(mesh: &RawMesh) -> f64 {
    let corner = |v: u32| mesh.positions[v as usize];
    mesh.triangles.iter().map(|&[a, b, c]| (corner(b) - corner(a)).cross(corner(c) - corner(a)).length() / 2.0).sum()
}

/// A PNG file with the given rows of sRGB pixels.
fn png(width: u32, pixels: &[[u8; 3]]) -> Vec<u8> {
    let picture = image::RgbImage::from_raw(width, pixels.len() as u32 / width, pixels.concat()).unwrap();
    let mut bytes = std::io::Cursor::new(Vec::new());
    picture.write_to(&mut bytes, image::ImageFormat::Png).unwrap();
    bytes.into_inner()
}

/// A tetrahedron with its right angle at the origin: area of three half squares and one triangle of side root 2.
const TETRAHEDRON_AREA: f64 = 1.5 + 0.866_025_403_784_438_6;

#[test]
fn files_of_no_known_kind_are_refused() {
    assert_eq!(refusal_of("scan.off", b"OFF\n0 0 0\n"), "`scan.off`: this is no kind of scan that can be read");
    assert_eq!(refusal_of("scan.ply", b""), "`scan.ply`: the file is empty");
    assert_eq!(refusal_of("scan.obj", b"# nothing\n"), "`scan.obj`: the file holds no mesh");
}

#[test]
fn content_counts_more_than_the_name() {
    assert_eq!(mesh_of("scan.bin", ply::TETRAHEDRON.as_bytes()).triangles.len(), 4);
}

#[test]
fn pictures_are_judged_by_their_header() {
    let mut bomb = png(1, &[[0; 3]]);
    bomb[16..20].copy_from_slice(&60_000_u32.to_be_bytes());
    let scan = with(obj::textured(), "skin.png", &bomb);
    let message = read_strictly(&scan).unwrap_err().to_string();
    assert!(message.starts_with("`skin.png`: the picture"), "{message}");
    let scan = with(obj::textured(), "skin.png", b"RIFF\x10\0\0\0WEBPVP8 ");
    assert_eq!(read_strictly(&scan).unwrap_err().to_string(), "`skin.png`: the picture is in WebP format");
}

#[test]
fn a_picture_is_whole_once_it_has_its_end() {
    let whole = png(2, &[[9; 3]; 4]);
    assert_eq!(completeness("skin.png", &whole), Ok(()));
    assert!(completeness("skin.png", &whole[..whole.len() - 9]).is_err());
    assert!(completeness("skin.jpg", b"\xff\xd8\xff\xe0 half").is_err());
}
