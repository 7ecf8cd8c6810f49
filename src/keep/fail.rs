//! What SQLite says, in words that tell what to do.

use super::writer;
use crate::problem::Error;
use rusqlite::ErrorCode;
use rusqlite::ffi;
use std::path::Path;

/// Said of a file that is something else.
pub(crate) const NO_BOOK: &str =
    "is no job book; `lowspot book new` makes one, its name ends in .lowspot";
/// What to do about a damaged book.
pub(crate) const MEND: &str =
    "`lowspot book check` says where; go on from the last copy made with `lowspot book save`";

/// An error about a book.
pub(crate) fn book(path: &Path, what: impl Into<String>) -> Error {
    Error::Book {
        path: path.to_path_buf(),
        what: what.into(),
    }
}

/// What SQLite says, about a book.
pub(crate) fn of(path: &Path, error: rusqlite::Error) -> Error {
    let extended = match &error {
        rusqlite::Error::SqliteFailure(e, _) => e.extended_code,
        _ => 0,
    };
    let what = match error.sqlite_error_code() {
        Some(ErrorCode::DatabaseBusy | ErrorCode::DatabaseLocked) => in_use(path),
        Some(ErrorCode::NotADatabase) => NO_BOOK.to_string(),
        Some(ErrorCode::DatabaseCorrupt) => format!("is damaged ({error}); {MEND}"),
        Some(ErrorCode::DiskFull) => {
            "the disk is full: make room and enter it again; nothing was written, nothing lost".into()
        }
        Some(ErrorCode::ReadOnly) => format!("{READ_ONLY}; nothing was written, nothing lost"),
        Some(ErrorCode::TooBig) => format!(
            "holds, or would hold, a piece larger than {} MB, the most that is read; nothing was written",
            super::MOST_STORED / 1_000_000
        ),
        Some(ErrorCode::CannotOpen) => {
            "cannot be opened for writing: is the folder read-only? SQLite needs to write beside the book; nothing was written, \
             nothing lost"
                .into()
        }
        Some(ErrorCode::SystemIoFailure) if extended == ffi::SQLITE_IOERR_WRITE => format!(
            "could not be written ({error}): is the disk full or gone? Nothing was written, nothing lost"
        ),
        _ => format!("SQLite could not go on ({error}); nothing was written"),
    };
    book(path, what)
}

const READ_ONLY: &str =
    "may not be written: the book or its folder is read-only; change its permissions or copy it";

/// Who writes in it now.
fn in_use(path: &Path) -> String {
    let who = match writer::read(path) {
        Some(note) => format!("in use by {note}"),
        None => "in use by another program".to_string(),
    };
    format!("{who}: try again in a moment; nothing was written")
}
