//! The whole test suite in one binary, so that it is linked once.

mod architecture;
mod cache;
mod colour;
mod daemon;
mod outside;
mod plan;
mod support;
