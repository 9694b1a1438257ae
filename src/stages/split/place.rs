//! Names of parts: where on the body they sit, told from the middle of their box. The front is taken to face -y, so the
//! figure's own left is +x.

use glam::DVec3;

use super::body::Body;

/// Words by height share, each up to the level given (body levels after Drillis & Contini 1966 and ANSUR II 2012).
const TRUNK: [(f64, &str); 10] = [
    (0.06, "foot"),
    (0.24, "shin"),
    (0.34, "knee"),
    (0.47, "thigh"),
    (0.56, "hip"),
    (0.66, "waist"),
    (0.76, "chest"),
    (0.84, "shoulder"),
    (0.88, "neck"),
    (f64::INFINITY, "head"),
];
const ARM: [(f64, &str); 4] = [(0.48, "hand"), (0.63, "forearm"), (0.76, "upper-arm"), (f64::INFINITY, "shoulder")];

/// Whether something lies as far out as an arm does (shoulder half-width .129 of the height, hip .096).
fn is_arm(body: &Body, low: DVec3, high: DVec3) -> bool {
    let middle = 0.5 * (low + high);
    let inner = body.aside(low).abs().min(body.aside(high).abs());
    let crosses = body.aside(low) * body.aside(high) < 0.0;
    body.level(middle) > 0.34 && body.aside(middle).abs() > 0.12 && !crosses && inner > 0.06
}

/// Place words for a box on the body, such as `shin-left`.
pub(super) fn words(body: &Body, low: DVec3, high: DVec3) -> String {
    let middle = 0.5 * (low + high);
    let level = body.level(middle);
    let table: &[(f64, &str)] = if is_arm(body, low, high) { &ARM } else { &TRUNK };
    let word = table.iter().find(|(up_to, _)| level < *up_to).map_or("head", |(_, word)| word);
    let aside = body.aside(middle);
    let behind = body.behind(middle);
    let mut words = word.to_owned();
    match aside {
        a if a > 0.02 => words += "-left",
        a if a < -0.02 => words += "-right",
        _ => {}
    }
    match behind {
        b if b > 0.03 => words += "-back",
        b if b < -0.03 => words += "-front",
        _ => {}
    }
    words
}

/// A point on the body in words, for findings.
pub(super) fn point_words(body: &Body, p: DVec3) -> String {
    words(body, p, p)
}
