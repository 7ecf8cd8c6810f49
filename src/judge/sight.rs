//! Which waves a survey can see at all: the shortest along each axis, those a wave gauge is blind
//! to, directions not tied.

use super::nodes::Reach;
use super::{Sight, SightRow};
use crate::observe::{Placing, Survey, Tool};

/// Middle pitch of the placings that run along x (`along_y` false) or along y, mm: the finest of
/// the tools.
pub fn pitch_along_mm(survey: &Survey, along_y: bool) -> Option<f64> {
    Tool::ALL
        .into_iter()
        .filter_map(|tool| {
            let mut pitches: Vec<f64> = survey
                .placings
                .iter()
                .filter(|p| p.tool == tool)
                .filter(|p| (p.toward[1].abs() > p.toward[0].abs()) == along_y)
                .filter_map(Placing::pitch_mm)
                .collect();
            let grids = survey.placings.iter().filter(|p| p.tool == tool);
            pitches.extend(grids.filter_map(|p| p.grid_pitch_mm()[usize::from(along_y)]));
            pitches.sort_by(f64::total_cmp);
            pitches.get(pitches.len() / 2).copied()
        })
        .min_by(f64::total_cmp)
}

/// A wave gauge answers a wave of length λ with 1 − cos(πL/λ) of its height, L being its base:
/// nothing at λ = L/2, L/4 …
const BLIND_FRACTIONS: [f64; 2] = [2.0, 4.0];
/// Waves this close to a blind one are hardly seen either, as a share (the gauge answers with less
/// than a twentieth of them).
const NEARLY_BLIND: f64 = 0.05;

/// What the survey sees. A wave needs two readings a wavelength (sampling theorem), and two knots
/// of the surface's splines.
pub fn sight(survey: &Survey, reach: &Reach, knots_mm: [f64; 2]) -> Sight {
    let shortest = |along_y: bool| {
        pitch_along_mm(survey, along_y).map(|p| 2.0 * p.max(knots_mm[usize::from(along_y)]))
    };
    let (along_x_mm, along_y_mm) = (shortest(false), shortest(true));
    let mut untied = Vec::new();
    if reach.one_way() {
        let (seen, other) = match (along_x_mm, along_y_mm) {
            (Some(_), None) => ("along x", "along y"),
            (None, Some(_)) => ("along y", "along x"),
            _ => ("one way", "across it"),
        };
        untied.push(format!(
            "all placings run {seen}: what lies between them is held by nothing; take some {other}"
        ));
    }
    Sight {
        along_x_mm,
        along_y_mm,
        blind_mm: blind(survey),
        untied,
        rows: rows(survey, knots_mm),
    }
}

/// Wavelengths that no tool of the survey sees, mm, shortest first: only where every placing is a
/// wave gauge's, those to which all bases are blind.
fn blind(survey: &Survey) -> Vec<f64> {
    let gauges = survey.placings.iter().filter(|p| p.base_mm > 0.0);
    if survey.placings.iter().any(|p| p.tool != Tool::WaveGauge) {
        return Vec::new();
    }
    let mut bases: Vec<f64> = gauges.map(|p| p.base_mm).collect();
    bases.sort_by(f64::total_cmp);
    bases.dedup_by(|a, b| (*a - *b).abs() < 0.5);
    let Some((first, others)) = bases.split_first() else {
        return Vec::new();
    };
    let mut waves: Vec<f64> = BLIND_FRACTIONS
        .iter()
        .map(|part| first / part)
        .filter(|wave| {
            others.iter().all(|base| {
                BLIND_FRACTIONS
                    .iter()
                    .any(|part| (base / part / wave - 1.0).abs() < NEARLY_BLIND)
            })
        })
        .collect();
    waves.sort_by(f64::total_cmp);
    waves
}

/// Which way a placing runs; within 10° of an axis it counts as along it.
fn direction(placing: &Placing) -> &'static str {
    const ASKEW: f64 = 0.17;
    if placing.toward[1].abs() < ASKEW {
        "along x"
    } else if placing.toward[0].abs() < ASKEW {
        "along y"
    } else {
        "askew"
    }
}

fn rows(survey: &Survey, knots_mm: [f64; 2]) -> Vec<SightRow> {
    let mut out = Vec::new();
    for way in ["along x", "along y", "askew"] {
        for tool in Tool::ALL {
            let own: Vec<&Placing> = survey
                .placings
                .iter()
                .filter(|p| p.tool == tool && direction(p) == way)
                .collect();
            if own.is_empty() {
                continue;
            }
            let mut pitches: Vec<f64> = own
                .iter()
                .flat_map(|p| [p.pitch_mm()].into_iter().chain(p.grid_pitch_mm()))
                .flatten()
                .collect();
            pitches.sort_by(f64::total_cmp);
            let pitch_mm = pitches.get(pitches.len() / 2).copied();
            let knots = match way {
                "along x" => knots_mm[0],
                "along y" => knots_mm[1],
                _ => knots_mm[0].max(knots_mm[1]),
            };
            let mut blind_mm: Vec<f64> = own
                .iter()
                .filter(|p| tool == Tool::WaveGauge && p.base_mm > 0.0)
                .flat_map(|p| BLIND_FRACTIONS.map(|part| p.base_mm / part))
                .collect();
            blind_mm.sort_by(|a, b| b.total_cmp(a));
            blind_mm.dedup_by(|a, b| (*a - *b).abs() < 0.5);
            out.push(SightRow {
                direction: way,
                tool: tool.word(),
                placings: own.len(),
                pitch_mm,
                shortest_mm: pitch_mm.map(|p| 2.0 * p.max(knots)),
                blind_mm,
            });
        }
    }
    out
}

/// Base of the widest wave gauge, where every placing is a wave gauge's, mm.
pub fn widest_gauge_mm(survey: &Survey) -> Option<f64> {
    let gauges = survey.placings.iter().all(|p| p.tool == Tool::WaveGauge);
    let widest = survey
        .placings
        .iter()
        .map(|p| p.base_mm)
        .max_by(f64::total_cmp);
    widest.filter(|_| gauges)
}

impl Sight {
    /// The shortest wave seen in every direction that was measured, mm: the worse of the two.
    pub fn shortest_mm(&self) -> Option<f64> {
        match (self.along_x_mm, self.along_y_mm) {
            (Some(a), Some(b)) => Some(a.max(b)),
            (a, b) => a.or(b),
        }
    }
}
