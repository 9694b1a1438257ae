//! Sinks keys and marks into the parts: places them on all joints, turns them into features of the cut faces and checks what
//! came out.

use std::collections::BTreeSet;
use std::sync::Arc;

use glam::DVec2;
use rayon::prelude::*;

use super::divide::Work;
use super::joints::{Meeting, plane_of};

use crate::joining::marks::Face;
use crate::joining::{self, KeyRules, Pattern, Placed, Side, Survey, Taken, look_alike};
use crate::mesh::cut::{self, Feature, Flat, Plane};
use crate::mesh::sound::{Sound, pairs_beside};
use crate::mesh::{Origin, TriMesh};

const SIDES: [Side; 2] = [Side::Below, Side::Above];

/// Parts with their keys and marks.
#[derive(Clone, Debug)]
pub(super) struct Sunk {
    pub works: Vec<Work>,
    /// For each joint.
    pub keys: Vec<Vec<Placed>>,
    /// For each joint, whether the parts below and above carry a mark.
    pub marked: Vec<[bool; 2]>,
    /// Number of joints with a pocket for glue.
    pub pockets: usize,
    /// Volume the parts lost by all of it, mm3.
    pub taken_mm3: f64,
}

/// What is sunk into the parts at a joint.
#[derive(Clone, Debug, Default)]
struct Plan {
    keys: Vec<Placed>,
    marks: [Vec<Feature>; 2],
    /// The pocket for glue, around the features of the lower part.
    pocket: Vec<Vec<DVec2>>,
}

impl Plan {
    fn features(&self, joint: usize, side: Side, gap_mm: f64) -> Vec<Feature> {
        let keys = self.keys.iter().map(|k| k.feature(joint as u16, side));
        let features = keys.chain(self.marks[side as usize].iter().cloned()).collect();
        if self.pocket.is_empty() || side == Side::Above {
            return features;
        }
        vec![joining::around(features, joint as u16, &self.pocket, gap_mm)]
    }

    fn is_empty(&self) -> bool {
        self.keys.is_empty() && self.pocket.is_empty() && self.marks.iter().all(Vec::is_empty)
    }

    /// Leaves out what matters least.
    fn give_way(&mut self) {
        if !self.pocket.is_empty() {
            self.pocket.clear();
        } else if self.marks.iter().any(|m| !m.is_empty()) {
            self.marks = Default::default();
        } else if let [key] = self.keys.as_mut_slice()
            && key.filed_to_mm().is_some()
        {
            key.flat = false;
        } else {
            self.keys.pop();
        }
    }
}

/// Places keys and marks and sinks them. What would cross anything is left out: the pocket first, then marks, then keys.
pub(super) fn sink(works: &[Work], cuts: &[Option<Plane>], met: &[Meeting], rules: &KeyRules) -> Sunk {
    let mut plans = plans(works, met, rules);
    loop {
        let sunk: Vec<Result<Work, usize>> = works
            .par_iter()
            .enumerate()
            .map(|(i, w)| Sinking { index: i, cuts, met, plans: &plans, gap_mm: rules.gap_mm }.part(w))
            .collect();
        let wrong: BTreeSet<usize> = sunk.iter().filter_map(|s| s.as_ref().err().copied()).collect();
        if wrong.is_empty() {
            let lost = |(j, m): (usize, &Meeting)| -> f64 {
                let of = |side: Side| {
                    plans[j].features(j, side, rules.gap_mm).into_iter().map(move |f| (f, side == Side::Below))
                };
                SIDES.into_iter().flat_map(of).map(|(f, up)| -f.added_mm3(m.site.plane, up)).sum()
            };
            return Sunk {
                works: sunk.into_iter().filter_map(Result::ok).collect(),
                taken_mm3: met.iter().enumerate().map(lost).sum(),
                pockets: plans.iter().filter(|p| !p.pocket.is_empty()).count(),
                marked: plans.iter().map(|p| [0, 1].map(|side| !p.marks[side].is_empty())).collect(),
                keys: plans.into_iter().map(|p| p.keys).collect(),
            };
        }
        for joint in wrong {
            plans[joint].give_way();
        }
    }
}

