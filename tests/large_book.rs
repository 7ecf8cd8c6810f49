//! A book of 1,000 panels of ten cycles each, with readings and nodes: how long the floor sheet and
//! a trend take as programs, how fast all panels are read at once, how the file grows.
//!
//! The book is made through its own API from one simulated panel, surveyed and judged once a cycle
//! while its lows and highs get smaller: what is timed is the reading of the book, and the laying
//! of each survey onto the one before. Each panel's worst gap falls from cycle to cycle, some end
//! fair. `LOWSPOT_LARGE_BOOK=FILE.lowspot` keeps the book there and takes it as it is next time.

use crate::jobs;
use crate::support::simulate::{self, Kind as Form, SurveyPlan};
use jiff::civil::{Date, date};
use lowspot::keep::{Book, Kind, NewEntry, NewFile, Role, SurveyResult, now};
use rayon::prelude::*;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::{Duration, Instant};

const PANELS: usize = 1000;
const CYCLES: usize = 10;

/// What one survey of the simulated panel leaves in a book.
pub struct Once {
    notes: Vec<u8>,
    result: SurveyResult,
}

/// One survey a cycle, each with lines of its own.
pub fn surveys(cycles: usize) -> Vec<Once> {
    let panel = simulate::panel_sized(Form::Flat, 900.0, 600.0);
    let one = |cycle: usize| {
        let amplitude = 0.8f64.powi(cycle as i32);
        let truth = simulate::truth_sized(Form::Flat, 900.0, 600.0, 15_001, amplitude);
        let plan = SurveyPlan::straightedge(100.0 + 5.0 * (cycle % 3) as f64);
        let survey = simulate::survey(&truth, &panel, &plan, 15_001 + cycle as u64);
        Once {
            notes: simulate::notes(&survey).into_bytes(),
            result: SurveyResult::of(&jobs::judged(&panel, &survey), true),
        }
    };
    (0..cycles).into_par_iter().map(one).collect()
}

fn name(k: usize) -> String {
    format!("panel {k}")
}

pub fn made(path: &Path, panels: usize, surveys: &[Once]) {
    let mut book = Book::create(path).unwrap();
    for k in 1..=panels {
        let file = format!(
            "name = \"{}\"\nlength = 900\nwidth = 600\nform = \"flat\"\n[[limit]]\nbase = 300\ngap = 0.3\n",
            name(k)
        );
        let (row, _) = book.add_panel(file.as_bytes(), "panel.toml").unwrap();
        let mut day = date(2026, 1, 5);
        for cycle in 0..surveys.len() {
            for entry in cycle_of(surveys, row.version, k, cycle, day) {
                book.enter(&row.name, &entry).unwrap();
            }
            day = day.tomorrow().unwrap();
        }
    }
}

/// A survey, and the work after it but for the last.
fn cycle_of(surveys: &[Once], version: i64, k: usize, cycle: usize, day: Date) -> Vec<NewEntry> {
    let mut survey = NewEntry::new(Kind::Survey, day);
    let once = &surveys[cycle];
    let mut result = once.result.clone();
    for limit in &mut result.summary.limits {
        for mm in [&mut limit.worst, &mut limit.low, &mut limit.high] {
            *mm = mm.map(|v| v * (1.0 + 0.1 * (k % 7) as f64));
        }
    }
    let last = cycle + 1 == surveys.len();
    if last && k.is_multiple_of(5) {
        result.summary.verdict = "fair".into();
    }
    survey.hours = Some(0.5);
    survey.result = Some((version, result));
    survey.files = vec![NewFile {
        role: Role::Readings,
        name: "readings.txt".into(),
        bytes: once.notes.clone(),
    }];
    let mut all = vec![survey];
    if !last {
        let mut fill = NewEntry::new(Kind::Fill, day);
        (fill.hours, fill.facts.mass_g) = (Some(1.0), Some(120.0));
        fill.facts.recipe = Some("dry-micro".into());
        let mut block = NewEntry::new(Kind::Block, day);
        block.hours = Some(1.5);
        all.extend([fill, block]);
    }
    all
}

fn took(args: &[&str], book: &Path) -> Duration {
    let begin = Instant::now();
    let out = Command::new(env!("CARGO_BIN_EXE_lowspot"))
        .args(args)
        .arg("--book")
        .arg(book)
        .output()
        .unwrap();
    assert!(
        out.status.success(),
        "{}",
        String::from_utf8_lossy(&out.stderr)
    );
    begin.elapsed()
}

