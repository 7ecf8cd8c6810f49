//! A damaged book: the check finds it, or SQLite refuses it, or what was hit holds nothing; never a
//! panic.

use super::*;
use lowspot::keep::{Book, check};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rusqlite::Connection;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::PathBuf;

/// All that can be read of a book, as text.
fn everything(path: &Path) -> Result<String, String> {
    let book = Book::open(path).map_err(|e| e.to_string())?;
    let read = || -> Result<String, lowspot::problem::Error> {
        let mut all = format!("{:?}{:?}", book.panels()?, book.all_entries()?);
        for panel in book.panels()? {
            all += &format!("{:?}", book.versions(&panel.name)?);
        }
        for entry in book.all_entries()? {
            all += &format!(
                "{:?}{:?}",
                book.files(entry.number)?,
                book.result(entry.number)?
            );
        }
        all += &format!("{:?}", book.standings(jiff::Timestamp::UNIX_EPOCH)?);
        Ok(all)
    };
    read().map_err(|e| e.to_string())
}

#[test]
fn random_bytes_flipped_are_found_or_refused_or_hold_nothing() {
    let shop = shop();
    let dir = shop.path();
    done(dir, &["enter", NAME, "survey", "readings.txt"]);
    done(
        dir,
        &[
            "enter", NAME, "fill", "--grams", "120", "--note", "a remark",
        ],
    );
    done(dir, &["strike", NAME, "2", "--why", "wrong panel"]);
    let path = dir.join("lids.lowspot");
    let sound = std::fs::read(&path).expect("read");
    let reads = everything(&path).expect("sound");
    let mut random = ChaCha8Rng::seed_from_u64(4711);
    let (mut found, mut refused, mut harmless) = (0, 0, 0);
    for round in 0..300 {
        let mut bytes = sound.clone();
        // Often in the first pages, which hold the tables and entries.
        let reach = if round % 2 == 0 {
            bytes.len()
        } else {
            bytes.len().min(60_000)
        };
        for _ in 0..[1, 1, 4, 64][round % 4] {
            let at = random.random_range(0..reach);
            bytes[at] ^= random.random_range(1..=255_u8);
        }
        let hit: PathBuf = dir.join("hit.lowspot");
        std::fs::write(&hit, &bytes).expect("written");
        let checked = catch_unwind(AssertUnwindSafe(|| check::file(&hit)));
        let read = catch_unwind(AssertUnwindSafe(|| everything(&hit)));
        let (Ok(checked), Ok(read)) = (checked, read) else {
            panic!("round {round} made it panic");
        };
        match checked {
            Err(_) => refused += 1,
            Ok(f) if !f.faults.is_empty() => found += 1,
            Ok(_) => {
                assert_eq!(
                    read.as_deref(),
                    Ok(reads.as_str()),
                    "round {round}: called whole"
                );
                harmless += 1;
            }
        }
        let _ = std::fs::remove_file(&hit);
    }
    println!(
        "300 damaged books: {found} found, {refused} refused, {harmless} hit where nothing is"
    );
    assert!(found > 100 && refused > 0);
}

#[test]
fn a_book_cut_short_is_found() {
    let shop = shop();
    let dir = shop.path();
    done(dir, &["enter", NAME, "survey", "readings.txt"]);
    let path = dir.join("lids.lowspot");
    let sound = std::fs::read(&path).expect("read");
    for share in [0.1, 0.5, 0.9, 0.99] {
        let length = (sound.len() as f64 * share) as usize;
        std::fs::write(&path, &sound[..length]).expect("written");
        let out = lowspot(dir, &["book", "check"]);
        assert_eq!(out.status.code(), Some(1), "{share}: {}", told(&out));
    }
}

#[test]
fn what_a_meddler_changes_is_found_with_its_place() {
    let shop = shop();
    let dir = shop.path();
    done(dir, &["enter", NAME, "survey", "readings.txt"]);
    done(dir, &["enter", NAME, "fill", "--grams", "120"]);
    let path = dir.join("lids.lowspot");
    let sound = std::fs::read(&path).expect("read");
    let free = "DROP TRIGGER entries_stay; DROP TRIGGER entries_are_kept; DROP TRIGGER files_stay; DROP TRIGGER results_stay;";
    let cases = [
        (
            "UPDATE entries SET facts = '{\"mass_g\":12}' WHERE number = 2",
            "entries, row 2: not as it was written",
        ),
        (
            "UPDATE entries SET facts = '{\"gramms\":12}' WHERE number = 2",
            "entry 2: its facts cannot be read: unknown field `gramms`",
        ),
        (
            "UPDATE entries SET date = '2026-02-30' WHERE number = 2",
            "entry 2: \"2026-02-30\" is no date",
        ),
        (
            "UPDATE entries SET kind = 'filled' WHERE number = 2",
            "entry 2: \"filled\" is no kind of entry",
        ),
        (
            "DELETE FROM entries WHERE number = 2; UPDATE entries SET number = 3 WHERE number = 1",
            "entry 1 is not there",
        ),
        (
            "UPDATE files SET bytes = x'00'",
            "entry 1, file readings.txt: its bytes are not those that came in",
        ),
        (
            "UPDATE panels SET name = 'x'",
            "panel 1 (x): is called locker lid in its panel.toml",
        ),
        (
            "UPDATE entries SET note = 'x' WHERE number = 1",
            "entries, row 1: not as it was written",
        ),
        (
            "UPDATE results SET summary = '{}'",
            "result of entry 1 cannot be read",
        ),
        ("UPDATE results SET nx = nx + 1", "result of entry 1: not "),
        (
            "INSERT INTO files VALUES (9, 77, 'photo', 'a', 'b', x'00', 'c')",
            "files, row 9: what it refers to is not there",
        ),
        (
            "CREATE TABLE more (a)",
            "tables: the table more is not as it should be",
        ),
    ];
    for (change, expected) in cases {
        std::fs::write(&path, &sound).expect("written");
        let meddler = Connection::open(&path).expect("opens");
        meddler
            .execute_batch("PRAGMA foreign_keys = OFF")
            .expect("off");
        meddler.execute_batch(free).expect("freed");
        meddler.execute_batch(change).expect(change);
        drop(meddler);
        let text = refused(dir, 1, &["book", "check"]);
        assert!(text.contains(expected), "{change}: {text}");
        assert!(
            text.contains("is not as it should be"),
            "the triggers: {text}"
        );
    }
}

