//! Everything known at the nodes: height, reference, deviation, standard deviation, distance to a
//! reading, state.

use super::cloud::{Cloud, on_lines};
use super::{Grid, NodeState, Nodes};
use crate::fit::Surface;
use crate::fit::basis::Basis;
use crate::observe::Survey;
use crate::panel::Panel;
use crate::photo::CoatCells;
use kiddo::{ImmutableKdTree, SquaredEuclidean};
use ndarray::Array2;
use rayon::prelude::*;

/// Further than this from the nearest reading nothing is called known, mm: a low 300 mm across
/// would fit between (common practice, no source).
pub const FAR_MM: f64 = 150.0;
/// A node is tied both ways when placings along two directions lie no further than this, mm: half a
/// 600 mm edge.
const TIED_MM: f64 = 300.0;
/// Two placings run in different directions when they differ by more than this, degrees.
const ANOTHER_DIRECTION_DEG: f64 = 30.0;
/// Steeper than this against the panel's plane, heights are no longer normal to the skin.
pub const STEEP: f64 = 0.3;

/// How close the readings lie, and which way they run.
pub struct Reach {
    all: Option<ImmutableKdTree<f64, 2>>,
    /// Readings of placings along the survey's main direction, and of those across it. A bridge
    /// ties both ways.
    ways: [Option<ImmutableKdTree<f64, 2>>; 2],
    /// What a photo of the coat sees, if there is one.
    cells: Option<CoatCells>,
}

fn tree(points: &[[f64; 2]]) -> Option<ImmutableKdTree<f64, 2>> {
    // An empty tree would answer with item 0.
    (!points.is_empty()).then(|| ImmutableKdTree::new_from_slice(points).ok())?
}

fn nearest(tree: &Option<ImmutableKdTree<f64, 2>>, x: f64, y: f64) -> f64 {
    tree.as_ref().map_or(f64::INFINITY, |t| {
        t.query(&[x, y])
            .nearest_one::<SquaredEuclidean<f64>>()
            .execute()
            .distance
            .sqrt()
    })
}

/// Angle between two undirected directions, degrees, 0 to 90.
fn between(a: [f64; 2], b: [f64; 2]) -> f64 {
    (a[0] * b[0] + a[1] * b[1])
        .abs()
        .min(1.0)
        .acos()
        .to_degrees()
}

impl Reach {
    /// Of a survey.
    pub fn new(survey: &Survey) -> Self {
        let mut all = Vec::new();
        let mut ways = [Vec::new(), Vec::new()];
        let main = survey
            .placings
            .iter()
            .find(|p| p.tool != crate::observe::Tool::Bridge)
            .map(|p| p.toward);
        for placing in &survey.placings {
            let points: Vec<[f64; 2]> = placing.taken().map(|r| [r.x, r.y]).collect();
            let bridge = placing.tool == crate::observe::Tool::Bridge;
            let along = main.is_none_or(|m| between(m, placing.toward) <= ANOTHER_DIRECTION_DEG);
            if bridge || along {
                ways[0].extend(&points);
            }
            if bridge || !along {
                ways[1].extend(&points);
            }
            all.extend(points);
        }
        Reach {
            all: tree(&all),
            ways: [tree(&ways[0]), tree(&ways[1])],
            cells: None,
        }
    }

    /// With a photo of the coat beside the readings.
    pub fn seeing(mut self, cells: Option<&CoatCells>) -> Self {
        self.cells = cells.cloned();
        self
    }

    /// Distance to the nearest reading, mm; half of it where a photo sees the place, since a low
    /// between readings would show its coat (common practice, no source).
    pub fn distance(&self, x: f64, y: f64) -> f64 {
        let distance = nearest(&self.all, x, y);
        if self.cells.as_ref().is_some_and(|c| c.is_seen(x, y)) {
            distance / 2.0
        } else {
            distance
        }
    }

