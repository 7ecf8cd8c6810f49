//! Readings and coat cells solved together: where coat stays the surface is low, where it is gone
//! it is not.
//!
//! A cell's share of coat f is taken as a look at u = (level − δ)/s, δ the field and domes at its
//! middle, and costs w·[log(1 + eᵘ) − f·u]: the logistic likelihood of McCullagh and Nelder (1989,
//! ch. 4), whose tails pull with a bounded force. The level is −t + e(x, y): the block rides on the
//! panel's own fair skin, which differs from the shape by a slow part e with a prior of its own,
//! and t is known to some hundredths only. All terms are convex; Newton steps with the surface's
//! own sparse factor. Cells that contradict their neighbours and the readings lose their weight, by
//! the odds of being simply wrong.

use super::basis::{Axis, Basis};
use super::cholesky::Factor;
use super::field::{self, Field};
use super::outline::{self, Picture};
use super::system::{Added, Normal, Products, System, dot};
use crate::panel::Panel;
use crate::photo::CoatCells;
use crate::problem::Error;

/// Depths at which coat may stay, mm: about what a long board reaches (common practice, no source),
/// and what shorter and softer blocks leave bare. The first at which the next is no better is
/// taken.
pub const LEVELS_MM: [f64; 6] = [0.035, 0.06, 0.1, 0.16, 0.25, 0.4];
/// Softness s of that depth, mm: far softer than the block's own 0.01-0.02 mm, since the domes are
/// not the lows' own shape near their outline and a hard level would bend whole lows to it (tried
/// on simulated panels: 0.01 the worst, 0.05 the best).
pub const SOFTNESS_MM: f64 = 0.05;
/// Standard deviation of the slow part of the level, and its range as a share of the form's
/// wavelength.
const SLOW_SD_MM: f64 = 0.04;
const SLOW_RANGE_SHARE: f64 = 0.8;
/// Knots of the slow part per form wavelength, and the most splines it may have.
const SLOW_KNOTS: f64 = 3.0;
const MOST_SLOW: f64 = 120.0;
/// Side of the blocks of cells that are looked at, mm, and the most of them.
const LOOK_MM: f64 = 20.0;
const MOST_LOOKS: f64 = 40_000.0;
/// Cells nearer to each other than this err together, mm: a look counts for its area over this
/// squared.
const TOGETHER_MM: f64 = 80.0;
/// A cell with less than this of its weight left is set aside.
const SET_ASIDE: f64 = 0.3;
/// Most Newton steps, and most rounds of weights.
const MOST_STEPS: usize = 40;
const ROUNDS: usize = 4;

/// Where coat and readings contradict each other.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Contradiction {
    /// Middle of the place, mm.
    pub at_mm: [f64; 2],
    /// Its area, mm².
    pub area_mm2: f64,
    /// Mean height over the shape that was found there, mm; negative is low.
    pub height_mm: f64,
    /// Mean share of coat that was seen there.
    pub coat: f64,
}

impl Contradiction {
    /// Whether coat lies on a place found high (else a place found low is bare).
    pub fn coat_on_a_high(&self) -> bool {
        self.coat > 0.5
    }
}

/// What the fit learned of the coat.
#[derive(Clone, Debug, PartialEq)]
pub struct CoatFit {
    /// Depth below the shape at which coat and bare skin meet, median, mm; `None` where they meet
    /// nowhere.
    pub level_mm: Option<f64>,
    /// Softness of that depth, mm.
    pub softness_mm: f64,
    /// Area of the cells that were looked at, mm².
    pub seen_mm2: f64,
    /// Area of the cells set aside since they contradict readings and neighbours, mm².
    pub set_aside_mm2: f64,
    /// Number of coated patches that were taken for lows.
    pub patches: usize,
    /// Places where coat and readings contradict each other, the largest first.
    pub contradictions: Vec<Contradiction>,
    /// Value of the objective, in units of log likelihood, and the Newton steps it took.
    pub objective: f64,
    /// Newton steps.
    pub steps: usize,
}

