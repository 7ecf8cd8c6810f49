//! Two surveys laid onto one another by what was not touched.
//!
//! A panel on other supports may differ by a plane, by constant curvature and by twist, and the
//! second grid may have been taped some mm aside. These are fitted robustly: first by least
//! absolute deviations, then with Tukey's biweight (c = 4.685, 95 % efficiency at the normal
//! distribution; J. W. Tukey's constant as in Huber, Robust Statistics, 1981; from memory), so that
//! a patch that was filled or sanded does not tilt the rest.

use nalgebra::{DMatrix, DVector};
use ndarray::ArrayView1;

/// Rounds of least absolute deviations, from which the biweight starts.
const ABSOLUTE_ROUNDS: usize = 12;
/// Most rounds of the biweight.
const BIWEIGHT_ROUNDS: usize = 30;
/// Tukey's constant.
const TUKEY: f64 = 4.685;
/// MAD of the normal distribution over its standard deviation (published widely: Φ⁻¹(¾)).
pub(super) const MAD_OVER_SD: f64 = 0.674_489_750_196_081_7;
/// The residuals' own scale is taken for no less than this share of the standard deviations given.
const LEAST_SCALE: f64 = 0.5;
/// A column that keeps less than this share of its length beside those before it says nothing of
/// its own.
const LEAST_OWN: f64 = 1e-6;

/// Normal equations whose factor has a smaller pivot than this share of its largest are not used:
/// half the digits would be gone.
const LEAST_PIVOT: f64 = 1e-4;

/// Columns made orthonormal under weights: a fit is then one sum a column.
#[derive(Clone, Debug)]
pub struct Columns {
    /// Orthonormal columns.
    own: Vec<Vec<f64>>,
    /// The same times the weights.
    weighted: Vec<Vec<f64>>,
    /// Row k: how column k as given is made up from the orthonormal ones.
    made_of: Vec<Vec<f64>>,
}

impl Columns {
    /// Gram and Schmidt, twice over. Columns that depend on those before them get the coefficient
    /// 0.
    pub fn new(given: &[Vec<f64>], weights: &[f64]) -> Self {
        let mut out = Columns {
            own: Vec::new(),
            weighted: Vec::new(),
            made_of: Vec::new(),
        };
        for column in given {
            out.add(column, weights);
        }
        out
    }

    fn add(&mut self, column: &[f64], weights: &[f64]) {
        let length = |v: &[f64]| dot(&times(v, weights), v).sqrt();
        let before = length(column);
        let mut own = column.to_vec();
        let mut parts = vec![0.0; self.own.len()];
        for _ in 0..2 {
            for (k, part) in parts.iter_mut().enumerate() {
                let share = dot(&self.weighted[k], &own);
                *part += share;
                add_to(&mut own, &self.own[k], -share);
            }
        }
        let left = length(&own);
        let size = if left > LEAST_OWN * before && left > 0.0 {
            left
        } else {
            0.0
        };
        let by = if size > 0.0 { 1.0 / size } else { 0.0 };
        own.iter_mut().for_each(|v| *v *= by);
        parts.push(size);
        self.weighted.push(times(&own, weights));
        self.own.push(own);
        self.made_of.push(parts);
    }

    /// Coefficients of the columns as they were given.
    pub fn coefficients(&self, values: &[f64]) -> Vec<f64> {
        let mut right: Vec<f64> = self.weighted.iter().map(|q| dot(q, values)).collect();
        let mut out = vec![0.0; right.len()];
        for k in (0..right.len()).rev() {
            let size = self.made_of[k][k];
            out[k] = if size > 0.0 { right[k] / size } else { 0.0 };
            for (earlier, part) in self.made_of[k][..k].iter().enumerate() {
                right[earlier] -= out[k] * part;
            }
        }
        out
    }

