//! The filler: what it takes to level the lows, its interval from draws with the reference fitted
//! anew to each, and the price of each high.

use super::Interval;
use super::cloud::{Cloud, on_lines};
use super::regions;
use crate::fit::Surface;
use crate::fit::basis::Basis;
use crate::fit::rehearse::Rehearsal;
use crate::panel::Panel;
use crate::problem::Error;
use crate::reference::{Kind, Workbench};
use ndarray::Array2;
use rayon::prelude::*;

/// Where filler may go and what it would hold, on the nodes of a workbench.
pub struct Fill<'a> {
    /// The panel.
    pub panel: &'a Panel,
    /// The nodes.
    pub bench: &'a Workbench,
    /// Area of each node that may be filled, mm².
    pub areas_mm2: Vec<f64>,
}

/// Lows of one deviation.
pub struct Lows {
    /// Label of each node (0: no low).
    pub labels: Array2<u32>,
    /// Number of lows.
    pub count: usize,
    /// Volume of each low, cc; entry 0 belongs to label 1.
    pub volumes_cc: Vec<f64>,
}

impl Lows {
    /// Lows with these labels; `depth` is positive into a low, mm.
    pub fn of(
        labels: Array2<u32>,
        count: usize,
        depth: &Array2<f64>,
        areas_mm2: &dyn Fn(usize, usize) -> f64,
    ) -> Self {
        let mut volumes_cc = vec![0.0; count];
        for ((iy, ix), label) in labels.indexed_iter() {
            if let Some(v) = (*label as usize)
                .checked_sub(1)
                .and_then(|k| volumes_cc.get_mut(k))
            {
                // mm² × mm = mm³; 1000 mm³ are a cc.
                *v += areas_mm2(iy, ix) * depth[[iy, ix]] / 1000.0;
            }
        }
        Lows {
            labels,
            count,
            volumes_cc,
        }
    }

    /// All lows together, cc.
    pub fn total_cc(&self) -> f64 {
        // The sum of nothing is −0.
        self.volumes_cc.iter().sum::<f64>() + 0.0
    }
}

/// Lows of a deviation (mm, indexed `[[iy, ix]]`) whose nodes stand for `areas_mm2` (0 where
/// nothing may be filled).
pub fn lows(
    deviation: &Array2<f64>,
    sd: &dyn Fn(usize, usize) -> f64,
    areas_mm2: &dyn Fn(usize, usize) -> f64,
    limit_mm: f64,
) -> Lows {
    let depth = Array2::from_shape_fn(deviation.dim(), |(iy, ix)| {
        if areas_mm2(iy, ix) > 0.0 {
            -deviation[[iy, ix]]
        } else {
            f64::NAN
        }
    });
    let (labels, count) = regions::label(&depth, sd, limit_mm);
    Lows::of(labels, count, &depth, areas_mm2)
}

impl<'a> Fill<'a> {
    /// On a workbench; nothing is filled in a no-fill area.
    pub fn new(panel: &'a Panel, bench: &'a Workbench) -> Self {
        let nx = bench.xs.len();
        let areas_mm2 = bench
            .areas_mm2
            .iter()
            .enumerate()
            .map(|(k, a)| {
                let (x, y) = (bench.xs[k % nx], bench.ys[k / nx]);
                if panel.no_fill.iter().any(|p| p.contains(x, y)) {
                    0.0
                } else {
                    *a
                }
            })
            .collect();
        Fill {
            panel,
            bench,
            areas_mm2,
        }
    }

    /// The lows of heights (iy·nx + ix) against a reference's values at the same nodes.
    pub fn lows(&self, heights: &[f64], reference: &[f64]) -> Lows {
        let (nx, ny) = (self.bench.xs.len(), self.bench.ys.len());
        let deviation = Array2::from_shape_fn((ny, nx), |(iy, ix)| {
            heights[iy * nx + ix] - reference[iy * nx + ix]
        });
        lows(
            &deviation,
            &|_, _| 0.0,
            &|iy, ix| self.areas_mm2[iy * nx + ix],
            self.panel.node_limit_mm,
        )
    }

    /// Volume to be sanded down to a reference, cc.
    pub fn sanded_cc(&self, heights: &[f64], reference: &[f64]) -> f64 {
        heights
            .iter()
            .zip(reference)
            .zip(&self.bench.areas_mm2)
            .map(|((z, t), a)| (z - t).max(0.0) * a / 1000.0)
            .sum()
    }
}

