//! What the three references share: the spline the reference lives on, and the penalty that makes it fair.
//!
//! Fair means that curvature changes slowly: the penalty is on third derivatives, so that planes and constant
//! curvature cost nothing. With a, b = λc/2π of each axis it is
//! ½h₀⁻¹∬ a⁶T_xxx² + 3a⁴b²T_xxy² + 3a²b⁴T_xyy² + b⁶T_yyy²; with a squared loss it would pass a wave of length λ with
//! 1/(1 + (λc/λ)⁶) per axis, half at λc.

use crate::fit::basis::{Axis, Basis};
use crate::fit::cholesky::Pattern;
use crate::problem::Error;

/// Makes a linear loss comparable with a squared penalty, mm.
pub const H0_MM: f64 = 0.25;
/// Knots of the reference per form wavelength.
const KNOTS_PER_WAVELENGTH: f64 = 8.0;

/// The spline space of a reference with its penalty, and the pattern of every matrix on it.
#[derive(Debug)]
pub struct Fairness {
    /// The splines.
    pub basis: Basis,
    /// Pattern of products of splines.
    pub pattern: Pattern,
    /// For each pair of neighbouring splines (row ≥ column): row, column as (i, j) pairs and its place.
    pairs: Vec<Pair>,
    /// Penalty, mm per mm² of panel: ½cᵀRc integrates the penalty over the panel's box.
    penalty: Vec<f64>,
}

#[derive(Clone, Copy, Debug)]
struct Pair {
    i: usize,
    j: usize,
    /// Steps to the other spline: p = i + di, q = j + dj − 3.
    di: usize,
    dj: usize,
    place: usize,
}

impl Fairness {
    /// Splines and penalty on a box of length × width (mm) for form wavelengths (x, y) in mm.
    ///
    /// # Errors
    /// [`Error::Calculation`] when memory runs out.
    pub fn new(length: f64, width: f64, wavelength: [f64; 2]) -> Result<Self, Error> {
        let basis = Basis {
            x: Axis::new(length, wavelength[0] / KNOTS_PER_WAVELENGTH),
            y: Axis::new(width, wavelength[1] / KNOTS_PER_WAVELENGTH),
        };
        let (nx, ny) = (basis.x.count(), basis.y.count());
        let mut columns = vec![Vec::new(); nx * ny];
        let mut pairs = Vec::new();
        for i in 0..nx {
            for j in 0..ny {
                for p in i..(i + 4).min(nx) {
                    for q in j.saturating_sub(3)..(j + 4).min(ny) {
                        let (row, column) = (basis.index(p, q), basis.index(i, j));
                        if row >= column {
                            columns[column].push(row);
                            pairs.push(Pair {
                                i,
                                j,
                                di: p - i,
                                dj: 3 + q - j,
                                place: 0,
                            });
                        }
                    }
                }
            }
        }
        let pattern = Pattern::new(columns)?;
        let [a, b] = wavelength.map(|l| (l / (2.0 * std::f64::consts::PI)).powi(2));
        let weights = [b * b * b, 3.0 * a * b * b, 3.0 * a * a * b, a * a * a];
        let gx: Vec<_> = (0..=3).map(|d| basis.x.gram(d)).collect();
        let gy: Vec<_> = (0..=3).map(|d| basis.y.gram(d)).collect();
        let mut penalty = vec![0.0; pattern.entries()];
        for pair in &mut pairs {
            let (row, column) = (
                basis.index(pair.i + pair.di, pair.j + pair.dj - 3),
                basis.index(pair.i, pair.j),
            );
            pair.place = pattern
                .position(row, column)
                .ok_or_else(|| Error::Calculation("an entry is missing from the pattern".into()))?;
            penalty[pair.place] = (0..=3)
                .map(|d| weights[d] * gx[d][pair.i][3 + pair.di] * gy[3 - d][pair.j][pair.dj])
                .sum::<f64>()
                / H0_MM;
        }
        Ok(Fairness {
            basis,
            pattern,
            pairs,
            penalty,
        })
    }

    /// Penalty values times `scale`, on [`Fairness::pattern`].
    pub fn penalty(&self, scale: f64) -> Vec<f64> {
        self.penalty.iter().map(|p| p * scale).collect()
    }

    /// Add BᵀDB to `values`, D one weight a node (indexed iy·nx + ix).
    ///
    /// The products along y are summed for one column of nodes first, then spread along x: ten products a node
    /// instead of 136.
    pub fn add_products(&self, nodes: &NodeLines, weights: &[f64], values: &mut [f64]) {
        let (nx, cy) = (nodes.at_x.len(), self.basis.y.count());
        // along_x[i][d][j][k]: sum over node columns of bx_i·bx_{i+d}·(products along y).
        let cx = self.basis.x.count();
        let mut sums = vec![0.0; cx * 4 * cy * 4];
        let mut band = vec![0.0; cy * 4];
        for (ix, (i0, bx)) in nodes.at_x.iter().enumerate() {
            band.fill(0.0);
            for (iy, (j0, by)) in nodes.at_y.iter().enumerate() {
                let d = weights[iy * nx + ix];
                if d == 0.0 {
                    continue;
                }
                for k in 0..4 {
                    for l in k..4 {
                        band[(j0 + k) * 4 + l - k] += d * by[k] * by[l];
                    }
                }
            }
            for k in 0..4 {
                for l in k..4 {
                    let product = bx[k] * bx[l];
                    let base = ((i0 + k) * 4 + l - k) * cy * 4;
                    for (s, b) in sums[base..base + cy * 4].iter_mut().zip(&band) {
                        *s += product * b;
                    }
                }
            }
        }
        for pair in &self.pairs {
            let (j, dj) = if pair.dj >= 3 {
                (pair.j, pair.dj - 3)
            } else {
                (pair.j + pair.dj - 3, 3 - pair.dj)
            };
            values[pair.place] += sums[((pair.i * 4 + pair.di) * cy + j) * 4 + dj];
        }
    }

