//! Shells around hollows belong to the piece around them, not to themselves.

use super::{Piece, Seam};
use crate::mesh::measure::volume_mm3;
use crate::mesh::winding::Winding;

/// Pieces with every inward-facing shell put into the piece that surrounds it; seams are renumbered.
pub(super) fn absorbed(mut pieces: Vec<Piece>, seams: &mut [Seam]) -> Vec<Piece> {
    let loose = |p: &usize| seams.iter().all(|s| s.below != *p && s.above != *p);
    let hollows: Vec<usize> = (0..pieces.len()).filter(loose).filter(|p| volume_mm3(&pieces[*p].mesh) < 0.0).collect();
    if hollows.is_empty() {
        return pieces;
    }
    let solids: Vec<usize> = (0..pieces.len()).filter(|p| !hollows.contains(p)).collect();
    let around: Vec<Winding> =
        solids.iter().map(|s| Winding::new(&pieces[*s].mesh.positions, &pieces[*s].mesh.triangles)).collect();
    for hollow in &hollows {
        let Some(point) = pieces[*hollow].mesh.positions.first().copied() else { continue };
        let turns = |i: &usize| around[*i].at(point);
        let host = (0..solids.len()).max_by(|a, b| turns(a).total_cmp(&turns(b)));
        if let Some(host) = host {
            let shell = std::mem::take(&mut pieces[*hollow]);
            append(&mut pieces[solids[host]], shell);
        }
    }
    for seam in seams {
        let place = |p: usize| solids.iter().position(|s| *s == p).unwrap_or(p);
        (seam.below, seam.above) = (place(seam.below), place(seam.above));
    }
    pieces.into_iter().enumerate().filter(|(p, _)| !hollows.contains(p)).map(|(_, piece)| piece).collect()
}

fn append(piece: &mut Piece, shell: Piece) {
    let first = piece.mesh.positions.len() as u32;
    piece.mesh.triangles.extend(shell.mesh.triangles.iter().map(|t| t.map(|v| v + first)));
    piece.mesh.positions.extend(shell.mesh.positions);
    piece.mesh.colours.extend(shell.mesh.colours);
    piece.mesh.origins.extend(shell.mesh.origins);
    piece.source.extend(shell.source);
}
