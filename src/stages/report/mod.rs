//! Being written.
use crate::figure::*;
use crate::problem::Problem;
use crate::stage::*;
use serde::{Deserialize, Serialize};
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Report {}
impl Settings for Report {
    const NAME: &'static str = "report";
    const VERSION: u32 = 1;
    const SUMMARY: &'static str = "x";
    const EXAMPLE: &'static str = "{}";
}
impl Output for Report {
    fn needs(&self) -> &'static [Fact] {
        &[]
    }
    fn check(&self) -> Vec<Problem> {
        vec![]
    }
    fn write(&self, _: &Figure, _: &crate::run_record::RunRecord, _: &mut StageContext<'_>) -> Result<(), StageError> {
        Ok(())
    }
}
