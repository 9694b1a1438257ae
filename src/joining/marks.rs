//! Marks engraved in cut faces: the part's own number, an arrow, and the number of the part that belongs there. Read with the
//! arrow pointing to the right, they stand upright towards the head, or towards the back in a level face.

use glam::{DVec2, DVec3};

use super::Site;
use super::keys::{Placed, Side, inward};
use super::spots::spots;
use super::walls::Walls;
use crate::mesh::cut::{Feature, Ring};

/// Smallest height of figures that is read easily and printed with two lines a stroke, mm (common practice, no source).
const LEAST_MM: f64 = 6.0;
/// Sizes tried, as shares of the wanted one.
const SIZES: [f64; 4] = [1.0, 0.85, 0.7, 0.6];
/// Depth, mm: three layers of 0.2 mm (common practice: 3 to 4, no source).
const DEPTH_MM: f64 = 0.6;
/// Kept free around a mark, mm.
const MARGIN_MM: f64 = 1.5;
/// Places tried on a face, about.
const PLACES: f64 = 400.0;
/// A face whose normal is closer to upright than this is level: its marks stand towards the back.
const LEVEL: f64 = 0.8;

/// Width of a figure, and widths between figures and of the arrow, in heights.
const WIDE: f64 = 0.55;
const GAP: f64 = 0.22;
const ARROW: f64 = 0.7;
/// Half a stroke's width, and the distance of a stroke's end from the corner of its figure, in heights.
const HALF: f64 = 0.075;
const OPEN: f64 = 0.06;

/// Strokes of each figure: top, upper right, lower right, bottom, lower left, upper left, middle.
const STROKES: [[bool; 7]; 10] = {
    const Y: bool = true;
    const N: bool = false;
    [
        [Y, Y, Y, Y, Y, Y, N],
        [N, Y, Y, N, N, N, N],
        [Y, Y, N, Y, Y, N, Y],
        [Y, Y, Y, Y, N, N, Y],
        [N, Y, Y, N, N, Y, Y],
        [Y, N, Y, Y, N, Y, Y],
        [Y, N, Y, Y, Y, Y, Y],
        [Y, Y, Y, N, N, N, N],
        [Y, Y, Y, Y, Y, Y, Y],
        [Y, Y, Y, Y, N, Y, Y],
    ]
};

/// Outlines of a line of text, in heights, counter-clockwise, and its width.
struct Text {
    outlines: Vec<Vec<DVec2>>,
    width: f64,
}

impl Text {
    fn new() -> Self {
        Self { outlines: Vec::new(), width: 0.0 }
    }

    fn number(mut self, number: usize) -> Self {
        for figure in format!("{number:02}").bytes().map(|b| usize::from(b - b'0')) {
            let start = self.advance();
            let strokes = STROKES[figure].iter().enumerate().filter(|(_, drawn)| **drawn);
            self.outlines.extend(strokes.map(|(i, _)| stroke(i).map(|p| p + DVec2::new(start, 0.0)).to_vec()));
            self.width = start + WIDE;
        }
        self
    }

    fn arrow(mut self) -> Self {
        let start = self.advance();
        let (neck, wing) = (0.35, 0.28);
        let corners = [
            (0.0, 0.5 - HALF),
            (neck, 0.5 - HALF),
            (neck, 0.5 - wing),
            (ARROW, 0.5),
            (neck, 0.5 + wing),
            (neck, 0.5 + HALF),
            (0.0, 0.5 + HALF),
        ];
        self.outlines.push(corners.map(|(x, y)| DVec2::new(start + x, y)).to_vec());
        self.width = start + ARROW;
        self
    }

    fn advance(&self) -> f64 {
        if self.outlines.is_empty() { 0.0 } else { self.width + GAP }
    }
}

