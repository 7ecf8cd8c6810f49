//! The panels of a book: added, edited (every version is kept), twinned.

use super::book::Book;
use super::rows::{self, Column};
use super::{chain, fail, key, now, seal};
use crate::panel::{Panel, file};
use crate::problem::{Error, Warning};
use crate::text;
use rusqlite::types::Value;
use rusqlite::{Connection, OptionalExtension, Row, params};

/// A panel of the book.
#[derive(Clone, Debug, PartialEq)]
pub struct PanelRow {
    /// Its row.
    pub id: i64,
    /// Its name, as written in the newest panel.toml.
    pub name: String,
    /// Name of its mirrored twin.
    pub twin: Option<String>,
    /// Row of its newest version.
    pub version: i64,
    /// How many versions there are.
    pub versions: i64,
}

/// One version of a panel's file.
#[derive(Clone, Debug, PartialEq)]
pub struct PanelVersion {
    /// Its row.
    pub id: i64,
    /// The panel's row.
    pub panel: i64,
    /// When it came in, UTC, RFC 3339.
    pub entered_at: String,
    /// Name of the file.
    pub file: String,
    /// panel.toml as it came in.
    pub bytes: Vec<u8>,
}

impl PanelVersion {
    /// The panel that it describes.
    ///
    /// # Errors
    /// All faults of the file.
    pub fn panel(&self) -> Result<(Panel, Vec<Warning>), Error> {
        parsed(&self.bytes, &self.file)
    }
}

const PANEL: &str = "SELECT p.id, p.name, t.name, max(v.id), count(v.id) FROM panels p LEFT JOIN panels t ON t.id = p.twin \
                     JOIN versions v ON v.panel = p.id";
pub(super) const VERSION: &str = "SELECT id, panel, entered_at, file, bytes FROM versions";

fn panel_row(row: &Row) -> rusqlite::Result<PanelRow> {
    Ok(PanelRow {
        id: row.get(0)?,
        name: row.get(1)?,
        twin: row.get(2)?,
        version: row.get(3)?,
        versions: row.get(4)?,
    })
}

pub(super) fn version_row(row: &Row) -> rusqlite::Result<PanelVersion> {
    Ok(PanelVersion {
        id: row.get(0)?,
        panel: row.get(1)?,
        entered_at: row.get(2)?,
        file: row.get(3)?,
        bytes: row.get(4)?,
    })
}

impl Book {
    /// All panels, in the order in which they were added.
    ///
    /// # Errors
    /// A book that cannot be read.
    pub fn panels(&self) -> Result<Vec<PanelRow>, Error> {
        self.list(
            &format!("{PANEL} GROUP BY p.id ORDER BY p.id"),
            [],
            panel_row,
        )
    }

    /// The panel of a name; capitals and blanks make no difference.
    ///
    /// # Errors
    /// No such panel, with the nearest.
    pub fn panel(&self, name: &str) -> Result<PanelRow, Error> {
        find(&self.connection, name)
            .map_err(|e| fail::of(self.path(), e))?
            .ok_or_else(|| self.no_panel(name))
    }

    pub(super) fn no_panel(&self, name: &str) -> Error {
        let names: Vec<String> = match self.panels() {
            Ok(panels) => panels.into_iter().map(|p| p.name).collect(),
            Err(e) => return e,
        };
        let advice = match text::closest(name, names.iter().map(String::as_str)) {
            Some(near) => format!("did you mean {near}?"),
            None => {
                "`lowspot panel list` shows its panels, `lowspot panel add` adds one".to_string()
            }
        };
        fail::book(
            self.path(),
            format!("has no panel called {}; {advice}", text::quoted(name)),
        )
    }

    /// The newest version of a panel's file.
    ///
    /// # Errors
    /// No such panel.
    pub fn newest(&self, name: &str) -> Result<PanelVersion, Error> {
        let row = self.panel(name)?;
        self.one(
            &format!("{VERSION} WHERE id = ?1"),
            [row.version],
            version_row,
        )
    }

