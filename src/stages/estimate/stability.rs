//! Whether the glued figure stands: its centre of mass, base plate and ballast included, over the hull of what touches the
//! floor; the tilt and the push it bears.

use glam::{DVec2, DVec3};

use super::sharing::PartWork;
use crate::figure::Figure;
use crate::finding::{Finding, Severity};
use crate::mesh::hull::{convex_hull, depth_inside};
use crate::stage::StageContext;

/// Vertices this close above the lowest one carry the figure, mm.
const FOOT_MM: f64 = 0.5;

/// Tilt a standing figure should bear: appliances must not overturn on a plane inclined by this (IEC 60335-1, 20.1, by
/// analogy: there is no such standard for statues), degrees.
const TIP_MIN_DEG: f64 = 10.0;
const TIP_SOURCE: &str = "as appliances must, IEC 60335-1, 20.1; there is no such standard for statues";

/// Figures from this height on are fixed, however they stand: children pull at them (common practice, no source), mm.
const FIX_FROM_MM: f64 = 800.0;

/// What a child pulls with at least (common practice, no source), N.
const PULL_N: f64 = 100.0;

/// Height of the shoulders as a share of stature: acromial height over stature of the men of ANSUR II (2012), 1441 of
/// 1756 mm.
const SHOULDER_SHARE: f64 = 0.82;

/// Standard gravity, m/s2.
const GRAVITY: f64 = 9.806_65;

/// How a figure stands.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Stance {
    /// Distance from the point under the centre of mass to the nearest edge of what it stands on, mm; negative outside.
    pub lever_mm: f64,
    /// Direction in which it falls first, seen from above.
    pub towards: DVec2,
    /// Height of the centre of mass above the floor, mm.
    pub centre_mm: f64,
}

impl Stance {
    /// Tilt at which it falls over its nearest foot edge, degrees; negative when it does not stand at all.
    pub fn tip_deg(&self) -> f64 {
        self.lever_mm.atan2(self.centre_mm).to_degrees()
    }

    /// Level push at this height that lifts the far edge off the floor, N: `m g d / z`.
    pub fn push_n(&self, mass_g: f64, at_mm: f64) -> f64 {
        mass_g / 1000.0 * GRAVITY * self.lever_mm / at_mm
    }

    /// How far the plate must reach on all sides of the centre of mass so that it bears the tilt, mm.
    fn reach_mm(&self) -> f64 {
        self.centre_mm * TIP_MIN_DEG.to_radians().tan()
    }

    /// Direction of the fall in words; the figure faces -y.
    fn direction(&self) -> &'static str {
        let d = self.towards;
        if d.x.abs() > d.y.abs() {
            if d.x > 0.0 { "to its left" } else { "to its right" }
        } else if d.y > 0.0 {
            "backwards"
        } else {
            "forwards"
        }
    }
}

/// Stance of something with these vertices and this centre of mass on the floor; `None` without a foot area.
#[must_use]
pub fn stance<'a>(points: impl Iterator<Item = &'a DVec3> + Clone, centre: DVec3) -> Option<Stance> {
    let floor = points.clone().fold(f64::INFINITY, |low, p| low.min(p.z));
    let feet: Vec<DVec2> = points.filter(|p| p.z < floor + FOOT_MM).map(|p| p.truncate()).collect();
    let (lever_mm, towards) = depth_inside(&convex_hull(feet), centre.truncate())?;
    let centre_mm = centre.z - floor;
    (centre_mm > 0.0).then_some(Stance { lever_mm, towards, centre_mm })
}

/// Logs how the figure stands and tells when it should not be left alone.
pub fn tell(figure: &Figure, works: &[PartWork], ctx: &mut StageContext<'_>) {
    let ballast = figure.base.as_ref().and_then(|base| base.ballast.as_ref());
    let masses = works.iter().map(|work| (work.estimate.mass_g, work.centre));
    let masses = masses.chain(ballast.map(|b| (b.mass_g, b.centre)));
    let (mass_g, moment) = masses.fold((0.0, DVec3::ZERO), |(m, sum), (g, at)| (m + g, sum + g * at));
    if mass_g <= 0.0 {
        return;
    }
    let centre = moment / mass_g;
    let (low, high) = figure.bounds();
    let height_mm = high.z - low.z;
    let soles_mm = figure.base.as_ref().map_or(0.0, |base| base.height_mm);
    let shoulder_mm = soles_mm + SHOULDER_SHARE * (height_mm - soles_mm);
    let stance = stance(figure.parts.iter().flat_map(|part| &part.mesh.positions), centre);
    if let Some(stance) = stance {
        ctx.figure("tip_deg", stance.tip_deg());
        ctx.figure("standing_mass_g", mass_g);
        ctx.figure("centre_of_mass_mm", stance.centre_mm);
        ctx.figure("centre_of_mass_x_mm", centre.x);
        ctx.figure("centre_of_mass_y_mm", centre.y);
        ctx.figure("shoulder_mm", shoulder_mm);
        ctx.figure("push_at_shoulder_n", stance.push_n(mass_g, shoulder_mm).max(0.0));
    }
    if let Some(finding) = tip_finding(stance, figure.base.is_some()) {
        ctx.finding(finding.at("whole figure"));
    }
    if height_mm > FIX_FROM_MM {
        let push_n = stance.map_or(0.0, |stance| stance.push_n(mass_g, shoulder_mm).max(0.0));
        ctx.finding(tall_finding(push_n, shoulder_mm).at("whole figure"));
    }
}

