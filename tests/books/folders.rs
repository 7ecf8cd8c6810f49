//! A book as plain files, and back.

use super::*;
use lowspot::keep::{Book, check};
use std::path::PathBuf;

/// Two books hold the same: every field of every entry, every byte of every file.
#[track_caller]
pub fn same_books(a: &Book, b: &Book) {
    let panels = a.panels().expect("read");
    assert_eq!(panels, b.panels().expect("read"));
    for panel in &panels {
        assert_eq!(
            a.versions(&panel.name).expect("read"),
            b.versions(&panel.name).expect("read")
        );
    }
    let entries = a.all_entries().expect("read");
    assert_eq!(entries, b.all_entries().expect("read"));
    for entry in &entries {
        assert_eq!(
            a.files(entry.number).expect("read"),
            b.files(entry.number).expect("read")
        );
        let [one, other] = [a, b].map(|book| book.result(entry.number).expect("read"));
        assert_eq!(one, other, "entry {}", entry.number);
    }
}

/// A book with something of everything.
fn full() -> tempfile::TempDir {
    let shop = shop();
    let dir = shop.path();
    // Line ends and a byte-order mark are kept as they came in.
    let odd = format!(
        "\u{feff}{}",
        LID.replace("locker lid", "Luke „B“ / 2")
            .replace('\n', "\r\n")
    );
    std::fs::write(dir.join("odd name.toml"), odd).expect("written");
    done(dir, &["panel", "add", "odd name.toml"]);
    done(dir, &["panel", "twin", NAME, "Luke „B“ / 2"]);
    done(dir, &["panel", "edit", NAME, "panel.toml"]);
    done(
        dir,
        &[
            "enter",
            NAME,
            "survey",
            "readings.txt",
            "--photo",
            "lid.png",
            "--targets",
            "targets.csv",
        ],
    );
    done(
        dir,
        &[
            "enter",
            NAME,
            "survey",
            "--photo",
            "lid.png",
            "--targets",
            "targets.csv",
        ],
    );
    let entries: [&[&str]; 8] = [
        &[
            "fill",
            "--recipe",
            "dry-micro",
            "--batch",
            "7",
            "--grams",
            "120.25",
            "--way",
            "spot-fill",
            "--min",
            "16.5 C",
        ],
        &["post-cure", "--temperature", "140 F", "--hold-hours", "8"],
        &[
            "prime",
            "--recipe",
            "build-primer",
            "--coats",
            "2",
            "--grams",
            "0.1",
        ],
        &[
            "sign-off",
            "--base",
            "12 in",
            "--means",
            "raking-light",
            "--by",
            "K",
        ],
        &[
            "weigh",
            "--grams",
            "1 lb",
            "--note",
            "line one\nline two \"quoted\" = [x] \\ 'y' °",
        ],
        &[
            "re-prop",
            "--supports",
            "x 300 900",
            "--hours",
            "0.333333333333",
        ],
        &[
            "hold",
            "--by",
            "M",
            "--until",
            "2026-03-14 14:00",
            "--why",
            "wet",
        ],
        &["strike", "3", "--why", "wrong"],
    ];
    for entry in entries {
        done(dir, &[&["enter", NAME][..], entry].concat());
    }
    shop
}

#[test]
fn a_book_goes_to_plain_files_and_back_without_loss() {
    let shop = full();
    let dir = shop.path();
    done(dir, &["book", "export", "plain"]);
    done(dir, &["book", "import", "plain", "back.lowspot"]);
    let [a, b] = ["lids.lowspot", "back.lowspot"].map(|n| Book::open(&dir.join(n)).expect("opens"));
    same_books(&a, &b);
    assert_eq!(
        check::file(b.path()).expect("checked").faults,
        Vec::<String>::new()
    );
    // The files lie there as they came in.
    let entry = dir.join("plain/entries/00001-survey");
    assert_eq!(
        std::fs::read(entry.join("1-readings.txt")).expect("there"),
        READINGS.as_bytes()
    );
    assert_eq!(
        std::fs::read(entry.join("2-lid.png")).expect("there"),
        photo()
    );
    let text = refused(
        dir,
        1,
        &["book", "export", "plain", "--book", "lids.lowspot"],
    );
    assert!(text.contains("nothing is written over"), "{text}");
    let text = refused(dir, 1, &["book", "import", "plain", "back.lowspot"]);
    assert!(text.contains("nothing is written over"), "{text}");
    // Once more: the folder of the copy is the folder of the book.
    done(dir, &["book", "export", "again", "--book", "back.lowspot"]);
    assert_eq!(all_files(&dir.join("plain")), all_files(&dir.join("again")));
}

