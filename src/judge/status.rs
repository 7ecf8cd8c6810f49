//! What became of the fit, in a word and a sentence.

use super::nodes::{FAR_MM, Reach};
use super::{NodeState, Nodes};
use crate::fit;
use crate::units::Units;
use ndarray::Array2;
use serde::Serialize;

/// Share of the panel that may lie far from readings, or have readings one way only, before the
/// status says so.
const NOTED_SHARE: f64 = 0.05;

/// What became of the fit. Where more than one holds, the first of this list that does.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum FitStatus {
    /// The search for noise and waviness ran out of rounds.
    NotSettled,
    /// So few readings that noise and waviness can hardly be told apart.
    FewReadings,
    /// Readings run one way only, on the whole panel or a good part of it: what lies between the
    /// lines is not tied.
    IllTied,
    /// A good part of the panel lies far from any reading: there the surface is what the penalty
    /// makes of it.
    HeldByPenalty,
    /// Readings carry the surface.
    Solved,
    /// There are no readings, and no surface.
    NotFitted,
}

impl FitStatus {
    /// The word in report.json.
    pub fn word(self) -> &'static str {
        match self {
            FitStatus::NotSettled => "not-settled",
            FitStatus::FewReadings => "few-readings",
            FitStatus::IllTied => "ill-tied",
            FitStatus::HeldByPenalty => "held-by-penalty",
            FitStatus::Solved => "solved",
            FitStatus::NotFitted => "not-fitted",
        }
    }
}

/// The status with its sentence.
pub fn status(
    of: fit::Status,
    nodes: &Nodes,
    areas_mm2: &Array2<f64>,
    reach: &Reach,
    units: Units,
) -> (FitStatus, String) {
    let grid = nodes.grid;
    let (mut all, mut far, mut one_way) = (0.0, 0.0, 0.0);
    for (n, area) in areas_mm2.indexed_iter() {
        if nodes.state[n] == NodeState::Outside {
            continue;
        }
        all += area;
        if nodes.reading_distance[n] > FAR_MM {
            far += area;
        } else if !reach.tied_both_ways(grid.x(n.1), grid.y(n.0)) {
            one_way += area;
        }
    }
    let share = |part: f64| if all > 0.0 { part / all } else { 1.0 };
    let percent = |part: f64| format!("{:.0} %", (100.0 * share(part)).max(1.0));
    match of {
        fit::Status::NotSettled => (FitStatus::NotSettled, of.sentence().to_string()),
        fit::Status::FewReadings => (FitStatus::FewReadings, of.sentence().to_string()),
        fit::Status::Solved if share(one_way) > NOTED_SHARE => (
            FitStatus::IllTied,
            format!(
                "ill-tied: {} of the panel has readings in one direction only, and heights between them are not held",
                percent(one_way)
            ),
        ),
        fit::Status::Solved if share(far) > NOTED_SHARE => (
            FitStatus::HeldByPenalty,
            format!(
                "parts held by the penalty alone: {} of the panel is more than {} from a reading, and the surface there is a \
                 guess",
                percent(far),
                units.place(FAR_MM)
            ),
        ),
        fit::Status::Solved => (FitStatus::Solved, of.sentence().to_string()),
    }
}
