//! A survey as the book keeps it, ready to be drawn: what was found when it was entered, nothing
//! fitted anew.

use crate::judge::nodes::state;
use crate::judge::photo::unread;
use crate::judge::{Action, Grid, Interval, Judgement, NodeState, Nodes, Region, RegionKind};
use crate::keep::result::{Field, SavedRegion, SurveyResult};
use crate::keep::{Entry, Summary};
use crate::observe::Conditions;
use crate::panel::Panel;
use ndarray::Array2;

/// What can be drawn of a survey. Placings, readings left out and what photos showed are not in it:
/// only the nodes, lows and highs are kept. `None` where a photo alone was entered.
pub fn drawn(panel: &Panel, survey: &Entry, result: &SurveyResult) -> Option<Judgement> {
    let summary = &result.summary;
    let mut panel = panel.clone();
    panel.node_limit_mm = summary.node_limit_mm;
    let nodes = nodes(result.field.as_ref()?, summary.node_limit_mm);
    let conditions = Conditions {
        date: Some(survey.date.to_string()),
        skin_c: survey.skin_c,
        supports: survey.supports.clone(),
        ..Conditions::default()
    };
    Some(Judgement {
        regions: summary.regions.iter().map(region).collect(),
        to_level_cc: to_level(summary),
        reasons: summary.reasons.clone(),
        ..unread(&panel, &conditions, nodes, Vec::new())
    })
}

/// The nodes as they were kept, each with the state that its numbers have.
fn nodes(field: &Field, node_limit_mm: f64) -> Nodes {
    let grid = Grid {
        step_mm: field.step_mm,
        nx: field.nx,
        ny: field.ny,
    };
    let of = |list: &[f32]| {
        Array2::from_shape_fn((field.ny, field.nx), |(iy, ix)| {
            list.get(iy * field.nx + ix)
                .map_or(f64::NAN, |v| f64::from(*v))
        })
    };
    let (height, sd) = (of(&field.height), of(&field.sd));
    let (deviation, fairness) = (of(&field.deviation), of(&field.fairness));
    let state = Array2::from_shape_fn(height.dim(), |at| {
        match (deviation[at].is_nan(), height[at].is_nan()) {
            (true, _) => NodeState::Outside,
            // No reading lies near.
            (false, true) => NodeState::Unmeasured,
            _ => state(deviation[at], fairness[at], sd[at], node_limit_mm),
        }
    });
    Nodes {
        grid,
        reference: Array2::from_elem(height.dim(), f64::NAN),
        reading_distance: Array2::from_elem(height.dim(), f64::INFINITY),
        region: Array2::zeros(height.dim()),
        height,
        deviation,
        fairness,
        sd,
        state,
    }
}

fn to_level(summary: &Summary) -> Interval {
    let known = |cc: Option<f64>| cc.unwrap_or(f64::NAN);
    Interval {
        value: known(summary.to_level.value_cc),
        low: known(summary.to_level.low_cc),
        high: known(summary.to_level.high_cc),
    }
}

fn region(saved: &SavedRegion) -> Region {
    let known = |v: Option<f64>| v.unwrap_or(f64::NAN);
    let interval = |value, low, high| Interval {
        value: known(value),
        low: known(low),
        high: known(high),
    };
    Region {
        name: saved.name.clone(),
        kind: if saved.low {
            RegionKind::Low
        } else {
            RegionKind::High
        },
        worst_at: saved.worst_at_mm,
        extent_mm: saved.extent_mm,
        area_cm2: known(saved.area_cm2),
        worst_mm: interval(saved.worst_mm, saved.worst_low_mm, saved.worst_high_mm),
        volume_cc: interval(saved.volume_cc, saved.volume_low_cc, saved.volume_high_cc),
        action: Action::Measure,
        needs_cycle: false,
        saves_cc_per_tenth: None,
        allowed_mm: 0.0,
        comes_off_mm: 0.0,
        saves_cc: None,
        from_edges: String::new(),
        looks_like: String::new(),
        substrate_shows: false,
    }
}
