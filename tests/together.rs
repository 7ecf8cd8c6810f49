//! A photo through the whole program: alone, and with readings; what is written, shown and refused.
//! All photos are simulated.

use crate::joint;
use crate::samples::{cabin_roof, roof_photo};
use crate::support::simulate::{self, Kind};
use crate::support::{folder, render};
use image::RgbImage;
use lowspot::fit;
use lowspot::photo::polarity::Polarity;
use lowspot::photo::take;
use rand_distr::{Distribution, StandardNormal};
use rayon::prelude::*;
use serde_json::Value;
use std::path::Path;
use std::process::{Command, Output};
use std::sync::OnceLock;

const PANEL: &str = include_str!("../samples/cabin-roof/panel.toml");

/// The roof's photo, made once.
fn photo() -> &'static [u8] {
    static PHOTO: OnceLock<Vec<u8>> = OnceLock::new();
    PHOTO.get_or_init(roof_photo)
}

fn lowspot(dir: &Path, arguments: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_lowspot"))
        .current_dir(dir)
        .args(arguments)
        .output()
        .expect("lowspot runs")
}

#[track_caller]
fn done(dir: &Path, arguments: &[&str]) -> String {
    let out = lowspot(dir, arguments);
    let told = String::from_utf8_lossy(&out.stderr).into_owned();
    assert!(out.status.success(), "{told}");
    String::from_utf8(out.stdout).expect("text")
}

fn report(dir: &Path) -> Value {
    let text = std::fs::read_to_string(dir.join("out/report.json")).expect("report.json");
    serde_json::from_str(&text).expect("JSON")
}

fn picture(path: &Path) -> RgbImage {
    image::open(path).expect("a picture").to_rgb8()
}

#[test]
fn a_photo_alone_tells_where_and_never_how_deep() {
    let (dir, _) = folder(&[("panel.toml", PANEL.as_bytes()), ("roof.jpg", photo())]);
    let said = done(
        dir.path(),
        &["map", "panel.toml", "--photo", "roof.jpg", "--out", "out"],
    );
    let report = report(dir.path());
    assert_eq!(report["verdict"], "measure-more");
    // A lower bound of the filler, no amount.
    assert!(report["filler"]["to_level_cc"].is_null() && report["filler"]["high_cc"].is_null());
    assert!(
        report.get("repeats").is_none(),
        "no readings, no pitch in them"
    );
    let least = report["filler"]["low_cc"].as_f64().expect("a lower bound");
    let truth = cabin_roof().truth;
    let lows = report["regions"].as_array().expect("regions");
    assert!(lows.len() >= 4, "{} lows", lows.len());
    for low in lows {
        assert!(
            low["worst_mm"].is_null() && low["volume_cc"].is_null(),
            "{low}"
        );
        assert_eq!(low["action"], "measure");
        let at = [&low["x_mm"], &low["y_mm"]].map(|v| v.as_f64().expect("a place"));
        assert!(
            truth.defects(at[0], at[1]) < -0.03,
            "{} is no low at {at:?}",
            low["name"]
        );
    }
    // The lows hold far more than the bound.
    assert!(least > 2.0 && least < 60.0, "{least}");
    for limit in report["limits"].as_array().expect("limits") {
        assert_eq!(limit["state"], "not-checked");
    }
    assert!(
        said.contains("Depth not known") && said.contains("at least"),
        "{said}"
    );
    assert!(said.contains("readings would make it an amount"), "{said}");
    assert!(said.contains("CARE") && said.contains("Dust"), "{said}");
    let csv = std::fs::read_to_string(dir.path().join("out/surface.csv")).expect("surface.csv");
    assert!(
        csv.lines().skip(1).all(|l| l.contains(",,,,,")),
        "a height was invented"
    );
}