fn all_files(dir: &Path) -> Vec<(PathBuf, Vec<u8>)> {
    let mut found = Vec::new();
    let mut folders = vec![dir.to_path_buf()];
    while let Some(folder) = folders.pop() {
        for file in std::fs::read_dir(folder).expect("a folder") {
            let path = file.expect("a file").path();
            if path.is_dir() {
                folders.push(path);
            } else {
                let name = path.strip_prefix(dir).expect("within").to_path_buf();
                found.push((name, std::fs::read(path).expect("read")));
            }
        }
    }
    found.sort();
    found
}

#[test]
fn a_folder_that_was_changed_is_refused_with_every_fault() {
    let shop = full();
    let dir = shop.path();
    done(dir, &["book", "export", "plain"]);
    let change = |name: &str, from: &str, to: &str| {
        let path = dir.join("plain").join(name);
        let text = std::fs::read_to_string(&path).expect("there");
        assert!(text.contains(from), "{name}: {text}");
        std::fs::write(&path, text.replacen(from, to, 1)).expect("written");
    };
    change("entries/00001-survey/1-readings.txt", "0.05", "0.50");
    change(
        "entries/00002-survey/entry.toml",
        "\"2-targets.csv\"",
        "\"../../book.toml\"",
    );
    change(
        "entries/00003-fill/entry.toml",
        "kind = \"fill\"",
        "kind = \"fil\"",
    );
    change("entries/00004-post-cure/entry.toml", "hold_h", "hold_hh");
    change("entries/00005-prime/entry.toml", "coats = 2", "coats = 0");
    change(
        "entries/00006-sign-off/entry.toml",
        "date = \"2",
        "date = \"x",
    );
    std::fs::remove_file(dir.join("plain/entries/00007-weigh/entry.toml")).expect("removed");
    let text = refused(dir, 1, &["book", "import", "plain", "back.lowspot"]);
    for expected in [
        "1-readings.txt: is not the file that came in",
        "\"../../book.toml\" is no file in this folder",
        "\"fil\" is no kind of entry; did you mean fill?",
        "00004-post-cure/entry.toml:",
        "--coats 0: expected 1 to 100 coats",
        "00006-sign-off/entry.toml:5:8:",
        "00007-weigh/entry.toml: no such file",
    ] {
        assert!(text.contains(expected), "{expected}\n{text}");
    }
    assert!(!dir.join("back.lowspot").exists());
    let left = all_files(dir);
    assert!(
        left.iter()
            .all(|(name, _)| !name.to_string_lossy().contains(".part"))
    );
}

#[test]
fn an_entry_that_is_missing_is_seen_by_its_number() {
    let shop = full();
    let dir = shop.path();
    done(dir, &["book", "export", "plain"]);
    std::fs::remove_dir_all(dir.join("plain/entries/00007-weigh")).expect("removed");
    let text = refused(dir, 1, &["book", "import", "plain", "back.lowspot"]);
    assert!(
        text.contains("tells of 2 panels and 10 entries, but 2 and 9 are there"),
        "{text}"
    );
    let head = dir.join("plain/book.toml");
    let text = std::fs::read_to_string(&head)
        .expect("there")
        .replace("entries = 10", "entries = 9");
    std::fs::write(&head, text).expect("written");
    let text = refused(dir, 1, &["book", "import", "plain", "back.lowspot"]);
    assert!(text.contains("entry 7 is not there"), "{text}");
    assert!(!dir.join("back.lowspot").exists());
}
