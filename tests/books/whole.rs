//! A survey from readings to the book and back to a map; old and newer books; copies.

use super::*;
use lowspot::keep::{Book, Kind, Role, check};
use rusqlite::Connection;
use serde_json::Value;

fn report(dir: &Path, out: &str) -> Value {
    let text = std::fs::read_to_string(dir.join(out).join("report.json")).expect("report.json");
    serde_json::from_str(&text).expect("JSON")
}

#[test]
fn a_survey_is_judged_as_the_map_judges_it_and_kept_with_its_files() {
    let shop = shop();
    let dir = shop.path();
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
            "map",
            "panel.toml",
            "readings.txt",
            "--photo",
            "lid.png",
            "--targets",
            "targets.csv",
            "--out",
            "direct",
        ],
    );
    let again = done(
        dir,
        &[
            "enter",
            NAME,
            "survey",
            "readings.txt",
            "--by",
            "M",
            "--date",
            "2026-02-02",
        ],
    );
    assert!(
        again.contains("readings.txt belongs to entry 1 already; entered twice?"),
        "{again}"
    );
    done(dir, &["strike", NAME, "2", "--why", "entered twice"]);
    let book = Book::open(&dir.join("lids.lowspot")).expect("opens");
    let survey = book.entries(NAME).expect("read").remove(0);
    // What stood in the header of the readings.
    assert_eq!(survey.date.to_string(), "2026-02-01");
    assert_eq!(
        (survey.who.as_deref(), survey.skin_c),
        (Some("K"), Some(18.0))
    );
    assert_eq!(survey.supports.as_deref(), Some("on the bench"));
    let files = book.files(survey.number).expect("read");
    let kept: Vec<(Role, &str, &[u8])> = files
        .iter()
        .map(|f| (f.role, f.name.as_str(), f.bytes.as_slice()))
        .collect();
    assert_eq!(
        kept,
        [
            (Role::Readings, "readings.txt", READINGS.as_bytes()),
            (Role::Photo, "lid.png", photo()),
            (Role::Targets, "targets.csv", TARGETS.as_bytes()),
        ]
    );
    // The numbers of the map, every one.
    let result = book.result(survey.number).expect("read").expect("kept");
    let direct = report(dir, "direct");
    let summary = &result.summary;
    assert_eq!(direct["verdict"], summary.verdict.as_str());
    assert_eq!(
        direct["filler"]["to_level_cc"].as_f64(),
        summary.to_level.value_cc
    );
    assert_eq!(direct["filler"]["low_cc"].as_f64(), summary.to_level.low_cc);
    assert_eq!(
        direct["filler"]["high_cc"].as_f64(),
        summary.to_level.high_cc
    );
    assert_eq!(
        direct["filler"]["most_likely_cc"].as_f64(),
        summary.to_level.most_likely_cc
    );
    assert_eq!(direct["height"]["Sq_mm"].as_f64(), summary.sq_mm);
    assert_eq!(direct["height"]["Sz_mm"].as_f64(), summary.sz_mm);
    assert_eq!(
        direct["survey"]["repeatability_mm"].as_f64(),
        summary.repeatability_mm
    );
    let limits = direct["limits"].as_array().expect("limits");
    assert_eq!(limits.len(), summary.limits.len());
    for (shown, kept) in limits.iter().zip(&summary.limits) {
        assert_eq!(shown["base_mm"].as_f64(), Some(kept.base_mm));
        assert_eq!(shown["state"], kept.state.as_str());
        assert_eq!(shown["worst_mm"].as_f64(), kept.worst);
        assert_eq!(shown["share_within"].as_f64(), kept.share_within);
    }
    let regions = direct["regions"].as_array().expect("regions");
    assert_eq!(regions.len(), summary.regions.len());
    for (shown, kept) in regions.iter().zip(&summary.regions) {
        assert_eq!(shown["volume_cc"].as_f64(), kept.volume_cc);
        assert_eq!(shown["name"], kept.name.as_str());
    }
    // The nodes, as surface.csv has them at the same spacing.
    let field = result.field.expect("a surface");
    assert_eq!(field.deviation.len(), field.nx * field.ny);
    let worst = field.deviation.iter().copied().fold(f32::NAN, f32::min);
    let deepest = summary
        .regions
        .iter()
        .filter(|r| r.low)
        .filter_map(|r| r.worst_mm)
        .fold(0.0, f64::min);
    assert!(
        (f64::from(worst) - deepest).abs() < 1e-4,
        "{worst} {deepest}"
    );
    // And back: the map from the book is the map from the files.
    done(
        dir,
        &["map", NAME, "--book", "lids.lowspot", "--out", "back"],
    );
    for part in ["verdict", "limits", "filler", "regions", "height", "bands"] {
        assert_eq!(direct[part], report(dir, "back")[part], "{part}");
    }
}

