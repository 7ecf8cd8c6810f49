//! Which waves a survey can see at all: the shortest along each axis, those a wave gauge is blind to, directions not tied.

use super::Sight;
use super::nodes::Reach;
use crate::observe::{Placing, Survey, Tool};

/// Middle pitch of the placings that run along x (`along_y` false) or along y, mm: the finest of the tools.
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
            pitches.sort_by(f64::total_cmp);
            pitches.get(pitches.len() / 2).copied()
        })
        .min_by(f64::total_cmp)
}

/// What the survey sees. A wave needs two readings a wavelength (sampling theorem), and two knots of the surface's splines.
pub fn sight(survey: &Survey, reach: &Reach, knots_mm: [f64; 2]) -> Sight {
    let shortest = |along_y: bool| {
        pitch_along_mm(survey, along_y).map(|p| 2.0 * p.max(knots_mm[usize::from(along_y)]))
    };
    let mut blind: Vec<f64> = survey
        .placings
        .iter()
        .filter(|p| p.tool == Tool::WaveGauge && p.base_mm > 0.0)
        .flat_map(|p| [p.base_mm / 2.0, p.base_mm / 4.0])
        .collect();
    blind.sort_by(f64::total_cmp);
    blind.dedup_by(|a, b| (*a - *b).abs() < 0.5);
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
        blind_mm: blind,
        untied,
    }
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
