//! Patches that came up or went down.

use super::common::Common;
use super::steps::{PAIRED, Steps};
use super::{Patch, Spot, interval};
use crate::judge::Grid;
use crate::judge::cloud::FLOOR_MM;
use ndarray::Array2;

/// A patch reaches as far as the change exceeds this many standard deviations.
const PATCH_EDGE: f64 = 1.5;

/// What patches are looked for in.
pub struct Patches<'a> {
    pub common: &'a Common,
    pub moved: &'a [f64],
    pub sd: &'a [f64],
    pub steps: &'a Steps,
    pub critical: f64,
}

impl Patches<'_> {
    /// Connected nodes of one sign that somewhere, near readings of both surveys, pass the critical
    /// number of standard deviations.
    pub fn find(&self) -> (Vec<Patch>, Array2<u16>) {
        let grid = self.common.grid;
        let mut numbers = vec![usize::MAX; grid.nx * grid.ny];
        for (k, node) in self.common.nodes.iter().enumerate() {
            numbers[*node] = k;
        }
        let off = |k: usize| self.moved[k] / self.sd[k];
        let mut seen = vec![false; self.moved.len()];
        let mut found: Vec<(Patch, Vec<usize>)> = Vec::new();
        for start in 0..self.moved.len() {
            if seen[start] || off(start).abs() <= PATCH_EDGE {
                continue;
            }
            let up = self.moved[start] > 0.0;
            let mut members = vec![start];
            seen[start] = true;
            let mut next = 0;
            while let Some(&k) = members.get(next) {
                next += 1;
                for node in beside(grid, self.common.nodes[k]) {
                    let other = numbers[node];
                    if other != usize::MAX
                        && !seen[other]
                        && off(other).abs() > PATCH_EDGE
                        && (self.moved[other] > 0.0) == up
                    {
                        seen[other] = true;
                        members.push(other);
                    }
                }
            }
            let passes = |k: &usize| self.common.near[*k] && off(*k).abs() > self.critical;
            if members.iter().any(passes) {
                found.push((self.patch(&members, up), members));
            }
        }
        found.sort_by(|a, b| b.0.volume_cc.value.total_cmp(&a.0.volume_cc.value));
        let mut patch = Array2::zeros((grid.ny, grid.nx));
        let mut counts = [0, 0];
        for (number, (p, members)) in found.iter_mut().enumerate() {
            let count = &mut counts[usize::from(p.up)];
            *count += 1;
            p.name = format!("{}{count}", if p.up { "U" } else { "D" });
            for k in members {
                let node = self.common.nodes[*k];
                patch[[node / grid.nx, node % grid.nx]] =
                    u16::try_from(number + 1).unwrap_or(u16::MAX);
            }
        }
        (found.into_iter().map(|f| f.0).collect(), patch)
    }

    fn patch(&self, members: &[usize], up: bool) -> Patch {
        let sign = if up { 1.0 } else { -1.0 };
        let most = members
            .iter()
            .copied()
            .max_by(|a, b| (sign * self.moved[*a]).total_cmp(&(sign * self.moved[*b])))
            .unwrap_or(0);
        let areas = &self.common.areas_mm2;
        let area: f64 = members.iter().map(|k| areas[*k]).sum();
        let volume: f64 = members
            .iter()
            .map(|k| sign * areas[*k] * self.moved[*k])
            .sum();
        // Every draw's volume over the same area; the floor counts in full, as if it were one error
        // everywhere.
        let count = self.steps.after.len().max(1) as f64;
        let square: f64 = (0..self.steps.after.len())
            .map(|d| {
                let step: Vec<f64> = self.steps.pair(d, PAIRED[0]).collect();
                members
                    .iter()
                    .map(|k| areas[*k] * step[*k])
                    .sum::<f64>()
                    .powi(2)
            })
            .sum();
        let sd = (square / count + 2.0 * (FLOOR_MM * area).powi(2)).sqrt();
        let mut volume_cc = interval(volume / 1000.0, sd / 1000.0);
        volume_cc.low = volume_cc.low.max(0.0);
        let places = members.iter().map(|k| self.common.places[*k]);
        let extent_mm = places.fold(
            [
                f64::INFINITY,
                f64::INFINITY,
                f64::NEG_INFINITY,
                f64::NEG_INFINITY,
            ],
            |e, p| {
                [
                    e[0].min(p[0]),
                    e[1].min(p[1]),
                    e[2].max(p[0]),
                    e[3].max(p[1]),
                ]
            },
        );
        Patch {
            name: String::new(),
            up,
            most: Spot {
                at: self.common.places[most],
                mm: interval(self.moved[most], self.sd[most]),
            },
            extent_mm,
            area_cm2: area / 100.0,
            volume_cc,
        }
    }
}

/// The nodes that share a side with a node.
fn beside(grid: Grid, node: usize) -> impl Iterator<Item = usize> {
    let (ix, iy) = (node % grid.nx, node / grid.nx);
    [
        (ix > 0).then(|| node - 1),
        (ix + 1 < grid.nx).then_some(node + 1),
        (iy > 0).then(|| node - grid.nx),
        (iy + 1 < grid.ny).then_some(node + grid.nx),
    ]
    .into_iter()
    .flatten()
}
