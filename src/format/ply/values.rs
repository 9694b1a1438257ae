//! The numbers of a PLY body, one after the other, whichever way they are written.

use super::header::{Body, Layout, Scalar};
use crate::format::read_error::{EXPORT_AGAIN, ReadError};
use crate::format::text;

/// Numbers of a body in file order.
pub(super) trait Values {
    /// The next number, read as the given type.
    fn next(&mut self, kind: Scalar) -> Result<f64, ReadError>;
    /// To be called after each entry of an element; false when more stands there than was declared.
    fn end_entry(&mut self) -> bool;
    /// Entries of at least this size that can still follow.
    fn entries_left(&self, bytes_min: usize) -> usize;
    /// Puts the place reached into an error.
    fn here(&self, error: ReadError) -> ReadError;
}

/// A binary body.
#[derive(Debug)]
pub(super) struct Binary<'a> {
    bytes: &'a [u8],
    at: usize,
    is_big_endian: bool,
}

impl<'a> Binary<'a> {
    pub fn new(bytes: &'a [u8], layout: &Layout) -> Self {
        Self { bytes, at: layout.body_start, is_big_endian: layout.body == Body::BigEndian }
    }

    pub fn offset(&self) -> usize {
        self.at
    }

    #[inline]
    fn take<const N: usize>(&mut self) -> Result<[u8; N], ReadError> {
        let Some(&bytes) = self.bytes[self.at..].first_chunk::<N>() else {
            return Err(self.here(ReadError::new("the file ends before its data do", EXPORT_AGAIN)));
        };
        self.at += N;
        let mut bytes = bytes;
        if self.is_big_endian {
            bytes.reverse();
        }
        Ok(bytes)
    }
}

impl Values for Binary<'_> {
    #[inline]
    fn next(&mut self, kind: Scalar) -> Result<f64, ReadError> {
        Ok(match kind {
            Scalar::I8 => f64::from(i8::from_le_bytes(self.take()?)),
            Scalar::U8 => f64::from(u8::from_le_bytes(self.take()?)),
            Scalar::I16 => f64::from(i16::from_le_bytes(self.take()?)),
            Scalar::U16 => f64::from(u16::from_le_bytes(self.take()?)),
            Scalar::I32 => f64::from(i32::from_le_bytes(self.take()?)),
            Scalar::U32 => f64::from(u32::from_le_bytes(self.take()?)),
            Scalar::F32 => f64::from(f32::from_le_bytes(self.take()?)),
            Scalar::F64 => f64::from_le_bytes(self.take()?),
        })
    }

    fn end_entry(&mut self) -> bool {
        true
    }

    fn entries_left(&self, bytes_min: usize) -> usize {
        (self.bytes.len() - self.at) / bytes_min.max(1)
    }

    fn here(&self, error: ReadError) -> ReadError {
        error.at_byte(self.at)
    }
}

/// A text body: one entry a line, blank lines skipped.
#[derive(Debug)]
pub(super) struct Text<'a> {
    rest: &'a [u8],
    line: &'a [u8],
    number: usize,
    is_within_entry: bool,
}

impl<'a> Text<'a> {
    pub fn new(bytes: &'a [u8], layout: &Layout) -> Self {
        Self { rest: &bytes[layout.body_start..], line: &[], number: layout.body_line - 1, is_within_entry: false }
    }

    /// Goes on to a line with numbers; `None` at the end.
    fn next_line(&mut self) -> Option<()> {
        while self.line.is_empty() {
            if self.rest.is_empty() {
                return None;
            }
            let end = self.rest.iter().position(|&b| b == b'\n' || b == b'\r').unwrap_or(self.rest.len());
            self.line = self.rest[..end].trim_ascii();
            let line_end = if self.rest[end..].starts_with(b"\r\n") { 2 } else { 1 };
            self.rest = self.rest.get(end + line_end..).unwrap_or(&[]);
            self.number += 1;
        }
        Some(())
    }
}

impl Values for Text<'_> {
    fn next(&mut self, _: Scalar) -> Result<f64, ReadError> {
        if self.line.is_empty() {
            if self.is_within_entry {
                return Err(self.here(ReadError::new("the line ends before its data do", EXPORT_AGAIN)));
            }
            if self.next_line().is_none() {
                return Err(self.here(ReadError::new("the file ends before its data do", EXPORT_AGAIN)));
            }
            self.is_within_entry = true;
        }
        let end = self.line.iter().position(u8::is_ascii_whitespace).unwrap_or(self.line.len());
        let (word, rest) = self.line.split_at(end);
        self.line = rest.trim_ascii_start();
        text::number(word).ok_or_else(|| self.here(text::no_number(word)))
    }

    fn end_entry(&mut self) -> bool {
        self.is_within_entry = false;
        std::mem::take(&mut self.line).is_empty()
    }

    fn entries_left(&self, bytes_min: usize) -> usize {
        // In text a number takes at least a digit and a blank, whatever its size in a binary file.
        self.rest.len() / if bytes_min == 0 { 1 } else { 2 }
    }

    fn here(&self, error: ReadError) -> ReadError {
        error.at_line(self.number)
    }
}
