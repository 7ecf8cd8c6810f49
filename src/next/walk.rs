//! The order to walk when nothing was read yet: the lines of the blank form, coarse ones first.
//!
//! Every second, fourth, … line is taken first, both ways, then those between, so that whoever stops early has
//! covered the panel. Within a turn lines are walked to and fro.

use crate::observe::blank::{self, Planned, Settings};
use crate::panel::Panel;
use crate::problem::Error;

/// Fewest lines one way in the first turn.
const FEWEST: usize = 2;

/// Placings of one turn over the panel, in walking order.
pub type Turn = Vec<Planned>;

/// The whole walk, turn by turn.
///
/// # Errors
/// As [`blank::placings`].
pub fn turns(panel: &Panel, set: &Settings) -> Result<Vec<Turn>, Error> {
    let all = blank::placings(panel, set)?;
    let ways = [0, 1].map(|axis| lines(&all, axis));
    let most = ways.iter().map(Vec::len).max().unwrap_or(0);
    let mut stride = 1;
    while most / (2 * stride) >= FEWEST && ways.iter().all(|w| w.len() / (2 * stride) >= FEWEST) {
        stride *= 2;
    }
    let mut taken = [0, 1].map(|axis: usize| vec![false; ways[axis].len()]);
    let mut turns = Vec::new();
    while stride >= 1 {
        let mut turn: Turn = Vec::new();
        for axis in [0, 1] {
            let picked = (stride / 2..ways[axis].len()).step_by(stride);
            let mut forth = true;
            for k in picked {
                if std::mem::replace(&mut taken[axis][k], true) {
                    continue;
                }
                let mut line = ways[axis][k].clone();
                if !forth {
                    line.reverse();
                }
                forth = !forth;
                turn.extend(line);
            }
        }
        if !turn.is_empty() {
            turns.push(turn);
        }
        stride /= 2;
    }
    Ok(turns)
}

/// The lines along an axis, in order across, each from its start.
fn lines(all: &[Planned], axis: usize) -> Vec<Turn> {
    let mut lines: Vec<Turn> = Vec::new();
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
