//! The curve of tool changes against colour, drawn as a picture in the page's own colours, and what its neighbouring points
//! would give.

use std::fmt::Write as _;

use super::chart::{Axis, TICKS, escaped, round_step};
use super::words;
use crate::equipment::Printer;
use crate::figure::{ColourTrade, Figure, TradePoint};

/// Size of the picture, in its own units.
const WIDTH: f64 = 680.0;
const HEIGHT: f64 = 320.0;
/// The field of the curve within it.
const LEFT: f64 = 52.0;
const RIGHT: f64 = 664.0;
const TOP: f64 = 22.0;
const BOTTOM: f64 = 262.0;
/// Points closer than this share of all changes are not worth a sentence.
const APART: f64 = 0.04;

/// The curve and words for it.
#[derive(Debug)]
pub struct Trade {
    pub svg: String,
    pub before: Spot,
    /// None when nothing was given up.
    pub taken: Option<Spot>,
    /// The point with more changes and truer colours, and the one with fewer.
    pub back: Option<Spot>,
    pub onward: Option<Spot>,
}

/// A point in words.
#[derive(Debug)]
pub struct Spot {
    pub changes: String,
    /// As the setting takes it.
    pub changes_max: usize,
    pub de_mean: String,
    /// Changes and hours between it and the point taken.
    pub apart: String,
    pub hours_apart: String,
    pub given_up: String,
}

/// None where colours were not weighed against changes, or there is nothing to choose.
#[must_use]
pub fn trade(figure: &Figure, printer: &Printer) -> Option<Trade> {
    let trade = figure.colour_trade.as_ref().filter(|trade| trade.points.len() > 1)?;
    let taken = trade.points.get(trade.chosen)?;
    let spot = |point: &TradePoint| {
        let apart = point.changes.abs_diff(taken.changes);
        Spot {
            changes: words::counted(point.changes, "tool change", "tool changes"),
            changes_max: point.changes,
            de_mean: words::number(point.de_mean, 2),
            apart: words::count(apart),
            hours_apart: words::duration(apart as f64 * printer.change_secs),
            given_up: words::area(point.given_up_mm2),
        }
    };
    let (back, onward) = neighbours(trade);
    Some(Trade {
        svg: Chart::new(trade, printer).svg(),
        before: spot(&trade.points[0]),
        taken: (trade.chosen > 0).then(|| spot(taken)),
        back: back.map(spot),
        onward: onward.map(spot),
    })
}

/// The points with more changes and with fewer that are far enough from the one taken to be worth a sentence.
pub fn neighbours(trade: &ColourTrade) -> (Option<&TradePoint>, Option<&TradePoint>) {
    let Some(taken) = trade.points.get(trade.chosen) else { return (None, None) };
    let far =
        |point: &&TradePoint| point.changes.abs_diff(taken.changes) as f64 >= APART * trade.points[0].changes as f64;
    let (before, after) = (&trade.points[..trade.chosen], &trade.points[trade.chosen + 1..]);
    (before.iter().rev().find(far).or(before.first()), after.iter().find(far).or(after.last()))
}

struct Chart<'a> {
    trade: &'a ColourTrade,
    printer: &'a Printer,
    changes: Axis,
    hours: Axis,
    de: Axis,
}

impl<'a> Chart<'a> {
    fn new(trade: &'a ColourTrade, printer: &'a Printer) -> Self {
        let range = |of: &dyn Fn(&TradePoint) -> f64| {
            let values = trade.points.iter().map(of).filter(|value| value.is_finite());
            let [low, high] = values.fold([f64::INFINITY, f64::NEG_INFINITY], |[l, h], v| [l.min(v), h.max(v)]);
            if low < high { [low, high] } else { [low.min(1e9), low.min(1e9) + 1.0] }
        };
        let [_, most] = range(&|point| point.changes as f64);
        let changes = Axis::around([0.0, most.max(1.0)], [LEFT, RIGHT]);
        let hours_of = |changes: f64| changes * printer.change_secs.max(1e-3) / 3600.0;
        let hours = Axis {
            ends: changes.ends.map(hours_of),
            step: round_step(hours_of(changes.ends[1]) / TICKS),
            drawn: [LEFT, RIGHT],
        };
        let de = Axis::around(range(&|point| point.de_mean), [BOTTOM, TOP]);
        Self { trade, printer, changes, hours, de }
    }

