//! The prior of the deviation field: a Matérn field on splines, written by its sparse precision.
//!
//! A Gaussian field with Matérn covariance solves (κ² − Δ)^{α/2} d = white noise (Whittle 1954); on
//! a finite basis its precision is Q = τ·Σₘ C(α, m)·κ^{2(α−m)}·Kₘ (Lindgren, Rue and Lindström, J.
//! R. Stat. Soc. B 73, 2011, eq. 10), with Kₘ the Gram matrix of all m-th derivatives, Kₘ =
//! Σ_{i+j=m} C(m, i)·Gxⁱ ⊗ Gyʲ. Full derivative Gram matrices are used rather than powers of the
//! Laplacian, which would leave harmonics nearly free. Smoothness ν = α − 1 in the plane; the range
//! √(8ν)/κ is where correlation has fallen to about 0.13.
//!
//! A box that ends has no field beyond it, so nothing holds the field at its rim from outside:
//! there the standard deviation comes out 1.7 times as large as inside, in a corner 2.9 times
//! (Lindgren, Rue and Lindström 2011, appendix A.4, call it the boundary effect; from memory). A
//! panel is not rougher at its rim. So coefficients near it are scaled down by what they would be
//! too large by.

use super::basis::{Axis, Basis};
use super::cholesky::Pattern;
use crate::problem::Error;

/// α: twice the order of the operator's root; smoothness is α − 1.
pub const ALPHA: usize = 3;

/// Shortest and longest range tried, mm.
pub const RANGE_BOUNDS_MM: [f64; 2] = [60.0, 3000.0];

/// By how much more the field varies right at the edge of its box than inside, as a share, and how
/// fast that fades: with exp(−[`EDGE_FADES`]·distance/range). Worked out from the precision of
/// fields of many ranges; a test holds it.
const EDGE_EXCESS: f64 = 0.7;
const EDGE_FADES: f64 = 4.3;

/// n over k.
fn choose(n: usize, k: usize) -> f64 {
    (0..k).fold(1.0, |c, i| c * (n - i) as f64 / (i + 1) as f64)
}

/// κ (1/mm) of a range (mm).
pub fn kappa_of_range(range_mm: f64) -> f64 {
    (8.0 * (ALPHA as f64 - 1.0)).sqrt() / range_mm
}

/// Range (mm) of a κ (1/mm); the inverse of [`kappa_of_range`].
fn range_of_kappa(kappa: f64) -> f64 {
    kappa_of_range(1.0) / kappa
}

/// How far the middle of each basis function lies from the nearer end of its axis, mm; those that
/// reach in from beyond count as 0.
fn to_edge_mm(axis: &Axis) -> Vec<f64> {
    let last = axis.intervals as f64;
    (0..axis.count())
        .map(|k| {
            let knot = k as f64 - 1.0;
            axis.spacing * knot.min(last - knot).max(0.0)
        })
        .collect()
}

/// τ that gives the field the standard deviation `sd_mm`, at the rim too:
/// variance = Γ(ν) / (Γ(α)·4π·κ^{2ν}·τ), and Γ(α)/Γ(ν) = ν.
pub fn tau_of_amplitude(sd_mm: f64, kappa: f64) -> f64 {
    let nu = ALPHA as f64 - 1.0;
    1.0 / (nu * 4.0 * std::f64::consts::PI * kappa.powf(2.0 * nu) * sd_mm * sd_mm)
}

/// The standard deviation that τ gives; the inverse of [`tau_of_amplitude`].
pub fn amplitude_of_tau(tau: f64, kappa: f64) -> f64 {
    tau_of_amplitude(1.0, kappa).sqrt() / tau.sqrt()
}

