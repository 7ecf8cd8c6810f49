//! A check by hand: where to lay the edge, what gap to expect there by the map, and what a fair
//! panel would give.

use crate::judge::{Grid, Judgement, RegionKind};
use ndarray::Array2;
use serde::Serialize;

/// Lines told.
const TOLD: usize = 3;
/// Steps of packers, mm.
const PACKER_MM: f64 = 5.0;

/// One line to try.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Line {
    /// Length of the edge, mm.
    pub edge_mm: f64,
    /// `x` or `y`: along which the edge lies.
    pub along: &'static str,
    /// Its ends, mm.
    pub from_mm: [f64; 2],
    /// Its ends, mm.
    pub to_mm: [f64; 2],
    /// Height of the packers it stands on at both ends, mm; 0 where it touches the panel there.
    pub packers_mm: f64,
    /// Gap at the middle by the map, mm.
    pub expect_mm: f64,
    /// Half its 95 % interval, mm.
    pub give_or_take_mm: f64,
    /// Gap at the middle on the fair shape, mm.
    pub fair_mm: f64,
    /// Name of the low or high it crosses; empty for a fair place.
    pub over: String,
}

/// Lines over the worst low, the worst high and the fairest place, as far as an edge of `edge_mm`
/// fits there.
pub fn lines(j: &Judgement, edge_mm: f64) -> Vec<Line> {
    let worst = |kind: RegionKind| {
        j.regions
            .iter()
            .filter(|r| r.kind == kind && r.worst_mm.value.is_finite())
            .max_by(|a, b| a.worst_mm.value.abs().total_cmp(&b.worst_mm.value.abs()))
    };
    let mut out: Vec<Line> = [RegionKind::Low, RegionKind::High]
        .into_iter()
        .filter_map(worst)
        .filter_map(|r| best_over(j, edge_mm, r.worst_at, &r.name))
        .collect();
    out.extend(fairest(j, edge_mm));
    out.truncate(TOLD);
    out
}

/// The edge with its middle nearest to a place, along x or y: where map and fair shape differ most.
fn best_over(j: &Judgement, edge_mm: f64, at: [f64; 2], name: &str) -> Option<Line> {
    [0, 1]
        .into_iter()
        .filter_map(|axis| fitted(j, edge_mm, at, axis))
        .max_by(|a, b| {
            (a.expect_mm - a.fair_mm)
                .abs()
                .total_cmp(&(b.expect_mm - b.fair_mm).abs())
        })
        .map(|line| Line {
            over: name.to_string(),
            ..line
        })
}

/// An edge along an axis with a place as near its middle as the panel allows.
fn fitted(j: &Judgement, edge_mm: f64, at: [f64; 2], axis: usize) -> Option<Line> {
    let grid = j.nodes.grid;
    let half = (edge_mm / 2.0 / grid.step_mm).round() as isize;
    let (count, across) = if axis == 0 {
        (grid.nx, (at[1] / grid.step_mm).round() as usize)
    } else {
        (grid.ny, (at[0] / grid.step_mm).round() as usize)
    };
    let wanted = (at[axis] / grid.step_mm).round() as isize;
    let last = count as isize - 1 - half;
    // Nearest first; the place must stay within a quarter of the edge of its middle.
    (0..=half / 2)
        .flat_map(|k| [wanted - k, wanted + k])
        .filter(|m| (half..=last).contains(m))
        .find_map(|m| line_at(j, axis, across, m as usize, half as usize))
}

/// The line with its middle at node `m` along `axis`, `half` nodes to each side.
fn line_at(j: &Judgement, axis: usize, across: usize, m: usize, half: usize) -> Option<Line> {
    let nodes = &j.nodes;
    let grid = nodes.grid;
    let at = |k: usize| if axis == 0 { (across, k) } else { (k, across) };
    let read = |of: &Array2<f64>, k: usize| of.get(at(k)).copied().filter(|v| v.is_finite());
    let fair = |k: usize| Some(read(&nodes.height, k)? - read(&nodes.fairness, k)?);
    let (a, b) = (m.checked_sub(half)?, m + half);
    // The whole line must be on the panel and known.
    let heights: Vec<f64> = (a..=b)
        .map(|k| read(&nodes.height, k))
        .collect::<Option<_>>()?;
    let smooth: Vec<f64> = (a..=b).map(fair).collect::<Option<_>>()?;
    let rise = |z: &[f64]| rise_over_chord(z);
    let rises = rise(&heights).max(rise(&smooth));
    let packers_mm = if rises > 0.05 {
        (rises / PACKER_MM).ceil() * PACKER_MM
    } else {
        0.0
    };
    let sd = |k: usize| read(&nodes.sd, k);
    let spread = (sd(m)?.powi(2) + (sd(a)?.powi(2) + sd(b)?.powi(2)) / 4.0).sqrt();
    let gap = |z: &[f64]| -> f64 {
        let (first, middle, last) = (z[0], z[half], z[2 * half]);
        (packers_mm + (first + last) / 2.0 - middle).max(0.0)
    };
    let place = |k: usize| {
        let n = at(k);
        [grid.x(n.1), grid.y(n.0)]
    };
    Some(Line {
        edge_mm: 2.0 * half as f64 * grid.step_mm,
        along: ["x", "y"][axis],
        from_mm: place(a),
        to_mm: place(b),
        packers_mm,
        expect_mm: gap(&heights),
        give_or_take_mm: 1.96 * spread,
        fair_mm: gap(&smooth),
        over: String::new(),
    })
}

/// How far a profile rises above the line between its ends, mm.
fn rise_over_chord(z: &[f64]) -> f64 {
    let n = z.len().saturating_sub(1).max(1) as f64;
    let (Some(first), Some(last)) = (z.first(), z.last()) else {
        return 0.0;
    };
    z.iter()
        .enumerate()
        .map(|(k, v)| v - (first + (last - first) * k as f64 / n))
        .fold(0.0, f64::max)
}

/// The line whose map and fair shape differ least, of those on a coarse lattice.
fn fairest(j: &Judgement, edge_mm: f64) -> Option<Line> {
    let grid = j.nodes.grid;
    let every = 100.0f64.max(grid.step_mm);
    places(grid, every)
        .into_iter()
        .flat_map(|p| [0, 1].map(|axis| (p, axis)))
        .filter_map(|(p, axis)| fitted(j, edge_mm, p, axis))
        .min_by(|a, b| {
            let off = |l: &Line| (l.expect_mm - l.fair_mm).abs() + l.give_or_take_mm;
            off(a).total_cmp(&off(b))
        })
}

fn places(grid: Grid, every: f64) -> Vec<[f64; 2]> {
    let stride = (every / grid.step_mm).round().max(1.0) as usize;
    (0..grid.ny)
        .step_by(stride)
        .flat_map(|iy| {
            (0..grid.nx)
                .step_by(stride)
                .map(move |ix| [grid.x(ix), grid.y(iy)])
        })
        .collect()
}
