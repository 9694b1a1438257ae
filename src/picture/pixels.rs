//! A finished picture: sRGB bytes, and the files they can be stored in.

use image::codecs::jpeg::JpegEncoder;
use image::codecs::png::{CompressionType, FilterType, PngEncoder};
use image::{ExtendedColorType, ImageEncoder, ImageError};

/// A picture, three sRGB bytes per pixel, row by row from the upper left corner.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Image {
    pub width: usize,
    pub height: usize,
    pub rgb: Vec<u8>,
}

impl Image {
    /// A picture of one colour.
    #[must_use]
    pub fn filled(width: usize, height: usize, srgb: [u8; 3]) -> Self {
        Self { width, height, rgb: srgb.repeat(width * height) }
    }

    /// Lays another picture over this one, its upper left corner at `[x, y]`; what does not fit is left out.
    pub fn paste(&mut self, other: &Self, [x, y]: [usize; 2]) {
        let width = other.width.min(self.width.saturating_sub(x));
        for row in 0..other.height.min(self.height.saturating_sub(y)) {
            let to = 3 * ((y + row) * self.width + x);
            let from = 3 * row * other.width;
            self.rgb[to..to + 3 * width].copy_from_slice(&other.rgb[from..from + 3 * width]);
        }
    }

    /// The picture as a PNG file, lossless.
    ///
    /// # Errors
    /// When a side is 0 or larger than the format allows.
    pub fn png(&self) -> Result<Vec<u8>, ImageError> {
        let mut file = Vec::new();
        let encoder = PngEncoder::new_with_quality(&mut file, CompressionType::Default, FilterType::Adaptive);
        encoder.write_image(&self.rgb, self.width as u32, self.height as u32, ExtendedColorType::Rgb8)?;
        Ok(file)
    }

    /// The picture as a JPEG file of this quality, 1 to 100.
    ///
    /// # Errors
    /// When a side is 0 or larger than the format allows.
    pub fn jpeg(&self, quality: u8) -> Result<Vec<u8>, ImageError> {
        let mut file = Vec::new();
        let encoder = JpegEncoder::new_with_quality(&mut file, quality);
        encoder.write_image(&self.rgb, self.width as u32, self.height as u32, ExtendedColorType::Rgb8)?;
        Ok(file)
    }
}
