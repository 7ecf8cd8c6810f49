//! `lowspot book`: new, check, save, export, import.

use super::args::BookCommand;
use super::job::shown;
use super::shelf;
use crate::keep::{Book, check, folder, schema};
use crate::problem::Error;
use std::path::Path;
use std::process::ExitCode;

/// Run it.
///
/// # Errors
/// What stopped it; nothing has been written then.
pub fn run(command: &BookCommand) -> Result<ExitCode, Error> {
    match command {
        BookCommand::New { file } => new(file),
        BookCommand::Check { file, book } => {
            let named = file.as_deref().or(book.book.as_deref());
            return checked(&shelf::book(named)?);
        }
        BookCommand::Save { copy, book } => {
            shelf::open(book.book.as_deref(), None)?.save(copy)?;
            super::say(&format!("{}: a whole copy, checked", shown(copy)));
            Ok(())
        }
        BookCommand::Export { dir, book } => {
            let book = shelf::open(book.book.as_deref(), None)?;
            let files = folder::export(&book, dir)?;
            super::say(&format!("{}: {files} files", shown(dir)));
            Ok(())
        }
        BookCommand::Import { dir, file } => {
            let entries = folder::import(dir, file)?;
            super::say(&format!(
                "{}: {}",
                shown(file),
                count(entries, "entry", "entries")
            ));
            Ok(())
        }
    }?;
    Ok(ExitCode::SUCCESS)
}

fn new(file: &Path) -> Result<(), Error> {
    let book = Book::create(file)?;
    super::say(&format!(
        "{}: a new job book. Next: lowspot panel add PANEL.toml --book {}",
        shown(book.path()),
        shown(book.path())
    ));
    Ok(())
}

/// Exit status 0 if the book is whole, 1 if not.
fn checked(path: &Path) -> Result<ExitCode, Error> {
    let found = check::file(path)?;
    if found.faults.is_empty() {
        super::say(&format!(
            "{}: whole. {}, {}, {}, {}",
            shown(path),
            count(found.panels, "panel", "panels"),
            count(found.entries, "entry", "entries"),
            count(found.files, "file", "files"),
            count(found.results, "result", "results"),
        ));
        if found.version < schema::CHAINED {
            super::say(&format!(
                "  a book of version {}, in which a row that was taken out is not missed; the next entry brings it up to date",
                found.version
            ));
        }
        return Ok(ExitCode::SUCCESS);
    }
    for fault in &found.faults {
        super::say(&format!("{}: {fault}", shown(path)));
    }
    super::say(&format!(
        "{}: not whole. Put this file aside, and go on from the last copy made with `lowspot book save`",
        shown(path)
    ));
    Ok(ExitCode::FAILURE)
}

/// "1 entry", "12 entries".
pub(super) fn count(n: usize, one: &str, many: &str) -> String {
    format!("{n} {}", if n == 1 { one } else { many })
}
