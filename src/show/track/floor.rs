//! The floor sheet: on the terminal, as a page to hang up, and as JSON. Grouped by what hands can
//! do: now, wet until, ask first.

use super::super::words;
use super::sentences;
use crate::judge::Interval;
use crate::judge::repeats::Repeat;
use crate::problem::Error;
use crate::track::floor::Row;
use crate::track::stage::Stage;
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
    next: String,
    cycles: Option<f64>,
    cycles_low: Option<f64>,
    cycles_high: Option<f64>,
    hands_on_hours: f64,
    hands_on_low_hours: f64,
    hands_on_high_hours: f64,
    waiting_hours: f64,
    waiting_low_hours: f64,
    waiting_high_hours: f64,
    worst: Option<String>,
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
        next: sentences::next(&r.next, Units::Metric),
        cycles: r.cycles.map(|c| c.value),
        cycles_low: r.cycles.map(|c| c.low),
        cycles_high: r.cycles.map(|c| c.high),
        hands_on_hours: r.hands_on_hours.value,
        hands_on_low_hours: r.hands_on_hours.low,
        hands_on_high_hours: r.hands_on_hours.high,
        waiting_hours: r.waiting_hours.value,
        waiting_low_hours: r.waiting_hours.low,
        waiting_high_hours: r.waiting_hours.high,
        worst: r.worst.map(|w| sentences::worst(&w, Units::Metric)),
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

/// What hands can do with a panel.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Hands {
    Now,
    Wet,
    Ask,
    Done,
}

impl Hands {
    const ALL: [Hands; 4] = [Hands::Now, Hands::Wet, Hands::Ask, Hands::Done];

    fn of(r: &Row) -> Hands {
        match (&r.held_by, &r.free_at) {
            (Some(_), _) => Hands::Ask,
            (None, Some(_)) => Hands::Wet,
            (None, None) if r.stage == Stage::Primed.word() => Hands::Done,
            (None, None) => Hands::Now,
        }
    }

    fn title(self) -> &'static str {
        match self {
            Hands::Now => "Now",
            Hands::Wet => "Wet, until",
            Hands::Ask => "Ask first",
            Hands::Done => "Done",
        }
    }
}

/// What is to be done, with when: "2026-03-04 14:00: then block"; of a panel that somebody is at,
/// that first.
fn what(r: &Row, units: Units) -> String {
    let next = sentences::next(&r.next, units);
    match (&r.held_by, &r.free_at) {
        (Some(held), Some(at)) => format!("{held}; then, not before {at}: {next}"),
        (Some(held), None) => format!("{held}; then {next}"),
        (None, Some(at)) => format!("{at}: then {next}"),
        (None, None) => next,
    }
}

/// "fill; hands-on 4-8 h, waiting 36-72 h to primer".
fn stage(r: &Row) -> String {
    if r.hands_on_hours.high < 0.05 && r.waiting_hours.high < 0.05 {
        return r.stage.into();
    }
    format!(
        "{}; hands-on {}, waiting {} to primer",
        r.stage,
        range(r.hands_on_hours),
        range(r.waiting_hours)
    )
}

/// The text on the terminal.
pub fn text(rows: &[Row], now: &str, units: Units) -> String {
    if rows.is_empty() {
        return "The book holds no panel yet: lowspot panel add panel.toml\n".into();
    }
    let name = rows
        .iter()
        .map(|r| r.name.chars().count())
        .max()
        .unwrap_or(0)
        .clamp(8, 26);
    let mut out = format!("FLOOR  {now}\n");
    for hands in Hands::ALL {
        let own: Vec<&Row> = rows.iter().filter(|r| Hands::of(r) == hands).collect();
        if own.is_empty() {
            continue;
        }
        out.push_str(&format!("\n{}\n", hands.title().to_uppercase()));
        for r in own {
            let mark = if r.holds_back { '>' } else { ' ' };
            let title: String = r.name.chars().take(26).collect();
            let note = Some(note(r, units)).filter(|n| !n.is_empty());
            let lines = std::iter::once(what(r, units))
                .chain(r.stale.as_ref().map(|why| format!("TOUCHED SINCE: {why}")))
                .chain(std::iter::once(format!("({})", stage(r))))
                .chain(note.map(|n| format!("({n})")));
            let parts = lines.flat_map(|l| super::super::summary::wrapped(&l, 0, 0, 94 - name));
            for (k, part) in parts.enumerate() {
                let label = if k == 0 { title.as_str() } else { "" };
                let mark = if k == 0 { mark } else { ' ' };
                out.push_str(&format!("{mark} {label:<name$}  {part}\n"));
            }
        }
    }
    if let Some(r) = rows.iter().find(|r| r.holds_back) {
        out.push_str(&format!("\n> {} holds the rest back.\n", r.name));
    }
    out
}

#[derive(Template)]
#[template(path = "track/floor.html", config = "src/show/askama.toml")]
struct Page<'a> {
    css: &'static str,
    now: &'a str,
    groups: Vec<Group<'a>>,
    back: Option<&'a str>,
}

struct Group<'a> {
    title: &'static str,
    rows: Vec<PageRow<'a>>,
}

struct PageRow<'a> {
    name: &'a str,
    what: String,
    stage: String,
    note: String,
    warnings: Vec<(&'static str, &'a str)>,
    back: bool,
}

/// The small line of a row: the worst found while the survey holds, and what repeats.
fn note(r: &Row, units: Units) -> String {
    let worst = r.worst.as_ref().filter(|_| r.stale.is_none());
    let worst = worst.map(|w| format!("worst {}", sentences::worst(w, units)));
    let repeats = r.repeats.iter().map(|p| {
        let pitch = words::pitch(p, units);
        format!("repeats {pitch}: find out what makes it before it is filled")
    });
    worst
        .into_iter()
        .chain(repeats)
        .collect::<Vec<_>>()
        .join("; ")
}

/// What must be read from where the sheet hangs: a survey that no longer holds, a panel that
/// somebody is at.
fn warnings(r: &Row) -> Vec<(&'static str, &str)> {
    let stale = r.stale.as_deref().map(|why| ("TOUCHED SINCE", why));
    let held = r.held_by.as_deref().map(|by| ("HANDS OFF", by));
    stale.into_iter().chain(held).collect()
}

/// floor.html, to hang up.
///
/// # Errors
/// [`Error::Calculation`] when it cannot be put together.
pub fn page(rows: &[Row], now: &str, units: Units) -> Result<String, Error> {
    let page = Page {
        css: include_str!("../report.css"),
        now,
        groups: Hands::ALL
            .into_iter()
            .map(|hands| Group {
                title: hands.title(),
                rows: rows
                    .iter()
                    .filter(|r| Hands::of(r) == hands)
                    .map(|r| PageRow {
                        name: &r.name,
                        what: what(r, units),
                        stage: stage(r),
                        note: note(r, units),
                        warnings: warnings(r),
                        back: r.holds_back,
                    })
                    .collect(),
            })
            .filter(|g| !g.rows.is_empty())
            .collect(),
        back: rows.iter().find(|r| r.holds_back).map(|r| r.name.as_str()),
    };
    page.render()
        .map_err(|e| Error::Calculation(format!("floor.html could not be put together: {e}")))
}
