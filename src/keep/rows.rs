//! Rows as SQLite holds them: written with their seal, read back into records.

use super::entry::{Entry, Kind, NewEntry, Role, StoredFile};
use super::facts::Facts;
use super::result::{self, Field, SurveyResult};
use super::{chain, seal};
use jiff::Timestamp;
use rusqlite::types::Value;
use rusqlite::{Connection, Row};

/// A column to be written.
pub(super) type Column<'a> = (&'a str, Value);

/// Writes a row with its seal, and links it into the chain. The columns come in the order of the
/// schema, the row's number first.
pub(super) fn insert(to: &Connection, table: &str, columns: Vec<Column>) -> rusqlite::Result<()> {
    let row = match columns.first() {
        Some((_, Value::Integer(row))) => *row,
        _ => return Err(odd(format!("{table}: a row without a number"))),
    };
    let sealed = write(to, "INSERT", table, columns)?;
    chain::add(to, table, row, &sealed)
}

/// Writes a row that is no link of the chain, over an older one if there is one, and gives its
/// seal.
pub(super) fn put(to: &Connection, table: &str, columns: Vec<Column>) -> rusqlite::Result<String> {
    write(to, "REPLACE", table, columns)
}

fn write(
    to: &Connection,
    how: &str,
    table: &str,
    columns: Vec<Column>,
) -> rusqlite::Result<String> {
    let names: Vec<&str> = columns.iter().map(|c| c.0).collect();
    let mut values: Vec<Value> = columns.into_iter().map(|c| c.1).collect();
    let sealed = seal::of_values(table, &values);
    values.push(Value::Text(sealed.clone()));
    let marks = vec!["?"; values.len()].join(", ");
    let sql = format!(
        "{how} INTO {table} ({}, seal) VALUES ({marks})",
        names.join(", ")
    );
    to.prepare(&sql)?
        .execute(rusqlite::params_from_iter(values))?;
    Ok(sealed)
}

/// Text, or NULL.
pub(super) fn text(value: Option<&str>) -> Value {
    value.map_or(Value::Null, |t| Value::Text(t.to_string()))
}

fn real(value: Option<f64>) -> Value {
    value.map_or(Value::Null, Value::Real)
}

/// The row of an entry.
pub(super) struct EntryRow<'a> {
    pub(super) number: i64,
    pub(super) panel: i64,
    pub(super) version: i64,
    pub(super) entered_at: Timestamp,
    pub(super) entry: &'a NewEntry,
}

impl EntryRow<'_> {
    pub(super) fn columns(&self) -> rusqlite::Result<Vec<Column<'static>>> {
        let e = self.entry;
        let facts = serde_json::to_string(&e.facts)
            .map_err(|e| rusqlite::Error::ToSqlConversionFailure(Box::new(e)))?;
        Ok(vec![
            ("number", Value::Integer(self.number)),
            ("panel", Value::Integer(self.panel)),
            ("version", Value::Integer(self.version)),
            ("kind", Value::Text(e.kind.word().to_string())),
            ("date", Value::Text(e.date.to_string())),
            ("entered_at", Value::Text(self.entered_at.to_string())),
            ("who", text(e.who.as_deref())),
            ("hours", real(e.hours)),
            ("skin_c", real(e.skin_c)),
            ("supports", text(e.supports.as_deref())),
            ("note", text(e.note.as_deref())),
            ("facts", Value::Text(facts)),
            ("strikes", e.strikes.map_or(Value::Null, Value::Integer)),
        ])
    }
}

/// Columns of an entry as [`entry`] reads them.
pub(super) const ENTRY: &str = "number, panel, version, kind, date, entered_at, who, hours, skin_c, supports, note, facts, strikes";

/// An entry from its row; what in it cannot be understood is told with its number.
pub(super) fn entry(row: &Row) -> rusqlite::Result<Entry> {
    let number = row.get(0)?;
    let odd = |what: String| odd(format!("entry {number}: {what}"));
    let (kind, date, at): (String, String, String) = (row.get(3)?, row.get(4)?, row.get(5)?);
    let facts: String = row.get(11)?;
    Ok(Entry {
        number,
        panel: row.get(1)?,
        version: row.get(2)?,
        kind: Kind::from_word(&kind).map_err(&odd)?,
        date: date
            .parse()
            .map_err(|_| odd(format!("{date:?} is no date")))?,
        entered_at: at
            .parse()
            .map_err(|_| odd(format!("{at:?} is no moment")))?,
        who: row.get(6)?,
        hours: row.get(7)?,
        skin_c: row.get(8)?,
        supports: row.get(9)?,
        note: row.get(10)?,
        facts: facts_of(&facts).map_err(&odd)?,
        strikes: row.get(12)?,
        struck_by: None,
    })
}

