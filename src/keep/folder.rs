//! A book as plain files, and back without loss.
//!
//! `book.toml`; `panels/1-cabin-roof/` with `about.toml` and each version of its panel.toml; `entries/00001-survey/` with `entry.toml`, the
//! files as they came in, and what a survey found in `result.json` and `field.csv`.

mod field;
mod files;

pub use files::{About, BookFile, EntryFile};

use super::book::{self, Book};
use super::entry::{Entry, NewEntry};
use super::panels::{self, PanelRow, PanelVersion};
use super::result::SurveyResult;
use super::rows::{self, EntryRow};
use super::{check, copy, fail, schema};
use crate::problem::{Error, Fault};
use files::{Reader, Writer};
use rusqlite::{Connection, TransactionBehavior};
use std::path::Path;

/// The version of this layout.
pub const FORMAT: u32 = 1;

/// Writes everything in a book into a new folder, and gives the number of files.
///
/// # Errors
/// The folder is there already, or cannot be written. Nothing is left then.
pub fn export(book: &Book, dir: &Path) -> Result<usize, Error> {
    let mut writer = Writer::begin(dir)?;
    // One view of panels and entries. Files and results never change, so they are read afterwards and nobody waits for them.
    let view = book.view()?;
    let panels = book.panels()?;
    let entries = book.all_entries()?;
    writer.toml("book.toml", &BookFile::new(panels.len(), entries.len()))?;
    for panel in &panels {
        export_panel(book, &mut writer, panel, &panels)?;
    }
    view.finish().map_err(|e| fail::of(book.path(), e))?;
    for entry in &entries {
        export_entry(book, &mut writer, entry)?;
    }
    writer.done()
}

fn export_entry(book: &Book, writer: &mut Writer, entry: &Entry) -> Result<(), Error> {
    let folder = format!("entries/{:05}-{}", entry.number, entry.kind.word());
    let files = book.files(entry.number)?;
    let result = book.result(entry.number)?;
    let about = EntryFile::of(entry, &files, result.as_ref());
    for (file, told) in files.iter().zip(&about.file) {
        writer.bytes(&format!("{folder}/{}", told.stored), &file.bytes)?;
    }
    writer.toml(&format!("{folder}/entry.toml"), &about)?;
    match &result {
        Some(result) => export_result(writer, &folder, result),
        None => Ok(()),
    }
}

fn export_panel(
    book: &Book,
    writer: &mut Writer,
    panel: &PanelRow,
    all: &[PanelRow],
) -> Result<(), Error> {
    let folder = format!("panels/{}-{}", panel.id, files::plain(&panel.name));
    let versions = book.versions(&panel.name)?;
    let twin = panel
        .twin
        .as_ref()
        .and_then(|name| all.iter().find(|p| p.name == *name))
        .map(|p| p.id);
    let about = About::of(panel, twin, &versions);
    for (version, told) in versions.iter().zip(&about.version) {
        writer.bytes(&format!("{folder}/{}", told.stored), &version.bytes)?;
    }
    writer.toml(&format!("{folder}/about.toml"), &about)
}

fn export_result(writer: &mut Writer, folder: &str, result: &SurveyResult) -> Result<(), Error> {
    let summary = serde_json::to_string_pretty(&result.summary)
        .map_err(|e| Error::Calculation(format!("result.json could not be made: {e}")))?;
    writer.bytes(&format!("{folder}/result.json"), summary.as_bytes())?;
    match &result.field {
        Some(field) => writer.bytes(
            &format!("{folder}/field.csv"),
            field::text(field).as_bytes(),
        ),
        None => Ok(()),
    }
}

/// All that an exported folder holds.
struct Whole {
    panels: Vec<(About, Vec<PanelVersion>)>,
    entries: Vec<(EntryFile, NewEntry)>,
}

