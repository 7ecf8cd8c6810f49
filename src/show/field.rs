//! The deviation between nodes, for colouring: bilinear inside the panel, carried a little over its
//! edge.

use crate::judge::{Judgement, NodeState};
use ndarray::Array2;

/// The node values as the picture needs them.
pub struct Field {
    /// Spacing of the nodes, mm.
    pub step_mm: f64,
    /// Deviation, mm; carried two nodes beyond the edge so that colours reach an outline between
    /// nodes. NaN farther out.
    pub deviation: Array2<f64>,
    /// The same with NaN at unmeasured nodes: iso-lines stop there.
    pub known: Array2<f64>,
    /// 1 at unmeasured nodes, 0 elsewhere (carried over the edge too): unmeasured where more than
    /// ½.
    pub unmeasured: Array2<f64>,
    /// Whether any node is unmeasured.
    pub any_unmeasured: bool,
}

impl Field {
    /// Takes what it needs from a judgement.
    pub fn new(j: &Judgement) -> Self {
        let nodes = &j.nodes;
        let blank = nodes.state.mapv(|s| match s {
            NodeState::Outside => f64::NAN,
            NodeState::Unmeasured => 1.0,
            _ => 0.0,
        });
        let deviation = carried_over_edge(&nodes.deviation, 2);
        let unmeasured = carried_over_edge(&blank, 2);
        let mut known = deviation.clone();
        known.zip_mut_with(&unmeasured, |d, u| {
            if *u > 0.5 {
                *d = f64::NAN;
            }
        });
        let any_unmeasured = nodes.state.iter().any(|s| *s == NodeState::Unmeasured);
        Field {
            step_mm: nodes.grid.step_mm,
            deviation,
            known,
            unmeasured,
            any_unmeasured,
        }
    }

    /// Values at the node columns along the height `y`.
    pub fn row(&self, y: f64) -> Row {
        let (ny, nx) = self.deviation.dim();
        let v = (y / self.step_mm).clamp(0.0, ny.saturating_sub(1) as f64);
        let (a, t) = (v as usize, v.fract());
        let b = (a + 1).min(ny.saturating_sub(1));
        let line = |values: &Array2<f64>| -> Vec<f64> {
            let pick = |iy: usize, ix: usize| values.get([iy, ix]).copied().unwrap_or(f64::NAN);
            let columns = (0..nx).map(|ix| mixed(&[pick(a, ix), pick(b, ix)], 0, 1, t));
            columns.map(|v| v.unwrap_or(f64::NAN)).collect()
        };
        Row {
            deviation: line(&self.deviation),
            unmeasured: self.any_unmeasured.then(|| line(&self.unmeasured)),
        }
    }

    /// Deviation at a place, mm; `None` where unmeasured or beyond the nodes. Places off the grid
    /// take its edge.
    pub fn at(&self, x: f64, y: f64) -> Option<f64> {
        self.at_where(x, y, |_| true)
    }

    /// The same where the deviation is one that is wanted.
    pub fn at_where(&self, x: f64, y: f64, wanted: impl Fn(f64) -> bool) -> Option<f64> {
        let (u, v) = (x / self.step_mm, y / self.step_mm);
        let deviation = between(&self.deviation, u, v).filter(|d| wanted(*d))?;
        if self.any_unmeasured && between(&self.unmeasured, u, v)? > 0.5 {
            return None;
        }
        Some(deviation)
    }
}

/// The deviation along one row of the picture: its values at the node columns.
pub struct Row {
    deviation: Vec<f64>,
    /// Absent where the whole panel is measured.
    unmeasured: Option<Vec<f64>>,
}

impl Row {
    /// Deviation at each node column; `None` where unmeasured or beyond the nodes.
    pub fn nodes(&self) -> impl Iterator<Item = Option<f64>> + '_ {
        (0..self.deviation.len()).map(|node| self.between(node, 0.0))
    }

    /// Deviation a part `t` of the way from column `node` to the next.
    pub fn between(&self, node: usize, t: f64) -> Option<f64> {
        let last = self.deviation.len().checked_sub(1)?;
        let (a, b) = (node.min(last), (node + 1).min(last));
        if let Some(unmeasured) = &self.unmeasured
            && mixed(unmeasured, a, b, t)? > 0.5
        {
            return None;
        }
        mixed(&self.deviation, a, b, t)
    }
}

