//! Whether readings can be meant: each placing by itself, and the survey as a whole.
//!
//! Nothing is mended or dropped here; what cannot be meant is a fault with its place and a way to
//! mend it.

use super::{Placing, Reading, Survey, Tool};
use crate::panel::Panel;
use crate::problem::{Error, Warning};
use crate::text::{Faults, plain_mm};
use crate::units::MM_PER_INCH;

/// How far off the edge of the panel a reading may lie, mm: tape and pencil are no better.
pub const EDGE_SLACK_MM: f64 = 1.0;
/// Places farther than this are refused as soon as they are read, mm (1 km).
pub const FARTHEST_MM: f64 = 1_000_000.0;
/// Largest gap or dial swing that is believed, mm.
pub const MOST_GAP_MM: f64 = 100.0;
/// Largest height against a bridge or of a gauge's pins that is believed, mm.
pub const MOST_HEIGHT_MM: f64 = 1000.0;
/// How far from one line the readings of an edge may lie, mm.
pub const LINE_SLACK_MM: f64 = 5.0;
/// Readings beyond the placings' own unknowns that a surface needs: three for its fair curvature
/// (along, across, twist) and three for how unfair it is (amplitude, range, noise).
pub const LEAST_SPARE_READINGS: usize = 6;

/// Whether a reading is still to be taken (a blank of a form), unlike `?`, which was left out on
/// purpose.
pub(super) fn still_blank(reading: &Reading) -> bool {
    reading.value_mm.is_none() && matches!(reading.written.as_str(), "_" | "")
}

/// Checks one placing; `places` are line and column of each reading's position, for faults of
/// place.
pub(super) fn check(
    placing: &Placing,
    places: &[(usize, usize)],
    panel: &Panel,
    faults: &mut Faults,
) {
    for reading in placing.taken() {
        check_value(placing.tool, reading, faults);
    }
    check_place(placing, places, panel, faults);
    let taken = placing.taken().count();
    let blank = placing.readings.iter().any(still_blank);
    if taken == 1 && !blank {
        faults.add(
            placing.line,
            0,
            format!(
                "{} has one reading; a placing needs two or more, since how the tool rests is unknown",
                placing.label()
            ),
        );
    }
    let contacts = placing.taken().filter(|r| r.value_mm == Some(0.0)).count();
    if placing.tool == Tool::Batten && taken > 1 && contacts < 2 && !blank {
        faults.add(
            placing.line,
            0,
            format!(
                "{} has {contacts} readings of 0; a batten touches at two places or more: write 0 where it touches",
                placing.label()
            ),
        );
    }
}

fn check_value(tool: Tool, reading: &Reading, faults: &mut Faults) {
    let Some(value) = reading.value_mm else {
        return;
    };
    let shown = &reading.written;
    if tool.reads_gaps() && value < 0.0 {
        faults.add(
            reading.line,
            reading.column,
            format!("gap {shown} is negative; expected 0 or more, since an edge cannot sink into the panel"),
        );
    }
    let (most, what) = match tool {
        Tool::Straightedge | Tool::Batten => (MOST_GAP_MM, "gap"),
        Tool::WaveGauge => (MOST_GAP_MM, "dial reading"),
        Tool::ProfileGauge | Tool::Bridge => (MOST_HEIGHT_MM, "height"),
    };
    if value.abs() > most {
        faults.add(
            reading.line,
            reading.column,
            format!(
                "{what} {shown} is {} mm; expected no more than {most} mm: decimal mark or unit wrong?",
                plain_mm(value)
            ),
        );
    }
}

/// Where a spot lies when it is not on the panel, as the end of a sentence.
fn off_panel(panel: &Panel, x: f64, y: f64) -> Option<String> {
    let size = format!(
        "{} x {} mm",
        plain_mm(panel.length_mm),
        plain_mm(panel.width_mm)
    );
    if !in_rectangle(panel, x, y) {
        return Some(format!(
            "is off the panel, which is {size}; end, step or panel size wrong?"
        ));
    }
    let outside =
        !panel.outline.contains(x, y) && panel.outline.distance_to_edge(x, y) > EDGE_SLACK_MM;
    if outside {
        return Some("lies outside the panel's outline; write ? for readings over the edge".into());
    }
    panel
        .cutouts
        .iter()
        .position(|c| c.contains(x, y) && c.distance_to_edge(x, y) > EDGE_SLACK_MM)
        .map(|i| {
            format!(
                "lies in cutout {}; write ? for readings over an opening",
                i + 1
            )
        })
}

