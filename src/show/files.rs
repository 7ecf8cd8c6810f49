//! Files written all or none: each to a name of its own first, then renamed, so that a full disk or
//! a folder that cannot be written leaves nothing half done. A list beside them tells what lowspot
//! wrote, and nothing else is ever written over.

use crate::keep::seal::sha256;
use crate::parts::Part;
use crate::problem::Error;
use std::io::{ErrorKind, Write};
use std::path::{Path, PathBuf};

/// One file to be written: its name within the folder, and everything in it.
#[derive(Clone, Debug)]
pub struct File {
    /// Name, without a folder.
    pub name: String,
    /// Contents.
    pub bytes: Vec<u8>,
}

impl File {
    /// A file from its name and contents.
    pub fn new(name: &str, bytes: impl Into<Vec<u8>>) -> Self {
        File {
            name: name.into(),
            bytes: bytes.into(),
        }
    }
}

/// Name of the list of what lowspot wrote into a folder.
pub const LIST: &str = "lowspot-files.txt";
/// What stands at its top.
const HEAD: &str = "# Written by lowspot, with the SHA-256 of each file as it was written. lowspot writes over these files and no\n\
                    # others, and leaves alone what was changed since. Without this list it writes over nothing here.\n";
/// Largest list that is read, bytes.
const MOST_LIST: u64 = 10_000_000;

/// Writes `files` into `dir`, making the folder if need be. Files of the same names are replaced if
/// lowspot wrote them and nobody has changed them since.
///
/// # Errors
/// [`Error::File`] names the path and what to do; files that stood there before are then as they
/// were. [`Error::Usage`] where a file of that name is not lowspot's.
pub fn write_all(dir: &Path, files: &[File]) -> Result<(), Error> {
    write_beside(dir, files, &[])
}

/// The same for a command that reads `inputs`, none of which is ever written over.
///
/// # Errors
/// As [`write_all`]; an input bears the name of an output.
pub fn write_beside(dir: &Path, files: &[File], inputs: &[PathBuf]) -> Result<(), Error> {
    write(dir, at_hand(files), inputs, |_| false)
}

/// The same for a map, whose folder may hold overlays of an earlier one with more photos, which
/// would be taken for today's: those go, if lowspot wrote them.
///
/// # Errors
/// As [`write_beside`].
pub fn write_map(dir: &Path, files: &[File], inputs: &[PathBuf]) -> Result<(), Error> {
    write(dir, at_hand(files), inputs, |name| {
        is_overlay(name) || name == "coat.csv"
    })
}

/// The same for record packets, whose pages come one by one, and whose folder may hold pages of
/// panels that are no longer among them: those go, if lowspot wrote them.
///
/// # Errors
/// As [`write_all`].
pub fn write_packets(
    dir: &Path,
    files: impl Iterator<Item = Result<File, Error>>,
) -> Result<(), Error> {
    write(dir, files, &[], |name| {
        name.starts_with("packet") && name.ends_with(".html")
    })
}

/// Writes one file that must not be there yet, such as a form that will hold readings; no list
/// tells of it.
///
/// # Errors
/// [`Error::Usage`] where something of that name is there; [`Error::File`].
pub fn write_new(target: &Path, bytes: &[u8]) -> Result<(), Error> {
    let there = || {
        Error::Usage(format!(
            "{} is already there and may hold readings; choose another name",
            target.display()
        ))
    };
    if target.symlink_metadata().is_ok() {
        return Err(there());
    }
    if let Some(folder) = target.parent().filter(|f| !f.as_os_str().is_empty()) {
        std::fs::create_dir_all(folder).map_err(|e| refused(folder, e))?;
    }
    let part = part_of(target, bytes)?;
    match std::fs::hard_link(part.path(), target) {
        Ok(()) => Ok(()),
        Err(e) if e.kind() == ErrorKind::AlreadyExists => Err(there()),
        // Some file systems, such as those of memory sticks, know no second name for a file.
        Err(_) => move_to(part, target),
    }
}

