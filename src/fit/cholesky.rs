//! The thin face of the sparse Cholesky library: a pattern analysed once, factored many times.
//!
//! Only the lower triangle is kept. The order of elimination (approximate minimum degree) and the
//! supernodes come from `faer`; what is added here is the log-determinant and the half solve for draws.

use crate::problem::Error;
use faer::dyn_stack::{MemBuffer, MemStack};
use faer::sparse::linalg::SupernodalThreshold;
use faer::sparse::linalg::cholesky::{
    CholeskySymbolicParams, LltRef, SymbolicCholesky, SymbolicCholeskyRaw, SymmetricOrdering,
    factorize_symbolic_cholesky,
    supernodal::{self, SupernodalLltRef},
};
use faer::sparse::{SparseColMatRef, SymbolicSparseColMat};
use faer::{Conj, MatMut, Par, Side};

/// Where the entries of a symmetric matrix stand: its lower triangle, column by column, in the order of elimination, so that
/// nothing has to be moved before a factorisation.
#[derive(Debug)]
pub struct Pattern {
    structure: SymbolicSparseColMat<usize>,
    symbolic: SymbolicCholesky<usize>,
    /// Unknown that is eliminated k-th.
    order: Vec<usize>,
    /// When each unknown is eliminated.
    rank: Vec<usize>,
}

fn failed(what: &str, error: impl std::fmt::Debug) -> Error {
    Error::Calculation(format!("{what}: {error:?}"))
}

/// The structure with these rows (≥ column) in each column; the diagonal is added, repeats are dropped.
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

impl Pattern {
    /// Analyse the pattern of an `n × n` matrix. `columns[j]` lists the rows i ≥ j of column j, in any order,
    /// repeats allowed; the diagonal is always there.
    ///
    /// # Errors
    /// [`Error::Calculation`] when memory runs out.
    pub fn new(columns: Vec<Vec<usize>>) -> Result<Self, Error> {
        let n = columns.len();
        let given = structure(columns);
        let params = CholeskySymbolicParams {
            supernodal_flop_ratio_threshold: SupernodalThreshold::FORCE_SUPERNODAL,
            ..Default::default()
        };
        let symbolic = factorize_symbolic_cholesky(
            given.as_ref(),
            Side::Lower,
            SymmetricOrdering::Amd,
            params,
        )
        .map_err(|e| failed("no order of elimination", e))?;
        let order = match symbolic.perm() {
            Some(order) => order.arrays().0.to_vec(),
            None => (0..n).collect(),
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
            symbolic,
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
        let SymbolicCholeskyRaw::Supernodal(symbolic) = self.symbolic.raw() else {
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
        Ok(Factor {
            symbolic: &self.symbolic,
            l,
        })
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
pub struct Factor<'p> {
    symbolic: &'p SymbolicCholesky<usize>,
    l: Vec<f64>,
}

impl Factor<'_> {
    /// Solve for one or several right-hand sides, each of `n` values, one after the other in `rhs`.
    pub fn solve_in_place(&self, rhs: &mut [f64]) {
        let n = self.symbolic.nrows();
        let columns = rhs.len() / n.max(1);
        let mut memory = MemBuffer::new(
            self.symbolic
                .solve_in_place_scratch::<f64>(columns, Par::Seq),
        );
        LltRef::new(self.symbolic, &self.l).solve_in_place_with_conj(
            Conj::No,
            MatMut::from_column_major_slice_mut(rhs, n, columns),
            Par::Seq,
            MemStack::new(&mut memory),
        );
    }

    /// Natural logarithm of the determinant.
    pub fn log_determinant(&self) -> f64 {
        match self.symbolic.raw() {
            SymbolicCholeskyRaw::Supernodal(s) => {
                let factor = SupernodalLltRef::new(s, &self.l);
                (0..s.n_supernodes())
                    .map(|k| {
                        let block = factor.supernode(k).val();
                        (0..block.ncols()).map(|j| block[(j, j)].ln()).sum::<f64>()
                    })
                    .sum::<f64>()
                    * 2.0
            }
            SymbolicCholeskyRaw::Simplicial(s) => {
                2.0 * (0..s.ncols())
                    .map(|j| self.l[s.col_ptr()[j]].ln())
                    .sum::<f64>()
            }
        }
    }

    /// Turn white noise into draws with covariance A⁻¹: x = Pᵀ·L⁻ᵀ·white, `draws` of them at once.
    ///
    /// `white` holds n × draws values, all draws of an unknown side by side; so does the answer.
    pub fn correlate(&self, mut white: Vec<f64>, draws: usize) -> Vec<f64> {
        match self.symbolic.raw() {
            SymbolicCholeskyRaw::Supernodal(s) => {
                let factor = SupernodalLltRef::new(s, &self.l);
                for k in (0..s.n_supernodes()).rev() {
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
            }
            SymbolicCholeskyRaw::Simplicial(s) => {
                for j in (0..s.ncols()).rev() {
                    let (head, tail) = white.split_at_mut((j + 1) * draws);
                    let own = &mut head[j * draws..];
                    for k in s.col_ptr()[j] + 1..s.col_ptr()[j + 1] {
                        let other = &tail[(s.row_idx()[k] - j - 1) * draws..][..draws];
                        for (o, t) in own.iter_mut().zip(other) {
                            *o -= self.l[k] * t;
                        }
                    }
                    for o in own.iter_mut() {
                        *o /= self.l[s.col_ptr()[j]];
                    }
                }
            }
        }
        match self.symbolic.perm() {
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

    /// A small positive definite matrix with a pattern that needs reordering.
    fn example() -> (Pattern, Vec<f64>, Vec<Vec<f64>>) {
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
        let pattern = Pattern::new(columns).unwrap();
        let mut values = vec![0.0; pattern.entries()];
        for j in 0..n {
            for i in j..n {
                if let Some(k) = pattern.position(i, j) {
                    values[k] = dense[i][j];
                }
            }
        }
        (pattern, values, dense)
    }

    #[test]
    fn solving_undoes_multiplying() {
        let (pattern, values, _) = example();
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

    #[test]
    fn correlated_noise_has_the_inverse_as_its_covariance() {
        let (pattern, values, _) = example();
        let factor = pattern.factor(&values).unwrap();
        // White noise taken as each unit vector in turn gives the columns of a square root R of A⁻¹.
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

    #[test]
    fn a_matrix_that_is_not_positive_definite_is_an_error() {
        let (pattern, mut values, _) = example();
        let k = pattern.position(3, 3).unwrap();
        values[k] = -1.0;
        assert!(pattern.factor(&values).is_err());
        values[k] = f64::NAN;
        assert!(pattern.factor(&values).is_err());
    }
}
