//! Makes the demo scans: an invented ferry deckhand, modelled as a distance field, meshed, coloured and then spoilt the
//! way a hand-held scanner spoils a scan. Seeded, so the same files come out each time.
//!
//! `cargo run --release --example deckhand -- demo-data`

mod body;
mod contour;
mod damage;

use std::io::Write;
use std::path::Path;

/// A mesh in the making: mm, y up, front towards +z, sRGB bytes.
#[derive(Clone, Debug, Default)]
pub struct Scan {
    pub positions: Vec<[f64; 3]>,
    pub colours: Vec<[u8; 3]>,
    pub triangles: Vec<[u32; 3]>,
}

/// A number from 0 to 1 that depends on the seed and the index only (`SplitMix64`, constants from memory).
#[must_use]
pub fn chance(seed: u64, index: u64) -> f64 {
    let mut z = seed.wrapping_add(index.wrapping_mul(0x9E37_79B9_7F4A_7C15)).wrapping_add(0x9E37_79B9_7F4A_7C15);
    z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
    ((z ^ (z >> 31)) >> 11) as f64 / (1_u64 << 53) as f64
}

fn write_ply(path: &Path, scan: &Scan) -> std::io::Result<()> {
    let mut file = std::io::BufWriter::new(std::fs::File::create(path)?);
    write!(
        file,
        "ply\nformat binary_little_endian 1.0\ncomment invented ferry deckhand, made by code, free of any person's data\n\
         element vertex {}\nproperty float x\nproperty float y\nproperty float z\nproperty uchar red\nproperty uchar green\n\
         property uchar blue\nelement face {}\nproperty list uchar int vertex_indices\nend_header\n",
        scan.positions.len(),
        scan.triangles.len()
    )?;
    for (position, colour) in scan.positions.iter().zip(&scan.colours) {
        for x in position {
            file.write_all(&((x / 1000.0) as f32).to_le_bytes())?;
        }
        file.write_all(colour)?;
    }
    for triangle in &scan.triangles {
        file.write_all(&[3])?;
        for index in triangle {
            file.write_all(&index.to_le_bytes())?;
        }
    }
    file.flush()
}

fn main() -> std::io::Result<()> {
    let folder = std::env::args().nth(1).unwrap_or_else(|| "demo-data".into());
    for (name, cell_mm) in [("deckhand.ply", 4.4), ("deckhand-small.ply", 12.0)] {
        let mut scan = contour::contour(cell_mm);
        damage::spoil(&mut scan, cell_mm);
        let path = Path::new(&folder).join(name);
        write_ply(&path, &scan)?;
        println!("{}: {} triangles", path.display(), scan.triangles.len());
    }
    Ok(())
}
