//! The light that falls on the panel, told apart from the colours on it.
//!
//! Photo = light × colour, so in logarithms log photo = B(x, y) + log colour, with B smooth
//! (one-sided lamps, fall-off towards the corners, the crown turning away) and the colours few and
//! stepping. No local mean is taken: it would eat a low of 300 mm. Two steps:
//!
//! 1. [`by_steps`]: differences between places 10 mm apart are fitted by the slope of a cubic,
//!    steps between colours being outliers (Tukey's biweight). This is the idea of Land and
//!    McCann's retinex (J. Opt. Soc. Am. 61, 1971), that slow changes are light and sudden ones
//!    colour, and of Horn (Comput. Graph. Image Process. 3, 1974); from memory.
//! 2. [`by_classes`]: once the colours are known, B is fitted anew (degree four) to what is left
//!    when each block's own colour is taken off, and what remains of that is smoothed over some 60
//!    mm. A block of coat is compared with coat, so that coat of any size stays.

use super::blocks::{Blocks, box_sum};
use super::rectified::Raster;
use nalgebra::DMatrix;
use rayon::prelude::*;

/// Degree of the polynomial that is fitted to steps.
const STEP_DEGREE: usize = 3;
/// Degree of the polynomial that is fitted when the colours are known.
const CLASS_DEGREE: usize = 4;
/// Rounds of reweighting.
const ROUNDS: usize = 15;
/// Blocks between the two ends of a step.
const LAG: usize = 2;
/// Radius of the smoothing of what remains, mm; three sweeps of it.
const LOCAL_MM: f64 = 60.0;
/// Share of the window that must be filled with blocks of known colour for half of what remains to
/// be taken.
const LOCAL_SHARE: f64 = 0.1;

/// Logarithm of the light, block by block, in red, green and blue; known everywhere, up to a
/// constant a colour.
pub type Light = Vec<[f64; 3]>;

/// Terms of the largest degree.
const TERMS: usize = (CLASS_DEGREE + 1) * (CLASS_DEGREE + 2) / 2;
type Terms = [f64; TERMS];

/// Products of Chebyshev polynomials up to a total degree, along the columns and rows of blocks.
struct Basis {
    degree: usize,
    along: [Vec<[f64; CLASS_DEGREE + 1]>; 2],
}

impl Basis {
    fn new(degree: usize, size: [usize; 2]) -> Self {
        let along = size.map(|n| {
            (0..n)
                .map(|i| {
                    let u = 2.0 * (i as f64 + 0.5) / n as f64 - 1.0;
                    let mut t = [1.0; CLASS_DEGREE + 1];
                    t[1] = u;
                    for d in 2..=CLASS_DEGREE {
                        t[d] = 2.0 * u * t[d - 1] - t[d - 2];
                    }
                    t
                })
                .collect()
        });
        Basis { degree, along }
    }

    fn len(&self) -> usize {
        (self.degree + 1) * (self.degree + 2) / 2
    }

    /// All of them at a block, the constant first; those past the degree are 0.
    fn at(&self, k: usize) -> Terms {
        let across = self.along[0].len();
        let (p, q) = (&self.along[0][k % across], &self.along[1][k / across]);
        let mut values = [0.0; TERMS];
        let mut next = 0;
        for total in 0..=self.degree {
            for i in 0..=total {
                values[next] = p[i] * q[total - i];
                next += 1;
            }
        }
        values
    }
}

/// Weighted least squares for three right-hand sides; `None` when the system says nothing.
fn solve(
    rows: &[(Terms, [f64; 3])],
    weights: &[f64],
    first: usize,
    terms: usize,
) -> Option<DMatrix<f64>> {
    let n = terms - first;
    let mut square = [[0.0; TERMS]; TERMS];
    let mut pulls = [[0.0; 3]; TERMS];
    for ((a, d), w) in rows.iter().zip(weights).filter(|(_, w)| **w > 0.0) {
        let a = &a[first..first + n];
        for (i, (row, pull)) in square.iter_mut().zip(&mut pulls).enumerate().take(n) {
            let wa = w * a[i];
            for (sum, b) in row.iter_mut().zip(&a[..=i]) {
                *sum += wa * b;
            }
            for (sum, v) in pull.iter_mut().zip(d) {
                *sum += wa * v;
            }
        }
    }
    let largest = (0..n).map(|i| square[i][i]).fold(0.0, f64::max);
    if largest <= 0.0 {
        return None;
    }
    let normal = DMatrix::from_fn(n, n, |i, j| {
        let ridge = if i == j { 1e-6 * largest } else { 0.0 };
        square[i.max(j)][i.min(j)] + ridge
    });
    let right = DMatrix::from_fn(n, 3, |i, c| pulls[i][c]);
    Some(normal.cholesky()?.solve(&right))
}

