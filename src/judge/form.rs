//! Whether the told form fits the panel at all. Where it does not, lows and highs are those of a
//! wrong shape, and nothing is ordered.
//!
//! Looked at is the found height itself, before any reference. A fold, a ridge, a nose or a rolled
//! edge runs across the panel in a line, which lows and highs, however deep, do not: so every sign
//! is a middle or a quartile along whole lines, and dents, seams and hungry patches leave it alone.
//! All bounds are ours, set on simulated panels; docs/method.md has them with what they part.

use super::nodes::{self, FAR_MM};
use super::{NodeState, Nodes};
use crate::fit::misread::Mend;
use crate::fit::{Surface, least_squares};
use crate::observe::Survey;
use crate::panel::{Form, Panel};
use crate::units::Units;
use ndarray::{Array1, Array2};
use rayon::prelude::*;
use serde::Serialize;

/// Distance between the places looked at, mm; and the most of them.
const STEP_MM: f64 = 20.0;
const MOST_PLACES: f64 = 12_000.0;
/// Directions across which lines are looked at, degrees apart.
const TURN_DEG: usize = 10;
/// Half bases over which a change of slope is taken, mm; no more than this share of the panel's
/// shorter side.
const HALF_BASES_MM: [f64; 2] = [80.0, 160.0];
const BASE_SHARE: f64 = 0.2;
/// A line counts when it runs over this share of the panel's shorter side.
const LINE_SHARE: f64 = 0.6;
/// A fold: the slope changes across a line by this much more than beside it on either side, mm per
/// mm (0.9 degrees).
const FOLD: f64 = 0.015;
/// A fold is soft, a ridge or a valley, where the wider base sees this many times more of it.
const SOFT: f64 = 1.3;
/// On a panel with a shorter side than this, mm, a low is as long as a line: all bounds are raised
/// by as much.
const LARGE_MM: f64 = 800.0;
/// An edge that rolls over: the same beside an edge of the panel, against what lies inward. A ruled
/// section may curve more towards its nose.
const ROLLED: f64 = 0.02;
const ROLLED_SECTION: f64 = 0.065;
/// Share of the panel that is read but too steep to be told.
const STEEP_SHARE: f64 = 0.002;
/// A section fits a panel told flat or crowned so many times better, on its middle and its worse
/// places; the latter at least so far off as told, mm.
const RULED: f64 = 2.0;
const RULED_MM: f64 = 0.05;
/// Height that a tenth of the panel stands off the told form's own curves, mm, at which it is no
/// such form.
const OFF_MM: f64 = 3.0;
/// Share of the panel below its fair shape that no defect covers.
const LOW_SHARE: f64 = 0.8;
/// What is nearer than this to a multiple of ten is told as that, mm; and noses are told no
/// narrower than this.
const ROUND_MM: f64 = 10.0;
const NARROWEST_MM: f64 = 40.0;

/// A form that does not fit: what the panel looks like, and what to write instead.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Misfit {
    /// "a crease near y 520".
    pub looks_like: String,
    /// What to write in panel.toml, a sentence.
    pub write: String,
    /// What was seen, in numbers.
    pub seen: String,
}

impl Misfit {
    /// All of it in a sentence, for whoever asks for work.
    pub fn sentence(&self, form: Form) -> String {
        format!(
            "shape first: the panel looks like {}, not like the form told ({}), and what such a shape calls low and high is no work; \
             {}",
            self.looks_like,
            word(form),
            self.write
        )
    }
}

fn word(form: Form) -> &'static str {
    match form {
        Form::Flat => "flat",
        Form::RuledX => "ruled-x",
        Form::RuledY => "ruled-y",
        Form::Crowned => "crowned",
    }
}

/// A line across which the slope changes.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Bend {
    /// Change of slope across it beyond what lies beside it, mm per mm; positive is hollow.
    pub slope: f64,
    /// Distance of the line from the datum corner along its normal, mm.
    pub at_mm: f64,
    /// Direction of its normal, degrees from x.
    pub across_deg: f64,
}

