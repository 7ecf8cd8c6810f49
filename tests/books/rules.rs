//! Who may enter what: kinds and their options, striking, holding, going stale; which book is
//! meant.

use super::*;
use jiff::Timestamp;
use lowspot::keep::{Book, Kind, NewEntry, standing};

/// A book in memory's place: a file in a folder of its own, with one panel.
fn book() -> (tempfile::TempDir, Book) {
    let dir = tempfile::tempdir().expect("a folder");
    let mut book = Book::create(&dir.path().join("a.lowspot")).expect("made");
    book.add_panel(LID.as_bytes(), "panel.toml").expect("added");
    (dir, book)
}

fn entry(kind: Kind, date: &str) -> NewEntry {
    NewEntry::new(kind, date.parse().expect("a day"))
}

#[track_caller]
fn strike(book: &mut Book, number: i64) -> i64 {
    let mut strike = entry(Kind::Strike, "2026-03-20");
    strike.strikes = Some(number);
    strike.facts.why = Some("wrong panel".into());
    book.enter(NAME, &strike).expect("struck")
}

#[test]
fn work_after_the_survey_makes_it_stale_and_other_work_does_not() {
    for kind in Kind::ALL {
        let (_dir, mut book) = book();
        assert_eq!(
            book.stale(NAME).expect("read"),
            None,
            "nothing surveyed yet"
        );
        book.enter(NAME, &entry(Kind::Survey, "2026-03-14"))
            .expect("entered");
        let mut work = entry(kind, "2026-03-15");
        work.who = Some("K".into());
        work.note = Some("so".into());
        work.supports = Some("x 300 900".into());
        work.facts.temperature_c = (kind == Kind::PostCure).then_some(60.0);
        work.facts.hold_h = (kind == Kind::PostCure).then_some(8.0);
        work.facts.mass_g = (kind == Kind::Weigh).then_some(900.0);
        work.facts.base_mm = (kind == Kind::SignOff).then_some(300.0);
        work.facts.means = (kind == Kind::SignOff).then_some(lowspot::keep::Means::GuideCoat);
        work.facts.why = (kind == Kind::Strike).then(|| "so".into());
        work.strikes = (kind == Kind::Strike).then_some(1);
        book.enter(NAME, &work).expect("entered");
        let stale = book.stale(NAME).expect("read");
        // As the rule is written: filling, sanding, blocking, baking, repair, priming, other
        // supports.
        let expected = matches!(
            kind.word(),
            "fill" | "sand" | "block" | "post-cure" | "repair" | "prime" | "re-prop"
        );
        assert_eq!(stale.is_some(), expected, "{kind:?}: {stale:?}");
    }
}

#[test]
fn the_day_of_the_work_counts_not_the_day_of_entering() {
    let (_dir, mut book) = book();
    book.enter(NAME, &entry(Kind::Fill, "2026-03-10"))
        .expect("entered");
    book.enter(NAME, &entry(Kind::Survey, "2026-03-14"))
        .expect("entered");
    assert_eq!(book.stale(NAME).expect("read"), None);
    // Entered late, done before.
    book.enter(NAME, &entry(Kind::Sand, "2026-03-13"))
        .expect("entered");
    assert_eq!(book.stale(NAME).expect("read"), None);
    // A survey of before the filling, entered last, is not the last survey.
    book.enter(NAME, &entry(Kind::Block, "2026-03-14"))
        .expect("entered");
    book.enter(NAME, &entry(Kind::Survey, "2026-03-09"))
        .expect("entered");
    let why = book.stale(NAME).expect("read").expect("stale");
    assert_eq!(
        why,
        "entry 4 (block, 2026-03-14) came after the survey of 2026-03-14 (entry 2): survey it again"
    );
}

#[test]
fn what_is_struck_does_not_count_and_a_struck_strike_does_not_strike() {
    let (_dir, mut book) = book();
    book.enter(NAME, &entry(Kind::Survey, "2026-03-14"))
        .expect("entered");
    book.enter(NAME, &entry(Kind::Block, "2026-03-15"))
        .expect("entered");
    assert!(book.stale(NAME).expect("read").is_some());
    assert_eq!(strike(&mut book, 2), 3);
    assert_eq!(book.stale(NAME).expect("read"), None);
    assert_eq!(strike(&mut book, 3), 4);
    assert!(book.stale(NAME).expect("read").is_some());
    let struck: Vec<Option<i64>> = book
        .entries(NAME)
        .expect("read")
        .iter()
        .map(|e| e.struck_by)
        .collect();
    assert_eq!(struck, [None, None, Some(4), None]);
    // The survey struck: none is left to be stale.
    strike(&mut book, 1);
    assert_eq!(book.stale(NAME).expect("read"), None);
    let again = {
        let mut strike = entry(Kind::Strike, "2026-03-20");
        strike.strikes = Some(1);
        strike.facts.why = Some("again".into());
        book.enter(NAME, &strike)
            .expect_err("struck already")
            .to_string()
    };
    assert!(
        again.ends_with("entry 1 is struck already, by entry 5"),
        "{again}"
    );
}