    fn place(&self, point: &TradePoint) -> (f64, f64) {
        (self.changes.at(point.changes as f64), self.de.at(point.de_mean))
    }

    fn svg(&self) -> String {
        let mut svg = format!(
            "<svg viewBox=\"0 0 {WIDTH} {HEIGHT}\" role=\"img\" aria-label=\"Mean colour difference against tool changes\">"
        );
        self.axes(&mut svg);
        let line: Vec<String> =
            self.trade.points.iter().map(|p| self.place(p)).map(|(x, y)| format!("{x:.1},{y:.1}")).collect();
        let _ = write!(svg, "<polyline class=\"curve\" points=\"{}\"/>", line.join(" "));
        for (i, point) in self.trade.points.iter().enumerate() {
            let (x, y) = self.place(point);
            let (class, radius) = if i == self.trade.chosen {
                ("taken", 6.5)
            } else if i == 0 {
                ("first", 5.0)
            } else {
                ("spot", 3.0)
            };
            let _ = write!(
                svg,
                "<circle class=\"{class}\" cx=\"{x:.1}\" cy=\"{y:.1}\" r=\"{radius}\"><title>{}: {} dE; {} cm\u{b2} given up</title></circle>",
                words::counted(point.changes, "change", "changes"),
                words::number(point.de_mean, 2),
                words::number(point.given_up_mm2 / 100.0, 1)
            );
        }
        self.names(&mut svg);
        svg.push_str("</svg>");
        svg
    }

    /// Grid, ticks and what the axes are.
    fn axes(&self, svg: &mut String) {
        self.de.rules(svg, [LEFT, RIGHT]);
        let mut below = |axis: &Axis, drop: f64, unit: &str| {
            for value in axis.ticks().filter(|value| *value <= axis.ends[1] * (1.0 + 1e-9)) {
                let number = words::number(value, axis.decimals());
                let x = axis.at(value);
                let _ = write!(
                    svg,
                    "<text class=\"tick\" x=\"{x:.1}\" y=\"{:.1}\" text-anchor=\"middle\">{number}{unit}</text>",
                    BOTTOM + drop
                );
                if drop < 20.0 {
                    let _ = write!(
                        svg,
                        "<line class=\"axis\" x1=\"{x:.1}\" x2=\"{x:.1}\" y1=\"{BOTTOM}\" y2=\"{}\"/>",
                        BOTTOM + 4.0
                    );
                }
            }
        };
        below(&self.changes, 18.0, "");
        below(&self.hours, 36.0, "\u{202f}h");
        let _ = write!(
            svg,
            "<line class=\"axis\" x1=\"{LEFT}\" x2=\"{RIGHT}\" y1=\"{BOTTOM}\" y2=\"{BOTTOM}\"/>\
             <text class=\"name\" x=\"{LEFT}\" y=\"{:.1}\">Mean colour difference, dE (CIEDE2000)</text>\
             <text class=\"name\" x=\"{RIGHT}\" y=\"{:.1}\" text-anchor=\"end\">Tool changes, and the hours they take on {}</text>",
            TOP - 9.0,
            BOTTOM + 54.0,
            escaped(&self.printer.name)
        );
    }

    /// Names the first point and the one taken.
    fn names(&self, svg: &mut String) {
        let mut name = |index: usize, text: &str| {
            let (x, y) = self.place(&self.trade.points[index]);
            let (anchor, dx) = if x > 0.6 * RIGHT { ("end", -4.0) } else { ("start", 4.0) };
            // The curve falls to the right: beside a point it is free below on the left and above on the right.
            let dy = if anchor == "end" && BOTTOM - y > 30.0 { 22.0 } else { -14.0 };
            let _ = write!(
                svg,
                "<text class=\"label\" x=\"{:.1}\" y=\"{:.1}\" text-anchor=\"{anchor}\">{text}</text>",
                x + dx,
                y + dy
            );
        };
        if self.trade.chosen == 0 {
            name(0, "taken: every colour kept");
        } else {
            let near = {
                let [(x, y), (u, v)] = [0, self.trade.chosen].map(|i| self.place(&self.trade.points[i]));
                (x - u).abs() < 130.0 && (y - v).abs() < 20.0
            };
            name(self.trade.chosen, "taken");
            if !near {
                name(0, "every colour kept");
            }
        }
    }
}
