//! What the three references share: the spline the reference lives on, and the penalty that makes
//! it fair.
//!
//! Fair means that curvature changes slowly: the penalty is on third derivatives, so that planes
//! and constant curvature cost nothing. With a, b = λc/2π of each axis it is ½h₀⁻¹∬ a⁶T_xxx² +
//! 3a⁴b²T_xxy² + 3a²b⁴T_xyy² + b⁶T_yyy²; with a squared loss it would pass a wave of length λ with
//! 1/(1 + (λc/λ)⁶) per axis, half at λc.

use crate::fit::basis::{Axis, Basis};
use crate::fit::cholesky::Pattern;
use crate::problem::Error;

/// Makes a linear loss comparable with a squared penalty, mm.
pub const H0_MM: f64 = 0.25;
/// Knots of the reference per form wavelength.
const KNOTS_PER_WAVELENGTH: f64 = 8.0;
/// Longer sides of the panel in the wave of which half passes where the radius is known.
const HELD_SIDES: f64 = 4.0;

/// The spline space of a reference with its penalty, and the pattern of every matrix on it.
#[derive(Debug)]
pub struct Fairness {
    /// The splines.
    pub basis: Basis,
    /// Pattern of products of splines.
    pub pattern: Pattern,
    /// For each pair of neighbouring splines: where its product stands in the pattern, and in the
    /// sums of [`Fairness::add_products`].
    pairs: Vec<Pair>,
    /// Where the diagonal stands in the pattern.
    diagonal: Vec<usize>,
    /// Penalty, mm per mm² of panel: ½cᵀRc integrates the penalty over the panel's box.
    penalty: Vec<f64>,
    /// The same with what holds a known curvature; as `penalty` where none is known.
    held: Vec<f64>,
    /// The shape with the curvature that is known, as coefficients; none where it is free.
    known_curvature: Option<Vec<f64>>,
    /// The four cubics over the panel (1 at its ends), as coefficients; none on a ruled panel,
    /// which is straight one way.
    pub cubics: Vec<Vec<f64>>,
}

/// Whether a shape of these form wavelengths bends one way only.
pub fn is_ruled(wavelength: [f64; 2]) -> bool {
    wavelength[0].max(wavelength[1]) > 2.0 * wavelength[0].min(wavelength[1])
}

#[derive(Clone, Copy, Debug)]
struct Pair {
    place: usize,
    sum: usize,
}

impl Fairness {
    /// Splines and penalty on a box of length × width (mm) for form wavelengths (x, y) in mm.
    ///
    /// `curvature`: second derivatives along x and y that are known, 1/mm (crowned outwards is
    /// negative).
    ///
    /// # Errors
    /// [`Error::Calculation`] when memory runs out.
    pub fn new(
        length: f64,
        width: f64,
        wavelength: [f64; 2],
        curvature: Option<[Option<f64>; 2]>,
    ) -> Result<Self, Error> {
        let basis = Basis {
            x: Axis::new(length, wavelength[0] / KNOTS_PER_WAVELENGTH),
            y: Axis::new(width, wavelength[1] / KNOTS_PER_WAVELENGTH),
        };
        let (nx, ny) = (basis.x.count(), basis.y.count());
        // Every pair of splines that overlap, row ≥ column: (i, j) of the column, (p, q) of the
        // row.
        let mut overlaps = Vec::new();
        let mut columns = vec![Vec::new(); nx * ny];
        for i in 0..nx {
            for j in 0..ny {
                for p in i..(i + 4).min(nx) {
                    for q in j.saturating_sub(3)..(j + 4).min(ny) {
                        let (row, column) = (basis.index(p, q), basis.index(i, j));
                        if row >= column {
                            columns[column].push(row);
                            overlaps.push([i, j, p, q]);
                        }
                    }
                }
            }
        }
        let pattern = Pattern::new(columns)?;
        let place = |row: usize, column: usize| {
            pattern
                .position(row, column)
                .ok_or_else(|| Error::Calculation("an entry is missing from the pattern".into()))
        };
        let [a, b] = wavelength.map(|l| (l / (2.0 * std::f64::consts::PI)).powi(2));
        let weights = [b * b * b, 3.0 * a * b * b, 3.0 * a * a * b, a * a * a];
        let gx: Vec<_> = (0..=3).map(|d| basis.x.gram(d)).collect();
        let gy: Vec<_> = (0..=3).map(|d| basis.y.gram(d)).collect();
        let known = curvature.unwrap_or_default();
        let held = (HELD_SIDES * length.max(width) / (2.0 * std::f64::consts::PI)).powi(4);
        let hold = known.map(|k| if k.is_some() { held } else { 0.0 });
        let mut penalty = vec![0.0; pattern.entries()];
        let mut held_penalty = penalty.clone();
        let mut pairs = Vec::with_capacity(overlaps.len());
        for [i, j, p, q] in overlaps {
            let place = place(basis.index(p, q), basis.index(i, j))?;
            let product = |dx: usize, dy: usize| gx[dx][i][3 + p - i] * gy[dy][j][3 + q - j];
            let changing: f64 = (0..=3).map(|d| weights[d] * product(d, 3 - d)).sum();
            let wrong = hold[0] * product(2, 0) + hold[1] * product(0, 2);
            penalty[place] = changing / H0_MM;
            held_penalty[place] = (changing + wrong) / H0_MM;
            let sum = ((j.min(q) * 4 + j.abs_diff(q)) * nx + i) * 4 + (p - i);
            pairs.push(Pair { place, sum });
        }
        let diagonal = (0..nx * ny)
            .map(|k| place(k, k))
            .collect::<Result<_, _>>()?;
        let known_curvature = curvature.map(|_| {
            let half = |k: Option<f64>| k.unwrap_or(0.0) / 2.0;
            let along_x = basis.monomial([2, 0], [0.0; 2], [1.0; 2]);
            let along_y = basis.monomial([0, 2], [0.0; 2], [1.0; 2]);
            along_x
                .iter()
                .zip(along_y)
                .map(|(x, y)| half(known[0]) * x + half(known[1]) * y)
                .collect()
        });
        let ruled = is_ruled(wavelength);
        let half = [length / 2.0, width / 2.0];
        let powers: &[[usize; 2]] = if ruled {
            &[]
        } else {
            &[[3, 0], [2, 1], [1, 2], [0, 3]]
        };
        let cubics = powers
            .iter()
            .map(|&p| basis.monomial(p, half, half))
            .collect();
        Ok(Fairness {
            cubics,
            held: held_penalty,
            known_curvature,
            basis,
            pattern,
            pairs,
            diagonal,
            penalty,
        })
    }