/// The cells as the fit looks at them.
#[derive(Clone, Debug)]
pub struct Looks {
    splines: Vec<[(usize, f64); 16]>,
    at: Vec<[f64; 2]>,
    share: Vec<f64>,
    weight: Vec<f64>,
    area_mm2: f64,
    /// Neighbours along x and y.
    near: Vec<[Option<usize>; 4]>,
    /// Blocks along x and y, the number of the look in each (ix·ny + iy), and the block of each
    /// look.
    count: [usize; 2],
    number: Vec<Option<usize>>,
    block: Vec<usize>,
}

impl Looks {
    /// Blocks of about [`LOOK_MM`] of the cells on the panel that are seen.
    pub fn new(panel: &Panel, cells: &CoatCells, basis: &Basis) -> Self {
        let area = panel.length_mm * panel.width_mm;
        let side = LOOK_MM.max((area / MOST_LOOKS).sqrt());
        let block = ((side / cells.cell_mm).round() as usize).max(1);
        let picture = Picture::new(cells, block);
        let mut looks = Looks {
            splines: Vec::new(),
            at: Vec::new(),
            share: Vec::new(),
            weight: Vec::new(),
            area_mm2: picture.cell_mm * picture.cell_mm,
            near: Vec::new(),
            count: picture.count,
            number: Vec::new(),
            block: Vec::new(),
        };
        let mut number = vec![None; picture.share.len()];
        for k in 0..picture.share.len() {
            let [x, y] = picture.middle(k);
            if picture.share[k].is_nan() || !panel.contains(x, y) {
                continue;
            }
            number[k] = Some(looks.at.len());
            looks.block.push(k);
            looks.splines.push(basis.at(x, y, 0, 0));
            looks.at.push([x, y]);
            looks.share.push(picture.share[k]);
            let independent = looks.area_mm2 / (TOGETHER_MM * TOGETHER_MM);
            looks
                .weight
                .push(picture.seen[k].min(1.0) * independent.min(1.0));
        }
        looks.near = (0..number.len())
            .filter(|&k| number[k].is_some())
            .map(|k| picture.around(k).map(|n| n.and_then(|n| number[n])))
            .collect();
        looks.number = number;
        looks
    }

    /// Share of coat of each look.
    pub fn share(&self) -> &[f64] {
        &self.share
    }

    /// What each look counts for.
    pub fn weight(&self) -> &[f64] {
        &self.weight
    }

    /// Side of a look, mm.
    pub fn side_mm(&self) -> f64 {
        self.area_mm2.sqrt()
    }

    /// Middle of look k, mm.
    pub fn at(&self, k: usize) -> [f64; 2] {
        self.at[k]
    }

    /// Looks beside look k.
    pub fn around(&self, k: usize) -> [Option<usize>; 4] {
        self.near[k]
    }

    /// Blocks along x and y.
    pub fn count(&self) -> [usize; 2] {
        self.count
    }

    /// Block of look k along x and y.
    pub fn block(&self, k: usize) -> [usize; 2] {
        [self.block[k] / self.count[1], self.block[k] % self.count[1]]
    }

    /// The look of a block; `None` where nothing is seen.
    pub fn of_block(&self, [ix, iy]: [usize; 2]) -> Option<usize> {
        *self.number.get(ix * self.count[1] + iy)?
    }

    /// Whether nothing was seen.
    pub fn is_empty(&self) -> bool {
        self.at.is_empty()
    }

    /// Value of splines at each look.
    pub fn values(&self, coefficients: &[f64]) -> Vec<f64> {
        let at = |s: &[(usize, f64); 16]| s.iter().map(|&(k, w)| w * coefficients[k]).sum();
        self.splines.iter().map(at).collect()
    }

    fn gather(&self, values: &[f64], count: usize) -> Vec<f64> {
        let mut sums = vec![0.0; count];
        for (splines, v) in self.splines.iter().zip(values) {
            for &(k, w) in splines {
                sums[k] += w * v;
            }
        }
        sums
    }
}