/// Name of the overlay of photo `k`, from 0: "overlay.jpg", "overlay-2.jpg", …
pub fn overlay_name(k: usize) -> String {
    match k {
        0 => "overlay.jpg".to_string(),
        k => format!("overlay-{}.jpg", k + 1),
    }
}

fn is_overlay(name: &str) -> bool {
    let middle = name
        .strip_prefix("overlay")
        .and_then(|n| n.strip_suffix(".jpg"));
    middle.is_some_and(|n| {
        let number = n.strip_prefix('-').unwrap_or("0");
        n.is_empty() || !number.is_empty() && number.bytes().all(|b| b.is_ascii_digit())
    })
}

fn write(
    dir: &Path,
    files: impl Iterator<Item = Result<File, Error>>,
    inputs: &[PathBuf],
    outdated: impl Fn(&str) -> bool,
) -> Result<(), Error> {
    let made = missing_folders(dir);
    let outcome = put(dir, files, inputs, outdated);
    if outcome.is_err() {
        for folder in made {
            // Only an empty folder goes.
            let _ = std::fs::remove_dir(folder);
        }
    }
    outcome
}

/// Files that are at hand.
fn at_hand(files: &[File]) -> impl Iterator<Item = Result<File, Error>> + '_ {
    files.iter().cloned().map(Ok)
}

/// Each file becomes a part as it comes, so that no more than one need be in memory; then all are
/// put in their places.
fn put(
    dir: &Path,
    files: impl Iterator<Item = Result<File, Error>>,
    inputs: &[PathBuf],
    outdated: impl Fn(&str) -> bool,
) -> Result<(), Error> {
    let list = dir.join(LIST);
    let before = Written::read(&list)?;
    std::fs::create_dir_all(dir).map_err(|e| refused(dir, e))?;
    let mut new: Vec<(String, String)> = Vec::new();
    let mut parts = Vec::new();
    for file in files {
        let file = file?;
        let target = dir.join(&file.name);
        if let Some(input) = inputs.iter().find(|input| same(input, &target)) {
            return Err(is_input(&target, input));
        }
        if !before.may_replace(&target, &file) {
            return Err(not_ours(&target));
        }
        parts.push((part_of(&target, &file.bytes)?, target));
        new.push((sha256(&file.bytes), file.name));
    }
    let named = |name: &str| new.iter().any(|(_, n)| n == name);
    let gone: Vec<&str> = before
        .0
        .iter()
        .map(|(_, name)| name.as_str())
        .filter(|name| outdated(name) && !named(name) && before.wrote(&dir.join(name)))
        .filter(|name| !inputs.iter().any(|input| same(input, &dir.join(name))))
        .collect();
    let stay = before.0.iter().filter(|(_, name)| !named(name));
    let after = Written(
        stay.filter(|(_, name)| !gone.contains(&name.as_str()))
            .chain(&new)
            .cloned()
            .collect(),
    );
    // A stop between the files must leave a list that knows the old ones and the new.
    let both = Written(before.0.iter().chain(&new).cloned().collect());
    let (first, last) = (
        part_of(&list, both.text().as_bytes())?,
        part_of(&dir.join(format!("{LIST}.new")), after.text().as_bytes())?,
    );
    move_to(first, &list)?;
    for (part, target) in parts {
        move_to(part, &target)?;
    }
    for name in gone {
        let _ = std::fs::remove_file(dir.join(name));
    }
    move_to(last, &list)
}

/// What the list of a folder says: SHA-256 and name. A name may stand twice, when a run was
/// stopped.
#[derive(Debug, Default)]
struct Written(Vec<(String, String)>);

impl Written {
    fn read(list: &Path) -> Result<Written, Error> {
        if !list.exists() {
            return Ok(Written::default());
        }
        // A list that cannot be understood is none of ours, so it is not written over either.
        let text = crate::text::read(list, MOST_LIST)
            .ok()
            .filter(|text| text.starts_with(HEAD))
            .ok_or_else(|| not_ours(list))?;
        let lines = text.lines().filter(|line| !line.starts_with('#'));
        let pair = |line: &str| {
            let (sum, name) = line.split_once("  ")?;
            Some((sum.to_string(), name.to_string()))
        };
        Ok(Written(lines.filter_map(pair).collect()))
    }

