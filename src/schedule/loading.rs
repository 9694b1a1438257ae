//! Which filaments are loaded for which part on one printer, and an order of parts that swaps few spools.
//!
//! For a given order the fewest swaps come from taking out the spool whose next use is farthest off (Belady 1966). The
//! order itself is sought by moving one part at a time from several starts: good, not proven best.

use super::Step;

/// Parts beyond this number are printed by number: the search would take too long to be worth it.
const SEARCH_LIMIT: usize = 60;

/// Plans the loading for parts that use these filaments, on a printer with so many tools.
///
/// A part that needs more filaments than there are tools gets as many as fit; the rest are its homeless ones.
#[must_use]
pub fn plan(needs: &[&[usize]], tools: usize) -> Vec<Step> {
    let by_number: Vec<usize> = (0..needs.len()).collect();
    let mut kinds: Vec<usize> = needs.iter().copied().flatten().copied().collect();
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

/// Spools put in over all steps, the parts in this order.
pub fn swaps(needs: &[&[usize]], order: &[usize], tools: usize) -> usize {
    steps(needs, order, tools).iter().map(|step| step.changes.len()).sum()
}

/// From a start, always the part that shares most with the one before; the lower number of equals.
fn by_likeness(needs: &[&[usize]], start: usize) -> Vec<usize> {
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
fn improved(needs: &[&[usize]], mut order: Vec<usize>, tools: usize) -> Vec<usize> {
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
fn steps(needs: &[&[usize]], order: &[usize], tools: usize) -> Vec<Step> {
    let mut loaded: Vec<Option<usize>> = vec![None; tools];
    let next_use = |filament: usize, after: usize| {
        order[after..].iter().position(|&part| needs[part].contains(&filament)).unwrap_or(usize::MAX)
    };
    let mut plan = Vec::with_capacity(order.len());
    for (i, &part) in order.iter().enumerate() {
        let mut changes = Vec::new();
        let mut homeless = Vec::new();
        for &filament in needs[part] {
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
        plan.push(Step { part, tools: loaded.clone(), changes, homeless, span_s: None });
    }
    plan
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn filaments_that_all_fit_are_loaded_once() {
        let plan = plan(&[&[0, 1], &[1, 2], &[0, 3]], 4);
        assert_eq!(plan.iter().map(|s| s.part).collect::<Vec<_>>(), [0, 1, 2]);
        assert_eq!(plan.iter().map(|s| s.changes.len()).sum::<usize>(), 4);
    }

    #[test]
    fn every_part_has_what_it_needs_and_few_spools_are_swapped() {
        let needs: [&[usize]; 6] = [&[0, 1], &[2, 3], &[1, 0], &[3], &[0], &[1, 2]];
        let steps = plan(&needs, 2);
        for step in &steps {
            assert!(needs[step.part].iter().all(|f| step.tools.contains(&Some(*f))));
        }
        // Four filaments, two tools: each is put in at least once, and 01 -> 12 -> 23 needs no more.
        assert_eq!(steps.iter().map(|s| s.changes.len()).sum::<usize>(), 4);
    }

    #[test]
    fn the_order_is_as_good_as_trying_all() {
        let needs: [&[usize]; 5] = [&[0, 1, 2], &[3, 4], &[0, 4], &[2, 5], &[1, 3, 5]];
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
        let steps = plan(&[&[0, 1, 2], &[1]], 2);
        assert_eq!((steps.len(), steps[0].homeless.as_slice(), steps[1].homeless.len()), (2, [2].as_slice(), 0));
        assert_eq!(plan(&[&[0]], 0)[0].homeless, [0]);
    }
}
