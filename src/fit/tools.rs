//! Each tool's row of the linear system: what a reading says about the surface and about how the
//! tool came to rest.
//!
//! | tool | row |
//! | --- | --- |
//! | straightedge | gap = a + b·s − z |
//! | profile gauge | reading = z + a + b·s |
//! | batten | gap = S(s) − z, S the natural cubic spline through z at the contacts |
//! | wave gauge | reading = a + z(mid) − (z(foot₁) + z(foot₂))/2 |
//! | bridge | reading = z + a + b·x + c·y, or z + a + b·s when all its readings lie on one line |
//!
//! The sign of a gap is turned here and nowhere else. `s` is counted from the middle of the placing
//! in units of 100 mm, so that the rests are of the size of the readings.

use crate::observe::sound::line_of;
use crate::observe::{Placing, Reading, Tool};

/// Length that makes rests comparable with readings, mm.
const REST_SCALE_MM: f64 = 100.0;

/// One reading as a row: Σ weight·z(x, y) + Σ rest[k]·(rest number k of the placing) = value.
#[derive(Clone, Debug)]
pub struct Row {
    /// Points of the surface that the reading compares: (x, y, weight).
    pub points: Vec<[f64; 3]>,
    /// Coefficients of the placing's rest numbers.
    pub rest: Vec<f64>,
    /// The reading, mm.
    pub value: f64,
    /// Index of the placing in the survey.
    pub placing: usize,
    /// Index of the reading in its placing.
    pub reading: usize,
}

/// How many rest numbers a placing has.
pub fn rests(placing: &Placing) -> usize {
    match placing.tool {
        Tool::Straightedge | Tool::ProfileGauge => 2,
        Tool::Batten => 0,
        Tool::WaveGauge => 1,
        // Readings on one line say nothing of the tilt across it.
        Tool::Bridge => line_of(placing).map_or(3, |_| 2),
    }
}

/// The rows of one placing, one for each reading that was taken and says something (a batten's
/// contacts, which define its rest, do not).
pub fn rows(placing: &Placing, index: usize) -> Vec<Row> {
    let taken: Vec<(usize, &Reading, f64)> = placing
        .readings
        .iter()
        .enumerate()
        .filter_map(|(k, r)| r.value_mm.map(|v| (k, r, v)))
        .collect();
    if taken.is_empty() {
        return Vec::new();
    }
    let n = taken.len() as f64;
    let middle = [
        taken.iter().map(|(_, r, _)| r.x).sum::<f64>() / n,
        taken.iter().map(|(_, r, _)| r.y).sum::<f64>() / n,
    ];
    let along =
        |r: &Reading| (r.x - middle[0]) * placing.toward[0] + (r.y - middle[1]) * placing.toward[1];
    let mut contacts: Vec<(f64, f64, f64)> = taken
        .iter()
        .filter(|(_, _, v)| *v == 0.0)
        .map(|(_, r, _)| (along(r), r.x, r.y))
        .collect();
    contacts.sort_by(|a, b| a.0.total_cmp(&b.0));
    // Two contacts at one place are one knot.
    contacts.dedup_by(|a, b| (a.0 - b.0).abs() < 1e-6);
    let bridged = (placing.tool == Tool::Bridge)
        .then(|| line_of(placing))
        .flatten();
    let contact_places: Vec<f64> = contacts.iter().map(|c| c.0).collect();
    taken
        .iter()
        .filter(|(_, _, v)| placing.tool != Tool::Batten || *v != 0.0)
        .map(|&(k, r, value)| {
            let s = along(r) / REST_SCALE_MM;
            let (points, rest) = match placing.tool {
                Tool::Straightedge => (vec![[r.x, r.y, -1.0]], vec![1.0, s]),
                Tool::ProfileGauge => (vec![[r.x, r.y, 1.0]], vec![1.0, s]),
                Tool::Bridge => {
                    let [u, v] = [r.x - middle[0], r.y - middle[1]].map(|d| d / REST_SCALE_MM);
                    let rest = match &bridged {
                        Some(line) => vec![1.0, u * line.toward[0] + v * line.toward[1]],
                        None => vec![1.0, u, v],
                    };
                    (vec![[r.x, r.y, 1.0]], rest)
                }
                Tool::WaveGauge => {
                    let half = placing.base_mm / 2.0;
                    let (dx, dy) = (placing.toward[0] * half, placing.toward[1] * half);
                    (
                        vec![
                            [r.x, r.y, 1.0],
                            [r.x - dx, r.y - dy, -0.5],
                            [r.x + dx, r.y + dy, -0.5],
                        ],
                        vec![1.0],
                    )
                }
                Tool::Batten => {
                    let mut points = vec![[r.x, r.y, -1.0]];
                    let weights = natural_spline_weights(&contact_places, along(r));
                    points.extend(
                        contacts
                            .iter()
                            .zip(weights)
                            .map(|(&(_, x, y), w)| [x, y, w]),
                    );
                    (points, Vec::new())
                }
            };
            Row {
                points,
                rest,
                value,
                placing: index,
                reading: k,
            }
        })
        .collect()
}