/// The Gram matrices Kₘ of a basis, as values on a pattern that may hold more than the field's own
/// entries.
#[derive(Debug)]
pub struct Field {
    /// For each m, the value at each of `places`.
    grams: Vec<Vec<f64>>,
    /// Entries: (row, column), row ≥ column.
    entries: Vec<(usize, usize)>,
    n: usize,
    /// How far the middle of each basis function along x, and along y, lies from the nearer edge of
    /// the box, mm.
    to_edge_mm: [Vec<f64>; 2],
    /// log|Q/τ| at Chebyshev points of log range.
    log_determinants: Vec<f64>,
}

impl Field {
    /// Gram matrices of this basis, with the table of log determinants.
    ///
    /// # Errors
    /// [`Error::Calculation`] when a factorisation fails (no sound basis does).
    pub fn new(basis: &Basis) -> Result<Self, Error> {
        let field = Field::untabulated(basis);
        let table = field.table()?;
        Ok(field.tabulated(table))
    }

    /// Gram matrices alone: [`Field::log_determinant`] answers NaN until [`Field::table`] is filled
    /// in.
    pub(super) fn untabulated(basis: &Basis) -> Self {
        let (nx, ny) = (basis.x.count(), basis.y.count());
        let gx: Vec<_> = (0..=ALPHA).map(|d| basis.x.gram(d)).collect();
        let gy: Vec<_> = (0..=ALPHA).map(|d| basis.y.gram(d)).collect();
        let mut entries = Vec::new();
        let mut grams = vec![Vec::new(); ALPHA + 1];
        for i in 0..nx {
            for j in 0..ny {
                let column = basis.index(i, j);
                for p in i..(i + 4).min(nx) {
                    for q in j.saturating_sub(3)..(j + 4).min(ny) {
                        let row = basis.index(p, q);
                        if row < column {
                            continue;
                        }
                        entries.push((row, column));
                        for (m, gram) in grams.iter_mut().enumerate() {
                            gram.push(
                                (0..=m)
                                    .map(|a| {
                                        choose(m, a) * gx[a][i][3 + p - i] * gy[m - a][j][3 + q - j]
                                    })
                                    .sum(),
                            );
                        }
                    }
                }
            }
        }
        Field {
            grams,
            entries,
            n: nx * ny,
            to_edge_mm: [&basis.x, &basis.y].map(to_edge_mm),
            log_determinants: Vec::new(),
        }
    }

    /// The entries of Q, (row, column) with row ≥ column, in the order of [`Field::precision`].
    pub fn entries(&self) -> &[(usize, usize)] {
        &self.entries
    }

    /// Values of Q/τ at [`Field::entries`].
    pub fn precision(&self, kappa: f64) -> Vec<f64> {
        let weights: Vec<f64> = (0..=ALPHA)
            .map(|m| choose(ALPHA, m) * kappa.powi(2 * (ALPHA - m) as i32))
            .collect();
        let [along_x, along_y] = self.to_edge_mm.each_ref().map(|axis| {
            let fade = EDGE_FADES / range_of_kappa(kappa);
            axis.iter()
                .map(|d| 1.0 + EDGE_EXCESS * (-fade * d).exp())
                .collect::<Vec<f64>>()
        });
        let excess: Vec<f64> = along_x
            .iter()
            .flat_map(|x| along_y.iter().map(move |y| x * y))
            .collect();
        self.entries
            .iter()
            .enumerate()
            .map(|(k, &(row, column))| {
                let even: f64 = weights.iter().zip(&self.grams).map(|(w, g)| w * g[k]).sum();
                even * excess[row] * excess[column]
            })
            .collect()
    }

    /// log|Q/τ| for a range within [`RANGE_BOUNDS_MM`], from the table (interpolated in log range
    /// by Chebyshev polynomials; good to about 1e-3, which the likelihood does not feel).
    pub fn log_determinant(&self, range_mm: f64) -> f64 {
        // Barycentric formula at Chebyshev points of the first kind (Berrut and Trefethen 2004, eq.
        // 4.2, 5.3).
        let t = scaled_log(range_mm);
        let n = self.log_determinants.len();
        let (mut above, mut below) = (0.0, 0.0);
        for (k, value) in self.log_determinants.iter().enumerate() {
            let angle = (2 * k + 1) as f64 * std::f64::consts::PI / (2 * n) as f64;
            let gap = t - angle.cos();
            if gap.abs() < 1e-12 {
                return *value;
            }
            let w = if k % 2 == 0 { 1.0 } else { -1.0 } * angle.sin() / gap;
            above += w * value;
            below += w;
        }
        above / below
    }