impl Bend {
    fn sharper(self, other: Bend) -> Bend {
        if other.slope.abs() > self.slope.abs() {
            other
        } else {
            self
        }
    }
}

/// What the found height shows of its form.
#[derive(Clone, Debug, Default)]
pub struct Signs {
    /// Sharpest bend along a whole line with panel on both sides, for each half base.
    pub folds: [Bend; 2],
    /// Bend beside each edge of the panel: x 0, x L, y 0, y W.
    pub edges: [f64; 4],
    /// Share of the panel that is read but too steep.
    pub steep_share: f64,
    /// How far from each edge steep places reach, mm.
    pub steep_mm: [f64; 4],
    /// Height off the told form's own curves: middle, four fifths, nine tenths of the panel, mm.
    pub told_mm: [f64; 3],
    /// The same with a section alike all along y (curved along x), and alike all along x.
    pub section_mm: [[f64; 3]; 2],
    /// Share of the panel below its fair shape by more than the node limit.
    pub low_share: f64,
}

/// Look for what does not fit; `None` where the told form does.
pub fn misfit(
    panel: &Panel,
    survey: &Survey,
    surface: &Surface,
    nodes: &Nodes,
    units: Units,
) -> Option<Misfit> {
    let seen = Seen::of(nodes);
    let signs = Signs::of(panel, nodes, &seen);
    fold(panel, &signs, units)
        .or_else(|| in_rows(panel, survey, surface, units))
        .or_else(|| edge(panel, &signs, &seen, units))
        .or_else(|| ruled(panel, &signs, units))
        .or_else(|| off(panel, &signs, units))
}

/// Fewest placings left out as a whole, side by side and without a mend, that are no faults of
/// theirs.
const ROWS: usize = 3;
/// How well their spans agree, mm.
const SAME_SPAN_MM: f64 = 120.0;

/// Placings left out as a whole, side by side over the same span, with no slip that would mend
/// them: they all cross the same fold.
fn in_rows(panel: &Panel, survey: &Survey, surface: &Surface, units: Units) -> Option<Misfit> {
    for axis in 0..2 {
        // (middle of the span, line, where it bends most, how much the slope changes there)
        let mut own: Vec<[f64; 4]> = surface
            .misread
            .iter()
            .filter(|m| m.mend == Mend::Unknown)
            .filter_map(|m| survey.placings.get(m.placing))
            .filter(|p| p.toward[axis].abs() > 0.9)
            .filter_map(|p| {
                let places: Vec<(f64, f64)> = p
                    .taken()
                    .filter_map(|r| Some(([r.x, r.y][axis], r.value_mm?)))
                    .collect();
                let (first, last) = (places.first()?.0, places.last()?.0);
                let line = [p.readings.first()?.x, p.readings.first()?.y][1 - axis];
                let sign = if p.tool.reads_gaps() { -1.0 } else { 1.0 };
                let bend = places.windows(5).map(|w| {
                    let (a, b) = (w[2].0 - w[0].0, w[4].0 - w[2].0);
                    let change = (w[4].1 - w[2].1) / b - (w[2].1 - w[0].1) / a;
                    (w[2].0, sign * change * b.signum())
                });
                let (at, slope) = bend.max_by(|a, b| a.1.abs().total_cmp(&b.1.abs()))?;
                Some([(first + last) / 2.0, line, at, slope])
            })
            .collect();
        own.sort_by(|a, b| a[0].total_cmp(&b[0]).then(a[1].total_cmp(&b[1])));
        for k in 0..own.len() {
            let mut row: Vec<[f64; 4]> = own
                .iter()
                .filter(|o| (o[0] - own[k][0]).abs() <= SAME_SPAN_MM)
                .copied()
                .collect();
            row.sort_by(|a, b| a[1].total_cmp(&b[1]));
            row.dedup_by(|a, b| (a[1] - b[1]).abs() < 20.0);
            if row.len() < ROWS {
                continue;
            }
            let middle = |part: usize| {
                let mut all: Vec<f64> = row.iter().map(|o| o[part]).collect();
                all.sort_by(f64::total_cmp);
                all[all.len() / 2]
            };
            let line = Bend {
                slope: middle(3),
                at_mm: middle(2),
                across_deg: 90.0 * axis as f64,
            };
            let across = Signs {
                folds: [line, line],
                ..Signs::default()
            };
            // However small the bend itself: so many placings do not go wrong side by side.
            let sharp = Signs {
                folds: across.folds.map(|b| Bend {
                    slope: b.slope.signum() * b.slope.abs().max(FOLD * raised(panel)),
                    ..b
                }),
                ..across
            };
            return fold(panel, &sharp, units).map(|m| Misfit {
                seen: format!(
                    "{} placings side by side that cross it agree with none of the others",
                    row.len()
                ),
                ..m
            });
        }
    }
    None
}

