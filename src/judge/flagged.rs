//! Readings and placings left out, in sentences: what is wrong with them and what would mend it.

use super::{Flag, FlaggedPlacing};
use crate::fit::misread::{Hint, Mend, Misread};
use crate::fit::{LeftOut, Surface};
use crate::observe::{Placing, Reading, Survey, Tool};
use crate::units::Units;

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
