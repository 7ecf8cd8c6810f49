//! The straightedge's own error: its shape beyond a straight line and an even bow, solved along
//! with the surface.
//!
//! All placings of one edge share it: gap = a + b·s + e(t) − z, t the distance from the edge's
//! first end, which lies at the place a placing is counted from; `turned` lays the other end there.
//! e is a sum of Legendre polynomials of degree 3 and up, so it has no offset, tilt or even bow:
//! those are rests, and fair curvature. Its coefficients are few, so they are eliminated last: with
//! M the matrix of the surface and E their columns, (EᵀWE + prior − EᵀWA·M⁻¹·AᵀWE)·c = EᵀW(y − Aû)
//! gives them and their covariance, and û moves by −M⁻¹AᵀWE·c; the same numbers as from one large
//! system.

use super::robust::Setting;
use super::system::{Solved, System, dot};
use crate::observe::{Survey, Tool};

/// Degrees of the polynomials.
const DEGREES: std::ops::RangeInclusive<usize> = 3..=10;
const COUNT: usize = 8;
/// Prior standard deviation of the coefficient of degree 3, mm; of degree k 3/k of it. What an edge
/// of the trade may be off by.
const PRIOR_MM: f64 = 0.1;
/// Placings of one edge from which its shape is asked for.
pub const ENOUGH_PLACINGS: usize = 10;
/// Nothing smaller is taken for a shape, mm: rounding and gaps cut off at 0 come to as much.
const SMALLEST_MM: f64 = 0.025;
/// Size over standard deviation at the worst place, and χ² of all coefficients, from which there is
/// a shape.
const CLEAR: f64 = 3.0;
const CLEAR_SQUARE: f64 = 30.0;
/// Standard deviation at some place, mm, above which the shape cannot be told from that of the
/// panel.
const NOT_TOLD_MM: f64 = 0.05;
/// Places along the edge at which it is looked at.
const PLACES: usize = 24;

/// What is known of one edge.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum State {
    /// No shape beyond its own uncertainty.
    Straight,
    /// A shape, taken out of the readings.
    Shaped,
    /// This survey cannot tell the edge's shape from the panel's.
    NotTold,
}

/// One edge's shape.
#[derive(Clone, Debug)]
pub struct EdgeShape {
    /// Length of the edge, mm.
    pub length_mm: f64,
    /// Placings it was found from.
    pub placings: usize,
    /// Whether one of them was turned.
    pub turned: bool,
    /// What is known.
    pub state: State,
    /// (distance from the first end, how far the underside stands off a straight line and an even
    /// bow: positive is hollow; its standard deviation), mm.
    pub profile: Vec<[f64; 3]>,
}

impl EdgeShape {
    /// The place where it is off most: as in [`EdgeShape::profile`].
    pub fn worst(&self) -> Option<[f64; 3]> {
        self.profile
            .iter()
            .copied()
            .max_by(|a, b| a[1].abs().total_cmp(&b[1].abs()))
    }
}

/// Columns of all edges of a survey.
pub(super) struct Columns {
    lengths: Vec<f64>,
    placings: Vec<usize>,
    turned: Vec<bool>,
    /// For each edge, (row, values of its polynomials).
    rows: Vec<Vec<(usize, [f64; COUNT])>>,
}

/// The shapes at given numbers.
#[derive(Clone, Debug)]
pub(super) struct Found {
    /// Coefficients, edge after edge, mm; 0 where none is taken out.
    pub coefficients: Vec<f64>,
    /// What is known of each edge.
    pub edges: Vec<EdgeShape>,
    /// Lower root of the information on the coefficients of edges that are taken out, 1/σ².
    root: Vec<f64>,
    /// How the unknowns move with each of these coefficients.
    moves: Vec<Vec<f64>>,
}

/// Legendre polynomials of [`DEGREES`] at a share 0 … 1 of the edge.
fn polynomials(share: f64) -> [f64; COUNT] {
    let x = (2.0 * share - 1.0).clamp(-1.0, 1.0);
    let (mut before, mut now) = (1.0, x);
    let mut out = [0.0; COUNT];
    for k in 2..=*DEGREES.end() {
        let n = k as f64;
        (before, now) = (now, ((2.0 * n - 1.0) * x * now - (n - 1.0) * before) / n);
        if k >= *DEGREES.start() {
            out[k - DEGREES.start()] = now;
        }
    }
    out
}

fn prior_sd_mm(k: usize) -> f64 {
    let first = *DEGREES.start() as f64;
    PRIOR_MM * first / (first + (k % COUNT) as f64)
}

