//! Lines, words and numbers of text formats, with limits: no line over 1 MB, no number over 64 characters.

use std::borrow::Cow;

use super::read_error::ReadError;

const LINE_MAX: usize = 1 << 20;
const NUMBER_MAX: usize = 64;

/// Lines with their number, counted from 1; LF, CR LF and CR end a line, a backslash before the end joins the next.
#[derive(Debug)]
pub(super) struct Lines<'a> {
    rest: &'a [u8],
    number: usize,
}

impl<'a> Lines<'a> {
    pub fn new(bytes: &'a [u8]) -> Self {
        Self { rest: bytes.strip_prefix(b"\xef\xbb\xbf").unwrap_or(bytes), number: 0 }
    }

    /// The next line of the file as it stands.
    fn physical(&mut self) -> Option<&'a [u8]> {
        if self.rest.is_empty() {
            return None;
        }
        self.number += 1;
        let end = self.rest.iter().position(|&b| b == b'\n' || b == b'\r').unwrap_or(self.rest.len());
        let line = &self.rest[..end];
        let break_bytes = if self.rest[end..].starts_with(b"\r\n") { 2 } else { 1 };
        self.rest = self.rest.get(end + break_bytes..).unwrap_or(&[]);
        Some(line)
    }
}

impl<'a> Iterator for Lines<'a> {
    type Item = Result<(usize, Cow<'a, [u8]>), ReadError>;

    fn next(&mut self) -> Option<Self::Item> {
        let mut line = Cow::Borrowed(self.physical()?);
        let number = self.number;
        while line.len() <= LINE_MAX && line.last() == Some(&b'\\') {
            let joined = line.to_mut();
            joined.pop();
            joined.push(b' ');
            match self.physical() {
                Some(more) => joined.extend_from_slice(more),
                None => break,
            }
        }
        if line.len() > LINE_MAX {
            let what = format!("a line of more than {LINE_MAX} bytes");
            return Some(Err(ReadError::new(what, "export the scan again as plain text").at_line(number)));
        }
        Some(Ok((number, line)))
    }
}

/// Words between blanks.
pub(super) fn words(line: &[u8]) -> impl Iterator<Item = &[u8]> {
    line.split(u8::is_ascii_whitespace).filter(|word| !word.is_empty())
}

/// A word for a message: cut short, odd bytes replaced.
pub(super) fn shown(word: &[u8]) -> String {
    String::from_utf8_lossy(&word[..word.len().min(40)]).into_owned()
}

/// A number; `None` when the word is none.
pub(super) fn number(word: &[u8]) -> Option<f64> {
    let word = std::str::from_utf8(word).ok().filter(|w| w.len() <= NUMBER_MAX)?;
    word.parse().ok()
}

/// The next `N` words as numbers.
pub(super) fn numbers<'a, const N: usize>(
    words: &mut impl Iterator<Item = &'a [u8]>,
    line: usize,
) -> Result<[f64; N], ReadError> {
    let mut values = [0.0; N];
    for (n, value) in values.iter_mut().enumerate() {
        let Some(word) = words.next() else {
            let what = format!("{n} numbers where {N} are needed");
            return Err(ReadError::new(what, super::read_error::EXPORT_AGAIN).at_line(line));
        };
        *value = number(word).ok_or_else(|| no_number(word).at_line(line))?;
    }
    Ok(values)
}

pub(super) fn no_number(word: &[u8]) -> ReadError {
    let what = format!("`{}` is not a number", shown(word));
    let hint = if word.contains(&b',') {
        "write decimals with a point: set the exporting program to English numbers"
    } else {
        super::read_error::EXPORT_AGAIN
    };
    ReadError::new(what, hint)
}
