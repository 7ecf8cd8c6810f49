//! What the tests share: simulated panels, panels from text, files in a folder of their own.

pub mod coat_cells;
pub mod levels;
pub mod render;
pub mod sanded_photo;
pub mod shop_floor;
pub mod simulate;
pub mod targets;

use lowspot::panel::{Panel, file};
use std::path::PathBuf;

/// A panel from the text of its file; fails with the faults.
pub fn panel(text: &str) -> Panel {
    match file::parse(text, "panel.toml") {
        Ok((panel, _)) => panel,
        Err(faults) => panic!("{}", all(&faults)),
    }
}

/// A flat rectangle of 1800 × 1200 mm with one limit.
pub fn roof() -> Panel {
    panel(
        "name = \"cabin roof\"\nlength = 1800\nwidth = 1200\nform = \"flat\"\n[[limit]]\nbase = 300\ngap = 0.3\n",
    )
}

/// Faults as the user sees them, one a line.
pub fn all(faults: &[lowspot::problem::Fault]) -> String {
    faults
        .iter()
        .map(ToString::to_string)
        .collect::<Vec<_>>()
        .join("\n")
}

/// Files with their contents in a new folder, which lives as long as the returned value.
pub fn folder(files: &[(&str, &[u8])]) -> (tempfile::TempDir, Vec<PathBuf>) {
    let dir = tempfile::tempdir().expect("a folder for the test");
    let paths = files
        .iter()
        .map(|(name, bytes)| {
            let path = dir.path().join(name);
            std::fs::write(&path, bytes).expect("a file for the test");
            path
        })
        .collect();
    (dir, paths)
}