#[test]
fn only_entries_of_the_same_panel_can_be_struck() {
    let (_dir, mut book) = book();
    let other = LID.replace("locker lid", "other lid");
    book.add_panel(other.as_bytes(), "panel.toml")
        .expect("added");
    book.enter(NAME, &entry(Kind::Block, "2026-03-15"))
        .expect("entered");
    let mut strike = entry(Kind::Strike, "2026-03-20");
    strike.facts.why = Some("so".into());
    for number in [1, 2, 0, -1, i64::MAX] {
        strike.strikes = Some(number);
        let text = book
            .enter("other lid", &strike)
            .expect_err("refused")
            .to_string();
        assert!(
            text.contains(&format!("this panel has no entry {number};")),
            "{text}"
        );
    }
    assert_eq!(book.all_entries().expect("read").len(), 1);
}

#[test]
fn a_hold_ends_by_its_time_by_release_or_by_being_struck() {
    let (_dir, mut book) = book();
    let at = |text: &str| text.parse::<Timestamp>().expect("a moment");
    let mut hold = entry(Kind::Hold, "2026-03-14");
    hold.who = Some("K".into());
    hold.facts.until = Some(at("2026-03-14T14:00:00Z"));
    hold.facts.why = Some("wet".into());
    book.enter(NAME, &hold).expect("held");
    let held = book
        .held(NAME, at("2026-03-14T13:59:59Z"))
        .expect("read")
        .expect("held");
    assert_eq!((held.by.as_str(), held.why.as_deref()), ("K", Some("wet")));
    assert_eq!(
        book.held(NAME, at("2026-03-14T14:00:00Z")).expect("read"),
        None,
        "it has run out"
    );
    // Without an end it holds, until released.
    hold.facts.until = None;
    book.enter(NAME, &hold).expect("held");
    let never = at("2100-01-01T00:00:00Z");
    assert!(book.held(NAME, never).expect("read").is_some());
    let mut other = hold.clone();
    other.who = Some("M".into());
    let text = book.enter(NAME, &other).expect_err("held by K").to_string();
    assert!(
        text.contains("K is at it: wet; `lowspot free` comes first"),
        "{text}"
    );
    book.enter(NAME, &entry(Kind::Release, "2026-03-14"))
        .expect("released");
    assert_eq!(book.held(NAME, never).expect("read"), None);
    let number = book.enter(NAME, &other).expect("free again");
    strike(&mut book, number);
    assert_eq!(
        book.held(NAME, never).expect("read"),
        None,
        "the hold was struck"
    );
    assert!(standing::held(&[], never).is_none());
}

#[test]
fn until_is_a_time_or_a_day_with_one() {
    let shop = shop();
    let dir = shop.path();
    let told = done(
        dir,
        &["hold", NAME, "--by", "K", "--until", "2026-03-14 14:00"],
    );
    assert!(
        told.contains("hands off until 2026-03-14 14:00, which is past"),
        "{told}"
    );
    let told = done(
        dir,
        &[
            "hold", NAME, "--by", "K", "--until", "14:00", "--why", "wet",
        ],
    );
    assert!(told.contains(" 14:00") && !told.contains("past"), "{told}");
    let text = refused(dir, 1, &["hold", NAME, "--by", "M"]);
    assert!(text.contains("K is at it until"), "{text}");
    assert!(done(dir, &["panel", "list"]).contains("K is at it until"));
    done(dir, &["release", NAME, "--by", "K"]);
    let text = refused(dir, 2, &["hold", NAME, "--by", "K", "--until", "2 pm"]);
    assert!(
        text.contains("--until 2 pm: expected a time such as 14:00"),
        "{text}"
    );
    // On the day of the entry, where one is told.
    let told = done(
        dir,
        &[
            "enter",
            NAME,
            "hold",
            "--by",
            "K",
            "--date",
            "2026-03-14",
            "--until",
            "08:30",
        ],
    );
    assert!(told.contains("hands off until 2026-03-14 08:30"), "{told}");
}

