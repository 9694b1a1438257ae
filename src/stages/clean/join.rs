//! Second part of `clean`: which pieces belong to the figure. The largest one does; others are dropped as floor, as crumbs
//! or as a second layer, or are joined to it.

use glam::DVec3;

use super::Clean;
use super::gather::Gathered;
use super::notes::{grouped, place};
use super::size::Size;
use crate::finding::{Finding, Severity};
use crate::mesh::TriMesh;
use crate::mesh::islands::{Piece, Relation, largest, measure, relation};
use crate::mesh::topology::{Components, Edges, components};
use crate::mesh::weld::keep_triangles;
use crate::mesh::winding::Winding;
use crate::stage::{StageContext, StageError};

/// The pieces of the figure.
pub struct Joined {
    pub body: TriMesh,
    /// Pieces to be made one with the body, moved against it where there was a gap.
    pub others: Vec<TriMesh>,
    pub size: Size,
    /// Why mending is not worth trying, if so.
    pub hopeless: Option<String>,
}

/// What becomes of a piece.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Fate {
    Crumb,
    Floor,
    /// Lies inside the body.
    Inner,
    /// Repeats a part of the body a little beside it, as when the subject moved.
    Layer,
    Far,
    Join(DVec3),
}

/// Sorts out the pieces of the scan.
pub fn pick_pieces(settings: &Clean, gathered: Gathered, ctx: &mut StageContext<'_>) -> Result<Joined, StageError> {
    ctx.progress(0.2, "sorting pieces");
    let Gathered { mesh, hopeless } = gathered;
    let edges = Edges::of(&mesh.triangles, mesh.positions.len());
    let pieces = components(&mesh.triangles, &edges);
    let measures = measure(&mesh, &edges, &pieces);
    ctx.figure("components_before", pieces.count as f64);
    let Some(main) = largest(&measures) else {
        return Err(StageError::scan("nothing of the scan is a surface", "export the scan again as triangles"));
    };
    if pieces.count == 1 {
        let size = Size::of(&mesh, ctx.target);
        return Ok(Joined { body: mesh, others: Vec::new(), size, hopeless });
    }
    let body = keep_triangles(&mesh, |t| pieces.label[t] as usize == main);
    let size = Size::of(&body, ctx.target);
    let fates = Sorting { settings, mesh: &mesh, pieces: &pieces, measures: &measures, main, size }.fates(&body);
    tell(&measures, &fates, size, ctx);
    ctx.checkpoint()?;
    let others = fates.iter().filter_map(|(i, fate)| match fate {
        Fate::Join(step) => {
            let mut piece = keep_triangles(&mesh, |t| pieces.label[t] as usize == *i);
            piece.positions.iter_mut().for_each(|p| *p += *step);
            Some(piece)
        }
        _ => None,
    });
    Ok(Joined { others: others.collect(), body, size, hopeless })
}

/// All that is needed to decide on pieces.
struct Sorting<'a> {
    settings: &'a Clean,
    mesh: &'a TriMesh,
    pieces: &'a Components,
    measures: &'a [Piece],
    main: usize,
    size: Size,
}

