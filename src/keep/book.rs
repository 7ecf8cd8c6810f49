//! A job book: opened, entered into.

use super::entry::{self, Entry, Kind, NewEntry};
use super::result::SurveyResult;
use super::rows::{self, EntryRow};
use super::{chain, fail, now, read, schema, seal, standing, writer};
use crate::problem::Error;
use jiff::Timestamp;
use rusqlite::limits::Limit;
use rusqlite::types::Value;
use rusqlite::{Connection, OpenFlags, Row, Transaction, TransactionBehavior};
use std::path::{Path, PathBuf};
use std::time::Duration;

/// How long a second writer waits for the first.
pub const PATIENCE: Duration = Duration::from_secs(5);

/// An open job book.
#[derive(Debug)]
pub struct Book {
    pub(super) connection: Connection,
    path: PathBuf,
    who: String,
}

impl Book {
    /// Makes a new, empty book. Nothing is written over.
    ///
    /// # Errors
    /// A file of that name is there; the folder cannot be written.
    pub fn create(path: &Path) -> Result<Book, Error> {
        Book::check_name(path)?;
        super::copy::build(path, |waiting| {
            let mut connection = connect(waiting)?;
            schema::make(&mut connection, schema::VERSION).map_err(|e| fail::of(path, e))?;
            connection.close().map_err(|(_, e)| fail::of(path, e))
        })?;
        Book::open(path)
    }

    /// Opens a book. One of an older version is brought up to date.
    ///
    /// # Errors
    /// No such file, no book, a newer book, a damaged one.
    pub fn open(path: &Path) -> Result<Book, Error> {
        if !path.is_file() {
            return Err(fail::book(
                path,
                "no such book; `lowspot book new` makes one, --book names another",
            ));
        }
        if let Some(what) = super::clock_fault() {
            return Err(fail::book(path, what));
        }
        let mut connection = connect(path)?;
        schema::settle(&mut connection, path)?;
        Ok(Book::of(connection, path))
    }

    /// That a book's name ends as books' names do.
    pub(super) fn check_name(path: &Path) -> Result<(), Error> {
        if path.extension().is_some_and(|e| e == "lowspot") {
            return Ok(());
        }
        Err(fail::book(
            path,
            "a book's name ends in .lowspot, such as wing.lowspot",
        ))
    }