#[test]
fn kinds_take_their_own_options_and_everything_wrong_is_told_at_once() {
    let shop = shop();
    let dir = shop.path();
    let text = refused(dir, 2, &["enter", NAME, "primer"]);
    assert!(
        text.contains("\"primer\" is no kind of entry; did you mean prime?"),
        "{text}"
    );
    let text = refused(
        dir,
        2,
        &[
            "enter",
            NAME,
            "block",
            "readings.txt",
            "--grams",
            "much",
            "--coats",
            "2",
            "--date",
            "14.3.26",
            "--hours",
            "-1",
        ],
    );
    for expected in [
        "--grams much:",
        "--coats does not belong to block",
        "--date 14.3.26: expected a day of the calendar such as 2026-03-14",
        "--hours -1: expected 0 to 1000 hours",
        "block takes no files",
    ] {
        assert!(text.contains(expected), "{expected}\n{text}");
    }
    for (kind, needs) in [
        ("post-cure", "post-cure needs --hold-hours"),
        ("weigh", "weigh needs --grams"),
        ("sign-off", "sign-off needs --means"),
        ("re-prop", "re-prop needs --supports"),
        ("balance", "balance needs --note"),
        ("note", "note needs --note"),
        ("hands-off", "hands-off needs --by"),
        ("strike", "strike needs the number of the entry to strike"),
    ] {
        let text = refused(dir, 2, &["enter", NAME, kind]);
        assert!(text.contains(needs), "{text}");
    }
    assert!(done(dir, &["log", NAME]).contains("nothing entered yet"));
}

#[test]
fn panels_are_known_by_name_capitals_apart() {
    let shop = shop();
    let dir = shop.path();
    let text = refused(dir, 1, &["panel", "add", "panel.toml"]);
    assert!(
        text.contains("has a panel called locker lid already"),
        "{text}"
    );
    done(dir, &["enter", "Locker  LID", "clean"]);
    let text = refused(dir, 1, &["enter", "loker lid", "clean"]);
    assert!(
        text.contains("no panel called \"loker lid\"; did you mean locker lid?"),
        "{text}"
    );
    let changed = LID.replace("locker lid", "hatch");
    std::fs::write(dir.join("hatch.toml"), &changed).expect("written");
    done(dir, &["panel", "add", "hatch.toml"]);
    done(dir, &["panel", "twin", "hatch", NAME]);
    assert!(done(dir, &["panel", "list"]).contains("pair with hatch"));
    let text = refused(dir, 1, &["panel", "twin", "hatch", "Hatch"]);
    assert!(text.contains("cannot be a pair with itself"), "{text}");
    // An edit may give a new name, but not another panel's; the old version is kept.
    let text = refused(dir, 1, &["panel", "edit", NAME, "hatch.toml"]);
    assert!(
        text.contains("has another panel called hatch already"),
        "{text}"
    );
    std::fs::write(
        dir.join("new.toml"),
        LID.replace("locker lid", "Locker lid 2"),
    )
    .expect("written");
    done(dir, &["panel", "edit", NAME, "new.toml"]);
    let book = Book::open(&dir.join("lids.lowspot")).expect("opens");
    let versions = book.versions("locker lid 2").expect("read");
    assert_eq!(versions.len(), 2);
    assert_eq!(versions[0].bytes, LID.as_bytes());
    assert_eq!(
        book.panel("hatch").expect("there").twin.as_deref(),
        Some("Locker lid 2")
    );
    // A panel with faults is refused as always, with line and column.
    std::fs::write(dir.join("bad.toml"), "name = \"x\"\nlenght = 3\n").expect("written");
    let text = refused(dir, 1, &["panel", "add", "bad.toml"]);
    assert!(
        text.contains("bad.toml:2:1: \"lenght\" is no key of a panel"),
        "{text}"
    );
}

#[test]
fn the_only_book_in_the_folder_is_meant() {
    let shop = shop();
    let dir = shop.path();
    done(dir, &["book", "check"]);
    done(dir, &["book", "new", "more.lowspot"]);
    let text = refused(dir, 2, &["enter", NAME, "clean"]);
    assert!(text.contains("several job books in this folder (lids.lowspot, more.lowspot): say which with --book FILE"), "{text}");
    done(dir, &["enter", NAME, "clean", "--book", "lids.lowspot"]);
    let empty = tempfile::tempdir().expect("a folder");
    let text = refused(empty.path(), 2, &["enter", NAME, "clean"]);
    assert!(
        text.contains("no job book in this folder: `lowspot book new NAME.lowspot` makes one"),
        "{text}"
    );
    let text = refused(dir, 1, &["book", "new", "lids.lowspot"]);
    assert!(text.contains("nothing is written over"), "{text}");
    let text = refused(dir, 1, &["book", "new", "lids.db"]);
    assert!(text.contains("a book's name ends in .lowspot"), "{text}");
}
