//! The stages, one file or folder each.

pub mod clean;
pub mod estimate;
pub mod export;
pub mod intake;
pub mod orient;
pub mod reduce_colours;
pub mod report;
pub mod scale;
pub mod split;
