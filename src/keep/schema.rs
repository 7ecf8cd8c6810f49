//! The tables of a job book, their versions, and how an older book is brought up to date.

use super::{chain, fail};
use crate::problem::Error;
use rusqlite::{Connection, TransactionBehavior};
use std::path::Path;

/// Marks a SQLite file as a job book: "LoSp".
pub const APPLICATION_ID: i32 = 0x4C6F_5370;
/// The version of the tables that this program writes.
pub const VERSION: i32 = STEPS.len() as i32;

/// What makes version 1 out of nothing, version 2 out of version 1, and so on.
const STEPS: [&str; 3] = [
    include_str!("schema/v1.sql"),
    include_str!("schema/v2.sql"),
    include_str!("schema/v3.sql"),
];

/// The first version whose rows are chained.
pub const CHAINED: i32 = 3;

/// The tables of rows that are entered, in the order in which rows refer to one another.
pub(super) const ROWS: [&str; 5] = ["panels", "versions", "entries", "files", "results"];
/// Tables whose rows are sealed one by one: those of version 1, then what each version added.
const TABLES: [&str; 6] = ["panels", "versions", "entries", "files", "results", "head"];

/// The tables of a version whose rows are sealed one by one.
pub(super) fn tables(version: i32) -> impl Iterator<Item = &'static str> {
    let count = match version {
        ..2 => 4,
        2 => 5,
        _ => 6,
    };
    TABLES.into_iter().take(count)
}

/// Makes the tables of `version` in an empty file, in one transaction.
///
/// # Errors
/// What SQLite says.
pub fn make(connection: &mut Connection, version: i32) -> rusqlite::Result<()> {
    let tx = connection.transaction_with_behavior(TransactionBehavior::Immediate)?;
    tx.pragma_update(None, "application_id", APPLICATION_ID)?;
    for step in STEPS.iter().take(usize::try_from(version).unwrap_or(0)) {
        tx.execute_batch(step)?;
    }
    tx.pragma_update(None, "user_version", version)?;
    tx.commit()
}

/// Makes sure that an open file is a job book whose tables this program knows, and brings an older
/// one up to date.
///
/// # Errors
/// No book, a newer book, tables that are not as they should be, or what stopped the update.
pub fn settle(connection: &mut Connection, path: &Path) -> Result<(), Error> {
    let version = version(connection, path)?;
    if version < VERSION {
        upgrade(connection).map_err(|e| fail::of(path, e))?;
    }
    let differing = differences(connection, VERSION).map_err(|e| fail::of(path, e))?;
    match differing.first() {
        None => Ok(()),
        Some(what) => Err(fail::book(
            path,
            format!("is damaged: {what}; {}", fail::MEND),
        )),
    }
}

/// The version of an open book.
///
/// # Errors
/// No book, or a newer one.
pub fn version(connection: &Connection, path: &Path) -> Result<i32, Error> {
    let read = |name: &str| -> rusqlite::Result<i32> {
        connection.pragma_query_value(None, name, |row| row.get(0))
    };
    let id = read("application_id").map_err(|e| fail::of(path, e))?;
    let version = read("user_version").map_err(|e| fail::of(path, e))?;
    if id != APPLICATION_ID || version < 1 {
        return Err(fail::book(path, fail::NO_BOOK));
    }
    if version > VERSION {
        return Err(fail::book(
            path,
            format!(
                "is a book of version {version}, and this program knows books up to version {VERSION}: take a newer lowspot; \
                 nothing was touched"
            ),
        ));
    }
    Ok(version)
}

/// All steps that are missing, in one transaction; another program may have done them meanwhile.
fn upgrade(connection: &mut Connection) -> rusqlite::Result<()> {
    let tx = connection.transaction_with_behavior(TransactionBehavior::Immediate)?;
    let from: i32 = tx.pragma_query_value(None, "user_version", |row| row.get(0))?;
    for step in STEPS.iter().skip(usize::try_from(from).unwrap_or(0)) {
        tx.execute_batch(step)?;
    }
    if from < CHAINED {
        chain::begin(&tx)?;
    }
    tx.pragma_update(None, "user_version", VERSION)?;
    tx.commit()
}

/// What of the tables is not as this program makes it, a sentence each.
pub(super) fn differences(connection: &Connection, version: i32) -> rusqlite::Result<Vec<String>> {
    let mut fresh = Connection::open_in_memory()?;
    make(&mut fresh, version)?;
    let (expected, found) = (statements(&fresh)?, statements(connection)?);
    let missing = expected.iter().filter(|s| !found.contains(s));
    let odd = found
        .iter()
        .filter(|s| !expected.contains(s) && !expected.iter().any(|e| e.1 == s.1));
    Ok(missing
        .chain(odd)
        .map(|(kind, name, _)| format!("the {kind} {name} is not as it should be"))
        .collect())
}

