//! Being written.
use crate::figure::*;
use crate::problem::Problem;
use crate::stage::*;
use serde::{Deserialize, Serialize};
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Export {}
impl Settings for Export {
    const NAME: &'static str = "export";
    const VERSION: u32 = 1;
    const SUMMARY: &'static str = "x";
    const EXAMPLE: &'static str = "{}";
}
impl Output for Export {
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
