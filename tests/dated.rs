//! Real surfaces measured on several dates, through the job book: entered as readings files, told
//! by `lowspot trend`.
//!
//! Two mirrors of a telescope before, between and after adjustments, and three thirds of one
//! session with another instrument; one probed plate on three dates (tests/data/README.md has
//! sources and licences). A mirror is 6 m across and no panel may be: its places are drawn in to a
//! third, its heights are as measured.

use crate::books::done;
use crate::moved::{M1, M2, targets};
use crate::published::{points_of, read_bed};
use serde_json::Value;
use std::collections::BTreeMap;
use std::fmt::Write;
use std::path::Path;

const BOOK: &str = "dated.lowspot";

/// Heights against one instrument as a readings file; each `placing` gets a rest of its own in the
/// fit.
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

/// `told` of a cycle's change at a key.
fn told<'a>(cycle: &'a Value, of: &[&str]) -> &'a str {
    let value = of.iter().fold(cycle, |v, key| &v[*key]);
    value
        .as_str()
        .unwrap_or_else(|| panic!("{of:?}: {cycle:#}"))
}

fn patches(cycle: &Value) -> u64 {
    cycle["moved"]["patches"].as_u64().unwrap()
}

/// The figures printed on the project's own plots, mm: the panels' rms weighted by their targets
/// (simonsobs/LAT_Alignment, published).
#[test]
fn the_published_rms_of_the_mirrors_come_out_of_the_trend() {
    let printed = [
        [0.08244, 0.01608, 0.02043, 0.02020],
        [0.06498, 0.01937, 0.02075, 0.02753],
    ];
    for (set, printed) in [M1, M2].into_iter().zip(printed) {
        let dir = book(&mirror(), &set.map(|n| (date_of(n), by_panel(n))));
        let cycles = trend(dir.path());
        for (cycle, printed) in cycles.iter().zip(printed) {
            let got = cycle["heights"]["placings_rms_mm"].as_f64().unwrap();
            assert!((got - printed).abs() < 0.0000051, "{got} {printed}");
        }
        assert_eq!(told(&cycles[1], &["heights", "told"]), "better");
        let text = done(dir.path(), &["trend", "plate"]);
        assert!(text.contains("Readings by themselves"), "{text}");
    }
}

#[test]
fn an_adjusted_mirror_is_better_and_a_session_cut_in_three_is_no_change() {
    let all = [M1, M2]
        .map(|set| trend(book(&mirror(), &set.map(|n| (date_of(n), one_placing(n)))).path()));
    for cycles in &all {
        assert_eq!(told(&cycles[1], &["change", "sq", "told"]), "better");
        assert_eq!(told(&cycles[1], &["heights", "told"]), "better");
        assert!(patches(&cycles[1]) > 0);
        let moved = &cycles[1]["moved"];
        assert!(moved["rms_mm"].as_f64() > moved["rms_by_chance_mm"].as_f64());
        // After that what is left changes by less than the readings are stated to be good for,
        // 0.010 to 0.015 mm.
        for cycle in &cycles[2..] {
            assert_eq!(told(cycle, &["change", "sq", "told"]), "no-change");
            assert_eq!(patches(cycle), 0);
        }
    }
    let dates = ["2025-08-23", "2025-08-24", "2025-08-25"];
    let thirds = [1, 2, 3].map(|k| {
        let name = format!("m1_2025-08-23_tracker_run{k}");
        (dates[k - 1], one_placing(&name))
    });
    let cycles = trend(book(&mirror(), &thirds).path());
    for cycle in &cycles[1..] {
        for of in [
            &["change", "told"][..],
            &["change", "sq", "told"],
            &["heights", "told"],
        ] {
            // A limit that the survey cannot check has no worst gap to compare.
            if of == ["change", "told"] && cycle["change"]["told"].is_null() {
                assert_eq!(cycle["limits"][0]["state"], "not-checked");
                continue;
            }
            assert_eq!(told(cycle, of), "no-change", "{of:?}");
        }
        assert_eq!(patches(cycle), 0);
        let moved = &cycle["moved"];
        assert!(moved["rms_mm"].as_f64() < moved["rms_by_chance_mm"].as_f64());
    }
}

/// One plate probed on three dates, nothing done to it between. Its header states mean and
/// deviation; their squares make the rms.
#[test]
fn a_probed_plate_on_three_dates_did_not_change() {
    let beds = [
        ("2022-07-16", "bed_8x5_2022-07-16_mit.csv"),
        ("2022-09-18", "bed_8x5_2022-09-18_mit.csv"),
        ("2022-12-20", "bed_8x5_2022-12-20_mit.csv"),
    ]
    .map(|(date, name)| (date, read_bed(name)));
    let surveys: Vec<(&str, String)> = beds
        .iter()
        .map(|(date, bed)| {
            let points: Vec<_> = points_of(bed)
                .into_iter()
                .map(|[x, y, z]| ("B".to_string(), [x - bed.start[0], y - bed.start[1], z]))
                .collect();
            (*date, table(&points))
        })
        .collect();
    let cycles = trend(book(&panel([280.0, 160.0], 200.0, 0.1), &surveys).path());
    for (cycle, (_, bed)) in cycles.iter().zip(&beds) {
        let [_, _, mean, sd] = bed.stated.unwrap();
        let got = cycle["heights"]["rms_mm"].as_f64().unwrap();
        assert!((got - mean.hypot(sd)).abs() < 0.0008, "{got} {mean} {sd}");
    }
    for cycle in &cycles[1..] {
        assert_eq!(patches(cycle), 0);
        assert_eq!(told(cycle, &["heights", "told"]), "no-change");
        assert!(cycle["moved"]["rms_mm"].as_f64() < Some(0.01));
    }
}
