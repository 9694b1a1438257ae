//! One run of one plan: reads what the owner wrote, makes a plan, runs it, keeps and publishes what came out.

pub mod cache;
pub mod calibrate;
pub mod equipment_files;
pub mod files;
pub mod index;
pub mod inspect;
pub mod library;
mod list_text;
pub mod manifest;
pub mod plan;
pub mod recut;
pub mod run_folder;
pub mod runner;
pub mod scan_files;
pub mod schema;
pub mod shelf_text;
pub mod spec;
pub mod swatch;
pub mod why;
