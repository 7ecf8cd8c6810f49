//! The reference as a convex problem, solved by a primal–dual interior-point method.
//!
//! For node heights zᵢ of weight gᵢ, with T = Bc: minimise Σ gᵢ(w_f·pᵢ + w_s·qᵢ) + ½cᵀRc, where Tᵢ − zᵢ = pᵢ − qᵢ,
//! p ≥ 0 is filled and 0 ≤ q ≤ allowanceᵢ is sanded. Newton steps reduce to (R + BᵀΘ⁻¹B)·dc = r with a diagonal Θ; predictor and
//! corrector after Mehrotra (SIAM J. Optim. 2, 1992). Ten to twenty steps are usual.

use super::fairness::{Fairness, NodeLines};
use crate::problem::Error;

/// Most steps.
const MOST_STEPS: usize = 60;
/// Mean complementarity at which it stops, mm: far below what any gauge reads.
const ACCURACY_MM: f64 = 2e-7;

/// One reference problem on a node grid.
#[derive(Debug)]
pub struct Problem<'a> {
    /// Spline space and penalty.
    pub fairness: &'a Fairness,
    /// The nodes.
    pub nodes: &'a NodeLines,
    /// Area of each node over the area of a full cell: 1 inside, less at edges, 0 off the panel.
    pub weights: &'a [f64],
    /// Area of a full cell, mm².
    pub cell_mm2: f64,
}

/// What is asked of the reference.
#[derive(Clone, Copy, Debug)]
pub struct Price {
    /// Price of filling, per mm of depth.
    pub fill: f64,
    /// Price of sanding, per mm of depth.
    pub sand: f64,
}

/// Slacks and multipliers of one node.
#[derive(Clone, Copy)]
struct Node {
    /// Index on the grid.
    at: usize,
    g: f64,
    z: f64,
    /// Allowance; infinite: no bound. Zero: no sanding, then q, b, e, r are not used.
    bound: f64,
    p: f64,
    q: f64,
    a: f64,
    b: f64,
    e: f64,
    r: f64,
    y: f64,
}

/// One Newton direction of a node.
#[derive(Clone, Copy, Default)]
struct Step {
    p: f64,
    q: f64,
    a: f64,
    b: f64,
    e: f64,
    y: f64,
}

impl Node {
    fn sanded(&self) -> bool {
        self.bound > 0.0
    }
    fn bounded(&self) -> bool {
        self.bound.is_finite()
    }
    /// Products that must vanish, summed, and how many there are.
    fn complementarity(&self) -> (f64, usize) {
        let mut sum = self.a * self.p;
        let mut count = 1;
        if self.sanded() {
            sum += self.b * self.q;
            count += 1;
            if self.bounded() {
                sum += self.e * self.r;
                count += 1;
            }
        }
        (sum, count)
    }
    /// Right-hand sides of the three complementarity rows for target μ and second-order terms of `predicted`.
    fn targets(&self, mu: f64, predicted: &Step) -> [f64; 3] {
        [
            mu - self.a * self.p - predicted.a * predicted.p,
            mu - self.b * self.q - predicted.b * predicted.q,
            mu - self.e * self.r + predicted.e * predicted.q,
        ]
    }
    /// dq = offset + slope·dy, and de from it.
    fn sanding_step(&self, [_, rb, re]: [f64; 3]) -> (f64, f64) {
        if !self.sanded() {
            return (0.0, 0.0);
        }
        if self.bounded() {
            let under = self.b + self.q * self.e / self.r;
            ((rb - self.q * re / self.r) / under, self.q / under)
        } else {
            (rb / self.b, self.q / self.b)
        }
    }
    /// (θ, ρ): dy = (ρ − (B dc))/θ.
    fn reduced(&self, t: f64, targets: [f64; 3]) -> (f64, f64) {
        let (offset, slope) = self.sanding_step(targets);
        let q = if self.sanded() { self.q } else { 0.0 };
        let residual = self.z - (t - self.p + q);
        (
            self.p / self.a + slope,
            residual + targets[0] / self.a - offset,
        )
    }
    fn step(&self, dy: f64, targets: [f64; 3]) -> Step {
        let dp = (targets[0] - self.p * dy) / self.a;
        let mut step = Step {
            p: dp,
            a: dy,
            y: dy,
            ..Step::default()
        };
        if self.sanded() {
            let (offset, slope) = self.sanding_step(targets);
            step.q = offset + slope * dy;
            if self.bounded() {
                step.e = (targets[2] + self.e * step.q) / self.r;
            }
            step.b = -dy + step.e;
        }
        step
    }
    /// Longest steps (primal, dual) that keep everything positive.
    fn longest(&self, s: &Step) -> (f64, f64) {
        let limit = |value: f64, change: f64| {
            if change < 0.0 { -value / change } else { f64::INFINITY }
        };
        let (mut primal, mut dual) = (limit(self.p, s.p), limit(self.a, s.a));
        if self.sanded() {
            primal = primal.min(limit(self.q, s.q));
            dual = dual.min(limit(self.b, s.b));
            if self.bounded() {
                primal = primal.min(limit(self.r, -s.q));
                dual = dual.min(limit(self.e, s.e));
            }
        }
        (primal, dual)
    }
    fn moved(&self, s: &Step, primal: f64, dual: f64) -> Node {
        let mut n = *self;
        n.p += primal * s.p;
        n.a += dual * s.a;
        n.y += dual * s.y;
        if self.sanded() {
            n.q += primal * s.q;
            n.b += dual * s.b;
            if self.bounded() {
                n.r -= primal * s.q;
                n.e += dual * s.e;
            }
        }
        n
    }
}