    /// log|Q/τ| at Chebyshev points of log range.
    pub(super) fn table(&self) -> Result<Vec<f64>, Error> {
        use rayon::prelude::*;
        const POINTS: usize = 10;
        let mut columns = vec![Vec::new(); self.n];
        for &(row, column) in &self.entries {
            columns[column].push(row);
        }
        let pattern = Pattern::new(columns)?;
        let places: Vec<usize> = self
            .entries
            .iter()
            .filter_map(|&(r, c)| pattern.position(r, c))
            .collect();
        (0..POINTS)
            .into_par_iter()
            .map(|k| {
                let t = ((2 * k + 1) as f64 * std::f64::consts::PI / (2 * POINTS) as f64).cos();
                let mut values = vec![0.0; pattern.entries()];
                for (v, &place) in self
                    .precision(kappa_of_range(range_of_scaled(t)))
                    .iter()
                    .zip(&places)
                {
                    values[place] = *v;
                }
                Ok(pattern.factor(&values)?.log_determinant())
            })
            .collect()
    }

    /// Fill in the table.
    pub(super) fn tabulated(mut self, table: Vec<f64>) -> Self {
        self.log_determinants = table;
        self
    }
}

/// log range mapped to −1 … 1 over [`RANGE_BOUNDS_MM`].
fn scaled_log(range_mm: f64) -> f64 {
    let [low, high] = RANGE_BOUNDS_MM.map(f64::ln);
    (2.0 * range_mm.ln() - low - high) / (high - low)
}

fn range_of_scaled(t: f64) -> f64 {
    let [low, high] = RANGE_BOUNDS_MM.map(f64::ln);
    ((low + high + t * (high - low)) / 2.0).exp()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Standard deviation of the field of unit amplitude at places along the middle line of a box
    /// of 800 × 720 mm, and in its corner, from the whole inverse of Q.
    fn spread(range_mm: f64) -> (Vec<f64>, f64) {
        let basis = Basis {
            x: Axis::new(800.0, 40.0),
            y: Axis::new(720.0, 40.0),
        };
        let field = Field::untabulated(&basis);
        let kappa = kappa_of_range(range_mm);
        let tau = tau_of_amplitude(1.0, kappa);
        let n = basis.count();
        let mut q = nalgebra::DMatrix::zeros(n, n);
        for (&(row, column), v) in field.entries().iter().zip(field.precision(kappa)) {
            q[(row, column)] = tau * v;
            q[(column, row)] = tau * v;
        }
        let factor = q.cholesky().unwrap();
        let sd = |x: f64, y: f64| {
            let mut b = nalgebra::DVector::zeros(n);
            for (k, v) in basis.at(x, y, 0, 0) {
                b[k] += v;
            }
            factor.solve(&b).dot(&b).sqrt()
        };
        let places = [0.0, 20.0, 40.0, 80.0, 160.0, 400.0];
        (places.iter().map(|x| sd(*x, 360.0)).collect(), sd(0.0, 0.0))
    }

    #[test]
    fn the_field_varies_as_much_at_the_rim_as_inside() {
        for range_mm in [70.0, 100.0, 200.0, 300.0] {
            let (along, corner) = spread(range_mm);
            // Knots 40 mm apart hardly carry a range of 70 mm.
            let off = if range_mm < 90.0 { 0.16 } else { 0.1 };
            for sd in along.iter().chain([&corner]) {
                assert!((sd - 1.0).abs() < off, "{range_mm}: {along:?}, {corner}");
            }
        }
    }
}
