//! What repeats under the readings: on simulated panels with a known pitch and without one, in
//! `lowspot map` and `lowspot moved`, and on the demo's door.
//!
//! Every panel here is simulated, the door of the demo too. The full runs are the tests marked
//! `ignored`; their seeds were used for nothing else. Constants of the search were chosen on seeds
//! 15001 to 15100.

use crate::support::simulate::{
    self, Directions, EdgeError, Kind, Recipe, SurveyPlan, panel_sized, survey_of, truth_sized,
};
use lowspot::compare::series::Series;
use lowspot::compare::series::sweep::Sweep;
use lowspot::compare::spectrum::{self, Repeats};
use lowspot::observe::Survey;
use lowspot::panel::Panel;
use rayon::prelude::*;
use serde_json::Value;
use std::f64::consts::TAU;
use std::ops::RangeInclusive;
use std::path::{Path, PathBuf};
use std::process::Command;

/// Size of the larger panels, mm.
const SIZE: [f64; 2] = [1200.0, 900.0];
/// Pitch and depth of the lattices, mm.
const LATTICE: [f64; 2] = [80.0, 0.10];
/// Pitch and depth of the prints, mm.
const PRINT: [f64; 2] = [40.0, 0.08];

fn form(seed: u64) -> Kind {
    Kind::ALL[(seed % 3) as usize]
}

/// Waves of a pitch along x and along y, crest to trough `depth` together.
fn squares([pitch, depth]: [f64; 2], seed: u64) -> impl Fn(f64, f64) -> f64 {
    let (k, phase) = (TAU / pitch, seed as f64);
    move |x, y| depth / 4.0 * ((k * x + phase).cos() + (k * y + 2.0 * phase).cos())
}

/// A panel over squares read each 20 mm, lines each 60 to 100 mm.
fn latticed(seed: u64, of: [f64; 2]) -> (Panel, Survey) {
    let truth = truth_sized(form(seed), SIZE[0], SIZE[1], seed, 1.0);
    let panel = panel_sized(form(seed), SIZE[0], SIZE[1]);
    let squares = squares(of, seed);
    let height = |x: f64, y: f64| truth.height(x, y) + squares(x, y);
    let plan = SurveyPlan {
        step_mm: 20.0,
        directions: Directions::Both,
        ..SurveyPlan::straightedge(60.0 + (seed % 5) as f64 * 10.0).with_noise(0.02, 0.01)
    };
    let survey = survey_of(&height, &panel, &plan, 7000 + seed);
    (panel, survey)
}

/// A dial in a 300 mm edge, read each 10 mm, lines each 90 to 130 mm, as one looks for a print;
/// three sizes of panel.
fn printed(seed: u64, depth: f64, noise: u64) -> (Panel, Survey) {
    let size = [[700.0, 600.0], [900.0, 700.0], [1200.0, 900.0]][(seed / 3 % 3) as usize];
    let truth = Recipe {
        kind: form(seed),
        length_mm: size[0],
        width_mm: size[1],
        lows: 3,
        highs: 1,
        amplitude: 0.6,
    }
    .make(seed);
    let panel = panel_sized(form(seed), size[0], size[1]);
    let squares = squares([PRINT[0], depth], seed);
    let height = |x: f64, y: f64| truth.height(x, y) + squares(x, y);
    let plan = SurveyPlan {
        edge_mm: 300.0,
        advance_mm: 250.0,
        step_mm: 10.0,
        ..SurveyPlan::straightedge(90.0 + (seed % 5) as f64 * 10.0).with_noise(0.015, 0.01)
    };
    let survey = survey_of(&height, &panel, &plan, noise + seed);
    (panel, survey)
}

fn print_of(seed: u64) -> Repeats {
    spectrum::in_survey(&printed(seed, PRINT[1], 7000).1)
}

/// A print that came between two surveys.
fn print_that_came(seed: u64) -> Repeats {
    let [before, after] = [(0.0, 7000), (PRINT[1], 9000)].map(|(d, n)| printed(seed, d, n).1);
    spectrum::in_difference(&before, &after)
}

