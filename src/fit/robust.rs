//! Readings that do not agree with the others: found, named, left out; never altered.
//!
//! Two steps. Before the three numbers are known, readings are weighed down by Student-t weights at
//! plain prior numbers, since one value written ten times too large would spoil the likelihood;
//! those left with almost no weight are suspects. Afterwards each suspect, and each reading with a
//! large residual, is predicted from all *other* readings; it is named when it lies further off
//! than that prediction's own uncertainty allows.

use super::system::{Normal, Solved, System, dot};
use crate::problem::Error;
use rayon::prelude::*;

/// Degrees of freedom of the Student-t weights (Lange, Little and Taylor, JASA 84, 1989: 4 is a
/// common choice).
const T_FREEDOM: f64 = 4.0;
/// Reweighting rounds; the weights settle in 4 to 6.
const ROUNDS: usize = 8;
/// Residual over scale at which a reading is a suspect.
const SUSPECT: f64 = 5.0;
/// Deleted residual over its standard deviation at which a reading is named: 1 in 16,000 for normal
/// noise.
const NAMED: f64 = 4.0;
/// Residuals looked at by deletion: those over this many σ.
const LOOKED_AT: f64 = 2.5;
/// Nothing smaller is called wrongly written, mm: six times the noise of a reading, but no less and
/// no more than this. Below it lie dust and the tails of the noise; neither is a slip of the pen.
const SMALLEST_MM: [f64; 2] = [0.12, 0.2];
const SMALLEST_NOISE: f64 = 6.0;
/// How far around a reading the others tell how well the surface follows, mm; how many of them; and
/// how many are counted as if they were followed as they should.
const NEAR_MM: f64 = 130.0;
const MOST_NEAR: usize = 12;
const NEAR_PRIOR: f64 = 4.0;
/// Most readings that may be left out: beyond this the survey, not a reading, is wrong.
const MOST_SHARE: f64 = 0.1;

/// What is being fitted, with the numbers held fixed.
pub struct Setting {
    /// Range of the field, mm.
    pub range_mm: f64,
    /// Amplitude over σ.
    pub ratio: f64,
    /// Noise of a typical reading, mm.
    pub sigma_mm: f64,
}

impl Setting {
    /// Solve with these extra weights.
    pub(super) fn solve<'s>(
        &self,
        system: &'s System,
        y: &[f64],
        extra: &[f64],
    ) -> Result<(Normal, Solved<'s>), Error> {
        let normal = system.normal(y, extra);
        let solved = system.solve(&normal, self.range_mm, self.ratio, self.sigma_mm)?;
        Ok((normal, solved))
    }
}

/// Residuals y − predicted, mm.
pub fn residuals(system: &System, solved: &Solved, y: &[f64]) -> Vec<f64> {
    system
        .predicted(&solved.unknowns)
        .iter()
        .zip(y)
        .map(|(p, y)| y - p)
        .collect()
}

/// Suspects by Student-t reweighting at plain prior numbers. Returns which rows to keep.
///
/// # Errors
/// [`Error::Calculation`] when a factorisation fails.
pub fn weed(system: &System, y: &[f64], setting: &Setting) -> Result<Vec<bool>, Error> {
    let mut extra = vec![1.0; y.len()];
    let mut scaled = vec![0.0; y.len()];
    for round in 0..ROUNDS {
        let (_, solved) = setting.solve(system, y, &extra)?;
        for (s, (r, sd)) in scaled.iter_mut().zip(
            residuals(system, &solved, y)
                .iter()
                .zip(&system.relative_sd),
        ) {
            *s = r / sd;
        }
        let scale = middle_scale(&scaled).max(setting.sigma_mm);
        let worst = scaled.iter().fold(0.0f64, |m, r| m.max(r.abs())) / scale;
        if round == 0 && worst < 4.0 {
            return Ok(vec![true; y.len()]);
        }
        for (w, r) in extra.iter_mut().zip(&scaled) {
            let t = r / scale;
            *w = (T_FREEDOM + 1.0) / (T_FREEDOM + t * t);
        }
    }
    let scale = middle_scale(&scaled).max(setting.sigma_mm);
    let mut keep: Vec<bool> = scaled.iter().map(|r| (r / scale).abs() < SUSPECT).collect();
    limit(&mut keep, &scaled);
    Ok(keep)
}

