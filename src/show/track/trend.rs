//! The trend on the terminal and as trend.json.

use super::super::summary::{LOOK_UNDER, WIDEST, capital, wrapped};
use super::super::words;
use super::sentences;
use crate::judge::Interval;
use crate::judge::repeats::Repeat;
use crate::problem::Error;
use crate::track::advice::Advice;
use crate::track::cycle::{Cycle, LimitRow, Told};
use crate::track::ready::{Answer, Point, is_ready};
use crate::track::trend::Trend;
use crate::units::Units;
use serde::Serialize;

/// The version of trend.json's layout.
pub const SCHEMA: u32 = 1;

#[derive(Serialize)]
struct Document<'a> {
    schema: u32,
    panel: &'a str,
    stale: Option<&'a str>,
    repeats: &'a [Repeat],
    references: &'a [String],
    cycles: Vec<serde_json::Value>,
    advice: Word<'a>,
    ready: bool,
    readiness: Vec<Readiness>,
}

#[derive(Serialize)]
struct Readiness {
    what: &'static str,
    answer: Answer,
    by: String,
}

#[derive(Serialize)]
struct Word<'a> {
    advice: &'static str,
    reason: String,
    forecast: Option<&'a crate::track::forecast::Forecast>,
}

fn word(a: &Advice) -> Word<'_> {
    Word {
        advice: a.what.word(),
        reason: sentences::advice(a, Units::Metric),
        forecast: a.forecast.as_ref(),
    }
}

/// trend.json: the trend for programs.
///
/// # Errors
/// [`Error::Calculation`] when it cannot be written, which no sound trend does.
pub fn json(trend: &Trend, ready: &[Point]) -> Result<String, Error> {
    let document = Document {
        schema: SCHEMA,
        panel: &trend.name,
        stale: trend.stale.as_deref(),
        repeats: &trend.repeats,
        references: &trend.references,
        cycles: trend
            .cycles
            .iter()
            .map(with_words)
            .collect::<Result<_, _>>()?,
        advice: word(&trend.advice),
        ready: is_ready(ready),
        readiness: ready
            .iter()
            .map(|p| Readiness {
                what: p.what,
                answer: p.answer,
                by: sentences::by(&p.by, Units::Metric),
            })
            .collect(),
    };
    serde_json::to_string_pretty(&document)
        .map(|text| text + "\n")
        .map_err(not_made)
}

fn not_made(e: serde_json::Error) -> Error {
    Error::Calculation(format!("trend.json could not be made: {e}"))
}

/// A cycle, its change in words beside the figures.
fn with_words(cycle: &Cycle) -> Result<serde_json::Value, Error> {
    let mut value = serde_json::to_value(cycle).map_err(not_made)?;
    if let (Some(change), Some(kept)) = (
        &cycle.change,
        value.get_mut("change").and_then(|c| c.as_object_mut()),
    ) {
        kept.insert(
            "words".into(),
            sentences::change(change, Units::Metric).into(),
        );
    }
    Ok(value)
}

/// The text on the terminal.
///
/// `primed`: the job is at its end, and what readiness asked is past.
pub fn text(trend: &Trend, ready: &[Point], primed: bool, units: Units) -> String {
    let mut out = String::new();
    let mut say = |label: &str, text: &str| {
        const HANG: usize = 13;
        let pad = HANG.saturating_sub(label.chars().count()).max(1);
        let used = label.chars().count() + pad;
        let rows = wrapped(text, used, HANG, WIDEST);
        out.push_str(&format!(
            "{label}{}{}\n",
            " ".repeat(pad),
            rows.join(&format!("\n{}", " ".repeat(HANG)))
        ));
    };
    say("TREND", &trend.name);
    for (label, text) in said(trend, units) {
        say(&label, &text);
    }
    out.push('\n');
    out.push_str(&table(&trend.cycles, units));
    if primed {
        out.push_str("\nPRIMED, DONE: primed, blocked and looked at since. Nothing more is asked here before paint.\n");
        return out;
    }
    out.push_str("\nREADY FOR PRIMER? ");
    out.push_str(if is_ready(ready) {
        "yes: every point below\n"
    } else {
        "not yet: only when every point is yes\n"
    });
    for p in ready {
        let label = format!("  {:<22}{:<11}", p.what, p.answer.word());
        let used = label.chars().count();
        let rows = wrapped(&sentences::by(&p.by, units), used, used, WIDEST);
        out.push_str(&format!(
            "{label}{}\n",
            rows.join(&format!("\n{}", " ".repeat(used)))
        ));
    }
    out
}

/// What is said before the table, each with its label; an empty label goes on from the one before.
pub fn said(trend: &Trend, units: Units) -> Vec<(String, String)> {
    let mut out = Vec::new();
    let mut say = |label: &str, text: String| out.push((label.to_string(), text));
    if let Some(stale) = &trend.stale {
        say("TOUCHED SINCE", format!("{stale}."));
    }
    if !trend.references.is_empty() {
        say(
            "REFERENCE",
            format!(
                "these surveys were judged against different shapes ({}): lows, filler and gaps before and after the \
                 change are not to be compared to the last tenth.",
                trend.references.join(", then ")
            ),
        );
    }
    say(
        advice(&trend.advice),
        format!("{}.", sentences::advice(&trend.advice, units)),
    );
    for r in &trend.repeats {
        let told = capital(&words::repeat(r, units));
        say("REPEATS", format!("{told}. {LOOK_UNDER}"));
    }
    for cycle in &trend.cycles {
        let day = cycle.date.to_string();
        let change = cycle.change.as_ref();
        if let Some(change) = change {
            say(&day, format!("{}.", sentences::change(change, units)));
        }
        if let Some(words) = moved(cycle, units) {
            say(if change.is_some() { "" } else { &day }, words);
        }
        if let Some(words) = heights(cycle, units) {
            say("", words);
        }
    }
    out
}

