//! Surface into the fair shapes to work to.
//!
//! In: heights on a node grid, allowances, form wavelengths. Out: [`References`]: the best fit, least filler and fill
//! only, and the best fit without allowance by which fairness is judged.

pub mod fairness;
mod slacks;
pub mod solve;

use crate::panel::Panel;
use crate::problem::Error;
use fairness::{Fairness, NodeLines};
use serde::Serialize;
use solve::{Price, Problem};

/// Price of sanding against filling for `least-filler`.
pub const SAND_PRICE: f64 = 0.25;

/// Which reference is worked to.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Kind {
    /// Follows the fair skin, fills lows, takes highs down as far as they may be sanded.
    #[default]
    BestFit,
    /// Sinks into fair skin to save filler.
    LeastFiller,
    /// Rides on the highest places; nothing is sanded.
    FillOnly,
}

impl Kind {
    /// All three, the default first.
    pub const ALL: [Kind; 3] = [Kind::BestFit, Kind::LeastFiller, Kind::FillOnly];

    /// The word in options, files and on screen.
    pub fn word(self) -> &'static str {
        match self {
            Kind::BestFit => "best-fit",
            Kind::LeastFiller => "least-filler",
            Kind::FillOnly => "fill-only",
        }
    }
}

/// The node grid on which references are fitted to one panel. Node (ix, iy) lies at multiples of the step from the datum.
#[derive(Debug)]
pub struct Workbench {
    fairness: Fairness,
    nodes: NodeLines,
    /// Distance between nodes, mm.
    pub step_mm: f64,
    /// x of the node columns, mm.
    pub xs: Vec<f64>,
    /// y of the node rows, mm.
    pub ys: Vec<f64>,
    /// Area of each node, mm² (iy·nx + ix); 0 off the panel.
    pub areas_mm2: Vec<f64>,
    weights: Vec<f64>,
    cell_mm2: f64,
    /// Allowance at each node, mm.
    pub allowance: Vec<f64>,
}

impl Workbench {
    /// Nodes at multiples of `step_mm` over the panel; `areas_mm2` is the area each node stands for, iy·nx + ix.
    ///
    /// # Errors
    /// [`Error::Calculation`] when memory runs out.
    pub fn new(
        panel: &Panel,
        step_mm: f64,
        areas_mm2: &dyn Fn(usize, usize) -> Vec<f64>,
    ) -> Result<Self, Error> {
        let fairness = Fairness::new(panel.length_mm, panel.width_mm, panel.form_wavelength_mm)?;
        let line = |length: f64| -> Vec<f64> {
            let cells = (length / step_mm + 1e-9).floor() as usize;
            (0..=cells).map(|k| k as f64 * step_mm).collect()
        };
        let (xs, ys) = (line(panel.length_mm), line(panel.width_mm));
        let areas = areas_mm2(xs.len(), ys.len());
        let cell_mm2 = step_mm * step_mm;
        let allowance = ys
            .iter()
            .flat_map(|&y| xs.iter().map(move |&x| (x, y)))
            .map(|(x, y)| panel.allowance_at(x, y))
            .collect();
        let nodes = NodeLines::new(&fairness.basis, &xs, &ys);
        Ok(Workbench {
            fairness,
            nodes,
            step_mm,
            xs,
            ys,
            weights: areas.iter().map(|a| a / cell_mm2).collect(),
            areas_mm2: areas,
            cell_mm2,
            allowance,
        })
    }

    /// Values at the nodes (iy·nx + ix) of a reference with these coefficients, mm.
    pub fn at_nodes(&self, coefficients: &[f64]) -> Vec<f64> {
        self.fairness.spread(&self.nodes, coefficients)
    }

    fn problem(&self) -> Problem<'_> {
        Problem {
            fairness: &self.fairness,
            nodes: &self.nodes,
            weights: &self.weights,
            cell_mm2: self.cell_mm2,
        }
    }

    /// The splines references are written in.
    pub fn basis(&self) -> &crate::fit::basis::Basis {
        &self.fairness.basis
    }

    /// A reference of this kind for node heights (iy·nx + ix, mm) under an allowance a node.
    ///
    /// # Errors
    /// [`Error::Calculation`] when the problem does not settle.
    pub fn reference(
        &self,
        kind: Kind,
        heights: &[f64],
        allowance: &[f64],
    ) -> Result<Vec<f64>, Error> {
        let nothing;
        let (allowance, sand) = match kind {
            Kind::BestFit => (allowance, 1.0),
            Kind::LeastFiller => (allowance, SAND_PRICE),
            Kind::FillOnly => {
                nothing = vec![0.0; heights.len()];
                (nothing.as_slice(), 1.0)
            }
        };
        solve::solve(
            &self.problem(),
            heights,
            allowance,
            Price { fill: 1.0, sand },
        )
    }

    /// The best fit without any allowance: by it fairness is judged.
    ///
    /// # Errors
    /// [`Error::Calculation`] when the problem does not settle.
    pub fn fair(&self, heights: &[f64]) -> Result<Vec<f64>, Error> {
        let free = vec![f64::INFINITY; heights.len()];
        self.reference(Kind::BestFit, heights, &free)
    }

    /// The linear filter behind the references (squared loss): passes 1/(1 + (λc/λ)⁶) of a wave along an axis.
    ///
    /// # Errors
    /// [`Error::Calculation`] when the factorisation fails.
    pub fn filtered(&self, heights: &[f64]) -> Result<Vec<f64>, Error> {
        let penalty = self.fairness.penalty(1.0 / self.cell_mm2);
        solve::least_squares(&self.problem(), heights, &penalty)
    }
}

/// The references of one surface, as spline coefficients on [`Workbench::basis`].
#[derive(Clone, Debug)]
pub struct References {
    /// Best fit without allowance.
    pub fair: Vec<f64>,
    /// The three kinds, in the order of [`Kind::ALL`].
    pub kinds: [Vec<f64>; 3],
}

impl References {
    /// All references of a surface given at the workbench's nodes.
    ///
    /// # Errors
    /// [`Error::Calculation`] when one does not settle.
    pub fn new(bench: &Workbench, heights: &[f64]) -> Result<Self, Error> {
        let ((fair, best), (least, only)) = rayon::join(
            || {
                (
                    bench.fair(heights),
                    bench.reference(Kind::BestFit, heights, &bench.allowance),
                )
            },
            || {
                (
                    bench.reference(Kind::LeastFiller, heights, &bench.allowance),
                    bench.reference(Kind::FillOnly, heights, &bench.allowance),
                )
            },
        );
        Ok(References {
            fair: fair?,
            kinds: [best?, least?, only?],
        })
    }
}