#[test]
fn a_photo_and_readings_together_are_one_map() {
    let readings = cabin_roof().notes;
    let (dir, _) = folder(&[
        ("panel.toml", PANEL.as_bytes()),
        ("readings.txt", readings.as_bytes()),
        ("roof.jpg", photo()),
    ]);
    let arguments = [
        "map",
        "panel.toml",
        "readings.txt",
        "--photo",
        "roof.jpg",
        "--out",
        "out",
    ];
    let said = done(dir.path(), &arguments);
    assert!(
        said.contains("PHOTO") && said.contains("dark coat"),
        "{said}"
    );
    let report = report(dir.path());
    assert_eq!(report["verdict"], "another-cycle");
    let coat = &report["coat"];
    let share = coat["seen_share"].as_f64().expect("a share");
    assert!((0.7..1.0).contains(&share), "{share}");
    assert_eq!(coat["photos"][0]["targets"], 9);
    assert_eq!(
        coat["contradictions"].as_array().map(Vec::len),
        Some(0),
        "{coat}"
    );
    let level = coat["coat_from_mm"].as_f64().expect("a level");
    assert!(
        (0.01..0.08).contains(&level),
        "coat from {level} mm, truly 0.03"
    );
    let page = std::fs::read_to_string(dir.path().join("out/report.html")).expect("the page");
    assert!(page.contains("<g class=\"photo\"") && page.contains("id=\"photo\""));
    assert!(!page.contains("http://localhost") && !page.contains("src=\"http"));
}

/// What is drawn over the photo lies on the panel's lows, not beside them.
#[test]
fn the_map_on_the_photo_lies_on_the_lows() {
    let readings = cabin_roof().notes;
    let (dir, _) = folder(&[
        ("panel.toml", PANEL.as_bytes()),
        ("readings.txt", readings.as_bytes()),
        ("roof.jpg", photo()),
    ]);
    done(
        dir.path(),
        &[
            "map",
            "panel.toml",
            "readings.txt",
            "--photo",
            "roof.jpg",
            "--out",
            "out",
        ],
    );
    let drawn = picture(&dir.path().join("out/overlay.jpg"));
    let plain = picture(&dir.path().join("roof.jpg"));
    assert_eq!(drawn.dimensions(), plain.dimensions());
    let panel = crate::support::panel(PANEL);
    let taken = take::take(&panel, &dir.path().join("roof.jpg"), None, Polarity::Auto)
        .expect("the photo is read");
    let truth = cabin_roof().truth;
    // Share of pixels that were drawn on, in a window of some 60 mm about a place.
    let drawn_on = |x: f64, y: f64| {
        let [u, v] = taken
            .placed
            .placement
            .point_in_photo(x, y)
            .expect("in the photo");
        let mut changed = 0;
        for dx in -25..25 {
            for dy in -25..25 {
                let (c, r) = ((u as i64 + dx) as u32, (v as i64 + dy) as u32);
                let (a, b) = (drawn.get_pixel(c, r), plain.get_pixel(c, r));
                let far = a.0.iter().zip(b.0).any(|(a, b)| a.abs_diff(b) > 60);
                changed += usize::from(far);
            }
        }
        changed as f64 / 2500.0
    };
    for bump in truth.bumps.iter().filter(|b| b.height_mm < -0.4) {
        let share = drawn_on(bump.centre[0], bump.centre[1]);
        assert!(
            share > 0.1,
            "nothing drawn on the low at {:?}: {share}",
            bump.centre
        );
    }
    for [x, y] in [[1640.0, 850.0], [450.0, 150.0], [1350.0, 150.0]] {
        assert!(truth.defects(x, y).abs() < 0.05);
        let share = drawn_on(x, y);
        assert!(share < 0.02, "drawn on fair skin at {x}, {y}: {share}");
    }
}

/// Readings of one panel with the photo of another: where they contradict each other, both are
/// told.
#[test]
fn coat_on_a_measured_high_is_named_with_both() {
    let mut job = cabin_roof();
    // The low at (900, 350), full of coat in the photo, is a high in the readings.
    for bump in &mut job.truth.bumps {
        if bump.centre == [900.0, 350.0] {
            bump.height_mm = 0.6;
        }
    }
    let survey = simulate::survey(
        &job.truth,
        &job.panel,
        &simulate::SurveyPlan::straightedge(100.0),
        8,
    );
    let notes = simulate::notes(&survey);
    let (dir, _) = folder(&[
        ("panel.toml", PANEL.as_bytes()),
        ("readings.txt", notes.as_bytes()),
        ("roof.jpg", photo()),
    ]);
    done(
        dir.path(),
        &[
            "map",
            "panel.toml",
            "readings.txt",
            "--photo",
            "roof.jpg",
            "--out",
            "out",
        ],
    );
    let report = report(dir.path());
    let told = report["coat"]["contradictions"].as_array().expect("a list");
    let here = told.iter().find(|c| {
        let at = [0, 1].map(|k| c["at_mm"][k].as_f64().unwrap_or(f64::NAN));
        (at[0] - 900.0).hypot(at[1] - 350.0) < 120.0
    });
    let here = here.unwrap_or_else(|| panic!("not told: {told:?}"));
    let text = here["text"].as_str().expect("a sentence");
    assert!(text.starts_with("coat on a measured high at x "), "{text}");
    assert!(
        here["height_mm"].as_f64().is_some_and(|h| h > 0.2),
        "{here}"
    );
}

