//! The whole test suite in one binary, so that it is linked once.

#![expect(clippy::unwrap_used, reason = "helpers of tests are tests too")]
#![expect(clippy::float_cmp, reason = "what lies on the lattice is exact")]

mod architecture;
mod bodies;
mod cache;
mod calibrate;
mod colour;
mod daemon;
mod daemon_care;
mod daemon_files;
mod daemon_jobs;
mod daemon_kills;
mod daemon_start;
mod inspect;
mod intake;
mod mannequin;
mod mesh_cut;
mod mesh_cut_sloped;
mod mesh_decimate;
mod mesh_denoise;
mod mesh_fit;
mod mesh_low_pass;
mod mesh_order;
mod mesh_repair;
mod mesh_slice;
mod mesh_steps;
mod mesh_thicken;
mod mesh_triangulate;
mod outside;
mod outside_clean;
mod outside_turned;
mod papers;
mod picture;
mod plan;
mod readers;
mod recut;
mod report_view;
mod shapes;
mod solids;
mod stages_base;
mod stages_blend;
mod stages_clean;
mod stages_colour;
mod stages_estimate;
mod stages_fewer_changes;
mod stages_orient;
mod stages_report;
mod stages_scale;
mod stages_split;
mod stages_split_keys;
mod stages_split_wishes;
mod support;
mod swatch;
mod threemf;
mod wrap;
