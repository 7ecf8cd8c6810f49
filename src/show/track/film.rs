//! The film ledger on the terminal, as film.json and film.csv, and as a picture of what came on and
//! off.

use super::super::changed::Changed;
use super::super::summary::{WIDEST, wrapped};
use crate::judge::Interval;
use crate::panel::Panel;
use crate::problem::Error;
use crate::show::{care, words};
use crate::track::film::{Ledger, Left, NextSanding, Row};
use crate::units::Units;
use serde::Serialize;
use std::fmt::Write;

/// The version of film.json's layout.
pub const SCHEMA: u32 = 1;

/// What is shown.
#[derive(Clone, Copy)]
pub struct Shown<'a> {
    /// The ledger.
    pub ledger: &'a Ledger,
    /// The panel.
    pub panel: &'a Panel,
    /// Units.
    pub units: Units,
}

#[derive(Serialize)]
struct Document<'a> {
    schema: u32,
    panel: &'a str,
    since_entry: Option<i64>,
    since_date: Option<String>,
    stated_mm: Option<f64>,
    rows: &'a [Row],
    left: Option<&'a Left>,
    next_sanding: Option<&'a NextSanding>,
    warnings: Vec<String>,
}

/// film.json.
///
/// # Errors
/// [`Error::Calculation`] when it cannot be written, which no sound ledger does.
pub fn json(what: &Shown) -> Result<String, Error> {
    let l = what.ledger;
    let document = Document {
        schema: SCHEMA,
        panel: &what.panel.name,
        since_entry: l.since.map(|s| s.0),
        since_date: l.since.map(|s| s.1.to_string()),
        stated_mm: what.panel.skin.film.all_mm,
        rows: &l.rows,
        left: l.left.as_ref(),
        next_sanding: l.next.as_ref(),
        warnings: l.warnings.iter().map(ToString::to_string).collect(),
    };
    serde_json::to_string_pretty(&document)
        .map(|text| text + "\n")
        .map_err(|e| Error::Calculation(format!("film.json could not be made: {e}")))
}

/// film.csv: at each node what came on (positive) or off and the film, each with its 95 % interval,
/// mm.
pub fn csv(ledger: &Ledger) -> String {
    const HALF: f64 = 1.96;
    let mut out = String::from(
        "x_mm,y_mm,change_mm,change_low_mm,change_high_mm,film_mm,film_low_mm,film_high_mm\n",
    );
    for (n, change) in ledger.change_mm.indexed_iter() {
        // Writing to a String cannot fail.
        let _ = write!(out, "{},{}", ledger.grid.x(n.1), ledger.grid.y(n.0));
        for (value, sd) in [
            (*change, ledger.change_sd_mm[n]),
            (ledger.film_mm[n], ledger.film_sd_mm[n]),
        ] {
            let _ = if value.is_nan() {
                write!(out, ",,,")
            } else {
                let (low, high) = (value - HALF * sd, value + HALF * sd);
                write!(out, ",{value:.4},{low:.4},{high:.4}")
            };
        }
        out.push('\n');
    }
    out
}

/// The text on the terminal.
pub fn text(what: &Shown) -> String {
    let mut out = String::new();
    say(&mut out, "FILM", &left(what));
    if let Some(next) = next(what) {
        say(&mut out, "SANDING", &next);
    }
    for w in &what.ledger.warnings {
        say(&mut out, "HEED", &format!("{w}."));
    }
    if !what.ledger.rows.is_empty() {
        out.push('\n');
        for row in &what.ledger.rows {
            let (label, words) = told(row, what.units);
            out.push_str(&format!("{label}\n"));
            for line in words {
                say(&mut out, "", &line);
            }
        }
    }
    out.push('\n');
    say(&mut out, "CARE", care::FILM);
    out
}

fn say(out: &mut String, label: &str, text: &str) {
    const HANG: usize = 13;
    let rows = wrapped(text, HANG, HANG, WIDEST);
    let hang = format!("\n{}", " ".repeat(HANG));
    out.push_str(&format!("{label:<HANG$}{}\n", rows.join(&hang)));
}

/// "0.31 mm (0.22 to 0.40)".
fn depth(i: Interval, units: Units) -> String {
    format!(
        "{} ({} to {})",
        units.depth(i.value),
        units.bare_depth(i.low),
        units.bare_depth(i.high)
    )
}

fn volume(i: Interval, units: Units) -> String {
    format!(
        "{} ({} to {})",
        units.volume(i.value),
        units.bare_volume(i.low),
        units.bare_volume(i.high)
    )
}

