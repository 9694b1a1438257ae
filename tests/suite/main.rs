//! All tests in one binary.
#![allow(clippy::unwrap_used)]

mod bodies;
mod colour;
mod intake;
mod mesh_cut;
mod mesh_repair;
mod mesh_slice;
mod picture;
mod readers;
mod shapes;
mod solids;
mod stages_colour;
mod stages_estimate;
mod stages_orient;
mod stages_report;
mod stages_scale;
mod threemf;
mod wrap;
