//! Numbers as people read them: grouped digits, a thin space before the unit, hours and minutes.

use crate::finding::Severity;
use crate::run_record::RunRecord;

/// Narrow space that does not break: between a number and its unit, and between groups of digits.
pub const THIN: char = '\u{202f}';

/// A whole number with its digits in threes: `12 345`.
#[must_use]
pub fn count(n: usize) -> String {
    let digits = n.to_string();
    let mut grouped = String::with_capacity(digits.len() + digits.len() / 3);
    for (i, digit) in digits.chars().enumerate() {
        if i > 0 && (digits.len() - i).is_multiple_of(3) && digits.len() > 4 {
            grouped.push(THIN);
        }
        grouped.push(digit);
    }
    grouped
}

/// `1 part`, `3 parts`.
#[must_use]
pub fn counted(n: usize, one: &str, many: &str) -> String {
    format!("{}\u{a0}{}", count(n), if n == 1 { one } else { many })
}

/// A number with so many decimals, and its sign and groups.
#[must_use]
pub fn number(value: f64, decimals: usize) -> String {
    if !value.is_finite() {
        return "\u{2013}".to_owned();
    }
    let plain = format!("{:.decimals$}", value.abs());
    let (whole, fraction) = plain.split_once('.').map_or((plain.as_str(), None), |(w, f)| (w, Some(f)));
    let whole = whole.parse().map_or_else(|_| whole.to_owned(), count);
    let zero = plain.chars().all(|c| matches!(c, '0' | '.'));
    let sign = if value < 0.0 && !zero { "\u{2212}" } else { "" };
    fraction.map_or_else(|| format!("{sign}{whole}"), |f| format!("{sign}{whole}.{f}"))
}

/// A number with about three digits that count.
#[must_use]
pub fn measure(value: f64) -> String {
    if value.fract() == 0.0 {
        return number(value, 0);
    }
    match value.abs() {
        size if size >= 100.0 => number(value, 0),
        size if size >= 10.0 => number(value, 1),
        size if size >= 0.1 => number(value, 2),
        size if size >= 0.001 => number(value, 4),
        _ => format!("{value:.1e}"),
    }
}

/// A surface in cm2, small ones to a tenth.
#[must_use]
pub fn area(mm2: f64) -> String {
    with_unit(mm2 / 100.0, usize::from(mm2 < 1000.0), "cm\u{b2}")
}

/// A number with its unit.
#[must_use]
pub fn with_unit(value: f64, decimals: usize, unit: &str) -> String {
    format!("{}{THIN}{unit}", number(value, decimals))
}

/// Grams, or kilograms from one kilogram on.
#[must_use]
pub fn mass(grams: f64) -> String {
    match grams.abs() {
        size if size >= 9_995.0 => with_unit(grams / 1000.0, 1, "kg"),
        size if size >= 999.5 => with_unit(grams / 1000.0, 2, "kg"),
        size if size >= 9.95 || size == 0.0 => with_unit(grams, 0, "g"),
        _ => with_unit(grams, 1, "g"),
    }
}

/// Hours and minutes; seconds below ten minutes.
#[must_use]
pub fn duration(seconds: f64) -> String {
    if !seconds.is_finite() || seconds < 0.0 {
        return "\u{2013}".to_owned();
    }
    if seconds < 600.0 {
        return if seconds < 60.0 {
            with_unit(seconds, usize::from(seconds < 10.0), "s")
        } else {
            let whole = seconds.round() as usize;
            format!("{}{THIN}min {}{THIN}s", whole / 60, whole % 60)
        };
    }
    let minutes = (seconds / 60.0).round() as usize;
    let (hours, minutes) = (minutes / 60, minutes % 60);
    match (hours, minutes) {
        (0, _) => format!("{minutes}{THIN}min"),
        (_, 0) => format!("{}{THIN}h", count(hours)),
        _ => format!("{}{THIN}h {minutes}{THIN}min", count(hours)),
    }
}

/// Size of a file.
#[must_use]
pub fn bytes(bytes: u64) -> String {
    match bytes as f64 {
        size if size >= 1e6 => with_unit(size / 1e6, 1, "MB"),
        size if size >= 1e3 => with_unit(size / 1e3, 0, "kB"),
        size => with_unit(size, 0, "B"),
    }
}

/// Extents along the three axes.
#[must_use]
pub fn size_mm(size: [f64; 3]) -> String {
    let [x, y, z] = size.map(|s| number(s, 0));
    format!("{x}\u{202f}\u{d7}\u{202f}{y}\u{202f}\u{d7}\u{202f}{z}{THIN}mm")
}

/// A share as a percentage.
#[must_use]
pub fn share(share: f64) -> String {
    let percent = 100.0 * share;
    with_unit(percent, usize::from(percent > 0.0 && percent < 10.0), "%")
}

/// `a`, `a and b`, `a, b and c`.
#[must_use]
pub fn listed(items: &[String]) -> String {
    match items {
        [] => String::new(),
        [only] => only.clone(),
        [most @ .., last] => format!("{} and {last}", most.join(", ")),
    }
}

/// Endings of logged numbers, with the unit to print and what the number is multiplied with.
const UNITS: [(&str, &str, f64); 20] = [
    ("_mm3", "cm\u{b3}", 1e-3),
    ("_cm3", "cm\u{b3}", 1.0),
    ("_mm2", "cm\u{b2}", 1e-2),
    ("_cm2", "cm\u{b2}", 1.0),
    ("_mm", "mm", 1.0),
    ("_m", "m", 1.0),
    ("_ml", "ml", 1.0),
    ("_g", "g", 1.0),
    ("_kg", "kg", 1.0),
    ("_n", "N", 1.0),
    ("_deg", "\u{b0}", 1.0),
    ("_share", "%", 100.0),
    ("_confidence", "% sure", 100.0),
    ("_percent", "%", 1.0),
    ("_ratio", "%", 100.0),
    ("_secs", "s", 1.0),
    ("_s", "s", 1.0),
    ("_hours", "h", 1.0),
    ("_bytes", "MB", 1e-6),
    ("_c", "\u{b0}C", 1.0),
];

