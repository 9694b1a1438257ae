//! Writing on a picture: lines, circles and text, smooth-edged and blended in linear light.

use super::font::{CAPITAL_ROWS, GAP_COLUMNS, glyph};
use super::pixels::Image;
use super::tone;
use crate::colour::spaces::{linear_of_byte, linear_of_bytes};

/// Where a text stands relative to its point.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Align {
    Left,
    Centre,
    Right,
}

/// Height and weight of a text.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Lettering {
    /// Height of a capital, pixels.
    pub capital_px: f64,
    /// Width of the pen, pixels.
    pub pen_px: f64,
    pub align: Align,
}

impl Lettering {
    /// A text of this height, upright and of medium weight.
    #[must_use]
    pub fn of(capital_px: f64, align: Align) -> Self {
        Self { capital_px, pen_px: (capital_px * 0.14).max(1.1), align }
    }
}

/// A pen on a picture.
#[derive(Debug)]
pub struct Pen<'a> {
    image: &'a mut Image,
}

impl<'a> Pen<'a> {
    #[must_use]
    pub fn on(image: &'a mut Image) -> Self {
        Self { image }
    }

    /// A straight line with round ends.
    pub fn line(&mut self, from: [f64; 2], to: [f64; 2], pen_px: f64, srgb: [u8; 3]) {
        self.path(&[from, to], pen_px, srgb);
    }

    /// Connected lines, covered once even where they overlap.
    pub fn path(&mut self, points: &[[f64; 2]], pen_px: f64, srgb: [u8; 3]) {
        let single = [points.first().copied().unwrap_or([-1e6; 2]); 2];
        let line: &[[f64; 2]] = if points.len() == 1 { &single } else { points };
        let distance = |p: [f64; 2]| line.windows(2).map(|w| to_segment(p, w[0], w[1])).fold(f64::INFINITY, f64::min);
        self.fill(bounds(line, 0.5 * pen_px + 1.0), srgb, |p| 0.5 * pen_px + 0.5 - distance(p));
    }

    /// A filled circle.
    pub fn disc(&mut self, centre: [f64; 2], radius_px: f64, srgb: [u8; 3]) {
        self.fill(bounds(&[centre], radius_px + 1.0), srgb, |p| radius_px + 0.5 - length(p, centre));
    }

    /// A circle's line.
    pub fn circle(&mut self, centre: [f64; 2], radius_px: f64, pen_px: f64, srgb: [u8; 3]) {
        let rim = |p| 0.5 * pen_px + 0.5 - (length(p, centre) - radius_px).abs();
        self.fill(bounds(&[centre], radius_px + pen_px + 1.0), srgb, rim);
    }

    /// A line of text; the point is on the baseline.
    pub fn text(&mut self, at: [f64; 2], text: &str, lettering: Lettering, srgb: [u8; 3]) {
        let unit = lettering.capital_px / CAPITAL_ROWS;
        let start = match lettering.align {
            Align::Left => 0.0,
            Align::Centre => -0.5 * text_width_px(text, lettering.capital_px),
            Align::Right => -text_width_px(text, lettering.capital_px),
        };
        let mut x = at[0] + start;
        for glyph in text.chars().map(glyph) {
            for stroke in &glyph.strokes {
                let points: Vec<_> = stroke.iter().map(|p| [x + p[0] * unit, at[1] - p[1] * unit]).collect();
                self.path(&points, lettering.pen_px, srgb);
            }
            x += glyph.columns * unit;
        }
    }

    /// Blends a colour in by a coverage per pixel centre, within a box of pixels.
    fn fill(&mut self, [x0, y0, x1, y1]: [f64; 4], srgb: [u8; 3], coverage: impl Fn([f64; 2]) -> f64) {
        let light = linear_of_bytes(srgb);
        let columns = x0.max(0.0) as usize..(x1.max(0.0) as usize + 1).min(self.image.width);
        for y in y0.max(0.0) as usize..(y1.max(0.0) as usize + 1).min(self.image.height) {
            for x in columns.clone() {
                let share = coverage([x as f64 + 0.5, y as f64 + 0.5]).clamp(0.0, 1.0) as f32;
                if share > 0.0 {
                    let start = 3 * (y * self.image.width + x);
                    for (byte, over) in self.image.rgb[start..start + 3].iter_mut().zip(light) {
                        let under = linear_of_byte(*byte);
                        *byte = tone::byte(under + (over - under) * share);
                    }
                }
            }
        }
    }
}

/// Width of a line of text, pixels.
#[must_use]
pub fn text_width_px(text: &str, capital_px: f64) -> f64 {
    let columns: f64 = text.chars().map(|c| glyph(c).columns).sum();
    (columns - GAP_COLUMNS).max(0.0) * capital_px / CAPITAL_ROWS
}

fn bounds(points: &[[f64; 2]], rim: f64) -> [f64; 4] {
    let start = [f64::INFINITY, f64::INFINITY, f64::NEG_INFINITY, f64::NEG_INFINITY];
    let [x0, y0, x1, y1] =
        points.iter().fold(start, |b, p| [b[0].min(p[0]), b[1].min(p[1]), b[2].max(p[0]), b[3].max(p[1])]);
    [x0 - rim, y0 - rim, x1 + rim, y1 + rim]
}

fn length(p: [f64; 2], q: [f64; 2]) -> f64 {
    (p[0] - q[0]).hypot(p[1] - q[1])
}

fn to_segment(p: [f64; 2], a: [f64; 2], b: [f64; 2]) -> f64 {
    let (ab, ap) = ([b[0] - a[0], b[1] - a[1]], [p[0] - a[0], p[1] - a[1]]);
    let length2 = ab[0] * ab[0] + ab[1] * ab[1];
    let share = if length2 > 0.0 { ((ap[0] * ab[0] + ap[1] * ab[1]) / length2).clamp(0.0, 1.0) } else { 0.0 };
    length(p, [a[0] + ab[0] * share, a[1] + ab[1] * share])
}

/// Heights for labels beside a picture: as near as may be to the wished ones, in their order, at least `gap` apart and
/// within `low..=high` as far as there is room.
#[must_use]
pub fn spread_labels(wished: &[f64], gap: f64, low: f64, high: f64) -> Vec<f64> {
    let mut order: Vec<usize> = (0..wished.len()).collect();
    order.sort_by(|&a, &b| wished[a].total_cmp(&wished[b]).then(a.cmp(&b)));
    // Pool adjacent violators: labels that would touch share the mean of what they wished for.
    let mut blocks: Vec<(f64, usize)> = Vec::new();
    for (rank, &i) in order.iter().enumerate() {
        blocks.push((wished[i] - gap * rank as f64, 1));
        while let [.., (before, n), (after, m)] = blocks[..] {
            if before <= after {
                break;
            }
            blocks.truncate(blocks.len() - 2);
            blocks.push(((before * n as f64 + after * m as f64) / (n + m) as f64, n + m));
        }
    }
    let top = high - gap * wished.len().saturating_sub(1) as f64;
    let placed = blocks.iter().flat_map(|&(at, n)| std::iter::repeat_n(at.min(top).max(low), n));
    let mut heights = vec![0.0; wished.len()];
    for (rank, (at, &i)) in placed.zip(&order).enumerate() {
        heights[i] = at + gap * rank as f64;
    }
    heights
}