/// Weights of the ordinates at `knots` (increasing or not, all different) in the natural cubic
/// spline's value at `s`; beyond the end knots the spline is straight. With two knots it is the
/// straight line.
///
/// The spline's second derivatives M solve the tridiagonal system of de Boor (1978), ch. IV, with M
/// = 0 at both ends; it is solved once for each unit ordinate.
fn natural_spline_weights(knots: &[f64], s: f64) -> Vec<f64> {
    let mut order: Vec<usize> = (0..knots.len()).collect();
    order.sort_by(|&a, &b| knots[a].total_cmp(&knots[b]));
    let t: Vec<f64> = order.iter().map(|&k| knots[k]).collect();
    let mut weights = vec![0.0; knots.len()];
    for (position, &k) in order.iter().enumerate() {
        let mut unit = vec![0.0; t.len()];
        unit[position] = 1.0;
        weights[k] = natural_spline(&t, &unit, s);
    }
    weights
}

/// Value at `s` of the natural cubic spline through (t, v), t increasing.
fn natural_spline(t: &[f64], v: &[f64], s: f64) -> f64 {
    let n = t.len();
    if n < 2 {
        return v.first().copied().unwrap_or(0.0);
    }
    // Second derivatives by the tridiagonal (Thomas) elimination; M[0] = M[n−1] = 0.
    let mut m = vec![0.0; n];
    let (mut upper, mut right) = (vec![0.0; n], vec![0.0; n]);
    for i in 1..n - 1 {
        let (h0, h1) = (t[i] - t[i - 1], t[i + 1] - t[i]);
        let pivot = 2.0 * (h0 + h1) - h0 * upper[i - 1];
        upper[i] = h1 / pivot;
        let slope = 6.0 * ((v[i + 1] - v[i]) / h1 - (v[i] - v[i - 1]) / h0);
        right[i] = (slope - h0 * right[i - 1]) / pivot;
    }
    for i in (1..n - 1).rev() {
        m[i] = right[i] - upper[i] * m[i + 1];
    }
    if s <= t[0] {
        let h = t[1] - t[0];
        return v[0] + (s - t[0]) * ((v[1] - v[0]) / h - h * m[1] / 6.0);
    }
    if s >= t[n - 1] {
        let h = t[n - 1] - t[n - 2];
        return v[n - 1] + (s - t[n - 1]) * ((v[n - 1] - v[n - 2]) / h + h * m[n - 2] / 6.0);
    }
    let i = t.partition_point(|&k| k <= s).clamp(1, n - 1) - 1;
    let h = t[i + 1] - t[i];
    let (a, b) = ((t[i + 1] - s) / h, (s - t[i]) / h);
    a * v[i] + b * v[i + 1] + ((a * a * a - a) * m[i] + (b * b * b - b) * m[i + 1]) * h * h / 6.0
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_natural_spline_through_two_points_is_the_straight_line() {
        let w = natural_spline_weights(&[0.0, 10.0], 2.5);
        assert!((w[0] - 0.75).abs() < 1e-15 && (w[1] - 0.25).abs() < 1e-15);
    }

    #[test]
    fn a_natural_spline_agrees_with_a_worked_case() {
        // Knots 0 1 2 3 with ordinates 0 1 0 1: M1 and M2 solve 4M1 + M2 = -12, M1 + 4M2 = 12, so
        // M1 = -4, M2 = 4; at 0.5: 0.5 + (0.125 - 0.5)*(-4)/6 = 0.75. At 1.5: 0.5 by symmetry.
        let (t, v) = ([0.0, 1.0, 2.0, 3.0], [0.0, 1.0, 0.0, 1.0]);
        assert!((natural_spline(&t, &v, 0.5) - 0.75).abs() < 1e-14);
        assert!((natural_spline(&t, &v, 1.5) - 0.5).abs() < 1e-14);
        // Straight beyond the end: slope at 3 is (1 - 0) + 4/6.
        assert!((natural_spline(&t, &v, 4.0) - (1.0 + 1.0 + 4.0 / 6.0)).abs() < 1e-14);
    }

    #[test]
    fn spline_weights_reproduce_straight_lines() {
        let knots = [40.0, -300.0, 220.0, 100.0];
        for s in [-350.0, -10.0, 45.0, 219.0, 400.0] {
            let w = natural_spline_weights(&knots, s);
            let line: f64 = w.iter().zip(&knots).map(|(w, k)| w * (3.0 + 0.5 * k)).sum();
            assert!((line - (3.0 + 0.5 * s)).abs() < 1e-10);
        }
    }
}