/// Facts from their JSON.
pub(super) fn facts_of(json: &str) -> Result<Facts, String> {
    serde_json::from_str(json).map_err(|e| format!("its facts cannot be read: {e}"))
}

/// Something in a row that this program did not write.
pub(super) fn odd(what: String) -> rusqlite::Error {
    rusqlite::Error::FromSqlConversionFailure(0, rusqlite::types::Type::Text, what.into())
}

/// Columns of a file as [`file`] reads them.
pub(super) const FILE: &str = "entry, role, name, sha256, bytes";

pub(super) fn file(row: &Row) -> rusqlite::Result<StoredFile> {
    let role: String = row.get(1)?;
    Ok(StoredFile {
        entry: row.get(0)?,
        role: Role::from_word(&role).ok_or_else(|| odd(format!("{role:?} is no role")))?,
        name: row.get(2)?,
        sha256: row.get(3)?,
        bytes: row.get(4)?,
    })
}

/// Row of what a survey found.
pub(super) fn result_columns(
    entry: i64,
    result: &SurveyResult,
) -> rusqlite::Result<Vec<Column<'static>>> {
    let summary = serde_json::to_string(&result.summary)
        .map_err(|e| rusqlite::Error::ToSqlConversionFailure(Box::new(e)))?;
    let field = result.field.as_ref();
    let count = |n: fn(&Field) -> usize| {
        field.map_or(Value::Null, |f| {
            Value::Integer(i64::try_from(n(f)).unwrap_or(i64::MAX))
        })
    };
    let blob = |list: fn(&Field) -> &Vec<f32>| {
        field.map_or(Value::Null, |f| Value::Blob(result::to_bytes(list(f))))
    };
    Ok(vec![
        ("entry", Value::Integer(entry)),
        ("program", Value::Text(result.program.clone())),
        ("summary", Value::Text(summary)),
        ("step_mm", real(field.map(|f| f.step_mm))),
        ("nx", count(|f| f.nx)),
        ("ny", count(|f| f.ny)),
        ("deviation", blob(|f| &f.deviation)),
        ("fairness", blob(|f| &f.fairness)),
        ("sd", blob(|f| &f.sd)),
        ("height", blob(|f| &f.height)),
    ])
}

/// Columns of a result as [`result`] reads them.
pub(super) const RESULT: &str =
    "entry, program, summary, step_mm, nx, ny, deviation, fairness, sd, height";

/// What a survey found, with the number of its entry.
pub(super) fn result(row: &Row) -> rusqlite::Result<(i64, SurveyResult)> {
    let entry: i64 = row.get(0)?;
    let summary: String = row.get(2)?;
    let step_mm: Option<f64> = row.get(3)?;
    let field = match step_mm {
        None => None,
        Some(step_mm) => Some(field(row, entry, step_mm)?),
    };
    let result = SurveyResult {
        program: row.get(1)?,
        summary: serde_json::from_str(&summary)
            .map_err(|e| odd(format!("result of entry {entry} cannot be read: {e}")))?,
        field,
    };
    Ok((entry, result))
}

fn field(row: &Row, entry: i64, step_mm: f64) -> rusqlite::Result<Field> {
    let count = |column: usize| -> rusqlite::Result<usize> {
        let n: i64 = row.get(column)?;
        usize::try_from(n).map_err(|_| odd(format!("result of entry {entry}: {n} nodes")))
    };
    let (nx, ny) = (count(4)?, count(5)?);
    let list = |column: usize| -> rusqlite::Result<Vec<f32>> {
        let bytes: Vec<u8> = row.get(column)?;
        result::from_bytes(&bytes, nx.saturating_mul(ny))
            .ok_or_else(|| odd(format!("result of entry {entry}: not {nx} by {ny} nodes")))
    };
    Ok(Field {
        step_mm,
        nx,
        ny,
        deviation: list(6)?,
        fairness: list(7)?,
        sd: list(8)?,
        height: list(9)?,
    })
}