    /// Bᵀv for one value a node.
    pub fn gather(&self, nodes: &NodeLines, v: &[f64]) -> Vec<f64> {
        let (nx, cy) = (nodes.at_x.len(), self.basis.y.count());
        let mut out = vec![0.0; self.basis.count()];
        let mut line = vec![0.0; cy];
        for (ix, (i0, bx)) in nodes.at_x.iter().enumerate() {
            line.fill(0.0);
            for (iy, (j0, by)) in nodes.at_y.iter().enumerate() {
                let value = v[iy * nx + ix];
                for (l, b) in line[*j0..j0 + 4].iter_mut().zip(by) {
                    *l += value * b;
                }
            }
            for (i, b) in bx.iter().enumerate() {
                let row = &mut out[(i0 + i) * cy..(i0 + i + 1) * cy];
                for (o, l) in row.iter_mut().zip(&line) {
                    *o += b * l;
                }
            }
        }
        out
    }

    /// Bc at every node (indexed iy·nx + ix).
    pub fn spread(&self, nodes: &NodeLines, c: &[f64]) -> Vec<f64> {
        let (nx, cy) = (nodes.at_x.len(), self.basis.y.count());
        let mut out = vec![0.0; nx * nodes.at_y.len()];
        let mut line = vec![0.0; cy];
        for (ix, (i0, bx)) in nodes.at_x.iter().enumerate() {
            line.fill(0.0);
            for (i, b) in bx.iter().enumerate() {
                let row = &c[(i0 + i) * cy..(i0 + i + 1) * cy];
                for (l, r) in line.iter_mut().zip(row) {
                    *l += b * r;
                }
            }
            for (iy, (j0, by)) in nodes.at_y.iter().enumerate() {
                out[iy * nx + ix] = by.iter().zip(&line[*j0..j0 + 4]).map(|(b, l)| b * l).sum();
            }
        }
        out
    }
}

/// The lines of a node grid with the splines' values on them.
#[derive(Clone, Debug)]
pub struct NodeLines {
    at_x: Vec<(usize, [f64; 4])>,
    at_y: Vec<(usize, [f64; 4])>,
}

impl NodeLines {
    /// For nodes at all (x, y) of these lines, mm.
    pub fn new(basis: &Basis, xs: &[f64], ys: &[f64]) -> Self {
        NodeLines {
            at_x: xs.iter().map(|&x| basis.x.at(x, 0)).collect(),
            at_y: ys.iter().map(|&y| basis.y.at(y, 0)).collect(),
        }
    }

    /// Number of nodes.
    pub fn count(&self) -> usize {
        self.at_x.len() * self.at_y.len()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn products_agree_with_the_plain_sum_over_nodes() {
        let fairness = Fairness::new(900.0, 700.0, [1200.0, 800.0]).unwrap();
        let xs: Vec<f64> = (0..31).map(|k| 30.0 * k as f64).collect();
        let ys: Vec<f64> = (0..15).map(|k| 50.0 * k as f64).collect();
        let nodes = NodeLines::new(&fairness.basis, &xs, &ys);
        let weights: Vec<f64> = (0..nodes.count()).map(|k| (k as f64).sin().powi(2)).collect();
        let mut values = vec![0.0; fairness.pattern.entries()];
        fairness.add_products(&nodes, &weights, &mut values);
        let c: Vec<f64> = (0..fairness.basis.count()).map(|k| (k as f64 * 0.7).cos()).collect();
        let by_matrix = fairness.pattern.times(&values, &c);
        let spread = fairness.spread(&nodes, &c);
        let weighted: Vec<f64> = spread.iter().zip(&weights).map(|(s, w)| s * w).collect();
        for (a, b) in by_matrix.iter().zip(fairness.gather(&nodes, &weighted)) {
            assert!((a - b).abs() < 1e-10, "{a} {b}");
        }
    }

    #[test]
    fn quadratics_cost_nothing() {
        let fairness = Fairness::new(1800.0, 1200.0, [1200.0, 1200.0]).unwrap();
        for powers in [[0, 0], [1, 0], [0, 1], [2, 0], [1, 1], [0, 2]] {
            let c = fairness.basis.monomial(powers, [900.0, 600.0], [900.0, 600.0]);
            let cost = crate::fit::system::dot(
                &c,
                &fairness.pattern.times(&fairness.penalty(1.0), &c),
            );
            // A cubic of the same size costs of the order of 10⁷.
            assert!(cost.abs() < 1e-3, "{powers:?}: {cost}");
        }
        let c = fairness.basis.monomial([3, 0], [900.0, 600.0], [900.0, 600.0]);
        let cost =
            crate::fit::system::dot(&c, &fairness.pattern.times(&fairness.penalty(1.0), &c));
        let a = 1200.0 / (2.0 * std::f64::consts::PI);
        let expected = (a / 900.0f64).powi(6) * 36.0 * 1800.0 * 1200.0 / H0_MM;
        assert!((cost / expected - 1.0).abs() < 1e-9, "{cost} {expected}");
    }
}
