//! Copies of a book: whole and consistent, made while others enter into it.

use super::book::{self, Book};
use super::{chain, check, fail};
use crate::parts::Part;
use crate::problem::Error;
use rusqlite::backup::{Backup, StepResult};
use rusqlite::{Connection, OpenFlags};
use std::fs::OpenOptions;
use std::io::ErrorKind;
use std::path::Path;
use std::time::{Duration, Instant};

/// Pages copied at a time: 8 MB. Between them others may write.
const PAGES: i32 = 2048;
/// Pause when the book is just being written.
const PAUSE: Duration = Duration::from_millis(50);
/// Longest time a copy may take; every entry made meanwhile starts it anew.
const LONGEST: Duration = Duration::from_secs(600);

impl Book {
    /// Writes a copy of the book to a new file, and checks it.
    ///
    /// # Errors
    /// A file of that name is there; the disk is full; the copy is not sound. No copy is left then.
    pub fn save(&self, to: &Path) -> Result<(), Error> {
        build(to, |waiting| {
            let mut copy = Connection::open(waiting).map_err(|e| fail::of(to, e))?;
            pour(&self.connection, &mut copy).map_err(|e| fail::of(to, e))?;
            let name = self
                .path()
                .file_name()
                .unwrap_or_default()
                .to_string_lossy();
            chain::set_copy_of(&copy, Some(&name)).map_err(|e| fail::of(to, e))?;
            copy.close().map_err(|(_, e)| fail::of(to, e))?;
            let found = check::file(waiting)?;
            match found.faults.first() {
                None => Ok(()),
                Some(first) => Err(fail::book(
                    self.path(),
                    format!("is damaged, so no copy was made: {first}; {}", fail::MEND),
                )),
            }
        })
    }
}

/// All pages, some at a time.
fn pour(from: &Connection, to: &mut Connection) -> rusqlite::Result<()> {
    let begun = Instant::now();
    let backup = Backup::new(from, to)?;
    while begun.elapsed() < LONGEST {
        match backup.step(PAGES)? {
            StepResult::Done => return Ok(()),
            StepResult::More => {}
            _ => std::thread::sleep(PAUSE),
        }
    }
    Err(rusqlite::Error::SqliteFailure(
        rusqlite::ffi::Error::new(rusqlite::ffi::SQLITE_BUSY),
        None,
    ))
}

/// Builds a new file beside its place and moves it there when it is whole and on the disk, so that
/// a stop leaves nothing under its name. Nothing is written over.
pub(super) fn build(to: &Path, work: impl FnOnce(&Path) -> Result<(), Error>) -> Result<(), Error> {
    if to.symlink_metadata().is_ok() {
        return Err(refused(to, ErrorKind::AlreadyExists.into()));
    }
    let part = Part::file(to).map_err(|e| refused(to, e))?;
    work(part.path()).and_then(|()| settle(part.path(), to).map_err(|e| refused(to, e)))
}

/// Onto the disk, and to its name unless somebody has taken that meanwhile.
fn settle(waiting: &Path, to: &Path) -> std::io::Result<()> {
    OpenOptions::new().write(true).open(waiting)?.sync_all()?;
    match std::fs::hard_link(waiting, to) {
        Ok(()) => {}
        Err(e) if e.kind() == ErrorKind::AlreadyExists => return Err(e),
        // Some file systems, such as those of memory sticks, know no second name for a file.
        Err(_) => std::fs::rename(waiting, to)?,
    }
    match to.parent().filter(|p| !p.as_os_str().is_empty()) {
        Some(folder) => std::fs::File::open(folder)?.sync_all(),
        None => std::fs::File::open(".")?.sync_all(),
    }
}

/// Of which book a file is a copy into which nothing was entered since; `None` where it is none, or
/// no book at all.
pub fn copy_of(path: &Path) -> Option<String> {
    let flags = OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_NO_MUTEX;
    let connection = Connection::open_with_flags(path, flags).ok()?;
    chain::copy_of(&connection).ok().flatten()
}

fn refused(path: &Path, source: std::io::Error) -> Error {
    if source.kind() == ErrorKind::AlreadyExists {
        return fail::book(
            path,
            "is there already; nothing is written over: choose another name",
        );
    }
    let advice = match source.kind() {
        ErrorKind::NotFound => "make the folder first",
        ErrorKind::StorageFull | ErrorKind::QuotaExceeded => "make room on the disk",
        _ => "choose a place that you may write to",
    };
    Error::File {
        path: path.to_path_buf(),
        source,
        advice: advice.into(),
    }
}

/// Opens a file for checking, whatever is in it.
pub(super) fn unchecked(path: &Path) -> Result<Connection, Error> {
    if !path.is_file() {
        return Err(fail::book(path, "no such book"));
    }
    book::connect(path)
}
