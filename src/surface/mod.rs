//! The visible surface of all parts as one graph of faces, joined inside parts and over joints.
//!
//! Cut faces and keys are left out. Faces of different parts are neighbours where their rims coincide, so that
//! labels can agree over a joint.

pub mod inner;
pub mod pinches;
pub mod zones;

use std::collections::VecDeque;

use glam::DVec3;
use rayon::prelude::*;

use crate::figure::Figure;
use crate::mesh::TriMesh;

/// No neighbour.
pub const NONE: u32 = u32::MAX;
/// No joint.
pub const NO_JOINT: u16 = u16::MAX;

/// Outside faces in the order of parts and triangles; all lists have one entry for each face unless told.
#[derive(Debug, Default)]
pub struct Surface {
    /// Index of the part and of the triangle in it.
    pub part: Vec<u16>,
    pub triangle: Vec<u32>,
    pub area_mm2: Vec<f32>,
    /// Corners as indices into `linear`.
    pub corners: Vec<[u32; 3]>,
    /// Faces across the edges that start at each corner.
    pub neighbours: Vec<[u32; 3]>,
    pub length_mm: Vec<[f32; 3]>,
    /// Joints on whose rims the edges lie, or [`NO_JOINT`].
    pub rim: Vec<[u16; 3]>,
    /// Colours of the vertices of all parts, linear light.
    pub linear: Vec<[f32; 3]>,
    /// First face of each part, and the number of faces.
    pub part_start: Vec<usize>,
    /// First vertex of each part.
    pub vertex_start: Vec<usize>,
}

impl Surface {
    /// Gathers the outside of every part.
    #[must_use]
    pub fn new(figure: &Figure) -> Self {
        let pieces: Vec<Piece> = figure.parts.par_iter().map(|part| Piece::new(&part.mesh)).collect();
        let mut surface = Self::default();
        let mut rims = Vec::new();
        for ((part, piece), index) in figure.parts.iter().zip(pieces).zip(0_u16..) {
            surface.append(index, &part.mesh, &piece, &mut rims);
        }
        surface.part_start.push(surface.part.len());
        surface.join_rims(rims);
        surface
    }

    /// Number of faces.
    #[must_use]
    pub fn len(&self) -> usize {
        self.part.len()
    }

