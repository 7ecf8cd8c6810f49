//! Files written all or none: each to a name of its own first, then renamed, so that a full disk or a folder that
//! cannot be written leaves nothing half done.

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

/// Writes `files` into `dir`, making the folder if need be; files of the same names are replaced.
///
/// # Errors
/// [`Error::File`] names the path and what to do; files that stood there before are then as they were.
pub fn write_all(dir: &Path, files: &[File]) -> Result<(), Error> {
    let made = missing_folders(dir);
    let mut pending = Vec::new();
    let outcome = prepare(dir, files, &mut pending).and_then(|()| put_in_place(&pending));
    if outcome.is_err() {
        for (waiting, _) in &pending {
            let _ = std::fs::remove_file(waiting);
        }
        for folder in made {
            // Only an empty folder goes.
            let _ = std::fs::remove_dir(folder);
        }
    }
    outcome
}

/// Takes away overlays of an earlier map with more photos, which would be taken for today's: those numbered above `photos`. One that cannot
/// be taken away stays.
pub fn remove_old_overlays(dir: &Path, photos: usize) {
    if photos == 0 {
        let _ = std::fs::remove_file(dir.join("coat.csv"));
    }
    for k in photos..photos + 64 {
        let old = dir.join(overlay_name(k));
        if old.is_file() {
            let _ = std::fs::remove_file(old);
        }
    }
}

/// Name of the overlay of photo `k`, from 0: "overlay.jpg", "overlay-2.jpg", …
pub fn overlay_name(k: usize) -> String {
    match k {
        0 => "overlay.jpg".to_string(),
        k => format!("overlay-{}.jpg", k + 1),
    }
}

/// Folders of a path that do not exist yet, innermost first.
fn missing_folders(dir: &Path) -> Vec<PathBuf> {
    dir.ancestors()
        .take_while(|p| !p.as_os_str().is_empty() && !p.exists())
        .map(Path::to_path_buf)
        .collect()
}

fn prepare(dir: &Path, files: &[File], pending: &mut Vec<(PathBuf, PathBuf)>) -> Result<(), Error> {
    std::fs::create_dir_all(dir).map_err(|e| refused(dir, e))?;
    for file in files {
        let target = dir.join(&file.name);
        if target.is_dir() {
            return Err(refused(&target, ErrorKind::IsADirectory.into()));
        }
        let waiting = dir.join(format!(".{}.{}.part", file.name, std::process::id()));
        pending.push((waiting.clone(), target.clone()));
        let written = std::fs::File::create(&waiting).and_then(|mut out| {
            out.write_all(&file.bytes)?;
            out.flush()
        });
        written.map_err(|e| refused(&target, e))?;
    }
    Ok(())
}

fn put_in_place(pending: &[(PathBuf, PathBuf)]) -> Result<(), Error> {
    for (waiting, target) in pending {
        std::fs::rename(waiting, target).map_err(|e| refused(target, e))?;
    }
    Ok(())
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
