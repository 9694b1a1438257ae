//! Draws the borders between labels as smooth lines across triangles, and keeps what is then there printable.

use std::sync::Arc;

use rayon::prelude::*;

use super::fields::Fields;
use super::labels::Task;
use super::patches::{self, Limits, Prices};
use crate::figure::Figure;
use crate::mesh::isoline::{self, draw_borders};
use crate::mesh::solids::SolidsError;
use crate::surface::{NONE, Surface, pinches};

/// Rounds of clearing away small patches and of parting patches that touch in a vertex: each may undo the other's work.
const ROUNDS: usize = 6;

/// The figure with triangles split along borders.
#[derive(Debug)]
pub struct Drawn {
    pub figure: Figure,
    pub surface: Surface,
    /// Label of each face of the new surface.
    pub labels: Vec<u8>,
    /// The face of the old surface each is a piece of.
    pub source: Vec<u32>,
}

/// Draws borders that are smooth over this length; 0 leaves them on the edges of triangles.
///
/// # Errors
/// When a part is no closed, oriented 2-manifold.
pub fn draw(
    figure: &Figure,
    task: &Task,
    labels: Vec<u8>,
    smooth_mm: f64,
    limits: Limits,
) -> Result<Drawn, SolidsError> {
    if smooth_mm <= 0.0 {
        let source = (0..labels.len() as u32).collect();
        return Ok(Drawn { figure: figure.clone(), surface: Surface::new(figure), labels, source });
    }
    let fields = Fields::new(task.surface, &labels, task.labels(), smooth_mm);
    let meshes: Vec<isoline::Drawn> =
        (0..figure.parts.len()).into_par_iter().map(|part| part_drawn(figure, task, &fields, part)).collect();
    let mut new = Drawn { figure: figure.clone(), surface: Surface::default(), labels: Vec::new(), source: Vec::new() };
    for (part, drawn) in meshes.into_iter().enumerate() {
        let faces = task.surface.part_start[part]..task.surface.part_start[part + 1];
        let mut face_of = vec![NONE; figure.parts[part].mesh.triangles.len()];
        for face in faces {
            face_of[task.surface.triangle[face] as usize] = face as u32;
        }
        let outside = (0..drawn.labels.len()).filter(|t| drawn.mesh.origins[*t].is_outside());
        for t in outside {
            new.labels.push(drawn.labels[t]);
            new.source.push(face_of[drawn.source[t] as usize]);
        }
        new.figure.parts[part].mesh = Arc::new(drawn.mesh);
    }
    new.surface = Surface::new(&new.figure);
    new.tidy(task, limits)?;
    Ok(new)
}

fn part_drawn(figure: &Figure, task: &Task, fields: &Fields<'_>, part: usize) -> isoline::Drawn {
    let (mesh, first) = (&figure.parts[part].mesh, task.surface.vertex_start[part] as u32);
    let allowed = &task.of_part[part];
    let labels: Vec<u8> =
        (0..mesh.positions.len() as u32).into_par_iter().map(|v| fields.label(first + v, allowed)).collect();
    draw_borders(mesh, &labels, |i, j| fields.crossing([first + i, first + j], [i, j].map(|v| labels[v as usize])))
}

impl Drawn {
    /// Clears away what has become too small, and parts what touches in a vertex.
    fn tidy(&mut self, task: &Task, limits: Limits) -> Result<(), SolidsError> {
        let (surface, source) = (&self.surface, &self.source);
        let share = |face: usize| {
            let whole = f64::from(task.surface.area_mm2[source[face] as usize]);
            if whole > 0.0 { f64::from(surface.area_mm2[face]) / whole } else { 0.0 }
        };
        let prices = Prices {
            labels: task.labels(),
            cost: |face, label| f64::from(task.cost(source[face] as usize, label)) * share(face),
            price: |face: usize, edge: usize| f64::from(task.per_mm * surface.length_mm[face][edge]),
        };
        for _ in 0..ROUNDS {
            patches::settle_by(surface, &prices, &mut self.labels, limits);
            if pinches::part(&self.figure, surface, &mut self.labels)? == 0 {
                break;
            }
        }
        Ok(())
    }
}
