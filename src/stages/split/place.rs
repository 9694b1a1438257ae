//! Names of parts and places: what of the body they are, by the skin they carry, so that a person can say them. The front
//! is taken to face -y, so the figure's own left is +x.

use glam::DVec3;
use rayon::prelude::*;

use super::body::{Body, Zone};
use super::divide::Work;
use crate::mesh::cut::NO_SOURCE;
use crate::mesh::measure;

/// A second zone gives a part its name together with the first when it has at least this share of the skin.
const SECOND: f64 = 0.25;
/// A limb on both sides has at least this share of the skin on either.
const EITHER: f64 = 0.25;
/// Places nearer to the middle than this are on neither side, as a share of the height.
const ASIDE: f64 = 0.02;
/// The same for front and back.
const BEHIND: f64 = 0.03;
/// Middles of parts that are told apart by a direction differ by at least this share of the height.
const APART: f64 = 0.01;

/// Words along x, y and z, the lowest first.
const WAYS: [[&str; 3]; 3] = [["right", "middle", "left"], ["front", "middle", "back"], ["lower", "middle", "upper"]];
/// Directions to tell parts apart by, one or several, the first that does wins.
const TELLING: [&[usize]; 7] = [&[2], &[0], &[1], &[2, 0], &[0, 1], &[2, 1], &[2, 0, 1]];
/// The same for names that tell the height already.
const TELLING_LEVEL: [&[usize]; 7] = [&[0], &[1], &[0, 1], &[2], &[2, 0], &[2, 1], &[2, 0, 1]];

fn word(zone: Zone) -> &'static str {
    match zone {
        Zone::Foot => "foot",
        Zone::Shin => "shin",
        Zone::Thigh => "thigh",
        Zone::Hips => "hips",
        Zone::Waist => "waist",
        Zone::Chest => "chest",
        Zone::UpperArm => "upper-arm",
        Zone::Forearm => "forearm",
        Zone::Hand => "hand",
        Zone::Neck => "neck",
        Zone::Head | Zone::Face => "head",
        Zone::Lower => "lower",
        Zone::Middle => "middle",
        Zone::Upper => "upper",
    }
}

/// Whether there is one on either side of the body.
fn is_limb(zone: Zone) -> bool {
    matches!(zone, Zone::Foot | Zone::Shin | Zone::Thigh | Zone::UpperArm | Zone::Forearm | Zone::Hand)
}

/// Name of what two zones make together, in the order of `Zone`; by the larger one where there is no such word.
fn together(zones: [Zone; 2]) -> Option<&'static str> {
    match zones {
        [Zone::Foot, Zone::Shin] => Some("shin-foot"),
        [Zone::Shin, Zone::Thigh] => Some("knee"),
        [Zone::Hips, Zone::Waist] => Some("torso-lower"),
        [Zone::Waist, Zone::Chest] => Some("torso-upper"),
        [Zone::Hips, Zone::Chest] => Some("torso"),
        [Zone::Chest, Zone::UpperArm] => Some("shoulder"),
        [Zone::UpperArm, Zone::Forearm] => Some("elbow"),
        [Zone::Forearm, Zone::Hand] => Some("forearm-hand"),
        [Zone::Neck, Zone::Head] => Some("head"),
        _ => None,
    }
}

/// What a part is of, before it is told from others.
#[derive(Clone, Debug)]
struct Piece {
    words: String,
    middle: DVec3,
}

