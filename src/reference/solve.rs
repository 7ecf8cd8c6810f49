//! The reference as a convex problem, solved by a primal–dual interior-point method.
//!
//! For node heights zᵢ of weight gᵢ, with T = Bc: minimise Σ gᵢ(w_f·pᵢ + w_s·qᵢ) + ½cᵀRc, where Tᵢ
//! − zᵢ = pᵢ − qᵢ, p ≥ 0 is filled and 0 ≤ q ≤ allowanceᵢ is sanded. Newton steps reduce to (R +
//! BᵀΘ⁻¹B)·dc = r with a diagonal Θ; predictor and corrector after Mehrotra (SIAM J. Optim. 2,
//! 1992). Ten to twenty steps are usual.

use super::fairness::{Fairness, NodeLines};
use super::slacks::{Group, Limits, Sanding, Start};
use crate::fit::cholesky::Factor;
use crate::problem::Error;

/// Most steps.
const MOST_STEPS: usize = 60;
/// Mean complementarity at which it stops, mm: far below what any gauge reads.
const ACCURACY_MM: f64 = 2e-7;
/// A mean product above this share of the least so far has not got anywhere.
const STUCK_SHARE: f64 = 1.0;
/// Share of the mean product that a careful step aims at, at least.
const CAREFUL_AIM: f64 = 0.2;

/// One reference problem on a node grid.
#[derive(Debug)]
pub struct Problem<'a> {
    /// Spline space and penalty.
    pub fairness: &'a Fairness,
    /// The nodes.
    pub nodes: &'a NodeLines,
    /// Area of each node over the area of a full cell: 1 inside, less at edges, 0 off the panel.
    pub weights: &'a [f64],
}

/// What is asked of the reference.
#[derive(Clone, Copy, Debug)]
pub struct Price {
    /// Price of filling, per mm of depth.
    pub fill: f64,
    /// Price of sanding, per mm of depth.
    pub sand: f64,
}

/// Solve for the reference's coefficients.
///
/// `penalty` on [`Fairness::pattern`], ½cᵀRc; `heights` and `allowance` (mm, ≥ 0, may be infinite)
/// are one a node, indexed iy·nx + ix.
///
/// # Errors
/// [`Error::Calculation`] when a factorisation fails or the steps run out.
pub fn solve(
    problem: &Problem,
    penalty: &[f64],
    heights: &[f64],
    allowance: &[f64],
    price: Price,
) -> Result<Vec<f64>, Error> {
    let Problem {
        fairness,
        nodes: lines,
        ..
    } = problem;
    let mut c = least_squares(problem, heights, penalty)?;
    let mut groups = start(problem, heights, allowance, price, &c);
    let count: f64 = groups.iter().map(Group::products).sum();
    let (mut theta, mut pull) = (vec![0.0; lines.count()], vec![0.0; lines.count()]);
    let mut pace = Pace::default();
    for _ in 0..MOST_STEPS {
        let surface = fairness.spread(lines, &c);
        let (mut sum, mut worst) = (0.0, 0.0f64);
        for group in &mut groups {
            let (own_sum, own_worst) = group.reduce(&surface, &mut theta, &mut pull);
            sum += own_sum;
            worst = worst.max(own_worst);
        }
        let mu = sum / count.max(1.0);
        if mu < ACCURACY_MM && worst < 1e-5 {
            return Ok(c);
        }
        let mut values = penalty.to_vec();
        fairness.add_products(lines, &theta, &mut values);
        fairness.steady(&mut values);
        let factor = fairness.pattern.factor(&values)?;
        let bent = fairness.pattern.times(penalty, &c);
        let direction = |pull: &[f64]| -> Vec<f64> {
            let mut dc = fairness.gather(lines, pull);
            for (d, r) in dc.iter_mut().zip(&bent) {
                *d -= r;
            }
            factor.solve_in_place(&mut dc);
            dc
        };
        let moved = fairness.spread(lines, &direction(&pull));
        let mut limits = Limits::default();
        for group in &mut groups {
            limits.take(&group.step(&moved));
        }
        let (primal, dual) = limits.longest(1.0);
        let after = sum
            + primal * limits.primal_change
            + dual * limits.dual_change
            + primal * dual * limits.both_change;
        let careful = pace.careful(mu);
        let aim = (after / count.max(1.0) / mu).powi(3);
        let aim = if careful { aim.max(CAREFUL_AIM) } else { aim };
        for group in &mut groups {
            group.correct(aim * mu, !careful, &mut pull);
        }
        let dc = direction(&pull);
        let moved = fairness.spread(lines, &dc);
        let mut limits = Limits::default();
        for group in &mut groups {
            limits.take(&group.step(&moved));
        }
        let (mut primal, mut dual) = limits.longest(0.995);
        if careful {
            primal = primal.min(dual);
            dual = primal;
        }
        for (v, d) in c.iter_mut().zip(&dc) {
            *v += primal * d;
        }
        for group in &mut groups {
            group.go(primal, dual);
        }
    }
    Err(Error::Calculation(
        "the reference surface did not settle; please keep the files and report it".into(),
    ))
}