/// The columns a photo adds to the system of a panel.
///
/// # Errors
/// [`Error::Calculation`] when memory runs out.
pub fn added(panel: &Panel, cells: &CoatCells, basis: &Basis) -> Result<Added, Error> {
    let wavelength = panel.form_wavelength_mm;
    let mut knots = wavelength.map(|l| l / SLOW_KNOTS);
    let count =
        |knots: [f64; 2]| (panel.length_mm / knots[0] + 3.0) * (panel.width_mm / knots[1] + 3.0);
    while count(knots) > MOST_SLOW {
        knots = knots.map(|k| k * 1.1);
    }
    let coarse = Basis {
        x: Axis::new(panel.length_mm, knots[0]),
        y: Axis::new(panel.width_mm, knots[1]),
    };
    let slow = (0..coarse.count())
        .map(|k| {
            let mut unit = vec![0.0; coarse.count()];
            unit[k] = 1.0;
            basis.carry(&|x, y| coarse.value(&unit, x, y, 0, 0))
        })
        .collect();
    let prior = Field::new(&coarse)?;
    let range = SLOW_RANGE_SHARE * wavelength[0].min(wavelength[1]);
    let kappa = field::kappa_of_range(range);
    let tau = field::tau_of_amplitude(SLOW_SD_MM, kappa);
    let slow_precision = prior
        .entries()
        .iter()
        .zip(prior.precision(kappa))
        .map(|(&(row, column), q)| (row, column, tau * q))
        .collect();
    Ok(Added {
        domes: outline::domes(cells, basis),
        slow,
        slow_precision,
    })
}

/// The numbers a joint solution is made with.
#[derive(Clone, Copy, Debug)]
pub struct Setting {
    /// Range of the field, mm.
    pub range_mm: f64,
    /// Amplitude over σ.
    pub ratio: f64,
    /// Noise of a typical reading, mm.
    pub sigma_mm: f64,
    /// Softness of the coat's level, mm.
    pub softness_mm: f64,
    /// Depth below the shape at which coat stays, mm, but for its slow part.
    pub level_mm: f64,
    /// How far coat and bare skin can be believed.
    pub shares: Shares,
}

/// How far coat and bare skin can be believed: a look is coated with the chance left + (kept −
/// left)·σ(u).
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Shares {
    /// Share of coat that stays on what is low.
    pub kept: f64,
    /// Share of coat that stays on what is not.
    pub left: f64,
}

impl Shares {
    /// −log likelihood of a share f of coat at u.
    fn loss(&self, u: f64, f: f64) -> f64 {
        let p = self.left + (self.kept - self.left).max(0.0) / (1.0 + (-u).exp());
        let p = p.clamp(1e-6, 1.0 - 1e-6);
        -f * p.ln() - (1.0 - f) * (1.0 - p).ln()
    }

    /// A look that believes in its share f of coat only as far as the surface there lets it: its
    /// weight, and the share of what is left of it. Coat on high skin may be what stays anyhow,
    /// bare skin on a low may be what the block cleaned anyhow (one step of EM, Dempster, Laird and
    /// Rubin 1977).
    fn believed(&self, u: f64, f: f64) -> [f64; 2] {
        let p = 1.0 / (1.0 + (-u).exp());
        let span = (self.kept - self.left).max(0.0);
        let coat = span * p / (self.left + span * p).max(1e-9);
        let bare = span * (1.0 - p) / (1.0 - self.kept + span * (1.0 - p)).max(1e-9);
        let weight = f * coat + (1.0 - f) * bare;
        [weight, if weight > 0.0 { f * coat / weight } else { f }]
    }
}

/// The joint solution.
#[derive(Debug)]
pub struct Mode<'s> {
    /// All unknowns.
    pub unknowns: Vec<f64>,
    /// Factor of the matrix at the mode, in units of σ².
    pub factor: Factor<'s>,
    /// Curvature of each look at the mode, times σ².
    pub curvature: Vec<f64>,
    /// Weight that each look has kept, 0 to 1, and the share of coat of what it has kept.
    pub kept: Vec<[f64; 2]>,
    /// Its part without the looks.
    quadratic: f64,
    /// Objective: −log posterior up to a constant.
    pub objective: f64,
    /// The same with the looks' whole likelihood, which can be set beside that at another level.
    pub whole: f64,
    /// Newton steps.
    pub steps: usize,
}

/// Loss, slope and curvature of one look at u for a share f of coat.
fn logistic(u: f64, f: f64) -> (f64, f64, f64) {
    let p = 1.0 / (1.0 + (-u).exp());
    // log(1 + eᵘ) without overflow.
    let log = u.max(0.0) + (-u.abs()).exp().ln_1p();
    (log - f * u, p - f, p * (1.0 - p))
}

