//! All tests in one binary.
#![allow(clippy::unwrap_used)]

mod bodies;
mod stages_estimate;
mod stages_orient;
