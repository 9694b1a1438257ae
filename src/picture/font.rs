//! A small stroke font for labels in pictures, drawn for this program.
//!
//! A glyph is strokes separated by blanks; a stroke is points written as two hexadecimal digits, column and row, with
//! the baseline at row 3, lower-case letters up to 9 and capitals up to b. A stroke is a polyline, or after `~` a
//! smooth curve through its points; a curve that ends where it began is closed.

/// Rows from the baseline to the top of a capital.
pub const CAPITAL_ROWS: f64 = 8.0;
/// Columns between two glyphs.
pub const GAP_COLUMNS: f64 = 2.3;

/// Columns a glyph takes with the gap behind it, and its strokes as points (column, rows above the baseline).
#[derive(Clone, Debug, PartialEq)]
pub struct Glyph {
    pub columns: f64,
    pub strokes: Vec<Vec<[f64; 2]>>,
}

/// The strokes of a character; a box for one the font lacks.
#[must_use]
pub fn glyph(character: char) -> Glyph {
    let code = GLYPHS.iter().find(|(known, _)| *known == character).map_or("030b4b4303", |(_, code)| code);
    let strokes: Vec<_> = code.split_whitespace().map(stroke).collect();
    let right = strokes.iter().flatten().map(|p: &[f64; 2]| p[0]).fold(0.0, f64::max);
    Glyph { columns: GAP_COLUMNS + if character == ' ' { 1.2 } else { right }, strokes }
}

fn stroke(code: &str) -> Vec<[f64; 2]> {
    let (curved, digits) = code.strip_prefix('~').map_or((false, code), |rest| (true, rest));
    let digits: Vec<f64> = digits.chars().filter_map(|c| c.to_digit(16)).map(f64::from).collect();
    let points: Vec<_> = digits.chunks_exact(2).map(|p| [p[0], p[1] - 3.0]).collect();
    if curved { smooth(&points) } else { points }
}

/// Lines that stand for one piece of a curve.
const PIECES: usize = 8;

/// A cubic curve through the points. The slope at a point follows its neighbours, scaled so that four points of an
/// ellipse give that ellipse.
fn smooth(points: &[[f64; 2]]) -> Vec<[f64; 2]> {
    const ELLIPSE: f64 = 0.828;
    let last = points.len().saturating_sub(1);
    let closed = last > 1 && (0..2).all(|i| (points[0][i] - points[last][i]).abs() < 0.5);
    let inner = |before: [f64; 2], after: [f64; 2]| [0, 1].map(|i| ELLIPSE * (after[i] - before[i]));
    let mut slopes = vec![[0.0; 2]; points.len()];
    for i in 1..last {
        slopes[i] = inner(points[i - 1], points[i + 1]);
    }
    if closed {
        slopes[0] = inner(points[last - 1], points[1]);
        slopes[last] = slopes[0];
    } else if last > 0 {
        let end = |from: [f64; 2], to: [f64; 2], slope: [f64; 2]| [0, 1].map(|i| 2.0 * (to[i] - from[i]) - slope[i]);
        slopes[0] = end(points[0], points[1], slopes[1]);
        slopes[last] = end(points[last - 1], points[last], slopes[last - 1]);
    }
    let piece = |i: usize, step: usize| {
        let t = step as f64 / PIECES as f64;
        let (t2, t3) = (t * t, t * t * t);
        let weights = [2.0 * t3 - 3.0 * t2 + 1.0, t3 - 2.0 * t2 + t, 3.0 * t2 - 2.0 * t3, t3 - t2];
        [0, 1].map(|k| {
            weights[0] * points[i][k]
                + weights[1] * slopes[i][k]
                + weights[2] * points[i + 1][k]
                + weights[3] * slopes[i + 1][k]
        })
    };
    let curve = (0..last).flat_map(|i| (0..PIECES).map(move |step| (i, step))).map(|(i, step)| piece(i, step));
    curve.chain(points.last().copied()).collect()
}

