//! Statuary turns full-colour scans of people into print-ready parts in a few filament colours.
//!
//! ```text
//! settings   YAML text -spec-> Spec -plan-> Plan -+
//!                                                 +- runner -> RunRecord (JSON) -> ledger
//! material   scan bytes -format-> Figure ---------+    |
//!               &Figure -Transform-> Figure - ... -> &Figure -Output-> files
//! ```

pub mod chips;
pub mod cli;
pub mod colour;
pub mod daemon;
pub mod equipment;
pub mod figure;
pub mod finding;
pub mod format;
pub mod joining;
pub mod mesh;
pub mod picture;
pub mod pipeline;
pub mod problem;
pub mod run_record;
pub mod schedule;
pub mod stage;
pub mod stages;
pub mod surface;
pub mod survey;
pub mod units;
