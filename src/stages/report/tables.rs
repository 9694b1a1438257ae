//! Tables of the report: filaments, parts, loading and gluing, row by row in words.

use rayon::prelude::*;

use super::blends::{self, Blends};
use super::pictures::{Picture, Pictures};
use super::plan::{self, Plan};
use super::regions::{self, RegionRow};
use super::{gluing, layers, words};
use crate::colour::difference::ciede2000;
use crate::colour::spaces::{bytes_of_linear, format_hex, lab_of_bytes, lab_of_linear};
use crate::equipment::{Equipment, Filament};
use crate::figure::{Figure, Part, PartEstimate};

/// All tables.
#[derive(Debug)]
pub struct Tables<'a> {
    pub filaments: Vec<FilamentRow<'a>>,
    pub regions: Vec<RegionRow<'a>>,
    pub blends: Option<Blends<'a>>,
    /// Whether any filament has a price.
    pub priced: bool,
    pub purge: Option<String>,
    pub parts: Vec<PartRow<'a>>,
    pub estimated: bool,
    pub posed: bool,
    /// Sums over all parts.
    pub sum: Option<Sum>,
    pub plan: Option<Plan<'a>>,
    pub gluing: Option<Gluing<'a>>,
}

/// A filament's name and its colour as `#RRGGBB`, if it has one.
#[derive(Clone, Debug)]
pub struct Swatch<'a> {
    pub name: &'a str,
    pub colour: Option<String>,
}

#[derive(Debug)]
pub struct FilamentRow<'a> {
    pub swatch: Swatch<'a>,
    pub material: &'a str,
    pub surface: String,
    pub need: String,
    pub left: String,
    pub short: bool,
    pub cost: String,
    /// Mean colour of the scan where this filament goes, and its distance from the filament.
    pub scanned: Option<(String, String)>,
}

#[derive(Debug)]
pub struct PartRow<'a> {
    pub name: &'a str,
    pub picture: Option<&'a Picture>,
    pub size: String,
    pub mass: String,
    pub extra: String,
    pub time: String,
    pub changes: String,
    pub changes_unordered: String,
    pub filaments: Vec<Swatch<'a>>,
    pub joins: String,
    /// Its filaments by height, as a picture.
    pub layers: Option<String>,
}

/// What all parts take together.
#[derive(Debug)]
pub struct Sum {
    pub mass: String,
    pub extra: String,
    pub time: String,
    pub changes: String,
    pub changes_unordered: String,
}

#[derive(Debug)]
pub struct Gluing<'a> {
    pub joints: Vec<JointRow<'a>>,
    pub dowels: Vec<DowelRow>,
    pub glue: String,
    /// Whether some faces carry numbers.
    pub marked: bool,
    /// Whether dowels get a flat.
    pub filed: bool,
    /// Material families in use.
    pub materials: Vec<String>,
}

#[derive(Debug)]
pub struct JointRow<'a> {
    pub a: &'a str,
    pub b: &'a str,
    pub area: String,
    pub glue: String,
    pub keys: String,
}

#[derive(Debug)]
pub struct DowelRow {
    pub diameter: String,
    pub length: String,
    /// How it is filed; empty for a round one.
    pub flat: String,
    pub count: usize,
}

/// Fills all tables with what is there.
#[must_use]
pub fn all<'a>(figure: &'a Figure, equipment: &'a Equipment, pictures: &'a Pictures) -> Tables<'a> {
    let surfaces: Vec<Vec<Surface>> =
        figure.parts.par_iter().map(|part| surfaces(part, figure.palette.len())).collect();
    let used: Vec<Vec<usize>> = surfaces.iter().map(|s| (0..s.len()).filter(|&i| s[i].used).collect()).collect();
    let estimates = || figure.parts.iter().filter_map(|part| part.estimate.as_ref());
    let purge_g: f64 = estimates().map(|e| e.purge_g).sum();
    let support_g: f64 = estimates().map(|e| e.support_g).sum();
    let beside = format!("{} of support and {} of purge", words::mass(support_g), words::mass(purge_g));
    let part_row = |(i, part): (usize, &'a Part)| {
        part_row(figure, part, used[i].as_slice(), pictures.parts.get(i).and_then(Option::as_ref))
    };
    Tables {
        filaments: filaments(figure, &surfaces),
        regions: regions::rows(figure),
        blends: blends::of(figure),
        priced: figure.palette.iter().any(|f| f.price_per_kg > 0.0),
        purge: (support_g + purge_g > 0.0).then_some(beside),
        parts: figure.parts.iter().enumerate().map(part_row).collect(),
        estimated: estimates().next().is_some(),
        posed: figure.parts.iter().all(|part| part.pose.is_some()),
        sum: sum(&estimates().collect::<Vec<_>>()),
        plan: plan::of(figure, &used, equipment),
        gluing: gluing_plan(figure),
    }
}

