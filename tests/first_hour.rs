//! The first hour with the program: a form that can check what it is written for, and readings as
//! people write them. Panels are made up.

use crate::books::{done, lowspot, told};
use crate::support::folder;
use lowspot::observe::{FileRead, Placing, Tool, notes};
use lowspot::panel::file;

const WING: &str =
    "name = \"wing\"\nlength = 1200\nwidth = 700\nform = \"ruled-x\"\npurpose = \"laminar-wing\"\n";

// One walk.

#[test]
fn blank_and_next_write_one_walk_that_the_limits_can_be_checked_with() {
    let (dir, _) = folder(&[("wing.toml", WING.as_bytes())]);
    for units in ["metric", "us"] {
        let blank = done(
            dir.path(),
            &[
                "blank",
                "wing.toml",
                "--units",
                units,
                "--out",
                &format!("{units}.txt"),
            ],
        );
        assert!(blank.contains("is ready"), "{blank}");
        let out = format!("next-{units}");
        done(
            dir.path(),
            &["next", "wing.toml", "--units", units, "--out", &out],
        );
        let read = |name: &str| std::fs::read_to_string(dir.path().join(name)).unwrap();
        let form = read(&format!("{units}.txt"));
        assert_eq!(form, read(&format!("{out}/next.txt")));
        let (panel, _) = file::parse(WING, "wing.toml").unwrap();
        let found = notes::parse(&form, "w.txt", &panel, &[]);
        assert!(found.faults.is_empty(), "{:?}", found.faults);
        // The only published limit of the purpose has a base of 50 mm: a wave is seen from twice
        // the step on.
        for p in &found.placings {
            let step = p.readings[1].x - p.readings[0].x + p.readings[1].y - p.readings[0].y;
            assert!(step.abs() <= 25.0 + 0.01, "{step}");
        }
        assert!(form.contains(", about ") && (form.contains(" minutes") || form.contains(" h")));
        // The first placing once more, at the end.
        let last = found.placings.last().unwrap();
        assert_eq!(
            (last.repeat, last.name.as_str()),
            (1, found.placings[0].name.as_str())
        );
        // Where to read stands above every blank.
        let rows: Vec<&str> = form.lines().collect();
        let k = rows.iter().position(|l| l.starts_with("N1 ")).unwrap();
        let blanks: Vec<usize> = rows[k].match_indices('_').map(|(at, _)| at).collect();
        let places: Vec<&str> = rows[k - 1]
            .trim_start_matches('#')
            .split_whitespace()
            .collect();
        assert_eq!(blanks.len(), places.len());
        let ends: Vec<usize> = {
            let mut at = 0;
            places
                .iter()
                .map(|p| {
                    at += rows[k - 1][at..].find(p).unwrap() + p.len();
                    at - 1
                })
                .collect()
        };
        assert_eq!(blanks, ends, "{}\n{}", rows[k - 1], rows[k]);
    }
    let us = std::fs::read_to_string(dir.path().join("us.txt")).unwrap();
    assert!(
        us.contains("tool straightedge 24 in   step 0.75 in   unit thou"),
        "{us}"
    );
    assert!(!us.contains("609.6"), "{us}");
    // What is asked for is written as it was asked for.
    let asked = done(
        dir.path(),
        &[
            "blank",
            "wing.toml",
            "--units",
            "us",
            "--length",
            "24 in",
            "--step",
            "2 in",
        ],
    );
    assert!(
        asked.contains("tool straightedge 24 in   step 2 in   unit thou"),
        "{asked}"
    );
}

#[test]
fn a_blank_form_of_next_is_written_over_and_one_with_readings_is_not() {
    let (dir, _) = folder(&[("wing.toml", WING.as_bytes())]);
    let next = || done(dir.path(), &["next", "wing.toml", "--out", "n"]);
    next();
    next();
    assert!(!dir.path().join("n/next-2.txt").exists());
    let path = dir.path().join("n/next.txt");
    let form = std::fs::read_to_string(&path).unwrap();
    let filled = form.replacen("    _", " 0.05", 1);
    assert_ne!(form, filled);
    std::fs::write(&path, &filled).unwrap();
    next();
    assert_eq!(std::fs::read_to_string(&path).unwrap(), filled);
    assert!(dir.path().join("n/next-2.txt").exists());
}

// Readings as people write them.

