//! The three numbers that are not the user's business: amplitude, range and noise, by restricted
//! maximum likelihood.
//!
//! σ is profiled out, so the search is over (log range, log amplitude/σ). The criterion is smooth
//! and single-peaked in practice: it is evaluated at six points of a star, on both cores; a
//! quadratic is laid through all points met so far, those near by counting most; the star moves to
//! the quadratic's lowest point. When it need not move far any more, it shrinks and ends.

use super::field::RANGE_BOUNDS_MM;
use super::least_squares;
use super::system::{Normal, System};
use crate::problem::Error;
use ndarray::Array2;
use rayon::prelude::*;

/// Most moves of the star; 2 to 4 are usual.
const MOST_ROUNDS: usize = 16;
/// Farthest move, in radii: beyond, the quadratic is not to be trusted.
const FARTHEST: f64 = 2.0;
/// Points of the first star, and of one with others near by: a middle with five or three around it.
const FIRST_ARMS: usize = 5;
const LATER_ARMS: usize = 3;
/// Bounds on amplitude/σ: a field below a fiftieth of the noise is nil, above a thousand times it
/// interpolation.
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
    /// Factorisations spent.
    pub evaluations: usize,
    /// Whether the star had shrunk before the rounds ran out.
    pub settled: bool,
}

/// Where the search begins.
#[derive(Clone, Copy, Debug)]
pub struct Search {
    /// Range of the field, mm.
    pub range_mm: f64,
    /// Amplitude over σ.
    pub ratio: f64,
    /// Radius of the first star, log units: 0.7 when little is known, less to go on from numbers
    /// found before.
    pub radius: f64,
    /// Radius at which the search may end: with a star of 0.35 the numbers are known to some 3 %,
    /// which the surface does not feel.
    pub fine: f64,
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
    let mut radius = start.radius;
    let mut points: Vec<([f64; 2], f64)> = Vec::new();
    let mut settled = false;
    let mut arms = FIRST_ARMS;
    for round in 0..MOST_ROUNDS {
        let wanted: Vec<[f64; 2]> = star(arms, round)
            .iter()
            .map(|o| clamp([centre[0] + radius * o[0], centre[1] + radius * o[1]]))
            .collect();
        let values = wanted
            .par_iter()
            .map(|p| deviance(*p).map(|d| d.0))
            .collect::<Result<Vec<f64>, Error>>()?;
        points.extend(wanted.into_iter().zip(values));
        let step = Quadratic::near(centre, radius, &points).and_then(|q| q.lowest());
        if let Some(step) = step {
            let far = step[0].hypot(step[1]);
            let go = radius * (FARTHEST / far).min(1.0);
            centre = clamp([centre[0] + go * step[0], centre[1] + go * step[1]]);
            arms = LATER_ARMS;
            if far <= 1.0 {
                if radius <= start.fine {
                    settled = true;
                    break;
                }
                radius *= 0.5;
            }
            continue;
        }
        // No bowl here: on from the lowest point met.
        arms = FIRST_ARMS;
        let lowest = points.iter().min_by(|a, b| a.1.total_cmp(&b.1));
        match lowest {
            Some((best, _)) if *best != centre => centre = *best,
            _ if radius < start.fine / 4.0 => {
                settled = true;
                break;
            }
            _ => radius *= 0.5,
        }
    }
    let (_, sigma_mm) = deviance(centre)?;
    Ok(Numbers {
        range_mm: centre[0].exp(),
        ratio: centre[1].exp(),
        sigma_mm,
        evaluations: points.len() + 1,
        settled,
    })
}

/// The middle and `arms` points at distance 1 around it, turned a little from round to round.
fn star(arms: usize, round: usize) -> Vec<[f64; 2]> {
    let around = (0..arms).map(|k| {
        let angle = std::f64::consts::TAU * k as f64 / arms as f64 + round as f64;
        [angle.cos(), angle.sin()]
    });
    std::iter::once([0.0; 2]).chain(around).collect()
}

/// f ≈ c + gᵀp + ½pᵀHp, p in radii from the star's middle.
struct Quadratic {
    gradient: [f64; 2],
    hessian: [f64; 3],
}

impl Quadratic {
    /// Least squares through the points, weighed by 1/(1 + distance⁴); `None` when they do not
    /// carry a quadratic.
    fn near(centre: [f64; 2], radius: f64, points: &[([f64; 2], f64)]) -> Option<Self> {
        let places = points
            .iter()
            .map(|(p, _)| [0, 1].map(|k| (p[k] - centre[k]) / radius));
        let weights: Vec<f64> = places
            .clone()
            .map(|[u, v]| 1.0 / (1.0 + (u * u + v * v).powi(2)))
            .collect();
        let mut rows = Vec::with_capacity(6 * points.len());
        for ([u, v], w) in places.zip(&weights) {
            rows.extend([1.0, u, v, u * u / 2.0, u * v, v * v / 2.0].map(|a| a * w));
        }
        let rows = Array2::from_shape_vec((points.len(), 6), rows).ok()?;
        // Differences: the criterion itself is in the thousands.
        let base = points.first()?.1;
        let values: Vec<f64> = points
            .iter()
            .zip(&weights)
            .map(|((_, f), w)| (f - base) * w)
            .collect();
        let c = least_squares::solve(&rows, &values).ok()?.coef;
        match c.as_slice() {
            [_, g, h, a, b, d] => Some(Quadratic {
                gradient: [*g, *h],
                hessian: [*a, *b, *d],
            }),
            _ => None,
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
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_star_finds_the_bottom_of_a_bowl() {
        let f = |[u, v]: [f64; 2]| {
            5000.0 + 3.0 * (u - 0.2).powi(2) + (u - 0.2) * (v + 0.4) + 2.0 * (v + 0.4).powi(2)
        };
        let (centre, radius) = ([0.5, -0.1], 0.7);
        let points: Vec<_> = star(FIRST_ARMS, 0)
            .iter()
            .map(|o| [centre[0] + radius * o[0], centre[1] + radius * o[1]])
            .map(|p| (p, f(p)))
            .collect();
        let step = Quadratic::near(centre, radius, &points)
            .and_then(|q| q.lowest())
            .expect("a bowl");
        assert!((centre[0] + radius * step[0] - 0.2).abs() < 1e-9);
        assert!((centre[1] + radius * step[1] + 0.4).abs() < 1e-9);
        // Four points carry no quadratic.
        assert!(Quadratic::near(centre, radius, &points[..4]).is_none());
    }
}
