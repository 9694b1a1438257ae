//! `stages`: the stage table for people and scripts.

use crate::stages::TABLE;

use super::exit_code::Failure;

/// `statuary stages`.
///
/// # Errors
/// When a default cannot be written as YAML.
pub fn stages(json: bool) -> Result<(), Failure> {
    if json {
        let rows: Vec<serde_json::Value> = TABLE
            .iter()
            .map(|entry| {
                let settings: serde_json::Value = serde_json::to_value((entry.default)().to_value()?)?;
                Ok(serde_json::json!({ "stage": entry.name, "version": entry.version, "summary": entry.summary,
                    "settings": settings, "example": entry.example }))
            })
            .collect::<Result<_, Failure>>()?;
        println!("{}", serde_json::to_string_pretty(&rows)?);
        return Ok(());
    }
    for entry in TABLE {
        println!("{:<14} {}", entry.name, entry.summary);
        let defaults = serde_yaml::to_string(&(entry.default)().to_value()?)?;
        for line in defaults.lines().filter(|line| *line != "{}") {
            println!("                 {line}");
        }
    }
    Ok(())
}
