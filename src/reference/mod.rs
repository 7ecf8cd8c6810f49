//! Surface into the fair shapes to work to.
//!
//! In: heights on a node grid, allowances, form wavelengths. Out: [`References`]: the skin, by
//! which fairness is judged, and the three shapes that may be worked to: the skin raised where it
//! must be, one that sinks into fair skin to save filler, and one that rides on the highest places.

pub mod fairness;
pub mod skin;
mod slacks;
pub mod solve;

use crate::panel::Panel;
use crate::problem::Error;
use fairness::{Fairness, NodeLines};
use serde::Serialize;
use skin::{Loss, NEARLY_SETTLED_MM, SETTLED_MM, Search, Skin};
use solve::{Price, Problem};

/// Price of sanding against filling for `sink`.
pub const SAND_PRICE: f64 = 0.25;
/// A node whose sd is this large counts half in the search for the skin, mm.
const TRUSTED_SD_MM: f64 = 0.1;
/// Say of a node under coat against one that the block reached (chosen on the two simulators of
/// docs/decisions.md among 0.05 to 1: with 1 the other hand's three panels overlap by 0.56 to 0.70,
/// with 0.3 by 0.60 to 0.74; below 0.2 our own crowned panels are told 7 % too much).
const COATED_SAY: f64 = 0.3;
/// Quantiles that other skins are looked for from.
const OTHER_STARTS: [f64; 2] = [0.25, 0.75];

/// Which reference is worked to.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Kind {
    /// The skin that is there, carried on across lows and under highs; raised, as little as
    /// possible, where a high exceeds what may be sanded.
    #[default]
    Skin,
    /// Sinks into fair skin to save filler.
    Sink,
    /// Rides on the highest places; nothing is sanded.
    Ride,
}

impl Kind {
    /// All three, the default first.
    pub const ALL: [Kind; 3] = [Kind::Skin, Kind::Sink, Kind::Ride];

    /// The word in options, files and on screen.
    pub fn word(self) -> &'static str {
        match self {
            Kind::Skin => "skin",
            Kind::Sink => "sink",
            Kind::Ride => "ride",
        }
    }
}

/// The node grid on which references are fitted to one panel. Node (ix, iy) lies at multiples of
/// the step from the datum.
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
    /// [`Workbench::weights`] times what each node is trusted.
    trusted: Vec<f64>,
    /// Standard deviation of the height at each node, mm; 0 for a surface known exactly.
    sd_mm: Vec<f64>,
    cell_mm2: f64,
    /// What the search for the skin minimises.
    loss: Loss,
    /// Allowance at each node, mm.
    pub allowance: Vec<f64>,
}

impl Workbench {
    /// Nodes at multiples of `step_mm` over the panel; `areas_mm2` is the area each node stands
    /// for, iy·nx + ix.
    ///
    /// # Errors
    /// [`Error::Calculation`] when memory runs out.
    pub fn new(
        panel: &Panel,
        step_mm: f64,
        areas_mm2: &dyn Fn(usize, usize) -> Vec<f64>,
    ) -> Result<Self, Error> {
        let fairness = Fairness::new(
            panel.length_mm,
            panel.width_mm,
            panel.form_wavelength_mm,
            panel.curvature_per_mm(),
        )?;
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
        let weights: Vec<f64> = areas.iter().map(|a| a / cell_mm2).collect();
        Ok(Workbench {
            fairness,
            nodes,
            step_mm,
            xs,
            ys,
            trusted: weights.clone(),
            sd_mm: vec![0.0; weights.len()],
            weights,
            areas_mm2: areas,
            cell_mm2,
            loss: Loss::of(panel.form_wavelength_mm),
            allowance,
        })
    }

    /// Values at the nodes (iy·nx + ix) of a reference with these coefficients, mm.
    pub fn at_nodes(&self, coefficients: &[f64]) -> Vec<f64> {
        self.fairness.spread(&self.nodes, coefficients)
    }

    /// Let each node's say in the search for the skin follow how well it is known: `sd_mm` a node
    /// (iy·nx + ix), infinite where nothing is known and the node must not pull at all.
    pub fn trust(&mut self, sd_mm: &[f64]) {
        self.sd_mm = sd_mm
            .iter()
            .map(|sd| if sd.is_finite() { *sd } else { 0.0 })
            .collect();
        for ((t, w), sd) in self.trusted.iter_mut().zip(&self.weights).zip(sd_mm) {
            *t = w / (1.0 + (sd / TRUSTED_SD_MM).powi(2));
        }
        // Hardly anything known is still better than nothing to go by.
        if self.trusted.iter().all(|t| *t <= 0.0) {
            self.trusted.clone_from(&self.weights);
        }
    }

