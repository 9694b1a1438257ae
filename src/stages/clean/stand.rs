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
use crate::mesh::sound::{Sound, pairs_beside};
use crate::mesh::untangle::largest_piece;
use crate::stage::StageContext;

/// Roughness at figure size that still counts as flat, mm: a tenth of a thin printed layer (common practice, no source).
const ROUGH_MM: f64 = 0.01;

/// Least flat area a figure can be printed on, mm2 (common practice, no source).
const FOOT_MIN_MM2: f64 = 36.0;

/// For that least area this many times the usual height may be cut off.
const LAST_RESORT: f64 = 4.0;

/// Share of the height cut off below from which it is told.
const TOLD_SHARE: f64 = 0.01;

/// Cuts a flat foot if there is too little of one and brings it to z = 0.
pub fn stand(settings: &Clean, mut body: TriMesh, size: Size, ctx: &mut StageContext<'_>) -> TriMesh {
    let at_figure = size.factor * size.factor;
    let rough_mm = ROUGH_MM / size.factor;
    let wanted_mm2 = wanted_mm2(settings, size) / at_figure;
    let least_mm2 = wanted_mm2.min(FOOT_MIN_MM2 / at_figure);
    let rise_max_mm = settings.base_cut_max_share * size.height_mm;
    let before = bounds(&body.positions).0.z;
    for (enough_mm2, rise_mm) in [(wanted_mm2, rise_max_mm), (least_mm2, LAST_RESORT * rise_max_mm)] {
        if standing_area_mm2(&body, rough_mm) < enough_mm2
            && let Some(cut) = clean_cut(&body, enough_mm2, rise_mm, size.sliver_mm())
        {
            body = cut;
        }
    }
    let floor = bounds(&body.positions).0.z;
    body.positions.iter_mut().for_each(|p| p.z -= floor);
    let standing_mm2 = standing_area_mm2(&body, rough_mm);
    ctx.figure("base_rise_mm", floor - before);
    ctx.figure("floor_shift_mm", -floor);
    ctx.figure("standing_area_mm2", standing_mm2);
    if floor - before > TOLD_SHARE * size.height_mm {
        let (cut_mm, share) = ((floor - before) * size.factor, 100.0 * (floor - before) / size.height_mm);
        let what = format!("{cut_mm:.1} mm, {share:.0} % of the height, were cut off below to give a flat foot");
        let hint = "scan the underside, or set `base_cut_max_share: 0` and glue the figure to a base";
        ctx.finding(Finding::new(Severity::Note, what).at("underside").hint(hint));
    }
    if standing_mm2 < 0.5 * wanted_mm2 {
        let (has, wants) = (grouped(standing_mm2 * at_figure), grouped(wanted_mm2 * at_figure));
        let what = format!("the figure stands on {has} mm2 only, {wants} mm2 are wanted");
        let hint = "glue it to a base plate, or raise `base_cut_max_share`";
        ctx.finding(Finding::new(Severity::Warning, what).at("underside").hint(hint));
    }
    body
}

/// Flat area wanted, at figure size, mm2.
fn wanted_mm2(settings: &Clean, size: Size) -> f64 {
    /// Least area for any figure, mm2, and share of the square of its height: about a fifth of both soles of a body.
    const LEAST_MM2: f64 = 60.0;
    const SHARE: f64 = 0.0025;
    match settings.base_min_mm2 {
        0.0 => LEAST_MM2.max(SHARE * size.figure_mm() * size.figure_mm()),
        chosen => chosen,
    }
}

/// The body above the first level cut that leaves one solid without new self-intersections.
fn clean_cut(body: &TriMesh, wanted_mm2: f64, rise_max_mm: f64, sliver_mm: f64) -> Option<TriMesh> {
    let sound = Sound::of(body, &[]);
    cut_heights(body, wanted_mm2, rise_max_mm).into_iter().find_map(|height| {
        let mut cut = largest_piece(&cut_flat(body, height).ok()?);
        remove_slivers(&mut cut, sliver_mm);
        let is_clean = inspect(&cut).is_solid() && pairs_beside(&cut, &sound).is_empty();
        is_clean.then_some(cut)
    })
}