/// A logged number such as `hole_area_mm2` in words: what it is, and how much with its unit.
#[must_use]
pub fn logged(name: &str, value: f64) -> (String, String) {
    if let Some(stem) = name.strip_suffix("_seconds").filter(|_| value >= 60.0) {
        return (spoken(stem), duration(value));
    }
    let ending = UNITS.iter().find_map(|(end, unit, factor)| Some((name.strip_suffix(end)?, unit, factor)));
    match ending {
        Some((stem, unit, factor)) if !stem.is_empty() => {
            let space = if *unit == "\u{b0}" { "" } else { "\u{202f}" };
            (spoken(stem), format!("{}{space}{unit}", measure(value * factor)))
        }
        _ => (spoken(name), measure(value)),
    }
}

/// Words of a logged name: blanks for underscores, short forms in full.
fn spoken(name: &str) -> String {
    let word = |word: &str| match word {
        "de" => "colour distance,".to_owned(),
        "p95" => "95th percentile".to_owned(),
        _ => word.to_owned(),
    };
    let words: Vec<String> = name.split('_').map(word).collect();
    capital(&words.join(" "))
}

/// Whether a run can be printed: a class for the page's style, and a sentence.
#[must_use]
pub fn verdict(run: &RunRecord) -> (&'static str, String) {
    let of = |severity| run.findings().filter(|f| f.severity == severity).count();
    let (faults, warnings) = (of(Severity::Fault), of(Severity::Warning));
    if run.error.is_some() {
        ("fault", "The run stopped before it was done: this page shows what there is.".to_owned())
    } else if faults > 0 {
        ("fault", format!("Do not print yet: {} would spoil the print.", counted(faults, "fault", "faults")))
    } else if warnings > 0 {
        ("warning", format!("Can be printed; read {} first.", counted(warnings, "warning", "warnings")))
    } else {
        ("good", "Nothing stands in the way of printing.".to_owned())
    }
}

/// The text with a capital first letter.
#[must_use]
pub fn capital(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map_or_else(String::new, |first| first.to_uppercase().collect::<String>() + letters.as_str())
}

/// A message as a sentence: messages are lower case and without a full stop.
#[must_use]
pub fn sentence(text: &str) -> String {
    let text = capital(text.trim());
    let text = [("mm2", "mm\u{b2}"), ("cm2", "cm\u{b2}"), ("mm3", "mm\u{b3}"), ("cm3", "cm\u{b3}")]
        .iter()
        .fold(text, |text, (plain, raised)| text.replace(&format!(" {plain}"), &format!("{THIN}{raised}")));
    if text.is_empty() || text.ends_with(['.', '!', '?']) { text } else { text + "." }
}

/// A text in pieces; those that stood between backticks are code.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Piece {
    pub text: String,
    pub code: bool,
}

/// Cuts a text at its backticks.
#[must_use]
pub fn pieces(text: &str) -> Vec<Piece> {
    let pieces = text.split('`').enumerate().map(|(i, text)| Piece { text: text.to_owned(), code: i % 2 == 1 });
    pieces.filter(|piece| !piece.text.is_empty()).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn plain(text: &str) -> String {
        text.replace([THIN, '\u{a0}'], " ")
    }

    #[test]
    fn times_and_masses_read_well() {
        for (seconds, text) in
            [(51_600.0, "14 h 20 min"), (59.6, "60 s"), (61.0, "1 min 1 s"), (3599.0, "1 h"), (0.25, "0.2 s")]
        {
            assert_eq!(plain(&duration(seconds)), text);
        }
        for (grams, text) in
            [(3.21, "3.2 g"), (850.0, "850 g"), (999.6, "1.00 kg"), (13_500.0, "13.5 kg"), (0.0, "0 g")]
        {
            assert_eq!(plain(&mass(grams)), text);
        }
        assert_eq!((plain(&count(9999)), plain(&count(1_234_567))), ("9999".to_owned(), "1 234 567".to_owned()));
        assert_eq!((number(-0.004, 2), number(-3.0, 0)), ("0.00".to_owned(), "\u{2212}3".to_owned()));
    }

    #[test]
    fn logged_names_become_words() {
        let say = |name: &str, value| {
            let (what, how_much) = logged(name, value);
            plain(&format!("{what}: {how_much}"))
        };
        assert_eq!(say("islands_removed", 1733.0), "Islands removed: 1733");
        assert_eq!(say("hole_area_mm2", 4512.0), "Hole area: 45.1 cm\u{b2}");
        assert_eq!(say("overhang_share", 0.1234), "Overhang: 12.3 %");
        assert_eq!(say("print_seconds", 51_600.0), "Print: 14 h 20 min");
        assert_eq!(say("de_p95_best", 9.81), "Colour distance, 95th percentile best: 9.81");
        assert_eq!(say("_mm", 2.5), " mm: 2.50");
    }

    #[test]
    fn messages_become_sentences() {
        assert_eq!(plain(&sentence("a hole of 12 cm2 was closed")), "A hole of 12 cm\u{b2} was closed.");
        let code: Vec<_> = pieces("set `scale.height_mm` higher").into_iter().map(|p| (p.text, p.code)).collect();
        let said = [("set ", false), ("scale.height_mm", true), (" higher", false)];
        assert_eq!(code, said.map(|(text, code)| (text.to_owned(), code)));
    }
}
