//! Which filaments are loaded for which part, and an order of parts that swaps few spools.
//!
//! For a given order the fewest swaps come from taking out the spool whose next use is farthest off (Belady 1966). The
//! order itself is sought by moving one part at a time from several starts: good, not proven best.

use crate::figure::Figure;

/// Time to put in a spool, s: five take a quarter of an hour (common practice, no source).
const SPOOL_SECS: f64 = 180.0;

/// Seconds from the beginning of all until each step's part begins and is done, the spools for it put in before; none from the
/// first part on that has no estimate.
#[must_use]
pub fn times(figure: &Figure, plan: &[Step]) -> Vec<Option<[f64; 2]>> {
    let mut now = Some(0.0);
    let time = |step: &Step| {
        let begins = now? + SPOOL_SECS * step.changes.len() as f64;
        now = figure.parts[step.part].estimate.as_ref().map(|estimate| begins + estimate.seconds);
        Some([begins, now?])
    };
    plan.iter().map(time).collect()
}

/// Filaments whose spools do not last, and the part in which each ends.
#[must_use]
pub fn running_out(figure: &Figure, plan: &[Step]) -> Vec<(usize, usize)> {
    let part_of = |label: usize| {
        let mut left_g = figure.palette[label].left_g;
        let ends_in = |step: &&Step| {
            let estimate = figure.parts[step.part].estimate.as_ref();
            left_g -= estimate.and_then(|estimate| estimate.need_g.get(label)).copied().unwrap_or(0.0);
            left_g < 0.0
        };
        Some((label, plan.iter().find(ends_in)?.part))
    };
    (0..figure.palette.len()).filter_map(part_of).collect()
}

/// Filaments loaded before one part is printed.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Step {
    /// Index of the part.
    pub part: usize,
    /// Filament in each tool while it prints.
    pub tools: Vec<Option<usize>>,
    /// Tools that change before it: tool, filament taken out, filament put in.
    pub changes: Vec<(usize, Option<usize>, usize)>,
    /// Filaments the part needs beyond the number of tools.
    pub homeless: Vec<usize>,
}

/// Parts beyond this number are printed by number: the search would take too long to be worth it.
const SEARCH_LIMIT: usize = 60;

/// Plans the loading for parts that use these filaments, on a printer with so many tools.
///
/// A part that needs more filaments than there are tools gets as many as fit; the rest are its homeless ones.
#[must_use]
pub fn plan(needs: &[Vec<usize>], tools: usize) -> Vec<Step> {
    let by_number: Vec<usize> = (0..needs.len()).collect();
    let mut kinds: Vec<usize> = needs.iter().flatten().copied().collect();
    kinds.sort_unstable();
    kinds.dedup();
    if kinds.len() <= tools || needs.len() > SEARCH_LIMIT {
        return steps(needs, &by_number, tools);
    }
    let mut best = improved(needs, by_number, tools);
    for start in 0..needs.len() {
        let other = improved(needs, by_likeness(needs, start), tools);
        if swaps(needs, &other, tools) < swaps(needs, &best, tools) {
            best = other;
        }
    }
    steps(needs, &best, tools)
}

/// Spools put in over all steps.
fn swaps(needs: &[Vec<usize>], order: &[usize], tools: usize) -> usize {
    steps(needs, order, tools).iter().map(|step| step.changes.len()).sum()
}

/// From a start, always the part that shares most with the one before; the lower number of equals.
fn by_likeness(needs: &[Vec<usize>], start: usize) -> Vec<usize> {
    let mut left: Vec<usize> = (0..needs.len()).filter(|&part| part != start).collect();
    let mut order = vec![start];
    let mut last = start;
    while !left.is_empty() {
        let alike = |part: usize| {
            let shared = needs[part].iter().filter(|f| needs[last].contains(f)).count();
            needs[part].len() + needs[last].len() - 2 * shared
        };
        let at = (0..left.len()).min_by_key(|&i| (alike(left[i]), left[i])).unwrap_or(0);
        last = left.remove(at);
        order.push(last);
    }
    order
}

/// Moves single parts to other places in the order as long as that saves a swap.
fn improved(needs: &[Vec<usize>], mut order: Vec<usize>, tools: usize) -> Vec<usize> {
    let mut least = swaps(needs, &order, tools);
    let mut pass_helped = true;
    while pass_helped {
        pass_helped = false;
        for from in 0..order.len() {
            for to in 0..order.len() {
                let mut moved = order.clone();
                let part = moved.remove(from);
                moved.insert(to, part);
                let cost = swaps(needs, &moved, tools);
                if cost < least {
                    (order, least, pass_helped) = (moved, cost, true);
                }
            }
        }
    }
    order
}

