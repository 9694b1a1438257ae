//! One binary for all integration tests: one link.

mod mesh_repair;
mod shapes;