/// One panel taken as true, and what a survey like this one would have found of it.
pub struct Drawn {
    /// Filler to level it under its own reference, cc.
    pub true_cc: f64,
    /// Filler that its survey would have told, cc.
    pub found_cc: f64,
    /// Its deviation from its own reference at the workbench's nodes, mm.
    pub deviation: Vec<f64>,
    /// Deviation that its survey would have told, mm.
    pub found_deviation: Vec<f64>,
    /// Deviation from the fair shape, whatever may be sanded, true and found, mm; empty for draws
    /// that were not moved.
    pub fairness: [Vec<f64>; 2],
    /// Standard deviation that its survey would have told with it, mm; empty for draws that were
    /// not moved.
    pub sd: Vec<f64>,
}

/// The benches that panels are taken to.
pub struct Benches<'a> {
    /// Where fillers are worked out.
    pub fill: &'a Fill<'a>,
    /// Heights on its nodes.
    pub cloud: &'a Cloud,
    /// Where references are fitted.
    pub coarse: &'a Workbench,
    /// Heights on its nodes.
    pub coarse_cloud: &'a Cloud,
}

/// A surface under its own reference.
struct Levelled {
    /// Filler to level it, cc.
    cc: f64,
    /// Its deviation from the reference worked to, mm.
    deviation: Vec<f64>,
    /// Its deviation from its skin, whatever may be sanded, mm.
    fairness: Vec<f64>,
}

impl Benches<'_> {
    /// A surface, given on both benches, under its own skin and its own reference of `kind`.
    fn levelled(&self, kind: Kind, rough: &[f64], heights: &[f64]) -> Result<Levelled, Error> {
        let bench = self.fill.bench;
        let skin = self.coarse.rough_skin(rough)?.coefficients;
        let reference = self
            .coarse
            .over(kind, &skin, rough, &self.coarse.allowance)?;
        let less = |c: &[f64]| -> Vec<f64> {
            let values = on_lines(self.coarse.basis(), c, &bench.xs, &bench.ys);
            heights.iter().zip(values).map(|(z, t)| z - t).collect()
        };
        let deviation = less(&reference);
        let nothing = vec![0.0; heights.len()];
        Ok(Levelled {
            cc: self.fill.lows(&deviation, &nothing).total_cc(),
            deviation,
            fairness: less(&skin),
        })
    }

    fn levelled_splines(
        &self,
        kind: Kind,
        basis: &Basis,
        coefficients: &[f64],
    ) -> Result<Levelled, Error> {
        let on = |bench: &Workbench| on_lines(basis, coefficients, &bench.xs, &bench.ys);
        self.levelled(kind, &on(self.coarse), &on(self.fill.bench))
    }
}

/// The draws that were surveyed anew, each under its own reference of `kind`.
///
/// # Errors
/// [`Error::Calculation`] when a reference does not settle.
pub fn resurveyed(on: &Benches, surface: &Surface, kind: Kind) -> Result<Vec<Drawn>, Error> {
    surface
        .refits
        .par_iter()
        .enumerate()
        .map(|(k, refit)| {
            let add = |found: &[f64], step: Vec<f64>| -> Vec<f64> {
                found.iter().zip(step).map(|(f, s)| f + s).collect()
            };
            let truth = on.levelled(
                kind,
                &add(&on.coarse_cloud.found, on.coarse_cloud.step(k)),
                &add(&on.cloud.found, on.cloud.step(k)),
            )?;
            let found = on.levelled_splines(kind, &surface.basis, refit)?;
            Ok(Drawn {
                true_cc: truth.cc,
                found_cc: found.cc,
                deviation: truth.deviation,
                found_deviation: found.deviation,
                fairness: [Vec::new(), Vec::new()],
                sd: Vec::new(),
            })
        })
        .collect()
}

/// Panels like this one with what their surveys found, each under its own reference of `kind`: the
/// rehearsals.
///
/// # Errors
/// [`Error::Calculation`] when a reference does not settle.
pub fn rehearsed(on: &Benches, surface: &Surface, kind: Kind) -> Result<Vec<Drawn>, Error> {
    let basis = &surface.basis;
    let one = |rehearsal: &Rehearsal| -> Result<Drawn, Error> {
        let truth = on.levelled_splines(kind, basis, &rehearsal.truth)?;
        let found = on.levelled_splines(kind, basis, &rehearsal.found)?;
        Ok(Drawn {
            true_cc: truth.cc,
            found_cc: found.cc,
            deviation: truth.deviation,
            found_deviation: found.deviation,
            fairness: [truth.fairness, found.fairness],
            sd: on.cloud.sd_of(&rehearsal.steps),
        })
    };
    let all: Vec<Result<Drawn, Error>> = surface.rehearsals.par_iter().map(one).collect();
    // A made-up panel whose reference does not settle is one value fewer; the map is not about it.
    // More than half of them would be.
    let settled = all.iter().filter(|d| d.is_ok()).count();
    if 2 * settled > all.len() {
        Ok(all.into_iter().filter_map(Result::ok).collect())
    } else {
        all.into_iter().collect()
    }
}