/// "Readings by themselves, rms of each placing: 0.0161 mm (0.0143-0.0178): better."
fn heights(cycle: &Cycle, units: Units) -> Option<String> {
    let h = cycle.heights.as_ref()?;
    let told = match h.told? {
        Told::Better => "lower",
        Told::Worse => "higher",
        Told::NoChange => "no change that two surveys could tell",
        Told::NotComparable => "not to be compared",
    };
    Some(format!(
        "Readings by themselves, rms of each placing from the bridge's zero: {} ({}-{}): {told}.",
        sentences::with_unit(sentences::finest(h.placings_rms_mm, units), units),
        sentences::finest(h.placings_rms_low_mm, units),
        sentences::finest(h.placings_rms_high_mm, units)
    ))
}

/// "12 cc came up (9-15), 3.1 cc went down (2.0-4.2), 81 % not touched; 0.112 mm rms, by chance
/// 0.045."
fn moved(cycle: &Cycle, units: Units) -> Option<String> {
    if let Some(why) = &cycle.moved_not_told {
        return Some(format!("What moved is not told: {why}."));
    }
    let m = cycle.moved.as_ref()?;
    let rms = format!(
        "{} rms, by chance {}",
        sentences::with_unit(sentences::fine(m.rms_mm, units), units),
        sentences::fine(m.rms_by_chance_mm, units)
    );
    if !m.changed() {
        return Some(format!(
            "Laid onto the survey before: nothing moved that two surveys could tell ({rms})."
        ));
    }
    let volume = |v: &Interval, way: &str| {
        format!(
            "{} {way} ({}-{})",
            units.volume(v.value),
            units.bare_volume(v.low),
            units.bare_volume(v.high)
        )
    };
    let caution = match cycle.change.as_ref().map(|c| c.caution.as_str()) {
        Some(caution) if !caution.is_empty() => format!("; cannot be told, {caution}"),
        _ => String::new(),
    };
    Some(format!(
        "Laid onto the survey before: {}, {}, {:.0} % not touched; {rms}{caution}.",
        volume(&m.came_up_cc, "came up"),
        volume(&m.went_down_cc, "went down"),
        100.0 * m.untouched_share
    ))
}

fn advice(a: &Advice) -> &'static str {
    match a.what {
        crate::track::advice::Do::AnotherCycle => "GO ON",
        crate::track::advice::Do::Stop => "STOP",
        crate::track::advice::Do::MeasureMore => "MEASURE",
    }
}

/// Heads of the table's columns.
pub const HEADS: [&str; 7] = [
    "survey",
    "worst / limit",
    "Sq",
    "fair on",
    "to level",
    "filler",
    "hours",
];

/// One row a cycle.
fn table(cycles: &[Cycle], units: Units) -> String {
    let heads = HEADS.map(String::from);
    let rows = std::iter::once(heads).chain(rows(cycles, units));
    rows.map(|[survey, worst, sq, within, level, filler, hours]| {
        format!("  {survey:<11}{worst:>21}{sq:>20}{within:>9}{level:>20}{filler:>9}{hours:>9}\n")
    })
    .collect()
}

/// The table's rows, one a cycle, under [`HEADS`].
pub fn rows(cycles: &[Cycle], units: Units) -> Vec<[String; 7]> {
    cycles.iter().map(|c| cells(c, units)).collect()
}

fn cells(c: &Cycle, units: Units) -> [String; 7] {
    let worst = c
        .deciding()
        .map_or("not checked".into(), |l| worst(l, units));
    let sq = match (c.sq_mm, c.sq_low_mm, c.sq_high_mm) {
        (Some(v), Some(a), Some(b)) => {
            let [v, a, b] = [v, a, b].map(|mm| sentences::fine(mm, units));
            format!("{v} ({a}-{b})")
        }
        (Some(v), ..) => sentences::fine(v, units),
        _ => "not known".into(),
    };
    let level = match (c.to_level_cc, c.to_level_low_cc, c.to_level_high_cc) {
        (Some(v), Some(a), Some(b)) => format!(
            "{} ({}-{})",
            units.volume(v),
            units.bare_volume(a),
            units.bare_volume(b)
        ),
        _ => "not known".into(),
    };
    let within = c
        .share_fair
        .map_or("-".into(), |s| format!("{:.0} %", 100.0 * s.value));
    let some = |value: f64, words: String| if value > 0.0 { words } else { "-".into() };
    [
        c.date.to_string(),
        worst,
        sq,
        within,
        level,
        some(c.filler_on_g, format!("{:.0} g", c.filler_on_g)),
        some(c.hours, format!("{:.1}", c.hours)),
    ]
}

/// "0.41 / 0.30 (300 mm)".
fn worst(l: &LimitRow, units: Units) -> String {
    format!(
        "{} / {} ({})",
        units.bare_depth(l.worst_mm.unwrap_or(f64::NAN)),
        units.bare_depth(l.allowed()),
        units.place(l.base_mm)
    )
}

/// Whether a point is open.
pub fn open(p: &Point) -> bool {
    p.answer != Answer::Yes
}