impl Columns {
    /// The edges of a survey that were set down often enough.
    pub fn new(system: &System, survey: &Survey) -> Self {
        let mut columns = Columns {
            lengths: Vec::new(),
            placings: Vec::new(),
            turned: Vec::new(),
            rows: Vec::new(),
        };
        let edges = survey
            .placings
            .iter()
            .filter(|p| p.tool == Tool::Straightedge && p.base_mm > 0.0);
        let mut lengths: Vec<f64> = edges.clone().map(|p| p.base_mm).collect();
        lengths.sort_by(f64::total_cmp);
        lengths.dedup_by(|a, b| (*a - *b).abs() < 0.5);
        for length in lengths {
            let is_own = |base: f64| (base - length).abs() < 0.5;
            let own: Vec<_> = edges.clone().filter(|p| is_own(p.base_mm)).collect();
            if own.len() < ENOUGH_PLACINGS {
                continue;
            }
            let mut rows = Vec::new();
            for (r, row) in system.rows.iter().enumerate() {
                let placing = &survey.placings[row.placing];
                if placing.tool != Tool::Straightedge || !is_own(placing.base_mm) {
                    continue;
                }
                let (Some(first), Some(reading)) =
                    (placing.readings.first(), placing.readings.get(row.reading))
                else {
                    continue;
                };
                let along = (reading.x - first.x).hypot(reading.y - first.y);
                let t = if placing.turned {
                    length - along
                } else {
                    along
                };
                rows.push((r, polynomials(t / length)));
            }
            columns.lengths.push(length);
            columns.placings.push(own.len());
            columns.turned.push(own.iter().any(|p| p.turned));
            columns.rows.push(rows);
        }
        columns
    }

    /// Whether there is nothing to ask for.
    pub fn is_empty(&self) -> bool {
        self.lengths.is_empty()
    }

    /// The edges' part of every reading, mm.
    pub fn part(&self, found: &Found, rows: usize) -> Vec<f64> {
        let mut part = vec![0.0; rows];
        for (own, c) in self.rows.iter().zip(found.coefficients.chunks(COUNT)) {
            for (r, values) in own {
                part[*r] = dot(values, c);
            }
        }
        part
    }

    /// One column as values of the rows.
    fn column(&self, k: usize, rows: usize) -> Vec<f64> {
        let mut column = vec![0.0; rows];
        for (r, values) in &self.rows[k / COUNT] {
            column[*r] = values[k % COUNT];
        }
        column
    }

    /// The shapes, from a solution without them of these readings and weights; `None` when they
    /// cannot be solved for.
    pub fn find(
        &self,
        system: &System,
        solved: &Solved,
        y: &[f64],
        extra: &[f64],
        setting: &Setting,
    ) -> Option<Found> {
        let residual = super::robust::residuals(system, solved, y);
        let weight: Vec<f64> = extra
            .iter()
            .zip(&system.relative_sd)
            .map(|(e, sd)| e / (sd * sd))
            .collect();
        let count = COUNT * self.lengths.len();
        let columns: Vec<Vec<f64>> = (0..count).map(|k| self.column(k, y.len())).collect();
        let right: Vec<Vec<f64>> = columns
            .iter()
            .map(|c| system.right_hand(c, extra))
            .collect();
        let mut moves = right.concat();
        solved.factor.solve_in_place(&mut moves);
        let total = system.unknowns();
        let moves: Vec<Vec<f64>> = moves.chunks(total).map(<[f64]>::to_vec).collect();
        let weighed = |a: &[f64], b: &[f64]| -> f64 {
            a.iter()
                .zip(b)
                .zip(&weight)
                .map(|((a, b), w)| a * b * w)
                .sum()
        };
        let sigma = setting.sigma_mm;
        let information = |which: &[usize]| -> Vec<f64> {
            let n = which.len();
            let mut s = vec![0.0; n * n];
            for (i, &a) in which.iter().enumerate() {
                for (j, &b) in which.iter().enumerate() {
                    s[i * n + j] = weighed(&columns[a], &columns[b]) - dot(&right[a], &moves[b]);
                }
                s[i * n + i] += (sigma / prior_sd_mm(a)).powi(2);
            }
            s
        };
        let solve = |which: &[usize]| -> Option<(Vec<f64>, Vec<f64>)> {
            let n = which.len();
            let root = super::misread::cholesky(information(which), n)?;
            let mut c: Vec<f64> = which
                .iter()
                .map(|&k| weighed(&columns[k], &residual))
                .collect();
            super::misread::forward(&root, &mut c);
            backward(&root, &mut c);
            Some((c, root))
        };
        // All edges at once, then only those that have a shape.
        let all: Vec<usize> = (0..count).collect();
        let (c, root) = solve(&all)?;
        let mut edges = Vec::new();
        for (e, own) in c.chunks(COUNT).enumerate() {
            edges.push(self.judged(e, own, &root, count, sigma));
        }
        let shaped: Vec<usize> = all
            .into_iter()
            .filter(|k| edges[k / COUNT].state == State::Shaped)
            .collect();
        let mut found = Found {
            coefficients: vec![0.0; count],
            edges,
            root: Vec::new(),
            moves: Vec::new(),
        };
        if !shaped.is_empty() {
            let (c, root) = solve(&shaped)?;
            for (&k, c) in shaped.iter().zip(c) {
                found.coefficients[k] = c;
            }
            found.root = root;
            found.moves = shaped.iter().map(|&k| moves[k].clone()).collect();
        }
        Some(found)
    }

