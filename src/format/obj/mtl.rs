//! Reads MTL: the colour and the picture of each material, nothing of how it shines.

use crate::format::read_error::ReadError;
use crate::format::text::{self, Lines};

/// A picture laid over faces.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Map {
    /// As written.
    pub file: String,
    /// `uv * scale + offset` is where the picture is looked up.
    pub scale: [f32; 2],
    pub offset: [f32; 2],
    pub is_clamped: bool,
}

#[derive(Clone, Debug, PartialEq)]
pub(super) struct Entry {
    pub name: String,
    /// Diffuse colour, sRGB 0 to 1.
    pub diffuse: Option<[f32; 3]>,
    pub map: Option<Map>,
}

/// Reads all materials of a file; words it does not know are passed over.
pub(super) fn read(bytes: &[u8]) -> Result<Vec<Entry>, ReadError> {
    let mut entries: Vec<Entry> = Vec::new();
    for line in Lines::new(bytes) {
        let (number, line) = line?;
        let (word, rest) = super::statement(&line);
        if word.eq_ignore_ascii_case(b"newmtl") {
            entries.push(Entry { name: super::name_of(rest), diffuse: None, map: None });
            continue;
        }
        let Some(entry) = entries.last_mut() else { continue };
        if word.eq_ignore_ascii_case(b"Kd") {
            entry.diffuse = diffuse(rest).map_err(|e| e.at_line(number))?;
        } else if word.eq_ignore_ascii_case(b"map_Kd") {
            entry.map = map(rest);
        }
    }
    Ok(entries)
}

/// `Kd r g b` or `Kd r`; spectral and XYZ colours are passed over.
fn diffuse(rest: &[u8]) -> Result<Option<[f32; 3]>, ReadError> {
    let mut values = text::words(rest).peekable();
    if values.peek().is_none_or(|w| w.eq_ignore_ascii_case(b"spectral") || w.eq_ignore_ascii_case(b"xyz")) {
        return Ok(None);
    }
    let mut colour = [0.0; 3];
    let mut last = 0.0;
    for channel in &mut colour {
        if let Some(word) = values.next() {
            last = text::number(word).filter(|v| v.is_finite()).ok_or_else(|| text::no_number(word))?;
        }
        *channel = last.clamp(0.0, 1.0) as f32;
    }
    Ok(Some(colour))
}

/// The options of `map_Kd`, then a file name that may hold blanks.
fn map(rest: &[u8]) -> Option<Map> {
    let mut map = Map { file: String::new(), scale: [1.0; 2], offset: [0.0; 2], is_clamped: false };
    let mut rest = rest.trim_ascii();
    while rest.first() == Some(&b'-') {
        let (option, mut after) = super::statement(rest);
        match option.to_ascii_lowercase().as_slice() {
            b"-s" => map.scale = pair(&mut after, map.scale),
            b"-o" => map.offset = pair(&mut after, map.offset),
            b"-t" => _ = pair(&mut after, [0.0; 2]),
            b"-mm" => after = super::statement(super::statement(after).1).1,
            b"-clamp" => {
                let (value, next) = super::statement(after);
                map.is_clamped = value.eq_ignore_ascii_case(b"on");
                after = next;
            }
            b"-blendu" | b"-blendv" | b"-cc" | b"-bm" | b"-boost" | b"-texres" | b"-imfchan" | b"-type" => {
                after = super::statement(after).1;
            }
            // A file name that begins with a dash.
            _ => break,
        }
        rest = after;
    }
    map.file = super::name_of(rest);
    if map.file.is_empty() { None } else { Some(map) }
}

/// Up to three numbers, of which the first two count.
fn pair(rest: &mut &[u8], standard: [f32; 2]) -> [f32; 2] {
    let mut pair = standard;
    for n in 0..3 {
        let (word, after) = super::statement(rest);
        let Some(value) = text::number(word) else { break };
        if let Some(slot) = pair.get_mut(n) {
            *slot = value as f32;
        }
        *rest = after;
    }
    pair
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn options_and_blanks_in_names_are_understood() {
        let text = b"newmtl old stone\nKd 0.5 0.25 1\nmap_Kd -s 2 3 1 -o 0.5 -clamp on -mm 0 1 my skin 01.png\n";
        let entries = read(text).unwrap();
        assert_eq!(entries[0].name, "old stone");
        assert_eq!(entries[0].diffuse, Some([0.5, 0.25, 1.0]));
        let expected =
            Map { file: "my skin 01.png".to_owned(), scale: [2.0, 3.0], offset: [0.5, 0.0], is_clamped: true };
        assert_eq!(entries[0].map, Some(expected));
    }

    #[test]
    fn a_name_may_begin_with_digits_or_a_dash() {
        let map = |line: &str| read(format!("newmtl a\nmap_kd {line}").as_bytes()).unwrap()[0].map.clone().unwrap();
        assert_eq!(map("-s 1 1 1 2 skin.png").file, "2 skin.png");
        assert_eq!(map("-skin.png").file, "-skin.png");
    }
}
