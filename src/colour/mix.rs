//! What small areas of several colours look like from so far that the eye cannot part them.

use super::spaces::{Lab, Linear, lab_of_linear};

/// Detail a good eye just parts, minutes of arc (normal acuity).
const ACUITY_ARCMIN: f64 = 1.0;

/// Most colours in a mix: three are enough to come as near to most as any number does.
const COLOURS_MAX: usize = 3;

/// Colours in equal small parts, and what they look like.
#[derive(Clone, Debug, PartialEq)]
pub struct Mix {
    /// Which colours, ascending, and how many parts of each.
    pub parts: Vec<(usize, usize)>,
    pub lab: Lab,
}

impl Mix {
    /// Number of parts in all.
    #[must_use]
    pub fn period(&self) -> usize {
        self.parts.iter().map(|(_, count)| count).sum()
    }

    /// One period of the colours, each spread as evenly as goes.
    #[must_use]
    pub fn sequence(&self) -> Vec<usize> {
        let period = self.period();
        let mut used = vec![0; self.parts.len()];
        let next = |place: usize| {
            // The colour that is most behind its share takes the place.
            let behind = |i: &usize| (self.parts[*i].1 * (place + 1)) as i64 - (used[*i] * period) as i64;
            let most = (0..self.parts.len()).rev().max_by_key(behind).unwrap_or(0);
            used[most] += 1;
            self.parts[most].0
        };
        (0..period).map(next).collect()
    }
}

/// Longest pattern, mm, that melts into one colour for an eye `distance_mm` away: one light and one dark part fill two of the
/// smallest angles it parts.
#[must_use]
pub fn period_max_mm(distance_mm: f64) -> f64 {
    distance_mm * (2.0 * ACUITY_ARCMIN / 60.0).to_radians().tan()
}

/// Colour of areas beside each other, given their shares, which sum to 1: reflectances add (Murray and Davies 1936, Neugebauer
/// 1937), in the power `1 / spread` where light spreads between them inside the material (Yule and Nielsen 1951).
#[must_use]
pub fn mixed(shares: &[(Linear, f64)], spread: f64) -> Linear {
    [0, 1, 2].map(|channel| {
        let root = |(colour, share): &(Linear, f64)| share * f64::from(colour[channel]).max(0.0).powf(1.0 / spread);
        shares.iter().map(root).sum::<f64>().powf(spread) as f32
    })
}

/// All mixes of no more than `period_max` parts; single colours are mixes of one part.
#[must_use]
pub fn possible(colours: &[Linear], period_max: usize, spread: f64) -> Vec<Mix> {
    let of = |parts: Vec<(usize, usize)>| {
        let period: usize = parts.iter().map(|(_, count)| count).sum();
        let share = |(i, count): &(usize, usize)| (colours[*i], *count as f64 / period as f64);
        let lab = lab_of_linear(mixed(&parts.iter().map(share).collect::<Vec<_>>(), spread));
        Mix { parts, lab }
    };
    let is_new = |parts: &Vec<(usize, usize)>| parts.iter().fold(0, |divisor, (_, count)| gcd(*count, divisor)) == 1;
    let ways = (1..=period_max.max(1)).flat_map(|period| compositions(colours.len(), period));
    ways.filter(is_new).map(of).collect()
}

/// Ways to divide so many parts among up to three of so many colours, each getting some.
fn compositions(colours: usize, period: usize) -> Vec<Vec<(usize, usize)>> {
    let mut all = Vec::new();
    let mut open: Vec<(Vec<(usize, usize)>, usize)> = vec![(Vec::new(), period)];
    while let Some((parts, left)) = open.pop() {
        if left == 0 {
            all.push(parts);
            continue;
        }
        if parts.len() == COLOURS_MAX {
            continue;
        }
        let first = parts.last().map_or(0, |(i, _)| i + 1);
        for colour in first..colours {
            for count in 1..=left {
                open.push(([parts.as_slice(), &[(colour, count)]].concat(), left - count));
            }
        }
    }
    all.sort();
    all
}

