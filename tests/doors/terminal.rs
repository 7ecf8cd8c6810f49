//! Names and remarks never give orders to a terminal, and two names that look alike are one.

use super::*;
use crate::books::{LID, READINGS, photo};
use crate::support::folder;
use lowspot::text::is_hidden;

/// Hidden characters: an escape that clears the screen, an eight-bit one, a bell, a mark of
/// direction, zero width, a filler.
const HIDDEN: [&str; 7] = [
    "\u{1b}[2J",
    "\u{9b}2J",
    "\u{7}",
    "\u{202E}",
    "\u{200B}",
    "\u{2066}",
    "\u{3164}",
];

#[track_caller]
fn nothing_hidden(text: &str) {
    let odd = text.chars().find(|c| is_hidden(*c));
    assert_eq!(odd, None, "{}", text.escape_debug());
}

#[test]
fn what_is_hidden_is_refused_where_it_comes_in() {
    for hidden in HIDDEN {
        let name = LID.replace("locker lid", &format!("locker{hidden} lid"));
        let placing = READINGS.replacen("A3 ", &format!("A3{hidden} "), 1);
        let table = format!("placing,x,y,reading\nA{hidden}1,0,50,0.1\nA{hidden}1,50,50,0.2\n");
        let marks = format!("x,y,px,py\n0,0,{hidden}30,420\n");
        let (dir, _) = folder(&[
            ("panel.toml", LID.as_bytes()),
            ("readings.txt", READINGS.as_bytes()),
            ("name.toml", name.as_bytes()),
            ("placing.txt", placing.as_bytes()),
            ("table.csv", table.as_bytes()),
            ("marks.csv", marks.as_bytes()),
            ("lid.png", photo()),
        ]);
        let dir = dir.path();
        done(dir, &["book", "new", "lids.lowspot"]);
        done(dir, &["panel", "add", "panel.toml"]);
        let note = format!("wet{hidden}");
        let cases: [&[&str]; 9] = [
            &["map", "name.toml", "readings.txt"],
            &["map", "panel.toml", "placing.txt"],
            &["map", "panel.toml", "table.csv"],
            &[
                "map",
                "panel.toml",
                "--photo",
                "lid.png",
                "--targets",
                "marks.csv",
            ],
            &["panel", "add", "name.toml"],
            &["panel", "edit", "locker lid", "name.toml"],
            &["enter", "locker lid", "survey", "placing.txt"],
            &["enter", "locker lid", "note", "--note", &note],
            &[
                "enter",
                "locker lid",
                "fill",
                "--batch",
                &note,
                "--grams",
                "100",
            ],
        ];
        for arguments in cases {
            let out = lowspot(dir, arguments);
            let text = told(&out);
            assert!(!out.status.success(), "{arguments:?}: {text}");
            assert!(
                text.contains("cannot be seen") || text.contains("can be printed"),
                "{text}"
            );
            nothing_hidden(&text);
        }
        let text = done(dir, &["panel", "list"]);
        assert_eq!(text.lines().count(), 1, "one panel: {text}");
    }
}

#[test]
fn remarks_may_hold_anything() {
    let remark = format!(
        "# fair \u{1F469}\u{200D}\u{1F527} {}\n{READINGS}",
        HIDDEN[0]
    );
    let (dir, _) = folder(&[
        ("panel.toml", LID.as_bytes()),
        ("readings.txt", remark.as_bytes()),
    ]);
    done(dir.path(), &["map", "panel.toml", "readings.txt"]);
}

/// A name that is no text at all is told like any other.
#[cfg(unix)]
#[test]
fn a_name_that_is_no_utf_8_stops_nothing() {
    use std::os::unix::ffi::OsStrExt;
    let (dir, _) = folder(&[("panel.toml", LID.as_bytes())]);
    let out = program(dir.path(), &["map", "panel.toml"])
        .arg(std::ffi::OsStr::from_bytes(b"read\xFFings.txt"))
        .output()
        .expect("lowspot runs");
    let text = told(&out);
    assert_eq!(out.status.code(), Some(1), "{text}");
    assert!(text.contains("no such file"), "{text}");
}

/// A file's name may be anything, and a book may come from anywhere.
#[cfg(unix)]
#[test]
fn what_a_file_name_or_a_foreign_book_hides_is_written_out() {
    let wrong = READINGS.replacen("0.55", "0.5.5", 1);
    let odd = "read\u{1b}]0;title\u{7}\u{202E}ings.txt";
    let (dir, _) = folder(&[
        ("panel.toml", LID.as_bytes()),
        ("readings.txt", READINGS.as_bytes()),
        (odd, wrong.as_bytes()),
    ]);
    let dir = dir.path();
    let text = refused(dir, 1, &["map", "panel.toml", odd]);
    assert!(
        text.contains("read<U+001B>]0;title<U+0007><U+202E>ings.txt:6:"),
        "{text}"
    );
    nothing_hidden(&text);
    // As somebody else's program may have written it.
    done(dir, &["book", "new", "lids.lowspot"]);
    done(dir, &["panel", "add", "panel.toml"]);
    done(
        dir,
        &["enter", "locker lid", "survey", "readings.txt", "--by", "K"],
    );
    done(
        dir,
        &[
            "enter",
            "locker lid",
            "fill",
            "--grams",
            "120",
            "--note",
            "a remark",
        ],
    );
    done(dir, &["hold", "locker lid", "--by", "K", "--why", "wet"]);
    let book = rusqlite::Connection::open(dir.join("lids.lowspot")).expect("opens");
    book.execute_batch(
        "PRAGMA foreign_keys = OFF; DROP TRIGGER entries_stay; DROP TRIGGER files_stay;",
    )
    .expect("freed");
    for (column, table) in [
        ("who", "entries"),
        ("note", "entries"),
        ("supports", "entries"),
        ("name", "files"),
    ] {
        let hidden: String = HIDDEN.concat();
        book.execute(
            &format!("UPDATE {table} SET {column} = {column} || ?1"),
            [hidden],
        )
        .expect("written");
    }
    book.execute(
        "UPDATE entries SET facts = replace(facts, '\"wet\"', '\"wet\u{9b}2J\u{202E}\"')",
        [],
    )
    .expect("written");
    let restore = "CREATE TRIGGER entries_stay BEFORE UPDATE ON entries\nBEGIN SELECT RAISE(ABORT, 'entries are never changed'); END;
         CREATE TRIGGER files_stay BEFORE UPDATE ON files\nBEGIN SELECT RAISE(ABORT, 'files are never changed'); END;";
    book.execute_batch(restore).expect("as before");
    drop(book);
    let cases: [&[&str]; 11] = [
        &["log", "locker lid"],
        &["panel", "list"],
        &["floor"],
        &["floor", "--json"],
        &["trend", "locker lid"],
        &["trend", "locker lid", "--json"],
        &["map", "locker lid"],
        &["map", "locker lid", "--json"],
        &["plan", "locker lid"],
        &["book", "check"],
        &["packet"],
    ];
    for arguments in cases {
        let text = told(&lowspot(dir, arguments));
        nothing_hidden(&text);
        if arguments.last() == Some(&"--json") {
            let json = lowspot(dir, arguments).stdout;
            let json: Result<serde_json::Value, _> = serde_json::from_slice(&json);
            assert!(json.is_ok(), "{arguments:?}");
        }
    }
    let text = done(dir, &["log", "locker lid"]);
    assert!(text.contains("a remark<U+001B>[2J"), "{text}");
}