/// Never leave out more than [`MOST_SHARE`]: the least of the suspects come back.
fn limit(keep: &mut [bool], scaled: &[f64]) {
    let most = ((keep.len() as f64 * MOST_SHARE) as usize).max(1);
    let mut out: Vec<usize> = (0..keep.len()).filter(|&k| !keep[k]).collect();
    out.sort_by(|&a, &b| scaled[b].abs().total_cmp(&scaled[a].abs()));
    for &k in out.iter().skip(most) {
        keep[k] = true;
    }
}

/// Robust standard deviation: 1.4826 times the median of the absolute values.
fn middle_scale(values: &[f64]) -> f64 {
    let mut sizes: Vec<f64> = values.iter().map(|v| v.abs()).collect();
    sizes.sort_by(f64::total_cmp);
    1.4826 * sizes.get(sizes.len() / 2).copied().unwrap_or(0.0)
}

/// A row as all the other rows predict it.
#[derive(Clone, Copy, Debug)]
pub struct Deleted {
    /// Row number.
    pub row: usize,
    /// Value the others lead one to expect, mm.
    pub expected: f64,
    /// (value − expected) over its standard deviation.
    pub ratio: f64,
}

/// Predict `rows` each without itself. `extra` are the weights the solution was made with: a row of
/// weight 0 is already out.
pub fn deleted(
    system: &System,
    solved: &Solved,
    y: &[f64],
    extra: &[f64],
    sigma_mm: f64,
    rows: &[usize],
) -> Vec<Deleted> {
    let predicted = system.predicted(&solved.unknowns);
    rows.par_iter()
        .map(|&row| {
            let a = system.row(row);
            let mut x = a.clone();
            solved.factor.solve_in_place(&mut x);
            let leverage = dot(&a, &x).max(0.0);
            let relative = system.relative_sd[row] * system.relative_sd[row];
            // Deleting a row of weight w: h/(1 − wh) is its leverage without itself (Cook and
            // Weisberg 1982, ch. 2).
            let share = (extra[row] / relative * leverage).min(1.0 - 1e-9);
            let residual = (y[row] - predicted[row]) / (1.0 - share);
            let sd = sigma_mm * (relative + leverage / (1.0 - share)).sqrt();
            Deleted {
                row,
                expected: y[row] - residual,
                ratio: residual / sd,
            }
        })
        .collect()
}

/// A solution and what it was made from.
struct Scene<'a> {
    system: &'a System,
    solved: &'a Solved<'a>,
    y: &'a [f64],
    extra: &'a [f64],
    sigma_mm: f64,
    residual: &'a [f64],
}

impl Scene<'_> {
    /// How much worse than it should the surface follows the readings near a reading that is taken
    /// out: 1 where it follows them as it should. Beside a defect sharper than the field expects,
    /// none of them is followed well, and none is wrong.
    fn scale_near(&self, d: &Deleted) -> f64 {
        let rows = &self.system.rows;
        let Some(&[x, y, _]) = rows[d.row].points.first() else {
            return 1.0;
        };
        let mut near: Vec<(f64, usize)> = (0..rows.len())
            .filter(|&r| r != d.row && self.extra[r] > 0.0)
            .filter_map(|r| {
                let &[u, v, _] = rows[r].points.first()?;
                let far = (u - x).hypot(v - y);
                (far < NEAR_MM).then_some((far, r))
            })
            .collect();
        near.sort_by(|a, b| a.0.total_cmp(&b.0).then(a.1.cmp(&b.1)));
        near.truncate(MOST_NEAR);
        let mut own = self.system.row(d.row);
        self.solved.factor.solve_in_place(&mut own);
        let relative = self.system.relative_sd[d.row];
        // Taking row i out moves the unknowns by −x·w·(its deleted residual), x the solution of its
        // own row.
        let pull = self.extra[d.row] / (relative * relative) * (self.y[d.row] - d.expected);
        let (mut square, mut count) = (NEAR_PRIOR, NEAR_PRIOR);
        for (_, r) in near {
            let a = self.system.row(r);
            let mut image = a.clone();
            self.solved.factor.solve_in_place(&mut image);
            let variance = self.system.relative_sd[r] * self.system.relative_sd[r];
            let free = (variance - dot(&a, &image)).max(0.05 * variance);
            let off = self.residual[r] + pull * dot(&a, &own);
            square += off * off / (free * self.sigma_mm * self.sigma_mm);
            count += 1.0;
        }
        (square / count).sqrt().max(1.0)
    }
}

