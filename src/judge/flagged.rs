//! Readings and placings left out, in sentences: what is wrong with them and what would mend it.

use super::{Flag, FlaggedPlacing, Region, RegionKind, SeamSeen};
use crate::fit::misread::{Hint, Mend, Misread};
use crate::fit::seam::Seam;
use crate::fit::{LeftOut, Surface};
use crate::observe::{Placing, Reading, Survey, Tool};
use crate::panel::Panel;
use crate::units::Units;

/// A seam's ends may differ by this across it and still be told by one number, mm.
const SEAM_MM: f64 = 60.0;

/// Readings left out, each with what its neighbours lead one to expect.
pub(super) fn readings(survey: &Survey, surface: &Surface, units: Units) -> Vec<Flag> {
    let told = |out: &LeftOut| {
        let placing = survey.placings.get(out.placing)?;
        let reading = placing.readings.get(out.reading)?;
        let value = reading.value_mm?;
        let whole = surface.misread.iter().any(|m| m.placing == out.placing);
        let reason = if whole {
            format!(
                "{}, {}: {}, left out with all of {}",
                placing.label(),
                spot(placing, reading, units),
                units.depth(value),
                placing.label()
            )
        } else {
            format!(
                "{}, {}: {}, expected about {}{}",
                placing.label(),
                spot(placing, reading, units),
                units.depth(value),
                units.depth(out.expected_mm),
                hint(out.hint, placing, units)
            )
        };
        Some(Flag {
            placing: placing.label(),
            x_mm: reading.x,
            y_mm: reading.y,
            value_mm: value,
            expected_mm: out.expected_mm,
            place: format!("{}:{}:{}", placing.file, reading.line, reading.column),
            reason,
            whole_placing: whole,
        })
    };
    surface.left_out.iter().filter_map(told).collect()
}

/// Where a reading stands in its placing: "x 450 mm".
fn spot(placing: &Placing, reading: &Reading, units: Units) -> String {
    if placing.toward[1].abs() > placing.toward[0].abs() {
        format!("y {}", units.place(reading.y))
    } else {
        format!("x {}", units.place(reading.x))
    }
}

/// The likely slip, in brackets.
fn hint(hint: Hint, placing: &Placing, units: Units) -> String {
    match hint {
        Hint::Unknown => String::new(),
        Hint::Times(factor) => format!(" ({})", slip(factor)),
        Hint::Sign => " (the other sign?)".into(),
        Hint::SwappedWith(other) => placing.readings.get(other).map_or_else(String::new, |r| {
            format!(" (swapped with {}?)", spot(placing, r, units))
        }),
    }
}

/// What somebody did whose values have to be taken times this factor.
fn slip(factor: f64) -> &'static str {
    let near = |f: f64| (factor / f - 1.0).abs() < 0.01;
    if near(10.0) {
        "ten times too small?"
    } else if near(0.1) {
        "ten times too large?"
    } else if near(100.0) {
        "a hundred times too small?"
    } else if near(0.01) {
        "a hundred times too large: hundredths?"
    } else if near(25.4) {
        "25 times too small: inches?"
    } else if near(0.0254) {
        "40 times too large: thousandths of an inch?"
    } else if factor < 1.0 {
        "25 times too large: mm where inches are meant?"
    } else {
        "40 times too small?"
    }
}

/// Placings left out as a whole.
pub(super) fn placings(survey: &Survey, surface: &Surface, units: Units) -> Vec<FlaggedPlacing> {
    surface
        .misread
        .iter()
        .filter_map(|misread| {
            let placing = survey.placings.get(misread.placing)?;
            let (first, last) = (placing.readings.first()?, placing.readings.last()?);
            let partner = match misread.mend {
                Mend::SwappedWith(other) => survey.placings.get(other),
                _ => None,
            };
            let (word, sentence) = told(misread, placing, partner, units);
            Some(FlaggedPlacing {
                placing: placing.label(),
                mend: word.into(),
                with: partner.map(Placing::label),
                readings: misread.readings().count(),
                from_mm: [first.x, first.y],
                to_mm: [last.x, last.y],
                misfit_mm: misread.as_written_mm,
                mended_misfit_mm: (misread.mend != Mend::Unknown).then_some(misread.mended_mm),
                place: format!("{}:{}", placing.file, placing.line),
                reason: sentence,
            })
        })
        .collect()
}