/// Refusals: exit status, what is said, and nothing written.
#[track_caller]
fn refused(files: &[(&str, &[u8])], arguments: &[&str], status: i32, parts: &[&str]) {
    let mut all: Vec<(&str, &[u8])> = vec![("panel.toml", PANEL.as_bytes())];
    all.extend(files);
    let (dir, _) = folder(&all);
    let mut whole = vec!["map", "panel.toml", "--out", "out"];
    whole.extend(arguments);
    let out = lowspot(dir.path(), &whole);
    let told = String::from_utf8_lossy(&out.stderr).into_owned();
    assert_eq!(out.status.code(), Some(status), "{told}");
    for part in parts {
        assert!(told.contains(part), "\"{part}\" is not said:\n{told}");
    }
    assert!(!dir.path().join("out").exists(), "something was written");
}

#[test]
fn photos_that_cannot_be_used_are_refused_and_nothing_is_written() {
    let alone = ["--photo", "roof.jpg"];
    let half = &photo()[..photo().len() / 2];
    refused(
        &[("roof.jpg", half)],
        &alone,
        1,
        &["roof.jpg", "nothing was written"],
    );
    refused(&[("roof.jpg", b"")], &alone, 1, &["roof.jpg", "empty"]);
    refused(
        &[("roof.jpg", b"no picture at all")],
        &alone,
        1,
        &["roof.jpg"],
    );
    refused(&[], &["--photo", "gone.jpg"], 1, &["gone.jpg"]);
    refused(&[], &[], 2, &["nothing to map"]);
    let two = [
        "--photo",
        "roof.jpg",
        "--photo",
        "roof.jpg",
        "--targets",
        "t.csv",
    ];
    refused(
        &[("roof.jpg", photo())],
        &two,
        2,
        &["2 --photo but 1 --targets"],
    );
}

#[test]
fn targets_that_cannot_place_the_panel_are_refused_and_nothing_is_written() {
    let with = ["--photo", "roof.jpg", "--targets", "targets.csv"];
    let check = |csv: &str, parts: &[&str]| {
        refused(
            &[("roof.jpg", photo()), ("targets.csv", csv.as_bytes())],
            &with,
            1,
            parts,
        );
    };
    check(
        "x,y,px,py\n0,0,100,100\n1800,0,1900,100\n0,1200,100,1400\n",
        &["targets.csv", "four"],
    );
    check(
        "x,y,px,py\n0,0,100,100\n600,0,600,100\n1200,0,1200,100\n1800,0,1800,100\n",
        &["roof.jpg", "line"],
    );
    check(
        "x,y,px,py\n0,0,100,100\n1800,0,5000,100\n1800,1200,1900,1400\n0,1200,100,1400\n",
        &["targets.csv:3:", "5000"],
    );
    // Another panel's photo: the same numbers, taped at other places.
    let places = [
        [300, 80],
        [60, 900],
        [1500, 1100],
        [200, 300],
        [900, 500],
        [1700, 200],
        [1200, 90],
        [700, 1150],
        [1600, 700],
    ];
    let mut other = PANEL[..PANEL.find("[[target]]").expect("targets")].to_string();
    for (k, [x, y]) in places.iter().enumerate() {
        other += &format!("[[target]]\nnumber = {}\nx = {x}\ny = {y}\n", k + 1);
    }
    let (dir, _) = folder(&[("panel.toml", other.as_bytes()), ("roof.jpg", photo())]);
    let out = lowspot(
        dir.path(),
        &["map", "panel.toml", "--photo", "roof.jpg", "--out", "out"],
    );
    let told = String::from_utf8_lossy(&out.stderr).into_owned();
    assert_eq!(out.status.code(), Some(1), "{told}");
    assert!(told.contains("mm"), "{told}");
    assert!(!dir.path().join("out").exists());
}