fn taken_off(a: &Terms, d: &[f64; 3], found: &DMatrix<f64>, first: usize) -> [f64; 3] {
    std::array::from_fn(|c| {
        d[c] - (0..found.nrows())
            .map(|i| a[first + i] * found[(i, c)])
            .sum::<f64>()
    })
}

fn length(r: [f64; 3]) -> f64 {
    r.iter().map(|v| v * v).sum::<f64>().sqrt()
}

fn median(mut values: Vec<f64>) -> f64 {
    let middle = values.len() / 2;
    if values.is_empty() {
        return 0.0;
    }
    *values.select_nth_unstable_by(middle, f64::total_cmp).1
}

/// The light by the steps between neighbouring places alone, whatever the colours are.
pub fn by_steps(blocks: &Blocks) -> Light {
    let basis = Basis::new(STEP_DEGREE, blocks.size);
    let mut rows = Vec::new();
    for by in (0..blocks.size[1]).step_by(3) {
        for bx in (0..blocks.size[0]).step_by(3) {
            let k = by * blocks.size[0] + bx;
            if !blocks.is_seen(k) {
                continue;
            }
            let here = basis.at(k);
            let right = (bx + LAG < blocks.size[0]).then_some(k + LAG);
            let above = (by + LAG < blocks.size[1]).then_some(k + LAG * blocks.size[0]);
            for other in [right, above].into_iter().flatten() {
                if blocks.is_seen(other) {
                    let step = std::array::from_fn(|c| blocks.log[other][c] - blocks.log[k][c]);
                    let there = basis.at(other);
                    rows.push((std::array::from_fn(|i| there[i] - here[i]), step));
                }
            }
        }
    }
    let mut weights = vec![1.0; rows.len()];
    let mut found = DMatrix::zeros(basis.len() - 1, 3);
    for _ in 0..ROUNDS {
        let left: Vec<f64> = rows
            .par_iter()
            .map(|(a, d)| length(taken_off(a, d, &found, 1)))
            .collect();
        // Tukey's biweight; 4.7 times the spread keeps 95 % efficiency on Gaussian noise (from
        // memory).
        let reach = 4.7 * (median(left.clone()) / 1.54).max(1e-3);
        for (w, r) in weights.iter_mut().zip(&left) {
            let s = r / reach;
            *w = if s < 1.0 { (1.0 - s * s).powi(2) } else { 0.0 };
        }
        match solve(&rows, &weights, 1, basis.len()) {
            Some(new) => found = new,
            None => break,
        }
    }
    everywhere(blocks, &basis, &found, 1)
}

fn everywhere(blocks: &Blocks, basis: &Basis, found: &DMatrix<f64>, first: usize) -> Light {
    (0..blocks.count())
        .into_par_iter()
        .map(|k| taken_off(&basis.at(k), &[0.0; 3], found, first).map(|v| -v))
        .collect()
}

/// The light when each block's colour is known: `colour` gives its logarithm, or `None` for blocks
/// that are of no one colour. The constant belongs to the colours: the light's weighted mean over
/// those blocks is 0.
pub fn by_classes(
    blocks: &Blocks,
    colour: &dyn Fn(usize) -> Option<[f64; 3]>,
    local: bool,
) -> Light {
    let basis = Basis::new(CLASS_DEGREE, blocks.size);
    let known: Vec<(usize, [f64; 3])> = (0..blocks.count())
        .filter(|k| blocks.is_seen(*k))
        .filter_map(|k| {
            let own = colour(k)?;
            Some((k, std::array::from_fn(|c| blocks.log[k][c] - own[c])))
        })
        .collect();
    let rows: Vec<(Terms, [f64; 3])> = known
        .iter()
        .step_by(5)
        .map(|(k, d)| (basis.at(*k), *d))
        .collect();
    let weights = vec![1.0; rows.len()];
    let Some(found) = solve(&rows, &weights, 0, basis.len()) else {
        return vec![[0.0; 3]; blocks.count()];
    };
    let mut light = everywhere(blocks, &basis, &found, 0);
    if local {
        add_local(blocks, &known, &mut light);
    }
    light
}