/// Seams among single readings, in sentences.
pub(super) fn seams(survey: &Survey, surface: &Surface, units: Units) -> Vec<SeamSeen> {
    let told = |seam: &Seam| {
        let [a, b] = seam.ends;
        let bare = |mm: f64| units.bare_place((mm / 10.0).round() * 10.0);
        // A line along an axis, within the breadth of a step, is told by one number.
        let place = if (a[0] - b[0]).abs() <= SEAM_MM {
            format!("x {}", bare((a[0] + b[0]) / 2.0))
        } else if (a[1] - b[1]).abs() <= SEAM_MM {
            format!("y {}", bare((a[1] + b[1]) / 2.0))
        } else {
            format!(
                "x {} y {} to x {} y {}",
                bare(a[0]),
                bare(a[1]),
                bare(b[0]),
                bare(b[1])
            )
        };
        let placings: Vec<String> = seam
            .placings
            .iter()
            .filter_map(|p| survey.placings.get(*p))
            .map(Placing::label)
            .collect();
        let (what, side) = if seam.height_mm > 0.0 {
            ("seam", "proud")
        } else {
            ("groove", "deep")
        };
        let middle = placings
            .get(placings.len() / 2)
            .cloned()
            .unwrap_or_default();
        SeamSeen {
            from_mm: a,
            to_mm: b,
            height_mm: seam.height_mm,
            sentence: format!(
                "looks like a {what} at {place}, {} {side}, in {} placings: take {middle} again, or a reading every {} there",
                units.depth(seam.height_mm.abs()),
                placings.len(),
                units.place(10.0)
            ),
            placings,
        }
    };
    surface.seams.iter().map(told).collect()
}

/// Fewest highs in a row that are one seam; how narrow each is, mm; what share of the row they
/// cover, and of the panel's breadth the row.
const HIGHS: usize = 3;
const NARROW_MM: f64 = 260.0;
const COVERED: f64 = 0.5;
const ACROSS: f64 = 0.5;
/// How far their worst places lie from one line, mm.
const IN_ROW_MM: f64 = 45.0;

/// Highs that stand in a row along an axis, one where each line crosses it: a seam whose crossings
/// the map shows apart.
pub(super) fn highs_in_rows(
    survey: &Survey,
    regions: &[Region],
    panel: &Panel,
    known: &[SeamSeen],
    units: Units,
) -> Vec<SeamSeen> {
    let size = [panel.length_mm, panel.width_mm];
    let mut out: Vec<SeamSeen> = Vec::new();
    for axis in 0..2 {
        let breadth = |r: &Region| r.extent_mm[axis + 2] - r.extent_mm[axis];
        let length = |r: &Region| r.extent_mm[3 - axis] - r.extent_mm[1 - axis];
        let highs: Vec<&Region> = regions
            .iter()
            .filter(|r| r.kind == RegionKind::High && breadth(r) <= NARROW_MM)
            .collect();
        let mut best: Option<(usize, f64, Vec<&Region>)> = None;
        for first in &highs {
            let at = first.worst_at[axis];
            let row: Vec<&Region> = highs
                .iter()
                .copied()
                .filter(|r| (r.worst_at[axis] - at).abs() <= IN_ROW_MM)
                .collect();
            let from = row
                .iter()
                .fold(f64::INFINITY, |m, r| m.min(r.extent_mm[1 - axis]));
            let to = row
                .iter()
                .fold(0.0, |m: f64, r| m.max(r.extent_mm[3 - axis]));
            let covered: f64 = row.iter().map(|r| length(r)).sum();
            let told = row.len() >= HIGHS
                && to - from >= ACROSS * size[1 - axis]
                && covered >= COVERED * (to - from);
            if told && best.as_ref().is_none_or(|b| row.len() > b.0) {
                best = Some((row.len(), to - from, row));
            }
        }
        let Some((_, _, row)) = best else {
            continue;
        };
        let middle = |mut all: Vec<f64>| {
            all.sort_by(f64::total_cmp);
            all[all.len() / 2]
        };
        let at = middle(row.iter().map(|r| r.worst_at[axis]).collect());
        let seen = |s: &SeamSeen| {
            [s.from_mm, s.to_mm]
                .iter()
                .all(|p| (p[axis] - at).abs() <= SEAM_MM)
        };
        if known.iter().any(seen) {
            continue;
        }
        let height_mm = middle(row.iter().map(|r| r.worst_mm.value).collect());
        let end = |at_end: f64| {
            if axis == 0 {
                [at, at_end]
            } else {
                [at_end, at]
            }
        };
        let across: Vec<String> = survey
            .placings
            .iter()
            .filter(|p| p.toward[axis].abs() > 0.9)
            .filter(|p| {
                let along: Vec<f64> = p.taken().map(|r| [r.x, r.y][axis]).collect();
                let least = along.iter().copied().fold(f64::INFINITY, f64::min);
                let most = along.iter().copied().fold(f64::NEG_INFINITY, f64::max);
                least < at && at < most
            })
            .map(Placing::label)
            .collect();
        let names: Vec<&str> = row.iter().map(|r| r.name.as_str()).collect();
        let one = across.get(across.len() / 2).cloned().unwrap_or_default();
        out.push(SeamSeen {
            from_mm: end(row.iter().fold(f64::INFINITY, |m, r| m.min(r.extent_mm[1 - axis]))),
            to_mm: end(row.iter().fold(0.0, |m: f64, r| m.max(r.extent_mm[3 - axis]))),
            height_mm,
            sentence: format!(
                "{} stand in a row: looks like a seam at {} {}, {} proud; take {one} again, or a reading every {} there",
                names.join(", "),
                ["x", "y"][axis],
                units.bare_place((at / 10.0).round() * 10.0),
                units.depth(height_mm),
                units.place(10.0)
            ),
            placings: across,
        });
    }
    out
}