/// With a photo, what surveys like this one miss beyond what draws can tell, as a share of the
/// amount: highs narrower than the lines are apart, the three numbers being taken as known, and the
/// reference giving way under broad lows (by 7 % on simulated panels of ours, a fifth on those by
/// another hand). Chosen on simulated panels, as [`Surface::widened`] was.
const BEYOND_DRAWS: f64 = 0.08;
/// How much of the bias that panels like this one tell is mended in the most likely amount, which
/// is about what fills the lows that were put in: the reference itself gives way under broad ones
/// by some 7 %. Chosen on twelve kinds of surveys (lines each 100 to 200 mm and 24 placings, wide
/// lows and, by a second simulator, narrow ones): a quarter leaves 24 placings 25 to 36 % short in
/// the median, three quarters 7 to 15 %, all of it 1 to 9 %; on narrow lows all of it tells 5 to 24
/// % too much, three quarters 3 to 13 %. Those were told before the field was made as even at the
/// rim as inside; since then the bias that is told is smaller, and nine tenths keep every kind of
/// tests/accuracy.rs within 10 %. The interval stands about all of it.
const MENDED: f64 = 0.9;
/// Amounts below this are told by differences, not ratios, and from the draws where they are: a
/// panel with next to nothing on it has no defects whose places were luck, cc.
pub const SMALL_CC: f64 = 5.0;
/// A panel whose survey would have told less than this share of the amount, or more than its
/// inverse, says nothing of its errors.
const OTHERS_SHARE: f64 = 0.1;
/// 97.5 % point of the normal distribution.
const Z: f64 = 1.96;

/// The most likely amount and its 95 % interval for an amount of `found_cc`, from what surveys of
/// panels like this one found (found, true), cc.
///
/// A survey smooths: it finds lows shallower and narrow highs lower than they are, and a high that
/// is too low lets the reference down. How much, panels tell whose truth is known, surveyed as this
/// one was. The median of log(true/found) tells the bias; the interval reaches to either side as
/// their [`Spread`] tells, and is made to hold the found amount.
pub fn most_likely(found_cc: f64, pairs: &[(f64, f64)]) -> (f64, Interval) {
    let logs: Vec<f64> = pairs
        .iter()
        .filter(|(found, truth)| {
            let share = found / found_cc;
            *truth > 0.0 && share > OTHERS_SHARE && share < 1.0 / OTHERS_SHARE
        })
        .map(|(found, truth)| (truth / found).ln())
        .collect();
    let in_ratio = found_cc > SMALL_CC && 2 * logs.len() > pairs.len();
    let (likely, low, high) = if in_ratio {
        let by = Spread::of(&logs);
        let at = |log: f64| found_cc * log.exp();
        (
            at(MENDED * by.middle),
            at(by.middle - by.reach),
            at(by.middle + by.reach),
        )
    } else {
        let differences: Vec<f64> = pairs.iter().map(|(found, truth)| truth - found).collect();
        let by = Spread::of(&differences);
        let at = found_cc + by.middle;
        (
            (found_cc + MENDED * by.middle).max(0.0),
            if found_cc > SMALL_CC {
                at - by.reach
            } else {
                0.0
            },
            at + by.reach,
        )
    };
    holding(found_cc, likely, low, high)
}

/// The same from draws that were not moved, with a photo.
///
/// `widened`: by how much draws and noise were made wider than the fit says ([`Surface::widened`]).
/// The bias is the even part of what the draws do, so it grows with the square of their spread: it
/// is taken back by that square, and the interval stays as wide.
pub fn most_likely_widened(found_cc: f64, pairs: &[(f64, f64)], widened: f64) -> (f64, Interval) {
    let usable = found_cc > SMALL_CC && pairs.iter().all(|(f, t)| *f > 0.2 * SMALL_CC && *t > 0.0);
    let changes: Vec<f64> = pairs
        .iter()
        .map(|(found, truth)| {
            if usable {
                (truth / found).ln()
            } else {
                truth - found
            }
        })
        .collect();
    let (mean, sd) = mean_and_sd(&changes);
    let mean = mean / (widened * widened);
    let (likely, low, high) = if usable {
        let reach = Z * sd.hypot(BEYOND_DRAWS);
        let at = |log: f64| found_cc * log.exp();
        (at(mean), at(mean - reach), at(mean + reach))
    } else {
        let reach = Z * sd.hypot(BEYOND_DRAWS * found_cc);
        let at = found_cc + mean;
        // Next to nothing is never told as certainly something.
        let low = if found_cc > SMALL_CC { at - reach } else { 0.0 };
        (at.max(0.0), low, at + reach)
    };
    holding(found_cc, likely, low, high)
}

