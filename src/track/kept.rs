//! A survey as the book keeps it, ready to be drawn: what was found when it was entered, nothing fitted anew.

use crate::judge::nodes::state;
use crate::judge::photo::{blank_nodes, unread};
use crate::judge::{Action, Grid, Interval, Judgement, NodeState, Nodes, Region, RegionKind};
use crate::keep::result::{Field, SavedRegion, SurveyResult};
use crate::keep::{Entry, Summary};
use crate::observe::Conditions;
use crate::panel::Panel;

/// What can be drawn of a survey. Placings, readings left out and what photos showed are not in it: only the nodes, lows and highs are kept.
/// `None` where a photo alone was entered.
pub fn drawn(panel: &Panel, survey: &Entry, result: &SurveyResult) -> Option<Judgement> {
    let summary = &result.summary;
    let mut panel = panel.clone();
    panel.node_limit_mm = summary.node_limit_mm;
    let nodes = nodes(&panel, result.field.as_ref()?);
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
fn nodes(panel: &Panel, field: &Field) -> Nodes {
    let grid = Grid {
        step_mm: field.step_mm,
        nx: field.nx,
        ny: field.ny,
    };
    let mut nodes = blank_nodes(panel, grid, None);
    let value = |list: &[f32], k: usize| list.get(k).map_or(f64::NAN, |v| f64::from(*v));
    for iy in 0..field.ny {
        for ix in 0..field.nx {
            let k = iy * field.nx + ix;
            let at = [iy, ix];
            let (deviation, fairness) = (value(&field.deviation, k), value(&field.fairness, k));
            let (sd, height) = (value(&field.sd, k), value(&field.height, k));
            nodes.deviation[at] = deviation;
            nodes.fairness[at] = fairness;
            nodes.sd[at] = sd;
            nodes.height[at] = height;
            nodes.state[at] = match (deviation.is_nan(), height.is_nan()) {
                (true, _) => NodeState::Outside,
                // No reading lies near.
                (false, true) => NodeState::Unmeasured,
                _ => state(deviation, fairness, sd, panel.node_limit_mm),
            };
        }
    }
    nodes
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
    }
}
