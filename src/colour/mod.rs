//! Kernel: colour spaces, differences, palette choice and labelling. Knows no mesh and no file.

pub mod choose;
pub mod difference;
pub mod expansion;
pub mod flow;
pub mod mix;
pub mod spaces;
pub mod white;
