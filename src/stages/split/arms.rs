//! Arms of a standing person, followed from the fingertips to the trunk.

use std::collections::VecDeque;

use glam::DVec3;

use super::body::{Body, Zone};
use super::grid::NONE;

/// Arms hang down to this height, as a share of the stature; half the width within which all is trunk (shoulder half-width
/// .129).
const FROM: f64 = 0.3;
const TRUNK_HALF: f64 = 0.135;
/// Half the width of the middle of the trunk.
const MIDDLE_HALF: f64 = 0.06;
/// Lengths from the fingertips: hand .108, with the forearm .254; a shorter limb is no arm (Drillis & Contini 1966).
const HAND: f64 = 0.108;
const FOREARM: f64 = 0.254;
const ARM_MIN: f64 = 0.2;
/// Paths along blocks are longer than straight ones, by about this.
const DETOUR: f64 = 1.15;

/// Marks the arms among the zones of all blocks.
pub(super) fn mark(body: &Body, zones: &mut [Zone]) {
    let is_head: Vec<bool> = zones.iter().map(|z| *z == Zone::Head).collect();
    let places: Vec<DVec3> = (0..zones.len()).map(|b| body.centre(b)).collect();
    let near: Vec<[u32; 6]> = (0..zones.len()).map(|b| body.near(b)).collect();
    let beside = beside_trunk(body, &places, &near, &is_head);
    for left in [false, true] {
        let arm: Vec<bool> = (0..places.len()).map(|b| beside[b] && (body.aside(places[b]) > 0.0) == left).collect();
        let is_trunk = |n: &u32| *n != NONE && !arm[*n as usize] && !is_head[*n as usize];
        let at_trunk: Vec<u32> =
            (0..places.len() as u32).filter(|b| arm[*b as usize] && near[*b as usize].iter().any(is_trunk)).collect();
        let from_trunk = paths(&near, &arm, &at_trunk);
        let Some(tip) = (0..places.len()).filter(|b| from_trunk[*b] != NONE).max_by_key(|b| from_trunk[*b]) else {
            continue;
        };
        let length = |steps: u32| f64::from(steps) * body.step() / DETOUR;
        if length(from_trunk[tip]) < ARM_MIN {
            continue;
        }
        let from_tip = paths(&near, &arm, &[tip as u32]);
        for b in (0..places.len()).filter(|b| arm[*b]) {
            zones[b] = match from_tip[b] {
                // Fingers may have come off in the coarse view.
                NONE if places[b].distance(places[tip]) < HAND * body.stature_mm() => Zone::Hand,
                NONE => continue,
                steps if length(steps) < HAND => Zone::Hand,
                steps if length(steps) < FOREARM => Zone::Forearm,
                _ => Zone::UpperArm,
            };
        }
    }
}

/// Blocks at arm height that are not trunk: in each layer what does not hang together with the middle, or is far out.
fn beside_trunk(body: &Body, places: &[DVec3], near: &[[u32; 6]], is_head: &[bool]) -> Vec<bool> {
    let in_reach: Vec<bool> = (0..near.len()).map(|b| body.level(places[b]) >= FROM && !is_head[b]).collect();
    let level_near: Vec<[u32; 6]> = near.iter().map(|n| [n[0], n[1], n[2], n[3], NONE, NONE]).collect();
    let is_middle = |b: &u32| in_reach[*b as usize] && body.aside(places[*b as usize]).abs() < MIDDLE_HALF;
    let middle: Vec<u32> = (0..near.len() as u32).filter(is_middle).collect();
    let from_middle = paths(&level_near, &in_reach, &middle);
    let is_far = |b: usize| body.aside(places[b]).abs() > TRUNK_HALF;
    (0..near.len()).map(|b| in_reach[b] && (from_middle[b] == NONE || is_far(b))).collect()
}

/// Steps from the nearest start to each block along allowed blocks; [`NONE`] where there is no way.
pub(super) fn paths(near: &[[u32; 6]], allowed: &[bool], starts: &[u32]) -> Vec<u32> {
    let mut steps = vec![NONE; near.len()];
    let mut queue: VecDeque<u32> = starts.iter().copied().collect();
    for start in starts {
        steps[*start as usize] = 0;
    }
    while let Some(b) = queue.pop_front() {
        for n in near[b as usize].into_iter().filter(|n| *n != NONE && allowed[*n as usize]) {
            if steps[n as usize] == NONE {
                steps[n as usize] = steps[b as usize] + 1;
                queue.push_back(n);
            }
        }
    }
    steps
}