#[rustfmt::skip]
const GLYPHS: &[(char, &str)] = &[
    (' ', ""),
    ('0', "~3b6733073b"), ('1', "093b33"), ('2', "~093b6957 570363"), ('3', "~0a3b5937 ~37653304 3727"), ('4', "434b0565"),
    ('5', "5b1b07 ~0738653304"), ('6', "~3966330639 ~5b2906"), ('7', "0b6b23"), ('8', "~3b5937193b ~3765330537"),
    ('9', "~3b6835083b ~684513"),
    ('A', "033b63 1656"), ('B', "3b0b0333 0737 ~3b5937 ~376533"), ('C', "~6a3b073364"), ('D', "2b0b0323 ~2b6723"),
    ('E', "5b0b0353 0747"), ('F', "5b0b03 0747"), ('G', "~6a3b073365 656747"), ('H', "0b03 6b63 0767"), ('I', "0b03"),
    ('J', "4b45 ~452304"), ('K', "0b03 5b06 2853"), ('L', "0b0353"), ('M', "030b377b73"), ('N', "030b636b"),
    ('O', "~4b8743074b"), ('P', "030b3b ~3b6937 3707"), ('Q', "~4b8743074b 5583"), ('R', "030b3b ~3b6937 3707 3763"),
    ('S', "~5a3b0937653304"), ('T', "0b6b 3b33"), ('U', "0b06 ~063366 666b"), ('V', "0b336b"), ('W', "0b234b638b"),
    ('X', "0b63 6b03"), ('Y', "0b376b 3733"), ('Z', "0b6b0363"),
    ('a', "~2946230629 4943"), ('b', "0b03 ~2946230629"), ('c', "~4829062344"), ('d', "4b43 ~2946230629"),
    ('e', "0646 ~4629062344"), ('f', "~3b2b19 1913 0838"), ('g', "~2946230629 4941 ~412001"), ('h', "0b03 ~062946 4643"),
    ('i', "0903 0b0b"), ('j', "2921 ~211000 2b2b"), ('k', "0b03 4905 1643"), ('l', "0b03"),
    ('m', "0903 ~062947 4743 ~476987 8783"), ('n', "0903 ~062946 4643"), ('o', "~2946230629"), ('p', "0900 ~2946230629"),
    ('q', "4940 ~2946230629"), ('r', "0903 ~061939"), ('s', "~48290826442304"), ('t', "1b15 ~152333 0939"),
    ('u', "0906 ~062346 4943"), ('v', "092349"), ('w', "0923496389"), ('x', "0943 4903"), ('y', "0923 4910"), ('z', "09490343"),
    ('-', "0636"), ('+', "0646 2824"), ('.', "0303"), (',', "1301"), (':', "0303 0808"), ('/', "004b"),
    ('#', "1a14 3a34 0848 0545"), ('%', "6b03 ~1b2a190a1b ~5564534455"), ('(', "~2b0520"), (')', "~0b2500"),
    ('=', "0747 0545"), ('\u{d7}', "0844 4804"), ('\u{b0}', "~1b2a190a1b"),
];

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_glyph_is_well_written_and_within_its_box() {
        for (character, code) in GLYPHS {
            let strokes = || code.split_whitespace().map(|s| s.trim_start_matches('~'));
            assert!(strokes().all(|s| s.len() % 2 == 0 && s.bytes().all(|b| b.is_ascii_hexdigit())), "{character}");
            let points = glyph(*character).strokes.concat();
            assert!(points.iter().all(|p| p[0] > -1.0 && p[0] < 9.0 && p[1] > -4.0 && p[1] < 9.0), "{character}");
        }
    }

    #[test]
    fn four_points_of_a_circle_make_a_circle() {
        let circle = smooth(&[[0.0, 1.0], [1.0, 0.0], [0.0, -1.0], [-1.0, 0.0], [0.0, 1.0]]);
        assert!(circle.iter().all(|p| (p[0].hypot(p[1]) - 1.0).abs() < 1e-3), "{circle:?}");
    }
}
