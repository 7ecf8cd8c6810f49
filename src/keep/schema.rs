//! The tables of a job book, their versions, and how an older book is brought up to date.

use super::fail;
use crate::problem::Error;
use rusqlite::{Connection, TransactionBehavior};
use std::path::Path;

/// Marks a SQLite file as a job book: "LoSp".
pub const APPLICATION_ID: i32 = 0x4C6F_5370;
/// The version of the tables that this program writes.
pub const VERSION: i32 = STEPS.len() as i32;

/// What makes version 1 out of nothing, version 2 out of version 1, and so on.
const STEPS: [&str; 2] = [include_str!("schema/v1.sql"), include_str!("schema/v2.sql")];

/// Tables of version 1, then what each version added.
const TABLES: [&str; 5] = ["panels", "versions", "entries", "files", "results"];

/// The tables of a version.
pub(super) fn tables(version: i32) -> impl Iterator<Item = &'static str> {
    TABLES.into_iter().take(if version < 2 { 4 } else { 5 })
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

/// Makes sure that an open file is a job book whose tables this program knows, and brings an older one up to date.
///
/// # Errors
/// No book, a newer book, tables that are not as they should be, or what stopped the update.
pub fn settle(connection: &mut Connection, path: &Path) -> Result<(), Error> {
    let version = version(connection, path)?;
    if version < VERSION {
        upgrade(connection).map_err(|e| fail::of(path, e))?;
    }
    match difference(connection, VERSION) {
        Ok(None) => Ok(()),
        Ok(Some(what)) => Err(fail::book(
            path,
            format!("is damaged: {what}; {}", fail::MEND),
        )),
        Err(e) => Err(fail::of(path, e)),
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
    tx.pragma_update(None, "user_version", VERSION)?;
    tx.commit()
}

/// What of the tables is not as this program makes it; `None` when all is.
pub(super) fn difference(
    connection: &Connection,
    version: i32,
) -> rusqlite::Result<Option<String>> {
    let mut fresh = Connection::open_in_memory()?;
    make(&mut fresh, version)?;
    let (expected, found) = (statements(&fresh)?, statements(connection)?);
    let missing = expected.iter().find(|s| !found.contains(s));
    let odd = found.iter().find(|s| !expected.contains(s));
    Ok(missing
        .or(odd)
        .map(|(kind, name, _)| format!("the {kind} {name} is not as it should be")))
}

/// Every table, index and trigger with the text that made it.
fn statements(connection: &Connection) -> rusqlite::Result<Vec<(String, String, Option<String>)>> {
    connection
        .prepare("SELECT type, name, sql FROM sqlite_schema ORDER BY type, name")?
        .query_map([], |row| Ok((row.get(0)?, row.get(1)?, row.get(2)?)))?
        .collect()
}