/// The mend in a word, and in a sentence.
fn told(
    misread: &Misread,
    placing: &Placing,
    partner: Option<&Placing>,
    units: Units,
) -> (&'static str, String) {
    let name = placing.label();
    let misfit = format!(
        "misfit {} so, {} as written",
        units.depth(misread.mended_mm),
        units.depth(misread.as_written_mm)
    );
    let tool = match placing.tool {
        Tool::Straightedge => "edge",
        Tool::Batten => "batten",
        Tool::ProfileGauge | Tool::WaveGauge => "gauge",
        Tool::Bridge => "bridge",
    };
    match misread.mend {
        Mend::Unknown => (
            "unknown",
            format!(
                "{name} does not agree with the others (misfit {}); look at it again",
                units.depth(misread.as_written_mm)
            ),
        ),
        Mend::Reversed => {
            let ends = ends(placing).map_or_else(String::new, |[a, b]| span(b, a, units));
            (
                "reversed",
                format!(
                    "{name} reads as if it ran the other way: from {ends} its readings agree with the others ({misfit})"
                ),
            )
        }
        Mend::Between([a, b]) => (
            "other-axis",
            format!(
                "{name} reads as if it lay the other way: from {} its readings agree with the others ({misfit})",
                span(a, b, units)
            ),
        ),
        Mend::Times(factor) => (
            "units",
            format!("{name}: all its readings look {} ({misfit})", slip(factor)),
        ),
        Mend::SwappedWith(_) => {
            let other = partner.map_or_else(|| "another placing".into(), Placing::label);
            (
                "swapped",
                format!("{name} and {other} look swapped ({misfit})"),
            )
        }
        Mend::MovedAfter(reading) => {
            let place = placing
                .readings
                .get(reading)
                .map_or_else(String::new, |r| spot(placing, r, units));
            (
                "moved",
                format!(
                    "{name}: the {tool} looks moved after {place}; the readings before and after do not belong to one rest ({misfit})"
                ),
            )
        }
        Mend::Drift(size) => {
            let what = if placing.tool == Tool::WaveGauge {
                "its zero looks drifted"
            } else {
                "it looks tilted or lifted"
            };
            (
                "drift",
                format!(
                    "{name}: {what}, by {} from its first reading to its last ({misfit})",
                    units.depth(size.abs())
                ),
            )
        }
    }
}

fn ends(placing: &Placing) -> Option<[[f64; 2]; 2]> {
    let (first, last) = (placing.readings.first()?, placing.readings.last()?);
    Some([[first.x, first.y], [last.x, last.y]])
}

/// From one place to another: "x 600 mm to 0 mm" along an axis, both coordinates otherwise.
fn span(a: [f64; 2], b: [f64; 2], units: Units) -> String {
    let [x, y] = [0, 1].map(|k| (units.place(a[k]), units.place(b[k])));
    let still = |k: usize| (a[k] - b[k]).abs() < 0.5;
    if still(1) {
        format!("x {} to {} at y {}", x.0, x.1, y.0)
    } else if still(0) {
        format!("y {} to {} at x {}", y.0, y.1, x.0)
    } else {
        format!("x {} y {} to x {} y {}", x.0, y.0, x.1, y.1)
    }
}