/// Middle of five runs, after one to warm up.
fn middle(args: &[&str], book: &Path) -> Duration {
    took(args, book);
    let mut all: Vec<Duration> = (0..5).map(|_| took(args, book)).collect();
    all.sort();
    all[2]
}

/// Middle of five readings of how all panels stand.
fn all_at_once(path: &Path, panels: usize) -> Duration {
    let mut all: Vec<Duration> = (0..5)
        .map(|_| {
            let begin = Instant::now();
            let book = Book::open(path).unwrap();
            assert_eq!(book.standings(now()).unwrap().len(), panels);
            begin.elapsed()
        })
        .collect();
    all.sort();
    all[2]
}

fn bytes_a_panel(path: &Path, panels: usize) -> f64 {
    std::fs::metadata(path).unwrap().len() as f64 / panels as f64
}

#[test]
#[ignore = "makes a book of 1,000 panels; prints and bounds the times"]
fn a_thousand_panels_over_ten_cycles_are_quick() {
    let dir = tempfile::tempdir().unwrap();
    let kept = std::env::var_os("LOWSPOT_LARGE_BOOK").map(PathBuf::from);
    let book = kept.unwrap_or_else(|| dir.path().join("large.lowspot"));
    let surveys = surveys(CYCLES);
    if !book.exists() {
        let begin = Instant::now();
        made(&book, PANELS, &surveys);
        println!("made in {:.1?}", begin.elapsed());
    }
    let small = dir.path().join("small.lowspot");
    made(&small, PANELS / 10, &surveys);
    let grown = [
        bytes_a_panel(&small, PANELS / 10),
        bytes_a_panel(&book, PANELS),
    ];
    println!("bytes a panel: {grown:.0?}");
    let out = dir.path().join("trend");
    let out = out.to_str().unwrap();
    let standings = all_at_once(&book, PANELS);
    let floor = middle(&["floor"], &book);
    let json = middle(&["trend", "panel 500", "--json"], &book);
    let trend = middle(&["trend", "panel 500", "--out", out], &book);
    println!(
        "all standings {standings:.3?}, floor {floor:.3?}, trend {trend:.3?}, trend --json {json:.3?}"
    );
    let growth = grown[1] / grown[0];
    assert!(
        (0.9..1.1).contains(&growth),
        "growth is not linear: {grown:?}"
    );
    assert!(standings < Duration::from_millis(300), "{standings:?}");
    assert!(floor < Duration::from_millis(300), "floor took {floor:?}");
    assert!(trend < Duration::from_millis(200), "trend took {trend:?}");
}

/// What the timed book is made by makes a sound one, of which all panels are read at once.
#[test]
fn the_large_books_generator_makes_a_whole_book() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("four.lowspot");
    made(&path, 4, &surveys(3));
    let found = lowspot::keep::check::file(&path).unwrap();
    assert_eq!(found.faults, Vec::<String>::new());
    assert_eq!((found.panels, found.results, found.entries), (4, 12, 28));
    let book = Book::open(&path).unwrap();
    let standings = book.standings(now()).unwrap();
    assert_eq!(standings.len(), 4);
    for (k, s) in standings.iter().enumerate() {
        assert_eq!(
            (s.panel.name.as_str(), s.entries.len()),
            (name(k + 1).as_str(), 7)
        );
        let survey = s.survey.as_ref().unwrap();
        assert_eq!(survey.date, date(2026, 1, 7));
        assert_eq!(s.summary, book.summary(survey.number).unwrap());
        assert!(s.summary.is_some() && s.stale.is_none() && s.held.is_none());
        let limits = book.limits(&[survey.number, 0]).unwrap();
        assert_eq!(limits[0].as_ref(), s.summary.as_ref().map(|r| &r.limits));
        assert_eq!(limits[1], None);
    }
    // Work after the last survey makes it stale.
    let mut book = book;
    book.enter(&name(2), &NewEntry::new(Kind::Sand, date(2026, 1, 8)))
        .unwrap();
    let stale: Vec<bool> = book
        .standings(now())
        .unwrap()
        .iter()
        .map(|s| s.stale.is_some())
        .collect();
    assert_eq!(stale, [false, true, false, false]);
}
