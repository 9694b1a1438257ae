//! All tests in one binary.
#![allow(clippy::unwrap_used)]

mod mesh_cut;
mod mesh_repair;
mod shapes;
mod stages_clean;
mod wrap;
