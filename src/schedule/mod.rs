//! The plan of a print: which printer prints which part, in which order, when, and with which spools in its tools.
//!
//! Parts and filaments are plain numbers here, so that the plan knows nothing of meshes.

mod loading;
mod share;

use serde::{Deserialize, Serialize};

/// Time to put in a spool, s: five take a quarter of an hour (common practice, no source).
pub const SPOOL_SECS: f64 = 180.0;

/// What printing one part takes.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Print {
    /// Filaments it needs.
    pub needs: Vec<usize>,
    /// Its time on each printer, s; none where it cannot be printed.
    pub seconds: Vec<Option<f64>>,
}

/// One part on its printer.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Step {
    /// Index of the part.
    pub part: usize,
    /// Filament in each tool while it prints.
    pub tools: Vec<Option<usize>>,
    /// Tools that change before it: tool, filament taken out, filament put in.
    pub changes: Vec<(usize, Option<usize>, usize)>,
    /// Filaments the part needs beyond the number of tools.
    pub homeless: Vec<usize>,
    /// From the beginning of all until it begins, its spools put in, and until it is done, s; none without an estimate.
    pub span_s: Option<[f64; 2]>,
}

/// A printer's parts in the order they are printed.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Queue {
    pub printer: String,
    /// Filaments it holds at once.
    pub tools: usize,
    pub steps: Vec<Step>,
}

/// What all printers do.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Schedule {
    /// In the owner's order; one that has nothing to do has no steps.
    pub queues: Vec<Queue>,
}

/// Plans parts over printers with these names and numbers of tools.
#[must_use]
pub fn plan(prints: &[Print], printers: &[(&str, usize)]) -> Schedule {
    let tools: Vec<usize> = printers.iter().map(|(_, tools)| *tools).collect();
    let shares = share::share(prints, &tools);
    let queue = |(printer, parts): (usize, Vec<usize>)| {
        let needs: Vec<&[usize]> = parts.iter().map(|&part| prints[part].needs.as_slice()).collect();
        let mut steps = loading::plan(&needs, tools[printer]);
        let mut now_s = Some(0.0);
        for step in &mut steps {
            step.part = parts[step.part];
            let begins_s = now_s.map(|now: f64| now + SPOOL_SECS * step.changes.len() as f64);
            now_s = begins_s.zip(prints[step.part].seconds[printer]).map(|(begins, seconds)| begins + seconds);
            step.span_s = begins_s.zip(now_s).map(|(begins, done)| [begins, done]);
        }
        Queue { printer: printers[printer].0.to_owned(), tools: tools[printer], steps }
    };
    Schedule { queues: shares.into_iter().enumerate().map(queue).collect() }
}

impl Schedule {
    /// The printer of each part, by index; parts are as many as were planned.
    #[must_use]
    pub fn printer_of(&self, parts: usize) -> Vec<usize> {
        let mut printers = vec![0; parts];
        for (printer, queue) in self.queues.iter().enumerate() {
            queue.steps.iter().for_each(|step| printers[step.part] = printer);
        }
        printers
    }

    /// Whether each of so many parts has its place, and none beyond them.
    #[must_use]
    pub fn covers(&self, parts: usize) -> bool {
        let mut planned: Vec<usize> = self.steps().map(|step| step.part).collect();
        planned.sort_unstable();
        planned.into_iter().eq(0..parts)
    }

    /// From the beginning until the last part is done, s; none where a part has no estimate.
    #[must_use]
    pub fn ends_s(&self) -> Option<f64> {
        let ends = self.steps().map(|step| step.span_s.map(|[_, done]| done));
        ends.collect::<Option<Vec<f64>>>().map(|ends| ends.into_iter().fold(0.0, f64::max))
    }

    /// Spools put in on all printers, the first loading included.
    #[must_use]
    pub fn spools_put_in(&self) -> usize {
        self.steps().map(|step| step.changes.len()).sum()
    }

    fn steps(&self) -> impl Iterator<Item = &Step> {
        self.queues.iter().flat_map(|queue| &queue.steps)
    }

    /// All steps, those that begin first first; of equals the lower part.
    #[must_use]
    pub fn by_time(&self) -> Vec<&Step> {
        let mut steps: Vec<&Step> = self.steps().collect();
        let begins = |step: &Step| step.span_s.map_or(f64::INFINITY, |[begins, _]| begins);
        steps.sort_by(|a, b| begins(a).total_cmp(&begins(b)).then(a.part.cmp(&b.part)));
        steps
    }

    /// The most printers that have a filament in a tool at one time, and so the spools of it that are needed.
    #[must_use]
    pub fn spools_at_once(&self, filament: usize) -> usize {
        // While a part prints its spools stay; between parts they may go to another printer.
        let uses = |step: &&Step| step.tools.contains(&Some(filament)) && step.span_s.is_some();
        let spans: Vec<[f64; 2]> = self.steps().filter(uses).filter_map(|step| step.span_s).collect();
        let at = |time: f64| spans.iter().filter(|[begins, done]| *begins <= time && time < *done).count();
        spans.iter().map(|[begins, _]| at(*begins)).max().unwrap_or(0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn hourly(needs: &[usize], printers: usize) -> Print {
        Print { needs: needs.to_vec(), seconds: vec![Some(3600.0); printers] }
    }

    #[test]
    fn parts_follow_each_other_with_their_spools_put_in() {
        let mut prints = [hourly(&[0], 1), hourly(&[0], 1), hourly(&[1], 1)];
        let spans = |prints: &[Print]| -> Vec<Option<[f64; 2]>> {
            plan(prints, &[("slipway", 1)]).queues[0].steps.iter().map(|step| step.span_s).collect()
        };
        let told = [[180.0, 3780.0], [3780.0, 7380.0], [7560.0, 11_160.0]];
        assert_eq!(spans(&prints), told.map(Some));
        assert_eq!(plan(&prints, &[("slipway", 1)]).ends_s(), Some(11_160.0));
        prints[1].seconds[0] = None;
        assert_eq!(spans(&prints)[1..], [None, None]);
        assert_eq!(plan(&prints, &[("slipway", 1)]).ends_s(), None);
    }

    #[test]
    fn two_printers_share_the_parts_and_need_a_filament_twice() {
        let prints = [hourly(&[0, 1], 2), hourly(&[0, 1], 2), hourly(&[0], 2), hourly(&[0], 2)];
        let plan = plan(&prints, &[("slipway", 2), ("pier", 2)]);
        assert_eq!(plan.queues.iter().map(|queue| queue.steps.len()).collect::<Vec<_>>(), [2, 2]);
        // Two hours and two spools on one, two hours and one or two on the other.
        assert_eq!(plan.ends_s(), Some(7560.0));
        assert_eq!((plan.spools_at_once(0), plan.spools_at_once(7)), (2, 0));
        let printers = plan.printer_of(4);
        assert_eq!(printers.iter().filter(|printer| **printer == 1).count(), 2);
    }
}
