//! The homography of a plane panel by least squares.

use nalgebra::{DMatrix, DVector, Matrix3, Vector3};

/// A pair of points: on the panel (mm) and in the photo (px).
pub type Pair = ([f64; 2], [f64; 2]);

/// Smallest part of the largest singular value that the eighth one may be: below, the points lie so
/// nearly on a line that nothing is determined. Four targets at the corners of a rectangle give 0.2
/// to 0.4 (worked out); with one of them moved onto the line through two others but for 1 % of the
/// panel's length, about 0.003.
pub const LEAST_CONDITION: f64 = 0.004;

/// Homography photo-from-panel, and how well the points determine it (eighth over first singular
/// value of the normalised system, 0 to 1).
///
/// The direct linear transformation on points moved and scaled to mean 0 and mean distance √2 (R.
/// Hartley, IEEE PAMI 19 (1997) 580-593), then Gauss-Newton on the distances in the photo. `None`
/// with fewer than four pairs, or when a point is not finite.
pub fn fitted(pairs: &[Pair]) -> Option<(Matrix3<f64>, f64)> {
    let (h, condition) = direct(pairs)?;
    Some((refined(pairs, h), condition))
}

/// Moves and scales points to mean 0 and mean distance √2.
fn normaliser(points: &[[f64; 2]]) -> Option<Matrix3<f64>> {
    let n = points.len() as f64;
    let mean = [0, 1].map(|k| points.iter().map(|p| p[k]).sum::<f64>() / n);
    let spread = points
        .iter()
        .map(|p| (p[0] - mean[0]).hypot(p[1] - mean[1]))
        .sum::<f64>()
        / n;
    let scale = std::f64::consts::SQRT_2 / spread;
    (scale.is_finite() && mean[0].is_finite() && mean[1].is_finite()).then(|| {
        Matrix3::new(
            scale,
            0.0,
            -scale * mean[0],
            0.0,
            scale,
            -scale * mean[1],
            0.0,
            0.0,
            1.0,
        )
    })
}

fn direct(pairs: &[Pair]) -> Option<(Matrix3<f64>, f64)> {
    if pairs.len() < 4 {
        return None;
    }
    let (from, to): (Vec<[f64; 2]>, Vec<[f64; 2]>) = pairs.iter().copied().unzip();
    let (a, b) = (normaliser(&from)?, normaliser(&to)?);
    // At least nine rows: a thin decomposition of eight would lack the null vector.
    let mut rows = DMatrix::zeros((2 * pairs.len()).max(9), 9);
    for (i, (p, q)) in pairs.iter().enumerate() {
        let p = a * Vector3::new(p[0], p[1], 1.0);
        let q = b * Vector3::new(q[0], q[1], 1.0);
        for k in 0..3 {
            rows[(2 * i, k)] = p[k];
            rows[(2 * i, 6 + k)] = -q[0] * p[k];
            rows[(2 * i + 1, 3 + k)] = p[k];
            rows[(2 * i + 1, 6 + k)] = -q[1] * p[k];
        }
    }
    let svd = rows.try_svd(false, true, f64::EPSILON, 500)?;
    let mut order: Vec<usize> = (0..9).collect();
    order.sort_by(|i, j| svd.singular_values[*j].total_cmp(&svd.singular_values[*i]));
    let v = svd.v_t?;
    let last = v.row(order[8]);
    let h = Matrix3::from_fn(|r, c| last[3 * r + c]);
    let h = b.try_inverse()? * h * a;
    let condition = svd.singular_values[order[7]] / svd.singular_values[order[0]];
    h.iter()
        .all(|v| v.is_finite())
        .then_some((h / h.norm(), condition))
}

/// The point that a homography gives; `None` on the horizon.
pub fn apply(h: &Matrix3<f64>, p: [f64; 2]) -> Option<[f64; 2]> {
    let q = h * Vector3::new(p[0], p[1], 1.0);
    let far = q[2].abs()
        <= 1e-12
            * (h[(2, 0)] * p[0])
                .abs()
                .max((h[(2, 1)] * p[1]).abs())
                .max(h[(2, 2)].abs());
    (!far).then(|| [q[0] / q[2], q[1] / q[2]])
}

/// Sum of squared distances in the photo.
fn misfit(pairs: &[Pair], h: &Matrix3<f64>) -> f64 {
    pairs
        .iter()
        .map(|(p, q)| {
            apply(h, *p).map_or(f64::INFINITY, |r| {
                (r[0] - q[0]).powi(2) + (r[1] - q[1]).powi(2)
            })
        })
        .sum()
}

/// Gauss-Newton from a start, ten steps at most; a step that does not help is not taken.
fn refined(pairs: &[Pair], start: Matrix3<f64>) -> Matrix3<f64> {
    let (from, to): (Vec<[f64; 2]>, Vec<[f64; 2]>) = pairs.iter().copied().unzip();
    let (Some(a), Some(b)) = (normaliser(&from), normaliser(&to)) else {
        return start;
    };
    let (Some(a_inverse), Some(b_inverse)) = (a.try_inverse(), b.try_inverse()) else {
        return start;
    };
    let moved: Vec<Pair> = pairs
        .iter()
        .filter_map(|(p, q)| apply(&a, *p).zip(apply(&b, *q)))
        .collect();
    let mut h = b * start * a_inverse;
    h /= h.norm();
    let mut best = misfit(&moved, &h);
    for _ in 0..10 {
        let Some(step) = step(&moved, &h) else {
            break;
        };
        let mut next = h + step;
        next /= next.norm();
        let sum = misfit(&moved, &next);
        if sum.is_nan() || sum >= best {
            break;
        }
        let enough = best - sum < 1e-14 * best;
        (h, best) = (next, sum);
        if enough {
            break;
        }
    }
    let h = b_inverse * h * a;
    h / h.norm()
}

/// The Gauss-Newton step of all nine entries, of least length (the scale of a homography is free).
fn step(pairs: &[Pair], h: &Matrix3<f64>) -> Option<Matrix3<f64>> {
    let mut jacobian = DMatrix::zeros((2 * pairs.len()).max(9), 9);
    let mut left = DVector::zeros((2 * pairs.len()).max(9));
    for (i, (p, q)) in pairs.iter().enumerate() {
        let p = Vector3::new(p[0], p[1], 1.0);
        let r = h * p;
        for k in 0..2 {
            let row = 2 * i + k;
            left[row] = q[k] - r[k] / r[2];
            for c in 0..3 {
                jacobian[(row, 3 * k + c)] = p[c] / r[2];
                jacobian[(row, 6 + c)] = -r[k] * p[c] / (r[2] * r[2]);
            }
        }
    }
    let svd = jacobian.try_svd(true, true, f64::EPSILON, 500)?;
    let largest = svd.singular_values.max();
    let step = svd.solve(&left, 1e-10 * largest).ok()?;
    step.iter()
        .all(|v| v.is_finite())
        .then(|| Matrix3::from_fn(|r, c| step[3 * r + c]))
}