/// A panel without a pitch: straightedges each 20 mm, each 50 mm and each 10 mm, pin gauges.
fn plain(seed: u64) -> Survey {
    let truth = truth_sized(form(seed), SIZE[0], SIZE[1], seed, 1.0);
    let panel = panel_sized(form(seed), SIZE[0], SIZE[1]);
    match seed % 5 {
        0 | 2 => latticed(seed, [80.0, 0.0]).1,
        1 => simulate::survey(&truth, &panel, &SurveyPlan::straightedge(150.0), seed),
        3 => simulate::survey(&truth, &panel, &SurveyPlan::pin_gauge(200.0), seed),
        _ => printed(seed, 0.0, 7000).1,
    }
}

/// Two surveys of a panel without a pitch: each 10 mm along the same lines, or each 20 mm along
/// others.
fn plain_pair(seed: u64) -> [Survey; 2] {
    if seed.is_multiple_of(2) {
        return [7000, 9000].map(|noise| printed(seed, 0.0, noise).1);
    }
    let truth = truth_sized(form(seed), SIZE[0], SIZE[1], seed, 1.0);
    let panel = panel_sized(form(seed), SIZE[0], SIZE[1]);
    [70.0, 80.0].map(|spacing| {
        let plan = SurveyPlan {
            step_mm: 20.0,
            place_sd_mm: 1.0,
            ..SurveyPlan::straightedge(spacing).with_noise(0.02, 0.01)
        };
        simulate::survey(&truth, &panel, &plan, seed + spacing as u64)
    })
}

/// How many of some panels were told as they are.
#[derive(Debug, Default)]
struct Tally {
    panels: usize,
    /// One pitch, within 3 %.
    pitch: usize,
    /// Both directions told.
    both: usize,
    /// Both, and the depth's interval holds the true depth.
    depth: usize,
    missed: Vec<u64>,
}

fn tally(seeds: RangeInclusive<u64>, of: [f64; 2], find: impl Fn(u64) -> Repeats + Sync) -> Tally {
    let found: Vec<(u64, Repeats)> = seeds.into_par_iter().map(|s| (s, find(s))).collect();
    found.iter().fold(Tally::default(), |mut t, (seed, r)| {
        let one = tells(r, of[0]).then(|| &r.found[0]);
        let both = one.filter(|r| r.across.is_some());
        let held = both.filter(|r| r.depth_mm.low <= of[1] && of[1] <= r.depth_mm.high);
        t.panels += 1;
        t.pitch += usize::from(one.is_some());
        t.both += usize::from(both.is_some());
        t.depth += usize::from(held.is_some());
        t.missed.extend(one.is_none().then_some(*seed));
        t
    })
}

/// Whether the pitch is told once, within 3 %.
fn tells(found: &Repeats, pitch: f64) -> bool {
    matches!(found.found.as_slice(), [one] if (one.pitch_mm.value / pitch - 1.0).abs() < 0.03)
}

fn told(seeds: RangeInclusive<u64>, find: impl Fn(u64) -> Repeats + Sync) -> Vec<u64> {
    seeds
        .into_par_iter()
        .filter(|s| !find(*s).found.is_empty())
        .collect()
}

#[test]
fn a_lattice_under_the_readings_is_found() {
    let t = tally(1..=20, LATTICE, |s| {
        spectrum::in_survey(&latticed(s, LATTICE).1)
    });
    assert_eq!(t.pitch, 20, "{t:?}");
    assert!(t.both >= 18 && t.depth >= 17, "{t:?}");
}

#[test]
fn a_print_under_readings_each_10_mm_is_found() {
    let own = tally(1..=6, PRINT, print_of);
    let came = tally(1..=6, PRINT, print_that_came);
    for t in [own, came] {
        assert_eq!(t.pitch, 6, "{t:?}");
        assert!(t.both >= 5 && t.depth >= 5, "{t:?}");
    }
}

#[test]
fn nothing_repeats_on_a_plain_panel() {
    assert_eq!(told(1..=20, |s| spectrum::in_survey(&plain(s))), [0u64; 0]);
}

