//! The thin face of the sparse Cholesky library: a pattern analysed once, factored many times.
//!
//! Only the lower triangle is kept. The order of elimination (approximate minimum degree) and the
//! supernodes come from `faer`; what is added here is the log-determinant and the half solve for
//! draws. A matrix whose band is narrow as it stands is factored within its band instead
//! ([`super::band`]), which is several times faster for small ones.

use super::band::Band;
use crate::problem::Error;
use faer::dyn_stack::{MemBuffer, MemStack};
use faer::sparse::linalg::SupernodalThreshold;
use faer::sparse::linalg::cholesky::{
    CholeskySymbolicParams, LltRef, SymbolicCholesky, SymbolicCholeskyRaw, SymmetricOrdering,
    factorize_symbolic_cholesky,
    supernodal::{self, SupernodalLltRef, SymbolicSupernodalCholesky},
};
use faer::sparse::{SparseColMatRef, SymbolicSparseColMat};
use faer::{Conj, MatMut, Par, Side};

/// Where the entries of a symmetric matrix stand: its lower triangle, column by column, in the
/// order of elimination, so that nothing has to be moved before a factorisation.
#[derive(Debug)]
pub struct Pattern {
    structure: SymbolicSparseColMat<usize>,
    way: Way,
    /// Unknown that is eliminated k-th.
    order: Vec<usize>,
    /// When each unknown is eliminated.
    rank: Vec<usize>,
}

/// How it is factored.
#[derive(Debug)]
enum Way {
    /// Within a band of this many entries below the diagonal.
    Band(usize),
    /// By supernodes.
    Supernodes(Box<SymbolicCholesky<usize>>),
}

/// Work up to which a band is worth it: unknowns × (entries below the diagonal)².
const MOST_BAND_WORK: f64 = 4e6;

fn failed(what: &str, error: impl std::fmt::Debug) -> Error {
    Error::Calculation(format!("{what}: {error:?}"))
}

/// The structure with these rows (≥ column) in each column; the diagonal is added, repeats are
/// dropped.
fn structure(mut columns: Vec<Vec<usize>>) -> SymbolicSparseColMat<usize> {
    let n = columns.len();
    let mut starts = Vec::with_capacity(n + 1);
    let mut rows = Vec::new();
    starts.push(0);
    for (j, column) in columns.iter_mut().enumerate() {
        column.push(j);
        column.sort_unstable();
        column.dedup();
        rows.extend_from_slice(column);
        starts.push(rows.len());
    }
    SymbolicSparseColMat::new_checked(n, n, starts, None, rows)
}

/// Order of elimination and supernodes.
fn supernodes(given: &SymbolicSparseColMat<usize>) -> Result<SymbolicCholesky<usize>, Error> {
    let params = CholeskySymbolicParams {
        supernodal_flop_ratio_threshold: SupernodalThreshold::FORCE_SUPERNODAL,
        ..Default::default()
    };
    factorize_symbolic_cholesky(given.as_ref(), Side::Lower, SymmetricOrdering::Amd, params)
        .map_err(|e| failed("no order of elimination", e))
}

impl Pattern {
    /// Analyse the pattern of an `n × n` matrix. `columns[j]` lists the rows i ≥ j of column j, in
    /// any order, repeats allowed; the diagonal is always there.
    ///
    /// # Errors
    /// [`Error::Calculation`] when memory runs out.
    pub fn new(columns: Vec<Vec<usize>>) -> Result<Self, Error> {
        Self::with_band_work(columns, MOST_BAND_WORK)
    }