    /// The shape with the curvature that is known, as coefficients; none where it is free.
    pub fn known_curvature(&self) -> Option<&[f64]> {
        self.known_curvature.as_deref()
    }

    /// Penalty values times `scale`, on [`Fairness::pattern`].
    pub fn penalty(&self, scale: f64) -> Vec<f64> {
        self.penalty.iter().map(|p| p * scale).collect()
    }

    /// The same with what holds a known curvature: for shapes less [`Fairness::known_curvature`].
    pub fn held_penalty(&self, scale: f64) -> Vec<f64> {
        self.held.iter().map(|p| p * scale).collect()
    }

    /// Scale the diagonal by 1 + 1e-12. The plane and quadratics are held by the nodes alone; this
    /// hair keeps tiny panels regular.
    pub fn steady(&self, values: &mut [f64]) {
        for &place in &self.diagonal {
            values[place] *= 1.0 + 1e-12;
        }
    }

    /// Add BᵀDB to `values`, D one weight a node (indexed iy·nx + ix).
    ///
    /// The products along x are summed for one row of nodes first, then spread along y: ten
    /// products a node instead of 136.
    pub fn add_products(&self, nodes: &NodeLines, weights: &[f64], values: &mut [f64]) {
        let (nx, cx) = (nodes.at_x.len(), self.basis.x.count());
        // Row of sums (j, l), l ≤ 3: over all nodes, the products along x times by_j·by_{j+l}.
        let mut sums = vec![0.0; self.basis.y.count() * 4 * cx * 4];
        let mut band = vec![0.0; cx * 4];
        for ((j0, by), weights) in nodes.at_y.iter().zip(weights.chunks_exact(nx.max(1))) {
            band.fill(0.0);
            for ((first, products), &weight) in nodes.products_x.iter().zip(weights) {
                if let Some(band) = band[first * 4..].first_chunk_mut::<16>() {
                    for (sum, product) in band.iter_mut().zip(products) {
                        *sum += weight * product;
                    }
                }
            }
            for k in 0..4 {
                for l in k..4 {
                    let product = by[k] * by[l];
                    let base = ((j0 + k) * 4 + l - k) * cx * 4;
                    for (s, b) in sums[base..base + cx * 4].iter_mut().zip(&band) {
                        *s += product * b;
                    }
                }
            }
        }
        for pair in &self.pairs {
            values[pair.place] += sums[pair.sum];
        }
    }

    /// Bᵀv for one value a node.
    pub fn gather(&self, nodes: &NodeLines, v: &[f64]) -> Vec<f64> {
        let (nx, cx, cy) = (nodes.at_x.len(), self.basis.x.count(), self.basis.y.count());
        // by_j times the sums along x, transposed: (j, i).
        let mut sums = vec![0.0; cy * cx];
        let mut line = vec![0.0; cx];
        for ((j0, by), values) in nodes.at_y.iter().zip(v.chunks_exact(nx.max(1))) {
            line.fill(0.0);
            for ((i0, bx), &value) in nodes.at_x.iter().zip(values) {
                if let Some(line) = line[*i0..].first_chunk_mut::<4>() {
                    for (l, b) in line.iter_mut().zip(bx) {
                        *l += value * b;
                    }
                }
            }
            for (j, b) in by.iter().enumerate() {
                let row = &mut sums[(j0 + j) * cx..(j0 + j + 1) * cx];
                for (s, l) in row.iter_mut().zip(&line) {
                    *s += b * l;
                }
            }
        }
        (0..cx * cy).map(|k| sums[k % cy * cx + k / cy]).collect()
    }

