//! The part of a panel that both surveys measured.

use super::super::align::{Columns, counted_untouched, untouched};
use crate::fit::Surface;
use crate::judge::cloud::on_lines;
use crate::judge::nodes::{FAR_MM, Reach};
use crate::judge::volume::node_weights_mm2;
use crate::judge::{self, Grid};
use crate::observe::Survey;
use crate::panel::Panel;
use crate::problem::Error;
use ndarray::Array2;
use rayon::prelude::*;

/// A change must show within this of readings of both surveys, mm: farther off the fits lean on
/// what is usual.
const NEAR_MM: f64 = 40.0;
/// Errors of a survey are about independent of each other this far apart, mm (common practice, no
/// source: two placings).
const INDEPENDENT_MM: f64 = 150.0;
/// Terms of the frame that are always free: the plane.
pub const FREE_TERMS: usize = 3;
/// Fewest nodes that both surveys must have measured.
const FEWEST_NODES: usize = 30;

/// Nodes that both surveys measured.
pub struct Common {
    pub grid: Grid,
    /// Index of each in the grid.
    pub nodes: Vec<usize>,
    pub places: Vec<[f64; 2]>,
    pub areas_mm2: Vec<f64>,
    /// Whether readings of both lie close.
    pub near: Vec<bool>,
    /// What curvature and twist may differ by, standard deviations, mm; `None`: by anything.
    pub bend_sd_mm: Option<[f64; 3]>,
    pub share: f64,
}

impl Common {
    pub fn new(panel: &Panel, before: &Survey, after: &Survey) -> Result<Self, Error> {
        let grid = judge::grid(panel, judge::step_mm(panel));
        let areas = node_weights_mm2(&grid, panel);
        let reach = [Reach::new(before), Reach::new(after)];
        let place = |k: usize| [grid.x(k % grid.nx), grid.y(k / grid.nx)];
        let far: Vec<f64> = (0..grid.nx * grid.ny)
            .into_par_iter()
            .map(|k| {
                let [x, y] = place(k);
                if panel.contains(x, y) {
                    reach[0].distance(x, y).max(reach[1].distance(x, y))
                } else {
                    f64::INFINITY
                }
            })
            .collect();
        let nodes: Vec<usize> = (0..far.len()).filter(|k| far[*k] <= FAR_MM).collect();
        if nodes.len() < FEWEST_NODES {
            return Err(Error::Survey(
                "the two surveys have no part of the panel in common: readings of both within 150 mm are wanted".into(),
            ));
        }
        let area = |k: &usize| areas[[k / grid.nx, k % grid.nx]];
        let areas_mm2: Vec<f64> = nodes.iter().map(area).collect();
        let share = areas_mm2.iter().sum::<f64>() / areas.sum().max(1e-9);
        Ok(Common {
            places: nodes.iter().map(|k| place(*k)).collect(),
            near: nodes.iter().map(|k| far[*k] <= NEAR_MM).collect(),
            share: share.min(1.0),
            bend_sd_mm: None,
            areas_mm2,
            nodes,
            grid,
        })
    }

    /// Columns fitted to what was not touched. Where the panel is known not to have bent, each of
    /// curvature and twist has one more reading: nothing, as sure as the surveys are. It counts as
    /// much as the nodes over one place that is independent of the others.
    pub fn fit(&self, columns: &[Vec<f64>], moved: &[f64], sd: &[f64]) -> Columns {
        let Some(bend) = self.bend_sd_mm else {
            return Columns::new(columns, &untouched(columns, moved, sd));
        };
        let mut columns = columns.to_vec();
        let (mut moved, mut sd) = (moved.to_vec(), sd.to_vec());
        let mut counts = vec![1.0; moved.len()];
        let nodes = (INDEPENDENT_MM / self.grid.step_mm).powi(2).max(1.0);
        for (k, bend) in bend.iter().enumerate() {
            for (n, column) in columns.iter_mut().enumerate() {
                column.push(if n == FREE_TERMS + k { 1.0 / bend } else { 0.0 });
            }
            moved.push(0.0);
            sd.push(1.0);
            counts.push(nodes);
        }
        let weights = counted_untouched(&columns, &moved, &sd, &counts);
        Columns::new(&columns, &weights)
    }

    fn lines(&self, shift: [f64; 2]) -> [Vec<f64>; 2] {
        [
            (0..self.grid.nx)
                .map(|i| self.grid.x(i) + shift[0])
                .collect(),
            (0..self.grid.ny)
                .map(|i| self.grid.y(i) + shift[1])
                .collect(),
        ]
    }

    fn pick(&self, all: &[f64]) -> Vec<f64> {
        self.nodes.iter().map(|k| all[*k]).collect()
    }

    /// A surface at the nodes, its grid shifted.
    pub fn heights(&self, surface: &Surface, coefficients: &[f64], shift: [f64; 2]) -> Vec<f64> {
        let [xs, ys] = self.lines(shift);
        self.pick(&on_lines(&surface.basis, coefficients, &xs, &ys))
    }

    pub fn slopes(&self, surface: &Surface, shift: [f64; 2]) -> [Vec<f64>; 2] {
        [[1, 0], [0, 1]].map(|d| self.derivative(surface, shift, d))
    }

    pub fn derivative(&self, surface: &Surface, shift: [f64; 2], d: [usize; 2]) -> Vec<f64> {
        let [xs, ys] = self.lines(shift);
        let all = surface.basis.on_grid(&surface.coefficients, &xs, &ys, d);
        self.pick(&all.into_raw_vec_and_offset().0)
    }

    pub fn grid_of(&self, values: &[f64]) -> Array2<f64> {
        let mut out = Array2::from_elem((self.grid.ny, self.grid.nx), f64::NAN);
        for (k, v) in self.nodes.iter().zip(values) {
            out[[k / self.grid.nx, k % self.grid.nx]] = *v;
        }
        out
    }
}
