//! Being written.
use crate::figure::*;
use crate::problem::Problem;
use crate::stage::*;
use serde::{Deserialize, Serialize};
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Intake {}
impl Settings for Intake {
    const NAME: &'static str = "intake";
    const VERSION: u32 = 1;
    const SUMMARY: &'static str = "x";
    const EXAMPLE: &'static str = "{}";
}
impl Intake {
    pub fn check(&self) -> Vec<Problem> {
        vec![]
    }
    pub fn read(&self, _: &crate::format::ScanFiles, _: &mut StageContext<'_>) -> Result<Figure, StageError> {
        Ok(Figure::default())
    }
}
