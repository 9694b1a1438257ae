//! Kernel: views of a figure to pixels.

pub mod annotate;
pub mod camera;
pub mod raster;
