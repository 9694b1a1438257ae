//! 3MF, core and materials extension: one closed object with a filament colour per triangle, in millimetres.
//!
//! Numbers are written as exact decimals, so the file means the very solid it was made from; entries have a fixed
//! order and date, so equal parts give equal bytes.

use std::io::{Cursor, Write};

use quick_xml::escape::escape;
use zip::write::SimpleFileOptions;
use zip::{CompressionMethod, DateTime, ZipWriter};

use super::threemf_check;

pub(super) const CORE_NS: &str = "http://schemas.microsoft.com/3dmanufacturing/core/2015/02";
pub(super) const MATERIAL_NS: &str = "http://schemas.microsoft.com/3dmanufacturing/material/2015/02";
pub(super) const RELS_TYPE: &str = "application/vnd.openxmlformats-package.relationships+xml";
pub(super) const MODEL_TYPE: &str = "application/vnd.ms-package.3dmanufacturing-3dmodel+xml";
pub(super) const MODEL_RELATION: &str = "http://schemas.microsoft.com/3dmanufacturing/2013/01/3dmodel";

/// Name of the model within the package.
const MODEL_PART: &str = "3D/3dmodel.model";
/// Resource ids within the model.
const COLOURS_ID: u32 = 1;
const OBJECT_ID: u32 = 2;
/// Steps per millimetre whose multiples have a short exact decimal: `1 / 2^15` is `5^15 / 10^15`.
const STEPS_PER_MM: f64 = 32768.0;
const FIVE_TO_15: u64 = 30_517_578_125;
/// Text gathered before it goes to the compressor, bytes.
const BUFFER: usize = 1 << 16;

/// A closed object with one colour per triangle.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct ColouredObject {
    pub name: String,
    /// Corners, mm.
    pub positions: Vec<[f64; 3]>,
    pub triangles: Vec<[u32; 3]>,
    /// sRGB bytes; the first is the object's default.
    pub colours: Vec<[u8; 3]>,
    /// Index into `colours`, one per triangle.
    pub colour_of: Vec<u8>,
}

impl ColouredObject {
    /// # Errors
    /// When an index points nowhere, a position is not finite, or a triangle has no colour.
    pub fn check(&self) -> Result<(), ThreeMfError> {
        let name = || self.name.clone();
        let (found, expected) = (self.colour_of.len(), self.triangles.len());
        if found != expected {
            return Err(ThreeMfError::ColourCount { name: name(), found, expected });
        }
        if let Some(corner) = self.positions.iter().position(|p| p.iter().any(|x| !x.is_finite())) {
            return Err(ThreeMfError::Position { name: name(), corner });
        }
        let (corners, colours) = (self.positions.len(), self.colours.len());
        let is_wrong = |t: &[u32; 3], c: u8| t.iter().any(|v| *v as usize >= corners) || c as usize >= colours;
        match self.triangles.iter().zip(&self.colour_of).position(|(t, c)| is_wrong(t, *c)) {
            Some(triangle) => Err(ThreeMfError::Index { name: name(), triangle }),
            None => Ok(()),
        }
    }
}

/// Why a 3MF file could not be written or read.
#[derive(Debug, thiserror::Error)]
pub enum ThreeMfError {
    #[error("`{name}` has {found} colour entries for {expected} triangles")]
    ColourCount { name: String, found: usize, expected: usize },
    #[error("triangle {triangle} of `{name}` names a corner or colour that is not there")]
    Index { name: String, triangle: usize },
    #[error("corner {corner} of `{name}` is not a finite position")]
    Position { name: String, corner: usize },
    #[error("the 3MF package could not be packed: {0}")]
    Pack(String),
    #[error("not a valid 3MF file: {0}")]
    Invalid(String),
}

impl From<zip::result::ZipError> for ThreeMfError {
    fn from(error: zip::result::ZipError) -> Self {
        Self::Pack(error.to_string())
    }
}

impl From<std::io::Error> for ThreeMfError {
    fn from(error: std::io::Error) -> Self {
        Self::Pack(error.to_string())
    }
}

