//! Cholesky within a band: for symmetric matrices whose entries lie close to the diagonal as they
//! are numbered.
//!
//! Columns are kept one after the other from the diagonal down. Four earlier columns are taken off
//! a column at once, so that each of its entries is fetched and put back once for four products.

/// Zeros kept below each column, so that four neighbouring columns can be read over one length.
const SPARE: usize = 3;

/// A symmetric band matrix, or its factor L (lower, L·Lᵀ = A).
#[derive(Clone, Debug)]
pub struct Band {
    n: usize,
    /// Entries below the diagonal.
    below: usize,
    /// `below + 1 + SPARE` values a column.
    values: Vec<f64>,
}

impl Band {
    /// An `n × n` matrix of zeros with room for `below` entries under the diagonal.
    pub fn zeros(n: usize, below: usize) -> Self {
        Band {
            n,
            below,
            values: vec![0.0; n * (below + 1 + SPARE)],
        }
    }

    fn stride(&self) -> usize {
        self.below + 1 + SPARE
    }

    /// Set entry (row, column), row ≥ column. Entries outside the band are passed over.
    pub fn set(&mut self, row: usize, column: usize, value: f64) {
        let stride = self.stride();
        if let Some(down) = row.checked_sub(column).filter(|down| *down <= self.below)
            && let Some(place) = self.values.get_mut(column * stride + down)
        {
            *place = value;
        }
    }

    /// Factor it, column by column (Golub and Van Loan 2013, 4.3.5).
    ///
    /// # Errors
    /// The column at which it is not positive definite, or holds a NaN.
    pub fn factor(mut self) -> Result<Band, usize> {
        let stride = self.stride();
        for j in 0..self.n {
            let (before, rest) = self.values.split_at_mut(j * stride);
            let column = &mut rest[..=self.below];
            // Column k as seen from row j on; rows past its band are its spare zeros.
            let from_j = |k: usize| &before[k * stride + j - k..];
            let mut k = j.saturating_sub(self.below);
            while k + 4 <= j {
                let parts: [&[f64]; 4] = std::array::from_fn(|m| from_j(k + m));
                let length = (self.below + k + 4 - j).min(column.len());
                subtract_four(&mut column[..length], parts);
                k += 4;
            }
            for k in k..j {
                let part = from_j(k);
                let factor = part[0];
                let length = self.below + 1 + k - j;
                for (c, l) in column[..length].iter_mut().zip(part) {
                    *c -= factor * l;
                }
            }
            let pivot = column[0];
            if !(pivot > 0.0 && pivot.is_finite()) {
                return Err(j);
            }
            let root = pivot.sqrt();
            let inverse = 1.0 / root;
            column[0] = root;
            for c in &mut column[1..] {
                *c *= inverse;
            }
        }
        Ok(self)
    }

    /// Column j of the factor from the diagonal down, cut at the last row.
    fn column(&self, j: usize) -> &[f64] {
        let length = (self.below + 1).min(self.n - j);
        &self.values[j * self.stride()..][..length]
    }

    /// Of a factor: solve A x = b for one or several right-hand sides of n values, one after the
    /// other.
    pub fn solve_in_place(&self, rhs: &mut [f64]) {
        for x in rhs.chunks_exact_mut(self.n.max(1)) {
            for j in 0..self.n {
                let column = self.column(j);
                let own = x[j] / column[0];
                x[j] = own;
                for (x, l) in x[j + 1..].iter_mut().zip(&column[1..]) {
                    *x -= own * l;
                }
            }
            for j in (0..self.n).rev() {
                let column = self.column(j);
                let sum: f64 = column[1..]
                    .iter()
                    .zip(&x[j + 1..])
                    .map(|(l, x)| l * x)
                    .sum();
                x[j] = (x[j] - sum) / column[0];
            }
        }
    }

    /// Of a factor: L⁻ᵀ times `sets` vectors, all values of one unknown side by side.
    pub fn half_solve(&self, x: &mut [f64], sets: usize) {
        for j in (0..self.n).rev() {
            let column = self.column(j);
            let (head, tail) = x.split_at_mut((j + 1) * sets);
            let own = &mut head[j * sets..];
            for (l, other) in column[1..].iter().zip(tail.chunks_exact(sets.max(1))) {
                for (o, t) in own.iter_mut().zip(other) {
                    *o -= l * t;
                }
            }
            for o in own.iter_mut() {
                *o /= column[0];
            }
        }
    }

    /// Of a factor: natural logarithm of the determinant of L·Lᵀ.
    pub fn log_determinant(&self) -> f64 {
        2.0 * (0..self.n).map(|j| self.column(j)[0].ln()).sum::<f64>()
    }
}

/// Take four columns off one, each times its first entry.
fn subtract_four(column: &mut [f64], parts: [&[f64]; 4]) {
    let n = column.len();
    let [a, b, c, d] = parts.map(|p| &p[..n]);
    if n == 0 {
        return;
    }
    let [fa, fb, fc, fd] = [a[0], b[0], c[0], d[0]];
    for ((((x, a), b), c), d) in column.iter_mut().zip(a).zip(b).zip(c).zip(d) {
        *x -= fa * a + fb * b + (fc * c + fd * d);
    }
}