fn in_rectangle(panel: &Panel, x: f64, y: f64) -> bool {
    (-EDGE_SLACK_MM..=panel.length_mm + EDGE_SLACK_MM).contains(&x)
        && (-EDGE_SLACK_MM..=panel.width_mm + EDGE_SLACK_MM).contains(&y)
}

/// One fault for a placing with readings off the panel: the first of them, and how many more.
/// Readings not taken may hang over an edge or an opening.
fn check_place(placing: &Placing, places: &[(usize, usize)], panel: &Panel, faults: &mut Faults) {
    let half = placing.base_mm / 2.0;
    let mut first = None;
    let mut more = 0;
    for (i, r) in placing.readings.iter().enumerate() {
        if r.value_mm.is_none() {
            continue;
        }
        let mut wrong = off_panel(panel, r.x, r.y);
        if placing.tool == Tool::WaveGauge && wrong.is_none() {
            let feet =
                [-half, half].map(|h| [r.x + h * placing.toward[0], r.y + h * placing.toward[1]]);
            wrong = feet
                .iter()
                .find(|f| !in_rectangle(panel, f[0], f[1]))
                .map(|f| {
                    format!(
                        "puts a foot at x {}, y {}, off the panel; positions are the dial's, the feet stand {} mm to \
                     each side",
                        plain_mm(f[0]),
                        plain_mm(f[1]),
                        plain_mm(half)
                    )
                });
        }
        match (wrong, &first) {
            (Some(why), None) => {
                let place = places.get(i).copied().unwrap_or((r.line, r.column));
                first = Some((place, r.x, r.y, why));
            }
            (Some(_), Some(_)) => more += 1,
            (None, _) => {}
        }
    }
    if let Some(((line, column), x, y, why)) = first {
        let more = match more {
            0 => String::new(),
            n => format!(" ({n} more readings of {} as well)", placing.label()),
        };
        faults.add(
            line,
            column,
            format!(
                "{}: x {}, y {} {why}{more}",
                placing.label(),
                plain_mm(x),
                plain_mm(y)
            ),
        );
    }
}

/// Whether a survey can carry a surface at all.
///
/// Each placing spends readings on how its tool came to rest (straightedge and gauge 2, batten its
/// contacts, wave gauge 1, bridge 3, or 2 on one line). What is left over must be at least
/// [`LEAST_SPARE_READINGS`], and not all readings may lie on one line.
///
/// # Errors
/// [`Error::Survey`] with what is missing and what to do.
pub fn check_carries(survey: &Survey, panel: &Panel) -> Result<(), Error> {
    let taken = survey.taken();
    if taken == 0 {
        return Err(Error::Survey(format!(
            "no readings yet in {}: write them after the colons, then run this again",
            survey.files.join(", ")
        )));
    }
    let spare: usize = survey.placings.iter().map(spare_readings).sum();
    if spare < LEAST_SPARE_READINGS {
        return Err(Error::Survey(format!(
            "{taken} readings in {} placings are too few for a surface: after what each placing spends on how its \
             tool rests, {spare} are left, and a surface needs {LEAST_SPARE_READINGS} (three for its curvature, \
             three for how unfair it is); take more placings",
            survey.placings.len()
        )));
    }
    let spots: Vec<[f64; 2]> = survey.placings.iter().flat_map(spots).collect();
    if let Some(line) = Line::through(&spots)
        && line.farthest(&spots) <= LINE_SLACK_MM
    {
        let across = if line.toward[0].abs() >= line.toward[1].abs() {
            format!(
                "y {:.0} (the panel is {} mm wide)",
                line.middle[1],
                plain_mm(panel.width_mm)
            )
        } else {
            format!(
                "x {:.0} (the panel is {} mm long)",
                line.middle[0],
                plain_mm(panel.length_mm)
            )
        };
        return Err(Error::Survey(format!(
            "all readings lie on one line, near {across}: that is a profile, not a surface; take placings beside \
             and across it"
        )));
    }
    Ok(())
}

fn spare_readings(placing: &Placing) -> usize {
    let taken = placing.taken().count();
    let spent = match placing.tool {
        Tool::Straightedge | Tool::ProfileGauge => 2,
        Tool::Batten => placing
            .taken()
            .filter(|r| r.value_mm == Some(0.0))
            .count()
            .max(2),
        Tool::WaveGauge => 1,
        Tool::Bridge => line_of(placing).map_or(3, |_| 2),
    };
    taken.saturating_sub(spent)
}