/// Corners of a figure's stroke with pointed ends, counter-clockwise.
fn stroke(index: usize) -> [DVec2; 6] {
    let (left, right, low, middle, high) = (HALF, WIDE - HALF, HALF, 0.5, 1.0 - HALF);
    let [from, to] = match index {
        0 => [(left, high), (right, high)],
        1 => [(right, middle), (right, high)],
        2 => [(right, low), (right, middle)],
        3 => [(left, low), (right, low)],
        4 => [(left, low), (left, middle)],
        5 => [(left, middle), (left, high)],
        _ => [(left, middle), (right, middle)],
    }
    .map(|(x, y)| DVec2::new(x, y));
    let along = (to - from).normalize();
    let (from, to) = (from + OPEN * along, to - OPEN * along);
    let across = HALF * along.perp();
    let slant = HALF * along;
    [from, from + slant - across, to - slant - across, to, to - slant + across, from + slant + across]
}

/// A rectangle on a face: its middle, its directions as read, and half its extents along them, mm.
#[derive(Clone, Copy)]
struct Plate {
    middle: DVec2,
    right: DVec2,
    up: DVec2,
    half: DVec2,
}

impl Plate {
    fn local(&self, p: DVec2) -> DVec2 {
        let from = p - self.middle;
        DVec2::new(from.dot(self.right), from.dot(self.up))
    }

    /// Whether no edge comes within the margin.
    fn is_clear_of(&self, edges: &[(DVec2, DVec2)]) -> bool {
        let reach = self.half + MARGIN_MM;
        edges.iter().all(|(a, b)| !crosses_box(self.local(*a), self.local(*b), reach))
    }

    fn distance(&self, p: DVec2) -> f64 {
        (self.local(p).abs() - self.half).max(DVec2::ZERO).length()
    }
}

/// Whether a segment meets the box of these half extents about the origin (slab test).
fn crosses_box(a: DVec2, b: DVec2, half: DVec2) -> bool {
    let along = b - a;
    let (mut enter, mut leave) = (0.0_f64, 1.0_f64);
    for i in 0..2 {
        if along[i].abs() < 1e-12 {
            if a[i].abs() > half[i] {
                return false;
            }
        } else {
            let (s, t) = ((-half[i] - a[i]) / along[i], (half[i] - a[i]) / along[i]);
            enter = enter.max(s.min(t));
            leave = leave.min(s.max(t));
        }
    }
    enter <= leave
}

/// A face to be marked.
#[derive(Clone, Copy, Debug)]
pub struct Face<'a> {
    pub site: &'a Site,
    pub side: Side,
    pub keys: &'a [Placed],
    /// Surface of the part near the joint.
    pub walls: &'a Walls,
}

