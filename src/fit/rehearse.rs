//! Rehearsals: panels like this one, with its highs and lows elsewhere, surveyed as this one was
//! and found as it was.
//!
//! How far a survey may be out is not told by its own draws alone: real defects are few and sharp,
//! and whether a line runs over the tip of one is luck. So the luck is tried again. A draw of the
//! found surface is one panel that the readings allow; its deviation field is moved to another
//! place (the plane mirrored at the panel's edges), which is as likely a panel as the first, since
//! defects do not know where lines will run. It is read at the same places with the same noise,
//! straightedges resting on it where gravity puts them and no gap read below 0, and found by the
//! same steps, local amplitude learned anew. What that came to against what is truly there is a
//! sample of this survey's errors (a parametric bootstrap: Efron and Tibshirani 1993, ch. 6.5, with
//! the move added).

use super::Fitted;
use super::system;
use crate::observe::{Survey, Tool};
use crate::problem::Error;
use rand::RngExt as _;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};
use rayon::prelude::*;

/// Rehearsals made.
pub const REHEARSALS: usize = 24;
/// Draws kept of each rehearsal's own uncertainty.
pub const OWN_DRAWS: usize = 16;

/// One panel like the surveyed one, and what the survey found of it.
#[derive(Clone, Debug)]
pub struct Rehearsal {
    /// Coefficients of its true height, mm.
    pub truth: Vec<f64>,
    /// Coefficients of the height found, mm.
    pub found: Vec<f64>,
    /// Draws of what is known of it, less what was found: coefficients, mm.
    pub steps: Vec<Vec<f64>>,
}

/// What chance brings to one rehearsal.
struct Chance {
    shift: [usize; 2],
    noise: Vec<f64>,
    white: Vec<f64>,
}

impl Fitted {
    /// Rehearse with the first [`REHEARSALS`] of the draws (all unknowns).
    ///
    /// # Errors
    /// [`Error::Calculation`] when a matrix cannot be factored.
    pub(super) fn rehearse(
        &self,
        survey: &Survey,
        draws: &[Vec<f64>],
        rng: &mut ChaCha8Rng,
    ) -> Result<Vec<Rehearsal>, Error> {
        let basis = &self.system.basis;
        let count = [basis.x.count(), basis.y.count()];
        let mut normals =
            |n: usize| -> Vec<f64> { (0..n).map(|_| StandardNormal.sample(&mut *rng)).collect() };
        let mut chances: Vec<Chance> = draws
            .iter()
            .take(REHEARSALS)
            .map(|_| Chance {
                shift: [0; 2],
                noise: normals(self.y.len()),
                white: normals(self.system.unknowns() * OWN_DRAWS),
            })
            .collect();
        for chance in &mut chances {
            chance.shift = count.map(|n| rng.random_range(0..2 * n));
        }
        let extra = self.extra();
        let normal = self.system.normal(&self.y, &extra);
        // The first, even solution has one matrix for all.
        let even = self.system.solve_local(
            &self.system.even(),
            &normal,
            self.even.range_mm,
            self.even.ratio,
            self.even.sigma_mm,
        )?;
        chances
            .par_iter()
            .zip(draws)
            .map(|(chance, draw)| {
                let truth = self.moved(draw, chance.shift);
                let y = self.read(survey, &truth, &chance.noise);
                let mut own = normal.clone();
                own.right = self.system.right_hand(&y, &extra);
                let mut unknowns = own.right.clone();
                even.factor.solve_in_place(&mut unknowns);
                let once = self.found_again(&own, &unknowns)?;
                let found = self.found_again(&own, &once.unknowns)?;
                let own_draws = found.factor.correlate(chance.white.clone(), OWN_DRAWS);
                let steps = (0..OWN_DRAWS)
                    .map(|d| {
                        let step: Vec<f64> = own_draws
                            .iter()
                            .skip(d)
                            .step_by(OWN_DRAWS)
                            .map(|e| self.numbers.sigma_mm * e)
                            .collect();
                        self.system.surface(&step)
                    })
                    .collect();
                Ok(Rehearsal {
                    truth: self.system.surface(&truth),
                    found: self.system.surface(&found.unknowns),
                    steps,
                })
            })
            .collect()
    }

