//! `lowspot moved` from the job book: two surveys of one panel, left and right. Panels and readings
//! are the made-up workshop's samples.

use crate::books::{done, lowspot, refused};
use crate::support::folder;
use serde_json::Value;
use std::path::Path;

const SIDE: &str = include_str!("../samples/workshop/side.toml");
const READINGS: [&str; 3] = [
    include_str!("../samples/workshop/side-1.txt"),
    include_str!("../samples/workshop/side-2.txt"),
    include_str!("../samples/workshop/side-3.txt"),
];

/// A book with the cabin side surveyed three times, filled and blocked between, and another side of
/// its form surveyed once.
fn book() -> tempfile::TempDir {
    let other = SIDE.replace("\"cabin side\"", "\"other side\"");
    let (dir, _) = folder(&[
        ("side.toml", SIDE.as_bytes()),
        ("other.toml", other.as_bytes()),
        ("1.txt", READINGS[0].as_bytes()),
        ("2.txt", READINGS[1].as_bytes()),
        ("3.txt", READINGS[2].as_bytes()),
        (
            "o.txt",
            READINGS[2].replace("cabin side", "other side").as_bytes(),
        ),
    ]);
    let here = dir.path();
    done(here, &["book", "new", "b.lowspot"]);
    done(here, &["panel", "add", "side.toml"]);
    done(here, &["panel", "add", "other.toml"]);
    done(here, &["enter", "cabin side", "survey", "1.txt"]);
    let fill = ["enter", "cabin side", "fill", "--date", "2026-04-14"];
    done(here, &fill);
    done(here, &["enter", "cabin side", "survey", "2.txt"]);
    done(
        here,
        &["enter", "cabin side", "block", "--date", "2026-04-20"],
    );
    done(here, &["enter", "cabin side", "survey", "3.txt"]);
    done(here, &["enter", "other side", "survey", "o.txt"]);
    dir
}

fn moved(dir: &Path, arguments: &[&str]) -> Value {
    let mut all = vec!["moved"];
    all.extend(arguments);
    all.push("--json");
    let out = lowspot(dir, &all);
    let told = String::from_utf8_lossy(&out.stderr).into_owned();
    assert!(out.status.success(), "{told}");
    serde_json::from_slice(&out.stdout).unwrap()
}

#[test]
fn by_name_it_tells_what_the_files_tell() {
    let dir = book();
    let dir = dir.path();
    let files = moved(dir, &["side.toml", "2.txt", "--after", "3.txt"]);
    let last = moved(dir, &["cabin side"]);
    for key in ["rms_mm", "patches", "highest", "readings_before", "changed"] {
        assert_eq!(files[key], last[key], "{key}");
    }
    assert_eq!(files["between"], Value::Array(Vec::new()));
    let between = last["between"].to_string();
    assert!(between.contains("block (entry 4)"), "{between}");
    assert!(!between.contains("fill"), "{between}");
    let all = moved(dir, &["cabin side", "--from", "1"]);
    let first = moved(dir, &["cabin side", "--from", "1", "--to", "3"]);
    assert_eq!(all["between"].as_array().unwrap().len(), 3);
    assert_eq!(first["between"].as_array().unwrap().len(), 2);
    assert_ne!(all["rms_mm"], first["rms_mm"]);
    // The conditions are the entries'.
    assert_eq!(first["before_date"], "2026-04-13");
}

#[test]
fn a_struck_survey_is_passed_over() {
    let dir = book();
    let dir = dir.path();
    done(dir, &["strike", "cabin side", "3", "--why", "wrong panel"]);
    let m = moved(dir, &["cabin side"]);
    assert_eq!(m["before_date"], "2026-04-13");
    let told = refused(dir, 2, &["moved", "cabin side", "--from", "3"]);
    assert!(told.contains("entry 3 is struck"), "{told}");
}

