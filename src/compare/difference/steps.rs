//! What the difference may be off by, from the draws of both fits.

use super::super::align::Columns;
use super::common::{Common, FREE_TERMS};
use crate::fit::Surface;
use crate::judge::cloud::FLOOR_MM;
use rayon::prelude::*;

/// Share of untouched panels of which nothing may be called changed, by the draws.
const QUIET: f64 = 0.99;
/// Least number of standard deviations that is called a change, whatever the draws say.
const LEAST_CRITICAL: f64 = 3.5;
/// Draws of one survey are paired with those of the other at these distances. Both come from one
/// seed, so that draw k of one must not meet draw k of the other.
pub const PAIRED: [usize; 4] = [37, 53, 71, 89];

/// What the draws of both surveys differ by from the found surfaces, at the nodes, mm.
pub struct Steps {
    pub before: Vec<Vec<f64>>,
    pub after: Vec<Vec<f64>>,
}

impl Steps {
    pub fn new(common: &Common, before: &Surface, after: &Surface) -> Self {
        let of = |surface: &Surface| {
            let one = |draw: &Vec<f64>| {
                let step: Vec<f64> = draw
                    .iter()
                    .zip(&surface.coefficients)
                    .map(|(d, c)| d - c)
                    .collect();
                common.heights(surface, &step, [0.0; 2])
            };
            surface.draws.par_iter().map(one).collect()
        };
        Steps {
            before: of(before),
            after: of(after),
        }
    }

    /// Standard deviations of curvature along x, twist and curvature along y by the draws of both,
    /// mm.
    pub fn bend_sd_mm(&self, frame: &[Vec<f64>]) -> [f64; 3] {
        let even = vec![1.0; frame.first().map_or(0, Vec::len)];
        let fit = Columns::new(frame, &even);
        let mut out = [0.0; 3];
        for all in [&self.before, &self.after] {
            for step in all {
                let terms = fit.coefficients(step);
                for (o, t) in out.iter_mut().zip(&terms[FREE_TERMS..]) {
                    *o += t * t / all.len().max(1) as f64;
                }
            }
        }
        out.map(|v| v.sqrt().max(FLOOR_MM))
    }

    pub fn without(mut self, columns: &Columns) -> Self {
        self.before
            .par_iter_mut()
            .chain(&mut self.after)
            .for_each(|step| columns.remove(step));
        self
    }

    /// Variance of the difference by the draws alone, mm².
    fn variance(&self) -> Vec<f64> {
        let count = self.after.first().map_or(0, Vec::len);
        let mut out = vec![0.0; count];
        for all in [&self.before, &self.after] {
            let by = 1.0 / all.len().max(1) as f64;
            for step in all {
                out.iter_mut().zip(step).for_each(|(o, s)| *o += by * s * s);
            }
        }
        out
    }

    /// Standard deviation of the difference, mm, with the floor of both.
    pub fn sd(&self) -> Vec<f64> {
        let floor = 2.0 * FLOOR_MM * FLOOR_MM;
        self.variance().iter().map(|v| (v + floor).sqrt()).collect()
    }

    /// Draw `k` of what the difference may be off by, `apart` draws from one another.
    pub fn pair(&self, k: usize, apart: usize) -> impl Iterator<Item = f64> + '_ {
        let n = self.before.len().max(1);
        let other = self.before.get((k + apart) % n);
        let own = self.after.get(k);
        own.into_iter()
            .flatten()
            .zip(other.into_iter().flatten())
            .map(|(a, b)| a - b)
    }

    /// Standard deviations that the largest difference of an untouched panel stays below.
    pub fn critical(&self, near: &[bool]) -> f64 {
        let sd: Vec<f64> = self.variance().iter().map(|v| v.sqrt().max(1e-9)).collect();
        let mut largest: Vec<f64> = PAIRED
            .iter()
            .flat_map(|apart| (0..self.after.len()).map(move |k| (k, *apart)))
            .collect::<Vec<(usize, usize)>>()
            .into_par_iter()
            .map(|(k, apart)| {
                let off = self.pair(k, apart).zip(&sd).zip(near);
                off.filter(|(_, near)| **near)
                    .map(|((d, s), _)| (d / s).abs())
                    .fold(0.0, f64::max)
            })
            .collect();
        largest.sort_by(f64::total_cmp);
        let at = (QUIET * largest.len() as f64) as usize;
        let most = largest.get(at.min(largest.len().saturating_sub(1)));
        most.copied().unwrap_or(LEAST_CRITICAL).max(LEAST_CRITICAL)
    }
}