/// A crown bends all placings alike, and so does the bow of an edge: both keep step, and neither is
/// a wave.
#[test]
fn a_crown_under_short_edges_is_no_pitch() {
    let truth = truth_sized(Kind::Crowned, 700.0, 600.0, 1, 0.0);
    let panel = panel_sized(Kind::Crowned, 700.0, 600.0);
    let plan = SurveyPlan {
        edge_mm: 300.0,
        advance_mm: 250.0,
        step_mm: 10.0,
        ..SurveyPlan::straightedge(100.0).with_noise(0.015, 0.01)
    }
    .bowed(0.2);
    let found = spectrum::in_survey(&simulate::survey(&truth, &panel, &plan, 1));
    assert!(found.looked_for_mm.is_some());
    assert_eq!(found.found, []);
}

#[test]
fn a_pitch_that_went_is_told_and_one_that_stayed_is_not() {
    let before = latticed(1, [80.0, 0.14]).1;
    let after = latticed(1, [80.0, 0.0]).1;
    assert!(tells(&spectrum::in_difference(&before, &after), 80.0));
    let mut again = before.clone();
    let readings = again.placings.iter_mut().flat_map(|p| &mut p.readings);
    for (k, reading) in readings.enumerate() {
        let off = 0.02 * ((k as f64 * 0.618_034).fract() - 0.5);
        reading.value_mm = reading.value_mm.map(|v| v + off);
    }
    assert!(spectrum::in_difference(&before, &again).found.is_empty());
}

/// Sums taken line by line are those taken reading by reading: placings along both axes, aslant,
/// over an area, of three points.
#[test]
fn a_sweep_sums_as_readings_do() {
    let truth = truth_sized(Kind::Crowned, 700.0, 600.0, 5, 1.0);
    let panel = panel_sized(Kind::Crowned, 700.0, 600.0);
    let mut survey = simulate::survey(&truth, &panel, &SurveyPlan::straightedge(150.0), 5);
    let gauge = simulate::survey(&truth, &panel, &SurveyPlan::wave_gauge(100.0, 200.0), 6);
    survey.placings.extend(gauge.placings);
    let mut rng = simulate::survey_rng(7);
    let aslant = simulate::Stretch::between([50.0, 60.0], [600.0, 500.0]);
    let height = |x: f64, y: f64| truth.height(x, y);
    let plan = SurveyPlan::straightedge(150.0);
    let placed = simulate::place(&height, &panel, &plan, "S1", aslant, &mut rng);
    survey.placings.push(placed.unwrap());
    let series = Series::new(&survey).unwrap();
    let (step, reach) = (1.0 / 900.0, 7);
    let sweep = Sweep::new(&series, step, reach);
    for fx in [0.0, 0.0031, 0.0123] {
        let column = sweep.column(fx, reach);
        assert_eq!(column.len(), 2 * reach + 1);
        for (j, swept) in column.iter().enumerate() {
            let plain = series.sums([fx, (j as f64 - reach as f64) * step]);
            let size = plain.weight() + plain.right[0].hypot(plain.right[1]);
            let pairs = swept.right.iter().chain(&swept.own);
            for (a, b) in pairs.zip(plain.right.iter().chain(&plain.own)) {
                assert!((a - b).abs() < 1e-9 * size.max(1.0), "{a} {b} at {fx} {j}");
            }
        }
    }
}

/// Ribs, or the trestles: where the header says that the supports stand as far apart, they are
/// named first.
#[test]
fn the_supports_are_named_before_ribs() {
    let truth = truth_sized(Kind::Flat, 1500.0, 900.0, 2, 0.3);
    let panel = panel_sized(Kind::Flat, 1500.0, 900.0);
    let height = |x: f64, y: f64| truth.height(x, y) + 0.15 * (TAU * x / 250.0).cos();
    let plan = SurveyPlan::straightedge(100.0);
    let mut survey = survey_of(&height, &panel, &plan, 2);
    let looks_like = |survey: &Survey| {
        let found = spectrum::in_survey(survey);
        assert!(tells(&found, 250.0), "{found:?}");
        found.found[0].looks_like.clone()
    };
    assert_eq!(looks_like(&survey), "ribs or stringers");
    survey.conditions.supports = Some("trestles x 200 450 700 950 1200".into());
    let words = looks_like(&survey);
    assert!(
        words.starts_with("the supports' own pitch (trestles x 200")
            && words.ends_with("; else ribs or stringers"),
        "{words}"
    );
}

