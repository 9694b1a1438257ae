//! What was blended, for the log and in words.

use super::Pattern;
use crate::figure::{BlendedTone, Figure};
use crate::finding::{Finding, Severity};
use crate::stage::StageContext;

/// Most tones told of.
const TOLD_MAX: usize = 3;

pub fn log(figure: &Figure, tones: &[BlendedTone], pattern: &Pattern, ctx: &mut StageContext<'_>) {
    let area_mm2: f64 = tones.iter().map(|tone| tone.area_mm2).sum();
    let mean = |of: fn(&BlendedTone) -> f64| {
        tones.iter().map(|tone| tone.area_mm2 * of(tone)).sum::<f64>() / area_mm2.max(f64::MIN_POSITIVE)
    };
    ctx.figure("tones", tones.len() as f64);
    ctx.figure("blended_mm2", area_mm2);
    ctx.figure("viewing_mm", pattern.viewing_mm);
    ctx.figure("de_blended_before", mean(|tone| tone.distance_before));
    ctx.figure("de_blended", mean(|tone| tone.distance));
    if pattern.period_max < 2 {
        let what = format!(
            "nothing is blended: bands of {:.2} mm would be seen from {:.1} m",
            pattern.layer_mm,
            pattern.viewing_mm / 1000.0
        );
        let hint = "set `viewing_mm` to where the figure is really looked at from, or print thinner layers";
        ctx.finding(Finding::new(Severity::Note, what).hint(hint));
    }
    for tone in tones.iter().take(TOLD_MAX) {
        let what = format!(
            "{:.0} cm2 of the tone {} are printed in bands of {} and look like {} from {:.1} m: {:.1} dE from the scan, not {:.1}",
            tone.area_mm2 / 100.0,
            tone.colour,
            words(figure, tone),
            tone.looks,
            pattern.viewing_mm / 1000.0,
            tone.distance,
            tone.distance_before
        );
        let hint = "print a small piece first: `spread` says how far light spreads between the bands of your filaments";
        ctx.finding(Finding::new(Severity::Note, what).hint(hint));
    }
}

/// Such as `2 Ferry White to 1 Rope Brown`.
fn words(figure: &Figure, tone: &BlendedTone) -> String {
    let name = |label: u8| figure.palette.get(usize::from(label)).map_or("?", |filament| filament.name.as_str());
    let parts: Vec<String> = tone.bands.iter().map(|(label, count)| format!("{count} {}", name(*label))).collect();
    parts.join(" to ")
}
