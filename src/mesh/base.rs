//! Being written.
use crate::figure::*;
use crate::problem::Problem;
use crate::stage::*;
use serde::{Deserialize, Serialize};
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Scale {
    pub height_mm: Option<f64>,
    pub factor: Option<f64>,
}
impl Settings for Scale {
    const NAME: &'static str = "scale";
    const VERSION: u32 = 1;
    const SUMMARY: &'static str = "x";
    const EXAMPLE: &'static str = "{}";
}
impl Transform for Scale {
    fn needs(&self) -> &'static [Fact] {
        &[]
    }
    fn gives(&self) -> &'static [Fact] {
        &[]
    }
    fn check(&self) -> Vec<Problem> {
        vec![]
    }
    fn run(&self, f: &Figure, _: &mut StageContext<'_>) -> Result<Figure, StageError> {
        Ok(f.clone())
    }
}
impl Scale {
    pub fn target(&self) -> TargetSize {
        TargetSize::Unknown
    }
}
