//! The chain: every row written is a link that holds the seal of the link before, and the book
//! keeps how many there are and the last seal. So a row that was taken out is missed, the last one
//! too.
//!
//! It tells damage and meddling by hand, not forgery: who reckons all seals anew can write a book
//! of his own.

use super::check::{Found, MOST};
use super::rows::{self, Column};
use super::{schema, seal};
use rusqlite::types::Value;
use rusqlite::{Connection, OptionalExtension};
use std::collections::HashMap;

/// What the book keeps of its chain.
#[derive(Clone, Debug, Default, PartialEq)]
struct Head {
    links: i64,
    last: String,
    copy_of: Option<String>,
}

impl Head {
    fn read(from: &Connection) -> rusqlite::Result<Option<Head>> {
        from.prepare("SELECT links, last, copy_of FROM head WHERE one = 1")?
            .query_row([], |row| {
                Ok(Head {
                    links: row.get(0)?,
                    last: row.get(1)?,
                    copy_of: row.get(2)?,
                })
            })
            .optional()
    }

    fn write(&self, to: &Connection) -> rusqlite::Result<()> {
        let columns: Vec<Column> = vec![
            ("one", Value::Integer(1)),
            ("links", Value::Integer(self.links)),
            ("last", Value::Text(self.last.clone())),
            ("copy_of", rows::text(self.copy_of.as_deref())),
        ];
        rows::put(to, "head", columns).map(|_| ())
    }

    /// One link more.
    fn link(
        &mut self,
        to: &Connection,
        table: &str,
        row: i64,
        sealed: &str,
    ) -> rusqlite::Result<()> {
        let link = self.links.saturating_add(1);
        let seal = seal_of(link, table, row, sealed, &self.last);
        to.prepare(
            "INSERT INTO chain (link, place, row, sealed, seal) VALUES (?1, ?2, ?3, ?4, ?5)",
        )?
        .execute((link, table, row, sealed, &seal))?;
        (self.links, self.last) = (link, seal);
        Ok(())
    }
}

fn seal_of(link: i64, table: &str, row: i64, sealed: &str, before: &str) -> String {
    let text = |t: &str| Value::Text(t.to_string());
    seal::of_values(
        "chain",
        &[
            Value::Integer(link),
            text(table),
            Value::Integer(row),
            text(sealed),
            text(before),
        ],
    )
}

/// Links a row just written. Tables of a version without a chain are left as they are.
pub(super) fn add(to: &Connection, table: &str, row: i64, sealed: &str) -> rusqlite::Result<()> {
    let version: i32 = to.pragma_query_value(None, "user_version", |row| row.get(0))?;
    if version < schema::CHAINED {
        return Ok(());
    }
    let mut head = Head::read(to)?.unwrap_or_default();
    head.link(to, table, row, sealed)?;
    head.write(to)
}

/// Links all rows of a book that had no chain yet.
pub(super) fn begin(to: &Connection) -> rusqlite::Result<()> {
    let mut head = Head::default();
    for table in schema::ROWS {
        for (row, sealed) in there(to, table)? {
            head.link(to, table, row, &sealed)?;
        }
    }
    head.write(to)
}

/// Row and seal of everything in a table.
fn there(from: &Connection, table: &str) -> rusqlite::Result<Vec<(i64, String)>> {
    let mut statement = from.prepare(&format!("SELECT * FROM {table} ORDER BY 1"))?;
    let last = statement.column_count().saturating_sub(1);
    statement
        .query_map([], |row| Ok((row.get(0)?, row.get(last)?)))?
        .collect()
}

/// Says of which book this one is a copy; `None` makes it a book of its own.
pub(super) fn set_copy_of(to: &Connection, book: Option<&str>) -> rusqlite::Result<()> {
    let head = Head::read(to)?.unwrap_or_default();
    if head.copy_of.as_deref() == book {
        return Ok(());
    }
    Head {
        copy_of: book.map(str::to_string),
        ..head
    }
    .write(to)
}

/// The book that this one is a copy of.
pub(super) fn copy_of(from: &Connection) -> rusqlite::Result<Option<String>> {
    Ok(Head::read(from)?.and_then(|head| head.copy_of))
}

/// The chain link by link, then every row against its last link.
pub(super) fn check(connection: &Connection, found: &mut Found) -> rusqlite::Result<()> {
    if found.version < schema::CHAINED {
        return Ok(());
    }
    let mut faults = Vec::new();
    let expected = links(connection, &mut faults)?;
    let mut missing: HashMap<&str, HashMap<i64, String>> = expected;
    for table in schema::ROWS {
        let mut written = missing.remove(table).unwrap_or_default();
        for (row, sealed) in there(connection, table)? {
            match written.remove(&row) {
                None => faults.push(format!("{table}, row {row}: was never entered")),
                Some(seal) if seal != sealed => {
                    faults.push(format!("{table}, row {row}: was written over"));
                }
                Some(_) => {}
            }
        }
        let mut gone: Vec<i64> = written.into_keys().collect();
        gone.sort_unstable();
        let told = gone
            .iter()
            .map(|row| format!("{table}, row {row}: was entered and is not there"));
        faults.extend(told);
    }
    found.faults.extend(faults.into_iter().take(MOST));
    Ok(())
}

/// Walks the chain; the last seal that each row got.
fn links(
    connection: &Connection,
    faults: &mut Vec<String>,
) -> rusqlite::Result<HashMap<&'static str, HashMap<i64, String>>> {
    let mut last: HashMap<&'static str, HashMap<i64, String>> = HashMap::new();
    let head = Head::read(connection)?.unwrap_or_default();
    let (mut links, mut before) = (0_i64, String::new());
    let mut statement =
        connection.prepare("SELECT link, place, row, sealed, seal FROM chain ORDER BY link")?;
    let mut rows = statement.query([])?;
    while let Some(row) = rows.next()? {
        let (link, place, id): (i64, String, i64) = (row.get(0)?, row.get(1)?, row.get(2)?);
        let (sealed, seal): (String, String) = (row.get(3)?, row.get(4)?);
        if link != links.saturating_add(1) {
            faults.push(format!(
                "chain: link {} is not there",
                links.saturating_add(1)
            ));
        } else if seal != seal_of(link, &place, id, &sealed, &before) {
            faults.push(format!("chain, link {link}: not as it was written"));
        }
        match schema::ROWS.into_iter().find(|table| *table == place) {
            Some(table) => {
                last.entry(table).or_default().insert(id, sealed);
            }
            None => faults.push(format!("chain, link {link}: of no table of a book")),
        }
        (links, before) = (link, seal);
    }
    if (links, &before) != (head.links, &head.last) {
        faults.push(format!(
            "chain: {} rows were written, but it ends with {links}",
            head.links
        ));
    }
    Ok(last)
}