/// Whether the steps get anywhere.
///
/// Mehrotra's corrector takes for granted that the predictor's whole step could be gone; where a
/// few nodes allow only a short one it can drive the products up again, and the steps then run in a
/// circle (Cartis, Appl. Numer. Math. 59, 2009, on Mehrotra-type correctors; from memory). A step
/// after one that did not lower them is careful: no second-order terms, products kept even, slacks
/// and multipliers moved alike.
#[derive(Debug)]
struct Pace {
    least: f64,
}

impl Default for Pace {
    fn default() -> Self {
        Pace {
            least: f64::INFINITY,
        }
    }
}

impl Pace {
    /// Whether the step from this mean product must be careful.
    fn careful(&mut self, mu: f64) -> bool {
        let stuck = mu > STUCK_SHARE * self.least;
        self.least = self.least.min(mu);
        stuck
    }
}

/// The reference with a squared loss, Σ g(T − z)²/(2h₀) + penalty: the linear filter that passes
/// half of a wave of length λc. Starting point of the search, and what the filter's published
/// amplitude is checked against.
///
/// # Errors
/// [`Error::Calculation`] when the factorisation fails.
pub fn least_squares(
    problem: &Problem,
    heights: &[f64],
    penalty: &[f64],
) -> Result<Vec<f64>, Error> {
    let Problem {
        fairness,
        nodes,
        weights,
        ..
    } = problem;
    let scaled: Vec<f64> = weights.iter().map(|w| w / super::fairness::H0_MM).collect();
    let weighted: Vec<f64> = scaled
        .iter()
        .zip(heights)
        .map(|(w, z)| if *w > 0.0 { w * z } else { 0.0 })
        .collect();
    let mut c = fairness.gather(nodes, &weighted);
    factor_of(problem, &products(problem), penalty)?.solve_in_place(&mut c);
    Ok(c)
}

/// BᵀGB/h₀ of the squared loss, on [`Fairness::pattern`].
pub(super) fn products(problem: &Problem) -> Vec<f64> {
    let scaled: Vec<f64> = problem
        .weights
        .iter()
        .map(|w| w / super::fairness::H0_MM)
        .collect();
    let fairness = problem.fairness;
    let mut values = vec![0.0; fairness.pattern.entries()];
    fairness.add_products(problem.nodes, &scaled, &mut values);
    values
}

/// The normal equations of the squared loss, factored, given its [`products`].
///
/// # Errors
/// [`Error::Calculation`] when the factorisation fails.
pub(super) fn factor_of<'a>(
    problem: &Problem<'a>,
    products: &[f64],
    penalty: &[f64],
) -> Result<Factor<'a>, Error> {
    let mut values: Vec<f64> = products.iter().zip(penalty).map(|(d, r)| d + r).collect();
    problem.fairness.steady(&mut values);
    problem.fairness.pattern.factor(&values)
}

/// A strictly inner start: slacks about the size of the deviations, multipliers in the middle of
/// their ranges.
fn start(
    problem: &Problem,
    heights: &[f64],
    allowance: &[f64],
    price: Price,
    c: &[f64],
) -> Vec<Group> {
    let surface = problem.fairness.spread(problem.nodes, c);
    let used: Vec<usize> = (0..heights.len())
        .filter(|&k| problem.weights[k] > 0.0)
        .collect();
    let sum: f64 = used.iter().map(|&k| (heights[k] - surface[k]).abs()).sum();
    let spread = (sum / f64::max(used.len() as f64, 1.0)).max(0.01);
    let node = |&k: &usize| {
        let g = problem.weights[k];
        let t = surface[k] - heights[k];
        let bound = allowance[k];
        let bounded = bound.is_finite() && bound > 0.0;
        let q = (-t).max(0.0) + spread;
        let q = if bounded { q.min(0.5 * bound) } else { q };
        // y = 0 lies inside: a = g·w_f, b = g·w_s + e.
        let e = if bounded { 0.5 * g } else { 0.0 };
        Start {
            at: k,
            z: heights[k],
            p: t.max(0.0) + spread,
            q,
            a: g * price.fill,
            b: g * price.sand + e,
            e,
            r: bound - q,
        }
    };
    [Sanding::Never, Sanding::Free, Sanding::Bounded]
        .into_iter()
        .map(|sanding| {
            let own: Vec<Start> = used
                .iter()
                .filter(|&&k| Sanding::under(allowance[k]) == sanding)
                .map(node)
                .collect();
            Group::new(sanding, &own)
        })
        .collect()
}