/// Solve readings and looks together, from `start`.
///
/// # Errors
/// [`Error::Calculation`] when a factorisation fails or the steps run out.
pub fn solve<'s>(
    system: &'s System,
    normal: &Normal,
    looks: &Looks,
    setting: &Setting,
    start: Vec<f64>,
) -> Result<Mode<'s>, Error> {
    let mut kept: Vec<[f64; 2]> = looks.share.iter().map(|f| [1.0, *f]).collect();
    let mut steps = 0;
    let mut mode = newton(system, normal, looks, setting, start, &kept)?;
    for _ in 1..ROUNDS {
        steps += mode.steps;
        let level = looks.values(&system.seen_by_cells(&mode.unknowns));
        let mut change = 0.0f64;
        for (k, kept) in kept.iter_mut().enumerate() {
            let u = (-setting.level_mm - level[k]) / setting.softness_mm;
            let next = setting.shares.believed(u, looks.share[k]);
            change = change.max((next[0] - kept[0]).abs());
            *kept = next;
        }
        mode = newton(system, normal, looks, setting, mode.unknowns, &kept)?;
        if change < 0.05 {
            break;
        }
    }
    let level = looks.values(&system.seen_by_cells(&mode.unknowns));
    let terms = looks.weight.iter().zip(&looks.share).zip(&level);
    let whole: f64 = terms
        .map(|((w, f), d)| {
            w * setting
                .shares
                .loss((-setting.level_mm - d) / setting.softness_mm, *f)
        })
        .sum();
    mode.whole = mode.quadratic + whole;
    mode.steps += steps;
    mode.kept = kept;
    Ok(mode)
}

/// Newton's method at fixed weights; the step is halved until the objective falls by a share of
/// what the slope promises.
fn newton<'s>(
    system: &'s System,
    normal: &Normal,
    looks: &Looks,
    setting: &Setting,
    start: Vec<f64>,
    kept: &[[f64; 2]],
) -> Result<Mode<'s>, Error> {
    let s = setting.softness_mm;
    let variance = setting.sigma_mm * setting.sigma_mm;
    let matrix = system.matrix(normal, setting.range_mm, setting.ratio, setting.sigma_mm);
    let weight: Vec<f64> = looks
        .weight
        .iter()
        .zip(kept)
        .map(|(w, k)| w * k[0])
        .collect();
    let cost = |delta: &[f64]| -> f64 {
        let all = delta.iter().zip(kept).zip(&weight);
        all.map(|((d, k), w)| w * logistic((-setting.level_mm - d) / s, k[1]).0)
            .sum()
    };
    let mut x = start;
    let mut delta = looks.values(&system.seen_by_cells(&x));
    let mut image = system.pattern().times(&matrix, &x);
    for step in 0..MOST_STEPS {
        let (mut pull, mut curvature) = (vec![0.0; weight.len()], vec![0.0; weight.len()]);
        let mut products = Products::new(&system.basis);
        for k in 0..weight.len() {
            let (_, slope, bend) = logistic((-setting.level_mm - delta[k]) / s, kept[k][1]);
            pull[k] = -variance * weight[k] * slope / s;
            curvature[k] = variance * weight[k] * bend / (s * s);
            if curvature[k] > 0.0 {
                products.add(&looks.splines[k], curvature[k]);
            }
        }
        let mut gradient = system.spread_from_cells(&looks.gather(&pull, system.basis.count()));
        for ((g, i), r) in gradient.iter_mut().zip(&image).zip(&normal.right) {
            *g += i - r;
        }
        let mut values = matrix.clone();
        system.add_cells(&products, &mut values);
        let factor = system.pattern().factor(&values)?;
        let mut dx: Vec<f64> = gradient.iter().map(|g| -g).collect();
        factor.solve_in_place(&mut dx);
        // In units of log likelihood.
        let promised = -dot(&gradient, &dx) / variance;
        if promised < 1e-7 {
            let quadratic =
                (dot(&x, &image) / 2.0 - dot(&normal.right, &x) + normal.square / 2.0) / variance;
            return Ok(Mode {
                quadratic,
                objective: quadratic + cost(&delta),
                whole: quadratic + cost(&delta),
                unknowns: x,
                factor,
                curvature,
                kept: kept.to_vec(),
                steps: step,
            });
        }
        let moved = looks.values(&system.seen_by_cells(&dx));
        let bent = system.pattern().times(&matrix, &dx);
        let (linear, square) = (dot(&image, &dx) - dot(&normal.right, &dx), dot(&dx, &bent));
        let before = cost(&delta);
        let mut length = 1.0;
        for _ in 0..30 {
            let there: Vec<f64> = delta
                .iter()
                .zip(&moved)
                .map(|(d, m)| d + length * m)
                .collect();
            let change =
                length * (linear + length * square / 2.0) / variance + cost(&there) - before;
            if change <= -0.1 * length * promised || promised * length < 1e-9 {
                break;
            }
            length *= 0.5;
        }
        for (x, d) in x.iter_mut().zip(&dx) {
            *x += length * d;
        }
        for (i, b) in image.iter_mut().zip(&bent) {
            *i += length * b;
        }
        delta = looks.values(&system.seen_by_cells(&x));
    }
    Err(Error::Calculation(
        "readings and coat could not be solved together; please keep the files and report it"
            .into(),
    ))
}

