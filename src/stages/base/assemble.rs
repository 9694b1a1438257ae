//! Puts figure and plate together: parts, joints with their dowels, and the order they are glued in.

use std::sync::Arc;

use glam::DVec3;

use super::keys::{Meeting, sink};
use super::settings::Base;
use super::size::Plan;
use super::slab::{Cell, FOOT, Print, SEAM, cells, plate};
use super::soles::{Sole, united};
use crate::colour::difference::ciede2000;
use crate::colour::spaces::{lab_of_bytes, linear_of_bytes, parse_hex};
use crate::figure::{self, Figure, Joint, Key, Part};
use crate::joining::Placed;
use crate::mesh::cut::{CutError, Flat, NO_SOURCE, Plane, flats};
use crate::mesh::{Origin, TriMesh, outline};
use crate::stage::StageError;

/// Common areas smaller than this are touching edges, not joints, mm2.
const AREA_MIN_MM2: f64 = 1.0;

/// Everything that is put together.
pub(super) struct Assembly<'a> {
    pub settings: &'a Base,
    pub figure: &'a Figure,
    pub soles: &'a [Sole],
    pub plan: &'a Plan,
    pub level_mm: f64,
}

/// A joint to be: the lower part and the upper one, and what meets there.
struct Pair {
    a: usize,
    b: usize,
    meeting: Meeting,
}

