//! Small dense weighted least squares: a handful of coefficients from rows that are all known at
//! once.
//!
//! Used for planes and low polynomials under a surface, for repeatability and for trends over
//! cycles. The found surface itself is not solved here: it has thousands of unknowns and goes
//! through sparse Cholesky.

use faer::Mat;
use ndarray::Array2;

/// What was fitted, and how well the rows bear it out.
#[derive(Clone, Debug, PartialEq)]
pub struct LeastSquares {
    /// One coefficient for each column.
    pub coef: Vec<f64>,
    /// Standard error of each coefficient; NaN when there are no more rows than columns.
    pub standard_error: Vec<f64>,
    /// Standard deviation of the residuals, √(Σwr²/(n − p)); NaN when there are no more rows than
    /// columns.
    pub residual_sd: f64,
    /// Share of the variation explained: 1 − Σwr²/Σw(y − ȳ)², about zero instead of the mean ȳ when
    /// no combination of the columns is a constant. NaN when `y` does not vary.
    pub r2: f64,
    /// Rank found: always the number of columns, since a smaller one is refused.
    pub rank: usize,
}

/// Why there is no answer.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum LeastSquaresError {
    /// No rows or no columns.
    #[error("nothing to fit: {rows} rows, {columns} columns")]
    Empty {
        /// Rows given.
        rows: usize,
        /// Columns given.
        columns: usize,
    },
    /// The right-hand side or the weights are of another length than the rows.
    #[error("{rows} rows, but {values} values or weights")]
    Lengths {
        /// Rows given.
        rows: usize,
        /// Values or weights given.
        values: usize,
    },
    /// NaN or infinity among the numbers, numbers too large to square, or a negative weight.
    #[error("a number is NaN, infinite or too large, or a weight is negative")]
    NotANumber,
    /// Fewer rows (with weight) than unknowns, or columns that depend on one another.
    #[error("{columns} unknowns, but the rows fix only {rank} of them")]
    RankDeficient {
        /// Unknowns that the rows fix.
        rank: usize,
        /// Unknowns asked for.
        columns: usize,
    },
}

/// Least squares with equal weights: the coefficients c that make Σ(y − A c)² smallest.
///
/// `a` is n rows × p columns, `y` has n values. See [`solve_weighted`].
pub fn solve(a: &Array2<f64>, y: &[f64]) -> Result<LeastSquares, LeastSquaresError> {
    solve_weighted(a, y, &vec![1.0; y.len()])
}