/// The line that all readings taken in a placing lie on, within [`LINE_SLACK_MM`]; `None` when they
/// spread over an area. Readings at one spot lie on a line along the placing.
pub fn line_of(placing: &Placing) -> Option<Line> {
    let spots: Vec<[f64; 2]> = placing.taken().map(|r| [r.x, r.y]).collect();
    match Line::through(&spots) {
        Some(line) => (line.farthest(&spots) <= LINE_SLACK_MM).then_some(line),
        None => Some(Line {
            middle: spots.first().copied().unwrap_or_default(),
            toward: placing.toward,
        }),
    }
}

/// Spots that a placing's readings touch: its positions, for a wave gauge its feet as well.
fn spots(placing: &Placing) -> Vec<[f64; 2]> {
    let half = placing.base_mm / 2.0;
    let reach: &[f64] = match placing.tool {
        Tool::WaveGauge => &[-1.0, 0.0, 1.0],
        _ => &[0.0],
    };
    placing
        .taken()
        .flat_map(|r| {
            reach.iter().map(move |k| {
                [
                    r.x + k * half * placing.toward[0],
                    r.y + k * half * placing.toward[1],
                ]
            })
        })
        .collect()
}

/// The line that spots lie nearest to (least squares of the distances from it).
#[derive(Clone, Copy, Debug)]
pub struct Line {
    /// Middle of the spots.
    pub middle: [f64; 2],
    /// Unit direction; the larger part is positive.
    pub toward: [f64; 2],
}

impl Line {
    /// `None` when all spots are one, or there are none.
    pub fn through(spots: &[[f64; 2]]) -> Option<Line> {
        let n = spots.len() as f64;
        let mean = |axis: usize| spots.iter().map(|p| p[axis]).sum::<f64>() / n;
        let middle = [mean(0), mean(1)];
        let (mut xx, mut xy, mut yy) = (0.0, 0.0, 0.0);
        for p in spots {
            let (u, v) = (p[0] - middle[0], p[1] - middle[1]);
            xx += u * u;
            xy += u * v;
            yy += v * v;
        }
        if spots.is_empty() || xx + yy <= 1e-6 {
            return None;
        }
        let angle = 0.5 * (2.0 * xy).atan2(xx - yy);
        let mut toward = [angle.cos(), angle.sin()];
        let larger = if toward[0].abs() >= toward[1].abs() {
            toward[0]
        } else {
            toward[1]
        };
        if larger < 0.0 {
            toward = toward.map(|t| -t);
        }
        for t in &mut toward {
            // A line along an axis is exactly along it.
            if t.abs() < 1e-12 {
                *t = 0.0;
            }
        }
        Some(Line { middle, toward })
    }

    /// Distance along the line from its middle, mm.
    pub fn along(&self, p: [f64; 2]) -> f64 {
        (p[0] - self.middle[0]) * self.toward[0] + (p[1] - self.middle[1]) * self.toward[1]
    }

    /// Distance from the line, mm.
    pub fn beside(&self, p: [f64; 2]) -> f64 {
        ((p[1] - self.middle[1]) * self.toward[0] - (p[0] - self.middle[0]) * self.toward[1]).abs()
    }

    fn farthest(&self, spots: &[[f64; 2]]) -> f64 {
        spots.iter().map(|p| self.beside(*p)).fold(0.0, f64::max)
    }
}

/// Slips foreseen that the readings themselves cannot settle: inches written where mm are meant,
/// tools that are shorter than their placings.
pub(super) fn suspicions(survey: &Survey, panel: &Panel) -> Vec<Warning> {
    let mut warnings = Vec::new();
    warnings.extend(positions_in_inches(survey, panel));
    warnings.extend(gaps_in_inches(survey));
    warnings.extend(edges_too_short(survey));
    warnings
}

/// Fewest readings by which a survey is doubted.
const DOUBTED: usize = 20;
/// A placing is told from another by its readings where it has so many, with so many different
/// values.
const TELLING: usize = 5;
const DIFFERENT: usize = 3;
/// Share of the placings that repeat another's readings.
const COPIED_SHARE: f64 = 0.3;
/// Whole millimetres up to at least this are no gaps under an edge, mm.
const WHOLE_MM: f64 = 2.0;
/// A gap of more than this share of the edge's length is a curve of less than two edge lengths'
/// radius.
const TIGHT: f64 = 1.0 / 15.0;
/// How far two placings on one line differ, their rests apart, at which they are not of the same
/// panel, mm.
const UNLIKE_MM: f64 = 0.3;