/// What the polynomial leaves, smoothed: the halo of a lamp, a curve turning away.
fn add_local(blocks: &Blocks, known: &[(usize, [f64; 3])], light: &mut Light) {
    let radius = ((LOCAL_MM / blocks.mm / 1.7).round() as usize).max(1);
    let smooth = |values: &mut [f64]| {
        for _ in 0..3 {
            box_sum(values, blocks.size[0], radius);
        }
    };
    let mut weight = vec![0.0; blocks.count()];
    for (k, _) in known {
        weight[*k] = 1.0;
    }
    smooth(&mut weight);
    let full = ((2 * radius + 1) as f64).powi(6);
    for c in 0..3 {
        let mut left = vec![0.0; blocks.count()];
        for (k, d) in known {
            left[*k] = (d[c] - light[*k][c]).clamp(-0.5, 0.5);
        }
        smooth(&mut left);
        for (k, l) in light.iter_mut().enumerate() {
            l[c] += left[k] / (weight[k] + LOCAL_SHARE * full);
        }
    }
}

/// For each of `pixels` in a row: the block before it, the one after it, and how far it is on the
/// way from middle to middle.
pub(super) fn between(pixels: usize, blocks: usize, per: usize) -> Vec<(usize, usize, f64)> {
    let last = blocks.saturating_sub(1);
    (0..pixels)
        .map(|i| {
            let s = ((i as f64 + 0.5) / per as f64 - 0.5).clamp(0.0, last as f64);
            let low = (s as usize).min(blocks.saturating_sub(2));
            (low, (low + 1).min(last), s - low as f64)
        })
        .collect()
}

/// One over the light, at the middles of the blocks; straight in between.
pub(super) struct Gain {
    across: usize,
    /// For each column and row of pixels: the block before it, the one after it, and how far it is
    /// on the way.
    columns: Vec<(usize, usize, f32)>,
    rows: Vec<(usize, usize, f32)>,
    values: Vec<[f32; 3]>,
}

impl Gain {
    pub(super) fn of(blocks: &Blocks, light: &Light, raster: &Raster) -> Self {
        let places = |axis: usize| {
            between(raster.size[axis], blocks.size[axis], blocks.per)
                .into_iter()
                .map(|(low, high, s)| (low, high, s as f32))
                .collect()
        };
        Gain {
            across: blocks.size[0],
            columns: places(0),
            rows: places(1),
            values: light.iter().map(|l| l.map(|v| (-v).exp() as f32)).collect(),
        }
    }

    /// What a pixel would show under even light.
    #[inline]
    pub(super) fn even(&self, own: [f32; 3], ix: usize, iy: usize) -> [f32; 3] {
        let ((x0, x1, u), (y0, y1, v)) = (self.columns[ix], self.rows[iy]);
        let (low, high) = (y0 * self.across, y1 * self.across);
        let (a, b) = (&self.values[low + x0], &self.values[low + x1]);
        let (c, d) = (&self.values[high + x0], &self.values[high + x1]);
        std::array::from_fn(|k| {
            let lower = a[k] + u * (b[k] - a[k]);
            let upper = c[k] + u * (d[k] - c[k]);
            own[k] * (lower + v * (upper - lower))
        })
    }

    /// A value of each pixel's even colour, row by row; NaN where nothing is seen.
    pub(super) fn map(&self, raster: &Raster, value: impl Fn([f32; 3]) -> f32 + Sync) -> Vec<f32> {
        let width = raster.size[0];
        let mut out = vec![f32::NAN; raster.light.len()];
        out.par_chunks_mut(width).enumerate().for_each(|(iy, row)| {
            let light = &raster.light[iy * width..(iy + 1) * width];
            let seen = &raster.seen[iy * width..(iy + 1) * width];
            for (ix, out) in row.iter_mut().enumerate() {
                if seen[ix] {
                    *out = value(self.even(light[ix], ix, iy));
                }
            }
        });
        out
    }
}

/// Grey levels under even light, 0 to 255 with 128 for the median; `None` where nothing is seen.
/// For a panel of one colour.
pub fn even_grey(raster: &Raster, blocks: &Blocks, light: &Light) -> Vec<Option<u8>> {
    // The square root spreads grey about as the eye and a camera's code do.
    let values = Gain::of(blocks, light, raster)
        .map(raster, |even| even.iter().sum::<f32>().max(0.0).sqrt());
    let sample = values.iter().step_by(7).filter(|v| !v.is_nan());
    let middle = median(sample.map(|v| f64::from(*v)).collect()) as f32;
    values
        .iter()
        .map(|v| {
            (!v.is_nan()).then(|| (128.0 * v / middle.max(1e-6)).round().clamp(0.0, 255.0) as u8)
        })
        .collect()
}