/// Weighted least squares: the coefficients c that make Σ w (y − A c)² smallest.
///
/// `a` is n rows × p columns; `y` and `weights` (1/sd², not negative) have n values. Rows are
/// scaled by √w and columns to unit length; then A = QR by Householder reflections with column
/// exchange, R c = Qᵀy (Golub and Van Loan, Matrix Computations, §5.3-5.5). Nothing is cut off: the
/// columns count as dependent only where a diagonal of R falls below n·ε of the largest, after
/// scaling. Polynomials of degree ten over a short interval still pass (NIST's Filip keeps seven
/// digits).
///
/// # Errors
/// See [`LeastSquaresError`]; a result that would rest on dependent columns is refused, not made
/// up.
///
/// ```
/// use lowspot::fit::least_squares::solve;
/// // y = 1 + 2x through three points that lie on it.
/// let a = ndarray::arr2(&[[1.0, 0.0], [1.0, 1.0], [1.0, 2.0]]);
/// let line = solve(&a, &[1.0, 3.0, 5.0])?;
/// assert!((line.coef[1] - 2.0).abs() < 1e-14);
/// # Ok::<(), lowspot::fit::least_squares::LeastSquaresError>(())
/// ```
pub fn solve_weighted(
    a: &Array2<f64>,
    y: &[f64],
    weights: &[f64],
) -> Result<LeastSquares, LeastSquaresError> {
    let (rows, columns) = a.dim();
    check(a, y, weights)?;
    let root_weight: Vec<f64> = weights.iter().map(|w| w.sqrt()).collect();
    let scale = column_scales(a, &root_weight);
    let scaled = Mat::from_fn(rows, columns, |i, j| a[[i, j]] * root_weight[i] / scale[j]);
    let factor = scaled.col_piv_qr();
    let q = factor.compute_thin_Q();
    let r = factor.thin_R();
    let order: Vec<usize> = factor.P().arrays().0.to_vec();
    let rank = rank_of(r, rows);
    if rank < columns {
        return Err(LeastSquaresError::RankDeficient { rank, columns });
    }
    let project = |v: &dyn Fn(usize) -> f64| -> Vec<f64> {
        (0..columns)
            .map(|j| (0..rows).map(|i| q[(i, j)] * v(i)).sum())
            .collect()
    };
    let solved = back_substitute(r, project(&|i| y[i] * root_weight[i]));
    let mut coef = vec![0.0; columns];
    for (k, &j) in order.iter().enumerate() {
        coef[j] = solved[k] / scale[j];
    }
    if coef.iter().any(|c| !c.is_finite()) {
        return Err(LeastSquaresError::NotANumber);
    }

    let residual: Vec<f64> = (0..rows)
        .map(|i| y[i] - (0..columns).map(|j| a[[i, j]] * coef[j]).sum::<f64>())
        .collect();
    let left: f64 = (0..rows).map(|i| weights[i] * residual[i].powi(2)).sum();
    let counted = weights.iter().filter(|w| **w > 0.0).count();
    let freedom = counted.saturating_sub(columns);
    let residual_sd = match freedom {
        0 => f64::NAN,
        _ => (left / freedom as f64).sqrt(),
    };
    let mut standard_error = vec![f64::NAN; columns];
    for (k, length) in inverse_row_lengths(r).into_iter().enumerate() {
        let j = order[k];
        standard_error[j] = residual_sd * length / scale[j];
    }
    let ones = project(&|i| root_weight[i]);
    let total: f64 = weights.iter().sum();
    let has_constant = total - ones.iter().map(|c| c * c).sum::<f64>() <= 1e-10 * total;
    Ok(LeastSquares {
        coef,
        standard_error,
        residual_sd,
        r2: explained(y, weights, left, has_constant),
        rank,
    })
}

/// Refuses what cannot be fitted.
fn check(a: &Array2<f64>, y: &[f64], weights: &[f64]) -> Result<(), LeastSquaresError> {
    let (rows, columns) = a.dim();
    if rows == 0 || columns == 0 {
        return Err(LeastSquaresError::Empty { rows, columns });
    }
    for values in [y.len(), weights.len()] {
        if values != rows {
            return Err(LeastSquaresError::Lengths { rows, values });
        }
    }
    let finite = a.iter().chain(y).all(|v| v.is_finite());
    if !finite || weights.iter().any(|w| !w.is_finite() || *w < 0.0) {
        return Err(LeastSquaresError::NotANumber);
    }
    if rows < columns {
        let rank = rows;
        return Err(LeastSquaresError::RankDeficient { rank, columns });
    }
    Ok(())
}

/// Length of each weighted column; 1 for a column of zeros, which then shows in the rank.
fn column_scales(a: &Array2<f64>, root_weight: &[f64]) -> Vec<f64> {
    a.columns()
        .into_iter()
        .map(|column| {
            let length = column
                .iter()
                .zip(root_weight)
                .fold(0.0, |sum: f64, (v, w)| sum.hypot(v * w));
            if length > 0.0 && length.is_finite() {
                length
            } else {
                1.0
            }
        })
        .collect()
}

/// How many diagonals of R stand above n·ε of the largest.
fn rank_of(r: faer::MatRef<'_, f64>, rows: usize) -> usize {
    let diagonal: Vec<f64> = (0..r.ncols()).map(|j| r[(j, j)].abs()).collect();
    let largest = diagonal.iter().copied().fold(0.0, f64::max);
    let floor = rows as f64 * f64::EPSILON * largest;
    diagonal.iter().filter(|d| **d > floor).count()
}