impl Assembly<'_> {
    /// The figure on its plate.
    ///
    /// # Errors
    /// When the plate cannot be divided along its seams.
    pub fn make(&self) -> Result<Figure, StageError> {
        let failed = |error: CutError| {
            StageError::failed(format!("the plate was not made: {error}"), "change its `thickness_mm` a little")
        };
        let (whole_plate, printed) = self.plate().map_err(failed)?;
        let cells = cells(whole_plate, &self.plan.seams).map_err(failed)?;
        let mut parts = self.figure.parts.clone();
        for sole in self.soles {
            sole.mark(Arc::make_mut(&mut parts[sole.part].mesh), FOOT + sole.part as u16);
        }
        parts.extend(cells.iter().enumerate().map(|(i, cell)| self.part(i, cell)));
        let mut pairs = self.seams(&mut parts, &cells);
        let first_foot = pairs.len();
        pairs.extend(self.feet(&mut parts, &cells, first_foot, printed));
        let keys = self.keys(&mut parts, &pairs, first_foot);
        if !printed {
            clear_prints(&mut parts, &pairs[first_foot..]);
        }
        let joints = pairs.iter().zip(&keys).map(|(pair, keys)| joint(pair, keys));
        let joints: Vec<Joint> = self.figure.joints.iter().cloned().chain(joints).collect();
        let glue_order = self.figure.glue_order.iter().copied().chain(self.figure.joints.len()..joints.len()).collect();
        let ballast = self.plan.ballast.map(|load| figure::Ballast {
            material: self.settings.ballast.word().into(),
            mass_g: load.mass_g,
            volume_mm3: self.plan.ballast_mm3,
            centre: load.centre,
        });
        let base = Some(figure::Base { height_mm: self.plan.height_mm, parts: cells.len(), ballast });
        Ok(Figure { whole: self.whole().map_err(failed)?, parts, joints, glue_order, base, ..self.figure.clone() })
    }

    fn colour(&self) -> [f32; 3] {
        linear_of_bytes(parse_hex(&self.settings.colour).unwrap_or([0x80; 3]))
    }

    /// The plate with a face under each sole; with a plain top, and `false`, where soles touch each other.
    fn plate(&self) -> Result<(TriMesh, bool), CutError> {
        let print = |sole: &Sole| Print {
            edges: sole.edges(&self.figure.parts[sole.part].mesh),
            face: Some(FOOT + sole.part as u16),
        };
        let prints: Vec<Print> = self.soles.iter().map(print).collect();
        plate(self.plan, self.level_mm, self.colour(), &prints)
            .map(|mesh| (mesh, true))
            .or_else(|_| plate(self.plan, self.level_mm, self.colour(), &[]).map(|mesh| (mesh, false)))
    }

    /// The figure before it was cut, on its plate: one solid, or two that touch where the soles' rims are tangled.
    fn whole(&self) -> Result<Arc<TriMesh>, CutError> {
        let whole = &self.figure.whole;
        if whole.triangles.is_empty() {
            return Ok(Arc::clone(whole));
        }
        let joined = Sole::of(whole, 0, self.level_mm).and_then(|sole| {
            let print = Print { edges: sole.edges(whole), face: None };
            let open = plate(self.plan, self.level_mm, self.colour(), &[print]).ok()?;
            united(whole, &sole, &open)
        });
        if let Some(joined) = joined {
            return Ok(Arc::new(joined));
        }
        let mut both = (**whole).clone();
        both.append(&plate(self.plan, self.level_mm, self.colour(), &[])?);
        Ok(Arc::new(both))
    }

    fn part(&self, index: usize, cell: &Cell) -> Part {
        let number = self.figure.parts.len() + index + 1;
        let place = |axis: usize, words: [&'static str; 2]| {
            let of = self.plan.seams[axis].len() + 1;
            place_word(cell.at[axis], of, words)
        };
        let name = format!("{number:02}-base{}{}", place(0, ["right", "left"]), place(1, ["front", "back"]));
        let labels = self.label().map(|label| Arc::new(vec![label; cell.mesh.triangles.len()]));
        Part { number, name, mesh: Arc::new(cell.mesh.clone()), labels, pose: None, estimate: None }
    }

    /// The palette's filament nearest to the colour wanted, once colours are reduced.
    fn label(&self) -> Option<u8> {
        self.figure.parts.iter().all(|part| part.labels.is_some()).then_some(())?;
        let wanted = lab_of_bytes(parse_hex(&self.settings.colour)?);
        let distance = |srgb: Option<[u8; 3]>| srgb.map_or(f64::INFINITY, |srgb| ciede2000(lab_of_bytes(srgb), wanted));
        let all = self.figure.palette.iter().enumerate().map(|(i, filament)| (distance(filament.srgb()), i));
        all.min_by(|a, b| a.0.total_cmp(&b.0).then(a.1.cmp(&b.1))).map(|(_, i)| i as u8)
    }

    fn number(&self, pair: usize) -> u16 {
        (self.figure.joints.len() + pair) as u16
    }

    /// Seams between parts of the plate, row by row, then between rows.
    fn seams(&self, parts: &mut [Part], cells: &[Cell]) -> Vec<Pair> {
        let first = self.figure.parts.len();
        let mut pairs = Vec::new();
        for axis in 0..2 {
            let before = if axis == 0 { 0 } else { self.plan.seams[0].len() };
            for seam in 0..self.plan.seams[axis].len() {
                for (i, cell) in cells.iter().enumerate().filter(|(_, cell)| cell.at[axis] == seam) {
                    let mut beyond = cell.at;
                    beyond[axis] += 1;
                    let Some(j) = cells.iter().position(|other| other.at == beyond) else { continue };
                    let (a, b) = (first + i, first + j);
                    let joint = self.number(pairs.len());
                    for part in [a, b] {
                        renumber(parts, part, SEAM + (before + seam) as u16, joint);
                    }
                    let faces = [a, b].map(|part| face(&parts[part].mesh, joint));
                    if let [Some(lower), Some(upper)] = faces {
                        let outlines = lower.outlines(&parts[a].mesh);
                        pairs.push(Pair { a, b, meeting: Meeting { flats: [lower, upper], outlines } });
                    }
                }
            }
        }
        pairs
    }

    /// Joints of plate and feet.
    fn feet(&self, parts: &mut [Part], cells: &[Cell], before: usize, printed: bool) -> Vec<Pair> {
        let first = self.figure.parts.len();
        let mut pairs: Vec<Pair> = Vec::new();
        for sole in self.soles {
            let own = self.number(before + pairs.len());
            renumber(parts, sole.part, FOOT + sole.part as u16, own);
            let upper = Flat { joint: own, plane: Plane::new(2, self.level_mm), faces_up: false };
            let under = upper.outlines(&parts[sole.part].mesh);
            for a in (0..cells.len()).map(|i| first + i) {
                let joint = self.number(before + pairs.len());
                let lower = Flat { joint, plane: Plane::new(2, self.level_mm), faces_up: true };
                let outlines = if printed {
                    renumber(parts, a, FOOT + sole.part as u16, joint);
                    lower.outlines(&parts[a].mesh)
                } else {
                    let top = Flat { joint: FOOT, ..lower };
                    mark_top(Arc::make_mut(&mut parts[a].mesh), self.level_mm);
                    outline::common(&top.outlines(&parts[a].mesh), &under)
                };
                let meeting = Meeting { flats: [lower, upper], outlines };
                if meeting.area_mm2() >= AREA_MIN_MM2 {
                    pairs.push(Pair { a, b: sole.part, meeting });
                }
            }
        }
        pairs
    }

    /// Places keys, feet first, and sinks their sockets.
    fn keys(&self, parts: &mut [Part], pairs: &[Pair], first_foot: usize) -> Vec<Vec<Key>> {
        let rules = self.settings.key_rules();
        let mut keys = vec![Vec::new(); pairs.len()];
        for i in (first_foot..pairs.len()).chain(0..first_foot) {
            let Pair { a, b, meeting } = &pairs[i];
            let mut meeting = meeting.clone();
            if face(&parts[*a].mesh, meeting.flats[0].joint).is_none() {
                meeting.flats[0].joint = FOOT;
            }
            let meshes = [*a, *b].map(|part| parts[part].mesh.as_ref());
            let Some((placed, drilled)) = sink(&meeting, meshes, self.number(i), &rules) else { continue };
            for (part, (mesh, source)) in [*a, *b].into_iter().zip(drilled) {
                let core = parts[part].core_label().unwrap_or(0);
                let labels = parts[part].labels.as_ref().map(|labels| {
                    let of = |t: &u32| if *t == NO_SOURCE { core } else { labels[*t as usize] };
                    Arc::new(source.iter().map(of).collect())
                });
                parts[part] = Part { mesh: Arc::new(mesh), labels, ..parts[part].clone() };
            }
            let plane = meeting.flats[0].plane;
            let key = |k: &Placed| Key {
                centre: plane.at(k.centre),
                dowel_mm: k.dowel_mm,
                socket_mm: 2.0 * k.radius_mm,
                depth_mm: k.depth_mm,
                filed_to_mm: k.filed_to_mm(),
                pin_of: None,
            };
            keys[i] = placed.iter().map(key).collect();
        }
        keys
    }
}