    fn text(&self) -> String {
        let mut lines: Vec<String> = self
            .0
            .iter()
            .map(|(sum, name)| format!("{sum}  {name}\n"))
            .collect();
        lines.sort_by(|a, b| a.get(66..).cmp(&b.get(66..)).then(a.cmp(b)));
        lines.dedup();
        HEAD.to_string() + &lines.concat()
    }

    /// Whether lowspot wrote what lies there, and nobody has changed it.
    fn wrote(&self, target: &Path) -> bool {
        let name = target.file_name().unwrap_or_default().to_string_lossy();
        let plain = target.symlink_metadata().is_ok_and(|about| about.is_file());
        let mut sums = self.0.iter().filter(|(_, n)| *n == name).peekable();
        plain
            && sums.peek().is_some()
            && std::fs::read(target)
                .map(|bytes| sha256(&bytes))
                .is_ok_and(|found| sums.any(|(sum, _)| *sum == found))
    }

    /// Whether a file may be put there: nothing is there, or what lowspot wrote, or the very same.
    fn may_replace(&self, target: &Path, file: &File) -> bool {
        let Ok(about) = target.symlink_metadata() else {
            return true;
        };
        // A folder in the way is told of as such, later.
        let same = || {
            about.is_file()
                && about.len() == file.bytes.len() as u64
                && std::fs::read(target).is_ok_and(|bytes| bytes == file.bytes)
        };
        about.is_dir() || self.wrote(target) || same()
    }
}

/// Whether two paths are one file. What does not exist is none.
fn same(a: &Path, b: &Path) -> bool {
    match (a.canonicalize(), b.canonicalize()) {
        (Ok(a), Ok(b)) => a == b,
        _ => false,
    }
}

fn is_input(target: &Path, input: &Path) -> Error {
    let input = if input == target {
        String::new()
    } else {
        format!(" (as {})", input.display())
    };
    Error::Usage(format!(
        "{} is read by this command{input} and would be written over; choose another folder with --out",
        target.display()
    ))
}

fn not_ours(target: &Path) -> Error {
    Error::Usage(format!(
        "{} is there already, and it is not as lowspot wrote it (or an older version did): it is left alone; move it, or choose another \
         folder with --out",
        target.display()
    ))
}

/// Folders of a path that do not exist yet, innermost first.
fn missing_folders(dir: &Path) -> Vec<PathBuf> {
    dir.ancestors()
        .take_while(|p| !p.as_os_str().is_empty() && !p.exists())
        .map(Path::to_path_buf)
        .collect()
}

/// All bytes of a file, under a name of its own beside its place.
fn part_of(target: &Path, bytes: &[u8]) -> Result<Part, Error> {
    if target.is_dir() {
        return Err(refused(target, ErrorKind::IsADirectory.into()));
    }
    let written = Part::file(target).and_then(|mut part| {
        part.open().write_all(bytes)?;
        part.open().flush()?;
        Ok(part)
    });
    written.map_err(|e| refused(target, e))
}

fn move_to(part: Part, target: &Path) -> Result<(), Error> {
    std::fs::rename(part.path(), target).map_err(|e| refused(target, e))
}

fn refused(path: &Path, source: std::io::Error) -> Error {
    let advice = match source.kind() {
        ErrorKind::StorageFull | ErrorKind::QuotaExceeded => {
            "make room on the disk, or choose another folder with --out"
        }
        ErrorKind::PermissionDenied | ErrorKind::ReadOnlyFilesystem => {
            "choose a folder you may write to with --out"
        }
        ErrorKind::IsADirectory => {
            "a folder of that name is in the way: move it, or choose another with --out"
        }
        ErrorKind::NotADirectory | ErrorKind::AlreadyExists => {
            "a file of that name is in the way: move it, or choose another folder with --out"
        }
        _ => "choose another folder with --out",
    };
    Error::File {
        path: path.to_path_buf(),
        source,
        advice: advice.into(),
    }
}