    /// One view of the book, whatever others enter meanwhile, until it is finished.
    pub(super) fn view(&self) -> Result<Transaction<'_>, Error> {
        self.connection
            .unchecked_transaction()
            .map_err(|e| fail::of(&self.path, e))
    }

    fn of(connection: Connection, path: &Path) -> Book {
        Book {
            connection,
            path: path.to_path_buf(),
            who: "someone".into(),
        }
    }

    /// Names whoever writes from now on, for others who find the book in use.
    pub fn written_by(&mut self, who: &str) {
        self.who = who.to_string();
    }

    /// Its file.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// Makes an entry and gives its number. When this returns, the entry is on the disk.
    ///
    /// # Errors
    /// No such panel; an entry that cannot be meant; a book in use, full or read-only. Nothing was
    /// entered then.
    pub fn enter(&mut self, panel: &str, entry: &NewEntry) -> Result<i64, Error> {
        let mut faults = entry.faults();
        faults.extend(entry.hidden());
        if !faults.is_empty() {
            return Err(Error::Usage(faults.join("\n")));
        }
        let row = self.panel(panel)?;
        let path = self.path.clone();
        self.write(|tx| {
            let entries = read::entries_of(tx, row.id).map_err(|e| fail::of(&path, e))?;
            let version: i64 = tx
                .query_row(
                    "SELECT max(id) FROM versions WHERE panel = ?1",
                    [row.id],
                    |r| r.get(0),
                )
                .map_err(|e| fail::of(&path, e))?;
            allowed(entry, &entries, version).map_err(|what| fail::book(&path, what))?;
            put(tx, entry, [row.id, version]).map_err(|e| fail::of(&path, e))
        })
    }

    /// Keeps what a survey found where it is not kept yet, as after an older book was brought up to
    /// date.
    ///
    /// # Errors
    /// A book that cannot be written.
    pub fn keep_result(&mut self, entry: i64, result: &SurveyResult) -> Result<(), Error> {
        let path = self.path.clone();
        self.write(|tx| {
            let sql = "SELECT count(*) FROM results WHERE entry = ?1";
            let there: i64 = tx
                .query_row(sql, [entry], |r| r.get(0))
                .map_err(|e| fail::of(&path, e))?;
            if there > 0 {
                return Ok(());
            }
            rows::result_columns(entry, result)
                .and_then(|columns| rows::insert(tx, "results", columns))
                .map_err(|e| fail::of(&path, e))
        })
    }

    /// One transaction, alone in the book. Given up wholly if `work` fails.
    pub(super) fn write<T>(
        &mut self,
        work: impl FnOnce(&Transaction) -> Result<T, Error>,
    ) -> Result<T, Error> {
        let path = &self.path;
        let tx = self
            .connection
            .transaction_with_behavior(TransactionBehavior::Immediate)
            .map_err(|e| fail::of(path, e))?;
        let _note = writer::Note::leave(path, &self.who);
        let done = work(&tx)?;
        // What is entered into a copy makes it a book of its own.
        chain::set_copy_of(&tx, None).map_err(|e| fail::of(path, e))?;
        tx.commit().map_err(|e| fail::of(path, e))?;
        Ok(done)
    }

    pub(super) fn list<T, P: rusqlite::Params>(
        &self,
        sql: &str,
        params: P,
        record: fn(&Row) -> rusqlite::Result<T>,
    ) -> Result<Vec<T>, Error> {
        read::list(&self.connection, sql, params, record).map_err(|e| fail::of(&self.path, e))
    }

    pub(super) fn one<T, P: rusqlite::Params>(
        &self,
        sql: &str,
        params: P,
        record: fn(&Row) -> rusqlite::Result<T>,
    ) -> Result<T, Error> {
        self.connection
            .query_row(sql, params, record)
            .map_err(|e| fail::of(&self.path, e))
    }
}

/// An open file, set up for safety.
pub(super) fn connect(path: &Path) -> Result<Connection, Error> {
    let set_up = || -> rusqlite::Result<Connection> {
        let flags = OpenFlags::SQLITE_OPEN_READ_WRITE | OpenFlags::SQLITE_OPEN_NO_MUTEX;
        let connection = Connection::open_with_flags(path, flags)?;
        connection.busy_timeout(PATIENCE)?;
        let longest = i32::try_from(super::MOST_STORED).unwrap_or(i32::MAX);
        connection.set_limit(Limit::SQLITE_LIMIT_LENGTH, longest)?;
        connection.execute_batch(
            "PRAGMA foreign_keys = ON; PRAGMA trusted_schema = OFF; PRAGMA cell_size_check = ON; PRAGMA synchronous = EXTRA; \
             PRAGMA journal_mode = DELETE;",
        )?;
        Ok(connection)
    };
    set_up().map_err(|e| fail::of(path, e))
}

/// Whether an entry may be made as the panel stands.
fn allowed(new: &NewEntry, entries: &[Entry], version: i64) -> Result<(), String> {
    if let Some((judged, _)) = &new.result
        && *judged != version
    {
        return Err("the panel was edited while the survey was read: enter it again".into());
    }
    if let Some(number) = new.strikes {
        let struck = entries.iter().find(|e| e.number == number).ok_or_else(|| {
            format!("this panel has no entry {number}; `lowspot diary` shows them")
        })?;
        if let Some(by) = struck.struck_by {
            return Err(format!("entry {number} is struck already, by entry {by}"));
        }
    }
    let held = standing::held(entries, now());
    match held.filter(|h| new.kind == Kind::Hold && Some(&h.by) != new.who.as_ref()) {
        Some(hold) => Err(format!("{hold}; `lowspot free` comes first")),
        None => Ok(()),
    }
}