// ------------------------------------------------------------------------------------------ the
// door

fn workshop(file: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("samples/workshop")
        .join(file)
}

#[test]
fn the_doors_print_is_told() {
    let (panel, _) = lowspot::panel::file::load(&workshop("door.toml")).unwrap();
    let [before, after] = ["door-1.txt", "door-2.txt"]
        .map(|f| lowspot::observe::load(&[workshop(f)], &panel).unwrap());
    assert_eq!(spectrum::in_survey(&before).found, []);
    let came = spectrum::in_difference(&before, &after);
    for found in [spectrum::in_survey(&after), came] {
        assert!(tells(&found, 40.0), "{found:?}");
        let one = &found.found[0];
        assert!(one.across.is_some() && one.looks_like.contains("core"));
        assert!(
            one.depth_mm.low <= 0.08 && 0.08 <= one.depth_mm.high,
            "{one:?}"
        );
        assert!(one.depth_mm.low > 0.04, "{one:?}");
    }
}

// ------------------------------------------------------------------------------------------ as a
// program

struct Ran {
    screen: String,
    dir: tempfile::TempDir,
}

impl Ran {
    fn json(&self, file: &str) -> Value {
        serde_json::from_str(&self.text(file)).unwrap()
    }

    fn text(&self, file: &str) -> String {
        std::fs::read_to_string(self.dir.path().join("out").join(file)).unwrap()
    }
}

/// Runs a command on `panel.toml` and the surveys, written to files a.txt, b.txt; "OUT" follows.
fn run(panel: &Panel, surveys: &[&Survey], words: &[&str]) -> Ran {
    let dir = tempfile::tempdir().unwrap();
    let toml = format!(
        "name = \"{}\"\nlength = {}\nwidth = {}\nform = \"flat\"\n[[limit]]\nbase = 300\ngap = 0.3\n",
        panel.name, panel.length_mm, panel.width_mm
    );
    std::fs::write(dir.path().join("panel.toml"), toml).unwrap();
    for (name, survey) in ["a.txt", "b.txt"].iter().zip(surveys) {
        std::fs::write(dir.path().join(name), simulate::notes(survey)).unwrap();
    }
    let out = Command::new(env!("CARGO_BIN_EXE_lowspot"))
        .current_dir(dir.path())
        .args(words)
        .args(["--out", "out"])
        .output()
        .unwrap();
    let told = String::from_utf8_lossy(&out.stderr);
    assert!(out.status.success(), "{told}");
    Ran {
        screen: String::from_utf8(out.stdout).unwrap(),
        dir,
    }
}

#[test]
fn map_tells_a_lattice_on_the_screen_the_page_and_in_the_report() {
    let (panel, survey) = latticed(4, LATTICE);
    let ran = run(&panel, &[&survey], &["map", "panel.toml", "a.txt"]);
    let repeats = &ran.json("report.json")["repeats"];
    let one = &repeats["found"][0];
    assert_eq!(repeats["found"].as_array().unwrap().len(), 1, "{repeats}");
    let pitch = one["pitch_mm"]["value"].as_f64().unwrap();
    assert!((pitch / 80.0 - 1.0).abs() < 0.03, "{pitch}");
    assert!(one["across"]["pitch_mm"]["value"].is_f64());
    assert!(one["depth_mm"]["low"].as_f64() < one["depth_mm"]["high"].as_f64());
    assert!(repeats["looked_for_mm"][0].as_f64().unwrap() < 80.0);
    let screen = ran.screen.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(screen.contains("REPEATS Each "), "{screen}");
    assert!(
        screen.contains("a lattice") && screen.contains("crest to trough"),
        "{screen}"
    );
    let page = ran.text("report.html");
    assert!(
        page.contains("<h2 id=\"repeats\">What repeats</h2>") && page.contains("crest to trough")
    );
}

