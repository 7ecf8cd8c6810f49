//! The floor sheet: on the terminal, as a page to hang up, and as JSON. Rows and plain words.

use super::super::words;
use crate::judge::Interval;
use crate::judge::repeats::Repeat;
use crate::problem::Error;
use crate::track::floor::Row;
use crate::units::Units;
use askama::Template;
use serde::Serialize;

/// The version of floor.json's layout.
pub const SCHEMA: u32 = 1;

#[derive(Serialize)]
struct Document<'a> {
    schema: u32,
    now: &'a str,
    panels: Vec<JsonRow<'a>>,
    holds_back: Option<&'a str>,
}

#[derive(Serialize)]
struct JsonRow<'a> {
    name: &'a str,
    stage: &'static str,
    held_by: Option<&'a str>,
    free_at: Option<&'a str>,
    next: &'a str,
    cycles: Option<f64>,
    cycles_low: Option<f64>,
    cycles_high: Option<f64>,
    hands_on_hours: f64,
    hands_on_low_hours: f64,
    hands_on_high_hours: f64,
    waiting_hours: f64,
    waiting_low_hours: f64,
    waiting_high_hours: f64,
    worst: Option<&'a str>,
    stale: Option<&'a str>,
    repeats: &'a [Repeat],
    holds_back: bool,
}

/// The sheet for programs.
///
/// # Errors
/// [`Error::Calculation`] when it cannot be written, which no sound sheet does.
pub fn json(rows: &[Row], now: &str) -> Result<String, Error> {
    let document = Document {
        schema: SCHEMA,
        now,
        panels: rows.iter().map(json_row).collect(),
        holds_back: rows.iter().find(|r| r.holds_back).map(|r| r.name.as_str()),
    };
    serde_json::to_string_pretty(&document)
        .map(|text| text + "\n")
        .map_err(|e| Error::Calculation(format!("floor.json could not be made: {e}")))
}

fn json_row(r: &Row) -> JsonRow<'_> {
    JsonRow {
        name: &r.name,
        stage: r.stage,
        held_by: r.held_by.as_deref(),
        free_at: r.free_at.as_deref(),
        next: &r.next,
        cycles: r.cycles.map(|c| c.value),
        cycles_low: r.cycles.map(|c| c.low),
        cycles_high: r.cycles.map(|c| c.high),
        hands_on_hours: r.hands_on_hours.value,
        hands_on_low_hours: r.hands_on_hours.low,
        hands_on_high_hours: r.hands_on_hours.high,
        waiting_hours: r.waiting_hours.value,
        waiting_low_hours: r.waiting_hours.low,
        waiting_high_hours: r.waiting_hours.high,
        worst: r.worst.as_deref(),
        stale: r.stale.as_deref(),
        repeats: &r.repeats,
        holds_back: r.holds_back,
    }
}

/// "2-6 h".
fn range(i: Interval) -> String {
    if i.high < 0.05 {
        return "none".into();
    }
    format!("{:.0}-{:.0} h", i.low.floor(), i.high.ceil())
}

