//! Builds the parts on either side of a section: crossed triangles are divided, cut faces added, earlier ones refilled.

use super::section::{Crossed, NONE, Section, edge_key};
use super::{CutError, NO_SOURCE, Piece, Pieces, Seam, check, hollows};
use crate::mesh::cut::flat::Flat;
use crate::mesh::inspect::is_degenerate;
use crate::mesh::topology::Sets;
use crate::mesh::{Origin, TriMesh};

/// Which piece everything goes to.
struct Sorting {
    count: usize,
    /// Piece of each vertex of the mesh.
    of_vertex: Vec<u32>,
    /// Pieces below and above each region; equal where it is not cut.
    of_region: Vec<[u32; 2]>,
    chosen: Vec<bool>,
}

/// The two sides of a plane, each as one mesh.
pub(super) fn by_side(mesh: &TriMesh, section: &Section, joint: u16) -> Result<[Piece; 2], CutError> {
    let plane = section.plane;
    let of_vertex = mesh.positions.iter().map(|p| u32::from(plane.lies_under(*p))).collect();
    let regions = section.regions.len();
    let sorting = Sorting { count: 2, of_vertex, of_region: vec![[0, 1]; regions], chosen: vec![true; regions] };
    let mut built = build(mesh, section, &sorting, joint)?.into_iter();
    Ok([built.next().unwrap_or_default(), built.next().unwrap_or_default()])
}

/// The connected pieces after cutting the chosen regions.
pub(super) fn by_piece(mesh: &TriMesh, section: &Section, chosen: &[bool], joint: u16) -> Result<Pieces, CutError> {
    let sorting = connected(mesh, section, chosen);
    let cut = |r: &usize| sorting.chosen[*r];
    let mut seams: Vec<Seam> = (0..section.regions.len())
        .filter(cut)
        .map(|region| {
            let [below, above] = sorting.of_region[region].map(|p| p as usize);
            Seam { region, below, above, area_mm2: section.regions[region].area_mm2 }
        })
        .collect();
    if seams.is_empty() {
        return Err(CutError::Misses);
    }
    if seams.iter().any(|s| s.below == s.above) {
        return Err(CutError::StillJoined);
    }
    let pieces = hollows::absorbed(build(mesh, section, &sorting, joint)?, &mut seams);
    Ok(Pieces { pieces, seams })
}

/// Union-find over the vertices; crossed triangles of chosen regions join the vertices of one side only.
fn connected(mesh: &TriMesh, section: &Section, chosen: &[bool]) -> Sorting {
    let chosen: Vec<bool> = (0..section.regions.len()).map(|r| chosen.get(r).copied().unwrap_or(false)).collect();
    let mut sets = Sets::new(mesh.positions.len());
    let mut used = vec![false; mesh.positions.len()];
    let mut ends: Vec<[Option<u32>; 2]> = vec![[None; 2]; section.regions.len()];
    let mut crossed = section.crossed.iter().peekable();
    for (t, [a, b, c]) in mesh.triangles.iter().enumerate() {
        for v in [a, b, c] {
            used[*v as usize] = true;
        }
        let cut = crossed.next_if(|x| x.triangle as usize == t);
        if let Some(cut) = cut {
            let [lone, m, n] = cut.corners;
            sets.unite(m, n);
            let sides = if cut.lone_above { [m, lone] } else { [lone, m] };
            for (end, vertex) in ends[cut.region as usize].iter_mut().zip(sides) {
                sets.unite(*end.get_or_insert(vertex), vertex);
            }
            if !chosen[cut.region as usize] {
                sets.unite(lone, m);
            }
        } else {
            sets.unite(*a, *b);
            sets.unite(*b, *c);
        }
    }
    // A vertex without a triangle is no piece; it goes with the first one.
    let first = mesh.triangles.first().map_or(0, |t| t[0]);
    for v in (0..mesh.positions.len()).filter(|v| !used[*v]) {
        sets.unite(first, v as u32);
    }
    let (of_vertex, count) = names(sets, mesh.positions.len());
    let name = |v: Option<u32>| v.map_or(0, |v| of_vertex[v as usize]);
    let of_region = ends.iter().map(|e| e.map(name)).collect();
    Sorting { count, of_vertex, of_region, chosen }
}