    /// What is known of edge `e` with these coefficients.
    fn judged(&self, e: usize, own: &[f64], root: &[f64], count: usize, sigma: f64) -> EdgeShape {
        let places = (0..=PLACES).map(|k| k as f64 / PLACES as f64);
        let profile: Vec<[f64; 3]> = places
            .map(|share| {
                let values = polynomials(share);
                let mut white = vec![0.0; count];
                white[e * COUNT..(e + 1) * COUNT].copy_from_slice(&values);
                super::misread::forward(root, &mut white);
                let sd = sigma * dot(&white, &white).sqrt();
                [share * self.lengths[e], dot(&values, own), sd]
            })
            .collect();
        // χ² of this edge's coefficients: their covariance is the block of the inverse.
        let mut covariance = vec![0.0; COUNT * COUNT];
        let unit = |k: usize| {
            let mut unit = vec![0.0; count];
            unit[e * COUNT + k] = 1.0;
            super::misread::forward(root, &mut unit);
            unit
        };
        let units: Vec<Vec<f64>> = (0..COUNT).map(unit).collect();
        for i in 0..COUNT {
            for j in 0..COUNT {
                covariance[i * COUNT + j] = sigma * sigma * dot(&units[i], &units[j]);
            }
        }
        let square = super::misread::cholesky(covariance, COUNT).map_or(0.0, |root| {
            let mut white = own.to_vec();
            super::misread::forward(&root, &mut white);
            dot(&white, &white)
        });
        let mut shape = EdgeShape {
            length_mm: self.lengths[e],
            placings: self.placings[e],
            turned: self.turned[e],
            state: State::Straight,
            profile,
        };
        let clear = |p: &[f64; 3]| p[1].abs() >= SMALLEST_MM && p[1].abs() > CLEAR * p[2];
        if square > CLEAR_SQUARE && shape.profile.iter().any(clear) {
            shape.state = State::Shaped;
        } else if shape.profile.iter().any(|p| p[2] > NOT_TOLD_MM) {
            shape.state = State::NotTold;
        }
        shape
    }
}

impl Found {
    /// Whether any edge's shape is taken out.
    pub fn any(&self) -> bool {
        !self.moves.is_empty()
    }

    /// How the unknowns move when the coefficients are drawn from what is known of them; `white`
    /// gives standard normal numbers.
    pub fn moved(&self, sigma_mm: f64, white: &mut dyn FnMut() -> f64) -> Vec<f64> {
        let mut c: Vec<f64> = self.moves.iter().map(|_| sigma_mm * white()).collect();
        backward(&self.root, &mut c);
        let mut out = vec![0.0; self.moves.first().map_or(0, Vec::len)];
        for (c, moves) in c.iter().zip(&self.moves) {
            for (o, m) in out.iter_mut().zip(moves) {
                *o -= c * m;
            }
        }
        out
    }
}

/// Solve Lᵀ·x = b in place.
fn backward(root: &[f64], b: &mut [f64]) {
    let n = b.len();
    for i in (0..n).rev() {
        let sum: f64 = (i + 1..n).map(|j| root[j * n + i] * b[j]).sum();
        b[i] = (b[i] - sum) / root[i * n + i];
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_polynomials_have_no_offset_tilt_or_bow() {
        let n = 2000;
        let mut sums = [[0.0; 3]; COUNT];
        for i in 0..n {
            let t = (f64::from(i) + 0.5) / f64::from(n);
            for (s, p) in sums.iter_mut().zip(polynomials(t)) {
                for (k, sum) in s.iter_mut().enumerate() {
                    *sum += p * t.powi(k as i32) / f64::from(n);
                }
            }
        }
        assert!(sums.iter().flatten().all(|s| s.abs() < 1e-5), "{sums:?}");
        // P3(1/2) by Rodrigues' formula: (5x³ − 3x)/2 = −0.4375; at the ends ±1.
        assert!((polynomials(0.75)[0] + 0.4375).abs() < 1e-12);
        assert!((polynomials(0.0)[0] + 1.0).abs() < 1e-12);
    }
}