/// Makes a new book from an exported folder, checks it, and gives the number of its entries.
///
/// # Errors
/// Everything wrong in the folder's files; a book of that name is there. No book is left then.
pub fn import(dir: &Path, to: &Path) -> Result<usize, Error> {
    Book::check_name(to)?;
    let mut reader = Reader::new(dir);
    let whole = read(&mut reader);
    let faults = reader.into_faults();
    let Some(whole) = whole.filter(|_| faults.is_empty()) else {
        return Err(Error::Faults(faults));
    };
    copy::build(to, |waiting| {
        let mut connection = book::connect(waiting)?;
        fill(&mut connection, &whole).map_err(|e| fail::of(to, e))?;
        connection.close().map_err(|(_, e)| fail::of(to, e))?;
        sound(waiting, dir)
    })?;
    Ok(whole.entries.len())
}

/// What is wrong with the book as a whole, told as faults of the folder.
fn sound(waiting: &Path, dir: &Path) -> Result<(), Error> {
    let faults: Vec<Fault> = check::file(waiting)?
        .faults
        .into_iter()
        .map(|message| Fault {
            file: dir.display().to_string(),
            line: 0,
            column: 0,
            message,
        })
        .collect();
    if faults.is_empty() {
        Ok(())
    } else {
        Err(Error::Faults(faults))
    }
}

fn read(reader: &mut Reader) -> Option<Whole> {
    let head: BookFile = reader.toml("book.toml")?;
    if head.format != FORMAT {
        reader.fault(
            "book.toml",
            format!("format {} is not known; expected {FORMAT}", head.format),
        );
        return None;
    }
    let mut panels = Vec::new();
    for folder in reader.folders("panels") {
        panels.extend(read_panel(reader, &folder));
    }
    let mut entries = Vec::new();
    for folder in reader.folders("entries") {
        entries.extend(read_entry(reader, &folder));
    }
    panels.sort_by_key(|(about, _)| about.id);
    entries.sort_by_key(|(file, _)| file.number);
    if (panels.len(), entries.len()) != (head.panels, head.entries) {
        reader.fault(
            "book.toml",
            format!(
                "tells of {} panels and {} entries, but {} and {} are there; is the folder whole?",
                head.panels,
                head.entries,
                panels.len(),
                entries.len()
            ),
        );
    }
    Some(Whole { panels, entries })
}

fn read_panel(reader: &mut Reader, folder: &str) -> Option<(About, Vec<PanelVersion>)> {
    let about: About = reader.toml(&format!("{folder}/about.toml"))?;
    let versions = about
        .version
        .iter()
        .filter_map(|told| {
            Some(PanelVersion {
                id: told.id,
                panel: about.id,
                entered_at: told.entered_at.clone(),
                file: told.file.clone(),
                bytes: reader.stored(folder, &told.stored)?,
            })
        })
        .collect();
    Some((about, versions))
}

fn read_entry(reader: &mut Reader, folder: &str) -> Option<(EntryFile, NewEntry)> {
    let name = format!("{folder}/entry.toml");
    let told: EntryFile = reader.toml(&name)?;
    let mut entry = told.entry().map_err(|why| reader.fault(&name, why)).ok()?;
    for file in &told.file {
        entry.files.extend(reader.file(folder, file));
    }
    if let Some(head) = &told.result {
        let result = reader.result(folder, head)?;
        entry.result = Some((told.version, result));
    }
    for why in entry.faults() {
        reader.fault(&name, why);
    }
    Some((told, entry))
}

fn fill(connection: &mut Connection, whole: &Whole) -> rusqlite::Result<()> {
    schema::make(connection, schema::VERSION)?;
    let tx = connection.transaction_with_behavior(TransactionBehavior::Immediate)?;
    for (about, versions) in &whole.panels {
        rows::insert(&tx, "panels", panels::columns(about.id, &about.name, None))?;
        for version in versions {
            panels::insert_version(&tx, version.clone())?;
        }
    }
    for (about, _) in &whole.panels {
        panels::set_twin(&tx, about.id, about.twin)?;
    }
    for (told, entry) in &whole.entries {
        let row = EntryRow {
            number: told.number,
            panel: told.panel,
            version: told.version,
            entered_at: told.entered_at,
            entry,
        };
        book::put_row(&tx, &row)?;
    }
    tx.commit()
}