/// An hour's 24 placings and one rendered photo, targets named in a file and off by 0.6 px:
/// everything from the JPEG to the filler.
fn hour_and_photo(kind: Kind, seed: u64) -> (joint::Outcome, joint::Outcome) {
    let truth = simulate::truth_sized(kind, 1800.0, 1200.0, seed, 1.0);
    let panel = simulate::panel_sized(kind, 1800.0, 1200.0);
    let survey = simulate::survey(&truth, &panel, &joint::hour(), seed + 1000);
    let scene = render::Scene {
        targets: crate::samples::ROOF_TARGETS.to_vec(),
        ..if seed.is_multiple_of(2) {
            render::Scene::dark_on_light()
        } else {
            render::Scene::light_on_dark()
        }
    };
    let camera = render::Camera::over(
        &truth,
        [2000, 1500],
        20.0 + 2.0 * seed as f64 % 20.0,
        67.0 * seed as f64,
    );
    let shot = render::photo(
        &truth,
        &scene,
        &camera,
        &render::Lamp::one_sided(),
        &render::Sensor::phone(),
        seed,
    );
    let mut rng = simulate::survey_rng(seed + 3000);
    let mut csv = "x,y,px,py\n".to_string();
    for (on_panel, seen) in scene.targets.iter().zip(&shot.targets_px) {
        // The file counts from the middle of the first pixel.
        let [px, py] = seen.map(|v| {
            let off: f64 = StandardNormal.sample(&mut rng);
            v - 0.5 + 0.6 * off
        });
        csv += &format!("{},{},{px:.2},{py:.2}\n", on_panel[0], on_panel[1]);
    }
    let (dir, _) = folder(&[
        ("photo.jpg", &shot.jpeg(90, 1)),
        ("targets.csv", csv.as_bytes()),
    ]);
    let taken = take::take(
        &panel,
        &dir.path().join("photo.jpg"),
        Some(&dir.path().join("targets.csv")),
        Polarity::Auto,
    )
    .expect("the photo is read");
    let coat = take::together(&panel, std::slice::from_ref(&taken)).expect("one photo");
    let with = fit::fit_with_coat(&panel, &survey, &coat.cells).expect("fitted");
    let without = fit::fit(&panel, &survey).expect("fitted");
    let bench = joint::workbench(&panel);
    let outcome = |surface| joint::outcome(&bench, &panel, &survey, surface, &truth);
    (outcome(&with), outcome(&without))
}

fn told(name: &str, all: &[(joint::Outcome, joint::Outcome)]) {
    for (k, (w, o)) in all.iter().enumerate() {
        println!(
            "{name} {}: overlap {:.2} {:.2}, found {:.2} {:.2}, likely {:.2} {:.2}, width {:.2} {:.2}, held {} {}",
            k + 1,
            w.overlap,
            o.overlap,
            w.found,
            o.found,
            w.likely,
            o.likely,
            w.width,
            o.width,
            w.held,
            o.held
        );
    }
    let with = || all.iter().map(|(w, _)| w);
    let overlap = joint::sorted(with().map(|o| o.overlap));
    let off = joint::sorted(with().map(|o| (o.likely - 1.0).abs()));
    println!(
        "{name}: overlap {:.2} ({:.2}), without photo {:.2}; filler off by {:.2} ({:.2}); held {} of {}; better overlap {}, rms {}",
        joint::median(with().map(|o| o.overlap)),
        overlap[0],
        joint::median(all.iter().map(|(_, w)| w.overlap)),
        joint::median(off.iter().copied()),
        off[off.len() - 1],
        with().filter(|o| o.held).count(),
        all.len(),
        all.iter().filter(|(a, b)| a.overlap > b.overlap).count(),
        all.iter().filter(|(a, b)| a.rms < b.rms).count(),
    );
}

#[test]
fn an_hours_placings_and_a_rendered_photo() {
    for kind in [Kind::Crowned, Kind::Flat] {
        let all: Vec<_> = [1, 2, 3]
            .into_par_iter()
            .map(|seed| hour_and_photo(kind, seed))
            .collect();
        told(&format!("{kind:?}"), &all);
        for (with, without) in &all {
            assert!(
                with.overlap > without.overlap,
                "{kind:?}: {with:?} {without:?}"
            );
            assert!(with.overlap > 0.6, "{kind:?}: {with:?}");
            assert!((with.likely - 1.0).abs() < 0.3, "{kind:?}: {with:?}");
        }
    }
}

#[test]
#[ignore = "two minutes; prints the figures of docs/decisions.md"]
fn the_table_of_rendered_photos() {
    for kind in [Kind::Crowned, Kind::Flat] {
        let all: Vec<_> = (1..=10)
            .into_par_iter()
            .map(|seed| hour_and_photo(kind, seed))
            .collect();
        told(&format!("{kind:?}"), &all);
    }
}