/// Solve for the reference's coefficients.
///
/// `heights` and `allowance` (mm, ≥ 0, may be infinite) are one a node, indexed iy·nx + ix.
///
/// # Errors
/// [`Error::Calculation`] when a factorisation fails or the steps run out.
pub fn solve(problem: &Problem, heights: &[f64], allowance: &[f64], price: Price) -> Result<Vec<f64>, Error> {
    let Problem {
        fairness,
        nodes: lines,
        weights,
        cell_mm2,
    } = problem;
    let penalty = fairness.penalty(1.0 / cell_mm2);
    let mut c = least_squares(problem, heights, &penalty)?;
    let mut nodes = start(problem, heights, allowance, price, &c);
    let mut theta = vec![0.0; lines.count()];
    for _ in 0..MOST_STEPS {
        let (sum, count) = nodes
            .iter()
            .map(Node::complementarity)
            .fold((0.0, 0), |s, n| (s.0 + n.0, s.1 + n.1));
        let mu = sum / count.max(1) as f64;
        let surface = fairness.spread(lines, &c);
        let worst = nodes
            .iter()
            .map(|n| {
                let q = if n.sanded() { n.q } else { 0.0 };
                (n.z - surface[n.at] + n.p - q).abs()
            })
            .fold(0.0, f64::max);
        if mu < ACCURACY_MM && worst < 1e-5 {
            return Ok(c);
        }
        theta.fill(0.0);
        for n in &nodes {
            theta[n.at] = 1.0 / n.reduced(0.0, [0.0; 3]).0;
        }
        let mut values = penalty.clone();
        fairness.add_products(lines, &theta, &mut values);
        // The plane and quadratics are held by the nodes alone; a hair on the diagonal keeps tiny panels regular.
        for k in 0..c.len() {
            if let Some(place) = fairness.pattern.position(k, k) {
                values[place] *= 1.0 + 1e-12;
            }
        }
        let factor = fairness.pattern.factor(&values)?;
        let direction = |targets: &dyn Fn(usize) -> [f64; 3]| -> (Vec<f64>, Vec<Step>) {
            let mut pull = vec![0.0; lines.count()];
            for (k, n) in nodes.iter().enumerate() {
                let (th, rho) = n.reduced(surface[n.at], targets(k));
                pull[n.at] = rho / th + n.y;
            }
            let mut dc = fairness.gather(lines, &pull);
            for (d, r) in dc.iter_mut().zip(fairness.pattern.times(&penalty, &c)) {
                *d -= r;
            }
            factor.solve_in_place(&mut dc);
            let moved = fairness.spread(lines, &dc);
            let steps = nodes
                .iter()
                .enumerate()
                .map(|(k, n)| {
                    let t = targets(k);
                    let (th, rho) = n.reduced(surface[n.at], t);
                    n.step((rho - moved[n.at]) / th, t)
                })
                .collect();
            (dc, steps)
        };
        let none = Step::default();
        let (_, predictor) = direction(&|k| nodes[k].targets(0.0, &none));
        let (primal, dual) = longest(&nodes, &predictor, 1.0);
        let after: f64 = nodes
            .iter()
            .zip(&predictor)
            .map(|(n, s)| n.moved(s, primal, dual).complementarity().0)
            .sum::<f64>()
            / count.max(1) as f64;
        let centring = (after / mu).powi(3) * mu;
        let (dc, steps) = direction(&|k| nodes[k].targets(centring, &predictor[k]));
        let (primal, dual) = longest(&nodes, &steps, 0.995);
        for (v, d) in c.iter_mut().zip(&dc) {
            *v += primal * d;
        }
        for (n, s) in nodes.iter_mut().zip(&steps) {
            *n = n.moved(s, primal, dual);
        }
    }
    Err(Error::Calculation(
        "the reference surface did not settle; please keep the files and report it".into(),
    ))
}

