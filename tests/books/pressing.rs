//! What is made of a survey that no longer holds, or of a panel that somebody holds, says so at its
//! top.

use super::*;

/// The locker lid surveyed, then, if asked, filled and held.
fn surveyed(work: bool) -> tempfile::TempDir {
    let dir = shop();
    let day = ["--date", "2026-03-14"];
    let enter = |more: &[&str]| done(dir.path(), &[&["enter", NAME], more, &day[..]].concat());
    enter(&["survey", "readings.txt"]);
    if work {
        enter(&[
            "fill",
            "--by",
            "K",
            "--recipe",
            "dry-micro",
            "--grams",
            "40",
        ]);
        done(
            dir.path(),
            &["hands-off", NAME, "--by", "M", "--why", "wet <b>"],
        );
    }
    dir
}

/// What a command says on standard output alone.
#[track_caller]
fn said(dir: &Path, arguments: &[&str]) -> String {
    let out = lowspot(dir, arguments);
    assert!(out.status.success(), "{arguments:?}: {}", told(&out));
    String::from_utf8(out.stdout).expect("text")
}

fn file(dir: &Path, name: &str) -> String {
    std::fs::read_to_string(dir.join(name)).expect("written")
}

const WHY: &str = "came after the survey of 2026-03-14 (entry 1): survey it again.";

#[test]
fn a_stale_survey_and_a_hold_stand_across_the_top_of_all_that_is_made() {
    let dir = surveyed(true);
    let at = dir.path();
    for command in ["map", "plan", "next"] {
        let text = said(at, &[command, NAME, "--out", "out"]);
        let mut lines = text.lines().map(str::trim_start);
        let first = lines.next().expect("a line");
        assert!(first.starts_with("TOUCHED SINCE"), "{command}: {text}");
        assert!(first.contains("entry 2 (fill"), "{command}: {text}");
        let held = lines.find(|l| l.starts_with("HANDS OFF")).expect("told");
        assert!(held.contains("M is at it: wet <b>"), "{command}: {text}");
        // Before the verdict, the plan or the placings.
        let place = |word: &str| text.find(word).unwrap_or(usize::MAX);
        let verdict = place("ANOTHER CYCLE").min(place("MEASURE MORE"));
        let head = verdict.min(place("PLAN ")).min(place("NEXT "));
        assert!(head < usize::MAX && place("HANDS OFF") < head, "{text}");
        assert!(!text.contains("true until"), "{command}: {text}");
        assert!(!text.contains("True until"), "{command}: {text}");
    }
    for name in ["out/report.html", "out/plan.html"] {
        let page = file(at, name);
        let banner = page
            .find("<p class=\"pressing\"><b>TOUCHED SINCE</b> entry 2")
            .expect(name);
        let verdict = page.find("class=\"verdict").expect("a verdict");
        assert!(banner < verdict && page.contains(WHY), "{name}");
        assert!(page.contains("<b>HANDS OFF</b> M is at it: wet"), "{name}");
        assert!(!page.contains("True until"), "{name}");
        assert!(!page.contains("wet <b>"), "{name}: not escaped");
    }
    for name in ["out/map.svg", "out/next.svg"] {
        let picture = file(at, name);
        let short = "TOUCHED SINCE: entry 2, fill, came after; HANDS OFF: M is at it";
        assert!(picture.contains(short), "{name}");
        assert!(!picture.contains("true until"), "{name}");
    }
    for name in ["out/report.json", "out/plan.json"] {
        let json: serde_json::Value = serde_json::from_str(&file(at, name)).expect(name);
        let warnings = json["warnings"].as_array().expect("a list");
        let labels: Vec<&str> = warnings
            .iter()
            .filter_map(|w| w["pressing"]["label"].as_str())
            .collect();
        assert_eq!(labels, ["TOUCHED SINCE", "HANDS OFF"], "{name}");
        assert!(
            warnings[0]["text"]
                .as_str()
                .expect("text")
                .starts_with("touched since: ")
        );
    }
}

#[test]
fn a_mixing_card_from_such_a_plan_says_so_first() {
    let dir = surveyed(true);
    let at = dir.path();
    said(at, &["plan", NAME, "--out", "out"]);
    let card = ["mix", "--plan", "out/plan.json", "--at", "20 C"];
    let text = said(at, &card);
    assert!(
        text.starts_with("TOUCHED SINCE  when the plan was made: entry 2 (fill"),
        "{text}"
    );
    assert!(
        text.contains("\nHANDS OFF  when the plan was made: M is at it"),
        "{text}"
    );
    let json: serde_json::Value =
        serde_json::from_str(&said(at, &[&card[..], &["--json"]].concat())).expect("json");
    let first = json["warnings"][0].as_str().expect("a warning");
    assert!(
        first.starts_with("TOUCHED SINCE: when the plan was made"),
        "{json}"
    );
}

#[test]
fn a_survey_that_holds_is_true_until_the_panel_is_touched() {
    let dir = surveyed(false);
    let at = dir.path();
    for command in ["map", "plan", "next"] {
        let text = said(at, &[command, NAME, "--out", "out"]);
        assert!(
            !text.contains("TOUCHED") && !text.contains("HANDS OFF"),
            "{text}"
        );
    }
    for name in ["out/report.html", "out/plan.html"] {
        let page = file(at, name);
        assert!(!page.contains("<p class=\"pressing\">"), "{name}");
        assert!(page.contains("True until the panel is touched."), "{name}");
    }
    assert!(file(at, "out/map.svg").contains("true until the panel is touched"));
    assert!(!file(at, "out/plan.json").contains("\"pressing\""));
    let card = ["mix", "--plan", "out/plan.json", "--at", "20 C"];
    assert!(!said(at, &card).contains("when the plan was made"));
}