/// Writes an object as a 3MF package.
///
/// # Errors
/// When an index points nowhere, a position is not finite, or packing fails.
pub fn write(object: &ColouredObject) -> Result<Vec<u8>, ThreeMfError> {
    object.check()?;
    let mut zip = ZipWriter::new(Cursor::new(Vec::new()));
    let options = SimpleFileOptions::default()
        .compression_method(CompressionMethod::Deflated)
        .compression_level(Some(6))
        .last_modified_time(DateTime::default());
    zip.start_file("[Content_Types].xml", options)?;
    zip.write_all(content_types().as_bytes())?;
    zip.start_file("_rels/.rels", options)?;
    zip.write_all(relationships().as_bytes())?;
    zip.start_file(MODEL_PART, options)?;
    write_model(&mut zip, object)?;
    Ok(zip.finish()?.into_inner())
}

/// Reads a package of one coloured object; everything the checker faults is an error.
///
/// # Errors
/// When the package breaks a rule of the format or holds another kind of object.
pub fn read(bytes: &[u8]) -> Result<ColouredObject, ThreeMfError> {
    read_raw(bytes).map(|(object, _)| object)
}

/// Reads a package like [`read`], the object moved to where the build puts it on the bed.
///
/// # Errors
/// As [`read`].
pub fn read_placed(bytes: &[u8]) -> Result<ColouredObject, ThreeMfError> {
    let (mut object, transform) = read_raw(bytes)?;
    if let Some(rows) = transform {
        let moved =
            |[x, y, z]: [f64; 3]| [0, 1, 2].map(|i| x * rows[i] + y * rows[3 + i] + z * rows[6 + i] + rows[9 + i]);
        object.positions.iter_mut().for_each(|p| *p = moved(*p));
    }
    Ok(object)
}

fn read_raw(bytes: &[u8]) -> Result<(ColouredObject, Option<[f64; 12]>), ThreeMfError> {
    let checked = threemf_check::check(bytes);
    if let Some(fault) = checked.faults.first() {
        return Err(ThreeMfError::Invalid(fault.clone()));
    }
    let none = || ThreeMfError::Invalid("it holds no single object coloured per triangle".to_owned());
    Ok((checked.object.ok_or_else(none)?, checked.transform))
}

fn content_types() -> String {
    format!(
        "<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n\
         <Types xmlns=\"http://schemas.openxmlformats.org/package/2006/content-types\">\n\
         \x20<Default Extension=\"rels\" ContentType=\"{RELS_TYPE}\"/>\n\
         \x20<Default Extension=\"model\" ContentType=\"{MODEL_TYPE}\"/>\n\
         </Types>\n"
    )
}

fn relationships() -> String {
    format!(
        "<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n\
         <Relationships xmlns=\"http://schemas.openxmlformats.org/package/2006/relationships\">\n\
         \x20<Relationship Id=\"model\" Type=\"{MODEL_RELATION}\" Target=\"/{MODEL_PART}\"/>\n\
         </Relationships>\n"
    )
}

fn write_model(out: &mut impl Write, object: &ColouredObject) -> Result<(), ThreeMfError> {
    let plain: String = object.name.chars().filter(|c| !c.is_control()).collect();
    let name = escape(plain.as_str());
    let mut text = Vec::with_capacity(BUFFER + 512);
    write!(
        text,
        "<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n\
         <model unit=\"millimeter\" xml:lang=\"en\" xmlns=\"{CORE_NS}\" xmlns:m=\"{MATERIAL_NS}\">\n\
         \x20<metadata name=\"Title\">{name}</metadata>\n\
         \x20<metadata name=\"Application\">statuary {version}</metadata>\n\
         \x20<resources>\n\
         \x20 <m:colorgroup id=\"{COLOURS_ID}\">\n",
        version = env!("CARGO_PKG_VERSION"),
    )?;
    for [r, g, b] in &object.colours {
        writeln!(text, "   <m:color color=\"#{r:02X}{g:02X}{b:02X}\"/>")?;
    }
    write!(
        text,
        "  </m:colorgroup>\n\
         \x20 <object id=\"{OBJECT_ID}\" type=\"model\" name=\"{name}\" partnumber=\"{name}\" pid=\"{COLOURS_ID}\" pindex=\"0\">\n\
         \x20  <mesh>\n    <vertices>\n"
    )?;
    for position in &object.positions {
        push_vertex(&mut text, *position);
        flush_when_full(out, &mut text)?;
    }
    text.extend_from_slice(b"    </vertices>\n    <triangles>\n");
    for (triangle, colour) in object.triangles.iter().zip(&object.colour_of) {
        push_triangle(&mut text, *triangle, *colour);
        flush_when_full(out, &mut text)?;
    }
    write!(
        text,
        "    </triangles>\n   </mesh>\n  </object>\n </resources>\n\
         \x20<build>\n  <item objectid=\"{OBJECT_ID}\" partnumber=\"{name}\"/>\n </build>\n</model>\n"
    )?;
    out.write_all(&text)?;
    Ok(())
}