    /// All versions of a panel's file, oldest first.
    ///
    /// # Errors
    /// No such panel.
    pub fn versions(&self, name: &str) -> Result<Vec<PanelVersion>, Error> {
        let row = self.panel(name)?;
        let sql = format!("{VERSION} WHERE panel = ?1 ORDER BY id");
        self.list(&sql, [row.id], version_row)
    }

    /// Adds a panel from the bytes of its file; `file` is the file's name.
    ///
    /// # Errors
    /// All faults of the file; a panel of that name is there already; the book cannot be written.
    pub fn add_panel(
        &mut self,
        bytes: &[u8],
        file: &str,
    ) -> Result<(PanelRow, Vec<Warning>), Error> {
        let (panel, warnings) = given(bytes, file)?;
        let path = self.path().to_path_buf();
        self.write(|tx| {
            if let Some(there) = find(tx, &panel.name).map_err(|e| fail::of(&path, e))? {
                return Err(fail::book(
                    &path,
                    format!(
                        "has a panel called {} already; give this one another name, or `lowspot panel edit` to change that one",
                        there.name
                    ),
                ));
            }
            add(tx, &panel.name, bytes, file).map_err(|e| fail::of(&path, e))
        })?;
        Ok((self.panel(&panel.name)?, warnings))
    }

    /// A new version of a panel's file. The name in it is the panel's from then on.
    ///
    /// # Errors
    /// All faults of the file; no such panel; another panel has the new name.
    pub fn edit_panel(
        &mut self,
        name: &str,
        bytes: &[u8],
        file: &str,
    ) -> Result<(PanelRow, Vec<Warning>), Error> {
        let (panel, warnings) = given(bytes, file)?;
        let row = self.panel(name)?;
        let path = self.path().to_path_buf();
        self.write(|tx| {
            let taken = find(tx, &panel.name).map_err(|e| fail::of(&path, e))?;
            if let Some(other) = taken.filter(|p| p.id != row.id) {
                return Err(fail::book(
                    &path,
                    format!("has another panel called {} already", other.name),
                ));
            }
            rename(tx, row.id, &panel.name)
                .and_then(|()| add_version(tx, row.id, bytes, file))
                .map_err(|e| fail::of(&path, e))
        })?;
        Ok((self.panel(&panel.name)?, warnings))
    }

    /// Makes two panels each other's mirrored twin. Earlier twins of either are free again; their
    /// names come back.
    ///
    /// # Errors
    /// No such panel; a panel is not its own twin.
    pub fn twin(&mut self, name: &str, other: &str) -> Result<Vec<String>, Error> {
        let (a, b) = (self.panel(name)?, self.panel(other)?);
        if a.id == b.id {
            let what = format!("{} cannot be a pair with itself", a.name);
            return Err(fail::book(self.path(), what));
        }
        let path = self.path().to_path_buf();
        let freed: Vec<PanelRow> = self
            .panels()?
            .into_iter()
            .filter(|p| p.id != a.id && p.id != b.id)
            .filter(|p| {
                p.twin
                    .as_ref()
                    .is_some_and(|t| *t == a.name || *t == b.name)
            })
            .collect();
        self.write(|tx| {
            let free = freed.iter().map(|p| (p.id, None));
            free.chain([(a.id, Some(b.id)), (b.id, Some(a.id))])
                .try_for_each(|(id, twin)| set_twin(tx, id, twin))
                .map_err(|e| fail::of(&path, e))
        })?;
        Ok(freed.into_iter().map(|p| p.name).collect())
    }
}

