//! What moved between two surveys of one panel: after less before, on what was measured in both.
//!
//! Both surfaces are known up to a plane, and the panel may have lain on other supports, so planes,
//! constant curvature and twist are taken out by what was not touched ([`align`](super::align)).
//! How surely the rest is known comes from the draws of both fits. A patch is told of only where
//! the difference passes what the largest of the draws' own differences over the whole panel would:
//! two surveys of an untouched panel differ somewhere, and that is no change.

mod aligned;
mod common;
mod patches;
mod steps;

use super::align::{Columns, MAD_OVER_SD, quadratics};
use crate::fit::Surface;
use crate::judge::{Grid, Interval};
use crate::observe::Survey;
use crate::panel::Panel;
use crate::problem::Error;
use aligned::Aligned;
pub use aligned::MOST_SHIFT_MM;
use common::Common;
use ndarray::Array2;
use patches::Patches;
use serde::Serialize;
use steps::Steps;

/// Half a 95 % interval in standard deviations.
pub const HALF: f64 = 1.959_963_984_540_054;
/// A reading's place is taped to this, standard deviation, mm (common practice, no source): on a
/// slope it is an error of height.
const PLACE_MM: f64 = 2.0;
/// Short waves are smoothed by each survey in its own way: by about half the curvature times the
/// square of this, mm. Worked out on simulated panels read along other lines the second time.
const SMOOTHED_MM: f64 = 20.0;

/// Share of a spread beyond the surveys' own by which the level may be off, standard deviation.
const LEVEL_SHARE: f64 = 0.8;

/// One survey and the surface found from it.
#[derive(Clone, Copy, Debug)]
pub struct Found<'a> {
    /// Its readings.
    pub survey: &'a Survey,
    /// Its surface.
    pub surface: &'a Surface,
}

/// A place and what moved there.
#[derive(Clone, Copy, Debug)]
pub struct Spot {
    /// Where, mm.
    pub at: [f64; 2],
    /// By how much, mm, up positive.
    pub mm: Interval,
}

/// Connected nodes that came up or went down.
#[derive(Clone, Debug)]
pub struct Patch {
    /// "U1", "D2": up or down, the largest volume first.
    pub name: String,
    /// Whether it came up.
    pub up: bool,
    /// Where it moved most.
    pub most: Spot,
    /// Box around it, mm: `[x0, y0, x1, y1]`.
    pub extent_mm: [f64; 4],
    /// Area, cm².
    pub area_cm2: f64,
    /// Volume it came up or went down by, cc, positive, as counted over that area.
    pub volume_cc: Interval,
}

/// How the second grid lies on the first.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Shift {
    /// The second grid was taped this much farther along x and y, mm.
    pub mm: [f64; 2],
    /// Standard deviation of each, mm.
    pub sd_mm: [f64; 2],
    /// Whether it was taken out.
    pub used: bool,
}

/// What moved.
#[derive(Clone, Debug)]
pub struct Difference {
    /// Where the nodes lie.
    pub grid: Grid,
    /// After less before, mm; NaN where one of the surveys did not measure.
    pub moved_mm: Array2<f64>,
    /// Its standard deviation, mm.
    pub sd_mm: Array2<f64>,
    /// Patch number + 1 at each node, 0 where none.
    pub patch: Array2<u16>,
    /// Share of the panel that both surveys measured, 0 to 1.
    pub measured_share: f64,
    /// Curvature taken out, mm over the panel: along x, twist, along y.
    pub bent_mm: [f64; 3],
    /// How the second grid lies on the first; `None` where the panel has too little shape to tell.
    pub shift: Option<Shift>,
    /// Rms of what moved, mm.
    pub rms_mm: f64,
    /// Rms that two surveys of an untouched panel would differ by, mm.
    pub rms_by_chance_mm: f64,
    /// Where it came up most.
    pub highest: Spot,
    /// Where it went down most.
    pub lowest: Spot,
    /// Share of the measured area where the interval is clear of 0; of an untouched panel it is
    /// about 0.05.
    pub beyond_share: f64,
    /// Standard deviations that a change must pass somewhere.
    pub critical: f64,
    /// What came up or went down, the largest volume first.
    pub patches: Vec<Patch>,
    /// Standard deviation of the level itself, mm: where little was left untouched, nobody can say
    /// what lay still. It is not in `sd_mm`, since a patch is told against what lies around it.
    pub level_sd_mm: f64,
}

impl Difference {
    /// Whether anything moved by more than the two surveys' own uncertainty.
    pub fn changed(&self) -> bool {
        !self.patches.is_empty()
    }
}

/// The difference of two surveys, `after` less `before`.
///
/// # Errors
/// [`Error::Survey`] when they have no part of the panel in common.
pub fn difference(panel: &Panel, before: Found, after: Found) -> Result<Difference, Error> {
    laid(panel, before, after, false)
}

/// The same where the panel lay on the same supports and nothing bent it: curvature and twist are
/// then what the surveys are unsure of, and no more.
///
/// # Errors
/// As [`difference`].
pub fn difference_unbent(panel: &Panel, before: Found, after: Found) -> Result<Difference, Error> {
    laid(panel, before, after, true)
}

