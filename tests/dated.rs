//! Real surfaces measured on several dates, through the job book: entered as readings files, told by `lowspot trend`.
//!
//! Two mirrors of a telescope before, between and after adjustments, and three thirds of one session with another instrument; one probed plate
//! on three dates (tests/data/README.md has sources and licences). A mirror is 6 m across and no panel may be: its places are drawn in to a
//! third, its heights are as measured.

use crate::books::done;
use crate::moved::{M1, M2, targets};
use crate::published::{points_of, read_bed};
use serde_json::Value;
use std::collections::BTreeMap;
use std::fmt::Write;
use std::path::Path;

const BOOK: &str = "dated.lowspot";

/// Heights against one instrument as a readings file; each `placing` gets a rest of its own in the fit.
fn table(points: &[(String, [f64; 3])]) -> String {
    let mut text = String::from("placing,tool,x,y,reading\n");
    for (placing, [x, y, z]) in points {
        writeln!(text, "{placing},bridge,{x},{y},{z:.9}").unwrap();
    }
    text
}

/// A book with one panel and a survey of it a date.
fn book(panel: &str, surveys: &[(&str, String)]) -> tempfile::TempDir {
    let dir = tempfile::tempdir().unwrap();
    let write = |name: &str, text: &str| std::fs::write(dir.path().join(name), text).unwrap();
    write("panel.toml", panel);
    done(dir.path(), &["book", "new", BOOK]);
    done(dir.path(), &["panel", "add", "panel.toml"]);
    for (date, text) in surveys {
        let file = format!("{date}.csv");
        write(&file, text);
        done(
            dir.path(),
            &["enter", "plate", "survey", &file, "--date", date],
        );
    }
    dir
}

fn trend(dir: &Path) -> Vec<Value> {
    let json = done(dir, &["trend", "plate", "--json"]);
    let json: Value = serde_json::from_str(&json).unwrap();
    json["cycles"].as_array().unwrap().clone()
}

fn panel(size: [f64; 2], base_mm: f64, gap_mm: f64) -> String {
    format!(
        "name = \"plate\"\nlength = {}\nwidth = {}\nform = \"flat\"\n[[limit]]\nbase = {base_mm}\ngap = {gap_mm}\n",
        size[0], size[1]
    )
}

/// A mirror at a third of its size, with a margin.
fn mirror() -> String {
    panel([2200.0; 2], 600.0, 0.1)
}

/// A target's place on it.
fn on_panel([x, y, z]: [f64; 3]) -> [f64; 3] {
    [x + 33.0, y + 33.0, z]
}

fn one_placing(name: &str) -> String {
    let points: Vec<_> = targets(name)
        .into_iter()
        .map(|(_, p)| ("M".to_string(), on_panel(p)))
        .collect();
    table(&points)
}

/// Each mirror panel as a placing.
fn by_panel(name: &str) -> String {
    let mut panels: BTreeMap<String, Vec<[f64; 3]>> = BTreeMap::new();
    for (panel, point) in targets(name) {
        panels.entry(panel).or_default().push(point);
    }
    let points: Vec<_> = panels
        .iter()
        .flat_map(|(panel, points)| {
            points
                .iter()
                .map(move |p| (format!("P{panel}"), on_panel(*p)))
        })
        .collect();
    table(&points)
}

fn date_of(name: &str) -> &str {
    &name[3..13]
}

#[test]
#[ignore = "for trying out"]
fn dated_to_try_out() {
    let show = |what: &str, dir: &tempfile::TempDir| {
        println!("==== {what}\n{}", done(dir.path(), &["trend", "plate"]));
        for c in trend(dir.path()) {
            println!(
                "{} heights {} moved {}",
                c["date"], c["heights"], c["moved"]
            );
        }
    };
    for set in [M1, M2] {
        let surveys = set.map(|n| (date_of(n), one_placing(n)));
        show("one placing", &book(&mirror(), &surveys));
    }
    let thirds = [1, 2, 3].map(|k| {
        (
            ["2025-08-23", "2025-08-24", "2025-08-25"][k - 1],
            one_placing(&format!("m1_2025-08-23_tracker_run{k}")),
        )
    });
    show("thirds", &book(&mirror(), &thirds));
    let dates = ["2022-07-16", "2022-09-18", "2022-12-20"];
    let beds = dates.map(|d| {
        let bed = read_bed(match d {
            "2022-07-16" => "bed_8x5_2022-07-16_mit.csv",
            "2022-09-18" => "bed_8x5_2022-09-18_mit.csv",
            _ => "bed_8x5_2022-12-20_mit.csv",
        });
        let points: Vec<_> = points_of(&bed)
            .into_iter()
            .map(|[x, y, z]| ("B".to_string(), [x - 10.0, y - 20.0, z]))
            .collect();
        (d, table(&points))
    });
    show("plate", &book(&panel([280.0, 160.0], 200.0, 0.1), &beds));
}
