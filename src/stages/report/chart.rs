//! Axes of the page's charts, drawn in its own colours.

use std::fmt::Write as _;

use super::words;

/// Ticks on an axis, about.
pub const TICKS: f64 = 6.0;

/// Values at the two ends of an axis, its ticks, and where its ends are drawn.
#[derive(Clone, Copy, Debug)]
pub struct Axis {
    pub ends: [f64; 2],
    pub step: f64,
    pub drawn: [f64; 2],
}

impl Axis {
    /// From `low` or below to `high` or above, at round steps.
    pub fn around([low, high]: [f64; 2], drawn: [f64; 2]) -> Self {
        let step = round_step((high - low) / TICKS);
        Self { ends: [(low / step).floor() * step, (high / step).ceil() * step], step, drawn }
    }

    pub fn at(&self, value: f64) -> f64 {
        let share = (value - self.ends[0]) / (self.ends[1] - self.ends[0]);
        self.drawn[0] + share * (self.drawn[1] - self.drawn[0])
    }

    pub fn ticks(&self) -> impl Iterator<Item = f64> {
        let first = (self.ends[0] / self.step - 1e-9).ceil();
        let count = ((self.ends[1] / self.step + 1e-9).floor() - first).clamp(0.0, 20.0) as u32;
        (0..=count).map(move |i| (first + f64::from(i)) * self.step)
    }

    /// Level rules at the ticks of an upright axis, with their values to the left.
    pub fn rules(&self, svg: &mut String, [left, right]: [f64; 2]) {
        for value in self.ticks() {
            let y = self.at(value);
            let _ = write!(
                svg,
                "<line class=\"grid\" x1=\"{left}\" x2=\"{right}\" y1=\"{y:.1}\" y2=\"{y:.1}\"/>\
                 <text class=\"tick\" x=\"{:.1}\" y=\"{:.1}\" text-anchor=\"end\">{}</text>",
                left - 8.0,
                y + 4.0,
                words::number(value, self.decimals())
            );
        }
    }

    pub fn decimals(&self) -> usize {
        (-self.step.log10().floor()).clamp(0.0, 3.0) as usize
    }
}

/// 1, 2 or 5 times a power of ten, no less than what is asked for.
pub fn round_step(least: f64) -> f64 {
    let power = 10.0_f64.powf(least.max(1e-6).log10().floor());
    [1.0, 2.0, 5.0].into_iter().map(|m| m * power).find(|step| *step >= least * (1.0 - 1e-9)).unwrap_or(10.0 * power)
}

/// Text as it may stand in the page.
pub fn escaped(text: &str) -> String {
    text.replace('&', "&amp;").replace('<', "&lt;").replace('>', "&gt;").replace('"', "&quot;")
}
