//! The palette as files need it: names fit for file systems, colours, and how deep each colour must go.

use crate::equipment::{Filament, Printer};
use crate::figure::Figure;
use crate::stage::StageError;

/// By palette entry.
pub struct Inks {
    /// Filament names as the owner wrote them.
    pub names: Vec<String>,
    /// The same fit for files, all different.
    pub file_names: Vec<String>,
    pub colours: Vec<[u8; 3]>,
    pub depth_mm: Vec<f64>,
}

impl Inks {
    /// Reads the palette; `depth_mm` above 0 goes for all filaments.
    pub fn of(figure: &Figure, printer: &Printer, depth_mm: f64) -> Result<Self, StageError> {
        let colours = figure.palette.iter().map(|filament| {
            filament.srgb().ok_or_else(|| {
                let what =
                    format!("filament `{}` has the colour `{}`, which cannot be read", filament.name, filament.colour);
                StageError::failed(what, "correct it on the shelf")
            })
        });
        let depth = |filament: &Filament| printer.colour_depth_or(depth_mm, filament);
        Ok(Self {
            names: figure.palette.iter().map(|filament| filament.name.clone()).collect(),
            file_names: file_names(figure.palette.iter().map(|filament| filament.name.as_str())),
            colours: colours.collect::<Result<_, _>>()?,
            depth_mm: figure.palette.iter().map(depth).collect(),
        })
    }
}

/// Lower case, letters, digits and single hyphens; equal names get a number.
fn file_names<'a>(names: impl Iterator<Item = &'a str>) -> Vec<String> {
    let mut found: Vec<String> = Vec::new();
    for name in names {
        let letters = name.to_lowercase().replace(|c: char| !c.is_ascii_alphanumeric(), "-");
        let words: Vec<&str> = letters.split('-').filter(|word| !word.is_empty()).collect();
        let stem = if words.is_empty() { "filament".to_owned() } else { words.join("-") };
        let numbered = (2..).map(|i| format!("{stem}-{i}"));
        let free = std::iter::once(stem.clone()).chain(numbered).find(|name| !found.contains(name));
        found.extend(free);
    }
    found
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn file_names_are_plain_and_all_different() {
        let names = ["Ivory White", "ivory/white", "Ivory_white ", "../..", "крем", "PLA 2"];
        let found = file_names(names.into_iter());
        assert_eq!(found, ["ivory-white", "ivory-white-2", "ivory-white-3", "filament", "filament-2", "pla-2"]);
    }

    fn filament(opaque_mm: f64) -> Filament {
        Filament {
            name: "sand".to_owned(),
            material: "PLA".to_owned(),
            colour: "#C2B280".into(),
            nozzle_c: [190.0, 220.0],
            bed_c: [50.0, 60.0],
            density_g_per_cm3: 1.24,
            left_g: 900.0,
            opaque_mm,
            price_per_kg: 0.0,
        }
    }

    /// With a tenth of the light left at the opaque thickness, two per cent are reached at 0.85 of it (own arithmetic).
    #[test]
    fn depth_follows_opacity_but_is_never_under_two_lines() {
        let printer: Printer = serde_json::from_value(serde_json::json!({
            "name": "ferry", "volume_mm": [256, 256, 256], "tools": 4, "changer": "shared", "nozzle_mm": 0.4,
            "layer_mm": 0.2, "change_secs": 90, "change_g": 0.5, "nozzle_max_c": 300, "bed_max_c": 110,
            "flow_mm3_per_sec": 12
        }))
        .unwrap();
        assert!((printer.colour_depth_mm(&filament(2.0)) - 1.699).abs() < 1e-3);
        assert!((printer.colour_depth_mm(&filament(0.5)) - 0.88).abs() < 1e-12);
    }
}