fn gcd(a: usize, b: usize) -> usize {
    if b == 0 { a } else { gcd(b, a % b) }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::colour::spaces::{bytes_of_linear, linear_of_bytes};

    /// Reflectance .9 and .04 in equal shares (numbers of the published formulas, worked by hand).
    #[test]
    fn shares_of_light_and_dark_mix_as_published() {
        for (spread, expected) in [(1.0, 0.470_00), (1.5, 0.379_93), (2.0, 0.329_87), (3.0, 0.279_40)] {
            let [found, ..] = mixed(&[([0.9; 3], 0.5), ([0.04; 3], 0.5)], spread);
            assert!((f64::from(found) - expected).abs() < 1e-5, "{spread}: {found}");
        }
    }

    /// Half white and half black is sRGB 188, not 128: light adds, code values do not (IEC 61966-2-1).
    #[test]
    fn light_adds_and_code_values_do_not() {
        assert_eq!(bytes_of_linear(mixed(&[([1.0; 3], 0.5), ([0.0; 3], 0.5)], 1.0)), [188; 3]);
    }

    /// A white (.90, .88, .84) and a red (.55, .05, .06), worked with the same formulas in a separate program.
    #[test]
    fn coloured_plastics_mix_channel_by_channel() {
        let colours = [[0.90, 0.88, 0.84], [0.55, 0.05, 0.06]];
        let bytes =
            |red: f64, spread: f64| bytes_of_linear(mixed(&[(colours[0], 1.0 - red), (colours[1], red)], spread));
        assert_eq!(bytes(0.25, 1.0), [233, 214, 210]);
        assert_eq!(bytes(0.5, 1.0), [221, 182, 179]);
        assert_eq!(bytes(0.75, 2.0), [208, 112, 115]);
    }

    /// An eye that parts one minute of arc parts lines .582 mm apart at one metre.
    #[test]
    fn patterns_melt_at_two_minutes_of_arc() {
        assert!((period_max_mm(1000.0) - 0.5818).abs() < 1e-4);
        assert!((period_max_mm(2000.0) - 1.1636).abs() < 1e-4);
    }

    /// Every way to divide four parts among four colours, three at most in one mix, once each.
    #[test]
    fn all_mixes_are_there_and_none_twice() {
        let colours =
            [[0xff, 0xff, 0xff], [0x5c, 0x3a, 0x21], [0xb0, 0x20, 0x20], [0x10, 0x10, 0x40]].map(linear_of_bytes);
        let all = possible(&colours, 4, 1.0);
        // Of one colour 4; of two 6 pairs in 1:1, 1:2, 2:1, 1:3, 3:1; of three 4 triples in 1:1:1, 2:1:1, 1:2:1, 1:1:2.
        assert_eq!(all.len(), 4 + 6 * 5 + 4 * 4);
        assert!(all.iter().enumerate().all(|(i, mix)| all[..i].iter().all(|other| other.parts != mix.parts)));
        let skin = crate::colour::spaces::lab_of_bytes([0xd8, 0xa8, 0x90]);
        let nearest = |period| {
            let all = possible(&colours, period, 1.0);
            all.iter().map(|mix| crate::colour::difference::ciede2000(skin, mix.lab)).fold(f64::INFINITY, f64::min)
        };
        assert!(nearest(4) < 0.5 * nearest(1), "{} {}", nearest(4), nearest(1));
        assert!(possible(&[], 4, 1.0).is_empty());
    }

    #[test]
    fn parts_are_spread_evenly() {
        let mix = |parts: &[(usize, usize)]| Mix { parts: parts.to_vec(), lab: Lab::default() };
        assert_eq!(mix(&[(4, 1), (7, 1)]).sequence(), [4, 7]);
        let sequence = mix(&[(0, 3), (1, 2)]).sequence();
        assert_eq!(sequence.len(), 5);
        assert_eq!(sequence.iter().filter(|i| **i == 1).count(), 2);
        let twice = [sequence.as_slice(), &sequence].concat();
        assert!(twice.windows(2).all(|pair| pair != [1, 1]), "{twice:?}");
    }
}