/// Between two columns by proportion; beside an unknown one the nearer decides.
fn mixed(values: &[f64], a: usize, b: usize, t: f64) -> Option<f64> {
    let (va, vb) = (*values.get(a)?, *values.get(b)?);
    let value = va * (1.0 - t) + vb * t;
    let near = if t < 0.5 { va } else { vb };
    [value, near].into_iter().find(|v| !v.is_nan())
}

/// Bilinear value at node coordinates (u along x, v along y), clamped to the grid; `None` beside a
/// NaN node that counts.
fn between(values: &Array2<f64>, u: f64, v: f64) -> Option<f64> {
    let (ny, nx) = values.dim();
    let (u, v) = (
        u.clamp(0.0, nx.checked_sub(1)? as f64),
        v.clamp(0.0, ny.checked_sub(1)? as f64),
    );
    let (ix, iy) = (u as usize, v as usize);
    let (tx, ty) = (u - ix as f64, v - iy as f64);
    let (jx, jy) = ((ix + 1).min(nx - 1), (iy + 1).min(ny - 1));
    let pick = |y, x| values.get([y, x]).copied().unwrap_or(f64::NAN);
    let (a, b, c, d) = (pick(iy, ix), pick(iy, jx), pick(jy, ix), pick(jy, jx));
    let value = (a * (1.0 - tx) + b * tx) * (1.0 - ty) + (c * (1.0 - tx) + d * tx) * ty;
    if value.is_nan() {
        // Beside the carried rim: the nearest node decides.
        let near = pick(
            if ty < 0.5 { iy } else { jy },
            if tx < 0.5 { ix } else { jx },
        );
        return (!near.is_nan()).then_some(near);
    }
    Some(value)
}

/// Each NaN node beside known ones gets their mean, `rounds` times over.
fn carried_over_edge(values: &Array2<f64>, rounds: usize) -> Array2<f64> {
    let mut now = values.clone();
    let (ny, nx) = values.dim();
    for _ in 0..rounds {
        if !now.iter().any(|v| v.is_nan()) {
            break;
        }
        let before = now.clone();
        for ((iy, ix), value) in now.indexed_iter_mut().filter(|(_, v)| v.is_nan()) {
            let (mut sum, mut count) = (0.0, 0);
            for jy in iy.saturating_sub(1)..(iy + 2).min(ny) {
                for jx in ix.saturating_sub(1)..(ix + 2).min(nx) {
                    let near = before[[jy, jx]];
                    if !near.is_nan() {
                        sum += near;
                        count += 1;
                    }
                }
            }
            if count > 0 {
                *value = sum / count as f64;
            }
        }
    }
    now
}

/// The grid within two more rings: the inner repeats the edge, the outer (and every NaN) is
/// `beyond`, so that every iso-line of a level above `beyond` closes. Node (ix, iy) moves to (ix +
/// 2, iy + 2).
pub fn ringed(values: &Array2<f64>, sign: f64, beyond: f64) -> Array2<f64> {
    let (ny, nx) = values.dim();
    Array2::from_shape_fn((ny + 4, nx + 4), |(iy, ix)| {
        if ix == 0 || iy == 0 || ix == nx + 3 || iy == ny + 3 {
            return beyond;
        }
        let (sx, sy) = (
            ix.saturating_sub(2).min(nx.saturating_sub(1)),
            iy.saturating_sub(2).min(ny.saturating_sub(1)),
        );
        match values.get([sy, sx]) {
            Some(v) if !v.is_nan() => sign * v,
            _ => beyond,
        }
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_value_between_four_nodes_is_their_proportional_mean() {
        let values = ndarray::array![[0.0, 1.0], [2.0, 3.0]];
        let got = between(&values, 0.25, 0.5).expect("inside");
        assert!((got - 1.25).abs() < 1e-12, "{got}");
        assert_eq!(between(&values, 9.0, 9.0), Some(3.0));
        assert_eq!(between(&ndarray::array![[f64::NAN]], 0.0, 0.0), None);
    }

    #[test]
    fn values_are_carried_over_the_edge_no_farther_than_asked() {
        let mut values = Array2::from_elem((1, 6), f64::NAN);
        values[[0, 0]] = 0.5;
        let carried = carried_over_edge(&values, 2);
        assert_eq!(carried[[0, 2]], 0.5);
        assert!(carried[[0, 3]].is_nan());
    }
}