/// A panel that comes in: nothing in it or in its file's name may be hidden from the eye.
fn given(bytes: &[u8], file: &str) -> Result<(Panel, Vec<Warning>), Error> {
    let one = |fault| Error::Faults(vec![fault]);
    text::all_seen(file, file).map_err(|fault| one(text::of_name(fault)))?;
    if let Ok(words) = std::str::from_utf8(bytes) {
        text::all_seen(words, file).map_err(one)?;
    }
    parsed(bytes, file)
}

/// A panel from the bytes of its file.
pub(super) fn parsed(bytes: &[u8], file: &str) -> Result<(Panel, Vec<Warning>), Error> {
    let text = text::decode(bytes, file).map_err(|fault| Error::Faults(vec![fault]))?;
    file::parse(text, file).map_err(Error::Faults)
}

fn find(connection: &Connection, name: &str) -> rusqlite::Result<Option<PanelRow>> {
    connection
        .prepare(&format!("{PANEL} WHERE p.key = ?1 GROUP BY p.id"))?
        .query_row([key(name)], panel_row)
        .optional()
}

pub(super) fn add(tx: &Connection, name: &str, bytes: &[u8], file: &str) -> rusqlite::Result<()> {
    let id: i64 = tx.query_row("SELECT coalesce(max(id), 0) + 1 FROM panels", [], |r| {
        r.get(0)
    })?;
    rows::insert(tx, "panels", columns(id, name, None))?;
    add_version(tx, id, bytes, file)
}

fn add_version(tx: &Connection, panel: i64, bytes: &[u8], file: &str) -> rusqlite::Result<()> {
    let id: i64 = tx.query_row("SELECT coalesce(max(id), 0) + 1 FROM versions", [], |r| {
        r.get(0)
    })?;
    let version = PanelVersion {
        id,
        panel,
        entered_at: now().to_string(),
        file: bare(file),
        bytes: bytes.to_vec(),
    };
    insert_version(tx, version)
}

/// The name of a file without its folder.
fn bare(file: &str) -> String {
    let name = std::path::Path::new(file).file_name();
    name.map_or_else(|| file.to_string(), |n| n.to_string_lossy().into_owned())
}

pub(super) fn insert_version(tx: &Connection, version: PanelVersion) -> rusqlite::Result<()> {
    rows::insert(
        tx,
        "versions",
        vec![
            ("id", Value::Integer(version.id)),
            ("panel", Value::Integer(version.panel)),
            ("entered_at", Value::Text(version.entered_at)),
            ("file", Value::Text(version.file)),
            ("bytes", Value::Blob(version.bytes)),
        ],
    )
}

pub(super) fn columns(id: i64, name: &str, twin: Option<i64>) -> Vec<Column<'static>> {
    vec![
        ("id", Value::Integer(id)),
        ("name", Value::Text(name.to_string())),
        ("key", Value::Text(key(name))),
        ("twin", twin.map_or(Value::Null, Value::Integer)),
    ]
}

fn rename(tx: &Connection, id: i64, name: &str) -> rusqlite::Result<()> {
    let twin = tx.query_row("SELECT twin FROM panels WHERE id = ?1", [id], |r| r.get(0))?;
    put(tx, id, name, twin)
}

pub(super) fn set_twin(tx: &Connection, id: i64, twin: Option<i64>) -> rusqlite::Result<()> {
    let name: String = tx.query_row("SELECT name FROM panels WHERE id = ?1", [id], |r| r.get(0))?;
    put(tx, id, &name, twin)
}

/// Name and twin are the only things in a book that change, so the row is sealed anew.
fn put(tx: &Connection, id: i64, name: &str, twin: Option<i64>) -> rusqlite::Result<()> {
    let values: Vec<Value> = columns(id, name, twin).into_iter().map(|c| c.1).collect();
    let seal = seal::of_values("panels", &values);
    tx.execute(
        "UPDATE panels SET name = ?2, key = ?3, twin = ?4, seal = ?5 WHERE id = ?1",
        params![id, name, key(name), twin, seal],
    )?;
    chain::add(tx, "panels", id, &seal)
}
