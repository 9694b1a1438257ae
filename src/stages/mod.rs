//! The stage table: every stage once, its name in YAML, its settings, and which of three jobs it does.
//!
//! A new stage is one file or folder here and one line in `stage_table!`.

pub mod base;
pub mod blend;
pub mod clean;
pub mod estimate;
pub mod export;
pub mod fewer_changes;
pub mod intake;
pub mod orient;
pub mod reduce_colours;
pub mod report;
pub mod scale;
pub mod split;

use serde::de::{self, MapAccess};

use crate::figure::Fact;
use crate::problem::Problem;
use crate::stage::{Output, Settings, Transform, Uses};

/// What is known of a stage without running it.
#[derive(Clone, Copy, Debug)]
pub struct StageEntry {
    pub name: &'static str,
    pub version: u32,
    pub summary: &'static str,
    /// Settings as a user would write them: a YAML map.
    pub example: &'static str,
    /// Settings of which only one may be given.
    pub either: &'static [&'static str],
    /// A stage with all its defaults.
    pub default: fn() -> Stage,
    /// JSON Schema of its settings.
    pub schema: fn(&mut schemars::SchemaGenerator) -> schemars::Schema,
}

/// What a stage does when its turn comes.
#[derive(Debug)]
pub enum Job<'a> {
    /// Reads the scan: always first.
    Intake(&'a intake::Intake),
    Transform(&'a dyn Transform),
    Output(&'a dyn Output),
}

macro_rules! stage_table {
    ($($variant:ident($settings:ty) $job:ident;)+) => {
        /// A stage with its settings.
        #[derive(Clone, Debug, PartialEq)]
        pub enum Stage {
            $($variant($settings),)+
        }

        /// Every stage, in the order they usually run.
        pub const TABLE: &[StageEntry] = &[$(StageEntry {
            name: <$settings>::NAME,
            version: <$settings>::VERSION,
            summary: <$settings>::SUMMARY,
            example: <$settings>::EXAMPLE,
            either: <$settings>::EITHER,
            default: || Stage::$variant(<$settings>::default()),
            schema: |generator| generator.subschema_for::<$settings>(),
        },)+];

        impl Stage {
            /// Reads the settings of the stage `name` as the value that comes next in a YAML map.
            ///
            /// # Errors
            /// When there is no such stage, or a setting is unknown or of the wrong type.
            pub fn read<'de, A: MapAccess<'de>>(name: &str, map: &mut A) -> Result<Self, A::Error> {
                match name {
                    $(<$settings>::NAME => Ok(Stage::$variant(map.next_value::<Option<$settings>>()?.unwrap_or_default())),)+
                    _ => Err(de::Error::custom(unknown_stage(name))),
                }
            }

            /// Reads settings from a YAML value; used for changes given on the command line.
            ///
            /// # Errors
            /// When a setting is unknown or of the wrong type.
            pub fn from_value(name: &str, value: serde_yaml::Value) -> Result<Self, serde_yaml::Error> {
                match name {
                    $(<$settings>::NAME => Ok(Stage::$variant(serde_yaml::from_value(value)?)),)+
                    _ => Err(de::Error::custom(unknown_stage(name))),
                }
            }

            /// All settings as a YAML value, defaults filled in.
            ///
            /// # Errors
            /// When a setting cannot be written as YAML.
            pub fn to_value(&self) -> Result<serde_yaml::Value, serde_yaml::Error> {
                match self {
                    $(Stage::$variant(settings) => serde_yaml::to_value(settings),)+
                }
            }

            #[must_use]
            pub fn entry(&self) -> &'static StageEntry {
                let name = match self {
                    $(Stage::$variant(_) => <$settings>::NAME,)+
                };
                TABLE.iter().find(|entry| entry.name == name).expect("each variant has a row in the table")
            }

            /// What to do when its turn comes.
            #[must_use]
            pub fn job(&self) -> Job<'_> {
                match self {
                    $(Stage::$variant(settings) => Job::$job(settings),)+
                }
            }
        }
    };
}

stage_table! {
    Intake(intake::Intake) Intake;
    Clean(clean::Clean) Transform;
    Scale(scale::Scale) Transform;
    Split(split::Split) Transform;
    Base(base::Base) Transform;
    ReduceColours(reduce_colours::ColourReduce) Transform;
    Orient(orient::Orient) Transform;
    FewerChanges(fewer_changes::FewerChanges) Transform;
    Blend(blend::Blend) Transform;
    Estimate(estimate::Estimate) Transform;
    Export(export::Export) Output;
    Report(report::Report) Output;
}

impl Stage {
    #[must_use]
    pub fn name(&self) -> &'static str {
        self.entry().name
    }

    #[must_use]
    pub fn needs(&self) -> &'static [Fact] {
        match self.job() {
            Job::Intake(_) => &[],
            Job::Transform(stage) => stage.needs(),
            Job::Output(stage) => stage.needs(),
        }
    }

    #[must_use]
    pub fn gives(&self) -> &'static [Fact] {
        match self.job() {
            Job::Intake(_) => &[Fact::Read],
            Job::Transform(stage) => stage.gives(),
            Job::Output(stage) => stage.gives(),
        }
    }

    #[must_use]
    pub fn spoils(&self) -> &'static [Fact] {
        match self.job() {
            Job::Transform(stage) => stage.spoils(),
            Job::Intake(_) | Job::Output(_) => &[],
        }
    }

    #[must_use]
    pub fn uses(&self) -> Uses {
        match self.job() {
            Job::Intake(_) => Uses::default(),
            Job::Transform(stage) => stage.uses(),
            Job::Output(stage) => stage.uses(),
        }
    }

    /// Faults of the settings themselves.
    #[must_use]
    pub fn check(&self) -> Vec<Problem> {
        match self.job() {
            Job::Intake(stage) => stage.check(),
            Job::Transform(stage) => stage.check(),
            Job::Output(stage) => stage.check(),
        }
    }
}

/// Text for a name that is no stage: the nearest known one, and all of them.
fn unknown_stage(name: &str) -> String {
    let known: Vec<&str> = TABLE.iter().map(|entry| entry.name).collect();
    let near = crate::problem::nearest(name, known.iter().copied());
    let guess = near.map_or(String::new(), |near| format!(", did you mean `{near}`?"));
    format!("unknown stage `{name}`{guess} (known: {})", known.join(", "))
}