/// Why the readings as a whole cannot be right: a panel read so is not called fair. Each names its
/// mend.
pub fn doubts(survey: &Survey, panel: &Panel) -> Vec<String> {
    let mut all: Vec<String> = Vec::new();
    all.extend(positions_in_inches(survey, panel).map(|w| w.text));
    all.extend(
        gaps_in_inches(survey)
            .map(|w| w.text)
            .or_else(|| thousandths(survey)),
    );
    all.extend(alike(survey));
    all.extend(copied(survey));
    all.extend(whole_millimetres(survey));
    all.extend(unlike(survey));
    all
}

/// Gaps, as they were taken.
fn gaps(survey: &Survey) -> impl Iterator<Item = (&Placing, f64)> {
    let edges = survey.placings.iter().filter(|p| p.tool.reads_gaps());
    edges.flat_map(|p| p.taken().filter_map(move |r| Some((p, r.value_mm?))))
}

/// All readings one value.
fn alike(survey: &Survey) -> Option<String> {
    let all: Vec<f64> = survey
        .placings
        .iter()
        .flat_map(|p| p.taken().filter_map(|r| r.value_mm))
        .collect();
    let first = *all.first()?;
    let one = all.len() >= DOUBTED && all.iter().all(|v| (v - first).abs() < 1e-9);
    one.then(|| match first {
        0.0 => format!(
            "all {} readings are 0: no panel is read so; where the thinnest feeler does not pass, write the first thickness that \
             does not, and take a few with a finer one",
            all.len()
        ),
        v => format!(
            "all {} readings are {}: no panel is read so; was the same value written throughout? Read it again",
            all.len(),
            plain_mm(v)
        ),
    })
}

/// Gaps written in mm to a thousandth, as no hand reads them under an edge: inches. Multiples of
/// 0.005 mm, and of a thousandth of an inch (turned into mm beforehand), are somebody's steps.
fn thousandths(survey: &Survey) -> Option<String> {
    let all: Vec<&Reading> = survey
        .placings
        .iter()
        .filter(|p| p.tool.reads_gaps())
        .flat_map(|p| p.taken())
        .filter(|r| r.value_mm.is_some_and(|v| v > 0.0))
        .collect();
    let decimals = |r: &Reading| {
        let after = r.written.split(['.', ',']).nth(1);
        after.map_or(0, |d| d.chars().count())
    };
    let in_mm = |r: &Reading| {
        let bare: Option<f64> = crate::units::number(&r.written);
        bare.zip(r.value_mm)
            .is_some_and(|(b, v)| (b - v).abs() < 1e-12)
    };
    let steps = |step: f64, slack: f64| {
        let on = |v: f64| (v - (v / step).round() * step).abs() <= slack;
        all.iter().filter_map(|r| r.value_mm).all(on)
    };
    let odd = all.len() >= DOUBTED
        && all.iter().all(|r| in_mm(r) && decimals(r) <= 3)
        && all.iter().filter(|r| decimals(r) == 3).count() * 2 > all.len()
        && !steps(0.005, 1e-6)
        && !steps(MM_PER_INCH / 1000.0, 6e-4);
    let largest = all.iter().filter_map(|r| r.value_mm).fold(0.0, f64::max);
    odd.then(|| {
        format!(
            "all gaps are written to a thousandth of a mm (largest {largest:.3}), as no feeler reads: were they inches? Then write unit \
             in, and the largest is {:.2} mm",
            largest * MM_PER_INCH
        )
    })
}

/// Placings that hold the very readings of another at another place.
fn copied(survey: &Survey) -> Option<String> {
    let values: Vec<Vec<i64>> = survey
        .placings
        .iter()
        .map(|p| {
            let all = p.taken().filter_map(|r| r.value_mm);
            all.map(|v| (v * 10_000.0).round() as i64).collect()
        })
        .collect();
    let telling = |v: &[i64]| {
        let mut own = v.to_vec();
        own.sort_unstable();
        own.dedup();
        v.len() >= TELLING && own.len() >= DIFFERENT
    };
    let count = values.iter().filter(|v| telling(v)).count();
    let mut of: std::collections::BTreeMap<&[i64], usize> = std::collections::BTreeMap::new();
    let mut pairs: Vec<[usize; 2]> = Vec::new();
    for (k, own) in values.iter().enumerate().filter(|(_, v)| telling(v)) {
        match of.get(own.as_slice()) {
            Some(first) => pairs.push([*first, k]),
            None => {
                of.insert(own, k);
            }
        }
    }
    // Readings with more decimals than a hand reads are a program's: symmetry repeats them.
    let worked_out = |p: &Placing| {
        let fine = |r: &Reading| {
            let decimals = r.written.split(['.', ',']).nth(1);
            decimals.map_or(0, |d| d.chars().count()) > 3
        };
        p.taken().any(fine)
    };
    let [a, b] = *pairs.first()?;
    let many = pairs.len() >= 2 && pairs.len() as f64 >= COPIED_SHARE * count as f64;
    (many && !worked_out(&survey.placings[a])).then(|| {
        format!(
            "{} of {count} placings hold the very readings of another, {} those of {}: were they copied? Read them again",
            pairs.len(),
            survey.placings[b].label(),
            survey.placings[a].label()
        )
    })
}