/// The text on the terminal.
pub fn text(rows: &[Row], now: &str) -> String {
    if rows.is_empty() {
        return "The book holds no panel yet: lowspot panel add panel.toml\n".into();
    }
    let name = rows
        .iter()
        .map(|r| r.name.chars().count())
        .max()
        .unwrap_or(0)
        .clamp(8, 26);
    let mut out = format!(
        "FLOOR  {now}\n  {:<name$}  {:<17}{:<44}{:>11}{:>12}\n",
        "panel", "stage", "next", "hands-on", "waiting"
    );
    for r in rows {
        let next = match (&r.free_at, &r.held_by) {
            (Some(at), Some(held)) => format!("{held}; then, not before {at}: {}", r.next),
            (None, Some(held)) => format!("{held}; then {}", r.next),
            (Some(at), None) => format!("from {at}: {}", r.next),
            (None, None) => r.next.clone(),
        };
        let mark = if r.holds_back { '>' } else { ' ' };
        let parts = super::super::summary::wrapped(&next, 0, 0, 43);
        let title: String = r.name.chars().take(26).collect();
        for (k, part) in parts.iter().enumerate() {
            if k == 0 {
                out.push_str(&format!(
                    "{mark} {title:<name$}  {:<17}{part:<44}{:>11}{:>12}\n",
                    r.stage,
                    range(r.hands_on_hours),
                    range(r.waiting_hours)
                ));
            } else {
                out.push_str(&format!("  {:<name$}  {:<17}{part}\n", "", ""));
            }
        }
        if let Some(stale) = &r.stale {
            for part in super::super::summary::wrapped(&format!("STALE: {stale}"), 0, 0, 67) {
                out.push_str(&format!("  {:<name$}  {:<17}{part}\n", "", ""));
            }
        }
        let note = note(r);
        if !note.is_empty() {
            for part in super::super::summary::wrapped(&format!("({note})"), 0, 0, 67) {
                out.push_str(&format!("  {:<name$}  {:<17}{part}\n", "", ""));
            }
        }
    }
    if let Some(r) = rows.iter().find(|r| r.holds_back) {
        out.push_str(&format!("> {} holds the rest back.\n", r.name));
    }
    out
}

#[derive(Template)]
#[template(path = "track/floor.html", config = "src/show/askama.toml")]
struct Page<'a> {
    css: &'static str,
    now: &'a str,
    rows: Vec<PageRow<'a>>,
    back: Option<&'a str>,
}

struct PageRow<'a> {
    name: &'a str,
    stage: &'static str,
    next: &'a str,
    when: String,
    hands: String,
    waiting: String,
    note: String,
    warnings: Vec<(&'static str, &'a str)>,
    back: bool,
}

/// The small line of a row: the worst found while the survey holds, and what repeats.
fn note(r: &Row) -> String {
    let worst = r.worst.as_ref().filter(|_| r.stale.is_none());
    let worst = worst.map(|w| format!("worst {w}"));
    let repeats = r.repeats.iter().map(|p| {
        let pitch = words::pitch(p, Units::Metric);
        format!("repeats {pitch}: find out what makes it before it is filled")
    });
    worst
        .into_iter()
        .chain(repeats)
        .collect::<Vec<_>>()
        .join("; ")
}

/// What must be read from where the sheet hangs: a survey that no longer holds, a panel that somebody holds.
fn warnings(r: &Row) -> Vec<(&'static str, &str)> {
    let stale = r.stale.as_deref().map(|why| ("STALE", why));
    let held = r.held_by.as_deref();
    let held = held.map(|by| ("HELD", by.strip_prefix("held ").unwrap_or(by)));
    stale.into_iter().chain(held).collect()
}

/// floor.html, to hang up.
///
/// # Errors
/// [`Error::Calculation`] when it cannot be put together.
pub fn page(rows: &[Row], now: &str) -> Result<String, Error> {
    let page = Page {
        css: include_str!("../report.css"),
        now,
        rows: rows
            .iter()
            .map(|r| PageRow {
                name: &r.name,
                stage: r.stage,
                next: &r.next,
                when: match (&r.held_by, &r.free_at) {
                    (Some(_), Some(at)) => format!("not before {at}"),
                    (None, Some(at)) => format!("from {at}"),
                    (Some(_), None) => "when released".into(),
                    (None, None) => "now".into(),
                },
                hands: range(r.hands_on_hours),
                waiting: range(r.waiting_hours),
                note: note(r),
                warnings: warnings(r),
                back: r.holds_back,
            })
            .collect(),
        back: rows.iter().find(|r| r.holds_back).map(|r| r.name.as_str()),
    };
    page.render()
        .map_err(|e| Error::Calculation(format!("floor.html could not be put together: {e}")))
}
