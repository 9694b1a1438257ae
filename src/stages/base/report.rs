//! What `base` tells: the plate's size and mass, the tilt it is made for, and how to fill and key it.

use super::outline;
use super::settings::{Base, Shape};
use super::size::Plan;
use crate::figure::Figure;
use crate::finding::{Finding, Severity};
use crate::stage::StageContext;

const SOURCE: &str = "10 degrees are asked of appliances (IEC 60335-1, 20.1); there is no such standard for statues";

/// Logs the plate and notes what the owner should know.
pub(super) fn tell(settings: &Base, plan: &Plan, figure: &Figure, joints_before: usize, ctx: &mut StageContext<'_>) {
    let (low, high) = outline::bounds(&plan.outline);
    let size = high - low;
    let added = &figure.joints[joints_before..];
    let parts = figure.base.as_ref().map_or(0, |base| base.parts);
    ctx.figure("plate_width_mm", size.x);
    ctx.figure("plate_depth_mm", size.y);
    ctx.figure("plate_height_mm", plan.height_mm);
    ctx.figure("plate_parts", parts as f64);
    ctx.figure("plate_mass_g", plan.plate.mass_g);
    ctx.figure("plate_joints", added.len() as f64);
    ctx.figure("plate_keys", added.iter().map(|joint| joint.keys.len() as f64).sum());
    ctx.figure("wanted_tip_deg", settings.tip_deg);
    ctx.figure("expected_tip_deg", plan.tip_deg);
    let shape = match settings.shape {
        Shape::Hull => "a rounded",
        Shape::Round => "a round",
        Shape::Oval => "an oval",
        Shape::Rectangle => "a rectangular",
    };
    let what = format!(
        "on {shape} plate of {:.0} x {:.0} x {:.0} mm the figure bears a tilt of about {:.1} degrees",
        size.x, size.y, plan.height_mm, plan.tip_deg
    );
    ctx.finding(Finding::new(Severity::Note, what).at("base plate").hint(SOURCE));
    if plan.tip_deg < settings.tip_deg {
        let what =
            format!("the plate bears a tilt of {:.1} degrees only, {} were asked for", plan.tip_deg, settings.tip_deg);
        let hint =
            "raise `size_max_mm` or `cavity_mm`, take a heavier `ballast`, or fix the figure to the wall or floor";
        ctx.finding(Finding::new(Severity::Warning, what).at("base plate").hint(hint));
    }
    tell_ballast(settings, plan, figure, ctx);
    for joint in added.iter().filter(|joint| joint.keys.is_empty() && !settings.dowel_mm.is_empty()) {
        let [a, b] = [joint.a, joint.b].map(|part| figure.parts[part].name.as_str());
        let what = format!("no key fits the joint of {a} and {b} ({:.0} mm2)", joint.area_mm2);
        let hint = "glue it with care, raise `thickness_mm`, or add a thinner dowel to `dowel_mm`";
        ctx.finding(Finding::new(Severity::Warning, what).at("base plate").hint(hint));
    }
}

fn tell_ballast(settings: &Base, plan: &Plan, figure: &Figure, ctx: &mut StageContext<'_>) {
    let Some(ballast) = figure.base.as_ref().and_then(|base| base.ballast.as_ref()) else {
        if settings.ballast.density_g_per_cm3().is_some() {
            let what = "the plate needs no ballast for the tilt asked for";
            ctx.finding(Finding::new(Severity::Note, what).at("base plate"));
        }
        return;
    };
    ctx.figure("cavity_mm", plan.cavity_mm);
    ctx.figure("ballast_mm3", ballast.volume_mm3);
    ctx.figure("ballast_g", ballast.mass_g);
    let what = format!(
        "{} in the underside, {:.1} mm deep, to be filled with {:.2} kg of {} ({:.0} cm3)",
        if plan.cavities.len() == 1 { "a cavity".to_owned() } else { format!("{} cavities", plan.cavities.len()) },
        plan.cavity_mm,
        ballast.mass_g / 1000.0,
        ballast.material,
        ballast.volume_mm3 / 1000.0
    );
    let hint = "print the plate upside down, so that nothing needs support; fill it to the brim, bound with glue or resin, \
                and cover it with felt or board";
    ctx.finding(Finding::new(Severity::Note, what).at("base plate").hint(hint));
}
