//! Readings left out that line up over several placings: no slips of the pen but a seam, a ridge or
//! a groove, narrower than the field expects. They are put back, and told by name.
//!
//! Slips of the pen lie anywhere; a seam is met by most placings that cross its line, always at the
//! crossing and always to the same side. Bounds are ours, set on simulated surveys.

use super::robust::Deleted;
use super::system::System;
use crate::observe::Survey;

/// How far from the line a reading of it may lie, mm: half a step of 50 mm, and a little for the
/// seam's own breadth.
const BESIDE_MM: f64 = 32.0;
/// Fewest placings, on lines of their own, that meet it.
const FEWEST: usize = 3;
/// Share of the placings that cross between its ends that meet it.
const SHARE: f64 = 0.6;
/// Placings closer than this along the line count as one, mm: a placing taken again is no second
/// witness.
const APART_MM: f64 = 20.0;
/// Most readings left out that are looked at, pair by pair.
const MOST: usize = 80;

/// A line of readings that were left out one by one.
#[derive(Clone, Debug, PartialEq)]
pub struct Seam {
    /// Its ends, mm.
    pub ends: [[f64; 2]; 2],
    /// How far its readings stand from what the others lead one to expect, middle value, mm of
    /// height: positive is proud.
    pub height_mm: f64,
    /// Placings (index in the survey) that meet it, in order along it.
    pub placings: Vec<usize>,
    /// Their rows.
    pub(super) rows: Vec<usize>,
}

/// A reading left out: its row and placing, where it lies, and how far off it is as a height, mm.
struct Off {
    row: usize,
    placing: usize,
    at: [f64; 2],
    height_mm: f64,
}

/// Seams among rows left out by themselves, each as all others predict it.
pub(super) fn seams(
    system: &System,
    survey: &Survey,
    y: &[f64],
    left_out: &[Deleted],
) -> Vec<Seam> {
    let mut off: Vec<Off> = left_out
        .iter()
        .filter_map(|d| {
            let row = system.rows.get(d.row)?;
            let &[x, v, weight] = row.points.first()?;
            let sign = if weight < 0.0 { -1.0 } else { 1.0 };
            Some(Off {
                row: d.row,
                placing: row.placing,
                at: [x, v],
                height_mm: sign * (y[d.row] - d.expected),
            })
        })
        .collect();
    off.sort_by(|a, b| b.height_mm.abs().total_cmp(&a.height_mm.abs()));
    off.truncate(MOST);
    let mut found: Vec<Seam> = Vec::new();
    loop {
        let free: Vec<&Off> = off
            .iter()
            .filter(|o| !found.iter().any(|s| s.rows.contains(&o.row)))
            .collect();
        let mut best: Option<Seam> = None;
        for (k, a) in free.iter().enumerate() {
            for b in &free[k + 1..] {
                let seam = through(survey, &free, a, b);
                let more = |s: &Seam| {
                    best.as_ref()
                        .is_none_or(|b| s.placings.len() > b.placings.len())
                };
                if let Some(seam) = seam.filter(more) {
                    best = Some(seam);
                }
            }
        }
        match best {
            Some(seam) => found.push(seam),
            None => return found,
        }
    }
}

/// The seam along the line through two readings left out, where it is one.
fn through(survey: &Survey, all: &[&Off], a: &Off, b: &Off) -> Option<Seam> {
    let [dx, dy] = [b.at[0] - a.at[0], b.at[1] - a.at[1]];
    let length = dx.hypot(dy);
    if a.placing == b.placing || length < APART_MM || a.height_mm * b.height_mm <= 0.0 {
        return None;
    }
    let toward = [dx / length, dy / length];
    let along = |p: [f64; 2]| (p[0] - a.at[0]) * toward[0] + (p[1] - a.at[1]) * toward[1];
    let beside = |p: [f64; 2]| ((p[1] - a.at[1]) * toward[0] - (p[0] - a.at[0]) * toward[1]).abs();
    // A placing that runs along the line tells nothing of it.
    let crosses = |placing: usize| {
        survey
            .placings
            .get(placing)
            .is_some_and(|p| (p.toward[0] * toward[0] + p.toward[1] * toward[1]).abs() < 0.7)
    };
    let mut hits: Vec<&&Off> = all
        .iter()
        .filter(|o| {
            o.height_mm * a.height_mm > 0.0 && beside(o.at) <= BESIDE_MM && crosses(o.placing)
        })
        .collect();
    hits.sort_by(|p, q| along(p.at).total_cmp(&along(q.at)));
    let (first, last) = (hits.first()?, hits.last()?);
    let span = [along(first.at), along(last.at)];
    // Lines that meet it, each once.
    let apart = |mut places: Vec<f64>| {
        places.sort_by(f64::total_cmp);
        places.dedup_by(|later, kept| *later - *kept < APART_MM);
        places.len()
    };
    let met = apart(hits.iter().map(|o| along(o.at)).collect());
    let crossing = apart(
        survey
            .placings
            .iter()
            .enumerate()
            .filter(|(p, _)| crosses(*p))
            .filter_map(|(_, p)| {
                // Where it was read next to the line, on both sides of it.
                let near = p
                    .taken()
                    .map(|r| [r.x, r.y])
                    .min_by(|p, q| beside(*p).total_cmp(&beside(*q)))?;
                let s = along(near);
                (beside(near) <= BESIDE_MM && s >= span[0] - 1.0 && s <= span[1] + 1.0).then_some(s)
            })
            .collect(),
    );
    if met < FEWEST || (met as f64) < SHARE * crossing as f64 {
        return None;
    }
    let mut heights: Vec<f64> = hits.iter().map(|o| o.height_mm).collect();
    heights.sort_by(f64::total_cmp);
    let mut placings: Vec<usize> = hits.iter().map(|o| o.placing).collect();
    placings.dedup();
    Some(Seam {
        ends: [first.at, last.at],
        height_mm: heights[heights.len() / 2],
        placings,
        rows: hits.iter().map(|o| o.row).collect(),
    })
}