fn put(tx: &Transaction, entry: &NewEntry, [panel, version]: [i64; 2]) -> rusqlite::Result<i64> {
    let number: i64 = tx.query_row(
        "SELECT coalesce(max(number), 0) + 1 FROM entries",
        [],
        |r| r.get(0),
    )?;
    let row = EntryRow {
        number,
        panel,
        version,
        entered_at: now(),
        entry,
    };
    put_row(tx, &row)?;
    Ok(number)
}

/// An entry with its files and its result.
pub(super) fn put_row(tx: &Connection, row: &EntryRow) -> rusqlite::Result<()> {
    rows::insert(tx, "entries", row.columns()?)?;
    for file in &row.entry.files {
        let id: i64 = tx.query_row("SELECT coalesce(max(id), 0) + 1 FROM files", [], |r| {
            r.get(0)
        })?;
        let columns = vec![
            ("id", Value::Integer(id)),
            ("entry", Value::Integer(row.number)),
            ("role", Value::Text(file.role.word().to_string())),
            ("name", Value::Text(file.name.clone())),
            ("sha256", Value::Text(seal::sha256(&file.bytes))),
            ("bytes", Value::Blob(file.bytes.clone())),
        ];
        rows::insert(tx, "files", columns)?;
    }
    match &row.entry.result {
        Some((_, result)) => rows::insert(tx, "results", rows::result_columns(row.number, result)?),
        None => Ok(()),
    }
}

impl Book {
    /// Why a panel's last survey no longer holds; `None` while it does, or where there is none.
    ///
    /// # Errors
    /// No such panel.
    pub fn stale(&self, panel: &str) -> Result<Option<String>, Error> {
        Ok(standing::stale(&self.entries(panel)?))
    }

    /// Who holds a panel at `now`.
    ///
    /// # Errors
    /// No such panel.
    pub fn held(&self, panel: &str, now: Timestamp) -> Result<Option<standing::Hold>, Error> {
        Ok(standing::held(&self.entries(panel)?, now))
    }

    /// Entries of a panel in the order of their numbers, struck ones too, and told as struck.
    ///
    /// # Errors
    /// No such panel; an entry that cannot be understood.
    pub fn entries(&self, panel: &str) -> Result<Vec<Entry>, Error> {
        let row = self.panel(panel)?;
        read::entries_of(&self.connection, row.id).map_err(|e| fail::of(&self.path, e))
    }

    /// Entries of all panels in the order of their numbers.
    ///
    /// # Errors
    /// An entry that cannot be understood.
    pub fn all_entries(&self) -> Result<Vec<Entry>, Error> {
        let sql = format!("SELECT {} FROM entries ORDER BY number", rows::ENTRY);
        let mut entries = self.list(&sql, [], rows::entry)?;
        entry::resolve_strikes(&mut entries);
        Ok(entries)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_book_is_opened_with_what_its_safety_rests_on() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("a.lowspot");
        drop(Book::create(&path).unwrap());
        // Somebody's tool has changed how it is journalled.
        let other = Connection::open(&path).unwrap();
        other.pragma_update(None, "journal_mode", "wal").unwrap();
        drop(other);
        let book = Book::open(&path).unwrap();
        let read = |name: &str| -> String {
            let value: Value = book
                .connection
                .pragma_query_value(None, name, |row| row.get(0))
                .unwrap();
            format!("{value:?}")
        };
        assert_eq!(read("journal_mode"), "Text(\"delete\")");
        assert_eq!(read("synchronous"), "Integer(3)", "EXTRA");
        assert_eq!(read("foreign_keys"), "Integer(1)");
        assert!(!dir.path().join("a.lowspot-wal").exists());
    }
}