    /// Bc at every node (indexed iy·nx + ix).
    pub fn spread(&self, nodes: &NodeLines, c: &[f64]) -> Vec<f64> {
        let (nx, cx, cy) = (nodes.at_x.len(), self.basis.x.count(), self.basis.y.count());
        let turned: Vec<f64> = (0..cx * cy).map(|k| c[k % cx * cy + k / cx]).collect();
        let mut out = vec![0.0; nodes.count()];
        let mut line = vec![0.0; cx];
        for ((j0, by), out) in nodes.at_y.iter().zip(out.chunks_exact_mut(nx.max(1))) {
            line.fill(0.0);
            for (j, b) in by.iter().enumerate() {
                let row = &turned[(j0 + j) * cx..(j0 + j + 1) * cx];
                for (l, c) in line.iter_mut().zip(row) {
                    *l += b * c;
                }
            }
            for ((i0, bx), out) in nodes.at_x.iter().zip(out) {
                if let Some(line) = line[*i0..].first_chunk::<4>() {
                    *out = bx[0] * line[0] + bx[1] * line[1] + bx[2] * line[2] + bx[3] * line[3];
                }
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
    /// For each x: its first spline, and bx_k·bx_{k+l} at 4k + l (0 where k + l > 3).
    products_x: Vec<(usize, [f64; 16])>,
}

impl NodeLines {
    /// For nodes at all (x, y) of these lines, mm.
    pub fn new(basis: &Basis, xs: &[f64], ys: &[f64]) -> Self {
        let at_x: Vec<_> = xs.iter().map(|&x| basis.x.at(x, 0)).collect();
        let products_x = at_x
            .iter()
            .map(|&(first, b)| {
                let product = |k: usize, l: usize| b.get(k + l).map_or(0.0, |other| b[k] * other);
                (first, std::array::from_fn(|n| product(n / 4, n % 4)))
            })
            .collect();
        NodeLines {
            at_x,
            at_y: ys.iter().map(|&y| basis.y.at(y, 0)).collect(),
            products_x,
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
        let fairness = Fairness::new(900.0, 700.0, [1200.0, 800.0], None).unwrap();
        let xs: Vec<f64> = (0..31).map(|k| 30.0 * k as f64).collect();
        let ys: Vec<f64> = (0..15).map(|k| 50.0 * k as f64).collect();
        let nodes = NodeLines::new(&fairness.basis, &xs, &ys);
        let weights: Vec<f64> = (0..nodes.count())
            .map(|k| (k as f64).sin().powi(2))
            .collect();
        let mut values = vec![0.0; fairness.pattern.entries()];
        fairness.add_products(&nodes, &weights, &mut values);
        let c: Vec<f64> = (0..fairness.basis.count())
            .map(|k| (k as f64 * 0.7).cos())
            .collect();
        let by_matrix = fairness.pattern.times(&values, &c);
        let spread = fairness.spread(&nodes, &c);
        let weighted: Vec<f64> = spread.iter().zip(&weights).map(|(s, w)| s * w).collect();
        for (a, b) in by_matrix.iter().zip(fairness.gather(&nodes, &weighted)) {
            assert!((a - b).abs() < 1e-10, "{a} {b}");
        }
    }

    #[test]
    fn quadratics_cost_nothing() {
        let fairness = Fairness::new(1800.0, 1200.0, [1200.0, 1200.0], None).unwrap();
        for powers in [[0, 0], [1, 0], [0, 1], [2, 0], [1, 1], [0, 2]] {
            let c = fairness
                .basis
                .monomial(powers, [900.0, 600.0], [900.0, 600.0]);
            let cost =
                crate::fit::system::dot(&c, &fairness.pattern.times(&fairness.penalty(1.0), &c));
            // A cubic of the same size costs of the order of 10⁷.
            assert!(cost.abs() < 1e-3, "{powers:?}: {cost}");
        }
        let c = fairness
            .basis
            .monomial([3, 0], [900.0, 600.0], [900.0, 600.0]);
        let cost = crate::fit::system::dot(&c, &fairness.pattern.times(&fairness.penalty(1.0), &c));
        let a = 1200.0 / (2.0 * std::f64::consts::PI);
        let expected = (a / 900.0f64).powi(6) * 36.0 * 1800.0 * 1200.0 / H0_MM;
        assert!((cost / expected - 1.0).abs() < 1e-9, "{cost} {expected}");
    }
}