impl Face<'_> {
    /// The mark of a joint in the part on this side, `height_mm` high or less; with the part's own number only where there
    /// is no more room; `None` where there is none. Numbers are those of this part and of the other.
    #[must_use]
    pub fn mark(&self, joint: u16, [own, other]: [usize; 2], height_mm: f64, wall_mm: f64) -> Option<Vec<Feature>> {
        let texts = [Text::new().number(own).arrow().number(other), Text::new().number(own)];
        let room_mm = MARGIN_MM + 0.5 * LEAST_MM;
        let mut spots = spots(self.site, PLACES, room_mm);
        // Stable, so that equal rooms keep the order of the grid.
        spots.sort_by(|a, b| b.room.total_cmp(&a.room));
        let edges = self.site.edges();
        let upright = self.directions();
        let sizes = SIZES.map(|share| (share * height_mm).max(LEAST_MM));
        for text in &texts {
            for size in sizes {
                for [right, up] in [upright, [-upright[1], upright[0]]] {
                    let half = 0.5 * size * DVec2::new(text.width, 1.0);
                    let plate = |middle| Plate { middle, right, up, half };
                    let free = |p: &Plate| p.is_clear_of(&edges) && self.is_clear(p, wall_mm);
                    let roomy = spots.iter().filter(|s| s.room >= half.min_element() + MARGIN_MM);
                    if let Some(plate) = roomy.map(|s| plate(s.centre)).find(free) {
                        return Some(self.engraved(joint, text, &plate, size));
                    }
                }
            }
        }
        None
    }

    /// Directions to the right and upwards for who reads the face from outside.
    fn directions(&self) -> [DVec2; 2] {
        let plane = self.site.plane;
        let (along, across) = plane.frame();
        let upwards = if plane.normal().z.abs() > LEVEL { DVec3::Y } else { DVec3::Z };
        let up = DVec2::new(upwards.dot(along), upwards.dot(across)).normalize_or(DVec2::Y);
        // A face that looks along the normal is read from there.
        let right = if self.side == Side::Below { -up.perp() } else { up.perp() };
        [right, up]
    }

    fn is_clear(&self, plate: &Plate, wall_mm: f64) -> bool {
        let clear = |k: &Placed| plate.distance(k.centre) >= k.radius_mm + k.chamfer_mm + MARGIN_MM;
        if !self.keys.iter().all(clear) {
            return false;
        }
        let plane = self.site.plane;
        let (along, across) = plane.frame();
        let way = |v: DVec2| v.x * along + v.y * across;
        let corner = plane.at(plate.middle - plate.half.x * plate.right - plate.half.y * plate.up)
            + DEPTH_MM * inward(plane, self.side);
        let sides = [2.0 * plate.half.x * way(plate.right), 2.0 * plate.half.y * way(plate.up)];
        self.walls.beside(corner, sides, wall_mm) >= wall_mm
    }

    fn engraved(&self, joint: u16, text: &Text, plate: &Plate, size: f64) -> Vec<Feature> {
        let start = plate.middle - plate.half.x * plate.right - plate.half.y * plate.up;
        let place = |p: &DVec2| start + size * (p.x * plate.right + p.y * plate.up);
        let feature = |outline: &Vec<DVec2>| {
            let mut corners: Vec<DVec2> = outline.iter().map(place).collect();
            if self.side == Side::Above {
                corners.reverse();
            }
            let ring = |height_mm| Ring { loops: vec![corners.clone()], height_mm };
            Feature { joint, rings: vec![ring(0.0), ring(-DEPTH_MM)], inner: Vec::new() }
        };
        text.outlines.iter().map(feature).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::mesh::outline::loops_area_mm2;

    #[test]
    fn figures_differ_and_their_strokes_keep_apart() {
        for (i, a) in STROKES.iter().enumerate() {
            assert!(STROKES[..i].iter().all(|b| a != b), "{i}");
        }
        let text = Text::new().number(8).arrow().number(88);
        assert_eq!(text.outlines.len(), 6 + 7 + 1 + 14);
        assert!((text.width - (4.0 * WIDE + ARROW + 4.0 * GAP)).abs() < 1e-12);
        for (i, a) in text.outlines.iter().enumerate() {
            assert!(loops_area_mm2(std::slice::from_ref(a)) > 0.02, "counter-clockwise");
            for b in &text.outlines[..i] {
                let nearest = a.iter().flat_map(|p| edges(b).map(move |(c, d)| distance(*p, c, d))).fold(9.0, f64::min);
                // Half a millimetre at the least size.
                assert!(nearest * LEAST_MM > 0.45, "{nearest}");
            }
        }
    }

    fn edges(l: &[DVec2]) -> impl Iterator<Item = (DVec2, DVec2)> {
        (0..l.len()).map(|i| (l[i], l[(i + 1) % l.len()]))
    }

    fn distance(p: DVec2, a: DVec2, b: DVec2) -> f64 {
        let t = ((p - a).dot(b - a) / (b - a).length_squared()).clamp(0.0, 1.0);
        p.distance(a + t * (b - a))
    }

    #[test]
    fn boxes_are_crossed_by_what_passes_through_them_only() {
        let half = DVec2::new(3.0, 1.0);
        let crossed = |a: (f64, f64), b: (f64, f64)| crosses_box(a.into(), b.into(), half);
        assert!(
            crossed((-9.0, 0.0), (9.0, 0.0)) && crossed((0.0, 0.0), (0.1, 0.1)) && crossed((2.5, 9.0), (2.5, -9.0))
        );
        assert!(
            !crossed((-9.0, 1.1), (9.0, 1.1)) && !crossed((2.0, 3.0), (5.0, 0.5)) && !crossed((4.0, 0.0), (9.0, 0.0))
        );
    }
}