/// One joint problem at fixed numbers and weights, written out for another solver: minimise
/// (½xᵀMx − rᵀx + ½q)/σ² + Σ w·[log(1 + eᵘ) − f·u], u = (−t − Cx)/s.
#[derive(Clone, Debug)]
pub struct Problem {
    /// M, lower triangle: rows, columns, values.
    pub matrix: (Vec<usize>, Vec<usize>, Vec<f64>),
    /// r.
    pub right: Vec<f64>,
    /// q, mm².
    pub square: f64,
    /// C: rows, columns, values.
    pub looks: (Vec<usize>, Vec<usize>, Vec<f64>),
    /// f of each look.
    pub share: Vec<f64>,
    /// w of each look.
    pub weight: Vec<f64>,
    /// σ, t and s, mm.
    pub sigma_mm: f64,
    /// t, mm.
    pub level_mm: f64,
    /// s, mm.
    pub softness_mm: f64,
    /// The program's own solution and its objective.
    pub solution: Vec<f64>,
    /// Its objective.
    pub objective: f64,
}

impl Problem {
    /// Write out the problem that `mode` solves.
    pub fn of(
        system: &System,
        normal: &Normal,
        looks: &Looks,
        setting: &Setting,
        mode: &Mode,
    ) -> Problem {
        let values = system.matrix(normal, setting.range_mm, setting.ratio, setting.sigma_mm);
        let mut matrix = (Vec::new(), Vec::new(), Vec::new());
        for column in 0..system.unknowns() {
            for row in column..system.unknowns() {
                if let Some(place) = system.pattern().position(row, column) {
                    matrix.0.push(row);
                    matrix.1.push(column);
                    matrix.2.push(values[place]);
                }
            }
        }
        let mut all = (Vec::new(), Vec::new(), Vec::new());
        for (k, splines) in looks.splines.iter().enumerate() {
            let mut sums = vec![0.0; system.basis.count()];
            for &(n, w) in splines {
                sums[n] += w;
            }
            for (column, value) in system.spread_from_cells(&sums).into_iter().enumerate() {
                if value != 0.0 {
                    all.0.push(k);
                    all.1.push(column);
                    all.2.push(value);
                }
            }
        }
        Problem {
            matrix,
            right: normal.right.clone(),
            square: normal.square,
            looks: all,
            share: mode.kept.iter().map(|k| k[1]).collect(),
            weight: looks
                .weight
                .iter()
                .zip(&mode.kept)
                .map(|(w, k)| w * k[0])
                .collect(),
            sigma_mm: setting.sigma_mm,
            level_mm: setting.level_mm,
            softness_mm: setting.softness_mm,
            solution: mode.unknowns.clone(),
            objective: mode.objective,
        }
    }
}

