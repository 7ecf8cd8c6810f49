//! What moved between two surveys of the book: how much came up, how much went down, what was not
//! touched.

use super::laid::{Laid, SAME_MM, lay};
use crate::compare::difference::Shift;
use crate::judge::Interval;
use crate::keep::SurveyResult;
use serde::Serialize;

/// Half a 95 % interval in standard deviations.
const HALF: f64 = 1.959_963_984_540_054;
/// Chance that an untouched panel has a place that is called changed.
const CHANCE: f64 = 0.01;
/// Places of a panel that may stand out by chance, one a square of this side, mm (worked out on
/// simulated surveys: tests/aligned.rs).
const APART_MM: f64 = 20.0;
/// What may be hidden without being told is about as much as errors make over a square of this
/// side, mm (likewise).
const HIDDEN_MM: f64 = 180.0;
/// Least number of standard deviations that is called a change.
const LEAST_CRITICAL: f64 = 3.5;
/// A patch reaches as far as the change exceeds this many standard deviations.
const PATCH_EDGE: f64 = 1.5;

/// What moved, after less before.
#[derive(Clone, Debug, Serialize)]
pub struct Moved {
    /// Share of the panel that both surveys measured, 0 to 1.
    pub common_share: f64,
    /// Rms of what moved, mm.
    pub rms_mm: f64,
    /// Rms that two surveys of an untouched panel would differ by, mm.
    pub rms_by_chance_mm: f64,
    /// Volume that came up, cc, over the patches that are no chance.
    pub came_up_cc: Interval,
    /// Volume that went down, cc, likewise.
    pub went_down_cc: Interval,
    /// Share of what both measured outside those patches, 0 to 1.
    pub untouched_share: f64,
    /// Patches that came up or went down.
    pub patches: usize,
    /// How the second grid lies on the first; null where the panel has too little shape to tell.
    pub shift: Option<Shift>,
    /// Curvature taken out, mm over the panel: along x, twist, along y.
    pub bent_mm: [f64; 3],
}

impl Moved {
    /// Whether anything moved by more than the two surveys' own uncertainty.
    pub fn changed(&self) -> bool {
        self.patches > 0
    }

    /// Whether a patch moved, or all of it by more than chance.
    pub fn beyond_chance(&self) -> bool {
        self.changed() || self.rms_mm > self.rms_by_chance_mm
    }
}

/// What moved between two surveys.
///
/// # Errors
/// Why that cannot be told, in words.
pub fn moved(before: &SurveyResult, after: &SurveyResult) -> Result<Moved, &'static str> {
    lay(before, after).map(|laid| told(&laid))
}

/// The figures of two surveys that lie on one another.
pub fn told(laid: &Laid) -> Moved {
    let area: f64 = laid.areas_mm2.iter().sum::<f64>().max(1e-9);
    let mean = |list: &[f64]| {
        let squares = list.iter().zip(&laid.areas_mm2).map(|(v, a)| a * v * v);
        squares.sum::<f64>() / area
    };
    let patches = patches(laid, critical(area));
    let hidden_cc = hidden_cc(mean(&laid.sd_mm));
    let touched: f64 = patches.iter().map(|p| p.area_mm2).sum();
    Moved {
        common_share: laid.common_share,
        rms_mm: mean(&laid.moved_mm).sqrt(),
        rms_by_chance_mm: mean(&laid.sd_mm).sqrt(),
        came_up_cc: volume(&patches, true, hidden_cc),
        went_down_cc: volume(&patches, false, hidden_cc),
        untouched_share: (1.0 - touched / area).clamp(0.0, 1.0),
        patches: patches.len(),
        shift: laid.shift,
        bent_mm: laid.bent_mm,
    }
}

/// Standard deviations that an untouched area stays below with chance 1 − [`CHANCE`]: n places that
/// may each stand out, 2n·φ(c)/c = chance (an upper bound of the normal distribution's tail;
/// Newton's method on its logarithm).
pub fn critical(area_mm2: f64) -> f64 {
    let places = (area_mm2 / (APART_MM * APART_MM)).max(1.0);
    let want = (CHANCE / (2.0 * places)).ln();
    let mut c: f64 = 4.0;
    for _ in 0..20 {
        let is = -c * c / 2.0 - c.ln() - 0.918_938_533_204_672_8;
        c = (c + (is - want) / (c + 1.0 / c)).clamp(1.0, 20.0);
    }
    c.max(LEAST_CRITICAL)
}

