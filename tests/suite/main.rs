//! All tests in one binary.
#![allow(clippy::unwrap_used)]

mod colour;
mod stages_colour;