/// A number for each set, in the order of their first members, and how many there are.
fn names(mut sets: Sets, members: usize) -> (Vec<u32>, usize) {
    let mut names = vec![NONE; members];
    let mut count = 0;
    for v in 0..members as u32 {
        let lead = sets.find(v) as usize;
        if lead == v as usize {
            names[lead] = count;
            count += 1;
        }
        names[v as usize] = names[lead];
    }
    (names, count as usize)
}

/// Pieces under construction.
struct Builder<'a> {
    mesh: &'a TriMesh,
    section: &'a Section,
    sorting: &'a Sorting,
    built: Vec<Piece>,
    /// Number of vertices each piece keeps from the mesh; rim points follow.
    own_vertices: Vec<u32>,
    /// Index of each mesh vertex in its piece.
    local: Vec<u32>,
    /// Index of each rim point in the piece below and in the piece above.
    local_rim: Vec<[u32; 2]>,
}

fn build(mesh: &TriMesh, section: &Section, sorting: &Sorting, joint: u16) -> Result<Vec<Piece>, CutError> {
    let mut b = Builder::new(mesh, section, sorting);
    let refilled = b.refilled();
    let mut crossed = section.crossed.iter().peekable();
    for t in 0..mesh.triangles.len() {
        let cut = crossed.next_if(|x| x.triangle as usize == t);
        if matches!(mesh.origins[t], Origin::Cut(j) if refilled.iter().any(|f| f.joint == j)) {
            continue;
        }
        match cut.filter(|x| sorting.chosen[x.region as usize]) {
            Some(cut) => b.divide(cut)?,
            None => b.keep(t),
        }
    }
    for (triangle, region) in section.cap.iter().zip(&section.cap_regions) {
        if sorting.chosen[*region as usize] {
            let [a, b_, c] = *triangle;
            b.push_rim(0, [a, b_, c], *region, Origin::Cut(joint));
            b.push_rim(1, [a, c, b_], *region, Origin::Cut(joint));
        }
    }
    for flat in &refilled {
        b.refill(flat)?;
    }
    for (piece, own) in b.built.iter().zip(&b.own_vertices) {
        check::rim_is_sound(&piece.mesh, |v| v >= *own)?;
    }
    Ok(b.built)
}

impl<'a> Builder<'a> {
    fn new(mesh: &'a TriMesh, section: &'a Section, sorting: &'a Sorting) -> Self {
        let mut built = vec![Piece::default(); sorting.count];
        let mut local = Vec::with_capacity(mesh.positions.len());
        for (v, piece) in sorting.of_vertex.iter().enumerate() {
            let own = &mut built[*piece as usize].mesh;
            local.push(own.positions.len() as u32);
            own.positions.push(mesh.positions[v]);
            own.colours.push(mesh.colours[v]);
        }
        let own_vertices = built.iter().map(|piece| piece.mesh.positions.len() as u32).collect();
        let mut local_rim = vec![[NONE; 2]; section.points.len()];
        for (i, region) in section.point_regions.iter().enumerate() {
            if sorting.chosen[*region as usize] {
                for (local, piece) in local_rim[i].iter_mut().zip(sorting.of_region[*region as usize]) {
                    let own = &mut built[piece as usize].mesh;
                    *local = own.positions.len() as u32;
                    own.positions.push(section.points[i]);
                    own.colours.push(section.colours[i]);
                }
            }
        }
        Self { mesh, section, sorting, built, own_vertices, local, local_rim }
    }

    /// Earlier cut faces that a chosen region crosses.
    fn refilled(&self) -> Vec<Flat> {
        let crossed = |f: &&Flat| {
            let of = |c: &&Crossed| self.mesh.origins[c.triangle as usize] == Origin::Cut(f.joint);
            self.section.crossed.iter().filter(of).any(|c| self.sorting.chosen[c.region as usize])
        };
        self.section.flats.iter().filter(crossed).copied().collect()
    }

