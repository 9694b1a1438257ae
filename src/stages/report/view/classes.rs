//! Classes of triangles: what kind of surface, and which colour it is printed in.
//!
//! The low byte is an index into [`shades`], 255 for none; the high byte is 0 for scanned surface, 1 for surface that
//! closes a gap, 2 for cut faces and keys.

use crate::colour::spaces::parse_hex;
use crate::figure::{BlendedTone, Figure, NO_TONE};
use crate::mesh::Origin;

/// No colour; also the most colours there may be.
pub const NO_SHADE: usize = 255;
const FILL: u16 = 1;
const CUT: u16 = 2;

/// Whether a class is of surface that closes a gap.
#[must_use]
pub fn is_fill(class: u16) -> bool {
    class >> 8 == FILL
}

/// Colours of the filaments, grey for one that cannot be read, then what blended tones look like from afar, sRGB.
#[must_use]
pub fn shades(figure: &Figure) -> Vec<[u8; 3]> {
    let filaments = figure.palette.iter().map(|filament| filament.srgb().unwrap_or([0x80; 3]));
    let tones = tones(figure).iter().map(|tone| parse_hex(&tone.looks).unwrap_or([0x80; 3]));
    filaments.chain(tones).collect()
}

fn tones(figure: &Figure) -> &[BlendedTone] {
    figure.blend.as_ref().map_or(&[], |blend| &blend.tones)
}

/// The class of each triangle of a part, as it is printed: bands count as the tone they melt into.
#[must_use]
pub fn of(figure: &Figure, index: usize) -> Vec<u16> {
    let part = &figure.parts[index];
    let (labels, tones) = (part.printed_labels(), figure.tone_of(index));
    let class = |(t, origin): (usize, &Origin)| {
        let kind = match origin {
            Origin::Skin => 0,
            Origin::Fill => FILL,
            Origin::Cut(_) | Origin::Key(_) => CUT,
        };
        let label = labels.as_ref().and_then(|labels| labels.get(t)).map(|label| usize::from(*label));
        let label = label.filter(|label| *label < figure.palette.len());
        let tone = tones.get(t).filter(|tone| **tone != NO_TONE).map(|tone| figure.palette.len() + usize::from(*tone));
        let shade = label.map_or(NO_SHADE, |label| tone.unwrap_or(label));
        kind << 8 | shade.min(NO_SHADE) as u16
    };
    part.mesh.origins.iter().enumerate().map(class).collect()
}

#[cfg(test)]
mod tests {
    use std::sync::Arc;

    use glam::DVec3;

    use super::*;
    use crate::colour::spaces::linear_of_bytes;
    use crate::equipment::Filament;
    use crate::figure::{Blend, Part};
    use crate::mesh::TriMesh;

    fn filament(colour: &str) -> Filament {
        let text = format!(
            "{{name: x, material: PLA, colour: '{colour}', nozzle_c: [200, 220], bed_c: [50, 60], \
             density_g_per_cm3: 1.2, left_g: 1}}"
        );
        serde_yaml::from_str(&text).unwrap()
    }

    /// Triangles with these labels, origins and tones.
    fn figure(triangles: &[(u8, Origin, u8)]) -> Figure {
        let mut mesh = TriMesh::default();
        for (_, origin, _) in triangles {
            let first = mesh.positions.len() as u32;
            mesh.positions.extend([DVec3::ZERO, DVec3::X, DVec3::Y]);
            mesh.colours.extend([linear_of_bytes([0x80; 3]); 3]);
            mesh.triangles.push([first, first + 1, first + 2]);
            mesh.origins.push(*origin);
        }
        let labels = Some(Arc::new(triangles.iter().map(|t| t.0).collect()));
        let part = Part { number: 1, name: String::new(), mesh: Arc::new(mesh), labels, pose: None, estimate: None };
        let tone = |colour: &str, looks: &str, bands: &[u8]| BlendedTone {
            colour: colour.to_owned(),
            looks: looks.to_owned(),
            area_mm2: 1.0,
            band_mm: 0.4,
            bands: bands.iter().map(|band| (*band, 1)).collect(),
            distance_before: 9.0,
            distance: 1.0,
        };
        let tones = vec![tone("#C08060", "#B87858", &[0, 1]), tone("#606060", "#646464", &[1, 2])];
        let tone_of = vec![Arc::new(triangles.iter().map(|t| t.2).collect())];
        let blend = Some(Blend { tones, viewing_mm: 1000.0, tone_of });
        let palette = vec![filament("#FFFFFF"), filament("#803010"), filament("#000000")];
        Figure { parts: vec![part], palette, blend, ..Figure::default() }
    }

    #[test]
    fn bands_count_as_the_tone_they_melt_into() {
        let (skin, fill, cut) = (Origin::Skin, Origin::Fill, Origin::Cut(0));
        let figure = figure(&[
            (0, skin, 0),
            (1, skin, 0),
            (1, skin, 1),
            (2, fill, 1),
            (2, skin, NO_TONE),
            // Cut faces are of the filament that fills the part.
            (0, cut, NO_TONE),
            (9, skin, NO_TONE),
        ]);
        let seen = of(&figure, 0);
        let tones = figure.palette.len() as u16;
        assert_eq!(seen[..5], [tones, tones, tones + 1, 0x100 | (tones + 1), 2]);
        assert_eq!(seen[5] >> 8, CUT);
        assert_eq!(seen[5] & 0xff, u16::from(figure.parts[0].core_label().unwrap()));
        assert_eq!(seen[6], NO_SHADE as u16);
        assert!(is_fill(seen[3]) && !is_fill(seen[4]) && !is_fill(seen[5]));
        let shades = shades(&figure);
        assert_eq!(shades.len(), 5);
        assert_eq!((shades[0], shades[3]), ([255; 3], [0xb8, 0x78, 0x58]));
    }

    #[test]
    fn a_part_without_filaments_has_no_shade() {
        let mut figure = figure(&[(0, Origin::Skin, NO_TONE)]);
        figure.parts[0].labels = None;
        assert_eq!(of(&figure, 0), [NO_SHADE as u16]);
    }
}