/// Gaps in whole millimetres, or far too large for their edge: another unit.
fn whole_millimetres(survey: &Survey) -> Option<String> {
    let all: Vec<(&Placing, f64)> = gaps(survey).collect();
    let most = all.iter().max_by(|a, b| a.1.total_cmp(&b.1))?;
    if all.len() < DOUBTED {
        return None;
    }
    let whole = most.1 >= WHOLE_MM
        && all.iter().all(|(_, v)| (v - v.round()).abs() < 1e-9)
        && all.iter().filter(|(_, v)| *v >= 1.0).count() * 10 >= all.len();
    let tight = most.0.base_mm > 0.0 && most.1 > TIGHT * most.0.base_mm;
    let edge = plain_mm(most.0.base_mm);
    let thou = plain_mm((most.1 * MM_PER_INCH).round() / 1000.0);
    match (whole, tight) {
        (true, _) => Some(format!(
            "all gaps are whole millimetres, up to {} under an edge of {edge}: were they thousandths or hundredths? Then write unit \
             thou (the largest is {thou} mm) or unit hundredths",
            plain_mm(most.1)
        )),
        (false, true) => Some(format!(
            "{} has a gap of {} mm under an edge of {edge}: were they thousandths? Then write unit thou (the largest is {thou} mm)",
            most.0.label(),
            plain_mm(most.1)
        )),
        _ => None,
    }
}

/// Placings that lie on one another and tell of different panels: one of them lies elsewhere.
fn unlike(survey: &Survey) -> Option<String> {
    let mut worst: Option<(f64, usize, usize)> = None;
    let (mut pairs, mut off) = (0, 0);
    let lies = |p: &Placing| matches!(p.tool, Tool::Straightedge | Tool::ProfileGauge);
    for (k, a) in survey.placings.iter().enumerate().filter(|(_, p)| lies(p)) {
        for (m, b) in survey.placings.iter().enumerate().skip(k + 1) {
            if a.tool != b.tool || a.name == b.name {
                continue;
            }
            let Some(rms) = difference_mm(a, b) else {
                continue;
            };
            pairs += 1;
            if rms > UNLIKE_MM {
                off += 1;
                if worst.is_none_or(|w| rms > w.0) {
                    worst = Some((rms, k, m));
                }
            }
        }
    }
    let (rms, k, m) = worst?;
    // One may be a slip, and is found as one; most of them are not.
    (off >= 2 && off * 2 >= pairs).then(|| {
        format!(
            "{} and {} lie on one another and differ by {} mm, as do {off} of {pairs} such pairs: were x and y exchanged for those taken the \
             other way? Then write their places again",
            survey.placings[k].label(),
            survey.placings[m].label(),
            plain_mm((rms * 100.0).round() / 100.0)
        )
    })
}

/// Rms difference of two placings at places they share, each one's offset and tilt apart, mm;
/// `None` where they share fewer than six.
fn difference_mm(a: &Placing, b: &Placing) -> Option<f64> {
    let shared: Vec<[f64; 2]> = a
        .taken()
        .filter_map(|r| {
            let other = b.taken().find(|q| (q.x - r.x).hypot(q.y - r.y) < 1.0)?;
            let s = r.x * a.toward[0] + r.y * a.toward[1];
            Some([s, r.value_mm? - other.value_mm?])
        })
        .collect();
    let n = shared.len() as f64;
    if n < 6.0 {
        return None;
    }
    let mean = |k: usize| shared.iter().map(|p| p[k]).sum::<f64>() / n;
    let (ms, md) = (mean(0), mean(1));
    let sxx: f64 = shared.iter().map(|p| (p[0] - ms).powi(2)).sum();
    let sxy: f64 = shared.iter().map(|p| (p[0] - ms) * (p[1] - md)).sum();
    let slope = if sxx > 0.0 { sxy / sxx } else { 0.0 };
    let left = shared
        .iter()
        .map(|p| (p[1] - md - slope * (p[0] - ms)).powi(2));
    Some((left.sum::<f64>() / n).sqrt())
}

