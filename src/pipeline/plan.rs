//! `Spec` to `Plan`: all faults collected, every need of a stage met by an earlier one, nothing executed.

use std::collections::BTreeSet;

use crate::equipment::Equipment;
use crate::figure::Fact;
use crate::problem::{Place, Problem};
use crate::stage::TargetSize;
use crate::stages::{Stage, TABLE};

use super::equipment_files::Workbench;
use super::spec::{Spec, place_of};

/// A pipeline that can run.
#[derive(Clone, Debug)]
pub struct Plan {
    pub name: String,
    pub stages: Vec<Stage>,
    pub equipment: Equipment,
    pub target: TargetSize,
}

/// A change to one setting: `STAGE.SETTING=VALUE`.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Change {
    pub stage: String,
    pub setting: String,
    pub value: String,
}

impl Change {
    /// Reads `STAGE.SETTING=VALUE`.
    ///
    /// # Errors
    /// When it has another shape.
    pub fn parse(text: &str) -> Result<Self, String> {
        let shape = || format!("`{text}` is not of the form STAGE.SETTING=VALUE, such as scale.height_mm=440");
        let (path, value) = text.split_once('=').ok_or_else(shape)?;
        let (stage, setting) = path.split_once('.').ok_or_else(shape)?;
        if stage.is_empty() || setting.is_empty() {
            return Err(shape());
        }
        Ok(Self { stage: stage.trim().into(), setting: setting.trim().into(), value: value.trim().into() })
    }
}

/// Applies changes to every stage they name.
///
/// # Errors
/// One problem for each change that cannot be applied.
pub fn apply(spec: &mut Spec, changes: &[Change]) -> Result<(), Vec<Problem>> {
    let problems: Vec<Problem> = changes.iter().filter_map(|change| apply_one(spec, change).err()).collect();
    if problems.is_empty() { Ok(()) } else { Err(problems) }
}

fn apply_one(spec: &mut Spec, change: &Change) -> Result<(), Problem> {
    let setting = format!("{}.{}", change.stage, change.setting);
    let wrong =
        |what: String, hint: &str| Problem { file: "--set".into(), ..Problem::new(setting.clone(), what, hint) };
    let see = "`statuary stages --json` lists every stage and setting";
    if change.stage == "intake" && !spec.stages.iter().any(|s| s.name() == "intake") {
        spec.stages.insert(0, Stage::Intake(crate::stages::intake::Intake::default()));
    }
    let mut met = false;
    for stage in spec.stages.iter_mut().filter(|s| s.name() == change.stage) {
        met = true;
        let value = serde_yaml::from_str(&change.value).map_err(|e| wrong(e.to_string(), "quote the value"))?;
        let mut all = stage.to_value().map_err(|e| wrong(e.to_string(), see))?;
        if let Some(map) = all.as_mapping_mut() {
            if stage.entry().either.contains(&change.setting.as_str()) {
                stage.entry().either.iter().for_each(|other| drop(map.remove(*other)));
            }
            map.insert(change.setting.as_str().into(), value);
        }
        *stage = Stage::from_value(&change.stage, all).map_err(|e| wrong(e.to_string(), see))?;
    }
    if met {
        return Ok(());
    }
    let known = TABLE.iter().any(|entry| entry.name == change.stage);
    let what = if known { "the pipeline has no such stage" } else { "there is no such stage" };
    Err(wrong(what.into(), see))
}

/// Makes a plan of a spec.
///
/// # Errors
/// Every fault that can be seen without running anything.
pub fn plan(spec: &Spec, workbench: &Workbench) -> Result<Plan, Vec<Problem>> {
    let mut stages = spec.stages.clone();
    let shift = usize::from(!matches!(stages.first(), Some(Stage::Intake(_))));
    if shift == 1 {
        stages.insert(0, Stage::Intake(crate::stages::intake::Intake::default()));
    }
    let mut problems = Vec::new();
    for (index, stage) in stages.iter().enumerate().skip(shift) {
        let written = index - shift;
        for problem in stage.check() {
            let place = place_of(&spec.text, written, &problem.setting);
            let setting = format!("stages[{written}].{}.{}", stage.name(), problem.setting);
            problems.push(Problem { file: spec.file.clone(), place, setting, ..problem });
        }
    }
    problems.extend(unmet_needs(spec, &stages, shift));
    let equipment = match workbench.equip(&spec.printers) {
        Ok(equipment) => Some(equipment),
        Err(mut problem) => {
            problem.file.clone_from(&spec.file);
            problems.push(problem);
            None
        }
    };
    match equipment {
        Some(equipment) if problems.is_empty() => {
            let target = target_size(&stages);
            Ok(Plan { name: spec.name.clone(), stages, equipment, target })
        }
        _ => Err(problems),
    }
}

fn target_size(stages: &[Stage]) -> TargetSize {
    let scale = stages.iter().find_map(|stage| if let Stage::Scale(scale) = stage { Some(scale) } else { None });
    scale.map_or(TargetSize::Unknown, crate::stages::scale::Scale::target)
}

/// Walks the stages with the facts each makes true, and names the stage that would supply a missing one.
fn unmet_needs(spec: &Spec, stages: &[Stage], shift: usize) -> Vec<Problem> {
    let mut facts: BTreeSet<Fact> = BTreeSet::new();
    let mut problems = Vec::new();
    for (index, stage) in stages.iter().enumerate() {
        let written = index.saturating_sub(shift);
        let place = || place_of(&spec.text, written, "");
        let mut say = |what: String, hint: String, place: Option<Place>| {
            let setting = format!("stages[{written}].{}", stage.name());
            problems.push(Problem { file: spec.file.clone(), place, setting, what, hint });
        };
        if index > 0 && matches!(stage, Stage::Intake(_)) {
            say("the scan is read once, at the start".into(), "move `intake` to the top".into(), place());
        }
        for need in stage.needs().iter().filter(|need| !facts.contains(need)) {
            let supplier = TABLE.iter().map(|entry| (entry.default)()).find(|s| s.gives().contains(need));
            let supplier = supplier.map_or("another stage", |s| s.name());
            let what = format!("`{}` needs what `{supplier}` makes, and it does not come before it", stage.name());
            say(what, format!("put `- {supplier}` above it"), place());
        }
        for fact in stage.spoils() {
            facts.remove(fact);
        }
        facts.extend(stage.gives());
    }
    problems
}

/// The pipeline with all its settings as YAML, defaults filled in.
///
/// # Errors
/// When a setting cannot be written as YAML.
pub fn explain(about: &str, printers: &[String], stages: &[Stage]) -> Result<String, serde_yaml::Error> {
    let mut page = serde_yaml::Mapping::new();
    if !about.is_empty() {
        page.insert("about".into(), about.into());
    }
    match printers {
        [] => {}
        [only] => drop(page.insert("printer".into(), only.as_str().into())),
        many => drop(page.insert("printer".into(), many.to_vec().into())),
    }
    let mut list = Vec::new();
    for stage in stages {
        let mut entry = serde_yaml::Mapping::new();
        entry.insert(stage.name().into(), stage.to_value()?);
        list.push(serde_yaml::Value::Mapping(entry));
    }
    page.insert("stages".into(), list.into());
    serde_yaml::to_string(&page)
}
