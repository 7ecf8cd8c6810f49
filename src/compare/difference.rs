//! What moved between two surveys of one panel: after less before, on what was measured in both.
//!
//! Both surfaces are known up to a plane, and the panel may have lain on other supports, so planes, constant curvature and twist are
//! taken out by what was not touched ([`align`](super::align)). How surely the rest is known comes from the draws of both fits. A patch
//! is told of only where the difference passes what the largest of the draws' own differences over the whole panel would: two surveys
//! of an untouched panel differ somewhere, and that is no change.

use super::align::{Columns, MAD_OVER_SD, counted_untouched, quadratics, untouched};
use crate::fit::Surface;
use crate::judge::cloud::{FLOOR_MM, on_lines};
use crate::judge::nodes::{FAR_MM, Reach};
use crate::judge::volume::node_weights_mm2;
use crate::judge::{self, Grid, Interval};
use crate::observe::Survey;
use crate::panel::Panel;
use crate::problem::Error;
use ndarray::Array2;
use rayon::prelude::*;
use serde::Serialize;

/// Half a 95 % interval in standard deviations.
pub const HALF: f64 = 1.959_963_984_540_054;
/// A change must show within this of readings of both surveys, mm: farther off the fits lean on what is usual.
const NEAR_MM: f64 = 40.0;
/// Fewest nodes that both surveys must have measured.
const FEWEST_NODES: usize = 30;
/// Share of untouched panels of which nothing may be called changed, by the draws.
const QUIET: f64 = 0.99;
/// Least number of standard deviations that is called a change, whatever the draws say.
const LEAST_CRITICAL: f64 = 3.5;
/// A patch reaches as far as the change exceeds this many standard deviations.
const PATCH_EDGE: f64 = 1.5;
/// The grid may have been taped this far aside, mm.
pub const MOST_SHIFT_MM: f64 = 10.0;
/// A smaller shift is of no use, mm.
const LEAST_SHIFT_MM: f64 = 1.0;
/// A shift is used where s'Σ⁻¹s passes this: chance 1 in 3,000 (χ² with 2 degrees of freedom: exp(−16/2)).
const SHIFT_PASSES: f64 = 16.0;
/// Draws of one survey are paired with those of the other at these distances. Both come from one seed, so that draw k of one must not
/// meet draw k of the other.
const PAIRED: [usize; 4] = [37, 53, 71, 89];
/// A reading's place is taped to this, standard deviation, mm (common practice, no source): on a slope it is an error of height.
const PLACE_MM: f64 = 2.0;
/// Short waves are smoothed by each survey in its own way: by about half the curvature times the square of this, mm. Worked out on
/// simulated panels read along other lines the second time.
const SMOOTHED_MM: f64 = 20.0;

/// Errors of a survey are about independent of each other this far apart, mm (common practice, no source: two placings).
const INDEPENDENT_MM: f64 = 150.0;
/// Share of a spread beyond the surveys' own by which the level may be off, standard deviation.
const LEVEL_SHARE: f64 = 0.8;
/// Terms of the frame that are always free: the plane.
const FREE_TERMS: usize = 3;

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
    /// Share of the measured area where the interval is clear of 0; of an untouched panel it is about 0.05.
    pub beyond_share: f64,
    /// Standard deviations that a change must pass somewhere.
    pub critical: f64,
    /// What came up or went down, the largest volume first.
    pub patches: Vec<Patch>,
    /// Standard deviation of the level itself, mm: where little was left untouched, nobody can say what lay still. It is not in `sd_mm`, since
    /// a patch is told against what lies around it.
    pub level_sd_mm: f64,
}

impl Difference {
    /// Whether anything moved by more than the two surveys' own uncertainty.
    pub fn changed(&self) -> bool {
        !self.patches.is_empty()
    }
}

/// Nodes that both surveys measured.
struct Common {
    grid: Grid,
    /// Index of each in the grid.
    nodes: Vec<usize>,
    places: Vec<[f64; 2]>,
    areas_mm2: Vec<f64>,
    /// Whether readings of both lie close.
    near: Vec<bool>,
    /// What curvature and twist may differ by, standard deviations, mm; `None`: by anything.
    bend_sd_mm: Option<[f64; 3]>,
    share: f64,
}

