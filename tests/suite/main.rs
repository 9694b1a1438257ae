//! All tests in one binary.
#![allow(clippy::unwrap_used)]

mod bodies;
mod mesh_cut;
mod mesh_repair;
mod shapes;
mod stages_estimate;
mod stages_orient;
mod stages_scale;
mod wrap;