fn flush_when_full(out: &mut impl Write, text: &mut Vec<u8>) -> std::io::Result<()> {
    if text.len() >= BUFFER {
        out.write_all(text)?;
        text.clear();
    }
    Ok(())
}

fn push_vertex(text: &mut Vec<u8>, [x, y, z]: [f64; 3]) {
    text.extend_from_slice(b"<vertex x=\"");
    push_decimal(text, x);
    text.extend_from_slice(b"\" y=\"");
    push_decimal(text, y);
    text.extend_from_slice(b"\" z=\"");
    push_decimal(text, z);
    text.extend_from_slice(b"\"/>\n");
}

fn push_triangle(text: &mut Vec<u8>, [a, b, c]: [u32; 3], colour: u8) {
    text.extend_from_slice(b"<triangle v1=\"");
    push_integer(text, a.into());
    text.extend_from_slice(b"\" v2=\"");
    push_integer(text, b.into());
    text.extend_from_slice(b"\" v3=\"");
    push_integer(text, c.into());
    text.extend_from_slice(b"\" pid=\"");
    push_integer(text, COLOURS_ID.into());
    text.extend_from_slice(b"\" p1=\"");
    push_integer(text, colour.into());
    text.extend_from_slice(b"\"/>\n");
}

/// Writes a length so that reading it gives the same `f64`: exactly, where it is a multiple of `1 / 2^15` mm.
fn push_decimal(text: &mut Vec<u8>, value: f64) {
    let steps = value * STEPS_PER_MM;
    if steps.fract() != 0.0 || steps.abs() >= 9.0e15 {
        text.extend_from_slice(value.to_string().as_bytes());
        return;
    }
    let steps = steps as i64;
    if steps < 0 {
        text.push(b'-');
    }
    let magnitude = steps.unsigned_abs();
    push_integer(text, magnitude >> 15);
    let mut fraction = (magnitude & 0x7FFF) * FIVE_TO_15;
    if fraction == 0 {
        return;
    }
    let mut digits = [b'0'; 15];
    for digit in digits.iter_mut().rev() {
        *digit = b'0' + (fraction % 10) as u8;
        fraction /= 10;
    }
    let used = digits.iter().rposition(|d| *d != b'0').map_or(0, |last| last + 1);
    text.push(b'.');
    text.extend_from_slice(&digits[..used]);
}

fn push_integer(text: &mut Vec<u8>, mut value: u64) {
    let mut digits = [0_u8; 20];
    let mut start = digits.len();
    loop {
        start -= 1;
        digits[start] = b'0' + (value % 10) as u8;
        value /= 10;
        if value == 0 {
            break;
        }
    }
    text.extend_from_slice(&digits[start..]);
}

#[cfg(test)]
mod tests {
    use super::*;

    fn decimal(value: f64) -> String {
        let mut text = Vec::new();
        push_decimal(&mut text, value);
        String::from_utf8(text).unwrap()
    }

    #[test]
    fn lattice_lengths_are_written_exactly_and_shortly() {
        assert_eq!(decimal(0.0), "0");
        assert_eq!(decimal(-0.0), "0");
        assert_eq!(decimal(-12.5), "-12.5");
        assert_eq!(decimal(1.0 / 16384.0), "0.00006103515625");
        assert_eq!(decimal(-1.0 / 32768.0), "-0.000030517578125");
        assert_eq!(decimal(512.0 - 1.0 / 32768.0), "511.999969482421875");
    }

    #[test]
    fn any_length_reads_back_as_itself() {
        let odd = [0.1, -1.0 / 3.0, 1e-9, 123_456_789.123, 1e22, f64::MIN_POSITIVE];
        for value in odd.into_iter().chain((0..4000).map(|i| f64::from(i * 7919 - 9_000_000) / 32768.0)) {
            let text = decimal(value);
            assert_eq!(text.parse::<f64>().unwrap().to_bits(), value.to_bits(), "{text}");
            assert!(!text.contains('e'), "{text}");
        }
    }
}