/// The difference of two surveys, `after` less `before`.
///
/// # Errors
/// [`Error::Survey`] when they have no part of the panel in common.
pub fn difference(panel: &Panel, before: Found, after: Found) -> Result<Difference, Error> {
    laid(panel, before, after, false)
}

/// The same where the panel lay on the same supports and nothing bent it: curvature and twist are then what the surveys are unsure of, and no
/// more.
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

impl Common {
    fn new(panel: &Panel, before: &Survey, after: &Survey) -> Result<Self, Error> {
        let grid = judge::grid(panel, judge::step_mm(panel));
        let areas = node_weights_mm2(&grid, panel);
        let reach = [Reach::new(before), Reach::new(after)];
        let place = |k: usize| [grid.x(k % grid.nx), grid.y(k / grid.nx)];
        let far: Vec<f64> = (0..grid.nx * grid.ny)
            .into_par_iter()
            .map(|k| {
                let [x, y] = place(k);
                if panel.contains(x, y) {
                    reach[0].distance(x, y).max(reach[1].distance(x, y))
                } else {
                    f64::INFINITY
                }
            })
            .collect();
        let nodes: Vec<usize> = (0..far.len()).filter(|k| far[*k] <= FAR_MM).collect();
        if nodes.len() < FEWEST_NODES {
            return Err(Error::Survey(
                "the two surveys have no part of the panel in common: readings of both within 150 mm are wanted".into(),
            ));
        }
        let area = |k: &usize| areas[[k / grid.nx, k % grid.nx]];
        let areas_mm2: Vec<f64> = nodes.iter().map(area).collect();
        let share = areas_mm2.iter().sum::<f64>() / areas.sum().max(1e-9);
        Ok(Common {
            places: nodes.iter().map(|k| place(*k)).collect(),
            near: nodes.iter().map(|k| far[*k] <= NEAR_MM).collect(),
            share: share.min(1.0),
            bend_sd_mm: None,
            areas_mm2,
            nodes,
            grid,
        })
    }

    /// Columns fitted to what was not touched. Where the panel is known not to have bent, each of curvature and twist has one more reading:
    /// nothing, as sure as the surveys are. It counts as much as the nodes over one place that is independent of the others.
    fn fit(&self, columns: &[Vec<f64>], moved: &[f64], sd: &[f64]) -> Columns {
        let Some(bend) = self.bend_sd_mm else {
            return Columns::new(columns, &untouched(columns, moved, sd));
        };
        let mut columns = columns.to_vec();
        let (mut moved, mut sd) = (moved.to_vec(), sd.to_vec());
        let mut counts = vec![1.0; moved.len()];
        let nodes = (INDEPENDENT_MM / self.grid.step_mm).powi(2).max(1.0);
        for (k, bend) in bend.iter().enumerate() {
            for (n, column) in columns.iter_mut().enumerate() {
                column.push(if n == FREE_TERMS + k { 1.0 / bend } else { 0.0 });
            }
            moved.push(0.0);
            sd.push(1.0);
            counts.push(nodes);
        }
        let weights = counted_untouched(&columns, &moved, &sd, &counts);
        Columns::new(&columns, &weights)
    }

    fn lines(&self, shift: [f64; 2]) -> [Vec<f64>; 2] {
        [
            (0..self.grid.nx)
                .map(|i| self.grid.x(i) + shift[0])
                .collect(),
            (0..self.grid.ny)
                .map(|i| self.grid.y(i) + shift[1])
                .collect(),
        ]
    }

    fn pick(&self, all: &[f64]) -> Vec<f64> {
        self.nodes.iter().map(|k| all[*k]).collect()
    }

    /// A surface at the nodes, its grid shifted.
    fn heights(&self, surface: &Surface, coefficients: &[f64], shift: [f64; 2]) -> Vec<f64> {
        let [xs, ys] = self.lines(shift);
        self.pick(&on_lines(&surface.basis, coefficients, &xs, &ys))
    }

