//! The files of an exported folder: what stands in each, written all or none, read with every fault
//! named.

use super::{FORMAT, field};
use crate::keep::entry::{Entry, Kind, NewEntry, NewFile, Role, StoredFile};
use crate::keep::facts::Facts;
use crate::keep::panels::{PanelRow, PanelVersion};
use crate::keep::result::{Summary, SurveyResult};
use crate::keep::seal;
use crate::parts::Part;
use crate::problem::{Error, Fault};
use crate::text;
use jiff::Timestamp;
use jiff::civil::Date;
use serde::de::DeserializeOwned;
use serde::{Deserialize, Serialize};
use std::path::{Component, Path, PathBuf};

/// Largest text file of an exported folder that is read, bytes.
const MOST_TEXT: u64 = 60_000_000;
/// Largest stored file that is read, bytes.
const MOST_FILE: u64 = super::super::MOST_STORED;

/// `book.toml`.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct BookFile {
    /// Version of the layout.
    pub format: u32,
    /// Version of the program that wrote it.
    pub program: String,
    /// Panels.
    pub panels: usize,
    /// Entries.
    pub entries: usize,
}

impl BookFile {
    /// Of so many panels and entries.
    pub fn new(panels: usize, entries: usize) -> Self {
        BookFile {
            format: FORMAT,
            program: env!("CARGO_PKG_VERSION").to_string(),
            panels,
            entries,
        }
    }
}

/// `about.toml` of a panel.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct About {
    /// The panel's row.
    pub id: i64,
    /// Its name.
    pub name: String,
    /// Row of its mirrored twin.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub twin: Option<i64>,
    /// Its versions, oldest first.
    pub version: Vec<VersionTold>,
}

/// One version of a panel's file.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct VersionTold {
    /// Its row.
    pub id: i64,
    /// When it came in, UTC.
    pub entered_at: String,
    /// Name of the file as it came in.
    pub file: String,
    /// Name of the file in this folder.
    pub stored: String,
}

impl About {
    /// Of a panel.
    pub fn of(panel: &PanelRow, twin: Option<i64>, versions: &[PanelVersion]) -> Self {
        let told = |(k, version): (usize, &PanelVersion)| VersionTold {
            id: version.id,
            entered_at: version.entered_at.clone(),
            file: version.file.clone(),
            stored: format!("panel-{}.toml", k + 1),
        };
        About {
            id: panel.id,
            name: panel.name.clone(),
            twin,
            version: versions.iter().enumerate().map(told).collect(),
        }
    }
}

/// `entry.toml`.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct EntryFile {
    /// Number of the entry.
    pub number: i64,
    /// The panel's row.
    pub panel: i64,
    /// Row of the panel's version.
    pub version: i64,
    /// Kind of work.
    pub kind: String,
    /// Day of the work.
    pub date: Date,
    /// When it was entered, UTC.
    pub entered_at: Timestamp,
    /// Who did it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub who: Option<String>,
    /// Hours of work.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub hours: Option<f64>,
    /// Skin temperature, °C.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub skin_c: Option<f64>,
    /// Where the panel was supported.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub supports: Option<String>,
    /// A remark.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub note: Option<String>,
    /// The entry that this one strikes.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub strikes: Option<i64>,
    /// What belongs to the kind.
    #[serde(default)]
    pub facts: Facts,
    /// What a survey found.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub result: Option<ResultTold>,
    /// Files stored with it.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub file: Vec<FileTold>,
}

/// One stored file.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct FileTold {
    /// What it was for.
    pub role: Role,
    /// Its name as it came in.
    pub name: String,
    /// Name of the file in this folder.
    pub stored: String,
    /// SHA-256 of its bytes.
    pub sha256: String,
}

/// What `result.json` and `field.csv` do not say.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ResultTold {
    /// Version of the program that found it.
    pub program: String,
    /// The nodes, if a surface was found.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub nodes: Option<NodesTold>,
}

/// The grid of `field.csv`.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct NodesTold {
    /// Spacing, mm.
    pub step_mm: f64,
    /// Nodes along x.
    pub nx: usize,
    /// Nodes along y.
    pub ny: usize,
}

impl EntryFile {
    /// Of an entry.
    pub fn of(entry: &Entry, files: &[StoredFile], result: Option<&SurveyResult>) -> Self {
        let told = |(k, file): (usize, &StoredFile)| FileTold {
            role: file.role,
            name: file.name.clone(),
            stored: format!("{}-{}", k + 1, plain(&file.name)),
            sha256: file.sha256.clone(),
        };
        EntryFile {
            number: entry.number,
            panel: entry.panel,
            version: entry.version,
            kind: entry.kind.word().to_string(),
            date: entry.date,
            entered_at: entry.entered_at,
            who: entry.who.clone(),
            hours: entry.hours,
            skin_c: entry.skin_c,
            supports: entry.supports.clone(),
            note: entry.note.clone(),
            strikes: entry.strikes,
            facts: entry.facts.clone(),
            result: result.map(ResultTold::of),
            file: files.iter().enumerate().map(told).collect(),
        }
    }

