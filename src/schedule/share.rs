//! Which printer prints which part: the last one done as early as can be, then the least work in all.
//!
//! The longest part first goes where it is done first (Graham 1969); then parts move and change places as long as that helps.
//! Good, not proven best.

use super::{Print, SPOOL_SECS, loading};

/// Parts of each printer, ascending; what no printer can take stays with the first.
#[must_use]
pub fn share(prints: &[Print], tools: &[usize]) -> Vec<Vec<usize>> {
    let mut shop = Shop { prints, tools };
    let mut queues = shop.longest_first();
    shop.improve(&mut queues);
    queues
}

/// When the last printer is done, and the time of all printers together, s.
type Time = (f64, f64);

/// Two printers with their new parts, and the time of every printer then, s.
type Better = ([(usize, Vec<usize>); 2], Vec<f64>);

struct Shop<'a> {
    prints: &'a [Print],
    tools: &'a [usize],
}

impl Shop<'_> {
    /// Time of one part on a printer, s; none where it cannot go.
    fn seconds(&self, part: usize, printer: usize) -> Option<f64> {
        let seconds = &self.prints[part].seconds;
        let stays = seconds.iter().all(Option::is_none);
        seconds.get(printer).copied().flatten().or((stays && printer == 0).then_some(0.0))
    }

    /// Time of a printer with its parts by number, the spools put in with it.
    fn busy_s(&self, queue: &[usize], printer: usize) -> f64 {
        let needs: Vec<&[usize]> = queue.iter().map(|&part| self.prints[part].needs.as_slice()).collect();
        let order: Vec<usize> = (0..queue.len()).collect();
        let spools = loading::swaps(&needs, &order, self.tools[printer]);
        let printing: f64 = queue.iter().filter_map(|&part| self.seconds(part, printer)).sum();
        printing + SPOOL_SECS * spools as f64
    }

    fn time(busy_s: &[f64]) -> Time {
        (busy_s.iter().copied().fold(0.0, f64::max), busy_s.iter().sum())
    }

    fn longest_first(&self) -> Vec<Vec<usize>> {
        let shortest = |part: usize| {
            let all = (0..self.tools.len()).filter_map(|printer| self.seconds(part, printer));
            all.fold(f64::INFINITY, f64::min)
        };
        let mut order: Vec<usize> = (0..self.prints.len()).collect();
        order.sort_by(|&a, &b| shortest(b).total_cmp(&shortest(a)).then(a.cmp(&b)));
        let mut queues = vec![Vec::new(); self.tools.len()];
        for part in order {
            let fits = (0..queues.len()).filter(|&printer| self.seconds(part, printer).is_some());
            let done = |printer: &usize| self.busy_s(&with(&queues[*printer], part), *printer);
            let first = fits.map(|printer| (done(&printer), printer)).min_by(|a, b| a.0.total_cmp(&b.0));
            let printer = first.map_or(0, |(_, printer)| printer);
            queues[printer] = with(&queues[printer], part);
        }
        queues
    }

    fn improve(&mut self, queues: &mut [Vec<usize>]) {
        let mut busy_s: Vec<f64> = queues.iter().enumerate().map(|(i, queue)| self.busy_s(queue, i)).collect();
        while let Some((changed, new_s)) = self.better(queues, &busy_s) {
            for (printer, queue) in changed {
                queues[printer] = queue;
            }
            busy_s = new_s;
        }
    }

    /// The first move of a part, or exchange of two, that saves a second.
    fn better(&self, queues: &[Vec<usize>], busy_s: &[f64]) -> Option<Better> {
        let now = Self::time(busy_s);
        let pairs = (0..queues.len()).flat_map(|from| (0..queues.len()).map(move |to| (from, to)));
        for (from, to) in pairs.filter(|(from, to)| from != to) {
            for &given in queues[from].iter().filter(|part| self.seconds(**part, to).is_some()) {
                let returned = queues[to].iter().filter(|part| self.seconds(**part, from).is_some());
                for taken in std::iter::once(None).chain(returned.map(Some)) {
                    let mut giving = without(&queues[from], given);
                    let mut taking = with(&queues[to], given);
                    if let Some(&taken) = taken {
                        (giving, taking) = (with(&giving, taken), without(&taking, taken));
                    }
                    let mut new_s = busy_s.to_vec();
                    (new_s[from], new_s[to]) = (self.busy_s(&giving, from), self.busy_s(&taking, to));
                    let then = Self::time(&new_s);
                    if then.0 < now.0 - 1.0 || (then.0 <= now.0 && then.1 < now.1 - 1.0) {
                        return Some(([(from, giving), (to, taking)], new_s));
                    }
                }
            }
        }
        None
    }
}

fn with(queue: &[usize], part: usize) -> Vec<usize> {
    let at = queue.partition_point(|other| *other < part);
    [&queue[..at], &[part], &queue[at..]].concat()
}

fn without(queue: &[usize], part: usize) -> Vec<usize> {
    queue.iter().copied().filter(|other| *other != part).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// When the last printer is done, for the best of all ways to share.
    fn by_enumeration(shop: &Shop<'_>) -> f64 {
        let (parts, printers) = (shop.prints.len(), shop.tools.len());
        let mut least = f64::INFINITY;
        for code in 0..printers.pow(parts as u32) {
            let mut queues = vec![Vec::new(); printers];
            let printer = |part: usize| code / printers.pow(part as u32) % printers;
            (0..parts).for_each(|part| queues[printer(part)].push(part));
            let fits = (0..parts).all(|part| shop.seconds(part, printer(part)).is_some());
            let busy: Vec<f64> = queues.iter().enumerate().map(|(i, queue)| shop.busy_s(queue, i)).collect();
            if fits {
                least = least.min(Shop::time(&busy).0);
            }
        }
        least
    }

    #[test]
    fn sharing_is_close_to_the_best_of_all_ways() {
        let mut seed = 77_u64;
        let mut next = move |below: u64| {
            seed = seed.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            (seed >> 33) % below
        };
        let mut worst = 1.0_f64;
        for case in 0..60 {
            let parts = 4 + next(4) as usize;
            let prints: Vec<Print> = (0..parts)
                .map(|_| {
                    let first = 3600.0 * (1 + next(20)) as f64;
                    let second = (next(4) > 0).then_some(first * (0.5 + 0.25 * next(4) as f64));
                    let needs = (0..5).filter(|_| next(2) == 0).collect();
                    Print { needs, seconds: vec![Some(first), second] }
                })
                .collect();
            let shop = Shop { prints: &prints, tools: &[3, 4] };
            let queues = share(&prints, &[3, 4]);
            assert_eq!(queues.iter().map(Vec::len).sum::<usize>(), parts, "case {case}");
            let busy: Vec<f64> = queues.iter().enumerate().map(|(i, queue)| shop.busy_s(queue, i)).collect();
            worst = worst.max(Shop::time(&busy).0 / by_enumeration(&shop));
        }
        assert!(worst < 1.1, "{worst}");
    }

    #[test]
    fn what_fits_nowhere_stays_with_the_first_printer() {
        let print = |seconds| Print { needs: vec![0], seconds };
        let prints = [print(vec![None, None]), print(vec![None, Some(60.0)]), print(vec![Some(60.0), None])];
        assert_eq!(share(&prints, &[1, 1]), [vec![0, 2], vec![1]]);
    }
}