impl Sorting<'_> {
    /// The fate of each piece but the main one.
    fn fates(&self, body: &TriMesh) -> Vec<(usize, Fate)> {
        let least_mm2 = self.settings.island_area_share * self.measures[self.main].area_mm2;
        let mut winding = None;
        let mut fates = Vec::new();
        for (i, piece) in self.measures.iter().enumerate().filter(|(i, _)| *i != self.main) {
            let fate = if piece.area_mm2 < least_mm2 {
                Fate::Crumb
            } else if self.is_floor(piece) {
                Fate::Floor
            } else {
                let winding = winding.get_or_insert_with(|| Winding::new(&body.positions, &body.triangles));
                self.fate_near(i, body, winding)
            };
            fates.push((i, fate));
        }
        fates
    }

    /// Whether a piece is level and lies at the feet.
    fn is_floor(&self, piece: &Piece) -> bool {
        let is_level = piece.level_mm2 > 0.95 * piece.area_mm2 && piece.open_edges > 0;
        is_level && piece.high.z < self.size.low_mm + 0.02 * self.size.height_mm
    }

    fn fate_near(&self, i: usize, body: &TriMesh, winding: &Winding) -> Fate {
        /// How far the subject may have moved between two passes, as share of its height (common practice, no source).
        const SWAY: f64 = 0.012;
        let sway_mm = SWAY * self.size.height_mm;
        let piece = keep_triangles(self.mesh, |t| self.pieces.label[t] as usize == i);
        let Relation { gap_mm, step, reach_mm, inside, agreeing } =
            relation(&piece, body, winding, sway_mm.max(2.0 * self.settings.island_distance_mm));
        let is_layer = self.measures[i].open_edges > 0 && reach_mm <= sway_mm && agreeing > 0.6;
        if inside > 0.95 {
            Fate::Inner
        } else if is_layer && inside > 0.1 {
            Fate::Layer
        } else if inside > 0.0 {
            Fate::Join(DVec3::ZERO)
        } else if gap_mm <= self.settings.island_distance_mm {
            // Into the body by the gap again, so that there is something to join.
            Fate::Join(step * 2.0 + step.normalize_or_zero() * 0.001 * self.size.height_mm)
        } else {
            Fate::Far
        }
    }
}

/// Logs and words what becomes of the pieces.
fn tell(measures: &[Piece], fates: &[(usize, Fate)], size: Size, ctx: &mut StageContext<'_>) {
    /// Share of the body from which a dropped piece is told of by itself (common practice, no source).
    const TOLD: f64 = 0.01;
    let sum = |wanted: &dyn Fn(Fate) -> bool| {
        let chosen = fates.iter().filter(|(_, fate)| wanted(*fate)).map(|(i, _)| measures[*i].area_mm2);
        chosen.fold((0.0, 0.0), |(count, area), a| (count + 1.0, area + a))
    };
    let (joined, _) = sum(&|fate| matches!(fate, Fate::Join(_)));
    let (removed, removed_mm2) = sum(&|fate| !matches!(fate, Fate::Join(_)));
    let (layers, layers_mm2) = sum(&|fate| fate == Fate::Layer);
    let (_, floor_mm2) = sum(&|fate| fate == Fate::Floor);
    ctx.figure("pieces_joined", joined);
    ctx.figure("islands_removed", removed);
    ctx.figure("island_area_mm2", removed_mm2);
    ctx.figure("floor_removed_mm2", floor_mm2);
    ctx.figure("second_layer_removed_mm2", layers_mm2);
    if removed > 0.0 {
        let what = format!("{} loose pieces dropped, {} mm2 in all", grouped(removed), grouped(removed_mm2));
        ctx.finding(Finding::new(Severity::Note, what));
    }
    if layers > 0.0 {
        let what = format!("a second layer of surface dropped: {} mm2", grouped(layers_mm2));
        let first = fates.iter().find(|(_, fate)| *fate == Fate::Layer).map_or(0, |(i, _)| *i);
        let middle = 0.5 * (measures[first].low.z + measures[first].high.z);
        let hint = "the subject moved between two passes; check this place and scan it again if it looks wrong";
        ctx.finding(Finding::new(Severity::Warning, what).at(place(size.share(middle))).hint(hint));
    }
    let body_mm2 = measures.iter().map(|piece| piece.area_mm2).fold(0.0, f64::max);
    for (i, fate) in fates {
        let piece = &measures[*i];
        let area = grouped(piece.area_mm2);
        let (severity, what, hint) = match fate {
            Fate::Join(_) => (
                Severity::Note,
                format!("a separate piece of {area} mm2 joined to the body"),
                "check that it belongs there",
            ),
            Fate::Far if piece.area_mm2 > TOLD * body_mm2 => (
                Severity::Warning,
                format!("a piece of {area} mm2 dropped, for it does not touch the body"),
                "raise `island_distance_mm` to keep it, or scan what connects it",
            ),
            _ => continue,
        };
        let share = size.share(0.5 * (piece.low.z + piece.high.z));
        ctx.finding(Finding::new(severity, what).at(place(share)).hint(hint));
    }
}
