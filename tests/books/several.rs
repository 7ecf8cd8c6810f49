//! Several books in one folder, copies among them, and what stopped runs leave behind.

use super::*;

#[test]
fn a_copy_in_the_jobs_folder_is_in_nobodys_way() {
    let shop = shop();
    let dir = shop.path();
    done(dir, &["enter", NAME, "block"]);
    done(dir, &["book", "save", "copy.lowspot"]);
    done(dir, &["book", "save", "a-copy.lowspot"]);
    done(dir, &["enter", NAME, "block"]);
    done(dir, &["panel", "list"]);
    done(dir, &["log", NAME]);
    let text = done(dir, &["book", "check"]);
    assert!(
        text.contains("lids.lowspot: whole. 1 panel, 2 entries"),
        "{text}"
    );
    // Asked by name, a copy is checked too.
    let text = done(dir, &["book", "check", "--book", "copy.lowspot"]);
    assert!(
        text.contains("copy.lowspot: whole. 1 panel, 1 entry"),
        "{text}"
    );
    // Without the book itself, its only copy is the book.
    std::fs::remove_file(dir.join("a-copy.lowspot")).expect("removed");
    std::fs::rename(dir.join("lids.lowspot"), dir.join("lids.old")).expect("moved");
    let text = done(dir, &["log", NAME]);
    assert!(!text.contains("entry 2"), "{text}");
    done(dir, &["enter", NAME, "block"]);
    // What is entered into a copy makes it a book of its own: now the two differ, and one must say
    // which is meant.
    std::fs::rename(dir.join("lids.old"), dir.join("lids.lowspot")).expect("moved");
    let text = refused(dir, 2, &["log", NAME]);
    assert!(
        text.contains("several job books in this folder (copy.lowspot, lids.lowspot)"),
        "{text}"
    );
}

#[test]
fn with_two_books_a_name_is_not_told_as_a_missing_file() {
    let shop = shop();
    let dir = shop.path();
    done(dir, &["book", "new", "other.lowspot"]);
    for arguments in [
        &["map", NAME][..],
        &["plan", NAME],
        &["next", NAME],
        &["moved", NAME],
    ] {
        let text = refused(dir, 2, arguments);
        assert!(text.contains("several job books in this folder"), "{text}");
        assert!(!text.contains("no such file"), "{text}");
    }
    // What is named as a file is a file.
    done(dir, &["map", "panel.toml", "readings.txt"]);
    refused(dir, 1, &["map", "panl.toml", "readings.txt"]);
}

#[test]
fn parts_that_a_stopped_run_left_go_with_the_next() {
    let shop = shop();
    let dir = shop.path();
    std::fs::write(dir.join(".copy.lowspot.999999.part"), "half").expect("written");
    std::fs::write(dir.join(".copy.lowspot.999999.part-journal"), "half").expect("written");
    std::fs::create_dir_all(dir.join(".plain.999999.part/entries")).expect("made");
    std::fs::create_dir(dir.join("out")).expect("made");
    std::fs::write(dir.join("out/.map.png.999999.part"), "half").expect("written");
    done(dir, &["book", "save", "copy.lowspot"]);
    done(dir, &["book", "export", "plain"]);
    done(dir, &["map", "panel.toml", "readings.txt", "--out", "out"]);
    for folder in [dir.to_path_buf(), dir.join("out")] {
        for entry in std::fs::read_dir(folder).expect("a folder") {
            let name = entry
                .expect("a file")
                .file_name()
                .to_string_lossy()
                .into_owned();
            assert!(!name.contains(".part"), "{name}");
        }
    }
}

/// A save stopped at any moment, then one that is not: nothing hidden is left, and the copy is
/// whole.
#[cfg(unix)]
#[test]
fn a_save_that_was_killed_leaves_nothing_behind_the_next() {
    let shop = shop();
    let dir = shop.path();
    for k in 0..6 {
        let mut child = program(dir, &["book", "save", "copy.lowspot"])
            .stdout(std::process::Stdio::null())
            .stderr(std::process::Stdio::null())
            .spawn()
            .expect("starts");
        std::thread::sleep(std::time::Duration::from_millis(2 + 3 * k));
        let _ = child.kill();
        let _ = child.wait();
        if dir.join("copy.lowspot").exists() {
            std::fs::remove_file(dir.join("copy.lowspot")).expect("removed");
        }
    }
    done(dir, &["book", "save", "copy.lowspot"]);
    done(dir, &["book", "check", "copy.lowspot"]);
    for entry in std::fs::read_dir(dir).expect("a folder") {
        let name = entry
            .expect("a file")
            .file_name()
            .to_string_lossy()
            .into_owned();
        assert!(!name.contains(".part"), "{name}");
    }
}
