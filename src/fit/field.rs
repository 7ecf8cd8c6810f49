//! The prior of the deviation field: a Matérn field on splines, written by its sparse precision.
//!
//! A Gaussian field with Matérn covariance solves (κ² − Δ)^{α/2} d = white noise (Whittle 1954); on
//! a finite basis its precision is Q = τ·Σₘ C(α, m)·κ^{2(α−m)}·Kₘ (Lindgren, Rue and Lindström, J.
//! R. Stat. Soc. B 73, 2011, eq. 10), with Kₘ the Gram matrix of all m-th derivatives, Kₘ =
//! Σ_{i+j=m} C(m, i)·Gxⁱ ⊗ Gyʲ. Full derivative Gram matrices are used rather than powers of the
//! Laplacian, which would leave harmonics nearly free. Smoothness ν = α − 1 in the plane; the range
//! √(8ν)/κ is where correlation has fallen to about 0.13.

use super::basis::Basis;
use super::cholesky::Pattern;
use crate::problem::Error;

/// α: twice the order of the operator's root; smoothness is α − 1.
pub const ALPHA: usize = 3;

/// Shortest and longest range tried, mm.
pub const RANGE_BOUNDS_MM: [f64; 2] = [60.0, 3000.0];

/// n over k.
fn choose(n: usize, k: usize) -> f64 {
    (0..k).fold(1.0, |c, i| c * (n - i) as f64 / (i + 1) as f64)
}

/// κ (1/mm) of a range (mm).
pub fn kappa_of_range(range_mm: f64) -> f64 {
    (8.0 * (ALPHA as f64 - 1.0)).sqrt() / range_mm
}

/// τ that gives the field the standard deviation `sd_mm` far from edges:
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
        (0..self.entries.len())
            .map(|k| weights.iter().zip(&self.grams).map(|(w, g)| w * g[k]).sum())
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