    fn with_band_work(columns: Vec<Vec<usize>>, most: f64) -> Result<Self, Error> {
        let n = columns.len();
        let given = structure(columns);
        let below = (0..n)
            .filter_map(|j| given.row_idx_of_col_raw(j).last().map(|i| i - j))
            .max()
            .unwrap_or(0);
        let (way, order) = if n as f64 * (below as f64).powi(2) <= most {
            (Way::Band(below), (0..n).collect())
        } else {
            let symbolic = supernodes(&given)?;
            let order: Vec<usize> = match symbolic.perm() {
                Some(order) => order.arrays().0.to_vec(),
                None => (0..n).collect(),
            };
            (Way::Supernodes(Box::new(symbolic)), order)
        };
        let mut rank = vec![0; n];
        for (k, &unknown) in order.iter().enumerate() {
            rank[unknown] = k;
        }
        let mut reordered = vec![Vec::new(); n];
        for j in 0..n {
            for &i in given.row_idx_of_col_raw(j) {
                let (a, b) = (rank[i], rank[j]);
                reordered[a.min(b)].push(a.max(b));
            }
        }
        Ok(Pattern {
            structure: structure(reordered),
            way,
            order,
            rank,
        })
    }

    /// Number of rows.
    pub fn n(&self) -> usize {
        self.structure.nrows()
    }

    /// Number of stored entries.
    pub fn entries(&self) -> usize {
        self.structure.row_idx().len()
    }

    /// Where entry (row, column) stands among the values; `None` when it is not in the pattern.
    pub fn position(&self, row: usize, column: usize) -> Option<usize> {
        let (row, column) = (*self.rank.get(row)?, *self.rank.get(column)?);
        let (row, column) = (row.max(column), row.min(column));
        let (begin, end) = (
            self.structure.col_ptr()[column],
            self.structure.col_ptr()[column + 1],
        );
        self.structure.row_idx()[begin..end]
            .binary_search(&row)
            .ok()
            .map(|k| begin + k)
    }

    /// Factor the matrix with these values.
    ///
    /// # Errors
    /// [`Error::Calculation`] when the matrix is not positive definite or holds a NaN.
    pub fn factor(&self, values: &[f64]) -> Result<Factor<'_>, Error> {
        let whole = match &self.way {
            Way::Band(below) => return self.band(*below, values),
            Way::Supernodes(whole) => whole,
        };
        let SymbolicCholeskyRaw::Supernodal(symbolic) = whole.raw() else {
            return Err(failed("no supernodes", self.n()));
        };
        let mut l = vec![0.0; symbolic.len_val()];
        let mut memory =
            MemBuffer::try_new(supernodal::factorize_supernodal_numeric_llt_scratch::<
                usize,
                f64,
            >(symbolic, Par::Seq, Default::default()))
            .map_err(|e| failed("out of memory", e))?;
        supernodal::factorize_supernodal_numeric_llt(
            &mut l,
            SparseColMatRef::new(self.structure.as_ref(), values),
            Default::default(),
            symbolic,
            Par::Seq,
            MemStack::new(&mut memory),
            Default::default(),
        )
        .map_err(|e| failed("the system is not positive definite", e))?;
        Ok(Factor::Supernodes { whole, symbolic, l })
    }

    fn band(&self, below: usize, values: &[f64]) -> Result<Factor<'_>, Error> {
        let mut band = Band::zeros(self.n(), below);
        let (starts, rows) = (self.structure.col_ptr(), self.structure.row_idx());
        for j in 0..self.n() {
            let column = starts[j]..starts[j + 1];
            for (i, v) in rows[column.clone()].iter().zip(&values[column]) {
                band.set(*i, j, *v);
            }
        }
        band.factor()
            .map(Factor::Band)
            .map_err(|column| failed("the system is not positive definite", column))
    }

    /// The matrix with these values times a vector.
    pub fn times(&self, values: &[f64], x: &[f64]) -> Vec<f64> {
        let x: Vec<f64> = self.order.iter().map(|&unknown| x[unknown]).collect();
        let mut product = vec![0.0; x.len()];
        let (starts, rows) = (self.structure.col_ptr(), self.structure.row_idx());
        for (j, &own) in x.iter().enumerate() {
            let column = starts[j]..starts[j + 1];
            // The diagonal stands first; below it each entry counts for both triangles.
            let mut sum = 0.0;
            for (&i, &v) in rows[column.clone()].iter().zip(&values[column]) {
                if i == j {
                    sum += v * own;
                } else {
                    product[i] += v * own;
                    sum += v * x[i];
                }
            }
            product[j] += sum;
        }
        self.rank.iter().map(|&k| product[k]).collect()
    }
}