fn notes_of(text: &str) -> FileRead {
    const LID: &str = "name = \"lid\"\nlength = 900\nwidth = 600\nform = \"flat\"\n";
    let (panel, _) = file::parse(LID, "lid.toml").unwrap();
    notes::parse(text, "lid.txt", &panel, &[])
}

/// Placings of notes about a lid of 900 × 600 mm; they must be sound.
#[track_caller]
fn taken(text: &str) -> Vec<Placing> {
    let read = notes_of(text);
    assert!(read.faults.is_empty(), "{:?}", read.faults);
    read.placings
}

#[track_caller]
fn faults(text: &str) -> Vec<String> {
    let read = notes_of(text);
    read.faults.iter().map(ToString::to_string).collect()
}

#[test]
fn curly_quotes_capitals_fractions_and_readings_one_below_the_other_are_taken() {
    let p = taken("panel \u{201c}lid\u{201d}\nunit MM\nA1 x 0 to 100 y 50 : 0 0.10 0\n");
    assert_eq!(p[0].tool, Tool::Straightedge);
    let p = taken("unit in\nA1 x 0 to 100 y 50 : 0 3/32\" 1/64\n");
    assert!((p[0].readings[1].value_mm.unwrap() - 25.4 * 3.0 / 32.0).abs() < 1e-9);
    assert!((p[0].readings[2].value_mm.unwrap() - 25.4 / 64.0).abs() < 1e-9);
    let p = taken(
        "unit mm\nA1 x 0 to 200 y 50 :\n0.00\n0.10\n? # glare\n\n0.05\n0.00\nA2 x 0 to 50 y 80 : 0 0\n",
    );
    let values: Vec<_> = p[0].readings.iter().map(|r| r.value_mm).collect();
    assert_eq!(values, [Some(0.0), Some(0.1), None, Some(0.05), Some(0.0)]);
    assert_eq!((p[0].readings[1].line, p[0].readings[1].column), (4, 1));
    assert_eq!(p.len(), 2);
    let p = taken("tool straightedge 24\u{201d}\nunit mm\nA1 x 0 to 100 y 50 : 0 0 0\n");
    assert!((p[0].base_mm - 609.6).abs() < 1e-9);
}

#[test]
fn a_copied_line_may_keep_its_places_where_they_are_those_of_the_first() {
    let p = taken("unit mm\nA1 x 0 to 100 y 50 : 0 0.1 0\nA1 again x 0 to 100 y 50 : 0 0.1 0\n");
    assert_eq!((p[1].repeat, p[1].name.as_str()), (1, "A1"));
    let told =
        faults("unit mm\nA1 x 0 to 100 y 50 : 0 0.1 0\nA1 again x 0 to 100 y 90 : 0 0.1 0\n");
    assert_eq!(told.len(), 1);
    assert!(told[0].contains("its ends are not those of A1"), "{told:?}");
}

#[test]
fn what_is_no_reading_is_refused_kindly_and_once() {
    let told = faults("unit mm\nA1 x 0 to 150 y 50 : - - - 0\n");
    assert_eq!(told.len(), 1, "{told:?}");
    assert!(
        told[0].contains("write ?") && told[0].contains("3 times"),
        "{told:?}"
    );
    let told = faults("unit mm\nA1 x 0 to 100 y 50 : <0.05 0.1 <0.05\n");
    assert_eq!(told.len(), 1, "{told:?}");
    assert!(told[0].contains("write 0.00"), "{told:?}");
    let told = faults("unit mm\nA1 x 0 to 100 y 50 : 0 3/32\" 0\n");
    assert!(told[0].contains("write unit in"), "{told:?}");
    let told = faults("unit mm\nA1 x 0 to 100 y 50 : 0 0.1 0 the edge slipped here\n");
    assert_eq!(told.len(), 1, "{told:?}");
    assert!(told[0].contains("a remark begins with #"), "{told:?}");
}

#[test]
fn curly_quotes_in_a_settings_file_are_named() {
    let text = WING
        .replacen('"', "\u{201c}", 1)
        .replacen('"', "\u{201d}", 1);
    let (dir, _) = folder(&[("wing.toml", text.as_bytes())]);
    let out = lowspot(dir.path(), &["blank", "wing.toml"]);
    let told = told(&out);
    assert!(
        !out.status.success() && told.contains("curly quotes"),
        "{told}"
    );
}
