//! Walls too thin to print: where they are, in words, and thickened on demand.

use glam::DVec3;

use crate::finding::{Finding, Severity};
use crate::mesh::TriMesh;
use crate::mesh::thicken::{Thickening, thicken as thicken_walls};
use crate::mesh::walls::{Wall, first_percentile_mm, share_below, walls};
use crate::stage::StageContext;
use crate::units::LATTICE_MM;

/// Share of the surface from which too thin walls are worth a warning.
const WARN_SHARE: f64 = 0.002;

/// Bands of height that places are told in.
const BANDS: usize = 20;

/// Places that are told at most.
const PLACES: usize = 3;

/// What prints, mm.
#[derive(Clone, Copy, Debug)]
pub struct Limits {
    pub wall_mm: f64,
    pub gap_mm: f64,
}

/// Thickens what is too thin, and tells how much that was.
pub fn thicken(mesh: &mut TriMesh, limits: Limits, samples: usize, ctx: &mut StageContext<'_>) {
    /// Triangles keep some height on the lattice.
    const SLIVER_MM: f64 = 4.0 * LATTICE_MM;
    let before = share_below(&walls(mesh, samples), limits.wall_mm);
    let wish = Thickening { wall_min_mm: limits.wall_mm, gap_min_mm: limits.gap_mm, sliver_mm: SLIVER_MM };
    let done = thicken_walls(mesh, &wish);
    ctx.figure("thin_share_before", before);
    ctx.figure("thickened_vertices", done.moved as f64);
    ctx.figure("thickened_most_mm", done.most_mm);
    ctx.figure("thickening_undone", done.put_back as f64);
    if done.moved > 0 {
        let what = format!(
            "walls under {:.2} mm thickened, {:.1} % of the surface; it moved by at most {:.2} mm",
            limits.wall_mm,
            100.0 * before,
            done.most_mm
        );
        ctx.finding(Finding::new(Severity::Note, what).hint("`scale.thicken=false` leaves them as they are"));
    }
}

/// One finding with the places where most thin wall is, or none.
#[must_use]
pub fn finding(walls: &[Wall], limit_mm: f64, bounds: (DVec3, DVec3), is_thickened: bool) -> Option<Finding> {
    let share = share_below(walls, limit_mm);
    if share < WARN_SHARE {
        return None;
    }
    let (low, high) = bounds;
    let what = format!("{:.1} % of the surface lies over walls thinner than {limit_mm:.2} mm", 100.0 * share);
    let print = first_percentile_mm(walls).filter(|thinnest| *thinnest < limit_mm).map_or_else(
        || "print larger".to_owned(),
        |thinnest| format!("print at {:.0} mm or more", ((high.z - low.z) * limit_mm / thinnest - 0.1).ceil()),
    );
    let hint = if is_thickened { print } else { format!("{print}, or let `scale` thicken them: `thicken: true`") };
    Some(Finding::new(Severity::Warning, what).at(places(walls, limit_mm, low, high)).hint(hint))
}

/// The places with most thin wall, in words: height share and side seen from the middle of the surface at that height;
/// the figure faces -y.
fn places(walls: &[Wall], limit_mm: f64, low: DVec3, high: DVec3) -> String {
    let band = |wall: &Wall| (((wall.at.z - low.z) / (high.z - low.z) * BANDS as f64) as usize).min(BANDS - 1);
    let mut sums = [(DVec3::ZERO, 0.0); BANDS];
    for wall in walls {
        let sum = &mut sums[band(wall)];
        *sum = (sum.0 + wall.at, sum.1 + 1.0);
    }
    let mut counts = [[0_usize; 4]; BANDS];
    for wall in walls.iter().filter(|wall| wall.thickness_mm < limit_mm) {
        let (sum, count) = sums[band(wall)];
        counts[band(wall)][side(wall.at - sum / count)] += 1;
    }
    let mut all: Vec<(usize, usize, usize)> = (0..BANDS)
        .flat_map(|band| (0..4).map(move |side| (band, side)))
        .map(|(band, side)| (counts[band][side], band, side))
        .filter(|place| place.0 > 0)
        .collect();
    all.sort_by_key(|place| (std::cmp::Reverse(place.0), place.1, place.2));
    let word = |&(_, band, side): &(usize, usize, usize)| {
        let percent = 100.0 * (band as f64 + 0.5) / BANDS as f64;
        format!("at {percent:.0} % of the height, {}", ["front", "back", "left", "right"][side])
    };
    all.iter().take(PLACES).map(word).collect::<Vec<_>>().join("; ")
}

fn side(from_middle: DVec3) -> usize {
    match (from_middle.x.abs() > from_middle.y.abs(), from_middle.x > 0.0, from_middle.y > 0.0) {
        (true, true, _) => 2,
        (true, false, _) => 3,
        (false, _, true) => 1,
        (false, _, false) => 0,
    }
}
