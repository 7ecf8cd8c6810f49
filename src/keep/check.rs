//! Whether a book is whole: what SQLite can tell, every seal, every field, every file.

use super::entry::{Entry, NewEntry};
use super::{Kind, chain, copy, panels, rows, schema, seal};
use crate::problem::Error;
use rusqlite::types::ValueRef;
use rusqlite::{Connection, Row};
use std::collections::HashMap;
use std::path::Path;

/// Most faults told of one kind.
pub(super) const MOST: usize = 50;

/// What a check found.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Found {
    /// Version of the tables.
    pub version: i32,
    /// Panels.
    pub panels: usize,
    /// Entries.
    pub entries: usize,
    /// Files.
    pub files: usize,
    /// Results of surveys.
    pub results: usize,
    /// What is wrong and where, a sentence each; empty when the book is whole.
    pub faults: Vec<String>,
}

/// Checks the book in a file. Nothing is written, an older book is not brought up to date.
///
/// # Errors
/// No such file, no book at all, a newer one, one in use. Everything else that is wrong is in
/// [`Found`].
pub fn file(path: &Path) -> Result<Found, Error> {
    let connection = copy::unchecked(path)?;
    let version = schema::version(&connection, path)?;
    let mut found = Found {
        version,
        ..Found::default()
    };
    // Each part may fail by itself on a damaged file; what SQLite then says is a finding like
    // others. Each has a view of its own, so that nobody who enters meanwhile waits for all of
    // them.
    let parts: [(&str, Part); 7] = [
        ("file", pages),
        ("tables", tables),
        ("seals", seals),
        ("chain", chain::check),
        ("panels", panels_read),
        ("entries", entries_read),
        ("files and results", kept),
    ];
    for (what, part) in parts {
        if let Err(e) = part(&connection, &mut found) {
            found.faults.push(format!("{what}: {e}"));
        }
    }
    Ok(found)
}

type Part = fn(&Connection, &mut Found) -> rusqlite::Result<()>;

/// SQLite's own checks: pages, indexes, references.
fn pages(connection: &Connection, found: &mut Found) -> rusqlite::Result<()> {
    let sql = format!("PRAGMA integrity_check({MOST})");
    let mut statement = connection.prepare(&sql)?;
    for line in statement.query_map([], |row| row.get::<_, String>(0))? {
        let line = line?;
        if line != "ok" {
            found.faults.push(format!("file: {line}"));
        }
    }
    let mut statement = connection.prepare("PRAGMA foreign_key_check")?;
    let lost = statement.query_map([], |row| {
        let (table, id): (String, Option<i64>) = (row.get(0)?, row.get(1)?);
        Ok(format!(
            "{table}, row {}: what it refers to is not there",
            id.unwrap_or(0)
        ))
    })?;
    for line in lost.take(MOST) {
        found.faults.push(line?);
    }
    Ok(())
}

fn tables(connection: &Connection, found: &mut Found) -> rusqlite::Result<()> {
    let differing = schema::differences(connection, found.version)?;
    let told = differing.iter().map(|what| format!("tables: {what}"));
    found.faults.extend(told);
    Ok(())
}

/// Every row against its seal.
fn seals(connection: &Connection, found: &mut Found) -> rusqlite::Result<()> {
    for table in schema::tables(found.version) {
        let mut statement = connection.prepare(&format!("SELECT * FROM {table}"))?;
        let columns = statement.column_count();
        let mut rows = statement.query([])?;
        let mut told = 0;
        while let Some(row) = rows.next()? {
            if !sealed(row, table, columns)? && told < MOST {
                told += 1;
                let id = row.get_ref(0)?.as_i64().unwrap_or(0);
                found
                    .faults
                    .push(format!("{table}, row {id}: not as it was written"));
            }
        }
    }
    Ok(())
}

fn sealed(row: &Row, table: &str, columns: usize) -> rusqlite::Result<bool> {
    let last = columns.saturating_sub(1);
    let values: Vec<ValueRef> = (0..last)
        .map(|i| row.get_ref(i))
        .collect::<rusqlite::Result<_>>()?;
    let seal = row.get_ref(last)?;
    Ok(seal.as_str().ok() == Some(seal::of_row(table, values.into_iter()).as_str()))
}