/// Every table, index and trigger with the text that made it.
fn statements(connection: &Connection) -> rusqlite::Result<Vec<(String, String, Option<String>)>> {
    connection
        .prepare("SELECT type, name, sql FROM sqlite_schema ORDER BY type, name")?
        .query_map([], |row| Ok((row.get(0)?, row.get(1)?, row.get(2)?)))?
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::keep::entry::{Kind, NewEntry, NewFile, Role};
    use crate::keep::{book, panels, rows};
    use jiff::Timestamp;

    const LID: &[u8] = include_bytes!("../../samples/small/panel.toml");
    const READINGS: &[u8] = include_bytes!("../../samples/small/readings.txt");
    const OTHER: &[u8] =
        b"name = \"hatch\"\nlength = 500\nwidth = 400\nform = \"flat\"\npurpose = \"yacht-light\"\n";

    /// Entries of the old book: kind, facts as JSON, entry that it strikes.
    const ENTRIES: [(Kind, &str, Option<i64>); 7] = [
        (Kind::Survey, "{}", None),
        (
            Kind::Fill,
            r#"{"recipe":"dry-micro","batch":"7","mass_g":120.5}"#,
            None,
        ),
        (Kind::Block, "{}", None),
        (Kind::Strike, r#"{"why":"that was the other lid"}"#, Some(3)),
        (
            Kind::PostCure,
            r#"{"temperature_c":60.0,"hold_h":8.0}"#,
            None,
        ),
        (
            Kind::Hold,
            r#"{"until":"2026-02-05T13:00:00Z","why":"wet"}"#,
            None,
        ),
        (Kind::Strike, r#"{"why":"it was this lid"}"#, Some(4)),
    ];

    fn entry((kind, facts, strikes): (Kind, &str, Option<i64>)) -> NewEntry {
        let mut entry = NewEntry::new(kind, "2026-02-03".parse().unwrap());
        entry.facts = rows::facts_of(facts).unwrap();
        entry.strikes = strikes;
        entry.who = Some("K".into());
        if kind == Kind::Survey {
            entry.files.push(NewFile {
                role: Role::Readings,
                name: "readings.txt".into(),
                bytes: READINGS.to_vec(),
            });
        }
        assert_eq!(entry.faults(), Vec::<String>::new());
        entry
    }

    /// Makes a book with the tables of version 1 and rows as that version wrote them.
    fn old_book(path: &Path) {
        std::fs::File::create(path).unwrap();
        let mut connection = book::connect(path).unwrap();
        make(&mut connection, 1).unwrap();
        panels::add(&connection, "locker lid", LID, "panel.toml").unwrap();
        panels::add(&connection, "hatch", OTHER, "hatch.toml").unwrap();
        panels::set_twin(&connection, 1, Some(2)).unwrap();
        panels::set_twin(&connection, 2, Some(1)).unwrap();
        for (number, told) in (1..).zip(ENTRIES) {
            let row = rows::EntryRow {
                number,
                panel: 1,
                version: 1,
                entered_at: Timestamp::from_second(1_770_000_000 + number).unwrap(),
                entry: &entry(told),
            };
            book::put_row(&connection, &row).unwrap();
        }
    }

    /// The one in tests/books is kept because it is old: it is written only where it is missing.
    /// That of version 2 was written by the program of that version.
    #[test]
    fn a_book_of_version_1_is_written_as_that_version_wrote_it() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("old.lowspot");
        old_book(&path);
        let found = crate::keep::check::file(&path).unwrap();
        assert_eq!((found.version, found.faults), (1, Vec::new()));
        assert_eq!((found.panels, found.entries, found.files), (2, 7, 1));
        let kept = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/books/version-1.lowspot");
        if !kept.exists() {
            std::fs::copy(&path, &kept).unwrap();
        }
    }

    #[test]
    fn every_version_of_the_tables_is_as_its_steps_make_it() {
        for version in 1..=VERSION {
            let mut connection = Connection::open_in_memory().unwrap();
            make(&mut connection, version).unwrap();
            assert_eq!(
                differences(&connection, version).unwrap(),
                Vec::<String>::new()
            );
            for table in tables(version) {
                let sql = format!("SELECT count(*) FROM {table}");
                let rows: i64 = connection.query_row(&sql, [], |r| r.get(0)).unwrap();
                assert_eq!(rows, 0, "{table}");
            }
        }
    }
}