/// A meddler who puts the triggers back, so that only the chain tells.
#[test]
fn a_row_that_was_taken_out_is_missed() {
    let shop = shop();
    let dir = shop.path();
    done(dir, &["enter", NAME, "survey", "readings.txt"]);
    done(dir, &["enter", NAME, "fill", "--grams", "120"]);
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
    done(dir, &["enter", NAME, "note", "--note", "the last"]);
    let path = dir.join("lids.lowspot");
    let sound = std::fs::read(&path).expect("read");
    assert!(done(dir, &["book", "check"]).contains("whole"));
    let cases = [
        (
            "DELETE FROM files WHERE id = 1",
            "files, row 1: was entered and is not there",
        ),
        (
            "DELETE FROM files WHERE id = 4",
            "files, row 4: was entered and is not there",
        ),
        (
            "DELETE FROM results WHERE entry = 1",
            "results, row 1: was entered and is not there",
        ),
        (
            "DELETE FROM results WHERE entry = 3",
            "results, row 3: was entered and is not there",
        ),
        (
            "DELETE FROM entries WHERE number = 4",
            "entries, row 4: was entered and is not there",
        ),
        (
            "DELETE FROM versions WHERE id = 2",
            "versions, row 2: was entered and is not there",
        ),
        // With its link taken out too, the book still knows how many there were.
        (
            "DELETE FROM entries WHERE number = 4; DELETE FROM chain WHERE link = (SELECT max(link) FROM chain)",
            "chain: 14 rows were written, but it ends with 13",
        ),
        (
            "DELETE FROM files WHERE id = 1; DELETE FROM chain WHERE place = 'files' AND row = 1",
            "is not there",
        ),
        // Links counted through anew.
        (
            "DELETE FROM files WHERE id = 1; DELETE FROM chain WHERE place = 'files' AND row = 1; \
             UPDATE chain SET link = link - 1 WHERE link > 4; UPDATE head SET links = links - 1",
            "not as it was written",
        ),
        (
            "DELETE FROM head",
            "chain: 0 rows were written, but it ends with 14",
        ),
        (
            "DELETE FROM chain; DELETE FROM head",
            "entries, row 1: was never entered",
        ),
        (
            "INSERT INTO files SELECT 9, entry, role, name, sha256, bytes, seal FROM files WHERE id = 1",
            "files, row 9: was never entered",
        ),
        (
            "UPDATE chain SET sealed = 'x' WHERE link = 3",
            "chain, link 3: not as it was written",
        ),
    ];
    for (change, expected) in cases {
        std::fs::write(&path, &sound).expect("written");
        let meddler = Connection::open(&path).expect("opens");
        let triggers: Vec<(String, String)> = meddler
            .prepare("SELECT name, sql FROM sqlite_schema WHERE type = 'trigger'")
            .expect("read")
            .query_map([], |r| Ok((r.get(0)?, r.get(1)?)))
            .expect("read")
            .collect::<Result<_, _>>()
            .expect("read");
        meddler
            .execute_batch("PRAGMA foreign_keys = OFF")
            .expect("off");
        for (name, _) in &triggers {
            meddler
                .execute_batch(&format!("DROP TRIGGER {name}"))
                .expect("freed");
        }
        meddler.execute_batch(change).expect(change);
        for (_, sql) in &triggers {
            meddler.execute_batch(sql).expect("as before");
        }
        drop(meddler);
        let text = refused(dir, 1, &["book", "check"]);
        assert!(text.contains(expected), "{change}: {text}");
        assert!(
            !text.contains("is not as it should be"),
            "no trigger is missed: {text}"
        );
        let text = refused(dir, 1, &["book", "save", "copy.lowspot"]);
        assert!(text.contains("is damaged"), "{change}: {text}");
    }
}

#[test]
fn entries_are_never_changed_nor_taken_out() {
    let shop = shop();
    let dir = shop.path();
    done(dir, &["enter", NAME, "survey", "readings.txt"]);
    let meddler = Connection::open(dir.join("lids.lowspot")).expect("opens");
    for change in [
        "UPDATE entries SET note = 'x'",
        "DELETE FROM entries",
        "UPDATE files SET name = 'x'",
        "DELETE FROM files",
        "UPDATE versions SET file = 'x'",
        "DELETE FROM versions",
        "UPDATE results SET program = 'x'",
        "DELETE FROM results",
        "UPDATE chain SET row = 7",
        "DELETE FROM chain",
        "DELETE FROM panels",
    ] {
        let text = meddler.execute_batch(change).expect_err(change).to_string();
        assert!(text.contains("are never"), "{text}");
    }
}