    /// Whether there is nothing to see.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.part.is_empty()
    }

    /// Filament of each face; `None` when a part has none, or one that is not in the palette.
    #[must_use]
    pub fn labels(&self, figure: &Figure) -> Option<Vec<u8>> {
        let label = |(part, triangle): (&u16, &u32)| {
            let labels = figure.parts[usize::from(*part)].labels.as_deref()?;
            labels.get(*triangle as usize).copied().filter(|label| usize::from(*label) < figure.palette.len())
        };
        self.part.iter().zip(&self.triangle).map(label).collect()
    }

    /// Values of faces by triangle of their part; none where a triangle is no face.
    #[must_use]
    pub fn by_triangle<T: Copy>(&self, part: usize, triangles: usize, of_face: &[Option<T>]) -> Vec<Option<T>> {
        let mut values = vec![None; triangles];
        for face in self.part_start[part]..self.part_start[part + 1] {
            values[self.triangle[face] as usize] = of_face[face];
        }
        values
    }

    /// Mean colour of a face as scanned, linear light.
    #[must_use]
    pub fn colour(&self, face: usize) -> [f32; 3] {
        let [a, b, c] = self.corners[face].map(|v| self.linear[v as usize]);
        [0, 1, 2].map(|i| (a[i] + b[i] + c[i]) / 3.0)
    }

    /// The corner of `other` that is not on its edge to `face`.
    #[must_use]
    pub fn apex_towards(&self, other: usize, face: usize) -> u32 {
        let edge = self.neighbours[other].iter().position(|n| *n as usize == face).unwrap_or(0);
        self.corners[other][(edge + 2) % 3]
    }

    /// Twice the area of a face, along its outward normal.
    #[must_use]
    pub fn area_vector(&self, figure: &Figure, face: usize) -> DVec3 {
        figure.parts[usize::from(self.part[face])].mesh.area_vector(self.triangle[face] as usize)
    }

    /// Joins neighbours of one part that are like the first face to clusters of at most about this area, mm2;
    /// returns the cluster of each face and the number of clusters.
    #[must_use]
    pub fn flood(&self, area_max: f32, alike: impl Fn(usize, usize) -> bool) -> (Vec<u32>, usize) {
        let mut cluster_of = vec![NONE; self.len()];
        let mut count = 0;
        let mut queue = VecDeque::new();
        for start in 0..self.len() {
            if cluster_of[start] != NONE {
                continue;
            }
            let mut area = self.area_mm2[start];
            cluster_of[start] = count;
            queue.push_back(start);
            while let Some(face) = queue.pop_front() {
                for next in self.neighbours[face].into_iter().filter(|n| *n != NONE) {
                    let next = next as usize;
                    let fits = cluster_of[next] == NONE && self.part[next] == self.part[start];
                    if fits && area + self.area_mm2[next] <= area_max && alike(start, next) {
                        area += self.area_mm2[next];
                        cluster_of[next] = count;
                        queue.push_back(next);
                    }
                }
            }
            count += 1;
        }
        (cluster_of, count as usize)
    }

    /// Numbers the patches, joined faces of one part with one label, by their first face; returns each face's patch, and how
    /// many there are.
    #[must_use]
    pub fn patches<L: PartialEq>(&self, labels: &[L]) -> (Vec<u32>, usize) {
        let mut patch_of = vec![NONE; self.len()];
        let mut count = 0;
        let mut stack = Vec::new();
        for start in 0..self.len() {
            if patch_of[start] != NONE {
                continue;
            }
            patch_of[start] = count;
            stack.push(start);
            while let Some(face) = stack.pop() {
                for next in self.neighbours[face].into_iter().filter(|n| *n != NONE) {
                    let next = next as usize;
                    let joins = labels[next] == labels[face] && self.part[next] == self.part[face];
                    if joins && patch_of[next] == NONE {
                        patch_of[next] = count;
                        stack.push(next);
                    }
                }
            }
            count += 1;
        }
        (patch_of, count as usize)
    }

    /// Area of each of so many patches, mm2.
    #[must_use]
    pub fn patch_areas_mm2(&self, patch_of: &[u32], count: usize) -> Vec<f64> {
        let mut areas = vec![0.0; count];
        for (patch, area) in patch_of.iter().zip(&self.area_mm2) {
            areas[*patch as usize] += f64::from(*area);
        }
        areas
    }

    /// Outside faces at each vertex: those of vertex `v` are `faces[first[v]..first[v + 1]]`.
    #[must_use]
    pub fn faces_at_vertices(&self) -> (Vec<u32>, Vec<u32>) {
        let mut first = vec![0_u32; self.linear.len() + 1];
        for corner in self.corners.iter().flatten() {
            first[*corner as usize + 1] += 1;
        }
        for v in 1..first.len() {
            first[v] += first[v - 1];
        }
        let mut next = first.clone();
        let mut faces = vec![0; self.corners.len() * 3];
        for (corners, face) in self.corners.iter().zip(0..) {
            for corner in corners {
                faces[next[*corner as usize] as usize] = face;
                next[*corner as usize] += 1;
            }
        }
        (first, faces)
    }

    fn append(&mut self, part: u16, mesh: &TriMesh, piece: &Piece, rims: &mut Vec<Rim>) {
        let (face_start, vertex_start) = (self.part.len() as u32, self.linear.len() as u32);
        self.part_start.push(face_start as usize);
        self.vertex_start.push(vertex_start as usize);
        self.linear.extend_from_slice(&mesh.colours);
        for (&triangle, twins) in piece.triangles.iter().zip(&piece.twins) {
            let points = mesh.corners(triangle as usize);
            let edges = [0, 1, 2].map(|e| (points[e], points[(e + 1) % 3]));
            let rim = twins.map(|twin| if let Twin::Inner(joint) = twin { joint } else { NO_JOINT });
            for e in (0..3).filter(|e| rim[*e] != NO_JOINT) {
                let ends = [edges[e].0, edges[e].1].map(|p| p.to_array().map(|x| (x + 0.0).to_bits()));
                let key = [ends[0].min(ends[1]), ends[0].max(ends[1])];
                rims.push(Rim { key, face: self.part.len() as u32, edge: e as u8 });
            }
            self.part.push(part);
            self.triangle.push(triangle);
            self.area_mm2.push((mesh.area_vector(triangle as usize).length() / 2.0) as f32);
            self.corners.push(mesh.triangles[triangle as usize].map(|v| v + vertex_start));
            self.neighbours.push(twins.map(|twin| if let Twin::Face(f) = twin { f + face_start } else { NONE }));
            self.length_mm.push(edges.map(|(from, to)| from.distance(to) as f32));
            self.rim.push(rim);
        }
    }

    /// Makes faces neighbours whose rims have the same two ends in two parts.
    fn join_rims(&mut self, mut rims: Vec<Rim>) {
        rims.par_sort_unstable();
        for pair in rims.chunk_by(|x, y| x.key == y.key) {
            if let [x, y] = pair
                && self.part[x.face as usize] != self.part[y.face as usize]
            {
                self.neighbours[x.face as usize][usize::from(x.edge)] = y.face;
                self.neighbours[y.face as usize][usize::from(y.edge)] = x.face;
            }
        }
    }
}