/// Turns tops without prints back into outside.
fn clear_prints(parts: &mut [Part], pairs: &[Pair]) {
    for pair in pairs {
        for origin in &mut Arc::make_mut(&mut parts[pair.a].mesh).origins {
            if *origin == Origin::Cut(FOOT) {
                *origin = Origin::Skin;
            }
        }
    }
}

/// The face of a part that bears a number.
fn face(mesh: &TriMesh, joint: u16) -> Option<Flat> {
    flats(mesh).into_iter().find(|flat| flat.joint == joint)
}

fn renumber(parts: &mut [Part], part: usize, from: u16, to: u16) {
    for origin in &mut Arc::make_mut(&mut parts[part].mesh).origins {
        if *origin == Origin::Cut(from) {
            *origin = Origin::Cut(to);
        }
    }
}

fn mark_top(mesh: &mut TriMesh, level_mm: f64) {
    for t in 0..mesh.triangles.len() {
        let level = mesh.corners(t).iter().all(|p| p.z == level_mm);
        if level && mesh.area_vector(t).z > 0.0 {
            mesh.origins[t] = Origin::Cut(FOOT);
        }
    }
}

/// Where a part lies in a row of `of`: nothing for a single one.
fn place_word(at: usize, of: usize, [low, high]: [&str; 2]) -> String {
    match (at, of) {
        (_, 0 | 1) => String::new(),
        (0, _) => format!("-{low}"),
        (at, of) if at + 1 == of => format!("-{high}"),
        (_, 3) => "-middle".to_owned(),
        (at, _) => format!("-middle-{at}"),
    }
}

fn joint(pair: &Pair, keys: &[Key]) -> Joint {
    let plane = pair.meeting.flats[0].plane;
    let normal: DVec3 = plane.normal();
    let area_mm2 = pair.meeting.area_mm2();
    Joint {
        a: pair.a,
        b: pair.b,
        normal,
        offset_mm: plane.offset_mm,
        area_mm2,
        keys: keys.to_vec(),
        marked: [false; 2],
    }
}
