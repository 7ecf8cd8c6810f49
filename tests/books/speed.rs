//! A thousand panels over ten cycles: how fast a list of all of them is read, how the file grows.

use super::*;
use lowspot::keep::{Book, now};
use rusqlite::{Connection, params};
use std::path::PathBuf;
use std::time::Instant;

/// A book of simulated panels, each with `cycles` of survey, fill, block and sand. Rows are written directly, without seals: the survey is one
/// real one, over and over.
fn made(dir: &Path, panels: i64, cycles: i64) -> PathBuf {
    let path = dir.join("lids.lowspot");
    let mut c = Connection::open(&path).expect("opens");
    let tx = c.transaction().expect("begun");
    tx.execute_batch("PRAGMA defer_foreign_keys = ON")
        .expect("set");
    let mut number = 1;
    for panel in 2..=panels {
        let name = format!("lid {panel}");
        tx.execute(
            "INSERT INTO panels VALUES (?1, ?2, ?2, NULL, '')",
            params![panel, name],
        )
        .expect("a panel");
        let version = "INSERT INTO versions SELECT ?1, ?1, entered_at, file, bytes, '' FROM versions WHERE id = 1";
        tx.execute(version, [panel]).expect("a version");
        for cycle in 0..cycles {
            for (kind, facts) in [
                ("survey", "{}"),
                ("fill", "{\"recipe\":\"dry-micro\",\"mass_g\":120.5}"),
                ("block", "{}"),
                ("sand", "{}"),
            ] {
                number += 1;
                let entry = "INSERT INTO entries SELECT ?1, ?2, ?2, ?3, ?4, entered_at, who, 1.5, skin_c, supports, NULL, ?5, NULL, '' \
                             FROM entries WHERE number = 1";
                let date = format!("2026-03-{:02}", cycle + 1);
                tx.execute(entry, params![number, panel, kind, date, facts])
                    .expect("an entry");
                if kind == "survey" {
                    let result = "INSERT INTO results SELECT ?1, program, summary, step_mm, nx, ny, deviation, fairness, sd, height, '' \
                                  FROM results WHERE entry = 1";
                    tx.execute(result, [number]).expect("a result");
                }
            }
        }
    }
    tx.commit().expect("written");
    path
}

fn book_of(panels: i64, cycles: i64) -> (tempfile::TempDir, PathBuf) {
    let shop = shop();
    done(shop.path(), &["enter", NAME, "survey", "readings.txt"]);
    let path = made(shop.path(), panels, cycles);
    (shop, path)
}

#[test]
fn all_panels_are_read_at_once() {
    let (_shop, path) = book_of(20, 3);
    let book = Book::open(&path).expect("opens");
    let standings = book.standings(now()).expect("read");
    assert_eq!(standings.len(), 20);
    for s in &standings[1..] {
        assert_eq!(s.entries.len(), 12);
        assert_eq!(
            s.survey.as_ref().map(|e| e.date.to_string()).as_deref(),
            Some("2026-03-03")
        );
        assert!(s.summary.is_some() && s.stale.is_some() && s.held.is_none());
    }
}

#[test]
#[ignore = "writes half a gigabyte; run in release, prints times and sizes"]
fn a_thousand_panels_over_ten_cycles() {
    let mut sizes = Vec::new();
    for panels in [100, 500, 1000] {
        let (_shop, path) = book_of(panels, 10);
        let size = std::fs::metadata(&path).expect("there").len();
        sizes.push(size as f64 / panels as f64);
        let mut seconds: Vec<f64> = (0..5)
            .map(|_| {
                let begun = Instant::now();
                let book = Book::open(&path).expect("opens");
                let standings = book.standings(now()).expect("read");
                assert_eq!(standings.len(), panels as usize);
                begun.elapsed().as_secs_f64()
            })
            .collect();
        seconds.sort_by(f64::total_cmp);
        println!(
            "{panels} panels, 10 cycles: {:.0} MB, all standings in {:.3} s (middle of 5, {:.3} to {:.3})",
            size as f64 / 1e6,
            seconds[2],
            seconds[0],
            seconds[4]
        );
        if panels == 1000 && !cfg!(debug_assertions) {
            assert!(seconds[2] < 0.3, "{seconds:?}");
        }
    }
    let spread =
        sizes.iter().copied().fold(0.0, f64::max) / sizes.iter().copied().fold(f64::MAX, f64::min);
    println!("bytes a panel: {sizes:.0?}, within {spread:.3} of each other");
    assert!(spread < 1.1, "growth is not linear: {sizes:?}");
}