/// Edges as they are named: axis and which end.
const EDGES: [(usize, bool); 4] = [(0, false), (0, true), (1, false), (1, true)];

fn axis_name(axis: usize) -> char {
    ['x', 'y'][axis]
}

/// "4.2 mm on 100", which is how a change of slope is felt.
fn slope_words(slope: f64) -> String {
    format!(
        "the slope changes there by {:.0} mm/m ({:.1} degrees) all along",
        slope.abs() * 1000.0,
        slope.abs().atan().to_degrees()
    )
}

fn fold(panel: &Panel, signs: &Signs, units: Units) -> Option<Misfit> {
    let [near, far] = signs.folds;
    let told = near.sharper(far);
    let bound = FOLD * raised(panel);
    if told.slope.abs() < bound {
        return None;
    }
    let soft = far.slope.abs() > SOFT * near.slope.abs();
    let what = match (soft, told.slope > 0.0) {
        (false, _) => "a crease",
        (true, false) => "a soft ridge",
        (true, true) => "a soft valley",
    };
    // The sharper base places it.
    let placed = if near.slope.abs() >= bound {
        near
    } else {
        told
    };
    let seen = slope_words(told.slope);
    let aligned = EDGES
        .iter()
        .find(|(axis, _)| turned(placed.across_deg, 90.0 * *axis as f64) <= TURN_DEG as f64 / 2.0)
        .map(|(axis, _)| *axis);
    let Some(axis) = aligned else {
        let [a, b] = ends(panel, placed)?;
        let spot =
            |p: [f64; 2]| format!("x {}, y {}", units.bare_place(p[0]), units.bare_place(p[1]));
        return Some(Misfit {
            looks_like: format!("{what} from {} to {}", spot(a), spot(b)),
            write: format!(
                "split the panel along that line into two, a panel.toml for each with the line as a side of its outline \
                 ({} to {}), each with the readings of its own side",
                spot(a),
                spot(b)
            ),
            seen,
        });
    };
    let [length, size] = [panel.length_mm, panel.width_mm];
    let end = [length, size][axis];
    let at = (placed.at_mm / ROUND_MM).round() * ROUND_MM;
    let (name, place) = (axis_name(axis), units.bare_place(at));
    let meant = match (soft, axis) {
        (true, 0) => {
            "; or, where it is meant to be so and straight along y, write form = \"ruled-y\""
        }
        (true, _) => {
            "; or, where it is meant to be so and straight along x, write form = \"ruled-x\""
        }
        (false, _) => "",
    };
    Some(Misfit {
        looks_like: format!("{what} near {name} {place}"),
        write: format!(
            "split the panel at {name} {place} into two, a panel.toml for {name} 0 to {place} and one for {name} {place} to {}, each \
             with the readings of its own side{meant}",
            units.bare_place(end)
        ),
        seen,
    })
}

/// By how much the bounds are raised on a small panel.
fn raised(panel: &Panel) -> f64 {
    (LARGE_MM / panel.length_mm.min(panel.width_mm)).max(1.0)
}

/// Angle between two undirected directions, degrees.
fn turned(a: f64, b: f64) -> f64 {
    let d = (a - b).abs() % 180.0;
    d.min(180.0 - d)
}