fn positions_in_inches(survey: &Survey, panel: &Panel) -> Option<Warning> {
    let far = |axis: usize| {
        survey
            .placings
            .iter()
            .flat_map(|p| p.taken())
            .map(|r| [r.x, r.y][axis])
            .fold(0.0, f64::max)
    };
    let (x, y) = (far(0), far(1));
    let small = x < panel.length_mm / 12.0 && y < panel.width_mm / 12.0;
    (survey.taken() > 0 && small).then(|| {
        Warning::new(format!(
            "all readings lie within {} x {} mm of the datum corner, on a panel of {} x {} mm: were the positions \
             inches? Then write the unit, such as x 0 to 24 in",
            plain_mm(x),
            plain_mm(y),
            plain_mm(panel.length_mm),
            plain_mm(panel.width_mm)
        ))
    })
}

/// Gaps that are all below 0.1 mm and written to three decimals are what an inch rule's thousandths
/// look like.
fn gaps_in_inches(survey: &Survey) -> Option<Warning> {
    let decimals = |r: &Reading| {
        r.written
            .split(['.', ','])
            .nth(1)
            .map_or(0, |d| d.chars().count())
    };
    let gaps: Vec<&Reading> = survey
        .placings
        .iter()
        .filter(|p| p.tool.reads_gaps())
        .flat_map(|p| p.taken())
        .filter(|r| r.value_mm.is_some_and(|v| v > 0.0))
        .collect();
    let written_in_mm = |r: &&&Reading| {
        let bare: Option<f64> = crate::units::number(&r.written);
        bare.zip(r.value_mm)
            .is_some_and(|(b, v)| (b - v).abs() < 1e-12)
    };
    let odd = gaps.len() >= 5
        && gaps.iter().all(|r| r.value_mm.is_some_and(|v| v < 0.1))
        && gaps
            .iter()
            .filter(|r| decimals(r) >= 3)
            .filter(written_in_mm)
            .count()
            * 2
            > gaps.len();
    let largest = gaps.iter().filter_map(|r| r.value_mm).fold(0.0, f64::max);
    odd.then(|| {
        Warning::new(format!(
            "all gaps are below 0.1 mm (largest {largest:.3}) and written to a thousandth: were they inches? Then \
             write unit in, and the largest is {:.2} mm",
            largest * MM_PER_INCH
        ))
    })
}

fn edges_too_short(survey: &Survey) -> Vec<Warning> {
    let lies_still = |t: Tool| !matches!(t, Tool::WaveGauge | Tool::Bridge);
    survey
        .placings
        .iter()
        .filter(|p| lies_still(p.tool) && p.base_mm > 0.0)
        .filter_map(|p| {
            let (first, last) = (p.taken().next()?, p.taken().last()?);
            let span = (last.x - first.x).hypot(last.y - first.y);
            (span > p.base_mm * 1.01 + 2.0).then(|| Warning {
                place: format!("{}:{}", p.file, p.line),
                text: format!(
                    "{} runs over {} mm, but its {} is {} mm long: an end or the tool's length wrong?",
                    p.label(),
                    plain_mm(span),
                    p.tool.word(),
                    plain_mm(p.base_mm)
                ),
..Warning::default()
})
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_line_is_found_whichever_way_the_spots_run() {
        for (spots, toward) in [
            (vec![[0., 5.], [10., 5.], [20., 5.]], [1., 0.]),
            (vec![[20., 5.], [10., 5.], [0., 5.]], [1., 0.]),
            (vec![[3., 9.], [3., 0.]], [0., 1.]),
            (
                vec![[0., 0.], [10., -10.]],
                [0.5f64.sqrt(), -(0.5f64.sqrt())],
            ),
        ] {
            let line = Line::through(&spots).unwrap();
            let off = (line.toward[0] - toward[0]).hypot(line.toward[1] - toward[1]);
            assert!(off < 1e-9, "{spots:?}: {line:?}");
        }
        assert!(Line::through(&[[1., 1.], [1., 1.]]).is_none());
        assert!(Line::through(&[]).is_none());
    }
}