    /// Let the skin rest on what photos show the block to have reached: `coat` a node (iy·nx + ix)
    /// is the share of it under guide coat as surely as that is known, 0 to 1. What is under coat
    /// is lower than its surroundings by the block's own word, so it says little of where the skin
    /// runs.
    pub fn rest_on_bare(&mut self, coat: &[f64]) {
        for (t, coat) in self.trusted.iter_mut().zip(coat) {
            *t *= 1.0 - (1.0 - COATED_SAY) * coat.clamp(0.0, 1.0);
        }
    }

    fn problem<'a>(&'a self, weights: &'a [f64]) -> Problem<'a> {
        Problem {
            fairness: &self.fairness,
            nodes: &self.nodes,
            weights,
        }
    }

    /// The splines references are written in.
    pub fn basis(&self) -> &crate::fit::basis::Basis {
        &self.fairness.basis
    }

    /// The skin of node heights (iy·nx + ix, mm) that a search ends in.
    ///
    /// # Errors
    /// [`Error::Calculation`] when a factorisation fails.
    fn skin_from(&self, heights: &[f64], search: Search) -> Result<Skin, Error> {
        let penalty = self.fairness.held_penalty(1.0 / self.cell_mm2);
        let known = self.less_known_curvature(heights);
        let mut skin = skin::skin(
            &self.problem(&self.trusted),
            &penalty,
            (&known, &self.sd_mm),
            search,
        )?;
        if let Some(added) = self.fairness.known_curvature() {
            for (c, a) in skin.coefficients.iter_mut().zip(added) {
                *c += a;
            }
        }
        Ok(skin)
    }

    /// Heights less the curvature that panel.toml states, so that the penalty on what differs from
    /// it is quadratic.
    fn less_known_curvature(&self, heights: &[f64]) -> Vec<f64> {
        match self.fairness.known_curvature() {
            Some(known) => heights
                .iter()
                .zip(self.at_nodes(known))
                .map(|(z, k)| z - k)
                .collect(),
            None => heights.to_vec(),
        }
    }

    /// The skin of node heights (iy·nx + ix, mm): the fair shape that is there, whatever may be
    /// sanded.
    ///
    /// # Errors
    /// [`Error::Calculation`] when a factorisation fails.
    pub fn skin(&self, heights: &[f64]) -> Result<Skin, Error> {
        self.settled_skin(heights, SETTLED_MM)
    }

    /// The same, less closely: for the many panels that tell how far surveys err.
    ///
    /// # Errors
    /// [`Error::Calculation`] when a factorisation fails.
    pub fn rough_skin(&self, heights: &[f64]) -> Result<Skin, Error> {
        self.settled_skin(heights, NEARLY_SETTLED_MM)
    }

    fn settled_skin(&self, heights: &[f64], settled_mm: f64) -> Result<Skin, Error> {
        let search = Search {
            quantile: 0.5,
            settled_mm,
            loss: self.loss,
        };
        self.skin_from(heights, search)
    }

    /// Skins of the same heights that another start leads to, best first.
    ///
    /// # Errors
    /// [`Error::Calculation`] when a factorisation fails.
    pub fn other_skins(&self, heights: &[f64]) -> Result<Vec<Skin>, Error> {
        let mut all = OTHER_STARTS
            .iter()
            .map(|&quantile| {
                let search = Search {
                    quantile,
                    settled_mm: NEARLY_SETTLED_MM,
                    loss: self.loss.even(),
                };
                self.skin_from(heights, search)
            })
            .collect::<Result<Vec<_>, _>>()?;
        all.sort_by(|a, b| a.cost.total_cmp(&b.cost));
        Ok(all)
    }