    /// What other weights leave of values: by normal equations, a third of the work of new columns,
    /// and safe since these are orthonormal already. `None` where the weights leave columns that
    /// hardly differ.
    fn left_under(&self, weights: &[f64], values: &[f64]) -> Option<Vec<f64>> {
        let sizes = self.made_of.iter().map(|parts| parts.last());
        let own: Vec<&Vec<f64>> = (self.own.iter().zip(sizes))
            .filter(|(_, size)| size.is_some_and(|s| *s > 0.0))
            .map(|(own, _)| own)
            .collect();
        let mut gram = DMatrix::zeros(own.len(), own.len());
        let mut right = DVector::zeros(own.len());
        for (j, column) in own.iter().enumerate() {
            let weighed = times(column, weights);
            right[j] = dot(&weighed, values);
            for (k, other) in own[..=j].iter().enumerate() {
                gram[(j, k)] = dot(&weighed, other);
            }
        }
        let factor = gram.cholesky()?;
        let sizes = factor.l_dirty().diagonal();
        if sizes.min() < LEAST_PIVOT * sizes.max() {
            return None;
        }
        let mut left = values.to_vec();
        for (column, share) in own.iter().zip(factor.solve(&right).iter()) {
            add_to(&mut left, column, -share);
        }
        Some(left)
    }

    /// Takes the fit out of values. Where columns are longer than the values, the values are taken
    /// to be 0 there.
    pub fn remove(&self, values: &mut [f64]) {
        let shares: Vec<f64> = self.weighted.iter().map(|w| dot(w, values)).collect();
        for (own, share) in self.own.iter().zip(shares) {
            add_to(values, own, -share);
        }
    }
}

fn times(values: &[f64], weights: &[f64]) -> Vec<f64> {
    values.iter().zip(weights).map(|(v, w)| v * w).collect()
}

/// Sum of products, over the shorter of the two; ndarray adds up eight at a time.
fn dot(a: &[f64], b: &[f64]) -> f64 {
    let both = a.len().min(b.len());
    ArrayView1::from(&a[..both]).dot(&ArrayView1::from(&b[..both]))
}

fn add_to(to: &mut [f64], what: &[f64], times: f64) {
    to.iter_mut().zip(what).for_each(|(t, w)| *t += times * w);
}

/// Columns of a plane, constant curvature and twist at places, scaled to ±1 over the panel.
pub fn quadratics(places: &[[f64; 2]], size_mm: [f64; 2]) -> Vec<Vec<f64>> {
    let terms: [fn(f64, f64) -> f64; 6] = [
        |_, _| 1.0,
        |u, _| u,
        |_, v| v,
        |u, _| u * u,
        |u, v| u * v,
        |_, v| v * v,
    ];
    let scaled = |p: &[f64; 2], k: usize| 2.0 * p[k] / size_mm[k] - 1.0;
    terms
        .iter()
        .map(|f| {
            places
                .iter()
                .map(|p| f(scaled(p, 0), scaled(p, 1)))
                .collect()
        })
        .collect()
}

/// Weights under which columns fit what was not touched of values with standard deviations `sd`. 0:
/// touched.
pub fn untouched(columns: &[Vec<f64>], values: &[f64], sd: &[f64]) -> Vec<f64> {
    counted_untouched(columns, values, sd, &vec![1.0; values.len()])
}

/// The same where some values count as several.
pub fn counted_untouched(
    columns: &[Vec<f64>],
    values: &[f64],
    sd: &[f64],
    counts: &[f64],
) -> Vec<f64> {
    let base: Vec<f64> = sd.iter().zip(counts).map(|(s, c)| c / (s * s)).collect();
    let mut weights = base.clone();
    let even = Columns::new(columns, &base);
    for round in 0..ABSOLUTE_ROUNDS + BIWEIGHT_ROUNDS {
        let left = even.left_under(&weights, values).unwrap_or_else(|| {
            let mut left = values.to_vec();
            Columns::new(columns, &weights).remove(&mut left);
            left
        });
        let off: Vec<f64> = left.iter().zip(sd).map(|(r, s)| (r / s).abs()).collect();
        let share: Vec<f64> = if round < ABSOLUTE_ROUNDS {
            off.iter().map(|u| 1.0 / u.max(0.2)).collect()
        } else {
            let reach = TUKEY * scale(&off);
            off.iter()
                .map(|u| (1.0 - (u / reach).powi(2)).max(0.0).powi(2))
                .collect()
        };
        let next: Vec<f64> = share.iter().zip(&base).map(|(s, b)| s * b).collect();
        let moved = next
            .iter()
            .zip(&weights)
            .zip(&base)
            .map(|((n, w), b)| (n - w).abs() / b)
            .fold(0.0, f64::max);
        weights = next;
        if round >= ABSOLUTE_ROUNDS && moved < 1e-4 {
            break;
        }
    }
    weights
}