fn longest(nodes: &[Node], steps: &[Step], share: f64) -> (f64, f64) {
    let (mut primal, mut dual) = (f64::INFINITY, f64::INFINITY);
    for (n, s) in nodes.iter().zip(steps) {
        let (p, d) = n.longest(s);
        primal = primal.min(p);
        dual = dual.min(d);
    }
    ((share * primal).min(1.0), (share * dual).min(1.0))
}

/// The reference with a squared loss, Σ g(T − z)²/(2h₀) + penalty: the linear filter that passes half of a wave of
/// length λc. Starting point of the search, and what the filter's published amplitude is checked against.
///
/// # Errors
/// [`Error::Calculation`] when the factorisation fails.
pub fn least_squares(problem: &Problem, heights: &[f64], penalty: &[f64]) -> Result<Vec<f64>, Error> {
    let Problem {
        fairness,
        nodes,
        weights,
        ..
    } = problem;
    let scaled: Vec<f64> = weights
        .iter()
        .map(|w| w / super::fairness::H0_MM)
        .collect();
    let mut values = penalty.to_vec();
    fairness.add_products(nodes, &scaled, &mut values);
    for k in 0..fairness.basis.count() {
        if let Some(place) = fairness.pattern.position(k, k) {
            values[place] *= 1.0 + 1e-12;
        }
    }
    let weighted: Vec<f64> = scaled
        .iter()
        .zip(heights)
        .map(|(w, z)| if *w > 0.0 { w * z } else { 0.0 })
        .collect();
    let mut c = fairness.gather(nodes, &weighted);
    fairness.pattern.factor(&values)?.solve_in_place(&mut c);
    Ok(c)
}

/// A strictly inner start: slacks about the size of the deviations, multipliers in the middle of their ranges.
fn start(problem: &Problem, heights: &[f64], allowance: &[f64], price: Price, c: &[f64]) -> Vec<Node> {
    let surface = problem.fairness.spread(problem.nodes, c);
    let used = || (0..heights.len()).filter(|&k| problem.weights[k] > 0.0);
    let spread = {
        let (sum, count) = used().fold((0.0, 0.0), |s, k| {
            (s.0 + (heights[k] - surface[k]).abs(), s.1 + 1.0)
        });
        (sum / f64::max(count, 1.0)).max(0.01)
    };
    used()
        .map(|k| {
            let g = problem.weights[k];
            let t = surface[k] - heights[k];
            let bound = allowance[k];
            let mut q = (-t).max(0.0) + spread;
            if bound.is_finite() {
                q = q.min(0.5 * bound);
            }
            let p = t.max(0.0) + spread;
            // y = 0 lies inside: a = g·w_f, b = g·w_s + e.
            let r = bound - q;
            let e = if bound.is_finite() && bound > 0.0 { 0.5 * g } else { 0.0 };
            Node {
                at: k,
                g,
                z: heights[k],
                bound,
                p,
                q,
                a: g * price.fill,
                b: g * price.sand + e,
                e,
                r,
                y: 0.0,
            }
        })
        .collect()
}
