//! A job as the ledger has it.

use std::fmt;
use std::path::PathBuf;
use std::str::FromStr;

use rusqlite::ToSql;
use rusqlite::types::{FromSql, FromSqlResult, ToSqlOutput, ValueRef};
use serde::{Serialize, Serializer};

use super::State;

/// Number of a job; no two ever have the same.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct JobId(pub u64);

impl fmt::Display for JobId {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "job-{:06}", self.0)
    }
}

impl FromStr for JobId {
    type Err = String;
    /// Reads `job-000012` and plain `12`.
    fn from_str(text: &str) -> Result<Self, String> {
        let digits = text.strip_prefix("job-").unwrap_or(text);
        let number = digits.parse().ok().filter(|number| *number > 0 && i64::try_from(*number).is_ok());
        number.map(Self).ok_or_else(|| format!("`{text}` is no job, such as job-000012"))
    }
}

impl Serialize for JobId {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_str(self)
    }
}

impl ToSql for JobId {
    fn to_sql(&self) -> rusqlite::Result<ToSqlOutput<'_>> {
        Ok((self.0 as i64).into())
    }
}

impl FromSql for JobId {
    fn column_result(value: ValueRef<'_>) -> FromSqlResult<Self> {
        u64::column_result(value).map(Self)
    }
}

/// One job.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize)]
pub struct Row {
    /// When it came into this state, RFC 3339.
    pub time: String,
    pub job: JobId,
    pub state: State,
    pub pipeline: String,
    /// Name of the mesh file, the archive or the folder that was dropped.
    pub scan: String,
    /// Folder in the outbox; empty before it is published.
    #[serde(skip_serializing_if = "String::is_empty")]
    pub out: String,
    #[serde(skip_serializing_if = "String::is_empty")]
    pub reason: String,
    #[serde(skip_serializing_if = "String::is_empty")]
    pub hint: String,
    /// Memory it is expected to take, bytes; 0 when not known.
    pub memory_bytes: u64,
    /// Files its mesh names that were not there when it was taken.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub missing: Vec<String>,
    /// Where its files lay in the inbox.
    #[serde(skip)]
    pub members: Vec<PathBuf>,
    /// BLAKE3 of the log about to be published or published.
    #[serde(skip)]
    pub digest: String,
    /// Starts in a row that came to no end and got no further.
    #[serde(skip)]
    pub starts: u32,
    /// Times the working process broke off.
    #[serde(skip)]
    pub crashes: u32,
    /// Times it was held in a row.
    pub holds: u32,
    /// Who works on it; told is the machine of a fleet, if one has it.
    #[serde(rename = "worker", serialize_with = "machine_of", skip_serializing_if = "has_no_machine")]
    pub owner: String,
    /// Goes up with every claim; who publishes must have the last one.
    #[serde(skip)]
    pub token: u64,
    /// Goes up while the owner is alive.
    #[serde(skip)]
    pub beat: u64,
    /// `cancel`, `retry` or nothing.
    #[serde(skip_serializing_if = "String::is_empty")]
    pub wish: String,
}

/// Between the daemon and the machine in an owner.
const AT: &str = " at ";

#[expect(clippy::ptr_arg, reason = "the serializer hands the field over as it is")]
fn machine_of<S: Serializer>(owner: &String, serializer: S) -> Result<S::Ok, S::Error> {
    serializer.serialize_str(owner.split_once(AT).map_or("", |(_, machine)| machine))
}

#[expect(clippy::ptr_arg, reason = "the serializer hands the field over as it is")]
fn has_no_machine(owner: &String) -> bool {
    !owner.contains(AT)
}

impl Row {
    /// The owner of a claim by a daemon whose work another machine does.
    #[must_use]
    pub fn owner_at(daemon: &str, machine: &str) -> String {
        if machine.is_empty() { daemon.to_owned() } else { format!("{daemon}{AT}{machine}") }
    }

    /// The machine of a fleet that works on it, if one does.
    #[must_use]
    pub fn machine(&self) -> Option<&str> {
        self.owner.split_once(AT).map(|(_, machine)| machine)
    }

    pub(super) fn read(row: &rusqlite::Row<'_>) -> rusqlite::Result<Self> {
        let state: String = row.get("state")?;
        let list = |name: &str| row.get::<_, String>(name);
        Ok(Self {
            time: row.get("time")?,
            job: row.get("number")?,
            state: State::named(&state).ok_or(rusqlite::Error::InvalidQuery)?,
            pipeline: row.get("pipeline")?,
            scan: row.get("scan")?,
            out: row.get("out")?,
            reason: row.get("reason")?,
            hint: row.get("hint")?,
            memory_bytes: row.get("memory_bytes")?,
            missing: serde_json::from_str(&list("missing")?).unwrap_or_default(),
            members: serde_json::from_str(&list("members")?).unwrap_or_default(),
            digest: row.get("digest")?,
            starts: row.get("starts")?,
            crashes: row.get("crashes")?,
            holds: row.get("holds")?,
            owner: row.get("owner")?,
            token: row.get("token")?,
            beat: row.get("beat")?,
            wish: row.get("wish")?,
        })
    }
}

/// One thing that happened.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Event {
    /// RFC 3339.
    pub time: String,
    pub job: JobId,
    pub from: String,
    pub to: String,
    pub note: String,
}

impl Event {
    pub(super) fn read(row: &rusqlite::Row<'_>) -> rusqlite::Result<Self> {
        Ok(Self {
            time: row.get("time")?,
            job: row.get("job")?,
            from: row.get("was")?,
            to: row.get("becomes")?,
            note: row.get("note")?,
        })
    }
}
