//! Second part of `clean`: which pieces belong to the figure. The largest one does; others are dropped as floor, as crumbs
//! or as a second layer, or are joined to it.

use glam::DVec3;

use super::Clean;
use super::gather::Gathered;
use super::notes::{grouped, place};
use super::size::Size;
use super::solidify::together;
use super::steps::{Counts, Surface, log_step};
use crate::finding::{Finding, Severity};
use crate::mesh::TriMesh;
use crate::mesh::islands::{Piece, Relation, largest, measure, relation, step_onto};
use crate::mesh::topology::{Components, components};
use crate::mesh::tree::TriTree;
use crate::mesh::weld::keep_triangles;
use crate::mesh::winding::Winding;
use crate::stage::{StageContext, StageError};

/// The pieces of the figure.
pub struct Joined {
    pub body: TriMesh,
    /// Pieces to be made one with the body, moved against it where there was a gap.
    pub others: Vec<TriMesh>,
    pub size: Size,
    /// Height of the ground, if a piece of floor was scanned along.
    pub ground_mm: Option<f64>,
    /// Why mending is not worth trying, if so.
    pub hopeless: Option<String>,
    /// Whether `body` is rather a heap of shreds, with holes all over.
    pub is_shattered: bool,
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
    /// Becomes one with the body after this move.
    Join(DVec3),
}

/// Sorts out the pieces of the scan.
pub fn pick_pieces(settings: &Clean, gathered: Gathered, ctx: &mut StageContext<'_>) -> Result<Joined, StageError> {
    ctx.progress(0.2, "sorting pieces");
    let Gathered { surface, hopeless } = gathered;
    let before = surface.counts();
    let Surface { mesh, edges } = surface;
    let pieces = components(&mesh.triangles, &edges);
    let measures = measure(&mesh, &edges, &pieces);
    ctx.figure("components_before", pieces.count as f64);
    let Some(main) = largest(&measures) else {
        return Err(StageError::scan("nothing of the scan is a surface", "export the scan again as triangles"));
    };
    let is_shattered = is_shattered(&measures, main);
    if pieces.count == 1 || is_shattered {
        let size = Size::of(&mesh, ctx.target);
        log_step("islands", before, before, ctx);
        ctx.figure("components_after", pieces.count as f64);
        return Ok(Joined { body: mesh, others: Vec::new(), size, ground_mm: None, hopeless, is_shattered });
    }
    let body = keep_triangles(&mesh, |t| pieces.label[t] as usize == main);
    let size = Size::of(&body, ctx.target);
    let sorting = Sorting { settings, mesh: &mesh, pieces: &pieces, measures: &measures, main, size };
    let fates = sorting.fates(&body);
    tell(&measures, &fates, size, ctx);
    ctx.checkpoint()?;
    let others: Vec<TriMesh> = fates
        .iter()
        .filter_map(|(i, fate)| match fate {
            Fate::Join(step) => Some(shifted(sorting.piece(*i), *step)),
            _ => None,
        })
        .collect();
    let joined = fates.iter().filter(|(_, fate)| matches!(fate, Fate::Join(_))).map(|(i, _)| &measures[*i]);
    let open_edges = joined.fold(measures[main].open_edges, |sum, piece| sum + piece.open_edges);
    let kept = others.iter().chain([&body]).fold(Counts::default(), Counts::and_mesh);
    log_step("islands", before, Counts { open_edges, ..kept }, ctx);
    ctx.figure("components_after", (1 + others.len()) as f64);
    let ground_mm = sorting.ground_mm(&fates);
    Ok(Joined { body, others, size, ground_mm, hopeless, is_shattered: false })
}

/// Whether the figure is rather all the pieces together than the largest of them.
fn is_shattered(measures: &[Piece], main: usize) -> bool {
    /// Pieces of a figure put together on purpose, at most, and share of the area its largest has at least (common
    /// practice, no source).
    const PARTS: usize = 200;
    const MAIN: f64 = 0.5;
    let all_mm2: f64 = measures.iter().map(|piece| piece.area_mm2).sum();
    measures.len() > PARTS && measures[main].area_mm2 < MAIN * all_mm2
}

