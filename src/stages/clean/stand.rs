//! Last part of `clean`: a flat foot to stand on, at z = 0.

use super::Clean;
use super::notes::grouped;
use super::size::Size;
use crate::finding::{Finding, Severity};
use crate::mesh::TriMesh;
use crate::mesh::base::{cut_flat, cut_heights, standing_area_mm2};
use crate::mesh::inspect::inspect;
use crate::mesh::measure::bounds;
use crate::mesh::slivers::remove_slivers;
use crate::mesh::untangle::{largest_piece, pairs_with_changed, places};
use crate::stage::StageContext;

/// Roughness at figure size that still counts as flat, mm: a quarter of a printed layer (common practice, no source).
const ROUGH_MM: f64 = 0.05;

/// Cuts a flat foot if there is too little of one and brings it to z = 0.
pub fn stand(settings: &Clean, mut body: TriMesh, size: Size, ctx: &mut StageContext<'_>) -> TriMesh {
    let wanted_mm2 = wanted_mm2(settings, size);
    let rough_mm = ROUGH_MM / size.factor;
    let flat_mm2 = standing_area_mm2(&body, rough_mm);
    let before = bounds(&body.positions).0.z;
    if flat_mm2 < wanted_mm2 {
        let rise_max_mm = settings.base_cut_max_share * size.height_mm;
        if let Some(cut) = clean_cut(&body, wanted_mm2, rise_max_mm, size.sliver_mm()) {
            body = cut;
        }
    }
    let floor = bounds(&body.positions).0.z;
    body.positions.iter_mut().for_each(|p| p.z -= floor);
    let standing_mm2 = standing_area_mm2(&body, rough_mm);
    ctx.figure("base_rise_mm", floor - before);
    ctx.figure("floor_shift_mm", -floor);
    ctx.figure("standing_area_mm2", standing_mm2);
    if standing_mm2 < 0.5 * wanted_mm2 {
        let at_figure = size.factor * size.factor;
        let (has, wants) = (grouped(standing_mm2 * at_figure), grouped(wanted_mm2 * at_figure));
        let what = format!("the figure stands on {has} mm2 only, {wants} mm2 are wanted");
        let hint = "glue it to a base plate, or raise `base_cut_max_share`";
        ctx.finding(Finding::new(Severity::Warning, what).at("underside").hint(hint));
    }
    body
}

/// Flat area wanted, at scan size, mm2.
fn wanted_mm2(settings: &Clean, size: Size) -> f64 {
    /// Least area for any figure, mm2, and share of the square of its height: about a third of both soles of a body.
    const LEAST_MM2: f64 = 60.0;
    const SHARE: f64 = 0.004;
    let at_figure = match settings.base_min_mm2 {
        0.0 => LEAST_MM2.max(SHARE * size.figure_mm() * size.figure_mm()),
        chosen => chosen,
    };
    at_figure / (size.factor * size.factor)
}

/// The body above the first level cut that leaves one solid without new self-intersections.
fn clean_cut(body: &TriMesh, wanted_mm2: f64, rise_max_mm: f64, sliver_mm: f64) -> Option<TriMesh> {
    let old = places(body);
    cut_heights(body, wanted_mm2, rise_max_mm).into_iter().find_map(|height| {
        let mut cut = largest_piece(&cut_flat(body, height).ok()?);
        remove_slivers(&mut cut, sliver_mm);
        let is_clean = inspect(&cut).is_solid() && pairs_with_changed(&cut, &old).is_empty();
        is_clean.then_some(cut)
    })
}