    /// Whether a photo shows coat at this place.
    pub fn coated(&self, x: f64, y: f64) -> bool {
        let share = self.cells.as_ref().and_then(|c| c.at(&c.coat, x, y));
        share.is_some_and(|s| s >= 0.5)
    }

    /// Whether readings along two directions tie this place.
    pub fn tied_both_ways(&self, x: f64, y: f64) -> bool {
        self.ways.iter().all(|w| nearest(w, x, y) <= TIED_MM)
    }

    /// Whether the survey runs in one direction only.
    pub fn one_way(&self) -> bool {
        self.ways.iter().any(Option::is_none)
    }
}

/// What the nodes are worked out from.
pub struct Sources<'a> {
    /// The panel.
    pub panel: &'a Panel,
    /// The found surface.
    pub surface: &'a Surface,
    /// Its draws.
    pub cloud: &'a Cloud,
    /// Where readings lie.
    pub reach: &'a Reach,
    /// Splines of the references.
    pub reference_basis: &'a Basis,
    /// Coefficients of the chosen reference.
    pub chosen: &'a [f64],
    /// Coefficients of the skin.
    pub skin: &'a [f64],
}

/// Fill the node grid. `region` is left at 0.
pub fn nodes(from: &Sources, grid: Grid) -> Nodes {
    let xs: Vec<f64> = (0..grid.nx).map(|i| grid.x(i)).collect();
    let ys: Vec<f64> = (0..grid.ny).map(|i| grid.y(i)).collect();
    let basis = from.surface.basis;
    let on = |basis: &Basis, c: &[f64]| on_lines(basis, c, &xs, &ys);
    let height = on(&basis, &from.surface.coefficients);
    let chosen = on(from.reference_basis, from.chosen);
    let fair = on(from.reference_basis, from.skin);
    let sd = from.cloud.sd_on(&xs, &ys);
    let steep = steepness(from, &xs, &ys);
    let limit = from.panel.node_limit_mm;
    // (on the panel, distance, state) a node, rows in parallel.
    let known: Vec<(bool, f64, NodeState)> = (0..xs.len() * ys.len())
        .into_par_iter()
        .map(|k| {
            let (x, y) = (xs[k % xs.len()], ys[k / xs.len()]);
            if !from.panel.contains(x, y) {
                return (false, f64::NAN, NodeState::Outside);
            }
            let distance = from.reach.distance(x, y);
            let state = if distance > FAR_MM || steep[k] > STEEP {
                NodeState::Unmeasured
            } else {
                let state = state(height[k] - chosen[k], height[k] - fair[k], sd[k], limit);
                // A direction that no placing ties is held by the prior alone.
                let untied = state == NodeState::Fair && !from.reach.tied_both_ways(x, y);
                // Coat says that it is low; only how low is open.
                let coated = state == NodeState::Unmeasured && from.reach.coated(x, y);
                if untied || coated {
                    NodeState::Unsure
                } else {
                    state
                }
            };
            (true, distance, state)
        })
        .collect();
    let array = |value: &dyn Fn(usize) -> f64| {
        Array2::from_shape_fn((grid.ny, grid.nx), |(iy, ix)| {
            let k = iy * grid.nx + ix;
            if known[k].0 { value(k) } else { f64::NAN }
        })
    };
    Nodes {
        grid,
        height: array(&|k| height[k]),
        reference: array(&|k| chosen[k]),
        deviation: array(&|k| height[k] - chosen[k]),
        fairness: array(&|k| height[k] - fair[k]),
        sd: array(&|k| sd[k]),
        reading_distance: array(&|k| known[k].1),
        state: Array2::from_shape_fn((grid.ny, grid.nx), |(iy, ix)| known[iy * grid.nx + ix].2),
        region: Array2::zeros((grid.ny, grid.nx)),
    }
}

