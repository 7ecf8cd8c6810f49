//! Files and folders that are not whole yet: each lies under a name of its own beside its place,
//! ".map.png.4711.part", until it is moved there.
//!
//! A part is locked while it is written. One that nobody has locked was left by a run that was
//! stopped; the next part for the same place takes it away.

use std::fs::File;
use std::io;
use std::path::{Path, PathBuf};

/// How often a part is begun anew when another run took it for one left behind.
const TRIES: usize = 5;

/// A part while it is written. Dropped, it is taken away, unless it was moved to its place.
#[derive(Debug)]
pub(crate) struct Part {
    path: PathBuf,
    /// Holds the lock.
    file: File,
}

impl Part {
    /// Begins an empty file for a place.
    pub(crate) fn file(target: &Path) -> io::Result<Part> {
        Part::begin(target, |path| {
            File::options().write(true).create_new(true).open(path)
        })
    }

    /// Begins an empty folder for a place.
    pub(crate) fn folder(target: &Path) -> io::Result<Part> {
        Part::begin(target, |path| {
            std::fs::create_dir(path)?;
            File::open(path)
        })
    }

    fn begin(target: &Path, make: impl Fn(&Path) -> io::Result<File>) -> io::Result<Part> {
        sweep(target);
        let path = beside(target);
        for _ in 0..TRIES {
            let part = Part {
                file: make(&path)?,
                path: path.clone(),
            };
            // A file system that knows no locks goes without.
            let _ = part.file.lock();
            if part.path.exists() {
                return Ok(part);
            }
        }
        Err(io::ErrorKind::ResourceBusy.into())
    }

    /// Where it lies.
    pub(crate) fn path(&self) -> &Path {
        &self.path
    }

    /// The open file.
    pub(crate) fn open(&mut self) -> &mut File {
        &mut self.file
    }
}

impl Drop for Part {
    fn drop(&mut self) {
        remove(&self.path);
    }
}

/// A name that no other run uses.
fn beside(target: &Path) -> PathBuf {
    let name = target.file_name().unwrap_or_default().to_string_lossy();
    target.with_file_name(format!(".{name}.{}.part", std::process::id()))
}

/// Takes away parts for a place that stopped runs left behind. What cannot be listed or taken away
/// stays.
fn sweep(target: &Path) {
    let folder = match target.parent() {
        Some(folder) if !folder.as_os_str().is_empty() => folder,
        _ => Path::new("."),
    };
    let begin = format!(
        ".{}.",
        target.file_name().unwrap_or_default().to_string_lossy()
    );
    for entry in std::fs::read_dir(folder).into_iter().flatten().flatten() {
        let name = entry.file_name();
        let name = name.to_string_lossy();
        let part = name.strip_suffix(JOURNAL).unwrap_or(&name);
        let number = part
            .strip_prefix(begin.as_str())
            .and_then(|rest| rest.strip_suffix(".part"));
        let ours = number.is_some_and(|n| !n.is_empty() && n.bytes().all(|b| b.is_ascii_digit()));
        let part = folder.join(part);
        if ours && (!part.exists() || left_behind(&part)) {
            remove(&part);
            remove(&folder.join(&*name));
        }
    }
}

/// What SQLite adds to the name of a part while it writes into it.
const JOURNAL: &str = "-journal";

/// Whether nobody holds the lock of a part. A link is none of ours.
fn left_behind(path: &Path) -> bool {
    let plain = path
        .symlink_metadata()
        .is_ok_and(|about| about.is_file() || about.is_dir());
    plain && File::open(path).is_ok_and(|file| file.try_lock().is_ok())
}

fn remove(path: &Path) {
    let _ = match path.is_dir() {
        true => std::fs::remove_dir_all(path),
        false => std::fs::remove_file(path),
    };
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn parts_of_stopped_runs_go_and_those_being_written_stay() {
        let dir = tempfile::tempdir().unwrap();
        let place = dir.path().join("copy.lowspot");
        std::fs::write(dir.path().join(".copy.lowspot.123456.part"), "left").unwrap();
        std::fs::create_dir_all(dir.path().join(".copy.lowspot.123457.part/panels")).unwrap();
        std::fs::write(dir.path().join(".copy.lowspot.mine.part"), "no number").unwrap();
        std::fs::write(dir.path().join(".other.lowspot.123456.part"), "of another").unwrap();
        let busy = File::create(dir.path().join(".copy.lowspot.123458.part")).unwrap();
        busy.lock().unwrap();
        let part = Part::file(&place).unwrap();
        let mut names: Vec<String> = std::fs::read_dir(dir.path())
            .unwrap()
            .map(|e| e.unwrap().file_name().to_string_lossy().into_owned())
            .collect();
        names.sort();
        let own = format!(".copy.lowspot.{}.part", std::process::id());
        let mut expected = vec![
            ".copy.lowspot.123458.part".to_string(),
            own,
            ".copy.lowspot.mine.part".to_string(),
            ".other.lowspot.123456.part".to_string(),
        ];
        expected.sort();
        assert_eq!(names, expected);
        let path = part.path().to_path_buf();
        drop(part);
        assert!(!path.exists());
    }
}