/// Where a line enters and leaves the panel's rectangle.
fn ends(panel: &Panel, line: Bend) -> Option<[[f64; 2]; 2]> {
    let (sin, cos) = line.across_deg.to_radians().sin_cos();
    let (l, w) = (panel.length_mm, panel.width_mm);
    let mut hits: Vec<[f64; 2]> = Vec::new();
    for x in [0.0, l] {
        hits.push([x, (line.at_mm - x * cos) / sin]);
    }
    for y in [0.0, w] {
        hits.push([(line.at_mm - y * sin) / cos, y]);
    }
    hits.retain(|p| {
        p.iter().all(|v| v.is_finite())
            && (-1.0..=l + 1.0).contains(&p[0])
            && (-1.0..=w + 1.0).contains(&p[1])
    });
    hits.sort_by(|a, b| a[0].total_cmp(&b[0]).then(a[1].total_cmp(&b[1])));
    Some([*hits.first()?, *hits.last()?])
}

fn edge(panel: &Panel, signs: &Signs, seen: &Seen, units: Units) -> Option<Misfit> {
    let across = match panel.form {
        Form::RuledX => Some(1),
        Form::RuledY => Some(0),
        Form::Flat | Form::Crowned => None,
    };
    let steep = signs.steep_share > STEEP_SHARE;
    let over = |k: usize| {
        let bound = if across == Some(EDGES[k].0) {
            ROLLED_SECTION
        } else {
            ROLLED
        };
        let bend = signs.edges[k].abs() / (bound * raised(panel));
        // A steep strip is an edge's where it begins there.
        let strip = if steep && signs.steep_mm[k] > 0.0 {
            2.0
        } else {
            0.0
        };
        f64::max(bend, strip)
    };
    let k = (0..4).max_by(|&a, &b| over(a).total_cmp(&over(b)))?;
    if over(k) < 1.0 {
        return steep.then(|| Misfit {
            looks_like: "a shape too steep for its frame".into(),
            write: "lay the panel's frame (its x and y) along the skin, or make a panel of its own of what slopes more than 0.3 \
                    against it, by outline"
                .into(),
            seen: format!(
                "{:.1} % of it slope more than 0.3 against its plane",
                100.0 * signs.steep_share
            ),
        });
    }
    let (axis, far) = EDGES[k];
    let size = [panel.length_mm, panel.width_mm][axis];
    let reach = seen.rolls_within(axis, far, size).max(signs.steep_mm[k]);
    let within = (reach / ROUND_MM).ceil() * ROUND_MM;
    let name = axis_name(axis);
    let edge = if far { size } else { 0.0 };
    // A section told ruled that bends over is a nose; so is what gets steep.
    let nose = signs.steep_mm[k] > 0.0 || across == Some(axis);
    let what = if nose {
        "a nose"
    } else {
        "an edge rolled over"
    };
    let (from, to) = if far {
        (0.0, size - within)
    } else {
        (within, size)
    };
    Some(Misfit {
        looks_like: format!(
            "{what} within {} of {name} {}",
            units.place(within),
            units.bare_place(edge)
        ),
        write: format!(
            "leave the strip out: write an outline from {name} {} to {name} {} (readings beyond it as ?), and treat the strip by \
             itself, by template",
            units.bare_place(from),
            units.bare_place(to)
        ),
        seen: slope_words(signs.edges[k]),
    })
}

fn ruled(panel: &Panel, signs: &Signs, _units: Units) -> Option<Misfit> {
    if matches!(panel.form, Form::RuledX | Form::RuledY) {
        return None;
    }
    let told = signs.told_mm;
    let better = |axis: usize| {
        let section = signs.section_mm[axis];
        (0..2)
            .map(|q| told[q] / section[q].max(0.004))
            .fold(f64::INFINITY, f64::min)
    };
    let axis = if better(0) > better(1) { 0 } else { 1 };
    if told[1] < RULED_MM || better(axis) < RULED * raised(panel) {
        return None;
    }
    // Curved along x: straight along y.
    let (along, form) = [("y", "ruled-y"), ("x", "ruled-x")][axis];
    Some(Misfit {
        looks_like: format!("a section ruled along {along}, not {}", word(panel.form)),
        write: format!("write form = \"{form}\""),
        seen: format!(
            "a section alike all along {along} fits {:.1} times better",
            better(axis)
        ),
    })
}