#[test]
fn map_plan_and_next_work_from_the_book_and_say_that_it_is_stale() {
    let shop = shop();
    let dir = shop.path();
    let text = refused(dir, 1, &["map", NAME]);
    assert!(text.contains("has no survey in lids.lowspot yet"), "{text}");
    assert!(done(dir, &["next", NAME]).contains("as one survey"));
    done(dir, &["enter", NAME, "survey", "readings.txt"]);
    for command in ["map", "plan", "next"] {
        assert!(!done(dir, &[command, NAME]).contains("stale"), "{command}");
    }
    done(dir, &["enter", NAME, "block", "--hours", "1.5"]);
    for command in ["map", "plan", "next"] {
        let text = done(dir, &[command, NAME]);
        assert!(
            text.contains("touched since: entry 2 (block, "),
            "{command}: {text}"
        );
    }
    let text = refused(
        dir,
        2,
        &["map", NAME, "readings.txt", "--book", "lids.lowspot"],
    );
    assert!(
        text.contains("readings and photos come from the book"),
        "{text}"
    );
}

#[test]
fn a_survey_that_is_refused_is_not_entered_and_all_faults_are_told() {
    let shop = shop();
    let dir = shop.path();
    let bad = READINGS.replacen("0.05", "0.o5", 1) + "A99 x 0 to 600 y 9999 : 1 2 3\n";
    std::fs::write(dir.join("bad.txt"), bad).expect("written");
    let text = refused(dir, 1, &["enter", NAME, "survey", "bad.txt", "nowhere.txt"]);
    assert!(text.contains("nowhere.txt: no such file"), "{text}");
    assert!(text.matches("bad.txt:").count() >= 2, "{text}");
    assert!(text.contains("nothing was written"), "{text}");
    let text = refused(dir, 2, &["enter", NAME, "survey"]);
    assert!(text.contains("nothing to map"), "{text}");
    assert!(done(dir, &["log", NAME]).contains("nothing entered yet"));
}

fn old(name: &str) -> (tempfile::TempDir, std::path::PathBuf) {
    let dir = tempfile::tempdir().expect("a folder");
    let path = dir.path().join(name);
    std::fs::copy(
        Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/books/version-1.lowspot"),
        &path,
    )
    .expect("copied");
    (dir, path)
}

#[test]
fn a_book_of_version_1_is_brought_up_to_date_without_loss() {
    let (dir, path) = old("old.lowspot");
    let before = check::file(&path).expect("checked as it is");
    assert_eq!((before.version, before.faults), (1, Vec::new()));
    assert_eq!((before.panels, before.entries, before.files), (2, 7, 1));
    let rows = |table: &str| -> Vec<String> {
        let c = Connection::open(&path).expect("opens");
        let mut statement = c
            .prepare(&format!("SELECT * FROM {table}"))
            .expect("a table");
        let columns = statement.column_count();
        let row = |r: &rusqlite::Row| {
            Ok((0..columns)
                .map(|i| format!("{:?}", r.get_ref(i).expect("a column")))
                .collect())
        };
        statement
            .query_map([], row)
            .expect("rows")
            .collect::<Result<_, _>>()
            .expect("rows")
    };
    let tables = ["panels", "versions", "entries", "files"];
    let was: Vec<_> = tables.map(rows).into();
    let book = Book::open(&path).expect("opened, and brought up to date");
    let is: Vec<_> = tables.map(rows).into();
    assert_eq!(was, is);
    let after = check::file(&path).expect("checked");
    assert_eq!(
        (after.version, after.faults),
        (lowspot::keep::schema::VERSION, Vec::new())
    );
    // Read with today's meaning: strike 7 strikes strike 4, so block 3 counts again.
    let entries = book.entries(NAME).expect("read");
    let struck: Vec<i64> = entries
        .iter()
        .filter(|e| !e.stands())
        .map(|e| e.number)
        .collect();
    assert_eq!(struck, [4]);
    assert_eq!(entries[1].facts.mass_g, Some(120.5));
    assert_eq!(entries[4].kind, Kind::PostCure);
    assert_eq!(
        book.panel("hatch").expect("there").twin.as_deref(),
        Some(NAME)
    );
    // Its survey has no result yet; a map finds it and keeps it.
    assert_eq!(book.surveys_without_result(NAME).expect("read"), [1]);
    drop(book);
    done(dir.path(), &["map", NAME]);
    let book = Book::open(&path).expect("opens");
    assert_eq!(
        book.surveys_without_result(NAME).expect("read"),
        Vec::<i64>::new()
    );
    assert!(book.result(1).expect("read").expect("kept").field.is_some());
    assert_eq!(
        check::file(&path).expect("checked").faults,
        Vec::<String>::new()
    );
}