fn shifted(mut piece: TriMesh, step: DVec3) -> TriMesh {
    piece.positions.iter_mut().for_each(|p| *p += step);
    piece
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
    /// The fate of each piece but the main one. What touches a joined piece is joined too, so it takes rounds.
    fn fates(&self, body: &TriMesh) -> Vec<(usize, Fate)> {
        const ROUNDS: usize = 8;
        let others = || (0..self.measures.len()).filter(|i| *i != self.main);
        let mut fates: Vec<(usize, Fate)> = others().map(|i| (i, self.fate_alone(&self.measures[i]))).collect();
        // Nearness is judged as scanned, gaps are closed as moved.
        let (mut scanned, mut moved) = (body.clone(), body.clone());
        for _ in 0..ROUNDS {
            if fates.iter().all(|(_, fate)| *fate != Fate::Far) {
                break;
            }
            let winding = Winding::new(&scanned.positions, &scanned.triangles);
            let mut joined = Vec::new();
            for (i, fate) in fates.iter_mut().filter(|(_, fate)| *fate == Fate::Far) {
                *fate = self.fate_near(*i, &scanned, &winding);
                if let Fate::Join(step) = fate {
                    joined.push((*i, step));
                }
            }
            if joined.is_empty() {
                break;
            }
            let tree = TriTree::new(&moved.positions, &moved.triangles);
            for (i, step) in joined {
                let piece = self.piece(i);
                scanned = together(scanned, &piece);
                if *step != DVec3::ZERO {
                    *step = self.step_into(&piece, &tree);
                }
                moved = together(moved, &shifted(piece, *step));
            }
        }
        fates
    }

    /// Height of the floor under the figure: that of its highest points, for on them the figure stands, a few strays left
    /// out.
    fn ground_mm(&self, fates: &[(usize, Fate)]) -> Option<f64> {
        const STRAYS: f64 = 0.02;
        let floors = fates.iter().filter(|(_, fate)| *fate == Fate::Floor).map(|(i, _)| *i);
        let mut heights: Vec<f64> = floors.flat_map(|i| self.piece(i).positions).map(|p| p.z).collect();
        heights.sort_by(f64::total_cmp);
        heights.get(((1.0 - STRAYS) * heights.len() as f64) as usize).copied()
    }

    fn piece(&self, i: usize) -> TriMesh {
        keep_triangles(self.mesh, |t| self.pieces.label[t] as usize == i)
    }

    /// The move that closes the gap between a piece and a surface, and as much again, so that there is something to join.
    fn step_into(&self, piece: &TriMesh, tree: &TriTree) -> DVec3 {
        let step = step_onto(piece, tree, self.size.height_mm);
        step * 2.0 + step.normalize_or_zero() * 0.001 * self.size.height_mm
    }

    /// What can be told of a piece by itself; otherwise it counts as far until it is seen to be near.
    fn fate_alone(&self, piece: &Piece) -> Fate {
        let least_mm = self.settings.island_size_mm * self.size.body;
        let is_small = (piece.high - piece.low).max_element() < least_mm;
        if is_small || piece.area_mm2 < self.settings.island_area_share * self.measures[self.main].area_mm2 {
            Fate::Crumb
        } else if self.is_floor(piece) {
            Fate::Floor
        } else {
            Fate::Far
        }
    }

    /// Whether a piece is level and lies at the feet.
    fn is_floor(&self, piece: &Piece) -> bool {
        let is_level = piece.level_mm2 > 0.95 * piece.area_mm2 && piece.open_edges > 0;
        is_level && piece.high.z < self.size.low_mm + 0.02 * self.size.height_mm
    }

    fn fate_near(&self, i: usize, body: &TriMesh, winding: &Winding) -> Fate {
        /// How far the subject may have moved between two passes, as share of its height (common practice, no source).
        const SWAY: f64 = 0.012;
        /// Share of the body that no belt or necklace has: such a closed piece is the body scanned twice.
        const BODY_AGAIN: f64 = 0.4;
        let sway_mm = SWAY * self.size.height_mm;
        let near_mm = self.settings.island_distance_mm * self.size.body;
        let Relation { gap_mm, step, reach_mm, inside, agreeing } =
            relation(&self.piece(i), body, winding, sway_mm.max(2.0 * near_mm));
        let piece = &self.measures[i];
        let is_sheet = piece.open_edges > 0 || piece.area_mm2 > BODY_AGAIN * self.measures[self.main].area_mm2;
        let is_layer = is_sheet && reach_mm <= sway_mm && agreeing > 0.6;
        if inside > 0.95 {
            Fate::Inner
        } else if is_layer && inside > 0.1 {
            Fate::Layer
        } else if inside > 0.0 {
            Fate::Join(DVec3::ZERO)
        } else if gap_mm <= near_mm {
            Fate::Join(step)
        } else {
            Fate::Far
        }
    }
}