impl Piece {
    fn of(body: &Body, zones: &[Zone], part: &Work) -> Self {
        let mesh = part.mesh.as_ref();
        let mut shares: Vec<(Zone, [f64; 3])> = Vec::new();
        let mut all = 0.0;
        let outside = |t: &usize| mesh.origins[*t].is_outside() && part.source[*t] != NO_SOURCE;
        for t in (0..mesh.triangles.len()).filter(outside) {
            let [a, b, c] = mesh.corners(t);
            let middle = (a + b + c) / 3.0;
            let area = 0.5 * mesh.area_vector(t).length();
            let zone = match zones[part.source[t] as usize] {
                Zone::Face => Zone::Head,
                zone => zone,
            };
            let side = match body.aside(middle) {
                aside if aside > ASIDE => 1,
                aside if aside < -ASIDE => 2,
                _ => 0,
            };
            all += area;
            match shares.iter_mut().find(|(known, _)| *known == zone) {
                Some((_, areas)) => areas[side] += area,
                None => shares.push((zone, [0, 1, 2].map(|i| if i == side { area } else { 0.0 }))),
            }
        }
        shares.sort_by(|a, b| b.1.iter().sum::<f64>().total_cmp(&a.1.iter().sum::<f64>()).then(a.0.cmp(&b.0)));
        let (low, high) = measure::bounds(&mesh.positions);
        Self { words: name(&shares, all), middle: 0.5 * (low + high) }
    }
}

/// Name by the areas of each zone on neither side, on the left and on the right, the largest zone first.
fn name(shares: &[(Zone, [f64; 3])], all: f64) -> String {
    let Some((first, areas)) = shares.first().copied() else { return "inside".to_owned() };
    let second = shares.get(1).filter(|(_, areas)| areas.iter().sum::<f64>() >= SECOND * all).map(|(zone, _)| *zone);
    let both = second.and_then(|second| together([first.min(second), first.max(second)]));
    let mut words = both.unwrap_or(word(first)).to_owned();
    let limb = is_limb(first) || words == "shoulder";
    if limb {
        let sum: f64 = areas.iter().sum();
        if areas[1].min(areas[2]) >= EITHER * sum {
            words = words.replace("foot", "feet");
            words += if words.ends_with("feet") { "" } else { "s" };
        } else {
            words += if areas[1] >= areas[2] { "-left" } else { "-right" };
        }
    }
    words
}

/// Place words for parts, such as `shin-left` or `chest-upper-right`; mostly each has its own. Zones are by triangle of the
/// whole figure.
pub(super) fn names(body: &Body, zones: &[Zone], parts: &[Work]) -> Vec<String> {
    let pieces: Vec<Piece> = parts.par_iter().map(|part| Piece::of(body, zones, part)).collect();
    let mut names: Vec<String> = pieces.iter().map(|p| p.words.clone()).collect();
    let mut told: Vec<&str> = Vec::new();
    for piece in &pieces {
        if told.contains(&piece.words.as_str()) {
            continue;
        }
        told.push(&piece.words);
        let alike: Vec<usize> = (0..pieces.len()).filter(|i| pieces[*i].words == piece.words).collect();
        let middles: Vec<DVec3> = alike.iter().map(|i| pieces[*i].middle).collect();
        let telling = if WAYS[2].contains(&piece.words.as_str()) { &TELLING_LEVEL } else { &TELLING };
        for (i, ways) in alike.iter().zip(told_apart(&middles, APART * body.height_mm(), telling)) {
            for way in ways.into_iter().filter(|way| !way.is_empty()) {
                names[*i] += "-";
                names[*i] += way;
            }
        }
    }
    names
}

/// Words that tell places apart, as few as do.
fn told_apart(middles: &[DVec3], apart_mm: f64, telling: &[&[usize]]) -> Vec<Vec<&'static str>> {
    let none = vec![Vec::new(); middles.len()];
    if middles.len() < 2 {
        return none;
    }
    let along = |axis: usize| ranked(middles, axis, apart_mm);
    let mut best = none;
    for axes in telling {
        let ranks: Vec<Vec<&str>> = axes.iter().map(|axis| along(*axis)).collect();
        let words: Vec<Vec<&str>> = (0..middles.len()).map(|i| ranks.iter().map(|of| of[i]).collect()).collect();
        if distinct(&words) == middles.len() {
            return words;
        }
        if distinct(&words) > distinct(&best) {
            best = words;
        }
    }
    best
}

