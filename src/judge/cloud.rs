//! The found surface and its draws on one node grid, quadratics taken out of what they differ by.
//!
//! Planes, constant curvature and twist are free and cost nothing, so a draw counts only by how it
//! differs from the found surface beyond them.

use crate::fit::Surface;
use crate::fit::basis::Basis;
use crate::reference::Workbench;
use rayon::prelude::*;

/// A floor under the standard deviation, mm: on a fair panel the field is taken for flatter than it
/// is and its intervals hold the truth too seldom without it.
pub const FLOOR_MM: f64 = 0.015;
/// Draws summed as one part.
const PART: usize = 16;

/// Heights at the nodes of a workbench.
#[derive(Debug)]
pub struct Cloud {
    /// Found heights, mm (iy·nx + ix).
    pub found: Vec<f64>,
    /// For each draw, its spline coefficients less those found, less their best quadratic.
    pub steps: Vec<Vec<f64>>,
    basis: Basis,
    quadratics: Quadratics,
    xs: Vec<f64>,
    ys: Vec<f64>,
}

impl Cloud {
    /// The surface on the workbench's nodes.
    pub fn new(surface: &Surface, bench: &Workbench) -> Self {
        let basis = surface.basis;
        let quadratics = Quadratics::new(&basis, bench);
        let steps = surface
            .draws
            .par_iter()
            .map(|draw| {
                let mut step: Vec<f64> = draw
                    .iter()
                    .zip(&surface.coefficients)
                    .map(|(d, c)| d - c)
                    .collect();
                quadratics.remove(&basis, &mut step);
                step
            })
            .collect();
        Cloud {
            found: on_lines(&basis, &surface.coefficients, &bench.xs, &bench.ys),
            steps,
            basis,
            quadratics,
            xs: bench.xs.clone(),
            ys: bench.ys.clone(),
        }
    }

    /// What draw `k` differs by at the nodes, mm.
    pub fn step(&self, k: usize) -> Vec<f64> {
        self.steps.get(k).map_or_else(Vec::new, |step| {
            on_lines(&self.basis, step, &self.xs, &self.ys)
        })
    }

    /// What another step, spline coefficients about the found surface, differs by at the nodes, mm,
    /// its best quadratic taken out.
    pub fn other_step(&self, step: &[f64]) -> Vec<f64> {
        let mut step = step.to_vec();
        self.quadratics.remove(&self.basis, &mut step);
        on_lines(&self.basis, &step, &self.xs, &self.ys)
    }

    /// Standard deviation of the deviation at the nodes that other steps about another surface
    /// tell, mm, the floor included.
    pub fn sd_of(&self, steps: &[Vec<f64>]) -> Vec<f64> {
        let mut square = vec![0.0; self.xs.len() * self.ys.len()];
        for step in steps {
            let mut step = step.clone();
            self.quadratics.remove(&self.basis, &mut step);
            let values = on_lines(&self.basis, &step, &self.xs, &self.ys);
            for (s, v) in square.iter_mut().zip(values) {
                *s += v * v;
            }
        }
        let count = steps.len().max(1) as f64;
        square
            .iter()
            .map(|s| (s / count + FLOOR_MM * FLOOR_MM).sqrt())
            .collect()
    }

    /// Standard deviation of the deviation at nodes (xs × ys), mm, the floor included.
    pub fn sd_on(&self, xs: &[f64], ys: &[f64]) -> Vec<f64> {
        let count = self.steps.len().max(1) as f64;
        // Parts of a fixed size, added in order: which core takes which must not show in the last
        // digits.
        let parts: Vec<Vec<f64>> = self
            .steps
            .par_chunks(PART)
            .map(|part| {
                let mut sum = vec![0.0; xs.len() * ys.len()];
                for step in part {
                    for (s, d) in sum.iter_mut().zip(on_lines(&self.basis, step, xs, ys)) {
                        *s += d * d;
                    }
                }
                sum
            })
            .collect();
        let mut sum = vec![0.0; xs.len() * ys.len()];
        for part in parts {
            for (s, d) in sum.iter_mut().zip(part) {
                *s += d;
            }
        }
        sum.iter()
            .map(|s| (s / count + FLOOR_MM * FLOOR_MM).sqrt())
            .collect()
    }
}

/// Values of a spline on all (x, y) of two lists of lines, iy·nx + ix.
pub fn on_lines(basis: &Basis, coefficients: &[f64], xs: &[f64], ys: &[f64]) -> Vec<f64> {
    basis
        .on_grid(coefficients, xs, ys, [0, 0])
        .into_raw_vec_and_offset()
        .0
}

#[derive(Debug)]
/// The six quadratics as spline coefficients, orthonormal over the panel's nodes.
struct Quadratics {
    /// (coefficients, values at the nodes times their areas).
    terms: Vec<(Vec<f64>, Vec<f64>)>,
    xs: Vec<f64>,
    ys: Vec<f64>,
}

impl Quadratics {
    fn new(basis: &Basis, bench: &Workbench) -> Self {
        // Every other node will do: quadratics are smooth.
        let thin = |lines: &[f64]| -> Vec<usize> { (0..lines.len()).step_by(2).collect() };
        let (ix, iy) = (thin(&bench.xs), thin(&bench.ys));
        let nx = bench.xs.len();
        let areas: Vec<f64> = iy
            .iter()
            .flat_map(|&y| ix.iter().map(move |&x| y * nx + x))
            .map(|k| bench.areas_mm2[k])
            .collect();
        let xs: Vec<f64> = ix.iter().map(|&k| bench.xs[k]).collect();
        let ys: Vec<f64> = iy.iter().map(|&k| bench.ys[k]).collect();
        let half = [
            xs.last().copied().unwrap_or(1.0).max(1.0) / 2.0,
            ys.last().copied().unwrap_or(1.0).max(1.0) / 2.0,
        ];
        let mut terms: Vec<(Vec<f64>, Vec<f64>)> = Vec::new();
        for powers in [[0, 0], [1, 0], [0, 1], [2, 0], [1, 1], [0, 2]] {
            let mut c = basis.monomial(powers, half, half);
            // Gram–Schmidt, twice for good measure.
            for _ in 0..2 {
                for (other, weighted) in &terms {
                    let values = on_lines(basis, &c, &xs, &ys);
                    let share: f64 = values.iter().zip(weighted).map(|(v, w)| v * w).sum();
                    for (a, b) in c.iter_mut().zip(other) {
                        *a -= share * b;
                    }
                }
            }
            let values = on_lines(basis, &c, &xs, &ys);
            let norm: f64 = values
                .iter()
                .zip(&areas)
                .map(|(v, a)| v * v * a)
                .sum::<f64>()
                .sqrt();
            if norm > 1e-9 {
                let c: Vec<f64> = c.iter().map(|v| v / norm).collect();
                let weighted = values
                    .iter()
                    .zip(&areas)
                    .map(|(v, a)| v / norm * a)
                    .collect();
                terms.push((c, weighted));
            }
        }
        Quadratics { terms, xs, ys }
    }

    fn remove(&self, basis: &Basis, coefficients: &mut [f64]) {
        let values = on_lines(basis, coefficients, &self.xs, &self.ys);
        for (c, weighted) in &self.terms {
            let share: f64 = values.iter().zip(weighted).map(|(v, w)| v * w).sum();
            for (a, b) in coefficients.iter_mut().zip(c) {
                *a -= share * b;
            }
        }
    }
}
