//! A note beside the book that names who writes in it, so that a second writer learns whom to wait
//! for.
//!
//! It is no lock: SQLite's own lock is. A note left behind by a program that was stopped says
//! nothing and is written over.

use jiff::Timestamp;
use std::path::{Path, PathBuf};

/// Longest note that is read, bytes.
const MOST: usize = 500;

/// The note while it lies there.
pub(super) struct Note(PathBuf);

impl Note {
    /// Written once the lock is held. A folder in which it cannot be written leaves the message
    /// without a name, no more.
    pub(super) fn leave(book: &Path, who: &str) -> Note {
        let since = super::now();
        let note = Note(place(book));
        let _ = std::fs::write(&note.0, format!("{who}\n{}\n{since}\n", std::process::id()));
        note
    }
}

impl Drop for Note {
    fn drop(&mut self) {
        let _ = std::fs::remove_file(&self.0);
    }
}

/// "K (process 4711, since 14:03:07)"; `None` where nobody left one.
pub(super) fn read(book: &Path) -> Option<String> {
    let bytes = std::fs::read(place(book)).ok()?;
    let text = String::from_utf8_lossy(bytes.get(..MOST.min(bytes.len()))?).into_owned();
    let mut lines = text.lines();
    let (who, pid, since) = (lines.next()?, lines.next()?, lines.next()?);
    let since: Timestamp = since.parse().ok()?;
    let pid: u32 = pid.parse().ok()?;
    let who = crate::text::quoted(who);
    let time = super::local(since).time();
    Some(format!(
        "{} (process {pid}, since {time})",
        who.trim_matches('"')
    ))
}

fn place(book: &Path) -> PathBuf {
    let mut name = book.as_os_str().to_os_string();
    name.push("-writer");
    PathBuf::from(name)
}