/// Where one filament goes on one part.
#[derive(Clone, Copy, Debug, Default)]
struct Surface {
    used: bool,
    /// Visible area, mm2, and the scan's colour there times that area.
    area_mm2: f64,
    light: [f64; 3],
}

fn surfaces(part: &Part, filaments: usize) -> Vec<Surface> {
    let mut surfaces = vec![Surface::default(); filaments];
    let Some(labels) = &part.labels else { return surfaces };
    let mesh = &part.mesh;
    for (t, label) in labels.iter().enumerate().take(mesh.triangles.len()) {
        let Some(surface) = surfaces.get_mut(usize::from(*label)) else { continue };
        surface.used = true;
        if mesh.origins[t].is_outside() {
            let area_mm2 = 0.5 * mesh.area_vector(t).length();
            surface.area_mm2 += area_mm2;
            for v in mesh.triangles[t] {
                let colour = mesh.colours[v as usize];
                (0..3).for_each(|i| surface.light[i] += area_mm2 / 3.0 * f64::from(colour[i]));
            }
        }
    }
    surfaces
}

pub fn swatch(filament: &Filament) -> Swatch<'_> {
    Swatch { name: &filament.name, colour: filament.srgb().map(format_hex) }
}

fn filaments<'a>(figure: &'a Figure, surfaces: &[Vec<Surface>]) -> Vec<FilamentRow<'a>> {
    let total_mm2: f64 = surfaces.iter().flatten().map(|s| s.area_mm2).sum();
    let needs_g = figure.need_g();
    let estimated = figure.parts.iter().any(|part| part.estimate.is_some());
    let row = |(i, filament): (usize, &'a Filament)| {
        let here = || surfaces.iter().filter_map(move |s| s.get(i));
        let area_mm2: f64 = here().map(|s| s.area_mm2).sum();
        let need_g = needs_g[i];
        let light = [0, 1, 2].map(|k| (here().map(|s| s.light[k]).sum::<f64>() / area_mm2) as f32);
        let scanned = (area_mm2 > 0.0).then(|| filament.srgb()).flatten().map(|srgb| {
            let distance = ciede2000(lab_of_linear(light), lab_of_bytes(srgb));
            (format_hex(bytes_of_linear(light)), words::number(distance, 1))
        });
        let cost = filament.price_per_kg * need_g / 1000.0;
        FilamentRow {
            swatch: swatch(filament),
            material: &filament.material,
            surface: if total_mm2 > 0.0 { words::share(area_mm2 / total_mm2) } else { String::new() },
            need: if estimated { words::mass(need_g) } else { String::new() },
            left: words::mass(filament.left_g),
            short: need_g > filament.left_g,
            cost: if estimated && cost > 0.0 { words::number(cost, 2) } else { String::new() },
            scanned,
        }
    };
    figure.palette.iter().enumerate().map(row).collect()
}

fn part_row<'a>(figure: &'a Figure, part: &'a Part, used: &[usize], picture: Option<&'a Picture>) -> PartRow<'a> {
    let estimate = part.estimate.as_ref();
    let said = |say: &dyn Fn(&PartEstimate) -> String| estimate.map_or_else(String::new, say);
    PartRow {
        name: &part.name,
        picture,
        size: words::size_mm(extent_mm(part)),
        mass: said(&|e| words::mass(e.mass_g)),
        extra: said(&|e| words::mass(e.support_g + e.purge_g)),
        time: said(&|e| words::duration(e.seconds)),
        changes: said(&|e| words::count(e.tool_changes)),
        changes_unordered: said(&|e| words::count(e.tool_changes_unordered)),
        filaments: used.iter().filter_map(|&i| figure.palette.get(i)).map(swatch).collect(),
        joins: joins(figure, part),
        layers: layers::chart(figure, part),
    }
}