fn off(panel: &Panel, signs: &Signs, units: Units) -> Option<Misfit> {
    let told = match panel.form {
        Form::RuledX => signs.section_mm[1],
        Form::RuledY => signs.section_mm[0],
        Form::Flat | Form::Crowned => signs.told_mm,
    };
    let (looks_like, seen) = if told[2] > OFF_MM {
        (
            "a shape of its own".to_string(),
            format!(
                "a tenth of it stands more than {} off any {} shape",
                units.depth(told[2]),
                word(panel.form)
            ),
        )
    } else if signs.low_share > LOW_SHARE {
        (
            "a shape that most of the panel lies below".to_string(),
            format!(
                "{:.0} % of it lies below the shape told, more than lows ever cover",
                100.0 * signs.low_share
            ),
        )
    } else {
        return None;
    };
    Some(Misfit {
        looks_like,
        write: "look along it with a long batten for a fold, a ridge or a section: write the form it is meant to have (form = \"ruled-x\", \
                \"ruled-y\", \"crowned\" or \"flat\"), or split it into panels where it folds"
            .into(),
        seen,
    })
}

/// Heights on a coarse grid; NaN where nothing was read near.
struct Seen {
    step_mm: f64,
    z: Array2<f64>,
}

impl Seen {
    fn of(nodes: &Nodes) -> Seen {
        let mut stride = ((STEP_MM / nodes.grid.step_mm).round() as usize).max(1);
        while (nodes.grid.nx * nodes.grid.ny) as f64 / (stride * stride) as f64 > MOST_PLACES {
            stride += 1;
        }
        let z = Array2::from_shape_fn(
            (
                nodes.grid.ny.div_ceil(stride),
                nodes.grid.nx.div_ceil(stride),
            ),
            |(iy, ix)| {
                let n = (iy * stride, ix * stride);
                if nodes.reading_distance[n] <= FAR_MM {
                    nodes.height[n]
                } else {
                    f64::NAN
                }
            },
        );
        Seen {
            step_mm: stride as f64 * nodes.grid.step_mm,
            z,
        }
    }

    /// Between the places, straight along both axes; NaN off what was seen.
    fn at(&self, x: f64, y: f64) -> f64 {
        let (u, v) = (x / self.step_mm, y / self.step_mm);
        let (ny, nx) = self.z.dim();
        if u < 0.0 || v < 0.0 || u > (nx - 1) as f64 || v > (ny - 1) as f64 {
            return f64::NAN;
        }
        let (i, j) = (
            (u as usize).min(nx.saturating_sub(2)),
            (v as usize).min(ny.saturating_sub(2)),
        );
        let (p, q) = (u - i as f64, v - j as f64);
        let z = |dj: usize, di: usize| self.z.get([j + dj, i + di]).copied().unwrap_or(f64::NAN);
        // A weight of nothing must not spread a NaN.
        let part = |w: f64, z: f64| if w > 1e-9 { w * z } else { 0.0 };
        part((1.0 - p) * (1.0 - q), z(0, 0))
            + part(p * (1.0 - q), z(0, 1))
            + part((1.0 - p) * q, z(1, 0))
            + part(p * q, z(1, 1))
    }

