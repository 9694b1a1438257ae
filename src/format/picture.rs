//! PNG and JPEG pictures of a scan's surface: size is checked from the header before anything is decoded.

use std::io::Cursor;
use std::panic::{AssertUnwindSafe, catch_unwind};

use image::{DynamicImage, ImageDecoder, ImageFormat, ImageReader, Limits};

use super::read_error::{EXPORT_AGAIN, ReadError};

/// Longest side, pixels.
const SIDE_MAX: u32 = 16_384;
/// Most memory one decoded picture may take, bytes.
const DECODED_MAX: u64 = 512 << 20;

/// A decoded picture: sRGB bytes, rows from the top.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Picture {
    pub width: usize,
    pub height: usize,
    /// Red, green and blue of `width * height` pixels.
    pub rgb: Vec<u8>,
}

impl Picture {
    /// The pixel in a column and row that exist.
    #[must_use]
    #[inline]
    pub fn pixel(&self, column: usize, row: usize) -> [u8; 3] {
        let at = 3 * (row * self.width + column);
        [self.rgb[at], self.rgb[at + 1], self.rgb[at + 2]]
    }
}

/// Decodes a PNG or JPEG file.
///
/// # Errors
/// When it is neither, too large, or damaged.
pub fn decode(name: &str, bytes: &[u8]) -> Result<Picture, ReadError> {
    decoded(bytes).map_err(|error| error.in_file(name))
}

fn decoded(bytes: &[u8]) -> Result<Picture, ReadError> {
    let format = format_of(bytes)?;
    let damaged = |e: image::ImageError| ReadError::new(format!("the picture is damaged: {e}"), EXPORT_AGAIN);
    let mut reader = ImageReader::with_format(Cursor::new(bytes), format);
    let mut limits = Limits::default();
    limits.max_alloc = Some(DECODED_MAX);
    reader.limits(limits);
    let decoder = reader.into_decoder().map_err(damaged)?;
    let (width, height) = decoder.dimensions();
    let decoded_bytes = decoder.total_bytes().max(u64::from(width) * u64::from(height) * 3);
    if width == 0 || height == 0 || width > SIDE_MAX || height > SIDE_MAX || decoded_bytes > DECODED_MAX {
        let what = format!("the picture has {width} x {height} pixels");
        let limit = format!("use at most {SIDE_MAX} pixels a side and {} MB decoded", DECODED_MAX >> 20);
        return Err(ReadError::new(what, limit));
    }
    // A decoder that gives up in a panic is a damaged picture to us.
    let decode = AssertUnwindSafe(|| DynamicImage::from_decoder(decoder).map(|image| image.into_rgb8().into_raw()));
    let gave_up = |_| ReadError::new("the picture is damaged: its decoder gave up", EXPORT_AGAIN);
    let rgb = catch_unwind(decode).map_err(gave_up)?.map_err(damaged)?;
    Ok(Picture { width: width as usize, height: height as usize, rgb })
}

fn format_of(bytes: &[u8]) -> Result<ImageFormat, ReadError> {
    if bytes.starts_with(b"\x89PNG") {
        return Ok(ImageFormat::Png);
    }
    if bytes.starts_with(b"\xff\xd8") {
        return Ok(ImageFormat::Jpeg);
    }
    let kind = match bytes {
        [] => "the picture file is empty",
        [b'R', b'I', b'F', b'F', _, _, _, _, b'W', b'E', b'B', b'P', ..] => "the picture is in WebP format",
        [0xab, b'K', b'T', b'X', ..] => "the picture is in KTX format",
        [b'B', b'M', ..] => "the picture is in BMP format",
        [b'I', b'I', b'*', 0, ..] | [b'M', b'M', 0, b'*', ..] => "the picture is in TIFF format",
        _ => "the picture is neither PNG nor JPEG",
    };
    Err(ReadError::new(kind, "export the scan with PNG or JPEG pictures"))
}

/// Whether a PNG or JPEG has its end mark; other files pass.
pub(super) fn is_whole(bytes: &[u8]) -> Result<(), String> {
    let tail = &bytes[bytes.len().saturating_sub(1 << 16)..];
    let ends_with = |mark: &[u8]| tail.windows(mark.len()).any(|window| window == mark);
    if bytes.starts_with(b"\x89PNG") && !ends_with(b"IEND") {
        return Err("the PNG picture has no end mark yet".to_owned());
    }
    if bytes.starts_with(b"\xff\xd8") && !ends_with(b"\xff\xd9") {
        return Err("the JPEG picture has no end mark yet".to_owned());
    }
    Ok(())
}