    /// The entry to be made from it, its files and result left out.
    ///
    /// # Errors
    /// An unknown kind.
    pub fn entry(&self) -> Result<NewEntry, String> {
        Ok(NewEntry {
            kind: Kind::from_word(&self.kind)?,
            date: self.date,
            who: self.who.clone(),
            hours: self.hours,
            skin_c: self.skin_c,
            supports: self.supports.clone(),
            note: self.note.clone(),
            facts: self.facts.clone(),
            strikes: self.strikes,
            files: Vec::new(),
            result: None,
        })
    }
}

impl ResultTold {
    fn of(result: &SurveyResult) -> Self {
        ResultTold {
            program: result.program.clone(),
            nodes: result.field.as_ref().map(|f| NodesTold {
                step_mm: f.step_mm,
                nx: f.nx,
                ny: f.ny,
            }),
        }
    }
}

/// A name that any file system takes: letters, digits, dot and dash, no longer than 60.
pub(super) fn plain(name: &str) -> String {
    let plain: String = name
        .chars()
        .take(60)
        .map(|c| {
            if c.is_ascii_alphanumeric() || matches!(c, '.' | '-' | '_') {
                c
            } else {
                '-'
            }
        })
        .collect();
    match plain.trim_matches('.') {
        "" => "file".to_string(),
        plain => plain.to_string(),
    }
}

/// A new folder while it is written, under a name of its own until it is whole.
pub(super) struct Writer {
    dir: PathBuf,
    waiting: Part,
    files: usize,
}

impl Writer {
    pub(super) fn begin(dir: &Path) -> Result<Writer, Error> {
        if dir.symlink_metadata().is_ok() {
            return Err(Error::Book {
                path: dir.to_path_buf(),
                what: "is there already; nothing is written over: choose another folder".into(),
            });
        }
        if let Some(above) = dir.parent().filter(|f| !f.as_os_str().is_empty()) {
            std::fs::create_dir_all(above).map_err(|e| refused(dir, e))?;
        }
        let writer = Writer {
            dir: dir.to_path_buf(),
            waiting: Part::folder(dir).map_err(|e| refused(dir, e))?,
            files: 0,
        };
        for folder in ["panels", "entries"] {
            std::fs::create_dir_all(writer.waiting.path().join(folder))
                .map_err(|e| writer.refused(e))?;
        }
        Ok(writer)
    }

    pub(super) fn bytes(&mut self, name: &str, bytes: &[u8]) -> Result<(), Error> {
        let path = self.waiting.path().join(name);
        let folder = path.parent().map_or(Ok(()), std::fs::create_dir_all);
        folder
            .and_then(|()| std::fs::write(&path, bytes))
            .map_err(|e| self.refused(e))?;
        self.files += 1;
        Ok(())
    }

    pub(super) fn toml<T: Serialize>(&mut self, name: &str, value: &T) -> Result<(), Error> {
        let text = toml::to_string(value)
            .map_err(|e| Error::Calculation(format!("{name} could not be made: {e}")))?;
        self.bytes(name, text.as_bytes())
    }

    pub(super) fn done(self) -> Result<usize, Error> {
        std::fs::rename(self.waiting.path(), &self.dir).map_err(|e| self.refused(e))?;
        Ok(self.files)
    }

    fn refused(&self, source: std::io::Error) -> Error {
        refused(&self.dir, source)
    }
}

fn refused(dir: &Path, source: std::io::Error) -> Error {
    Error::File {
        path: dir.to_path_buf(),
        source,
        advice: "choose a place that you may write to, with room".into(),
    }
}

/// An exported folder while it is read; what is wrong is gathered.
pub(super) struct Reader<'d> {
    dir: &'d Path,
    faults: Vec<Fault>,
}

impl<'d> Reader<'d> {
    pub(super) fn new(dir: &'d Path) -> Self {
        Reader {
            dir,
            faults: Vec::new(),
        }
    }

    pub(super) fn into_faults(self) -> Vec<Fault> {
        self.faults
    }

    pub(super) fn fault(&mut self, name: &str, message: impl Into<String>) {
        self.fault_at(name, (0, 0), message);
    }

    fn fault_at(&mut self, name: &str, (line, column): (usize, usize), message: impl Into<String>) {
        self.faults.push(Fault {
            file: self.dir.join(name).display().to_string(),
            line,
            column,
            message: message.into(),
        });
    }

