//! The new surface for what was taken away: a contour drawn there only and trimmed to leave a gap to what stays.

use glam::Vec3;
use rayon::prelude::*;

use super::Within;
use super::bricks::Bricks;
use super::kept::{Kept, State, pinched};
use crate::mesh::topology::{Edges, components};
use crate::mesh::tree::TriTree;
use crate::mesh::weld::keep_triangles;
use crate::mesh::winding::Winding;
use crate::mesh::wrap::colour::colours;
use crate::mesh::wrap::contour::{Contour, Source, contour};
use crate::mesh::wrap::field::fill_within;
use crate::mesh::wrap::grid::Grid;
use crate::mesh::wrap::hits::Hits;
use crate::mesh::wrap::tidy::{Surface, tidy};
use crate::mesh::{Origin, TriMesh};

/// How far beyond what was taken away the contour is drawn, voxels.
const BEYOND: f64 = 1.5;
/// Open pieces of fewer triangles are left out.
const CRUMB: usize = 8;

/// The patches; `None` when the grid would get too large.
pub(super) fn patch(soup: &TriMesh, winding: &Winding, kept: &Kept, gap: f64, voxel_mm: f64) -> Option<TriMesh> {
    let Some((low, high)) = winding.tree().bounds() else { return Some(TriMesh::default()) };
    let mut grid = Grid::over(low, high, voxel_mm);
    let away = (0..soup.triangles.len()).filter(|t| kept.states[*t] == State::Away);
    let bricks = Bricks::around(&grid, away.map(|t| soup.corners(t)), BEYOND)?;
    let within = Within::Bricks(&bricks);
    let hits = Hits::find_within(soup, &mut grid, within);
    let sign = fill_within(&mut grid, &hits, winding, within);
    let mut contour = contour(Source { grid: &grid, hits: &hits, tree: winding.tree(), sign });
    trim(&mut contour, soup, winding, kept, gap * grid.voxel);
    let (colours, near) = colours(&contour, soup, winding.tree(), grid.voxel);
    let is_fixed = fixed_vertices(&contour);
    let Contour { positions, triangles, on } = contour;
    let scanned = on.iter().map(|on| on.is_none_or(|t| soup.origins[t as usize] == Origin::Skin));
    let near = near.into_iter().zip(scanned).map(|(near, scanned)| near && scanned).collect();
    let surface = tidy(Surface { positions, colours, near, triangles }, grid.voxel, is_fixed);
    let origin = |t: &[u32; 3]| if t.iter().all(|v| surface.near[*v as usize]) { Origin::Skin } else { Origin::Fill };
    let mesh = TriMesh {
        origins: surface.triangles.iter().map(origin).collect(),
        colours: surface.colours.iter().map(Vec3::to_array).collect(),
        positions: surface.positions,
        triangles: surface.triangles,
    };
    Some(keep_triangles(&mesh, |_| true))
}

/// Leaves of the contour what stands for triangles that are away and is at least the gap from the rim of the others.
fn trim(contour: &mut Contour, soup: &TriMesh, winding: &Winding, kept: &Kept, gap_mm: f64) {
    let beside = |(t, state): &(&[u32; 3], &State)| **state == State::Stays && t.iter().any(|v| kept.rim[*v as usize]);
    let along: Vec<[u32; 3]> = soup.triangles.iter().zip(&kept.states).filter(beside).map(|(t, _)| *t).collect();
    let rim = TriTree::new(&soup.positions, &along);
    let is_patch = |v: usize| {
        let point = contour.positions[v];
        let on = contour.on[v].or_else(|| winding.tree().nearest(point, f64::INFINITY).map(|near| near.triangle));
        let is_away = on.is_some_and(|t| kept.states[t as usize] != State::Stays);
        is_away && rim.nearest(point, gap_mm).is_none()
    };
    let is_patch: Vec<bool> = (0..contour.positions.len()).into_par_iter().map(is_patch).collect();
    contour.triangles.retain(|t| t.iter().all(|v| is_patch[*v as usize]));
    loop {
        let pinched = pinched(&contour.triangles, contour.positions.len());
        let before = contour.triangles.len();
        contour.triangles.retain(|t| !t.iter().any(|v| pinched[*v as usize]));
        if contour.triangles.len() == before {
            break;
        }
    }
    drop_crumbs(contour);
}

fn drop_crumbs(contour: &mut Contour) {
    let pieces = components(&contour.triangles, &Edges::of(&contour.triangles, contour.positions.len()));
    let mut sizes = vec![0; pieces.count];
    pieces.label.iter().for_each(|piece| sizes[*piece as usize] += 1);
    let mut label = pieces.label.iter();
    contour.triangles.retain(|_| label.next().is_some_and(|piece| sizes[*piece as usize] >= CRUMB));
}

/// Vertices on rims, and those of no triangle.
fn fixed_vertices(contour: &Contour) -> Vec<bool> {
    let edges = Edges::of(&contour.triangles, contour.positions.len());
    let mut is_fixed = vec![true; contour.positions.len()];
    contour.triangles.iter().flatten().for_each(|v| is_fixed[*v as usize] = false);
    for (half, open) in edges.open_halves(&contour.triangles).iter().enumerate() {
        if *open {
            let triangle = contour.triangles[half / 3];
            is_fixed[triangle[half % 3] as usize] = true;
            is_fixed[triangle[(half + 1) % 3] as usize] = true;
        }
    }
    is_fixed
}
