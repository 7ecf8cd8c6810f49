//! Tensor-product uniform cubic B-splines: values, derivatives, Gram matrices, and the coefficients
//! of polynomials.
//!
//! An [`Axis`] carries `intervals + 3` cubic B-splines on equal intervals; a [`Basis`] is the
//! product of two. Coefficient (i, j) of the product has index `i * basis.y.count() + j`.

use ndarray::Array2;

/// Uniform cubic B-splines along one axis.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Axis {
    /// Where the first interval begins, mm.
    pub start: f64,
    /// Length of an interval (distance between knots), mm.
    pub spacing: f64,
    /// Number of intervals, at least 1.
    pub intervals: usize,
}

impl Axis {
    /// The axis from 0 to `length` (mm, > 0) with equal intervals no longer than `spacing`.
    pub fn new(length: f64, spacing: f64) -> Self {
        // A length that came by way of inches may exceed a whole number of intervals by its last
        // digit.
        let intervals = (length / spacing - 1e-9).ceil().max(1.0) as usize;
        Axis {
            start: 0.0,
            spacing: length / intervals as f64,
            intervals,
        }
    }

    /// Number of basis functions.
    pub fn count(&self) -> usize {
        self.intervals + 3
    }

    /// The four basis functions that are not zero at `x`: index of the first, and the
    /// `derivative`-th derivative (0 to 3) of each. Outside the axis the end interval's cubic goes
    /// on.
    pub fn at(&self, x: f64, derivative: usize) -> (usize, [f64; 4]) {
        let position = (x - self.start) / self.spacing;
        let cell = (position.floor().max(0.0) as usize).min(self.intervals - 1);
        let t = position - cell as f64;
        let u = 1.0 - t;
        let h = self.spacing;
        let values = match derivative {
            0 => [
                u * u * u / 6.0,
                (3.0 * t * t * t - 6.0 * t * t + 4.0) / 6.0,
                (3.0 * u * u * u - 6.0 * u * u + 4.0) / 6.0,
                t * t * t / 6.0,
            ],
            1 => [
                -u * u / 2.0 / h,
                (1.5 * t * t - 2.0 * t) / h,
                (2.0 * u - 1.5 * u * u) / h,
                t * t / 2.0 / h,
            ],
            2 => [
                u / (h * h),
                (3.0 * t - 2.0) / (h * h),
                (3.0 * u - 2.0) / (h * h),
                t / (h * h),
            ],
            _ => {
                let h3 = h * h * h;
                [-1.0 / h3, 3.0 / h3, -3.0 / h3, 1.0 / h3]
            }
        };
        (cell, values)
    }

    /// Gram matrix of the `derivative`-th derivatives over the axis: entry (i, j) is the integral
    /// of the product. Row i holds columns i−3 … i+3. Exact: four Gauss points integrate degree 7.
    pub fn gram(&self, derivative: usize) -> Vec<[f64; 7]> {
        // Gauss–Legendre nodes and weights on [−1, 1], four points (Abramowitz and Stegun 1964,
        // table 25.4).
        const NODES: [f64; 4] = [
            -0.861_136_311_594_052_6,
            -0.339_981_043_584_856_3,
            0.339_981_043_584_856_3,
            0.861_136_311_594_052_6,
        ];
        const WEIGHTS: [f64; 4] = [
            0.347_854_845_137_453_85,
            0.652_145_154_862_546_1,
            0.652_145_154_862_546_1,
            0.347_854_845_137_453_85,
        ];
        let mut gram = vec![[0.0; 7]; self.count()];
        for cell in 0..self.intervals {
            for (node, weight) in NODES.iter().zip(WEIGHTS) {
                let x = self.start + (cell as f64 + (node + 1.0) / 2.0) * self.spacing;
                let (_, b) = self.at(x, derivative);
                for i in 0..4 {
                    for j in 0..4 {
                        gram[cell + i][3 + j - i] += weight * self.spacing / 2.0 * b[i] * b[j];
                    }
                }
            }
        }
        gram
    }