fn laid(panel: &Panel, before: Found, after: Found, unbent: bool) -> Result<Difference, Error> {
    let mut common = Common::new(panel, before.survey, after.survey)?;
    let steps = Steps::new(&common, before.surface, after.surface);
    let frame = quadratics(&common.places, [panel.length_mm, panel.width_mm]);
    if unbent {
        common.bend_sd_mm = Some(steps.bend_sd_mm(&frame));
    }
    let aligned = Aligned::find(&common, before.surface, after.surface, &steps, &frame);
    let steps = steps.without(&aligned.columns);
    let relief = relief(&common, [before.surface, after.surface], &frame);
    let sd: Vec<f64> = steps
        .sd()
        .iter()
        .zip(relief)
        .map(|(s, r)| s.hypot(r))
        .collect();
    let critical = steps.critical(&common.near);
    Ok(told(&common, aligned, &steps, sd, critical))
}

/// What the draws do not know of: on slopes a reading's place, in short lows what each survey
/// smooths; standard deviation, mm.
fn relief(common: &Common, surfaces: [&Surface; 2], frame: &[Vec<f64>]) -> Vec<f64> {
    let even = vec![1.0; common.nodes.len()];
    let mean = |d: [usize; 2], free: usize| -> Vec<f64> {
        let own = surfaces.map(|s| common.derivative(s, [0.0; 2], d));
        let mut both: Vec<f64> = own[0]
            .iter()
            .zip(&own[1])
            .map(|(a, b)| (a + b) / 2.0)
            .collect();
        // The slopes of a quadratic are planes, its curvature is a constant: no error of theirs is
        // left.
        Columns::new(&frame[..free], &even).remove(&mut both);
        both
    };
    let (x, y) = (mean([1, 0], 3), mean([0, 1], 3));
    let (xx, yy) = (mean([2, 0], 1), mean([0, 2], 1));
    (0..common.nodes.len())
        .map(|k| {
            let placed = PLACE_MM * x[k].hypot(y[k]);
            let smoothed = SMOOTHED_MM * SMOOTHED_MM / 2.0 * (xx[k] + yy[k]);
            placed.hypot(smoothed)
        })
        .collect()
}

fn told(
    common: &Common,
    aligned: Aligned,
    steps: &Steps,
    sd: Vec<f64>,
    critical: f64,
) -> Difference {
    let Aligned {
        moved,
        bent_mm,
        shift,
        ..
    } = aligned;
    let area: f64 = common.areas_mm2.iter().sum::<f64>().max(1e-9);
    let mean = |value: &dyn Fn(usize) -> f64| {
        let sum: f64 = (0..moved.len())
            .map(|k| common.areas_mm2[k] * value(k))
            .sum();
        sum / area
    };
    let spot = |k: usize| Spot {
        at: common.places[k],
        mm: interval(moved[k], sd[k]),
    };
    let by_value = |a: &usize, b: &usize| moved[*a].total_cmp(&moved[*b]);
    let all = || 0..moved.len();
    let most = |up: bool| {
        let k = if up {
            all().max_by(by_value)
        } else {
            all().min_by(by_value)
        };
        spot(k.unwrap_or(0))
    };
    let (patches, patch) = Patches {
        common,
        moved: &moved,
        sd: &sd,
        steps,
        critical,
    }
    .find();
    let level_sd_mm = level_sd_mm(&moved, &sd);
    Difference {
        level_sd_mm,
        grid: common.grid,
        moved_mm: common.grid_of(&moved),
        sd_mm: common.grid_of(&sd),
        patch,
        measured_share: common.share,
        bent_mm,
        shift,
        rms_mm: mean(&|k| moved[k] * moved[k]).sqrt(),
        rms_by_chance_mm: mean(&|k| sd[k] * sd[k]).sqrt(),
        highest: most(true),
        lowest: most(false),
        beyond_share: mean(&|k| f64::from(u8::from(moved[k].abs() > HALF * sd[k]))),
        critical,
        patches,
    }
}

/// Of a panel of which most was left alone, the middle half of what moved is as narrow as the
/// surveys are sure. As far as it is wider, the level may lie anywhere in it: this share of what is
/// too much counts as a standard deviation (worked out on simulated shop floors).
fn level_sd_mm(moved: &[f64], sd: &[f64]) -> f64 {
    let middle = |mut all: Vec<f64>| {
        all.sort_by(f64::total_cmp);
        all.get(all.len() / 2).copied().unwrap_or(0.0)
    };
    let width = middle(moved.iter().map(|m| m.abs()).collect()) / MAD_OVER_SD;
    let own = middle(sd.to_vec());
    LEVEL_SHARE * (width * width - own * own).max(0.0).sqrt()
}

fn interval(value: f64, sd: f64) -> Interval {
    Interval {
        value,
        low: value - HALF * sd,
        high: value + HALF * sd,
    }
}