/// Solves R x = b for upper triangular R.
fn back_substitute(r: faer::MatRef<'_, f64>, mut b: Vec<f64>) -> Vec<f64> {
    for i in (0..b.len()).rev() {
        let known: f64 = (i + 1..b.len()).map(|j| r[(i, j)] * b[j]).sum();
        b[i] = (b[i] - known) / r[(i, i)];
    }
    b
}

/// Length of each row of R⁻¹: the square roots of the diagonal of (RᵀR)⁻¹.
fn inverse_row_lengths(r: faer::MatRef<'_, f64>) -> Vec<f64> {
    let n = r.ncols();
    let mut length = vec![0.0_f64; n];
    for k in 0..n {
        let mut unit = vec![0.0; n];
        unit[k] = 1.0;
        for (row, v) in back_substitute(r, unit).into_iter().enumerate() {
            length[row] = length[row].hypot(v);
        }
    }
    length
}

/// Share of the variation explained, about the mean when the columns hold a constant, about zero
/// otherwise.
fn explained(y: &[f64], weights: &[f64], left: f64, about_mean: bool) -> f64 {
    let total: f64 = weights.iter().sum();
    let mean = match about_mean {
        true => y.iter().zip(weights).map(|(y, w)| y * w).sum::<f64>() / total,
        false => 0.0,
    };
    let all: f64 = y
        .iter()
        .zip(weights)
        .map(|(y, w)| w * (y - mean).powi(2))
        .sum();
    if all > 0.0 {
        1.0 - left / all
    } else {
        f64::NAN
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use ndarray::arr2;

    #[test]
    fn a_weight_of_two_counts_as_the_row_written_twice() -> Result<(), LeastSquaresError> {
        let once = arr2(&[[1.0, 0.0], [1.0, 1.0], [1.0, 3.0]]);
        let twice = arr2(&[[1.0, 0.0], [1.0, 1.0], [1.0, 1.0], [1.0, 3.0]]);
        let weighted = solve_weighted(&once, &[0.0, 2.0, 3.0], &[1.0, 2.0, 1.0])?;
        let repeated = solve(&twice, &[0.0, 2.0, 2.0, 3.0])?;
        for (w, r) in weighted.coef.iter().zip(&repeated.coef) {
            assert!((w - r).abs() < 1e-14, "{w} {r}");
        }
        assert!((weighted.r2 - repeated.r2).abs() < 1e-14);
        Ok(())
    }

    #[test]
    fn dependent_columns_are_refused_and_not_made_up() {
        let a = arr2(&[[1.0, 2.0], [2.0, 4.0], [3.0, 6.0]]);
        let refused = solve(&a, &[1.0, 2.0, 3.0]);
        assert_eq!(
            refused,
            Err(LeastSquaresError::RankDeficient {
                rank: 1,
                columns: 2
            })
        );
    }

    #[test]
    fn a_column_of_zeros_and_too_few_rows_are_refused() {
        let zeros = arr2(&[[1.0, 0.0], [1.0, 0.0], [1.0, 0.0]]);
        assert!(solve(&zeros, &[1.0, 2.0, 3.0]).is_err());
        assert!(solve(&arr2(&[[1.0, 2.0]]), &[1.0]).is_err());
        assert!(solve(&Array2::zeros((0, 2)), &[]).is_err());
        assert!(solve(&zeros, &[1.0]).is_err());
        assert!(solve(&arr2(&[[f64::NAN], [1.0]]), &[1.0, 2.0]).is_err());
        assert!(solve_weighted(&arr2(&[[1.0], [1.0]]), &[1.0, 2.0], &[0.0, 0.0]).is_err());
    }

    #[test]
    fn as_many_rows_as_columns_gives_the_line_and_owns_to_no_error_estimate()
    -> Result<(), LeastSquaresError> {
        let exact = solve(&arr2(&[[1.0, 0.0], [1.0, 1.0]]), &[2.0, 5.0])?;
        assert!((exact.coef[1] - 3.0).abs() < 1e-14);
        assert!(exact.residual_sd.is_nan() && exact.standard_error[0].is_nan());
        Ok(())
    }
}