#[test]
fn map_of_a_plain_panel_tells_no_pitch() {
    let (panel, survey) = latticed(4, [80.0, 0.0]);
    let ran = run(&panel, &[&survey], &["map", "panel.toml", "a.txt"]);
    let repeats = &ran.json("report.json")["repeats"];
    assert_eq!(repeats["found"], Value::Array(Vec::new()));
    assert!(repeats["looked_for_mm"].is_array());
    assert!(!ran.screen.contains("REPEATS"), "{}", ran.screen);
    assert!(!ran.text("report.html").contains("What repeats"));
}

#[test]
fn moved_tells_the_print_that_came() {
    let (panel, before) = printed(1, 0.0, 7000);
    let after = printed(1, PRINT[1], 9000).1;
    let words = ["moved", "panel.toml", "a.txt", "--after", "b.txt"];
    let ran = run(&panel, &[&before, &after], &words);
    let one = &ran.json("moved.json")["repeats"]["found"][0];
    let pitch = one["pitch_mm"]["value"].as_f64().unwrap();
    assert!((pitch / 40.0 - 1.0).abs() < 0.03, "{pitch}");
    let screen = ran.screen.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(
        screen.contains("REPEATS, came or went: each ")
            && screen.contains("looks like a scored core"),
        "{screen}"
    );
}

// ------------------------------------------------------------------------------------------ full
// runs

#[test]
#[ignore = "two hundred panels"]
fn of_200_plain_panels_at_most_two_have_a_pitch() {
    let told = told(16001..=16200, |s| spectrum::in_survey(&plain(s)));
    println!("told a pitch: {told:?}");
    assert!(told.len() <= 2, "{told:?}");
}

#[test]
#[ignore = "a hundred pairs of surveys"]
fn of_100_plain_pairs_at_most_one_has_a_pitch() {
    let told = told(16501..=16600, |s| {
        let [before, after] = plain_pair(s);
        spectrum::in_difference(&before, &after)
    });
    println!("told a pitch that came or went: {told:?}");
    assert!(told.len() <= 1, "{told:?}");
}

#[test]
#[ignore = "forty panels, three times"]
fn of_40_lattices_and_prints_all_but_two_are_found() {
    let lattices = tally(16301..=16340, LATTICE, |s| {
        spectrum::in_survey(&latticed(s, LATTICE).1)
    });
    let prints = tally(16401..=16440, PRINT, print_of);
    let came = tally(16401..=16440, PRINT, print_that_came);
    for (name, t) in [("lattices", lattices), ("prints", prints), ("came", came)] {
        println!("{name}: {t:?}");
        assert!(t.pitch >= 38 && t.depth >= 36, "{name}: {t:?}");
    }
}

/// An edge with waves of its own, which keep step from line to line, is seldom taken for a panel
/// with a pitch.
#[test]
#[ignore = "sixty panels"]
fn a_wavy_edge_is_seldom_taken_for_a_pitch() {
    for (mm, count) in [(0.01, 7.5), (0.02, 7.5), (0.05, 3.0)] {
        let told = told(15001..=15020, |s| {
            let truth = truth_sized(form(s), 700.0, 600.0, s, 0.5);
            let panel = panel_sized(form(s), 700.0, 600.0);
            let plan = SurveyPlan {
                edge_mm: 300.0,
                advance_mm: 250.0,
                step_mm: 10.0,
                ..SurveyPlan::straightedge(110.0).with_noise(0.015, 0.01)
            };
            let plan = plan.with_edge(EdgeError::Wave(mm, count));
            spectrum::in_survey(&simulate::survey(&truth, &panel, &plan, s))
        });
        println!(
            "waves of {mm} mm, {count} to 300 mm: told on {} of 20",
            told.len()
        );
        assert!(told.len() <= 2, "{told:?}");
    }
}