/// Warns when the figure tips too easily.
fn tip_finding(stance: Option<Stance>, on_plate: bool) -> Option<Finding> {
    let Some(stance) = stance else {
        let what = "the figure has no flat foot to stand on";
        return Some(Finding::new(Severity::Warning, what).hint("give it a base plate or a stand"));
    };
    let tip_deg = stance.tip_deg();
    if tip_deg >= TIP_MIN_DEG {
        return None;
    }
    let what = if tip_deg > 0.0 {
        format!(
            "the glued figure falls over when tilted by {tip_deg:.1} degrees {}; {TIP_MIN_DEG:.0} are expected of it \
             ({TIP_SOURCE})",
            stance.direction()
        )
    } else {
        format!("the glued figure does not stand by itself: it falls {}", stance.direction())
    };
    let hint = if on_plate {
        "raise `size_max_mm` or `cavity_mm` of `base`, or give it a heavier `ballast`".to_owned()
    } else {
        let reach_mm = stance.reach_mm();
        format!(
            "put `base` after `split`: a plate to {reach_mm:.0} mm from its centre of mass, or a smaller one with ballast"
        )
    };
    Some(Finding::new(Severity::Warning, what).hint(hint))
}

/// What a tall figure bears, and that it has to be fixed anyway.
fn tall_finding(push_n: f64, shoulder_mm: f64) -> Finding {
    let what = format!(
        "a push of {push_n:.0} N at shoulder height ({shoulder_mm:.0} mm) tips the figure; a child pulls with more than \
         {PULL_N:.0} N"
    );
    let hint = format!("fix it to the wall or the floor, as any figure above {:.1} m", FIX_FROM_MM / 1000.0);
    Finding::new(Severity::Warning, what).hint(hint)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn stance_of(lever_mm: f64, centre_mm: f64) -> Stance {
        Stance { lever_mm, towards: DVec2::NEG_Y, centre_mm }
    }

    /// A figure of 13.5 kg with its centre 80 mm from the edge, pushed at 1440 mm: 13.5 * 9.80665 * 80 / 1440 = 7.355 N.
    #[test]
    fn a_small_push_at_shoulder_height_tips_a_life_size_figure() {
        let push_n = stance_of(80.0, 983.0).push_n(13_500.0, 1440.0);
        assert!((push_n - 7.355).abs() < 5e-4, "{push_n}");
        assert!(tall_finding(push_n, 1440.0).what.contains("a push of 7 N at shoulder height (1440 mm)"));
    }

    /// Half a foot of 271.2 mm (ANSUR II, men, mean) and a centre of mass at .56 of 1756 mm: the best a figure on its own
    /// feet can do. It would need a tenth of its height on each side.
    #[test]
    fn a_figure_on_its_own_feet_does_not_bear_ten_degrees() {
        let own_feet = stance_of(135.6, 983.0);
        assert!((own_feet.tip_deg() - 7.85).abs() < 0.01, "{}", own_feet.tip_deg());
        assert!((own_feet.reach_mm() - 173.3).abs() < 0.1, "{}", own_feet.reach_mm());
        assert!((own_feet.reach_mm() / 1756.0 - 0.099).abs() < 5e-4);
        let told = tip_finding(Some(own_feet), false).unwrap();
        assert!(told.what.contains("7.9 degrees forwards") && told.what.contains("IEC 60335-1"), "{}", told.what);
        assert!(told.hint.contains("173 mm"), "{}", told.hint);
        assert_eq!(tip_finding(Some(stance_of(173.4, 983.0)), false), None);
    }
}
