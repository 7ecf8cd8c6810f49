//! The order to walk when nothing was read yet: along the edges, then the lines of the blank form,
//! coarse ones first.
//!
//! What lies at the rim is seen from one side only: left to lines half a spacing in, it is what
//! keeps verdicts open most often. So the edges are walked round first, where the blank form has no
//! line near them. Then every second, fourth, … line is taken, both ways, then those between, so
//! that whoever stops early has covered the panel. Within a round lines are walked to and fro.

use crate::observe::blank::{self, Planned, Settings};
use crate::panel::Panel;
use crate::problem::Error;

/// Lines along the edges lie so far in, mm: near enough to see the rim, with skin to rest on at
/// both sides.
const RIM_MM: f64 = 20.0;
/// A line of the form no further in than this sees the rim as well, mm.
const NEAR_RIM_MM: f64 = 60.0;
/// Fewest lines one way in the first coarse round.
const FEWEST: usize = 2;

/// Placings of one round over the panel, in walking order.
pub type Round = Vec<Planned>;

/// Whether the walk begins along the edges, and the whole walk, round by round.
///
/// # Errors
/// As [`blank::placings_at`].
pub fn rounds(
    panel: &Panel,
    set: &Settings,
    spacing_mm: Option<f64>,
) -> Result<(bool, Vec<Round>), Error> {
    let all = blank::placings_at(panel, set, spacing_mm)?;
    let ways = [0, 1].map(|axis| lines(&all, axis));
    let most = ways.iter().map(Vec::len).max().unwrap_or(0);
    let mut stride = 1;
    while most / (2 * stride) >= FEWEST && ways.iter().all(|w| w.len() / (2 * stride) >= FEWEST) {
        stride *= 2;
    }
    let mut taken = [0, 1].map(|axis: usize| vec![false; ways[axis].len()]);
    let mut rounds = Vec::new();
    let rim = rim(panel, set, &all);
    let edges = !rim.is_empty();
    if edges {
        rounds.push(rim);
    }
    while stride >= 1 {
        let mut round: Round = Vec::new();
        for axis in [0, 1] {
            let mut lines: Vec<Round> = Vec::new();
            for k in (stride / 2..ways[axis].len()).step_by(stride) {
                if !std::mem::replace(&mut taken[axis][k], true) {
                    lines.push(ways[axis][k].clone());
                }
            }
            let before = round
                .last()
                .or(rounds.last().and_then(|r: &Round| r.last()));
            let here = before.map_or([0.0; 2], middle);
            round.extend(to_and_fro(lines, here));
        }
        if !round.is_empty() {
            rounds.push(round);
        }
        stride /= 2;
    }
    Ok((edges, rounds))
}

/// Once round the panel, just inside each edge that no line of the form lies near.
fn rim(panel: &Panel, set: &Settings, all: &[Planned]) -> Round {
    let b = panel.outline.bounds();
    let mut round = Round::new();
    // Bottom, right, top, left: two of them backwards.
    for (axis, at, side, back) in [
        (0, b[1] + RIM_MM, b[1], false),
        (1, b[2] - RIM_MM, b[2], false),
        (0, b[3] - RIM_MM, b[3], true),
        (1, b[0] + RIM_MM, b[0], true),
    ] {
        let near = |p: &Planned| p.axis == axis && (p.at - side).abs() <= NEAR_RIM_MM;
        if all.iter().any(near) || !all.iter().any(|p| p.axis == axis) {
            continue;
        }
        let mut line = blank::line(panel, axis, at.round(), set);
        if back {
            line.reverse();
        }
        round.extend(line);
    }
    round
}

/// Lines one after the other, beginning at the end nearest to where one stands.
fn to_and_fro(mut lines: Vec<Round>, mut here: [f64; 2]) -> Round {
    let far = |line: Option<&Round>, here: [f64; 2]| {
        let ends = line.into_iter().flat_map(|l| [l.first(), l.last()]);
        ends.flatten()
            .map(|p| apart(middle(p), here))
            .fold(f64::INFINITY, f64::min)
    };
    if far(lines.last(), here) < far(lines.first(), here) {
        lines.reverse();
    }
    let mut out = Round::new();
    for mut line in lines {
        let from = |p: Option<&Planned>| p.map_or(f64::INFINITY, |p| apart(middle(p), here));
        if from(line.last()) < from(line.first()) {
            line.reverse();
        }
        here = line.last().map_or(here, middle);
        out.extend(line);
    }
    out
}

fn middle(p: &Planned) -> [f64; 2] {
    let [a, b] = p.ends();
    [(a[0] + b[0]) / 2.0, (a[1] + b[1]) / 2.0]
}

fn apart(a: [f64; 2], b: [f64; 2]) -> f64 {
    (a[0] - b[0]).hypot(a[1] - b[1])
}

/// The lines along an axis, in order across, each from its start.
fn lines(all: &[Planned], axis: usize) -> Vec<Round> {
    let mut lines: Vec<Round> = Vec::new();
    for placing in all.iter().filter(|p| p.axis == axis) {
        match lines.last_mut() {
            Some(line) if line.iter().any(|p| p.at == placing.at) => line.push(placing.clone()),
            _ => lines.push(vec![placing.clone()]),
        }
    }
    for line in &mut lines {
        line.sort_by(|a, b| a.from.total_cmp(&b.from));
    }
    lines
}