/// What remains of the looks after the fit: enough to look at other panels as this one was looked
/// at.
#[derive(Clone, Debug)]
pub struct Seen {
    /// Curvature of each look at the mode, times σ².
    pub curvature: Vec<f64>,
    /// What was learned.
    pub fit: CoatFit,
}

impl Seen {
    /// What a photo of the panel `unknowns` would pull with, seen as this one was: the looks'
    /// linear part at the mode, with noise.
    pub fn anew(
        &self,
        system: &System,
        looks: &Looks,
        unknowns: &[f64],
        white: &mut dyn FnMut() -> f64,
        sigma_mm: f64,
    ) -> Vec<f64> {
        let mut pull = looks.values(&system.seen_by_cells(unknowns));
        for (p, c) in pull.iter_mut().zip(&self.curvature) {
            *p = c * *p + sigma_mm * c.sqrt() * white();
        }
        system.spread_from_cells(&looks.gather(&pull, system.basis.count()))
    }
}

impl Mode<'_> {
    /// What was learned of the coat.
    pub fn coat(
        &self,
        system: &System,
        looks: &Looks,
        softness_mm: f64,
        readings: &[[f64; 2]],
    ) -> CoatFit {
        let height = looks.values(&self.height_over_shape(system));
        let aside: Vec<bool> = self.kept.iter().map(|k| k[0] < SET_ASIDE).collect();
        // Where coat and bare skin meet, the height is the level.
        let mut edge: Vec<f64> = (0..height.len())
            .filter(|&k| !aside[k] && (0.3..0.7).contains(&looks.share[k]))
            .map(|k| -height[k])
            .collect();
        edge.sort_by(f64::total_cmp);
        let area = |n: usize| n as f64 * looks.area_mm2;
        CoatFit {
            level_mm: edge.get(edge.len() / 2).copied(),
            softness_mm,
            seen_mm2: area(looks.at.len()),
            set_aside_mm2: area(aside.iter().filter(|a| **a).count()),
            patches: system.own_domes(),
            contradictions: contradictions(looks, &aside, &height, readings),
            objective: self.objective,
            steps: self.steps,
        }
    }

    fn height_over_shape(&self, system: &System) -> Vec<f64> {
        let mut c = system.domes(&self.unknowns);
        for (c, d) in c.iter_mut().zip(&self.unknowns) {
            *c += d;
        }
        c
    }
}

/// A contradiction is no smaller than this, mm² (a speck), and lies no further than this from a
/// reading, mm.
const LEAST_MM2: f64 = 1200.0;
const BESIDE_MM: f64 = 50.0;

/// Connected looks that were set aside, on one side of the level, beside a reading.
fn contradictions(
    looks: &Looks,
    aside: &[bool],
    height: &[f64],
    readings: &[[f64; 2]],
) -> Vec<Contradiction> {
    let mut met = vec![false; aside.len()];
    let mut found = Vec::new();
    for first in 0..aside.len() {
        if met[first] || !aside[first] {
            continue;
        }
        let coated = looks.share[first] > 0.5;
        let (mut patch, mut next) = (Vec::new(), vec![first]);
        met[first] = true;
        while let Some(k) = next.pop() {
            patch.push(k);
            for n in looks.near[k].into_iter().flatten() {
                if !met[n] && aside[n] && (looks.share[n] > 0.5) == coated {
                    met[n] = true;
                    next.push(n);
                }
            }
        }
        let area_mm2 = patch.len() as f64 * looks.area_mm2;
        let close = |k: &usize| {
            let [x, y] = looks.at[*k];
            readings
                .iter()
                .any(|r| (r[0] - x).hypot(r[1] - y) <= BESIDE_MM)
        };
        if area_mm2 < LEAST_MM2 || !patch.iter().any(close) {
            continue;
        }
        let mean = |value: &dyn Fn(usize) -> f64| {
            patch.iter().map(|&k| value(k)).sum::<f64>() / patch.len() as f64
        };
        found.push(Contradiction {
            at_mm: [mean(&|k| looks.at[k][0]), mean(&|k| looks.at[k][1])],
            area_mm2,
            height_mm: mean(&|k| height[k]),
            coat: mean(&|k| looks.share[k]),
        });
    }
    found.sort_by(|a, b| b.area_mm2.total_cmp(&a.area_mm2));
    found
}