fn sum(estimates: &[&PartEstimate]) -> Option<Sum> {
    (estimates.len() > 1).then(|| Sum {
        mass: words::mass(estimates.iter().map(|e| e.mass_g).sum()),
        extra: words::mass(estimates.iter().map(|e| e.support_g + e.purge_g).sum()),
        time: words::duration(estimates.iter().map(|e| e.seconds).sum()),
        changes: words::count(estimates.iter().map(|e| e.tool_changes).sum()),
        changes_unordered: words::count(estimates.iter().map(|e| e.tool_changes_unordered).sum()),
    })
}

/// Extent in the bed pose, or in the figure when there is no pose yet, mm.
fn extent_mm(part: &Part) -> [f64; 3] {
    let points = part.mesh.positions.iter().map(|p| part.pose.map_or(*p, |pose| pose.to_bed(*p)));
    let start = (glam::DVec3::INFINITY, glam::DVec3::NEG_INFINITY);
    let (low, high) = points.fold(start, |(low, high), p| (low.min(p), high.max(p)));
    (high - low).max(glam::DVec3::ZERO).to_array()
}

/// Numbers of the parts this one is glued to.
fn joins(figure: &Figure, part: &Part) -> String {
    let number = |index: usize| figure.parts.get(index).map(|other| other.number);
    let ends = figure.joints.iter().map(|joint| (number(joint.a), number(joint.b)));
    let own = Some(part.number);
    let mut others: Vec<usize> = ends
        .filter_map(|(a, b)| {
            if a == own {
                b
            } else if b == own {
                a
            } else {
                None
            }
        })
        .collect();
    others.sort_unstable();
    others.dedup();
    words::listed(&others.iter().map(ToString::to_string).collect::<Vec<_>>())
}

/// The keys of a joint, such as `2 dowels`.
fn keys_words(step: &gluing::Step) -> String {
    match (step.dowels, step.pins) {
        (0, 0) => "none".to_owned(),
        (1, 0) if step.filed == 1 => "1 dowel with a flat".to_owned(),
        (1, 0) => "1 dowel".to_owned(),
        (dowels, 0) => format!("{dowels} dowels"),
        (_, 1) => "1 pin".to_owned(),
        (_, pins) => format!("{pins} pins"),
    }
}

fn filed_words(to_mm: f64) -> String {
    format!("filed to {}", words::with_unit(to_mm, 1, "mm").replace(".0", ""))
}

fn gluing_plan(figure: &Figure) -> Option<Gluing<'_>> {
    let steps = gluing::steps(figure);
    if steps.is_empty() {
        return None;
    }
    let name = |index: usize| figure.parts.get(index).map_or("", |part| part.name.as_str());
    let joint = |step: &gluing::Step| JointRow {
        a: name(step.a),
        b: name(step.b),
        area: words::area(step.area_mm2),
        glue: words::with_unit(step.glue_ml, 1, "ml"),
        keys: keys_words(step),
    };
    let dowel = |dowel: &gluing::Dowel| DowelRow {
        diameter: words::with_unit(dowel.diameter_mm, 1, "mm").replace(".0", ""),
        length: words::with_unit(dowel.length_mm, 1, "mm").replace(".0", ""),
        flat: dowel.filed_to_mm.map_or_else(String::new, filed_words),
        count: dowel.count,
    };
    let mut materials: Vec<String> = figure.palette.iter().map(|f| f.material.trim().to_uppercase()).collect();
    materials.sort_unstable();
    materials.dedup();
    Some(Gluing {
        joints: steps.iter().map(joint).collect(),
        dowels: gluing::dowels(figure).iter().map(dowel).collect(),
        filed: figure.joints.iter().flat_map(|joint| &joint.keys).any(|key| key.filed_to_mm.is_some()),
        marked: figure.joints.iter().any(|joint| joint.marked != [false; 2]),
        glue: words::with_unit(steps.iter().map(|step| step.glue_ml).sum(), 0, "ml"),
        materials,
    })
}