    /// What the survey would read of a panel, mm.
    fn read(&self, survey: &Survey, truth: &[f64], noise: &[f64]) -> Vec<f64> {
        let mut y = self.system.predicted(truth);
        let rows = &self.system.rows;
        let mut first = 0;
        while let Some(placing) = rows.get(first).map(|r| r.placing) {
            let own = rows[first..]
                .iter()
                .take_while(|r| r.placing == placing)
                .count();
            let span = first..first + own;
            let edge = survey.placings[placing].tool == Tool::Straightedge;
            if edge {
                let along: Vec<f64> = rows[span.clone()]
                    .iter()
                    .map(|r| r.rest.get(1).copied().unwrap_or(0.0))
                    .collect();
                rest(&along, &mut y[span.clone()]);
            }
            for k in span {
                y[k] += self.numbers.sigma_mm * self.system.relative_sd[k] * noise[k];
                if edge {
                    y[k] = y[k].max(0.0);
                }
            }
            first += own;
        }
        y
    }

    /// Solve with the local amplitude that an earlier solution tells.
    fn found_again(
        &self,
        normal: &system::Normal,
        earlier: &[f64],
    ) -> Result<system::Solved<'_>, Error> {
        let (local, _) = self.system.local_of(earlier);
        let n = &self.numbers;
        self.system
            .solve_local(&local, normal, n.range_mm, n.ratio, n.sigma_mm)
    }

    /// A draw with its field moved by whole knots, mirrored at the edges; shape and rests stay.
    fn moved(&self, draw: &[f64], shift: [usize; 2]) -> Vec<f64> {
        let basis = &self.system.basis;
        let (nx, ny) = (basis.x.count(), basis.y.count());
        let mut truth = draw.to_vec();
        for i in 0..nx {
            for j in 0..ny {
                let from = basis.index(mirrored(i + shift[0], nx), mirrored(j + shift[1], ny));
                truth[basis.index(i, j)] = draw[from];
            }
        }
        truth
    }
}

/// Let a straightedge come to rest: of all lines that leave no gap below 0 and touch at two places,
/// the one with the least sum of gaps. `gaps` are gaps under any line at the places `along`, mm;
/// they become those under the edge at rest.
fn rest(along: &[f64], gaps: &mut [f64]) {
    let n = gaps.len();
    let under = |i: usize, j: usize, k: usize| {
        let share = (along[k] - along[i]) / (along[j] - along[i]);
        gaps[k] - gaps[i] - share * (gaps[j] - gaps[i])
    };
    let mut best: Option<(f64, usize, usize)> = None;
    for i in 0..n {
        for j in i + 1..n {
            if along[i] == along[j] || (0..n).any(|k| under(i, j, k) < -1e-9) {
                continue;
            }
            let sum: f64 = (0..n).map(|k| under(i, j, k)).sum();
            if best.is_none_or(|(least, ..)| sum < least) {
                best = Some((sum, i, j));
            }
        }
    }
    if let Some((_, i, j)) = best {
        let at_rest: Vec<f64> = (0..n).map(|k| under(i, j, k).max(0.0)).collect();
        gaps.copy_from_slice(&at_rest);
    }
}

/// Place k of an endless row 0 … n−1, n−1 … 0, 0 …
fn mirrored(k: usize, n: usize) -> usize {
    let k = k % (2 * n);
    if k < n { k } else { 2 * n - 1 - k }
}

#[cfg(test)]
mod tests {
    use super::{mirrored, rest};

    #[test]
    fn an_edge_rests_on_the_two_highest_places_about_its_middle() {
        // Heights 0, 2, 1, 2, 0 under a level line at 5: the edge lies on the two places 2 high.
        let along = [0.0, 1.0, 2.0, 3.0, 4.0];
        let mut gaps = [5.0, 3.0, 4.0, 3.0, 5.0];
        rest(&along, &mut gaps);
        assert_eq!(gaps, [2.0, 0.0, 1.0, 0.0, 2.0]);
        // However the line lay from which the gaps were counted.
        let mut tilted = [5.0, 3.5, 5.0, 4.5, 7.0];
        rest(&along, &mut tilted);
        for (a, b) in tilted.iter().zip(gaps) {
            assert!((a - b).abs() < 1e-12);
        }
    }

    #[test]
    fn a_row_is_mirrored_at_both_ends() {
        let row: Vec<usize> = (0..8).map(|k| mirrored(k, 3)).collect();
        assert_eq!(row, [0, 1, 2, 2, 1, 0, 0, 1]);
    }
}