/// An outside edge on a joint, by the bits of its two ends.
#[derive(PartialEq, Eq, PartialOrd, Ord)]
struct Rim {
    key: [[u64; 3]; 2],
    face: u32,
    edge: u8,
}

/// What lies across an edge.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Twin {
    Nothing,
    /// An outside face of the same part, counted among its outside faces.
    Face(u32),
    /// A cut face or key of this joint.
    Inner(u16),
}

/// The outside faces of one part and what is across their edges.
struct Piece {
    triangles: Vec<u32>,
    twins: Vec<[Twin; 3]>,
}

impl Piece {
    fn new(mesh: &TriMesh) -> Self {
        let twins = twin_edges(mesh);
        let outside = |t: usize| mesh.origins[t].is_outside();
        let triangles: Vec<u32> = (0..mesh.triangles.len() as u32).filter(|t| outside(*t as usize)).collect();
        let mut face_of = vec![NONE; mesh.triangles.len()];
        for (&triangle, face) in triangles.iter().zip(0..) {
            face_of[triangle as usize] = face;
        }
        let twin = |half: u32| match half {
            NONE => Twin::Nothing,
            half => match mesh.origins[half as usize / 3].joint() {
                Some(joint) => Twin::Inner(joint),
                None => Twin::Face(face_of[half as usize / 3]),
            },
        };
        let twins = triangles.iter().map(|&t| [0, 1, 2].map(|e| twin(twins[t as usize * 3 + e]))).collect();
        Self { triangles, twins }
    }
}

/// For each half-edge (triangle times 3 plus corner) the one across, or [`NONE`]; of more than two on one edge, each
/// two in order are taken for a pair.
fn twin_edges(mesh: &TriMesh) -> Vec<u32> {
    let halves = mesh.triangles.len() * 3;
    let ends = |half: usize| {
        let triangle = mesh.triangles[half / 3];
        let (from, to) = (triangle[half % 3], triangle[(half + 1) % 3]);
        (from.min(to), from.max(to))
    };
    let mut first = vec![0_u32; mesh.positions.len() + 1];
    for half in 0..halves {
        first[ends(half).0 as usize + 1] += 1;
    }
    for v in 1..first.len() {
        first[v] += first[v - 1];
    }
    let mut next = first.clone();
    let mut sorted = vec![(0, 0); halves];
    for half in 0..halves {
        let (low, high) = ends(half);
        sorted[next[low as usize] as usize] = (high, half as u32);
        next[low as usize] += 1;
    }
    let mut twins = vec![NONE; halves];
    for v in 0..mesh.positions.len() {
        let bucket = &mut sorted[first[v] as usize..first[v + 1] as usize];
        bucket.sort_unstable();
        for edge in bucket.chunk_by(|x, y| x.0 == y.0) {
            for pair in edge.chunks_exact(2) {
                (twins[pair[0].1 as usize], twins[pair[1].1 as usize]) = (pair[1].1, pair[0].1);
            }
        }
    }
    twins
}