fn distinct(words: &[Vec<&str>]) -> usize {
    words.iter().enumerate().filter(|(i, w)| !words[..*i].contains(w)).count()
}

/// A word for each place along an axis: by rank when there are two or three levels, else by side of the middle.
fn ranked(middles: &[DVec3], axis: usize, apart_mm: f64) -> Vec<&'static str> {
    let mut sorted: Vec<f64> = middles.iter().map(|m| m[axis]).collect();
    sorted.sort_by(f64::total_cmp);
    let levels: Vec<&[f64]> = sorted.chunk_by(|a, b| b - a < apart_mm).collect();
    let word = |at: f64| {
        let rank = levels.iter().position(|l| at <= l[l.len() - 1]).unwrap_or(0);
        let step = match (levels.len(), rank) {
            (2, 0) => 0,
            (2, _) => 2,
            (3, rank) => rank,
            // One level only tells nothing.
            (1, _) => return "",
            _ => 2 * usize::from(at > 0.5 * (sorted[0] + sorted[sorted.len() - 1])),
        };
        WAYS[axis][step]
    };
    middles.iter().map(|m| word(m[axis])).collect()
}

/// A point on the body in words, for findings, such as `shin left`.
pub(super) fn point_words(body: &Body, p: DVec3) -> String {
    let zone = body.zone(p);
    let mut words = word(zone).replace('-', " ");
    match body.aside(p) {
        a if a > ASIDE => words += " left",
        a if a < -ASIDE => words += " right",
        _ => {}
    }
    if !is_limb(zone) {
        match body.behind(p) {
            b if b > BEHIND => words += " back",
            b if b < -BEHIND => words += " front",
            _ => {}
        }
    }
    words
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_say_what_a_part_is_of() {
        let left = |area: f64| [0.0, area, 0.0];
        assert_eq!(name(&[(Zone::Shin, left(60.0)), (Zone::Foot, left(40.0))], 100.0), "shin-foot-left");
        assert_eq!(name(&[(Zone::Foot, left(60.0)), (Zone::Shin, left(20.0))], 90.0), "foot-left");
        assert_eq!(name(&[(Zone::Thigh, [5.0, 30.0, 28.0])], 63.0), "thighs");
        assert_eq!(name(&[(Zone::Chest, [20.0, 5.0, 70.0])], 95.0), "chest");
        assert_eq!(name(&[(Zone::Chest, [0.0, 0.0, 5.0]), (Zone::UpperArm, [0.0, 0.0, 4.0])], 9.0), "shoulder-right");
        assert_eq!(name(&[], 0.0), "inside");
    }

    #[test]
    fn parts_alike_are_told_apart_by_as_few_words_as_do() {
        let told = |middles: &[[f64; 3]]| {
            let middles: Vec<DVec3> = middles.iter().map(|m| DVec3::from_array(*m)).collect();
            told_apart(&middles, 1.0, &TELLING).iter().map(|w| w.join("-")).collect::<Vec<_>>()
        };
        assert_eq!(told(&[[0.0, 0.0, 0.0]]), [""]);
        assert_eq!(told(&[[0.0, 9.0, 5.0], [0.2, 0.0, 5.0]]), ["back", "front"]);
        assert_eq!(told(&[[0.0, 9.0, 5.0], [7.0, 0.0, 15.0], [9.0, 0.0, 25.0]]), ["lower", "middle", "upper"]);
        let corners = [[0.0, 0.0, 0.0], [9.0, 0.0, 0.0], [0.0, 0.0, 9.0], [9.0, 0.0, 9.0]];
        assert_eq!(told(&corners), ["lower-right", "lower-left", "upper-right", "upper-left"]);
        assert_eq!(told(&[[0.0; 3], [0.0; 3]]), ["", ""]);
    }
}