/// What [`confirm`] ended with.
pub struct Confirmed {
    /// Whether a reading changed sides.
    pub changed: bool,
    /// All unknowns, solved with the readings now kept; empty when the changes ran out before they
    /// settled.
    pub unknowns: Vec<f64>,
}

/// Go over the readings with the numbers known: let suspects back in that agree after all, name
/// those that do not. `keep` is changed, but for rows that are locked: those of placings left out
/// as a whole.
///
/// # Errors
/// [`Error::Calculation`] when a factorisation fails.
pub fn confirm(
    system: &System,
    y: &[f64],
    setting: &Setting,
    keep: &mut [bool],
    locked: &[bool],
) -> Result<Confirmed, Error> {
    let before = keep.to_vec();
    let mut unknowns = Vec::new();
    let most = ((y.len() as f64 * MOST_SHARE) as usize).max(1);
    for _ in 0..most.min(60) {
        let extra: Vec<f64> = keep.iter().map(|&k| f64::from(u8::from(k))).collect();
        let (_, solved) = setting.solve(system, y, &extra)?;
        let residual = residuals(system, &solved, y);
        let mut looked_at: Vec<usize> = (0..y.len())
            .filter(|&r| {
                !locked[r]
                    && (!keep[r]
                        || (residual[r] / system.relative_sd[r]).abs()
                            > LOOKED_AT * setting.sigma_mm)
            })
            .collect();
        looked_at.sort_by(|&a, &b| residual[b].abs().total_cmp(&residual[a].abs()));
        looked_at.truncate(60);
        let smallest = |row: usize| {
            let noise = setting.sigma_mm * system.relative_sd[row];
            (SMALLEST_NOISE * noise).clamp(SMALLEST_MM[0], SMALLEST_MM[1])
        };
        let wrong =
            |d: &Deleted| d.ratio.abs() > NAMED && (y[d.row] - d.expected).abs() > smallest(d.row);
        let mut all = deleted(system, &solved, y, &extra, setting.sigma_mm, &looked_at);
        let scene = Scene {
            system,
            solved: &solved,
            y,
            extra: &extra,
            sigma_mm: setting.sigma_mm,
            residual: &residual,
        };
        all.par_iter_mut()
            .filter(|d| wrong(d))
            .for_each(|d| d.ratio /= scene.scale_near(d));
        // One change a round: deleting one reading can clear, or uncover, its neighbours.
        let back = all
            .iter()
            .filter(|d| !keep[d.row] && !wrong(d))
            .min_by(|a, b| a.ratio.abs().total_cmp(&b.ratio.abs()));
        let out = all
            .iter()
            .filter(|d| keep[d.row] && wrong(d))
            .max_by(|a, b| a.ratio.abs().total_cmp(&b.ratio.abs()));
        let left_out = (0..keep.len()).filter(|&r| !keep[r] && !locked[r]).count();
        match (back, out) {
            (Some(d), _) => keep[d.row] = true,
            (None, Some(d)) if left_out < most => keep[d.row] = false,
            _ => {
                unknowns = solved.unknowns;
                break;
            }
        }
    }
    Ok(Confirmed {
        changed: before != keep,
        unknowns,
    })
}