/// Connected nodes that came up or went down.
struct Patch {
    up: bool,
    area_mm2: f64,
    volume_cc: f64,
    /// Its variance, cc².
    variance: f64,
}

/// What may have moved without being told, cc: half a 95 % interval over a square of [`HIDDEN_MM`].
fn hidden_cc(mean_square: f64) -> f64 {
    HALF * mean_square.sqrt() * HIDDEN_MM * HIDDEN_MM / 1000.0
}

/// Volume of the patches of one sign; the upper end has in it what may be hidden beside them.
fn volume(patches: &[Patch], up: bool, hidden_cc: f64) -> Interval {
    let sum = |of: fn(&Patch) -> f64| {
        let mine = patches.iter().filter(|p| p.up == up);
        mine.map(of).fold(0.0, |a, b| a + b)
    };
    let value = sum(|p| p.volume_cc);
    let half = HALF * sum(|p| p.variance).sqrt();
    Interval {
        value,
        low: (value - half).max(0.0),
        high: value + half.hypot(hidden_cc),
    }
}

/// All patches: nodes of one sign beyond [`PATCH_EDGE`] standard deviations that hang together and
/// somewhere pass the critical number.
fn patches(laid: &Laid, critical: f64) -> Vec<Patch> {
    let off: Vec<f64> = laid
        .moved_mm
        .iter()
        .zip(&laid.sd_mm)
        .map(|(m, s)| m / s)
        .collect();
    let mut number = vec![usize::MAX; laid.nx * laid.ny];
    for (k, node) in laid.nodes.iter().enumerate() {
        number[*node] = k;
    }
    let mut seen = vec![false; off.len()];
    let mut found = Vec::new();
    for start in 0..off.len() {
        if seen[start] || off[start].abs() <= PATCH_EDGE {
            continue;
        }
        let up = off[start] > 0.0;
        let mut members = vec![start];
        seen[start] = true;
        let mut next = 0;
        while let Some(&k) = members.get(next) {
            next += 1;
            for node in around(laid, laid.nodes[k]) {
                let other = number[node];
                let joins = other != usize::MAX
                    && !seen[other]
                    && off[other].abs() > PATCH_EDGE
                    && (off[other] > 0.0) == up;
                if joins {
                    seen[other] = true;
                    members.push(other);
                }
            }
        }
        if members.iter().any(|k| off[*k].abs() > critical) {
            found.push(patch(laid, &members, up));
        }
    }
    found
}

/// The nodes that share a side with a node.
fn around(laid: &Laid, node: usize) -> impl Iterator<Item = usize> {
    let (nx, ny) = (laid.nx, laid.ny);
    let (ix, iy) = (node % nx, node / nx);
    [
        (ix > 0).then(|| node - 1),
        (ix + 1 < nx).then_some(node + 1),
        (iy > 0).then(|| node - nx),
        (iy + 1 < ny).then_some(node + nx),
    ]
    .into_iter()
    .flatten()
}

/// Errors are one over a square of [`SAME_MM`], independent from square to square.
fn patch(laid: &Laid, members: &[usize], up: bool) -> Patch {
    let sum = |of: &dyn Fn(usize) -> f64| {
        let all = members.iter().map(|k| laid.areas_mm2[*k] * of(*k));
        all.sum::<f64>()
    };
    let area_mm2 = sum(&|_| 1.0);
    let volume_cc = sum(&|k| laid.moved_mm[k].abs()) / 1000.0;
    let mean_square = sum(&|k| laid.sd_mm[k].powi(2)) / area_mm2.max(1e-9);
    let together = area_mm2 * area_mm2.min(SAME_MM * SAME_MM);
    Patch {
        up,
        area_mm2,
        volume_cc,
        variance: mean_square * together / 1e6,
    }
}