/// Scale of absolute values: their median over that of the normal distribution.
fn scale(off: &[f64]) -> f64 {
    let mut off = off.to_vec();
    let middle = off.len() / 2;
    let median = match off.is_empty() {
        true => 1.0,
        false => *off.select_nth_unstable_by(middle, f64::total_cmp).1,
    };
    (median / MAD_OVER_SD).max(LEAST_SCALE)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn places() -> Vec<[f64; 2]> {
        (0..400)
            .map(|k| [(k % 20) as f64 * 50.0, (k / 20) as f64 * 30.0])
            .collect()
    }

    #[test]
    fn coefficients_come_back() {
        let places = places();
        let columns = quadratics(&places, [950.0, 570.0]);
        let weights: Vec<f64> = (0..400).map(|k| 1.0 + (k % 7) as f64).collect();
        let want = [0.3, -1.0, 2.0, 0.7, -0.2, 0.05];
        let values: Vec<f64> = (0..400)
            .map(|k| columns.iter().zip(want).map(|(c, w)| c[k] * w).sum())
            .collect();
        let fit = Columns::new(&columns, &weights);
        for (got, want) in fit.coefficients(&values).iter().zip(want) {
            assert!((got - want).abs() < 1e-12, "{got} {want}");
        }
        let mut left = values;
        fit.remove(&mut left);
        assert!(left.iter().all(|v| v.abs() < 1e-12));
    }

    #[test]
    fn a_column_said_twice_gets_nothing() {
        let columns = vec![vec![1.0, 2.0, 3.0], vec![2.0, 4.0, 6.0]];
        let fit = Columns::new(&columns, &[1.0; 3]);
        assert_eq!(fit.coefficients(&[1.0, 2.0, 3.0])[1], 0.0);
    }

    #[test]
    fn normal_equations_leave_what_new_columns_leave() {
        let places = places();
        let mut columns = quadratics(&places, [950.0, 570.0]);
        columns.push(columns[1].iter().map(|c| 3.0 * c).collect());
        let even = Columns::new(&columns, &[1.0; 400]);
        let values: Vec<f64> = (0..400).map(|k| ((k * 37) % 101) as f64 / 100.0).collect();
        // A patch of the weights is 0, as after the biweight.
        let weights: Vec<f64> = (0..400).map(|k| f64::from(k % 20 > 6 || k > 200)).collect();
        let mut want = values.clone();
        Columns::new(&columns, &weights).remove(&mut want);
        let got = even.left_under(&weights, &values).expect("well told apart");
        for (got, want) in got.iter().zip(want) {
            assert!((got - want).abs() < 1e-10, "{got} {want}");
        }
        // Weights on one row of places: what curves across it cannot be told from what is level.
        let row: Vec<f64> = (0..400).map(|k| f64::from(k < 20)).collect();
        assert!(even.left_under(&row, &values).is_none());
    }

    /// Most that the alignment leaves wrong, mm, under a plane and a patch of 0.5 mm.
    fn worst(touched: fn(&[f64; 2]) -> bool) -> f64 {
        let places = places();
        let columns = quadratics(&places, [950.0, 570.0]);
        let values: Vec<f64> = places
            .iter()
            .map(|p| 0.001 * p[0] - 0.002 * p[1] + if touched(p) { 0.5 } else { 0.0 })
            .collect();
        let weights = untouched(&columns, &values, &[0.02; 400]);
        let mut left = values;
        Columns::new(&columns, &weights).remove(&mut left);
        let off = places.iter().zip(left).map(|(p, v)| {
            let want = if touched(p) { 0.5 } else { 0.0 };
            (v - want).abs()
        });
        off.fold(0.0, f64::max)
    }

    #[test]
    fn a_patch_does_not_tilt_the_rest() {
        // A fifth of the panel in one corner, a quarter in its middle, a strip of a tenth along a
        // whole edge.
        let corner = worst(|p| p[0] < 400.0 && p[1] < 270.0);
        let middle = worst(|p| (220.0..=730.0).contains(&p[0]) && (130.0..=420.0).contains(&p[1]));
        let strip = worst(|p| p[0] < 100.0);
        assert!(
            corner < 1e-3 && middle < 1e-3 && strip < 1e-3,
            "{corner} {middle} {strip}"
        );
        // A third along a whole edge cannot be told from curvature: docs/limits.md says so.
        assert!(worst(|p| p[0] < 320.0) > 0.1);
    }
}
