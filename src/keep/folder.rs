//! A book as plain files, and back without loss.
//!
//! `book.toml`; `panels/1-cabin-roof/` with `about.toml` and each version of its panel.toml;
//! `entries/00001-survey/` with `entry.toml`, the files as they came in, and what a survey found in
//! `result.json` and `field.csv`.

mod field;
mod files;

pub use files::{About, BookFile, EntryFile};

use super::book::{self, Book};
use super::entry::{Entry, NewEntry};
use super::panels::{self, PanelRow, PanelVersion};
use super::result::SurveyResult;
use super::rows::{self, EntryRow};
use super::{check, copy, fail, key, schema};
use crate::problem::{Error, Fault};
use crate::text;
use files::{Reader, Writer};
use rusqlite::{Connection, TransactionBehavior};
use std::collections::HashMap;
use std::path::Path;

/// The version of this layout.
pub const FORMAT: u32 = 1;

/// Writes everything in a book into a new folder, and gives the number of files.
///
/// # Errors
/// The folder is there already, or cannot be written. Nothing is left then.
pub fn export(book: &Book, dir: &Path) -> Result<usize, Error> {
    let mut writer = Writer::begin(dir)?;
    // One view of panels and entries. Files and results never change, so they are read afterwards
    // and nobody waits for them.
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

/// What an exported folder tells, without the files and results of its entries.
struct Whole {
    panels: Vec<PanelTold>,
    entries: Vec<EntryTold>,
}

/// A panel and the folder that tells of it.
struct PanelTold {
    folder: String,
    about: About,
    versions: Vec<PanelVersion>,
}

/// An entry and the folder that tells of it.
struct EntryTold {
    folder: String,
    told: EntryFile,
}

/// Makes a new book from an exported folder, checks it, and gives the number of its entries.
///
/// # Errors
/// Everything wrong in the folder's files; a book of that name is there. No book is left then.
pub fn import(dir: &Path, to: &Path) -> Result<usize, Error> {
    Book::check_name(to)?;
    let mut reader = Reader::new(dir);
    let whole = read(&mut reader);
    // What is missing because it could not be read is not told a second time.
    if let Some(whole) = whole.as_ref().filter(|_| reader.is_sound()) {
        check_references(&mut reader, whole);
    }
    let Some(whole) = whole else {
        return Err(Error::Faults(reader.into_faults()));
    };
    copy::build(to, |waiting| {
        let mut connection = book::connect(waiting)?;
        fill(&mut connection, &whole, &mut reader, to)?;
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
        panels.extend(read_panel(reader, folder));
    }
    let mut entries = Vec::new();
    for folder in reader.folders("entries") {
        let told = reader.toml(&entry_file(&folder));
        entries.extend(told.map(|told| EntryTold { folder, told }));
    }
    panels.sort_by_key(|p: &PanelTold| p.about.id);
    entries.sort_by_key(|e: &EntryTold| e.told.number);
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

fn about_file(folder: &str) -> String {
    format!("{folder}/about.toml")
}

fn entry_file(folder: &str) -> String {
    format!("{folder}/entry.toml")
}

/// That numbers are used once, and that what panels and entries refer to is there: the tables would
/// refuse it without saying where.
fn check_references(reader: &mut Reader, whole: &Whole) {
    let mut panels: HashMap<i64, &str> = HashMap::new();
    let mut keys: HashMap<String, &str> = HashMap::new();
    let mut versions: HashMap<i64, i64> = HashMap::new();
    for panel in &whole.panels {
        let (name, about) = (about_file(&panel.folder), &panel.about);
        if let Some(other) = panels.insert(about.id, &panel.folder) {
            reader.fault_of_key(
                &name,
                "id",
                format!("id {} is that of {other} too", about.id),
            );
        }
        if let Some(other) = keys.insert(key(&about.name), &panel.folder) {
            let what = format!("{} is the name of {other} too", text::quoted(&about.name));
            reader.fault_of_key(&name, "name", what);
        }
        if about.version.is_empty() {
            reader.fault(&name, "has no [[version]]; a panel has one at least");
        }
        for version in &about.version {
            if versions.insert(version.id, about.id).is_some() {
                reader.fault(&name, format!("version {} is there twice", version.id));
            }
        }
    }
    for panel in &whole.panels {
        if let Some(twin) = panel.about.twin.filter(|twin| !panels.contains_key(twin)) {
            let what = format!("twin {twin} is the id of no panel here");
            reader.fault_of_key(&about_file(&panel.folder), "twin", what);
        }
    }
    let mut before: HashMap<i64, &str> = HashMap::new();
    for EntryTold { folder, told } in &whole.entries {
        let name = entry_file(folder);
        if !panels.contains_key(&told.panel) {
            let what = format!("panel {} is the id of no panel here", told.panel);
            reader.fault_of_key(&name, "panel", what);
        } else if versions.get(&told.version) != Some(&told.panel) {
            let what = format!("version {} is none of panel {}", told.version, told.panel);
            reader.fault_of_key(&name, "version", what);
        }
        if let Some(struck) = told.strikes.filter(|n| !before.contains_key(n)) {
            let what = format!("strikes entry {struck}, which is not there before it");
            reader.fault_of_key(&name, "strikes", what);
        }
        if let Some(other) = before.insert(told.number, folder) {
            let what = format!("number {} is that of {other} too", told.number);
            reader.fault_of_key(&name, "number", what);
        }
    }
}

fn read_panel(reader: &mut Reader, folder: String) -> Option<PanelTold> {
    let about: About = reader.toml(&about_file(&folder))?;
    let versions = about
        .version
        .iter()
        .filter_map(|told| {
            Some(PanelVersion {
                id: told.id,
                panel: about.id,
                entered_at: told.entered_at.clone(),
                file: told.file.clone(),
                bytes: reader.stored(&folder, &told.stored)?,
            })
        })
        .collect();
    Some(PanelTold {
        folder,
        about,
        versions,
    })
}

/// An entry with its files and its result.
fn read_entry(reader: &mut Reader, EntryTold { folder, told }: &EntryTold) -> Option<NewEntry> {
    let name = entry_file(folder);
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
    Some(entry)
}

/// Fills the tables entry by entry, so that no more than one entry's files are in memory. Faults
/// are gathered to the end; with one, nothing is kept.
fn fill(
    connection: &mut Connection,
    whole: &Whole,
    reader: &mut Reader,
    to: &Path,
) -> Result<(), Error> {
    let told = |e| fail::of(to, e);
    schema::make(connection, schema::VERSION).map_err(told)?;
    let tx = connection
        .transaction_with_behavior(TransactionBehavior::Immediate)
        .map_err(told)?;
    if reader.is_sound() {
        fill_panels(&tx, whole).map_err(told)?;
    }
    for entry in &whole.entries {
        let read = read_entry(reader, entry);
        let Some(new) = read.filter(|_| reader.is_sound()) else {
            continue;
        };
        let row = EntryRow {
            number: entry.told.number,
            panel: entry.told.panel,
            version: entry.told.version,
            entered_at: entry.told.entered_at,
            entry: &new,
        };
        book::put_row(&tx, &row).map_err(told)?;
    }
    if !reader.is_sound() {
        return Err(Error::Faults(reader.faults().to_vec()));
    }
    tx.commit().map_err(told)
}

fn fill_panels(tx: &Connection, whole: &Whole) -> rusqlite::Result<()> {
    for PanelTold {
        about, versions, ..
    } in &whole.panels
    {
        rows::insert(tx, "panels", panels::columns(about.id, &about.name, None))?;
        for version in versions {
            panels::insert_version(tx, version.clone())?;
        }
    }
    for PanelTold { about, .. } in whole.panels.iter().filter(|p| p.about.twin.is_some()) {
        panels::set_twin(tx, about.id, about.twin)?;
    }
    Ok(())
}