    /// How far from an edge the panel bends over, mm: as far as its middle line bends by a quarter
    /// of what it does there.
    fn rolls_within(&self, axis: usize, far: bool, size: f64) -> f64 {
        let lines = self.z.dim();
        let count = [lines.1, lines.0][axis];
        let middle = |k: usize| {
            let line = if axis == 0 {
                self.z.column(k)
            } else {
                self.z.row(k)
            };
            let mut line: Vec<f64> = line.iter().copied().filter(|z| z.is_finite()).collect();
            line.sort_by(f64::total_cmp);
            quantile(&line, 0.5)
        };
        let mut profile: Vec<f64> = (0..count).map(middle).collect();
        if far {
            profile.reverse();
        }
        let half = ((NARROWEST_MM / self.step_mm).round() as usize).max(1);
        let bends: Vec<f64> = (half..count.saturating_sub(half))
            .map(|k| (profile[k + half] + profile[k - half] - 2.0 * profile[k]).abs())
            .take_while(|b| b.is_finite())
            .collect();
        let most = bends.iter().take(4).fold(0.0, |m: f64, b| m.max(*b));
        let calm = bends
            .iter()
            .position(|b| *b < most / 4.0)
            .unwrap_or(bends.len());
        ((calm + half) as f64 * self.step_mm).clamp(NARROWEST_MM, size / 3.0)
    }

    fn places(&self) -> impl Iterator<Item = (f64, f64, f64)> + '_ {
        self.z
            .indexed_iter()
            .filter(|(_, z)| z.is_finite())
            .map(|((iy, ix), z)| (ix as f64 * self.step_mm, iy as f64 * self.step_mm, *z))
    }
}

/// A share of sorted values.
fn quantile(sorted: &[f64], share: f64) -> f64 {
    let k = (share * sorted.len().saturating_sub(1) as f64).round() as usize;
    sorted.get(k).copied().unwrap_or(f64::NAN)
}

/// Lines across one direction: for each, quartiles of the change of slope over ±`half`, where the
/// line is long enough.
struct Lines {
    across_deg: f64,
    half_mm: f64,
    step_mm: f64,
    /// Distance of line 0 from the datum corner, mm, negative.
    back_mm: f64,
    told: Vec<Option<[f64; 3]>>,
}

impl Lines {
    fn of(seen: &Seen, panel: &Panel, across_deg: f64, half_mm: f64) -> Lines {
        let (sin, cos) = across_deg.to_radians().sin_cos();
        let (b, step) = (half_mm, seen.step_mm);
        let least = LINE_SHARE * panel.length_mm.min(panel.width_mm);
        let back = panel.length_mm * (-cos).max(0.0);
        let across = panel.length_mm * cos.abs() + panel.width_mm * sin.abs();
        let mut lines: Vec<Vec<f64>> = vec![Vec::new(); (across / step) as usize + 2];
        for (x, y, z) in seen.places() {
            let change = (seen.at(x + b * cos, y + b * sin) + seen.at(x - b * cos, y - b * sin)
                - 2.0 * z)
                / b;
            if change.is_finite() {
                let s = x * cos + y * sin + back;
                if let Some(line) = lines.get_mut((s / step).round() as usize) {
                    line.push(change);
                }
            }
        }
        let told = lines
            .iter_mut()
            .map(|line| {
                // A line one step wide holds as many places as it is steps long.
                (line.len() as f64 * step >= least).then(|| {
                    line.sort_by(f64::total_cmp);
                    [0.25, 0.5, 0.75].map(|share| quantile(line, share))
                })
            })
            .collect();
        Lines {
            across_deg,
            half_mm,
            step_mm: step,
            back_mm: back,
            told,
        }
    }

    fn quartiles(&self, k: usize) -> Option<[f64; 3]> {
        self.told.get(k).copied().flatten()
    }

    /// How much more a line bends than what lies beside it, by the quartile nearer to that: three
    /// quarters of the line bend at least so.
    fn beyond(&self, k: usize, beside: &[f64]) -> f64 {
        let Some([low, _, high]) = self.quartiles(k) else {
            return 0.0;
        };
        let most = beside.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let least = beside.iter().copied().fold(f64::INFINITY, f64::min);
        if low > most {
            low - most
        } else if high < least {
            high - least
        } else {
            0.0
        }
    }

    fn aside(&self) -> usize {
        ((2.0 * self.half_mm / self.step_mm).round() as usize).max(1)
    }