/// Logs and words what becomes of the pieces.
fn tell(measures: &[Piece], fates: &[(usize, Fate)], size: Size, ctx: &mut StageContext<'_>) {
    let sum = |wanted: &dyn Fn(Fate) -> bool| {
        let chosen = fates.iter().filter(|(_, fate)| wanted(*fate)).map(|(i, _)| measures[*i].area_mm2);
        chosen.fold((0.0, 0.0), |(count, area), a| (count + 1.0, area + a))
    };
    let (joined, joined_mm2) = sum(&|fate| matches!(fate, Fate::Join(_)));
    let (removed, removed_mm2) = sum(&|fate| !matches!(fate, Fate::Join(_)));
    let (_, layers_mm2) = sum(&|fate| fate == Fate::Layer);
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
    if joined > 0.0 {
        let what =
            format!("{} separate pieces joined to the body, {} mm2 in all", grouped(joined), grouped(joined_mm2));
        ctx.finding(Finding::new(Severity::Note, what).hint("check that they belong there"));
    }
    tell_of_each(measures, fates, size, ctx);
}

/// Tells of the largest second layers and dropped pieces one by one.
fn tell_of_each(measures: &[Piece], fates: &[(usize, Fate)], size: Size, ctx: &mut StageContext<'_>) {
    /// Pieces told of, and share of the body from which one is (common practice, no source).
    const EACH: usize = 5;
    const TOLD: f64 = 0.01;
    let body_mm2 = measures.iter().map(|piece| piece.area_mm2).fold(0.0, f64::max);
    let is_told = |(i, fate): &&(usize, Fate)| {
        matches!(fate, Fate::Layer) || matches!(fate, Fate::Far) && measures[*i].area_mm2 > TOLD * body_mm2
    };
    let mut told: Vec<(usize, Fate)> = fates.iter().filter(is_told).copied().collect();
    told.sort_by(|a, b| measures[b.0].area_mm2.total_cmp(&measures[a.0].area_mm2).then(a.0.cmp(&b.0)));
    for (i, fate) in told.into_iter().take(EACH) {
        let piece = &measures[i];
        let area = grouped(piece.area_mm2);
        let (what, hint) = if fate == Fate::Layer {
            (
                format!("a second layer of surface dropped: {area} mm2"),
                "the subject moved between two passes; check this place and scan it again if it looks wrong",
            )
        } else {
            (
                format!("a piece of {area} mm2 dropped, for it does not touch the body"),
                "raise `island_distance_mm` to keep it, or scan what connects it",
            )
        };
        let share = size.share(0.5 * (piece.low.z + piece.high.z));
        let middle = 0.5 * (piece.low + piece.high);
        ctx.finding(Finding::new(Severity::Warning, what).at(place(share)).hint(hint).spots([middle]));
    }
}