fn holding(found_cc: f64, likely: f64, low: f64, high: f64) -> (f64, Interval) {
    (
        likely,
        Interval {
            value: found_cc,
            low: low.min(found_cc).max(0.0),
            high: high.max(found_cc),
        },
    )
}

/// Where 95 of a hundred further values of a sample lie, robustly: about its median, so many times
/// half the way between its 16 and 84 % quantiles, since now and then a moved panel has hardly any
/// low left.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Spread {
    /// The middle.
    pub middle: f64,
    /// How far the interval reaches to either side.
    pub reach: f64,
}

/// For n values: how many times, so that the interval holds 95 % of further values when all are
/// normal (worked out with 200,000 simulated samples; between these n by the nearest smaller one).
const TIMES: [(usize, f64); 4] = [(24, 2.315), (20, 2.419), (16, 2.513), (12, 2.728)];

/// The same for the standard deviation without the smallest and the largest value.
const TIMES_TRIMMED: [(usize, f64); 4] = [(24, 2.544), (20, 2.660), (16, 2.842), (12, 3.201)];

impl Spread {
    /// From the standard deviation without the smallest and the largest value: minds a wild value
    /// more than [`Spread::of`] does, where to be wrong on one side would be worse.
    pub fn careful(values: &[f64]) -> Self {
        let mut sorted = values.to_vec();
        sorted.sort_by(f64::total_cmp);
        let by = Spread::of(values);
        match TIMES_TRIMMED.iter().find(|row| sorted.len() >= row.0) {
            Some((_, times)) => Spread {
                reach: times * mean_and_sd(&sorted[1..sorted.len() - 1]).1,
                ..by
            },
            None => by,
        }
    }

    /// Of a sample; of fewer than twelve values, as far as its own values reach and as much again.
    pub fn of(values: &[f64]) -> Self {
        let mut sorted = values.to_vec();
        sorted.sort_by(f64::total_cmp);
        let Some(last) = sorted.len().checked_sub(1) else {
            return Spread::default();
        };
        let quantile = |share: f64| {
            let at = share * last as f64;
            let (below, above) = (sorted[at.floor() as usize], sorted[at.ceil() as usize]);
            below + (above - below) * at.fract()
        };
        let middle = quantile(0.5);
        let reach = match TIMES.iter().find(|row| sorted.len() >= row.0) {
            Some((_, times)) => times * (quantile(0.8413) - quantile(0.1587)) / 2.0,
            None => 2.0 * (sorted[last] - middle).max(middle - sorted[0]),
        };
        Spread { middle, reach }
    }
}

/// Mean and standard deviation (n − 1); zero for fewer than two.
pub fn mean_and_sd(values: &[f64]) -> (f64, f64) {
    let n = values.len() as f64;
    if n < 2.0 {
        return (0.0, 0.0);
    }
    let mean = values.iter().sum::<f64>() / n;
    let square: f64 = values.iter().map(|v| (v - mean).powi(2)).sum();
    (mean, (square / (n - 1.0)).sqrt())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_spread_minds_no_single_wild_value() {
        let mut values: Vec<f64> = (0..24).map(f64::from).collect();
        let calm = Spread::of(&values);
        assert!((calm.middle - 11.5).abs() < 1e-12);
        // 16 and 84 % of 0 … 23 lie 15.7 apart.
        assert!((calm.reach - 2.315 * 23.0 * 0.6826 / 2.0).abs() < 1e-9);
        values[23] = 1e6;
        assert_eq!(Spread::of(&values), calm);
        // Without 0 and the wild one: 1 … 22, whose standard deviation is √(22·23/12).
        let careful = Spread::careful(&values);
        assert!((careful.reach - 2.544 * (22.0f64 * 23.0 / 12.0).sqrt()).abs() < 1e-9);
        assert_eq!(Spread::of(&[]), Spread::default());
        assert_eq!(Spread::of(&[2.0]).reach, 0.0);
    }

    #[test]
    fn the_most_likely_amount_mends_what_surveys_miss() {
        // Each survey would have told a tenth too little.
        let pairs: Vec<(f64, f64)> = (10..34)
            .map(|k| (9.0 * f64::from(k), 10.0 * f64::from(k)))
            .collect();
        let (likely, i) = most_likely(90.0, &pairs);
        assert!((likely - 90.0 * (10.0f64 / 9.0).powf(MENDED)).abs() < 1e-9);
        assert!(i.low == 90.0 && (i.high - 100.0).abs() < 1e-9 && i.value == 90.0);
        // Of next to nothing, by differences; never below nothing.
        let (likely, i) = most_likely(1.0, &[(1.0, 0.5), (2.0, 1.0), (1.0, 0.0)]);
        assert!(likely < 1.0 && i.low == 0.0 && i.high >= 1.0);
    }
}
