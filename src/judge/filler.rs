//! The filler: what it takes to level the lows, its interval from draws with the reference fitted anew to each, and the
//! price of each high.

use super::cloud::{Cloud, on_lines};
use super::regions;
use crate::panel::Panel;
use crate::problem::Error;
use crate::reference::{Kind, Workbench};
use ndarray::Array2;
use rayon::prelude::*;

/// Draws whose reference is fitted anew.
pub const DRAWS: usize = 32;

/// Where filler may go and what it would hold, on the nodes of a workbench.
pub struct Fill<'a> {
    /// The panel.
    pub panel: &'a Panel,
    /// The nodes.
    pub bench: &'a Workbench,
    /// Area of each node that may be filled, mm².
    pub areas_mm2: Vec<f64>,
}

/// Lows of one deviation.
pub struct Lows {
    /// Label of each node (0: no low).
    pub labels: Array2<u32>,
    /// Number of lows.
    pub count: usize,
    /// Volume of each low, cc; entry 0 belongs to label 1.
    pub volumes_cc: Vec<f64>,
}

impl Lows {
    /// Lows with these labels; `depth` is positive into a low, mm.
    pub fn of(
        labels: Array2<u32>,
        count: usize,
        depth: &Array2<f64>,
        areas_mm2: &dyn Fn(usize, usize) -> f64,
    ) -> Self {
        let mut volumes_cc = vec![0.0; count];
        for ((iy, ix), label) in labels.indexed_iter() {
            if let Some(v) = (*label as usize)
                .checked_sub(1)
                .and_then(|k| volumes_cc.get_mut(k))
            {
                // mm² × mm = mm³; 1000 mm³ are a cc.
                *v += areas_mm2(iy, ix) * depth[[iy, ix]] / 1000.0;
            }
        }
        Lows {
            labels,
            count,
            volumes_cc,
        }
    }

    /// All lows together, cc.
    pub fn total_cc(&self) -> f64 {
        self.volumes_cc.iter().sum()
    }
}

/// Lows of a deviation (mm, indexed `[[iy, ix]]`) whose nodes stand for `areas_mm2` (0 where nothing may be filled).
pub fn lows(
    deviation: &Array2<f64>,
    sd: &dyn Fn(usize, usize) -> f64,
    areas_mm2: &dyn Fn(usize, usize) -> f64,
    limit_mm: f64,
) -> Lows {
    let depth = Array2::from_shape_fn(deviation.dim(), |(iy, ix)| {
        if areas_mm2(iy, ix) > 0.0 {
            -deviation[[iy, ix]]
        } else {
            f64::NAN
        }
    });
    let (labels, count) = regions::label(&depth, sd, limit_mm);
    Lows::of(labels, count, &depth, areas_mm2)
}

impl<'a> Fill<'a> {
    /// On a workbench; nothing is filled in a no-fill area.
    pub fn new(panel: &'a Panel, bench: &'a Workbench) -> Self {
        let nx = bench.xs.len();
        let areas_mm2 = bench
            .areas_mm2
            .iter()
            .enumerate()
            .map(|(k, a)| {
                let (x, y) = (bench.xs[k % nx], bench.ys[k / nx]);
                if panel.no_fill.iter().any(|p| p.contains(x, y)) {
                    0.0
                } else {
                    *a
                }
            })
            .collect();
        Fill {
            panel,
            bench,
            areas_mm2,
        }
    }

    /// The lows of heights (iy·nx + ix) against a reference's values at the same nodes.
    pub fn lows(&self, heights: &[f64], reference: &[f64]) -> Lows {
        let (nx, ny) = (self.bench.xs.len(), self.bench.ys.len());
        let deviation = Array2::from_shape_fn((ny, nx), |(iy, ix)| {
            heights[iy * nx + ix] - reference[iy * nx + ix]
        });
        lows(
            &deviation,
            &|_, _| 0.0,
            &|iy, ix| self.areas_mm2[iy * nx + ix],
            self.panel.node_limit_mm,
        )
    }

    /// Volume to be sanded down to a reference, cc.
    pub fn sanded_cc(&self, heights: &[f64], reference: &[f64]) -> f64 {
        heights
            .iter()
            .zip(reference)
            .zip(&self.bench.areas_mm2)
            .map(|((z, t), a)| (z - t).max(0.0) * a / 1000.0)
            .sum()
    }
}

/// One draw of the panel with its own reference.
pub struct Drawn {
    /// Filler to level, cc.
    pub total_cc: f64,
    /// Deviation from the draw's own reference at the workbench's nodes, mm.
    pub deviation: Vec<f64>,
}

/// Draws of the panel: each found height plus a draw's step, with the reference of `kind` fitted anew on `coarse`.
///
/// # Errors
/// [`Error::Calculation`] when a reference does not settle.
pub fn drawn(
    fill: &Fill,
    cloud: &Cloud,
    coarse: &Workbench,
    coarse_cloud: &Cloud,
    kind: Kind,
) -> Result<Vec<Drawn>, Error> {
    (0..DRAWS.min(cloud.steps.len()))
        .into_par_iter()
        .map(|k| {
            let add = |found: &[f64], step: Vec<f64>| -> Vec<f64> {
                found.iter().zip(step).map(|(f, s)| f + s).collect()
            };
            let rough = add(&coarse_cloud.found, coarse_cloud.step(k));
            let reference = coarse.reference(kind, &rough, &coarse.allowance)?;
            let heights = add(&cloud.found, cloud.step(k));
            let values = on_lines(coarse.basis(), &reference, &fill.bench.xs, &fill.bench.ys);
            let total_cc = fill.lows(&heights, &values).total_cc();
            let deviation = heights.iter().zip(&values).map(|(z, t)| z - t).collect();
            Ok(Drawn {
                total_cc,
                deviation,
            })
        })
        .collect()
}

/// Interval of the filler from the draws' totals.
pub fn interval(found_cc: f64, totals: &[f64]) -> super::Interval {
    super::findings::spread_about(found_cc, totals)
}
