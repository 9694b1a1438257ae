//! From what was found to a verdict, with limits that are common practice, no source.

use serde::Serialize;

use super::Survey;
use super::missing::SOLES;

/// What to do with a scan.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum Verdict {
    /// Scan again while the subject stands there.
    Again,
    /// Can be printed with the faults named.
    Usable,
    Good,
}

impl Verdict {
    /// The verdict in a sentence.
    #[must_use]
    pub fn words(self) -> &'static str {
        match self {
            Self::Good => "good: go on",
            Self::Usable => "usable with these faults",
            Self::Again => "scan again now",
        }
    }
}

/// One thing that is wrong.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Fault {
    pub verdict: Verdict,
    pub what: String,
    pub hint: String,
}

/// A limit from which a share is a fault, and one from which the scan is to be made again.
type Limits = [f64; 2];
/// Missing surface, of the whole body.
const MISSING: Limits = [0.002, 0.06];
/// Missing surface of the face, of the face.
const FACE: Limits = [0.005, 0.03];
/// Missing surface of another zone, of that zone.
const ZONE: Limits = [0.01, 0.25];
/// Surface scanned twice.
const DOUBLE: Limits = [0.02, 0.08];
/// Loose pieces.
const ISLANDS: Limits = [0.01, 0.5];
/// Noise over the height: .5 mm and 2 mm on an adult.
const NOISE: Limits = [0.5 / 1750.0, 2.0 / 1750.0];
/// Distance of points in the face over the height: 2 mm and 6 mm on an adult.
const SPACING: Limits = [2.0 / 1750.0, 6.0 / 1750.0];
/// Confidence below which a guess is worth a word.
const SURE: f64 = 0.5;

/// All faults of a survey, worst first.
pub fn faults(survey: &Survey, body_mm2: f64) -> Vec<Fault> {
    let mut faults = Vec::new();
    let mut judge = |value: f64, [usable, again]: Limits, what: String, hint: String| {
        let verdict = if value >= again { Verdict::Again } else { Verdict::Usable };
        if value >= usable {
            faults.push(Fault { verdict, what, hint });
        }
    };
    let percent = |share: f64| format!("{:.1} %", 100.0 * share);
    let cm2 = |mm2: f64| format!("{:.0} cm2", mm2 / 100.0);
    judge(
        survey.missing_share,
        MISSING,
        format!("{} of the surface is missing", percent(survey.missing_share)),
        "scan the zones named below again".to_owned(),
    );
    for zone in survey.missing.iter().filter(|zone| zone.zone != SOLES) {
        let limits = if zone.zone == "face" { FACE } else { ZONE };
        let what = format!("{}: {} missing, {} of it", zone.zone, cm2(zone.area_mm2), percent(zone.share));
        judge(zone.share, limits, what, how_to_reach(zone.zone).to_owned());
    }
    judge(
        survey.double_share,
        DOUBLE,
        format!("{} of the surface was scanned twice, a little apart: the subject moved", percent(survey.double_share)),
        "let the subject lean on something, and scan faster".to_owned(),
    );
    judge(
        survey.island_mm2 / body_mm2,
        ISLANDS,
        format!("{} loose pieces, {} in all", survey.islands, cm2(survey.island_mm2)),
        "keep stands, floor and bystanders out of the scan".to_owned(),
    );
    let height = survey.height_mm.max(f64::MIN_POSITIVE);
    judge(
        survey.body.noise_mm / height,
        NOISE,
        format!("the surface is rough, {:.2} mm of noise", survey.body.noise_mm),
        "go closer, or give the scanner more light".to_owned(),
    );
    judge(
        survey.face.spacing_mm / height,
        SPACING,
        format!("points in the face are {:.1} mm apart", survey.face.spacing_mm),
        "export the scan finer, or scan the face once more from near".to_owned(),
    );
    if survey.wrapped {
        let what = "the surface is too broken to be mended and has to be laid anew, which blurs detail".to_owned();
        faults.push(Fault { verdict: Verdict::Usable, what, hint: "export the scan with holes left open".to_owned() });
    }
    if !survey.has_colour {
        let hint = "export with colours or pictures if the figure is to be coloured".to_owned();
        faults.push(Fault { verdict: Verdict::Usable, what: "the scan has no colours".to_owned(), hint });
    }
    for (name, guess) in [("unit", &survey.unit), ("up", &survey.up)].into_iter().filter(|(_, g)| g.confidence < SURE) {
        let what = format!("{name} is guessed to be {} and may be wrong", guess.what);
        faults.push(Fault { verdict: Verdict::Usable, what, hint: format!("give it: `--set intake.{name}=…`") });
    }
    if survey.front.what != "-y" && survey.front.confidence >= SURE {
        let what = format!(
            "the subject seems to face {} instead of -y, so left, right, front and back are other ones",
            survey.front.what
        );
        faults.push(Fault { verdict: Verdict::Usable, what, hint: "turn the scan when exporting it".to_owned() });
    }
    faults.sort_by_key(|fault| fault.verdict);
    faults
}

/// The verdict that faults come to.
pub fn verdict(faults: &[Fault]) -> Verdict {
    faults.iter().map(|fault| fault.verdict).min().unwrap_or(Verdict::Good)
}

fn how_to_reach(zone: &str) -> &'static str {
    match zone {
        "crown" => "scan the top of the head from above; a step helps",
        "face" => "scan the face again, with even light and no movement",
        "right arm" | "left arm" | "right armpit" | "left armpit" => {
            "hold the arm a hand's breadth off the body and scan its inner side"
        }
        "right leg" | "left leg" | "crotch" => "stand with the feet apart and scan the inner sides of the legs",
        "feet" => "scan the shoes from low down, all round",
        _ => "walk round once more with the scanner at this height",
    }
}