    /// The sharpest bend with panel on both sides: beyond both neighbours, so that a section whose
    /// curve grows evenly is no fold.
    fn fold(&self) -> Bend {
        let aside = self.aside();
        (aside..self.told.len())
            .filter_map(|k| {
                let beside = [self.quartiles(k - aside)?[1], self.quartiles(k + aside)?[1]];
                Some(Bend {
                    slope: self.beyond(k, &beside),
                    at_mm: k as f64 * self.step_mm - self.back_mm,
                    across_deg: self.across_deg,
                })
            })
            .fold(Bend::default(), Bend::sharper)
    }

    /// The bend beside the first (or last) edge against what lies inward.
    fn edge(&self, far: bool) -> f64 {
        let known: Vec<usize> = (0..self.told.len())
            .filter(|&k| self.told[k].is_some())
            .collect();
        let aside = self.aside();
        let (outer, inner) = match (known.first(), known.last()) {
            (Some(&first), _) if !far => (first, first + aside),
            (_, Some(&last)) if last >= aside => (last, last - aside),
            _ => return 0.0,
        };
        self.quartiles(inner)
            .map_or(0.0, |beside| self.beyond(outer, &[beside[1]]))
    }
}

impl Signs {
    /// Of a found height.
    pub fn of_nodes(panel: &Panel, nodes: &Nodes) -> Signs {
        Signs::of(panel, nodes, &Seen::of(nodes))
    }

    fn of(panel: &Panel, nodes: &Nodes, seen: &Seen) -> Signs {
        let most = BASE_SHARE * panel.length_mm.min(panel.width_mm);
        let halves = HALF_BASES_MM.map(|b| b.min(most));
        let folds = halves.map(|half| {
            (0..180 / TURN_DEG)
                .into_par_iter()
                .map(|t| Lines::of(seen, panel, (t * TURN_DEG) as f64, half).fold())
                .reduce(Bend::default, Bend::sharper)
        });
        let mut signs = Signs {
            folds,
            ..Signs::default()
        };
        for (k, (axis, far)) in EDGES.into_iter().enumerate() {
            signs.edges[k] = Lines::of(seen, panel, 90.0 * axis as f64, halves[0]).edge(far);
        }
        signs.steep(panel, nodes);
        signs.form(panel, seen);
        signs
    }

    /// Steep places that were read, how far from each edge they reach where they begin there, and
    /// what is low.
    fn steep(&mut self, panel: &Panel, nodes: &Nodes) {
        let steep = nodes::steep(nodes);
        let (mut all, mut low, mut known, mut count) = (0.0f64, 0.0, 0.0f64, 0.0);
        let grid = nodes.grid;
        let size = [panel.length_mm, panel.width_mm];
        // Steep places within a strip along each edge, by their distance from it.
        let mut strips: [Vec<f64>; 4] = Default::default();
        for (n, state) in nodes.state.indexed_iter() {
            if *state == NodeState::Outside {
                continue;
            }
            all += 1.0;
            if nodes.reading_distance[n] > FAR_MM {
                continue;
            }
            known += 1.0;
            low += f64::from(u8::from(nodes.fairness[n] < -panel.node_limit_mm));
            if steep[n] {
                count += 1.0;
                let place = [grid.x(n.1), grid.y(n.0)];
                for (strip, (axis, far)) in strips.iter_mut().zip(EDGES) {
                    let from = if far {
                        size[axis] - place[axis]
                    } else {
                        place[axis]
                    };
                    strip.push(from);
                }
            }
        }
        self.steep_share = count / all.max(1.0);
        self.low_share = low / known.max(1.0);
        for (k, strip) in strips.iter_mut().enumerate() {
            strip.sort_by(f64::total_cmp);
            // Nearly all of it lies in the outer third: it is that edge's.
            let reach = quantile(strip, 0.95);
            if reach < size[EDGES[k].0] / 3.0 {
                self.steep_mm[k] = reach;
            }
        }
    }