    /// The skin, raised smoothly and by as little filler as possible so that no node stands above
    /// it by more than its allowance; lowered nowhere. `skin` and the result are spline
    /// coefficients; heights and allowances are one a node, mm.
    ///
    /// With u what it is raised by and h the height above the skin: minimise Σ g·(u − h)₊ +
    /// penalty(u) subject to u ≥ 0 and h − u ≤ allowance.
    ///
    /// # Errors
    /// [`Error::Calculation`] when the problem does not settle.
    pub fn raised(
        &self,
        skin: &[f64],
        heights: &[f64],
        allowance: &[f64],
    ) -> Result<Vec<f64>, Error> {
        let above: Vec<f64> = heights
            .iter()
            .zip(self.at_nodes(skin))
            .zip(&self.trusted)
            .map(|((z, r), t)| if *t > 0.0 { (z - r).max(0.0) } else { 0.0 })
            .collect();
        if above.iter().zip(allowance).all(|(h, a)| h <= a) {
            return Ok(skin.to_vec());
        }
        // Sanding no more than what stands above the skin is not lowering it.
        let bound: Vec<f64> = above
            .iter()
            .zip(allowance)
            .map(|(h, a)| h.min(*a))
            .collect();
        let mut raise = solve::solve(
            &self.problem(&self.weights),
            &self.fairness.penalty(1.0 / self.cell_mm2),
            &above,
            &bound,
            Price {
                fill: 1.0,
                sand: 0.0,
            },
        )?;
        for (r, s) in raise.iter_mut().zip(skin) {
            *r += s;
        }
        Ok(raise)
    }

    /// A reference of this kind for node heights (iy·nx + ix, mm) over their skin, under an
    /// allowance a node.
    ///
    /// # Errors
    /// [`Error::Calculation`] when the problem does not settle.
    pub fn over(
        &self,
        kind: Kind,
        skin: &[f64],
        heights: &[f64],
        allowance: &[f64],
    ) -> Result<Vec<f64>, Error> {
        match kind {
            Kind::Skin => self.raised(skin, heights, allowance),
            Kind::Sink => self.sunk(heights, allowance),
            Kind::Ride => self.raised(skin, heights, &vec![0.0; heights.len()]),
        }
    }

    /// The reference that minimises filler plus a low price of sanding: it goes into fair skin to
    /// save filler.
    fn sunk(&self, heights: &[f64], allowance: &[f64]) -> Result<Vec<f64>, Error> {
        let mut sunk = solve::solve(
            &self.problem(&self.weights),
            &self.fairness.held_penalty(1.0 / self.cell_mm2),
            &self.less_known_curvature(heights),
            allowance,
            Price {
                fill: 1.0,
                sand: SAND_PRICE,
            },
        )?;
        if let Some(added) = self.fairness.known_curvature() {
            for (c, a) in sunk.iter_mut().zip(added) {
                *c += a;
            }
        }
        Ok(sunk)
    }

    /// The same with the skin found first.
    ///
    /// # Errors
    /// [`Error::Calculation`] when the problem does not settle.
    pub fn reference(
        &self,
        kind: Kind,
        heights: &[f64],
        allowance: &[f64],
    ) -> Result<Vec<f64>, Error> {
        let skin = match kind {
            Kind::Sink => Vec::new(),
            Kind::Skin | Kind::Ride => self.skin(heights)?.coefficients,
        };
        self.over(kind, &skin, heights, allowance)
    }

    /// The linear filter behind the references (squared loss): passes 1/(1 + (λc/λ)⁶) of a wave
    /// along an axis.
    ///
    /// # Errors
    /// [`Error::Calculation`] when the factorisation fails.
    pub fn filtered(&self, heights: &[f64]) -> Result<Vec<f64>, Error> {
        let penalty = self.fairness.penalty(1.0 / self.cell_mm2);
        solve::least_squares(&self.problem(&self.weights), heights, &penalty)
    }
}

/// The references of one surface, as spline coefficients on [`Workbench::basis`].
#[derive(Clone, Debug)]
pub struct References {
    /// The skin: by it fairness is judged, whatever may be sanded.
    pub skin: Skin,
    /// The three kinds, in the order of [`Kind::ALL`].
    pub kinds: [Vec<f64>; 3],
}

impl References {
    /// All references of a surface given at the workbench's nodes.
    ///
    /// # Errors
    /// [`Error::Calculation`] when one does not settle.
    pub fn new(bench: &Workbench, heights: &[f64]) -> Result<Self, Error> {
        let skin = bench.skin(heights)?;
        let of = |kind| bench.over(kind, &skin.coefficients, heights, &bench.allowance);
        let (work, (sink, ride)) = rayon::join(
            || of(Kind::Skin),
            || rayon::join(|| of(Kind::Sink), || of(Kind::Ride)),
        );
        let kinds = [work?, sink?, ride?];
        Ok(References { skin, kinds })
    }
}
