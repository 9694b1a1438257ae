//! The header of a PLY file as a layout of its body. `ply_rs` parses the grammar; what it cannot take is put right or
//! refused first: a byte-order mark, CR line ends, foreign letters in comments, and counts beyond all reason.

use ply_rs::parser::Parser;
use ply_rs::ply::{DefaultElement, ElementDef, Encoding, PropertyType, ScalarType};

use crate::format::raw_mesh::COUNT_MAX;
use crate::format::read_error::{EXPORT_AGAIN, ReadError};

/// Longest header, bytes.
const HEADER_MAX: usize = 64 << 10;

/// A number type of the body.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Scalar {
    I8,
    U8,
    I16,
    U16,
    I32,
    U32,
    F32,
    F64,
}

impl Scalar {
    pub fn bytes(self) -> usize {
        match self {
            Self::I8 | Self::U8 => 1,
            Self::I16 | Self::U16 => 2,
            Self::I32 | Self::U32 | Self::F32 => 4,
            Self::F64 => 8,
        }
    }
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Kind {
    One(Scalar),
    List { count: Scalar, item: Scalar },
}

#[derive(Debug)]
pub(super) struct Property {
    pub name: String,
    pub kind: Kind,
}

#[derive(Debug)]
pub(super) struct Element {
    pub name: String,
    pub count: usize,
    pub properties: Vec<Property>,
}

impl Element {
    /// Fewest bytes one entry can take in a binary body.
    pub fn bytes_min(&self) -> usize {
        let least = |p: &Property| match p.kind {
            Kind::One(scalar) | Kind::List { count: scalar, .. } => scalar.bytes(),
        };
        self.properties.iter().map(least).sum()
    }
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Body {
    Text,
    LittleEndian,
    BigEndian,
}

/// What follows the header.
#[derive(Debug)]
pub(super) struct Layout {
    pub body: Body,
    /// Offset of the first body byte.
    pub body_start: usize,
    /// Line of a text body's first entry.
    pub body_line: usize,
    pub elements: Vec<Element>,
    /// Files named by `comment TextureFile`.
    pub pictures: Vec<String>,
}

/// Header lines, their number and where the body starts.
fn header_lines(bytes: &[u8]) -> Result<(Vec<&[u8]>, usize), ReadError> {
    let skip = if bytes.starts_with(b"\xef\xbb\xbf") { 3 } else { 0 };
    let head = &bytes[..bytes.len().min(skip + HEADER_MAX)];
    // The first line end tells the style; a CR body byte after `end_header` LF must not be eaten.
    let line_end: &[u8] = match head.iter().position(|&b| b == b'\r' || b == b'\n') {
        Some(at) if head[at..].starts_with(b"\r\n") => b"\r\n",
        Some(at) if head[at] == b'\r' => b"\r",
        _ => b"\n",
    };
    let mut lines = Vec::new();
    let mut at = skip;
    while let Some(length) = head[at..].windows(line_end.len()).position(|window| window == line_end) {
        let line = head[at..at + length].trim_ascii_end();
        at += length + line_end.len();
        lines.push(line);
        if line == b"end_header" {
            return Ok((lines, at));
        }
    }
    let what = format!("no `end_header` within the first {} bytes", head.len());
    Err(ReadError::new(what, EXPORT_AGAIN))
}

/// Reads the header.
pub(super) fn read(bytes: &[u8]) -> Result<Layout, ReadError> {
    let (lines, body_start) = header_lines(bytes)?;
    let mut text = String::new();
    let mut seen: Vec<&[u8]> = Vec::new();
    for (line, number) in lines.iter().zip(1..) {
        let word = line.split(u8::is_ascii_whitespace).next().unwrap_or(b"");
        if word == b"element" || word == b"property" {
            check_declaration(line, &mut seen).map_err(|e| e.at_line(number))?;
        }
        text.extend(line.iter().map(|&b| if b.is_ascii() { char::from(b) } else { '?' }));
        text.push('\n');
    }
    let header = Parser::<DefaultElement>::new().read_header(&mut text.as_bytes()).map_err(|e| not_understood(&e))?;
    let mut elements: Vec<Element> = header.elements.iter().map(|(name, def)| element(name, def)).collect();
    elements.retain(|e| !e.properties.is_empty());
    let body = match header.encoding {
        Encoding::Ascii => Body::Text,
        Encoding::BinaryLittleEndian => Body::LittleEndian,
        Encoding::BinaryBigEndian => Body::BigEndian,
    };
    Ok(Layout { body, body_start, body_line: lines.len() + 1, elements, pictures: pictures(&lines) })
}

/// Refuses what the parser would panic on or silently merge: huge counts and names that come twice.
fn check_declaration<'a>(line: &'a [u8], seen: &mut Vec<&'a [u8]>) -> Result<(), ReadError> {
    let mut words = crate::format::text::words(line);
    let is_element = words.next() == Some(b"element");
    let name = if is_element { words.next() } else { line.rsplit(u8::is_ascii_whitespace).next() }.unwrap_or(b"");
    if is_element {
        seen.retain(|entry| entry.starts_with(b"element"));
        let count = words.next().and_then(crate::format::text::number);
        if count.is_none_or(|c| c > COUNT_MAX as f64) {
            let what = format!("an element with no count or more than {COUNT_MAX}");
            return Err(ReadError::new(what, "reduce the mesh in the scanner's program"));
        }
    }
    if seen.iter().any(|entry| entry.starts_with(b"element") == is_element && name_in(entry) == name) {
        let what = format!("`{}` is declared twice", crate::format::text::shown(name));
        return Err(ReadError::new(what, EXPORT_AGAIN));
    }
    seen.push(line);
    Ok(())
}

fn name_in(line: &[u8]) -> &[u8] {
    let mut words = crate::format::text::words(line);
    if words.next() == Some(b"element") { words.next().unwrap_or(b"") } else { words.last().unwrap_or(b"") }
}

/// The parser's message begins with `Line N:`.
fn not_understood(error: &std::io::Error) -> ReadError {
    let text = error.to_string();
    let line = text.strip_prefix("Line ").and_then(|t| t.split(':').next()).and_then(|n| n.parse().ok());
    let words = text.lines().find_map(|l| l.trim().strip_prefix("String: ")).unwrap_or("").trim_matches(['\'', ' ']);
    let what = match words.trim() {
        "" => "the header is not that of a PLY file".to_owned(),
        words => format!("the header line `{words}` is not understood"),
    };
    let error = ReadError::new(what, "export the scan again as PLY 1.0");
    if let Some(line) = line { error.at_line(line) } else { error }
}

fn element(name: &str, def: &ElementDef) -> Element {
    let kind = |data: &PropertyType| match data {
        PropertyType::Scalar(one) => Kind::One(scalar(one)),
        PropertyType::List(count, item) => Kind::List { count: scalar(count), item: scalar(item) },
    };
    let property = |(name, def): (&String, &ply_rs::ply::PropertyDef)| Property {
        name: name.to_ascii_lowercase(),
        kind: kind(&def.data_type),
    };
    Element {
        name: name.to_ascii_lowercase(),
        count: def.count,
        properties: def.properties.iter().map(property).collect(),
    }
}

fn scalar(kind: &ScalarType) -> Scalar {
    match kind {
        ScalarType::Char => Scalar::I8,
        ScalarType::UChar => Scalar::U8,
        ScalarType::Short => Scalar::I16,
        ScalarType::UShort => Scalar::U16,
        ScalarType::Int => Scalar::I32,
        ScalarType::UInt => Scalar::U32,
        ScalarType::Float => Scalar::F32,
        ScalarType::Double => Scalar::F64,
    }
}

/// Names after `comment TextureFile`, as written.
fn pictures(lines: &[&[u8]]) -> Vec<String> {
    let name = |line: &&[u8]| {
        let line = String::from_utf8_lossy(line);
        let comment = line.strip_prefix("comment")?.trim_start();
        let mark = comment.get(..11).filter(|word| word.eq_ignore_ascii_case("TextureFile"))?;
        Some(comment[mark.len()..].trim().to_owned()).filter(|name| !name.is_empty())
    };
    lines.iter().filter_map(name).collect()
}

/// Pictures a PLY file names; none when the header cannot be read.
pub(super) fn picture_names(bytes: &[u8]) -> Vec<String> {
    header_lines(bytes).map(|(lines, _)| pictures(&lines)).unwrap_or_default()
}