    /// What the told form's own curves leave, and what is left with a section besides.
    fn form(&mut self, panel: &Panel, seen: &Seen) {
        let places: Vec<[f64; 3]> = seen
            .places()
            .map(|(x, y, z)| {
                let scaled = |v: f64, size: f64| 2.0 * v / size - 1.0;
                [scaled(x, panel.length_mm), scaled(y, panel.width_mm), z]
            })
            .collect();
        let sd = if panel.form == Form::Crowned {
            0.5
        } else {
            0.15
        };
        let powers: [[i32; 2]; 10] = [
            [0, 0],
            [1, 0],
            [0, 1],
            [2, 0],
            [1, 1],
            [0, 2],
            [3, 0],
            [2, 1],
            [1, 2],
            [0, 3],
        ];
        let told: Vec<Column> = powers
            .iter()
            .map(|&[p, q]| Column {
                powers: [p, q],
                sd_mm: if p + q < 3 { f64::INFINITY } else { sd },
            })
            .collect();
        let with = |axis: usize| {
            let section = (3..=6).map(|degree| Column {
                powers: if axis == 0 { [degree, 0] } else { [0, degree] },
                sd_mm: f64::INFINITY,
            });
            // The section's own cubic is free: the told one goes.
            let own = told
                .iter()
                .copied()
                .filter(|c| c.powers != [[3, 0], [0, 3]][axis]);
            own.chain(section).collect::<Vec<_>>()
        };
        let columns = [told.clone(), with(0), with(1)];
        let left: Vec<[f64; 3]> = columns.par_iter().map(|c| left_by(c, &places)).collect();
        if let [told, x, y] = left[..] {
            self.told_mm = told;
            self.section_mm = [x, y];
        }
    }
}

/// One column of a form: u^p·v^q over the panel scaled to −1 … 1, and the standard deviation of its
/// prior, mm.
#[derive(Clone, Copy)]
struct Column {
    powers: [i32; 2],
    sd_mm: f64,
}

/// Rounds of Huber's weights (Huber 1964; 1.345 scales, from memory): lows and highs must not bend
/// the form.
const ROUNDS: usize = 6;
const HUBER: f64 = 1.345;
/// Places that a prior counts as.
const PRIOR_PLACES: f64 = 0.001;

/// What a sum of columns leaves of the heights `[u, v, z]`: middle, four fifths and nine tenths of
/// its size, mm; NaN where it cannot be solved.
fn left_by(columns: &[Column], places: &[[f64; 3]]) -> [f64; 3] {
    let n = places.len();
    let held: Vec<usize> = (0..columns.len())
        .filter(|&c| columns[c].sd_mm.is_finite())
        .collect();
    let value =
        |k: usize, c: &Column| places[k][0].powi(c.powers[0]) * places[k][1].powi(c.powers[1]);
    let mut weights = vec![1.0f64; n];
    let mut sizes = vec![f64::NAN; n];
    for _ in 0..ROUNDS {
        let mut a = Array2::zeros((n + held.len(), columns.len()));
        let mut right = vec![0.0; n + held.len()];
        for (k, w) in weights.iter().enumerate() {
            let root = w.sqrt();
            for (c, column) in columns.iter().enumerate() {
                a[[k, c]] = root * value(k, column);
            }
            right[k] = root * places[k][2];
        }
        let sum: f64 = weights.iter().sum();
        for (row, &c) in held.iter().enumerate() {
            a[[n + row, c]] = (PRIOR_PLACES * sum).sqrt() / columns[c].sd_mm;
        }
        let Ok(fit) = least_squares::solve(&a, &right) else {
            return [f64::NAN; 3];
        };
        let fitted = a.dot(&Array1::from(fit.coef));
        for k in 0..n {
            sizes[k] = ((right[k] - fitted[k]) / weights[k].sqrt()).abs();
        }
        let mut sorted = sizes.clone();
        sorted.sort_by(f64::total_cmp);
        let scale = (1.4826 * quantile(&sorted, 0.5)).max(0.01);
        for (w, l) in weights.iter_mut().zip(&sizes) {
            *w = (HUBER * scale / l.max(1e-12)).min(1.0);
        }
    }
    sizes.sort_by(f64::total_cmp);
    [0.5, 0.8, 0.9].map(|share| quantile(&sizes, share))
}
