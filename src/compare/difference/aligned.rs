//! One survey laid onto the other: planes, curvature and twist taken out, and a grid that was taped
//! aside.

use super::super::align::Columns;
use super::Shift;
use super::common::Common;
use super::steps::{PAIRED, Steps};
use crate::fit::Surface;

/// The grid may have been taped this far aside, mm.
pub const MOST_SHIFT_MM: f64 = 10.0;
/// A smaller shift is of no use, mm.
const LEAST_SHIFT_MM: f64 = 1.0;
/// A shift is used where s'Σ⁻¹s passes this: chance 1 in 3,000 (χ² with 2 degrees of freedom:
/// exp(−16/2)).
const SHIFT_PASSES: f64 = 16.0;

/// The difference after alignment.
pub struct Aligned {
    pub moved: Vec<f64>,
    pub columns: Columns,
    pub bent_mm: [f64; 3],
    pub shift: Option<Shift>,
}

impl Aligned {
    pub fn find(
        common: &Common,
        before: &Surface,
        after: &Surface,
        steps: &Steps,
        frame: &[Vec<f64>],
    ) -> Self {
        let heights = common.heights(after, &after.coefficients, [0.0; 2]);
        let less = |shift: [f64; 2]| -> Vec<f64> {
            let old = common.heights(before, &before.coefficients, shift);
            heights.iter().zip(old).map(|(a, b)| a - b).collect()
        };
        let sd = rough_sd(steps, frame);
        let shift = taped_aside(common, [before, after], steps, frame, &less, &sd);
        let by = shift.filter(|s| s.used).map_or([0.0; 2], |s| s.mm);
        let mut moved = less(by);
        let columns = common.fit(frame, &moved, &sd);
        let terms = columns.coefficients(&moved);
        columns.remove(&mut moved);
        Aligned {
            moved,
            columns,
            bent_mm: [terms[3], terms[4], terms[5]],
            shift,
        }
    }
}

/// Standard deviation of the difference with the frame's terms taken out evenly.
fn rough_sd(steps: &Steps, frame: &[Vec<f64>]) -> Vec<f64> {
    let even = vec![1.0; frame.first().map_or(0, Vec::len)];
    let columns = Columns::new(frame, &even);
    let rough = Steps {
        before: steps.before.clone(),
        after: steps.after.clone(),
    };
    rough.without(&columns).sd()
}

/// How far aside the second grid was taped, from the slopes: after(p) = before(p + s). Gauss and
/// Newton, three rounds.
fn taped_aside(
    common: &Common,
    [before, after]: [&Surface; 2],
    steps: &Steps,
    frame: &[Vec<f64>],
    less: &dyn Fn([f64; 2]) -> Vec<f64>,
    sd: &[f64],
) -> Option<Shift> {
    let mut mm = [0.0; 2];
    let mut told = None;
    for _ in 0..3 {
        let slopes = [common.slopes(before, mm), common.slopes(after, [0.0; 2])];
        let mut columns = frame.to_vec();
        for k in 0..2 {
            let both = slopes[0][k].iter().zip(&slopes[1][k]);
            columns.push(both.map(|(a, b)| (a + b) / 2.0).collect());
        }
        let moved = less(mm);
        let fit = common.fit(&columns, &moved, sd);
        let terms = fit.coefficients(&moved);
        for k in 0..2 {
            mm[k] = (mm[k] + terms[6 + k]).clamp(-3.0 * MOST_SHIFT_MM, 3.0 * MOST_SHIFT_MM);
        }
        told = Some(fit);
    }
    let fit = told?;
    // Covariance by the draws: what the same fit makes of them.
    let mut cov = [0.0; 3];
    for k in 0..steps.after.len() {
        let off: Vec<f64> = steps.pair(k, PAIRED[0]).collect();
        let t = fit.coefficients(&off);
        cov[0] += t[6] * t[6];
        cov[1] += t[6] * t[7];
        cov[2] += t[7] * t[7];
    }
    let cov = cov.map(|c| c / steps.after.len().max(1) as f64);
    let det = cov[0] * cov[2] - cov[1] * cov[1];
    if !(det > 0.0 && det.is_finite()) {
        return None;
    }
    let passes =
        (cov[2] * mm[0] * mm[0] - 2.0 * cov[1] * mm[0] * mm[1] + cov[0] * mm[1] * mm[1]) / det;
    let size = mm[0].hypot(mm[1]);
    Some(Shift {
        mm,
        sd_mm: [cov[0].sqrt(), cov[2].sqrt()],
        used: passes > SHIFT_PASSES && (LEAST_SHIFT_MM..=MOST_SHIFT_MM).contains(&size),
    })
}