/// Keys of all joints, where the largest joints choose first, and marks beside them.
fn plans(works: &[Work], met: &[Meeting], rules: &KeyRules) -> Vec<Plan> {
    let meshes = |m: &Meeting| [m.below, m.above].map(|p| works[p].mesh.as_ref());
    let surveys: Vec<Survey> =
        met.par_iter().map(|m| Survey::of(&m.site, meshes(m), [Some(m.cut); 2], rules)).collect();
    let mut order: Vec<usize> = (0..met.len()).collect();
    order.sort_by(|a, b| met[*b].site.area_mm2.total_cmp(&met[*a].site.area_mm2));
    let mut taken = vec![Taken::default(); works.len()];
    let empty = |m: &Meeting| Plan { pocket: joining::pocket_outlines(&m.site, rules), ..Plan::default() };
    let mut plans: Vec<Plan> = met.par_iter().map(empty).collect();
    let mut patterns: Vec<(f64, Pattern)> = Vec::new();
    for i in order {
        let m = &met[i];
        let alike = patterns.iter().filter(|(area, _)| look_alike(*area, m.site.area_mm2));
        let alike: Vec<Pattern> = alike.map(|(_, pattern)| *pattern).collect();
        plans[i].keys = surveys[i].place([&taken[m.below], &taken[m.above]], rules, &alike);
        for key in &plans[i].keys {
            taken[m.below].add(m.site.plane, Side::Below, key);
            taken[m.above].add(m.site.plane, Side::Above, key);
        }
        if let [p, q] = plans[i].keys.as_slice() {
            patterns.push((m.site.area_mm2, Pattern::of(p, q)));
        }
    }
    if let Some(height_mm) = rules.marks_mm {
        plans.par_iter_mut().enumerate().for_each(|(j, plan)| {
            let m = &met[j];
            plan.marks = SIDES.map(|side| {
                let own = [m.below, m.above].map(|p| p + 1);
                let numbers = if side == Side::Below { own } else { [own[1], own[0]] };
                let face = Face { site: &m.site, side, keys: &plan.keys, walls: &surveys[j].walls()[side as usize] };
                face.mark(j as u16, numbers, height_mm, rules.wall_mm).unwrap_or_default()
            });
        });
    }
    plans
}

struct Sinking<'a> {
    index: usize,
    cuts: &'a [Option<Plane>],
    met: &'a [Meeting],
    plans: &'a [Plan],
    gap_mm: f64,
}

impl Sinking<'_> {
    /// The joints of a face of this part.
    fn joints_of(&self, flat: &Flat) -> impl Iterator<Item = usize> {
        let own = |m: &Meeting| m.cut == flat.joint && if flat.faces_up { m.below } else { m.above } == self.index;
        (0..self.met.len()).filter(move |j| own(&self.met[*j]))
    }

    /// The part with what is sunk into it, or the joint that has to give way.
    fn part(&self, bare: &Work) -> Result<Work, usize> {
        let mut work = bare.clone();
        let mut touched = Vec::new();
        for flat in cut::flats_in(&bare.mesh, |cut| plane_of(self.cuts, cut)) {
            let side = if flat.faces_up { Side::Below } else { Side::Above };
            let joints: Vec<usize> = self.joints_of(&flat).collect();
            let sunk = |j: &usize| self.plans[*j].features(*j, side, self.gap_mm);
            let features: Vec<Feature> = joints.iter().flat_map(sunk).collect();
            if features.is_empty() {
                continue;
            }
            match cut::add_features(&work.mesh, &flat, &features) {
                Ok(piece) => {
                    let source = piece.source_in(&work.source);
                    work = Work { mesh: Arc::new(piece.mesh), source, ..work };
                }
                Err(_) => return Err(self.smallest(&joints)),
            }
            touched.extend(joints);
        }
        match crossing(&work.mesh, &bare.mesh) {
            None => Ok(work),
            Some(joints) if joints.is_empty() => Err(self.smallest(&touched)),
            Some(joints) => Err(self.smallest(&joints)),
        }
    }

    /// The smallest of these joints that has something to leave out.
    fn smallest(&self, joints: &[usize]) -> usize {
        let has_any = |j: &&usize| !self.plans[**j].is_empty();
        let area = |j: &&usize| self.met[**j].site.area_mm2;
        joints.iter().filter(has_any).min_by(|a, b| area(a).total_cmp(&area(b))).copied().unwrap_or(joints[0])
    }
}

/// Joints whose keys or marks cross something in a part, given the part without them; `None` when nothing crosses.
fn crossing(keyed: &Arc<TriMesh>, bare: &Arc<TriMesh>) -> Option<Vec<usize>> {
    if Arc::ptr_eq(keyed, bare) {
        return None;
    }
    let pairs = pairs_beside(keyed, &Sound::of(bare, &[]));
    let key = |t: u32| match keyed.origins[t as usize] {
        Origin::Key(joint) => Some(usize::from(joint)),
        _ => None,
    };
    let joints: BTreeSet<usize> = pairs.iter().flatten().filter_map(|t| key(*t)).collect();
    (!pairs.is_empty()).then(|| joints.into_iter().collect())
}