    fn slopes(&self, surface: &Surface, shift: [f64; 2]) -> [Vec<f64>; 2] {
        [[1, 0], [0, 1]].map(|d| self.derivative(surface, shift, d))
    }

    fn derivative(&self, surface: &Surface, shift: [f64; 2], d: [usize; 2]) -> Vec<f64> {
        let [xs, ys] = self.lines(shift);
        let all = surface.basis.on_grid(&surface.coefficients, &xs, &ys, d);
        self.pick(&all.into_raw_vec_and_offset().0)
    }

    fn grid_of(&self, values: &[f64]) -> Array2<f64> {
        let mut out = Array2::from_elem((self.grid.ny, self.grid.nx), f64::NAN);
        for (k, v) in self.nodes.iter().zip(values) {
            out[[k / self.grid.nx, k % self.grid.nx]] = *v;
        }
        out
    }
}

/// What the draws of both surveys differ by from the found surfaces, at the nodes, mm.
struct Steps {
    before: Vec<Vec<f64>>,
    after: Vec<Vec<f64>>,
}

impl Steps {
    fn new(common: &Common, before: &Surface, after: &Surface) -> Self {
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

    /// Standard deviations of curvature along x, twist and curvature along y by the draws of both, mm.
    fn bend_sd_mm(&self, frame: &[Vec<f64>]) -> [f64; 3] {
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

    fn without(mut self, columns: &Columns) -> Self {
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
    fn sd(&self) -> Vec<f64> {
        let floor = 2.0 * FLOOR_MM * FLOOR_MM;
        self.variance().iter().map(|v| (v + floor).sqrt()).collect()
    }

    /// Draw `k` of what the difference may be off by, `apart` draws from one another.
    fn pair(&self, k: usize, apart: usize) -> impl Iterator<Item = f64> + '_ {
        let n = self.before.len().max(1);
        let other = self.before.get((k + apart) % n);
        let own = self.after.get(k);
        own.into_iter()
            .flatten()
            .zip(other.into_iter().flatten())
            .map(|(a, b)| a - b)
    }

    /// Standard deviations that the largest difference of an untouched panel stays below.
    fn critical(&self, near: &[bool]) -> f64 {
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

/// The difference after alignment.
struct Aligned {
    moved: Vec<f64>,
    columns: Columns,
    bent_mm: [f64; 3],
    shift: Option<Shift>,
}

impl Aligned {
    fn find(
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

/// What the draws do not know of: on slopes a reading's place, in short lows what each survey smooths; standard deviation, mm.
fn relief(common: &Common, surfaces: [&Surface; 2], frame: &[Vec<f64>]) -> Vec<f64> {
    let even = vec![1.0; common.nodes.len()];
    let mean = |d: [usize; 2], free: usize| -> Vec<f64> {
        let own = surfaces.map(|s| common.derivative(s, [0.0; 2], d));
        let mut both: Vec<f64> = own[0]
            .iter()
            .zip(&own[1])
            .map(|(a, b)| (a + b) / 2.0)
            .collect();
        // The slopes of a quadratic are planes, its curvature is a constant: no error of theirs is left.
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

/// How far aside the second grid was taped, from the slopes: after(p) = before(p + s). Gauss and Newton, three rounds.
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

/// Of a panel of which most was left alone, the middle half of what moved is as narrow as the surveys are sure. As far as it is wider, the level
/// may lie anywhere in it: this share of what is too much counts as a standard deviation (worked out on simulated shop floors).
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

/// What patches are looked for in.
struct Patches<'a> {
    common: &'a Common,
    moved: &'a [f64],
    sd: &'a [f64],
    steps: &'a Steps,
    critical: f64,
}

impl Patches<'_> {
    /// Connected nodes of one sign that somewhere, near readings of both surveys, pass the critical number of standard deviations.
    fn find(&self) -> (Vec<Patch>, Array2<u16>) {
        let grid = self.common.grid;
        let mut numbers = vec![usize::MAX; grid.nx * grid.ny];
        for (k, node) in self.common.nodes.iter().enumerate() {
            numbers[*node] = k;
        }
        let off = |k: usize| self.moved[k] / self.sd[k];
        let mut seen = vec![false; self.moved.len()];
        let mut found: Vec<(Patch, Vec<usize>)> = Vec::new();
        for start in 0..self.moved.len() {
            if seen[start] || off(start).abs() <= PATCH_EDGE {
                continue;
            }
            let up = self.moved[start] > 0.0;
            let mut members = vec![start];
            seen[start] = true;
            let mut next = 0;
            while let Some(&k) = members.get(next) {
                next += 1;
                for node in beside(grid, self.common.nodes[k]) {
                    let other = numbers[node];
                    if other != usize::MAX
                        && !seen[other]
                        && off(other).abs() > PATCH_EDGE
                        && (self.moved[other] > 0.0) == up
                    {
                        seen[other] = true;
                        members.push(other);
                    }
                }
            }
            let passes = |k: &usize| self.common.near[*k] && off(*k).abs() > self.critical;
            if members.iter().any(passes) {
                found.push((self.patch(&members, up), members));
            }
        }
        found.sort_by(|a, b| b.0.volume_cc.value.total_cmp(&a.0.volume_cc.value));
        let mut patch = Array2::zeros((grid.ny, grid.nx));
        let mut counts = [0, 0];
        for (number, (p, members)) in found.iter_mut().enumerate() {
            let count = &mut counts[usize::from(p.up)];
            *count += 1;
            p.name = format!("{}{count}", if p.up { "U" } else { "D" });
            for k in members {
                let node = self.common.nodes[*k];
                patch[[node / grid.nx, node % grid.nx]] =
                    u16::try_from(number + 1).unwrap_or(u16::MAX);
            }
        }
        (found.into_iter().map(|f| f.0).collect(), patch)
    }

    fn patch(&self, members: &[usize], up: bool) -> Patch {
        let sign = if up { 1.0 } else { -1.0 };
        let most = members
            .iter()
            .copied()
            .max_by(|a, b| (sign * self.moved[*a]).total_cmp(&(sign * self.moved[*b])))
            .unwrap_or(0);
        let areas = &self.common.areas_mm2;
        let area: f64 = members.iter().map(|k| areas[*k]).sum();
        let volume: f64 = members
            .iter()
            .map(|k| sign * areas[*k] * self.moved[*k])
            .sum();
        // Every draw's volume over the same area; the floor counts in full, as if it were one error everywhere.
        let count = self.steps.after.len().max(1) as f64;
        let square: f64 = (0..self.steps.after.len())
            .map(|d| {
                let step: Vec<f64> = self.steps.pair(d, PAIRED[0]).collect();
                members
                    .iter()
                    .map(|k| areas[*k] * step[*k])
                    .sum::<f64>()
                    .powi(2)
            })
            .sum();
        let sd = (square / count + 2.0 * (FLOOR_MM * area).powi(2)).sqrt();
        let mut volume_cc = interval(volume / 1000.0, sd / 1000.0);
        volume_cc.low = volume_cc.low.max(0.0);
        let places = members.iter().map(|k| self.common.places[*k]);
        let extent_mm = places.fold(
            [
                f64::INFINITY,
                f64::INFINITY,
                f64::NEG_INFINITY,
                f64::NEG_INFINITY,
            ],
            |e, p| {
                [
                    e[0].min(p[0]),
                    e[1].min(p[1]),
                    e[2].max(p[0]),
                    e[3].max(p[1]),
                ]
            },
        );
        Patch {
            name: String::new(),
            up,
            most: Spot {
                at: self.common.places[most],
                mm: interval(self.moved[most], self.sd[most]),
            },
            extent_mm,
            area_cm2: area / 100.0,
            volume_cc,
        }
    }
}

/// The nodes that share a side with a node.
fn beside(grid: Grid, node: usize) -> impl Iterator<Item = usize> {
    let (ix, iy) = (node % grid.nx, node / grid.nx);
    [
        (ix > 0).then(|| node - 1),
        (ix + 1 < grid.nx).then_some(node + 1),
        (iy > 0).then(|| node - grid.nx),
        (iy + 1 < grid.ny).then_some(node + grid.nx),
    ]
    .into_iter()
    .flatten()
}