/// Loads for each part in turn what it lacks.
fn steps(needs: &[Vec<usize>], order: &[usize], tools: usize) -> Vec<Step> {
    let mut loaded: Vec<Option<usize>> = vec![None; tools];
    let next_use = |filament: usize, after: usize| {
        order[after..].iter().position(|&part| needs[part].contains(&filament)).unwrap_or(usize::MAX)
    };
    let mut plan = Vec::with_capacity(order.len());
    for (i, &part) in order.iter().enumerate() {
        let mut changes = Vec::new();
        let mut homeless = Vec::new();
        for &filament in &needs[part] {
            if loaded.contains(&Some(filament)) {
                continue;
            }
            let idle = |tool: &usize| loaded[*tool].is_none_or(|f| !needs[part].contains(&f));
            // Empty tools first, then the filament that is needed again last; the lower tool of equals.
            let rank = |tool: usize| loaded[tool].map_or((1, 0), |f| (0, next_use(f, i + 1)));
            let Some(tool) = (0..tools).filter(idle).max_by_key(|&t| (rank(t), tools - t)) else {
                homeless.push(filament);
                continue;
            };
            changes.push((tool, loaded[tool], filament));
            loaded[tool] = Some(filament);
        }
        plan.push(Step { part, tools: loaded.clone(), changes, homeless });
    }
    plan
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::figure::{Part, PartEstimate};

    /// Parts that take an hour each, and 40 g of either filament, of which there are 100 g and 1000 g.
    fn hourly(parts: usize) -> Figure {
        let filament = |left: f64| {
            let text = format!(
                "{{name: x, material: PLA, colour: '#102030', nozzle_c: [200, 220], bed_c: [50, 60], \
                 density_g_per_cm3: 1.2, left_g: {left}}}"
            );
            serde_yaml::from_str(&text).unwrap()
        };
        let estimate = PartEstimate { seconds: 3600.0, need_g: vec![40.0; 2], ..PartEstimate::default() };
        let part = |number: usize| Part {
            number,
            name: format!("{number:02}"),
            mesh: std::sync::Arc::default(),
            labels: None,
            pose: None,
            estimate: Some(estimate.clone()),
        };
        let palette = vec![filament(100.0), filament(1000.0)];
        Figure { parts: (1..=parts).map(part).collect(), palette, ..Figure::default() }
    }

    #[test]
    fn parts_follow_each_other_with_their_spools_put_in() {
        let mut figure = hourly(3);
        let steps = plan(&[vec![0], vec![0], vec![1]], 1);
        let [first, second, third] = times(&figure, &steps)[..] else { panic!("three parts") };
        assert_eq!(first, Some([180.0, 3780.0]));
        assert_eq!(second, Some([3780.0, 7380.0]));
        assert_eq!(third, Some([7560.0, 11_160.0]));
        figure.parts[1].estimate = None;
        assert_eq!(times(&figure, &steps)[1..], [None, None]);
    }

    #[test]
    fn a_spool_ends_in_the_part_that_wants_more_than_is_left() {
        let steps = plan(&[vec![0, 1], vec![0, 1], vec![0, 1]], 2);
        assert_eq!(running_out(&hourly(2), &steps[..2]), []);
        assert_eq!(running_out(&hourly(3), &steps), [(0, 2)]);
    }

    #[test]
    fn filaments_that_all_fit_are_loaded_once() {
        let plan = plan(&[vec![0, 1], vec![1, 2], vec![0, 3]], 4);
        assert_eq!(plan.iter().map(|s| s.part).collect::<Vec<_>>(), [0, 1, 2]);
        assert_eq!(plan.iter().map(|s| s.changes.len()).sum::<usize>(), 4);
    }

    #[test]
    fn every_part_has_what_it_needs_and_few_spools_are_swapped() {
        let needs = [vec![0, 1], vec![2, 3], vec![1, 0], vec![3], vec![0], vec![1, 2]];
        let steps = plan(&needs, 2);
        for step in &steps {
            assert!(needs[step.part].iter().all(|f| step.tools.contains(&Some(*f))));
        }
        // Four filaments, two tools: each is put in at least once, and 01 -> 12 -> 23 needs no more.
        assert_eq!(steps.iter().map(|s| s.changes.len()).sum::<usize>(), 4);
    }

    #[test]
    fn the_order_is_as_good_as_trying_all() {
        let needs = [vec![0, 1, 2], vec![3, 4], vec![0, 4], vec![2, 5], vec![1, 3, 5]];
        let mut order = vec![0, 1, 2, 3, 4];
        let mut least = usize::MAX;
        permute(&mut order, 0, &mut |order| least = least.min(swaps(&needs, order, 3)));
        assert_eq!(plan(&needs, 3).iter().map(|s| s.changes.len()).sum::<usize>(), least);
    }

    fn permute(order: &mut Vec<usize>, from: usize, visit: &mut dyn FnMut(&[usize])) {
        if from == order.len() {
            visit(order);
        }
        for i in from..order.len() {
            order.swap(from, i);
            permute(order, from + 1, visit);
            order.swap(from, i);
        }
    }

    #[test]
    fn a_part_with_too_many_filaments_does_not_stop_the_plan() {
        let steps = plan(&[vec![0, 1, 2], vec![1]], 2);
        assert_eq!((steps.len(), steps[0].homeless.as_slice(), steps[1].homeless.len()), (2, [2].as_slice(), 0));
        assert_eq!(plan(&[vec![0]], 0)[0].homeless, [0]);
    }
}