    /// Folders within one, in the order of their names.
    pub(super) fn folders(&mut self, name: &str) -> Vec<String> {
        if self.is_link(name) {
            return Vec::new();
        }
        let listed = std::fs::read_dir(self.dir.join(name)).and_then(|list| {
            list.map(|f| f.map(|f| f.file_name().to_string_lossy().into_owned()))
                .collect::<std::io::Result<Vec<String>>>()
        });
        match listed {
            Ok(mut names) => {
                names.sort();
                let inner = names.iter().map(|n| format!("{name}/{n}"));
                inner.filter(|n| !self.is_link(n)).collect()
            }
            Err(e) => {
                self.fault(name, text::unreadable(&e));
                Vec::new()
            }
        }
    }

    /// A link leads out of the folder, to files that were never exported: told as a fault.
    fn is_link(&mut self, name: &str) -> bool {
        let link = self
            .dir
            .join(name)
            .symlink_metadata()
            .is_ok_and(|about| about.is_symlink());
        if link {
            self.fault(
                name,
                "is a link; an exported folder holds the files themselves: copy what it leads to in its place",
            );
        }
        link
    }

    /// A fault found later, at the line on which a key of the file stands.
    pub(super) fn fault_of_key(&mut self, name: &str, key: &str, message: impl Into<String>) {
        let line = std::fs::read_to_string(self.dir.join(name))
            .ok()
            .and_then(|text| {
                let stands = |line: &str| {
                    line.trim_start()
                        .strip_prefix(key)
                        .is_some_and(|rest| rest.trim_start().starts_with('='))
                };
                text.lines().position(stands).map(|at| at + 1)
            });
        self.fault_at(name, (line.unwrap_or(0), 0), message);
    }

    pub(super) fn faults(&self) -> &[Fault] {
        &self.faults
    }

    pub(super) fn is_sound(&self) -> bool {
        self.faults.is_empty()
    }

    fn text(&mut self, name: &str) -> Option<String> {
        if self.is_link(name) {
            return None;
        }
        text::read(&self.dir.join(name), MOST_TEXT)
            .map_err(|fault| self.faults.push(fault))
            .ok()
    }

    pub(super) fn toml<T: DeserializeOwned>(&mut self, name: &str) -> Option<T> {
        let text = self.text(name)?;
        match toml::from_str(&text) {
            Ok(value) => Some(value),
            Err(e) => {
                let at = e.span().map_or((0, 0), |s| text::place(&text, s.start));
                let what = e.message().lines().next().unwrap_or_default().to_string();
                self.fault_at(name, at, what);
                None
            }
        }
    }

    /// The bytes of a stored file, which lies in the folder itself.
    pub(super) fn stored(&mut self, folder: &str, stored: &str) -> Option<Vec<u8>> {
        let mut parts = Path::new(stored).components();
        let plain = matches!(
            (parts.next(), parts.next()),
            (Some(Component::Normal(_)), None)
        );
        if !plain {
            let what = format!("{} is no file in this folder", text::quoted(stored));
            self.fault(folder, what);
            return None;
        }
        if self.is_link(&format!("{folder}/{stored}")) {
            return None;
        }
        let path = self.dir.join(folder).join(stored);
        text::given(&path, MOST_FILE)
            .map(|given| given.bytes)
            .map_err(|fault| self.faults.push(fault))
            .ok()
    }

    pub(super) fn file(&mut self, folder: &str, told: &FileTold) -> Option<NewFile> {
        let bytes = self.stored(folder, &told.stored)?;
        if seal::sha256(&bytes) != told.sha256 {
            let what = "is not the file that came in: its checksum differs from entry.toml";
            self.fault(&format!("{folder}/{}", told.stored), what);
            return None;
        }
        Some(NewFile {
            role: told.role,
            name: told.name.clone(),
            bytes,
        })
    }

    pub(super) fn result(&mut self, folder: &str, told: &ResultTold) -> Option<SurveyResult> {
        let name = format!("{folder}/result.json");
        let json = self.text(&name)?;
        let summary: Summary = match serde_json::from_str(&json) {
            Ok(summary) => summary,
            Err(e) => {
                self.fault_at(
                    &name,
                    (e.line(), e.column()),
                    format!("cannot be read: {e}"),
                );
                return None;
            }
        };
        let field = match told.nodes {
            None => None,
            Some(nodes) => Some(self.field(folder, nodes)?),
        };
        Some(SurveyResult {
            program: told.program.clone(),
            summary,
            field,
        })
    }

    fn field(&mut self, folder: &str, nodes: NodesTold) -> Option<crate::keep::Field> {
        let name = format!("{folder}/field.csv");
        let text = self.text(&name)?;
        field::read(&text, nodes.step_mm, [nodes.nx, nodes.ny])
            .map_err(|(line, what)| self.fault_at(&name, (line, 0), what))
            .ok()
    }
}