/// State of a node: lows by the chosen reference, highs by the fair shape whatever may be sanded.
pub(crate) fn state(deviation: f64, fairness: f64, sd: f64, limit: f64) -> NodeState {
    let reach = 1.96 * sd;
    // Far beyond the limit is known to be beyond it, however badly the depth itself is known.
    if deviation + reach < -limit {
        NodeState::Low
    } else if fairness - reach > limit {
        NodeState::High
    } else if sd > limit {
        NodeState::Unmeasured
    } else if deviation.abs().max(fairness.abs()) + reach <= limit {
        NodeState::Fair
    } else {
        NodeState::Unsure
    }
}

/// Slope of the skin against the panel's own plane at each node.
fn steepness(from: &Sources, xs: &[f64], ys: &[f64]) -> Vec<f64> {
    let basis = from.surface.basis;
    let c = &from.surface.coefficients;
    let slopes = |d| basis.on_grid(c, xs, ys, d).into_raw_vec_and_offset().0;
    let (along_x, along_y) = (slopes([1, 0]), slopes([0, 1]));
    let on: Vec<bool> = ys
        .iter()
        .flat_map(|&y| xs.iter().map(move |&x| (x, y)))
        .map(|(x, y)| from.panel.contains(x, y))
        .collect();
    let mean = |values: &[f64]| {
        let (sum, n) = values
            .iter()
            .zip(&on)
            .filter(|(_, on)| **on)
            .fold((0.0, 0.0), |s, (v, _)| (s.0 + v, s.1 + 1.0));
        sum / f64::max(n, 1.0)
    };
    let (mx, my) = (mean(&along_x), mean(&along_y));
    along_x
        .iter()
        .zip(&along_y)
        .map(|(a, b)| (a - mx).hypot(b - my))
        .collect()
}

/// Where the found height slopes more than [`STEEP`] against the panel's own plane, by neighbouring
/// nodes; false off the panel.
pub(super) fn steep(nodes: &Nodes) -> Array2<bool> {
    let (ny, nx) = nodes.height.dim();
    let step = nodes.grid.step_mm;
    // Between the neighbours on both sides, on one where there is no other.
    let slope = |a: Option<&f64>, here: f64, b: Option<&f64>| {
        let known = |v: Option<&f64>| v.copied().filter(|v| v.is_finite());
        match (known(a), known(b)) {
            (Some(a), Some(b)) => (b - a) / (2.0 * step),
            (Some(a), None) => (here - a) / step,
            (None, Some(b)) => (b - here) / step,
            (None, None) => 0.0,
        }
    };
    let z = &nodes.height;
    let slopes = Array2::from_shape_fn((ny, nx), |(iy, ix)| {
        let here = z[[iy, ix]];
        let at =
            |dy: usize, dx: usize| z.get([(iy + dy).wrapping_sub(1), (ix + dx).wrapping_sub(1)]);
        if here.is_finite() {
            [
                slope(at(1, 0), here, at(1, 2)),
                slope(at(0, 1), here, at(2, 1)),
            ]
        } else {
            [f64::NAN; 2]
        }
    });
    let (mut sum, mut count) = ([0.0; 2], 0.0);
    for s in slopes.iter().filter(|s| s[0].is_finite()) {
        sum = [sum[0] + s[0], sum[1] + s[1]];
        count += 1.0;
    }
    let mean = sum.map(|s| s / f64::max(count, 1.0));
    slopes.mapv(|s| (s[0] - mean[0]).hypot(s[1] - mean[1]) > STEEP)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_node_is_fair_only_when_its_whole_interval_is() {
        assert_eq!(state(0.0, 0.0, 0.02, 0.15), NodeState::Fair);
        assert_eq!(state(-0.12, -0.12, 0.02, 0.15), NodeState::Unsure);
        assert_eq!(state(-0.20, -0.20, 0.02, 0.15), NodeState::Low);
        assert_eq!(state(0.05, 0.40, 0.02, 0.15), NodeState::High);
        assert_eq!(state(0.0, 0.0, 0.20, 0.15), NodeState::Unmeasured);
        assert_eq!(state(-0.9, -0.9, 0.20, 0.15), NodeState::Low);
    }
}
