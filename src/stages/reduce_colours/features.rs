//! Small things that make the person: eyes, brows and lips that are too small to print are enlarged until they can be.

use std::cmp::Reverse;
use std::collections::BinaryHeap;

use glam::DVec3;

use super::labels::Task;
use super::patches::Limits;
use crate::figure::Figure;
use crate::surface::{NO_JOINT, NONE};

/// Difference a patch makes up for, dE, from which it is something to be seen and no noise (common practice, no source).
const CONTRAST_DE: f64 = 5.0;
/// Area and width that enlarged patches get over the limits, as drawing borders takes some back.
const SPARE: f64 = 1.3;
/// Contrast that makes a way twice as long, dE: growth keeps to what looks like the patch.
const ALIKE_DE: f64 = 10.0;
/// Smaller ones are noise whatever they look like, in least areas.
const SPECK: f64 = 0.02;

/// What became of the small patches of a face.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Kept {
    pub enlarged: usize,
    /// Those that would have to grow by more than they may.
    pub lost: usize,
}

/// Where to look, and how far a patch may grow.
#[derive(Clone, Copy, Debug)]
pub struct Face<'a> {
    pub figure: &'a Figure,
    /// Whether a face of the surface belongs to the front of the head.
    pub within: &'a [bool],
    pub limits: Limits,
    /// Most a patch may grow to, in its own areas.
    pub growth_max: f64,
}

/// Enlarges patches of clear contrast in the face that are below the limits.
pub fn enlarge(task: &Task, labels: &mut [u8], face: Face<'_>) -> Kept {
    let surface = task.surface;
    let (patch_of, count) = surface.patches(labels);
    let mut patches: Vec<Vec<u32>> = vec![Vec::new(); count];
    for (f, patch) in patch_of.iter().enumerate().filter(|(f, _)| face.within[*f]) {
        patches[*patch as usize].push(f as u32);
    }
    let area_mm2 = surface.patch_areas_mm2(&patch_of, count);
    let before = labels.to_vec();
    let mut taken = vec![false; surface.len()];
    let mut kept = Kept::default();
    for (faces, area_mm2) in patches.iter().zip(area_mm2) {
        let Some(mut growth) = Growth::of(task, &before, faces, area_mm2, face) else { continue };
        if growth.grow(task, &before, &taken, face) {
            for f in growth.members {
                labels[f as usize] = growth.label;
                taken[f as usize] = true;
            }
            kept.enlarged += 1;
        } else {
            kept.lost += 1;
        }
    }
    kept
}

/// A patch that grows.
struct Growth {
    label: u8,
    members: Vec<u32>,
    area_mm2: f64,
    border_mm: f64,
    area_max_mm2: f64,
}

impl Growth {
    /// A patch that lies in the face, is below the limits and stands out; `None` for any other.
    fn of(task: &Task, labels: &[u8], faces: &[u32], area_mm2: f64, face: Face<'_>) -> Option<Self> {
        let surface = task.surface;
        let label = labels[*faces.first()? as usize];
        let inside: f64 = faces.iter().map(|f| f64::from(surface.area_mm2[*f as usize])).sum();
        let mut border_mm = 0.0;
        let mut beside = vec![0.0; task.labels()];
        for f in faces.iter().map(|f| *f as usize) {
            for (next, length) in surface.neighbours[f].into_iter().zip(surface.length_mm[f]) {
                if next != NONE && labels[next as usize] != label {
                    border_mm += f64::from(length);
                    beside[usize::from(labels[next as usize])] += f64::from(length);
                }
            }
        }
        let most = (0..beside.len()).max_by(|x, y| beside[*x].total_cmp(&beside[*y]).then(y.cmp(x)))? as u8;
        let growth =
            Self { label, members: faces.to_vec(), area_mm2, border_mm, area_max_mm2: area_mm2 * face.growth_max };
        let weight: f64 = faces.iter().map(|f| f64::from(task.weight(*f as usize))).sum();
        let cost = |label: u8| faces.iter().map(|f| f64::from(task.cost(*f as usize, label))).sum::<f64>();
        let contrast_de = (cost(most) - cost(label)) / weight.max(f64::MIN_POSITIVE);
        let stands_out = contrast_de >= CONTRAST_DE && area_mm2 >= SPECK * face.limits.area_mm2;
        let is_whole = inside >= area_mm2 * (1.0 - 1e-6) && border_mm > 0.0;
        (is_whole && stands_out && !face.limits.are_met(area_mm2, border_mm)).then_some(growth)
    }

    /// Takes faces in, the nearest and most alike first (Dijkstra), until the patch is large enough; `false` when it may not grow
    /// so far.
    fn grow(&mut self, task: &Task, labels: &[u8], taken: &[bool], face: Face<'_>) -> bool {
        let surface = task.surface;
        let middle = |f: u32| -> DVec3 {
            let mesh = &face.figure.parts[usize::from(surface.part[f as usize])].mesh;
            mesh.corners(surface.triangle[f as usize] as usize).into_iter().sum::<DVec3>() / 3.0
        };
        let is_open = |f: u32| {
            let f = f as usize;
            let on_rim = surface.rim[f].iter().any(|joint| *joint != NO_JOINT);
            face.within[f] && !taken[f] && !on_rim && task.allowed(f).contains(&self.label)
        };
        let step_mm = |from: u32, to: u32| {
            let f = to as usize;
            let worse =
                f64::from(task.cost(f, self.label) - task.cost(f, labels[f])) / f64::from(task.weight(f).max(1e-9));
            middle(from).distance(middle(to)) * (1.0 + worse.max(0.0) / ALIKE_DE)
        };
        let mut member: rustc_hash::FxHashSet<u32> = self.members.iter().copied().collect();
        let mut queue: BinaryHeap<Reverse<(u64, u32)>> = BinaryHeap::new();
        // Lengths are not negative, so their bits are in their order.
        let reach = |queue: &mut BinaryHeap<Reverse<(u64, u32)>>, from: u32, at_mm: f64| {
            for next in surface.neighbours[from as usize].into_iter().filter(|n| *n != NONE && is_open(*n)) {
                queue.push(Reverse(((at_mm + step_mm(from, next)).to_bits(), next)));
            }
        };
        for f in self.members.clone() {
            reach(&mut queue, f, 0.0);
        }
        let enough = face.limits.times(SPARE);
        while !enough.are_met(self.area_mm2, self.border_mm) {
            let Some(Reverse((at, f))) = queue.pop() else { return false };
            if !member.insert(f) {
                continue;
            }
            self.area_mm2 += f64::from(surface.area_mm2[f as usize]);
            if self.area_mm2 > self.area_max_mm2 {
                return false;
            }
            for (next, length) in surface.neighbours[f as usize].into_iter().zip(surface.length_mm[f as usize]) {
                let inner = member.contains(&next) || (next != NONE && labels[next as usize] == self.label);
                self.border_mm += if inner { -f64::from(length) } else { f64::from(length) };
            }
            self.members.push(f);
            reach(&mut queue, f, f64::from_bits(at));
        }
        true
    }
}