    fn push(&mut self, piece: u32, triangle: [u32; 3], source: u32, origin: Origin) {
        let piece = &mut self.built[piece as usize];
        piece.mesh.triangles.push(triangle);
        piece.mesh.origins.push(origin);
        piece.source.push(source);
    }

    fn push_rim(&mut self, side: usize, triangle: [u32; 3], region: u32, origin: Origin) {
        let piece = self.sorting.of_region[region as usize][side];
        let triangle = triangle.map(|v| self.local_rim[v as usize][side]);
        self.push(piece, triangle, NO_SOURCE, origin);
    }

    fn keep(&mut self, t: usize) {
        let corners = self.mesh.triangles[t];
        let piece = self.sorting.of_vertex[corners[0] as usize];
        self.push(piece, corners.map(|v| self.local[v as usize]), t as u32, self.mesh.origins[t]);
    }

    /// Divides a crossed triangle: the lone corner keeps a triangle, the others a triangle or a quad.
    fn divide(&mut self, cut: &Crossed) -> Result<(), CutError> {
        let [lone, m, n] = cut.corners;
        let origin = self.mesh.origins[cut.triangle as usize];
        let side = usize::from(cut.lone_above);
        let [ahead, behind] = cut.rim;
        if ahead == NONE || behind == NONE {
            return Err(CutError::Open);
        }
        let rim = |v: u32, side: usize| self.local_rim[v as usize][side];
        let [l, m_, n_] = [lone, m, n].map(|v| self.local[v as usize]);
        let lone_part = [l, rim(ahead, side), rim(behind, side)];
        let (a, b) = (rim(ahead, 1 - side), rim(behind, 1 - side));
        let pieces = [lone, m].map(|v| self.sorting.of_vertex[v as usize]);
        if ahead == behind {
            self.push(pieces[1], [a, m_, n_], cut.triangle, origin);
            return Ok(());
        }
        self.push(pieces[0], lone_part, cut.triangle, origin);
        for part in check::split_quad(&self.built[pieces[1] as usize].mesh.positions, [a, m_, n_, b]) {
            self.push(pieces[1], part, cut.triangle, origin);
        }
        Ok(())
    }

    /// Fills what is left of an earlier cut face in each piece from its outline and the chords across it.
    fn refill(&mut self, flat: &Flat) -> Result<(), CutError> {
        let mut rims: Vec<Vec<[u32; 2]>> = vec![Vec::new(); self.built.len()];
        for [u, v] in flat.rim(self.mesh) {
            let [from, to] = [u, v].map(|v| self.sorting.of_vertex[v as usize]);
            let crossing = self.section.edges.binary_search_by_key(&edge_key(u, v), |e| e.0).ok();
            let point = crossing.map(|i| self.section.edges[i].1).filter(|p| self.local_rim[*p as usize][0] != NONE);
            let [u_, v_] = [u, v].map(|v| self.local[v as usize]);
            let Some(point) = point else {
                rims[from as usize].push([u_, v_]);
                continue;
            };
            let up = usize::from(self.section.plane.lies_under(self.mesh.positions[u as usize]));
            let rim = self.local_rim[point as usize];
            rims[from as usize].push([u_, rim[up]]);
            rims[to as usize].push([rim[1 - up], v_]);
        }
        for chord in self.section.chords.iter().filter(|c| c.joint == flat.joint) {
            if self.sorting.chosen[chord.region as usize] {
                let [below, above] = self.sorting.of_region[chord.region as usize];
                let [p, q] = chord.ends.map(|v| self.local_rim[v as usize]);
                rims[below as usize].push([q[0], p[0]]);
                rims[above as usize].push([p[1], q[1]]);
            }
        }
        for (piece, rim) in rims.iter().enumerate().filter(|(_, rim)| !rim.is_empty()) {
            let points: Vec<_> = self.built[piece].mesh.positions.iter().map(|p| flat.plane.flatten(*p)).collect();
            for triangle in flat.fill(&points, rim)?.triangles {
                self.push(piece as u32, triangle, NO_SOURCE, Origin::Cut(flat.joint));
                let mesh = &self.built[piece].mesh;
                if is_degenerate(mesh, mesh.triangles.len() - 1) {
                    return Err(CutError::Touches);
                }
            }
        }
        Ok(())
    }
}