#[test]
fn a_newer_book_and_a_file_that_is_no_book_are_refused_untouched() {
    let (dir, path) = old("new.lowspot");
    let newer = Connection::open(&path).expect("opens");
    newer.pragma_update(None, "user_version", 99).expect("set");
    drop(newer);
    let before = std::fs::read(&path).expect("read");
    for arguments in [
        &["log", NAME][..],
        &["enter", NAME, "clean"],
        &["book", "check"],
    ] {
        let text = refused(dir.path(), 1, arguments);
        assert!(
            text.contains("is a book of version 99, and this program knows books up to version"),
            "{text}"
        );
    }
    assert_eq!(std::fs::read(&path).expect("read"), before);
    for bytes in [
        &b""[..],
        b"some text, no book\n",
        &[0; 5000],
        b"SQLite format 3\0",
    ] {
        std::fs::write(&path, bytes).expect("written");
        let text = refused(dir.path(), 1, &["log", NAME]);
        assert!(
            text.contains("is no job book") || text.contains("damaged"),
            "{text}"
        );
        assert_eq!(std::fs::read(&path).expect("read"), bytes);
    }
    let other = Connection::open(dir.path().join("other.lowspot")).expect("opens");
    other
        .execute_batch("CREATE TABLE t (a); INSERT INTO t VALUES (1)")
        .expect("another's database");
    let text = refused(dir.path(), 1, &["log", NAME, "--book", "other.lowspot"]);
    assert!(text.contains("is no job book"), "{text}");
}

#[test]
fn a_copy_is_whole_and_nothing_is_written_over() {
    let shop = shop();
    let dir = shop.path();
    done(dir, &["enter", NAME, "survey", "readings.txt"]);
    done(dir, &["book", "save", "copy.lowspot"]);
    let (a, b) = (dir.join("lids.lowspot"), dir.join("copy.lowspot"));
    super::folders::same_books(
        &Book::open(&a).expect("opens"),
        &Book::open(&b).expect("opens"),
    );
    let text = refused(
        dir,
        1,
        &["book", "save", "copy.lowspot", "--book", "lids.lowspot"],
    );
    assert!(text.contains("nothing is written over"), "{text}");
    let text = refused(
        dir,
        1,
        &[
            "book",
            "save",
            "nowhere/copy.lowspot",
            "--book",
            "lids.lowspot",
        ],
    );
    assert!(text.contains("make the folder first"), "{text}");
}

#[test]
fn a_copy_made_while_others_enter_is_whole() {
    let shop = shop();
    let dir = shop.path();
    done(dir, &["enter", NAME, "survey", "readings.txt"]);
    std::thread::scope(|scope| {
        let writer = scope.spawn(|| {
            (0..10).for_each(|_| {
                done(dir, &["enter", NAME, "clean", "--book", "lids.lowspot"]);
            });
        });
        for k in 0..3 {
            let copy = format!("copy-{k}.lowspot");
            done(dir, &["book", "save", &copy, "--book", "lids.lowspot"]);
            let found = check::file(&dir.join(&copy)).expect("a book");
            assert_eq!(found.faults, Vec::<String>::new());
            assert!((1..=11).contains(&found.entries));
        }
        writer.join().expect("all entered");
    });
    let found = check::file(&dir.join("lids.lowspot")).expect("a book");
    assert_eq!((found.entries, found.faults), (11, Vec::new()));
}