#[test]
fn left_and_right_are_compared_as_they_were_measured() {
    let dir = book();
    let dir = dir.path();
    let told = refused(
        dir,
        2,
        &["moved", "cabin side", "--twin", "--mirror", "none"],
    );
    assert!(told.contains("is in no pair"), "{told}");
    done(dir, &["panel", "twin", "cabin side", "other side"]);
    let told = refused(dir, 2, &["moved", "cabin side", "--twin"]);
    assert!(told.contains("--pair needs --mirror"), "{told}");
    // The same readings from mirrored corners: no difference at all.
    let same = moved(dir, &["cabin side", "--twin", "--mirror", "none"]);
    assert_eq!(
        (&same["kind"], &same["changed"]),
        (&"sides".into(), &false.into())
    );
    assert!(same["rms_mm"].as_f64().unwrap() < 1e-6);
    // The other way round the low at x 750 lies at x 150 and shows twice.
    let turned = moved(dir, &["cabin side", "--twin", "--mirror", "x"]);
    assert!(turned["rms_mm"].as_f64().unwrap() > 0.03);
    let told = done(dir, &["moved", "cabin side", "--twin", "--mirror", "x"]);
    assert!(!told.contains("came up"), "{told}");
    let text = done(dir, &["moved", "cabin side", "--twin", "--mirror", "none"]);
    assert!(text.contains("so twist of a wing, incidence"), "{text}");
}

#[test]
fn twins_whose_outlines_do_not_lie_on_one_another_are_refused() {
    let slanted = |name: &str| {
        SIDE.replace("\"cabin side\"", &format!("\"{name}\""))
            .replace(
                "form ",
                "outline = [[0, 0], [900, 0], [900, 700], [400, 700], [0, 300]]\nform ",
            )
    };
    // Placings that reach over the slanted edge are left out.
    let over = [
        "A7", "A9", "A11", "A13", "A14", "B1", "B2", "B3", "B4", "B5", "B6", "B8",
    ];
    let on_it = |line: &&str| {
        let name: String = line.chars().take_while(|c| c.is_alphanumeric()).collect();
        !over.contains(&name.as_str())
    };
    let only = |text: &str| {
        let lines: Vec<&str> = text.lines().filter(on_it).collect();
        lines.join("\n").replace("cabin side", "left") + "\n"
    };
    let (dir, _) = folder(&[
        ("l.toml", slanted("left").as_bytes()),
        ("r.toml", slanted("right").as_bytes()),
        ("l.txt", only(READINGS[2]).as_bytes()),
    ]);
    let dir = dir.path();
    done(dir, &["book", "new", "b.lowspot"]);
    for (file, name) in [("l.toml", "left"), ("r.toml", "right")] {
        done(dir, &["panel", "add", file]);
        let out = lowspot(dir, &["enter", name, "survey", "l.txt"]);
        assert!(out.status.success(), "{}", crate::books::told(&out));
    }
    done(dir, &["panel", "twin", "left", "right"]);
    moved(dir, &["left", "--twin", "--mirror", "none"]);
    let told = refused(dir, 1, &["moved", "left", "--twin", "--mirror", "x"]);
    assert!(told.contains("the right way round"), "{told}");
}

#[test]
fn what_cannot_be_compared_is_refused() {
    let dir = book();
    let dir = dir.path();
    for (arguments, status, words) in [
        (vec!["other side"], 1, "two are wanted"),
        (
            vec!["cabin side", "--from", "2"],
            2,
            "is no survey but fill",
        ),
        (
            vec!["cabin side", "--from", "99"],
            2,
            "is no entry of this panel",
        ),
        (
            vec!["cabin side", "--from", "5", "--to", "1"],
            2,
            "does not lie before",
        ),
        (
            vec!["cabin side", "--mirror", "x"],
            2,
            "--mirror goes with --pair",
        ),
        (vec!["cabin slide"], 1, "did you mean"),
        (vec!["side.toml", "1.txt"], 2, "two surveys are wanted"),
        (
            vec!["side.toml", "1.txt", "--after", "2.txt", "--from", "1"],
            2,
            "are for panels in a job book",
        ),
    ] {
        let mut all = vec!["moved"];
        all.extend(&arguments);
        let told = refused(dir, status, &all);
        assert!(told.contains(words), "{arguments:?}: {told}");
        assert!(!dir.join("lowspot-moved").exists());
    }
    let longer = SIDE.replace("900 mm", "950 mm");
    std::fs::write(dir.join("side.toml"), longer).unwrap();
    done(dir, &["panel", "edit", "cabin side", "side.toml"]);
    done(
        dir,
        &[
            "enter",
            "cabin side",
            "survey",
            "1.txt",
            "--date",
            "2026-05-01",
        ],
    );
    let told = refused(dir, 1, &["moved", "cabin side"]);
    assert!(
        told.contains("was edited between the two surveys"),
        "{told}"
    );
}
