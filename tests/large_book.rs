//! How long the floor sheet and a trend take as programs, on a book of 1,000 panels of ten cycles each, with readings and nodes.
//!
//! The book is made through its own API from one simulated panel, surveyed and judged once: what is timed is the reading of the book. Each
//! panel's worst gap falls from cycle to cycle, some end fair. `LOWSPOT_LARGE_BOOK=FILE.lowspot` keeps the book there and takes it as it is
//! next time.

use crate::jobs;
use crate::support::simulate::{self, Kind as Form, SurveyPlan};
use jiff::civil::{Date, date};
use lowspot::keep::{Book, Kind, NewEntry, NewFile, Role, SurveyResult};
use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::{Duration, Instant};

const PANELS: usize = 1000;
const CYCLES: usize = 10;

/// What one survey of the simulated panel leaves in a book.
struct Once {
    notes: Vec<u8>,
    result: SurveyResult,
}

fn once() -> Once {
    let truth = simulate::truth_sized(Form::Flat, 900.0, 600.0, 15_001, 1.0);
    let panel = simulate::panel_sized(Form::Flat, 900.0, 600.0);
    let survey = simulate::survey(&truth, &panel, &SurveyPlan::straightedge(100.0), 15_001);
    Once {
        notes: simulate::notes(&survey).into_bytes(),
        result: SurveyResult::of(&jobs::judged(&panel, &survey), true),
    }
}

fn name(k: usize) -> String {
    format!("panel {k}")
}

fn made(path: &Path, panels: usize) {
    let once = once();
    let mut book = Book::create(path).unwrap();
    for k in 1..=panels {
        let file = format!(
            "name = \"{}\"\nlength = 900\nwidth = 600\nform = \"flat\"\n[[limit]]\nbase = 300\ngap = 0.3\n",
            name(k)
        );
        let (row, _) = book.add_panel(file.as_bytes(), "panel.toml").unwrap();
        let mut day = date(2026, 1, 5);
        for cycle in 0..CYCLES {
            for entry in cycle_of(&once, row.version, k, cycle, day) {
                book.enter(&row.name, &entry).unwrap();
            }
            day = day.tomorrow().unwrap();
        }
    }
}

/// A survey, and the work after it but for the last.
fn cycle_of(once: &Once, version: i64, k: usize, cycle: usize, day: Date) -> Vec<NewEntry> {
    let mut survey = NewEntry::new(Kind::Survey, day);
    let mut result = once.result.clone();
    let share = 0.8f64.powi(cycle as i32) * (1.0 + 0.1 * (k % 7) as f64);
    for limit in &mut result.summary.limits {
        for mm in [&mut limit.worst, &mut limit.low, &mut limit.high] {
            *mm = mm.map(|v| v * share);
        }
    }
    if cycle + 1 == CYCLES && k.is_multiple_of(5) {
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
    if cycle + 1 < CYCLES {
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

#[test]
#[ignore = "makes a book of 1,000 panels; prints and bounds the times"]
fn the_floor_of_a_thousand_panels_is_quick() {
    let dir = tempfile::tempdir().unwrap();
    let kept = std::env::var_os("LOWSPOT_LARGE_BOOK").map(PathBuf::from);
    let book = kept.unwrap_or_else(|| dir.path().join("large.lowspot"));
    if !book.exists() {
        let begin = Instant::now();
        made(&book, PANELS);
        println!(
            "made in {:.1?}, {} MB",
            begin.elapsed(),
            std::fs::metadata(&book).unwrap().len() / 1_000_000
        );
    }
    let out = dir.path().join("trend");
    let out = out.to_str().unwrap();
    let floor = middle(&["floor"], &book);
    let json = middle(&["trend", "panel 500", "--json"], &book);
    let trend = middle(&["trend", "panel 500", "--out", out], &book);
    println!("floor {floor:.3?}, trend {trend:.3?}, trend --json {json:.3?}");
    assert!(floor < Duration::from_millis(300), "floor took {floor:?}");
    assert!(trend < Duration::from_millis(200), "trend took {trend:?}");
}

/// What the timed book is made by makes a sound one.
#[test]
fn the_large_books_generator_makes_a_whole_book() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("two.lowspot");
    made(&path, 2);
    let found = lowspot::keep::check::file(&path).unwrap();
    assert_eq!(found.faults, Vec::<String>::new());
    assert_eq!((found.panels, found.results, found.entries), (2, 20, 56));
}
