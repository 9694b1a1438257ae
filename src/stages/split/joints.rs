//! Which parts meet at which cut: cut faces of one cut are matched over the plane, however often either side was cut again.

use glam::DVec2;
use rayon::prelude::*;

use super::divide::Work;
use crate::joining::Site;
use crate::mesh::cut::{Flat, Plane, flats_in};
use crate::mesh::outline;

/// Common areas smaller than this are touching edges, not joints, mm2.
const AREA_MIN_MM2: f64 = 1.0;

/// A cut face of a part.
#[derive(Clone, Debug)]
pub(super) struct Face {
    pub part: usize,
    pub flat: Flat,
    /// Outlines in the plane's frame, material to the left seen from the plane's upper side.
    pub outlines: Vec<Vec<DVec2>>,
}

/// Where two parts meet at a cut.
#[derive(Clone, Debug)]
pub(super) struct Meeting {
    pub cut: u16,
    pub below: usize,
    pub above: usize,
    pub site: Site,
}

/// Plane of a cut, where it is known.
pub(super) fn plane_of(cuts: &[Option<Plane>], cut: u16) -> Option<Plane> {
    cuts.get(usize::from(cut)).copied().flatten()
}

/// All cut faces of all parts, given the plane of each cut.
pub(super) fn faces(parts: &[Work], cuts: &[Option<Plane>]) -> Vec<Face> {
    let of = |(part, work): (usize, &Work)| -> Vec<Face> {
        let face = |flat: Flat| Face { part, flat, outlines: flat.outlines(&work.mesh) };
        flats_in(&work.mesh, |cut| plane_of(cuts, cut)).into_iter().map(face).collect()
    };
    parts.par_iter().enumerate().flat_map_iter(of).collect()
}

/// All pairs of parts that meet, cut by cut; within a cut by part.
pub(super) fn meetings(faces: &[Face]) -> Vec<Meeting> {
    let mut pairs: Vec<(&Face, &Face)> = Vec::new();
    for below in faces.iter().filter(|f| f.flat.faces_up) {
        let partners = faces.iter().filter(|f| f.flat.joint == below.flat.joint && !f.flat.faces_up);
        pairs.extend(partners.map(|above| (below, above)));
    }
    pairs.sort_by_key(|(below, above)| (below.flat.joint, below.part, above.part));
    let meet = |(below, above): &(&Face, &Face)| {
        let outlines = outline::common(&below.outlines, &above.outlines);
        let area_mm2 = outline::loops_area_mm2(&outlines);
        let (cut, plane) = (below.flat.joint, below.flat.plane);
        let site = Site { plane, outlines, area_mm2 };
        let meeting = Meeting { cut, below: below.part, above: above.part, site };
        (area_mm2 >= AREA_MIN_MM2).then_some(meeting)
    };
    pairs.par_iter().filter_map(meet).collect()
}