    /// Coefficients of ((x − centre)/scale)^power. Powers 0 to 3 are carried exactly (Marsden 1970:
    /// the blossom at the three inner knots of each basis function); higher ones by the
    /// quasi-interpolant f − h²f″/6, to about (spacing/scale)⁴ (de Boor 1978, ch. XII).
    pub fn power(&self, power: usize, centre: f64, scale: f64) -> Vec<f64> {
        let h = self.spacing;
        (0..self.count())
            .map(|i| {
                let middle = self.start + (i as f64 - 1.0) * h - centre;
                let blossom = match power {
                    0 => 1.0,
                    1 => middle,
                    2 => middle * middle - h * h / 3.0,
                    3 => middle * (middle * middle - h * h),
                    n => {
                        let bend = (n * (n - 1)) as f64 * middle.powi(n as i32 - 2);
                        middle.powi(n as i32) - h * h / 6.0 * bend
                    }
                };
                blossom / scale.powi(power as i32)
            })
            .collect()
    }
}

/// The product of two axes.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Basis {
    /// Along x.
    pub x: Axis,
    /// Along y.
    pub y: Axis,
}

impl Basis {
    /// Number of coefficients.
    pub fn count(&self) -> usize {
        self.x.count() * self.y.count()
    }

    /// Index of coefficient (i, j).
    pub fn index(&self, i: usize, j: usize) -> usize {
        i * self.y.count() + j
    }

    /// Whether the splines of these two indices overlap; never for an index that is no spline's.
    pub fn overlap(&self, a: usize, b: usize) -> bool {
        let ny = self.y.count();
        a.max(b) < self.count() && (a / ny).abs_diff(b / ny) <= 3 && (a % ny).abs_diff(b % ny) <= 3
    }

    /// The sixteen coefficients that carry the surface at (x, y) mm, with their weights; `(dx, dy)`
    /// are orders of derivative.
    pub fn at(&self, x: f64, y: f64, dx: usize, dy: usize) -> [(usize, f64); 16] {
        let (i0, bx) = self.x.at(x, dx);
        let (j0, by) = self.y.at(y, dy);
        std::array::from_fn(|k| {
            let (i, j) = (k / 4, k % 4);
            (self.index(i0 + i, j0 + j), bx[i] * by[j])
        })
    }

    /// Value (or derivative) at (x, y) of the surface with these coefficients.
    pub fn value(&self, coefficients: &[f64], x: f64, y: f64, dx: usize, dy: usize) -> f64 {
        self.at(x, y, dx, dy)
            .iter()
            .map(|&(k, w)| w * coefficients[k])
            .sum()
    }

    /// Values (or derivatives) on all nodes (xs × ys): array indexed `[[iy, ix]]`.
    pub fn on_grid(
        &self,
        coefficients: &[f64],
        xs: &[f64],
        ys: &[f64],
        d: [usize; 2],
    ) -> Array2<f64> {
        let (nx, ny) = (self.x.count(), self.y.count());
        let at_x: Vec<_> = xs.iter().map(|&x| self.x.at(x, d[0])).collect();
        let turned: Vec<f64> = (0..nx * ny)
            .map(|k| coefficients[k % nx * ny + k / nx])
            .collect();
        let mut out = Array2::zeros((ys.len(), xs.len()));
        // Coefficients along x of the row at one y.
        let mut line = vec![0.0; nx];
        for (mut row, &y) in out.rows_mut().into_iter().zip(ys) {
            let (j0, by) = self.y.at(y, d[1]);
            line.fill(0.0);
            for (j, b) in by.iter().enumerate() {
                for (l, c) in line.iter_mut().zip(&turned[(j0 + j) * nx..]) {
                    *l += b * c;
                }
            }
            for ((i0, bx), out) in at_x.iter().zip(&mut row) {
                *out = bx.iter().zip(&line[*i0..]).map(|(b, l)| b * l).sum();
            }
        }
        out
    }