/// A factored matrix, L·Lᵀ of the reordered matrix.
#[derive(Debug)]
pub enum Factor<'p> {
    /// Within a band, not reordered.
    Band(Band),
    /// By supernodes.
    Supernodes {
        /// Order and structure together.
        whole: &'p SymbolicCholesky<usize>,
        /// Structure.
        symbolic: &'p SymbolicSupernodalCholesky<usize>,
        /// Values.
        l: Vec<f64>,
    },
}

impl Factor<'_> {
    /// Solve for one or several right-hand sides, each of `n` values, one after the other in `rhs`.
    pub fn solve_in_place(&self, rhs: &mut [f64]) {
        match self {
            Factor::Band(band) => band.solve_in_place(rhs),
            Factor::Supernodes { whole, l, .. } => {
                let n = whole.nrows();
                let columns = rhs.len() / n.max(1);
                let mut memory =
                    MemBuffer::new(whole.solve_in_place_scratch::<f64>(columns, Par::Seq));
                LltRef::new(whole, l).solve_in_place_with_conj(
                    Conj::No,
                    MatMut::from_column_major_slice_mut(rhs, n, columns),
                    Par::Seq,
                    MemStack::new(&mut memory),
                );
            }
        }
    }

    /// Natural logarithm of the determinant.
    pub fn log_determinant(&self) -> f64 {
        match self {
            Factor::Band(band) => band.log_determinant(),
            Factor::Supernodes { symbolic, l, .. } => {
                let factor = SupernodalLltRef::new(symbolic, l);
                (0..symbolic.n_supernodes())
                    .map(|k| {
                        let block = factor.supernode(k).val();
                        (0..block.ncols()).map(|j| block[(j, j)].ln()).sum::<f64>()
                    })
                    .sum::<f64>()
                    * 2.0
            }
        }
    }

    /// Turn white noise into draws with covariance A⁻¹: x = Pᵀ·L⁻ᵀ·white, `draws` of them at once.
    ///
    /// `white` holds n × draws values, all draws of an unknown side by side; so does the answer.
    pub fn correlate(&self, mut white: Vec<f64>, draws: usize) -> Vec<f64> {
        let (whole, symbolic, l) = match self {
            Factor::Band(band) => {
                band.half_solve(&mut white, draws);
                return white;
            }
            Factor::Supernodes { whole, symbolic, l } => (whole, symbolic, l),
        };
        let factor = SupernodalLltRef::new(symbolic, l);
        for k in (0..symbolic.n_supernodes()).rev() {
            let node = factor.supernode(k);
            let (block, start, pattern) = (node.val(), node.start(), node.pattern());
            for j in (0..block.ncols()).rev() {
                let (head, tail) = white.split_at_mut((start + j + 1) * draws);
                let own = &mut head[(start + j) * draws..];
                let base = (start + j + 1) * draws;
                for i in j + 1..block.nrows() {
                    let row = if i < block.ncols() {
                        start + i
                    } else {
                        pattern[i - block.ncols()]
                    };
                    let other = &tail[row * draws - base..][..draws];
                    let l = block[(i, j)];
                    for (o, t) in own.iter_mut().zip(other) {
                        *o -= l * t;
                    }
                }
                let pivot = block[(j, j)];
                for o in own.iter_mut() {
                    *o /= pivot;
                }
            }
        }
        match whole.perm() {
            None => white,
            Some(order) => {
                // Position i of the reordered system is unknown order[i] of ours.
                let (forward, _) = order.arrays();
                let mut out = vec![0.0; white.len()];
                for (i, &unknown) in forward.iter().enumerate() {
                    out[unknown * draws..(unknown + 1) * draws]
                        .copy_from_slice(&white[i * draws..(i + 1) * draws]);
                }
                out
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A small positive definite matrix that gains from reordering; factored by supernodes and
    /// within its band.
    fn examples() -> [(Pattern, Vec<f64>); 2] {
        [0.0, MOST_BAND_WORK].map(example)
    }

    fn example(most_band_work: f64) -> (Pattern, Vec<f64>) {
        let n = 12;
        let mut dense = vec![vec![0.0; n]; n];
        for i in 0..n {
            dense[i][i] = 4.0 + i as f64 * 0.1;
            for j in [(i + 1) % n, (i + 5) % n] {
                dense[i][j] -= 0.7;
                dense[j][i] -= 0.7;
            }
        }
        let columns = (0..n)
            .map(|j| (j..n).filter(|&i| dense[i][j] != 0.0).collect())
            .collect();
        let pattern = Pattern::with_band_work(columns, most_band_work).unwrap();
        let mut values = vec![0.0; pattern.entries()];
        for j in 0..n {
            for i in j..n {
                if let Some(k) = pattern.position(i, j) {
                    values[k] = dense[i][j];
                }
            }
        }
        (pattern, values)
    }

    #[test]
    fn solving_undoes_multiplying() {
        for (pattern, values) in examples() {
            let x: Vec<f64> = (0..24).map(|i| (i as f64).sin()).collect();
            let mut rhs = [
                pattern.times(&values, &x[..12]),
                pattern.times(&values, &x[12..]),
            ]
            .concat();
            pattern.factor(&values).unwrap().solve_in_place(&mut rhs);
            for (a, b) in rhs.iter().zip(&x) {
                assert!((a - b).abs() < 1e-12);
            }
        }
    }

    #[test]
    fn correlated_noise_has_the_inverse_as_its_covariance() {
        for (pattern, values) in examples() {
            let factor = pattern.factor(&values).unwrap();
            // White noise taken as each unit vector in turn gives the columns of a square root R of
            // A⁻¹.
            let n = 12;
            let mut unit = vec![0.0; n * n];
            for i in 0..n {
                unit[i * n + i] = 1.0;
            }
            let root = factor.correlate(unit, n);
            for i in 0..n {
                let mut column = vec![0.0; n];
                column[i] = 1.0;
                factor.solve_in_place(&mut column);
                for j in 0..n {
                    let product: f64 = (0..n).map(|k| root[i * n + k] * root[j * n + k]).sum();
                    assert!((product - column[j]).abs() < 1e-12, "{i} {j}");
                }
            }
        }
    }

    #[test]
    fn both_ways_find_the_same_determinant() {
        let [a, b] =
            examples().map(|(pattern, values)| pattern.factor(&values).unwrap().log_determinant());
        assert!((a - b).abs() < 1e-12 && a > 0.0, "{a} {b}");
    }

    #[test]
    fn a_wider_band_is_factored_four_columns_at_a_time() {
        let n = 40;
        let at = |i: usize, j: usize| match i.abs_diff(j) {
            0 => 9.0 + (i as f64).sin(),
            d if d <= 11 => ((i + j) as f64).cos() / (1 + d) as f64,
            _ => 0.0,
        };
        let columns = (0..n).map(|j| (j..(j + 12).min(n)).collect()).collect();
        let pattern = Pattern::new(columns).unwrap();
        let mut values = vec![0.0; pattern.entries()];
        for j in 0..n {
            for i in j..(j + 12).min(n) {
                values[pattern.position(i, j).unwrap()] = at(i, j);
            }
        }
        let x: Vec<f64> = (0..n).map(|i| (i as f64 * 0.3).sin()).collect();
        let mut rhs: Vec<f64> = (0..n)
            .map(|i| (0..n).map(|j| at(i, j) * x[j]).sum())
            .collect();
        pattern.factor(&values).unwrap().solve_in_place(&mut rhs);
        for (a, b) in rhs.iter().zip(&x) {
            assert!((a - b).abs() < 1e-12, "{a} {b}");
        }
    }

    #[test]
    fn a_matrix_that_is_not_positive_definite_is_an_error() {
        for (pattern, mut values) in examples() {
            let k = pattern.position(3, 3).unwrap();
            values[k] = -1.0;
            assert!(pattern.factor(&values).is_err());
            values[k] = f64::NAN;
            assert!(pattern.factor(&values).is_err());
        }
    }
}