/// What is left, in a sentence.
fn left(what: &Shown) -> String {
    let name = &what.panel.name;
    let units = what.units;
    match (&what.ledger.left, what.ledger.since) {
        (Some(l), _) => format!(
            "{name}: least left {} at {}; {} must stay. Less than that on {}; may be through on {}.",
            depth(l.least.mm, units),
            words::spot(l.least.at_mm, units),
            units.depth(l.keep_mm),
            units.area(l.thin_cm2),
            units.area(l.may_be_through_cm2)
        ),
        (None, Some(_)) => format!(
            "{name}: not known over the structure; measure it, say it in panel.toml (film = …), `lowspot panel edit`. What came on and off is reckoned \
             all the same."
        ),
        (None, None) => format!("{name}: no survey with readings yet, so nothing can be reckoned."),
    }
}

fn next(what: &Shown) -> Option<String> {
    let (n, units) = (what.ledger.next.as_ref()?, what.units);
    let percent = 100.0 * n.worst_chance;
    let chance = if percent < 0.1 {
        "below 0.1 %".to_string()
    } else {
        format!("{percent:.1} %")
    };
    // A speck at a corner, where no reading lies, is no place to be told of.
    if n.risk_cm2 < 1.0 {
        return Some(format!(
            "highs down as far as they may, then blocked all over: chance of cutting through {chance} at worst, at {}.",
            words::spot(n.at_mm, units)
        ));
    }
    let boxes: Vec<String> = n
        .within_mm
        .iter()
        .map(|b| words::extent(*b, units))
        .collect();
    let places = if boxes.is_empty() {
        String::new()
    } else {
        format!(" ({})", boxes.join("; "))
    };
    Some(format!(
        "highs down as far as they may, then blocked all over: may cut through on {}{places}; chance {chance} at worst, at {}: {} comes off {}. Do \
         not sand there, or measure the film first.",
        units.area(n.risk_cm2),
        words::spot(n.at_mm, units),
        units.depth(n.cut_mm),
        units.depth(n.film_mm)
    ))
}

/// A row's head, and what it tells.
fn told(row: &Row, units: Units) -> (String, Vec<String>) {
    let to = row
        .to_date
        .map_or("now".to_string(), |date| date.to_string());
    let work = if row.work.is_empty() {
        "nothing entered".to_string()
    } else {
        row.work.join(", ")
    };
    let head = format!("{} to {to}: {work}", row.from_date);
    if !row.counted {
        return (head, vec!["no film came on or off".into()]);
    }
    let mut out = Vec::new();
    if let Some(put) = row.put_on_cc {
        out.push(format!(
            "put on {:.0} g, {} when cured",
            row.put_on_g,
            volume(put, units)
        ));
    }
    if let (Some(up), Some(down)) = (row.came_up_cc, row.went_down_cc) {
        out.push(format!(
            "came up {}, went down {}",
            volume(up, units),
            volume(down, units)
        ));
    }
    out.push(format!(
        "evenly all over {}, from the entries",
        depth(row.evenly_mm, units)
    ));
    if let Some(off) = row.taken_off_cc {
        out.push(format!("sanded off {}", volume(off, units)));
    }
    (head, out)
}

/// What came on and off, as PNG and as SVG.
///
/// # Errors
/// As [`crate::show::map::draw_png`].
pub fn pictures(what: &Shown) -> Result<(Vec<u8>, String), Error> {
    let l = what.ledger;
    let since = l.since.map_or(String::new(), |s| format!(" since {}", s.1));
    Changed {
        panel: what.panel,
        units: what.units,
        grid: l.grid,
        mm: &l.change_mm,
        title: "film on and off",
        words: format!(
            "Teal came off, brown came on, {}{since}",
            what.units.depth_unit()
        ),
        ends: ["OFF", "same", "ON"],
        marks: Vec::new(),
        boxes: Vec::new(),
        lines: vec![left(what)],
    }
    .pictures()
}

/// What is left beyond what must stay, as PNG and as SVG; `None` where the film is not known.
///
/// # Errors
/// As [`crate::show::map::draw_png`].
pub fn left_pictures(what: &Shown) -> Result<Option<(Vec<u8>, String)>, Error> {
    let l = what.ledger;
    let Some(of) = &l.left else {
        return Ok(None);
    };
    let spare = l.film_mm.mapv(|f| f - of.keep_mm);
    let least = what.units.depth(of.least.mm.value);
    let mut lines = vec![left(what)];
    lines.extend(next(what));
    lines.extend(l.warnings.iter().map(|w| format!("{w}.")));
    let pictures = Changed {
        panel: what.panel,
        units: what.units,
        grid: l.grid,
        mm: &spare,
        title: "film left",
        words: format!(
            "Film less the {} that must stay, {}. Teal: too thin; brown: to spare; dashed: the next sanding may cut through",
            what.units.depth(of.keep_mm),
            what.units.depth_unit()
        ),
        ends: ["THIN", "keep", "SPARE"],
        marks: vec![(of.least.at_mm, format!("least {least}"))],
        boxes: l.next.iter().flat_map(|n| n.within_mm.clone()).collect(),
        lines,
    }
    .pictures()?;
    Ok(Some(pictures))
}