/// Panels have a version, their files are read without fault, names are those of the newest.
fn panels_read(connection: &Connection, found: &mut Found) -> rusqlite::Result<()> {
    let mut named: HashMap<i64, String> = HashMap::new();
    let mut statement = connection.prepare(&format!("{} ORDER BY id", panels::VERSION))?;
    for version in statement.query_map([], panels::version_row)? {
        let version = version?;
        let what = format!("panel {}, version {}", version.panel, version.id);
        moment(&what, &version.entered_at, found);
        match version.panel() {
            Ok((panel, _)) => {
                named.insert(version.panel, panel.name);
            }
            Err(e) => {
                let first = e.to_string().lines().next().unwrap_or_default().to_string();
                found.faults.push(format!("{what}: {first}"));
            }
        }
    }
    let mut statement = connection.prepare("SELECT id, name, key FROM panels ORDER BY id")?;
    let mut rows = statement.query([])?;
    while let Some(row) = rows.next()? {
        found.panels += 1;
        let (id, name, key): (i64, String, String) = (row.get(0)?, row.get(1)?, row.get(2)?);
        let fault = match named.get(&id) {
            None => "has no panel.toml that can be read".to_string(),
            Some(newest) if *newest != name => format!("is called {newest} in its panel.toml"),
            Some(_) if key != super::key(&name) => format!("is looked up as {key}"),
            Some(_) => continue,
        };
        found.faults.push(format!("panel {id} ({name}): {fault}"));
    }
    Ok(())
}

fn moment(what: &str, text: &str, found: &mut Found) {
    if text.parse::<jiff::Timestamp>().is_err() {
        found.faults.push(format!("{what}: {text:?} is no moment"));
    }
}

/// Entries: kind, day, moment, facts, numbers without a gap, strikes that strike something before
/// them.
fn entries_read(connection: &Connection, found: &mut Found) -> rusqlite::Result<()> {
    let sql = format!("SELECT {} FROM entries ORDER BY number", rows::ENTRY);
    let mut statement = connection.prepare(&sql)?;
    let mut all: Vec<Entry> = Vec::new();
    for entry in statement.query_map([], rows::entry)? {
        found.entries += 1;
        match entry {
            Ok(entry) => all.push(entry),
            Err(e @ rusqlite::Error::FromSqlConversionFailure(..)) => found.faults.push(told(&e)),
            Err(e) => return Err(e),
        }
    }
    let strangers = "SELECT e.number FROM entries e JOIN versions v ON v.id = e.version WHERE v.panel != e.panel";
    let mut statement = connection.prepare(strangers)?;
    for number in statement.query_map([], |row| row.get::<_, i64>(0))? {
        let number = number?;
        found
            .faults
            .push(format!("entry {number}: its panel.toml is another panel's"));
    }
    let mut next = 1;
    for entry in &all {
        if entry.number != next {
            found.faults.push(format!("entry {next} is not there"));
        }
        next = entry.number.saturating_add(1);
        faults_of(entry, &all, found);
    }
    Ok(())
}

fn faults_of(entry: &Entry, all: &[Entry], found: &mut Found) {
    let mut faults = entry.as_new().faults();
    let target = entry.strikes.and_then(|n| {
        let at = all.binary_search_by_key(&n, |e| e.number).ok()?;
        all.get(at)
    });
    if entry.kind == Kind::Strike
        && !target.is_some_and(|t| t.number < entry.number && t.panel == entry.panel)
    {
        faults.push("it strikes no entry of its panel before it".into());
    }
    let number = entry.number;
    found
        .faults
        .extend(faults.iter().map(|f| format!("entry {number}: {f}")));
}

/// What a conversion failed on, without SQLite's wrapping.
fn told(error: &rusqlite::Error) -> String {
    match error {
        rusqlite::Error::FromSqlConversionFailure(_, _, inner) => inner.to_string(),
        other => other.to_string(),
    }
}

/// Files against their checksums, results against their nodes.
fn kept(connection: &Connection, found: &mut Found) -> rusqlite::Result<()> {
    let mut statement =
        connection.prepare(&format!("SELECT {} FROM files ORDER BY id", rows::FILE))?;
    for file in statement.query_map([], rows::file)? {
        found.files += 1;
        let file = file?;
        if seal::sha256(&file.bytes) != file.sha256 {
            found.faults.push(format!(
                "entry {}, file {}: its bytes are not those that came in",
                file.entry, file.name
            ));
        }
    }
    if found.version < 2 {
        return Ok(());
    }
    let mut statement = connection.prepare(&format!("SELECT {} FROM results", rows::RESULT))?;
    for result in statement.query_map([], rows::result)? {
        found.results += 1;
        if let Err(e) = result {
            found.faults.push(told(&e));
        }
    }
    Ok(())
}

impl Entry {
    /// The entry as it would be made anew, without its files.
    pub(super) fn as_new(&self) -> NewEntry {
        NewEntry {
            kind: self.kind,
            date: self.date,
            who: self.who.clone(),
            hours: self.hours,
            skin_c: self.skin_c,
            supports: self.supports.clone(),
            note: self.note.clone(),
            facts: self.facts.clone(),
            strikes: self.strikes,
            files: Vec::new(),
            result: None,
        }
    }
}
