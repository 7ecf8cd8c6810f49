//! The three numbers that are not the user's business: amplitude, range and noise, by restricted maximum likelihood.
//!
//! σ is profiled out, so the search is over (log range, log amplitude/σ). The criterion is smooth and single-peaked in practice:
//! nine points of a square are evaluated on both cores, a quadratic is laid through them, and the square moves to the
//! quadratic's lowest point and shrinks. The last quadratic also tells how well the two numbers are known.

use super::field::RANGE_BOUNDS_MM;
use super::system::{Normal, System};
use crate::problem::Error;
use rayon::prelude::*;

/// Most moves of the square; 4 to 7 are usual.
const MOST_ROUNDS: usize = 14;
/// The square's half side at which the search ends, in log units (5 %).
const FINE: f64 = 0.25;
/// Bounds on amplitude/σ: a field below a hundredth of the noise is nil, above a thousand times it interpolation.
const RATIO_BOUNDS: [f64; 2] = [0.02, 1000.0];

/// The numbers found.
#[derive(Clone, Copy, Debug)]
pub struct Numbers {
    /// Range of the field, mm.
    pub range_mm: f64,
    /// Amplitude over σ.
    pub ratio: f64,
    /// Noise of a typical reading, mm.
    pub sigma_mm: f64,
    /// Covariance of (log range, log ratio): [var range, covariance, var ratio].
    pub covariance: [f64; 3],
    /// Factorisations spent.
    pub evaluations: usize,
    /// Whether the square had shrunk before the rounds ran out.
    pub settled: bool,
}

/// Where the search begins.
#[derive(Clone, Copy, Debug)]
pub struct Search {
    /// Range of the field, mm.
    pub range_mm: f64,
    /// Amplitude over σ.
    pub ratio: f64,
    /// Half side of the first square, log units: 0.7 when little is known, less to go on from numbers found before.
    pub half: f64,
}

/// Find the numbers for these normal equations.
///
/// # Errors
/// [`Error::Calculation`] when a factorisation fails.
pub fn find(
    system: &System,
    normal: &Normal,
    start: Search,
    sigma_guess_mm: f64,
    floor_mm: f64,
) -> Result<Numbers, Error> {
    let bounds = [RANGE_BOUNDS_MM.map(f64::ln), RATIO_BOUNDS.map(f64::ln)];
    let clamp = |p: [f64; 2]| {
        [
            p[0].clamp(bounds[0][0], bounds[0][1]),
            p[1].clamp(bounds[1][0], bounds[1][1]),
        ]
    };
    let deviance = |p: [f64; 2]| -> Result<(f64, f64), Error> {
        let (range, ratio) = (p[0].exp(), p[1].exp());
        let solved = system.solve(normal, range, ratio, sigma_guess_mm)?;
        Ok(system.deviance(normal, &solved, range, ratio, floor_mm))
    };
    let mut centre = clamp([start.range_mm.ln(), start.ratio.ln()]);
    let mut half = start.half;
    let mut evaluations = 0;
    let mut covariance = [0.25, 0.0, 0.25];
    let mut settled = false;
    for _ in 0..MOST_ROUNDS {
        let offsets: Vec<[f64; 2]> = (0..9)
            .map(|k| [(k / 3) as f64 - 1.0, (k % 3) as f64 - 1.0])
            .collect();
        let values = offsets
            .par_iter()
            .map(|o| {
                deviance(clamp([centre[0] + half * o[0], centre[1] + half * o[1]])).map(|d| d.0)
            })
            .collect::<Result<Vec<f64>, Error>>()?;
        evaluations += values.len();
        let quadratic = Quadratic::through(&offsets, &values);
        let step = quadratic.lowest();
        let best = (0..9)
            .min_by(|&a, &b| values[a].total_cmp(&values[b]))
            .unwrap_or(4);
        match step {
            Some(step) if step.iter().all(|s| s.abs() <= 1.5) => {
                covariance = quadratic.covariance(half);
                centre = clamp([centre[0] + half * step[0], centre[1] + half * step[1]]);
                if half <= FINE {
                    settled = true;
                    break;
                }
                half *= 0.35;
            }
            _ => {
                let at = clamp([
                    centre[0] + half * offsets[best][0],
                    centre[1] + half * offsets[best][1],
                ]);
                if at == centre {
                    half *= 0.35;
                    if half < FINE * 0.35 {
                        settled = true;
                        break;
                    }
                }
                centre = at;
            }
        }
    }
    let (_, sigma_mm) = deviance(centre)?;
    Ok(Numbers {
        range_mm: centre[0].exp(),
        ratio: centre[1].exp(),
        sigma_mm,
        covariance,
        evaluations: evaluations + 1,
        settled,
    })
}

/// f ≈ c + gᵀp + ½pᵀHp over the nine points of {−1, 0, 1}².
struct Quadratic {
    gradient: [f64; 2],
    hessian: [f64; 3],
}

impl Quadratic {
    /// Least squares through the nine points; closed form, since the design is orthogonal.
    fn through(offsets: &[[f64; 2]], values: &[f64]) -> Self {
        let sum = |f: &dyn Fn(&[f64; 2]) -> f64| -> f64 {
            offsets.iter().zip(values).map(|(o, v)| f(o) * v).sum()
        };
        Quadratic {
            gradient: [sum(&|o| o[0]) / 6.0, sum(&|o| o[1]) / 6.0],
            hessian: [
                sum(&|o| o[0] * o[0] - 2.0 / 3.0),
                sum(&|o| o[0] * o[1]) / 4.0,
                sum(&|o| o[1] * o[1] - 2.0 / 3.0),
            ],
        }
    }

    fn determinant(&self) -> f64 {
        self.hessian[0] * self.hessian[2] - self.hessian[1] * self.hessian[1]
    }

    /// Its lowest point, if it has one.
    fn lowest(&self) -> Option<[f64; 2]> {
        let det = self.determinant();
        if !(self.hessian[0] > 0.0 && det > 1e-9) {
            return None;
        }
        let [a, b, c] = self.hessian;
        let [g, h] = self.gradient;
        Some([-(c * g - b * h) / det, -(a * h - b * g) / det])
    }

    /// Covariance of the two numbers when the function is −2 log likelihood on a square of this half side:
    /// twice the inverse Hessian.
    fn covariance(&self, half: f64) -> [f64; 3] {
        let scale = 2.0 * half * half / self.determinant();
        [
            self.hessian[2] * scale,
            -self.hessian[1] * scale,
            self.hessian[0] * scale,
        ]
    }
}