    /// Coefficients of a smooth function of the panel: its values where the splines have their
    /// middles (those beyond the edge at the edge), sharpened by (−1, 8, −1)/6 along both axes, the
    /// quasi-interpolant f − h²f″/6 (de Boor 1978, ch. XII).
    pub fn carry(&self, f: &dyn Fn(f64, f64) -> f64) -> Vec<f64> {
        let middle = |axis: &Axis, i: usize| {
            let end = axis.start + axis.spacing * axis.intervals as f64;
            (axis.start + (i as f64 - 1.0) * axis.spacing).clamp(axis.start, end)
        };
        let (nx, ny) = (self.x.count(), self.y.count());
        let values: Vec<f64> = (0..nx * ny)
            .map(|k| f(middle(&self.x, k / ny), middle(&self.y, k % ny)))
            .collect();
        let along_x = sharpened(&values, [nx, ny], [ny, 1]);
        sharpened(&along_x, [ny, nx], [1, ny])
    }

    /// Coefficients of u^p·v^q with u = (x − centre x)/scale x, v likewise.
    pub fn monomial(&self, powers: [usize; 2], centre: [f64; 2], scale: [f64; 2]) -> Vec<f64> {
        let a = self.x.power(powers[0], centre[0], scale[0]);
        let b = self.y.power(powers[1], centre[1], scale[1]);
        a.iter()
            .flat_map(|u| b.iter().map(move |v| u * v))
            .collect()
    }
}

/// (−1, 8, −1)/6 along lines of n values `stride` apart, the ends as they are: `[n, lines]`,
/// `[stride, from line to line]`.
fn sharpened(c: &[f64], [n, lines]: [usize; 2], [stride, step]: [usize; 2]) -> Vec<f64> {
    let mut out = c.to_vec();
    for line in 0..lines {
        for i in 1..n.saturating_sub(1) {
            let k = line * step + i * stride;
            out[k] = (8.0 * c[k] - c[k - stride] - c[k + stride]) / 6.0;
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn basis_functions_sum_to_one_and_derivatives_to_zero() {
        let axis = Axis::new(1000.0, 37.0);
        for k in 0..=100 {
            let x = 10.0 * k as f64;
            for (derivative, expected) in [(0, 1.0), (1, 0.0), (2, 0.0), (3, 0.0)] {
                let sum: f64 = axis.at(x, derivative).1.iter().sum();
                assert!((sum - expected).abs() < 1e-12, "{x} {derivative} {sum}");
            }
        }
    }

    #[test]
    fn cubics_are_carried_exactly_with_their_derivatives() {
        let basis = Basis {
            x: Axis::new(1800.0, 40.0),
            y: Axis::new(1200.0, 40.0),
        };
        let c = basis.monomial([3, 2], [900.0, 600.0], [900.0, 600.0]);
        for (x, y) in [(0.0, 0.0), (17.0, 1199.0), (900.0, 333.0), (1800.0, 1200.0)] {
            let (u, v) = ((x - 900.0) / 900.0, (y - 600.0) / 600.0);
            let value: f64 = u * u * u * v * v;
            assert!((basis.value(&c, x, y, 0, 0) - value).abs() < 1e-10);
            let slope = 3.0 * u * u / 900.0 * 2.0 * v / 600.0;
            assert!((basis.value(&c, x, y, 1, 1) - slope).abs() < 1e-12);
        }
    }

    #[test]
    fn gram_matrices_integrate_a_cubic_exactly() {
        let axis = Axis::new(300.0, 40.0);
        let c = axis.power(3, 0.0, 100.0);
        for (derivative, expected) in [
            (0, 300.0f64.powi(7) / 7.0 / 1e12),
            (1, 9.0 * 300.0f64.powi(5) / 5.0 / 1e12),
            (2, 36.0 * 300.0f64.powi(3) / 3.0 / 1e12),
            (3, 36.0 * 300.0 / 1e12),
        ] {
            let gram = axis.gram(derivative);
            let mut sum = 0.0;
            for i in 0..axis.count() {
                for k in 0..7 {
                    if let Some(j) = (i + k).checked_sub(3).filter(|j| *j < axis.count()) {
                        sum += c[i] * gram[i][k] * c[j];
                    }
                }
            }
            assert!(
                (sum / expected - 1.0).abs() < 1e-11,
                "{derivative}: {sum} {expected}"
            );
        }
    }
}
