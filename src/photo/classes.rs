//! Places that look alike, as a few classes of colour and grain, with the light taken off.
//!
//! A mixture of Gaussians (EM: A. Dempster, N. Laird, D. Rubin, J. R. Stat. Soc. B 39, 1977; from
//! memory) whose members also heed their neighbours (a Markov field, by mean field; G. Celeux, F.
//! Forbes, N. Peyrard, Pattern Recognit. 36, 2003; from memory). The light is fitted anew from the
//! classes as they form.

use super::blocks::Blocks;
use super::grain::Grain;
use super::light::{self, Light};
use rayon::prelude::*;

/// Features of a place: brightness, two of hue, grain (all logarithms).
pub const FEATURES: usize = 4;
/// Brightness, red against blue, green against both, grain.
pub type Feature = [f64; FEATURES];

/// Most classes.
const MOST: usize = 7;
/// Added to spreads before the logarithm: noise of a camera.
pub const GRAIN_FLOOR: f64 = 0.004;
/// Least standard deviation of a class.
const LEAST_SD: Feature = [0.10, 0.03, 0.03, 0.22];
/// What counts as one step apart, to begin with.
const UNIT: Feature = [0.30, 0.09, 0.09, 0.5];
/// How strongly a neighbour pulls.
const PULL: f64 = 0.35;
/// Rounds of light, and of the mixture in each.
const LIGHTS: usize = 4;
const ROUNDS: usize = 8;
/// In the first round, before the light is known, brightness counts this much less.
const FIRST_WEAK: f64 = 3.0;
/// Blocks from one place that is sorted to the next: features are means over five blocks, so every
/// second tells as much.
const STRIDE: usize = 2;
/// Classes smaller than this share go.
const LEAST_SHARE: f64 = 0.004;

/// One class.
#[derive(Clone, Debug)]
pub struct Class {
    /// Its mean.
    pub mean: Feature,
    /// Its standard deviation.
    pub sd: Feature,
    /// Share of what is seen.
    pub share: f64,
    /// Mean logarithm of its light.
    pub log: [f64; 3],
    /// Skew of its grain: below 0 where few dark dots lie on light.
    pub skew: f64,
}

/// The classes, and which each block is of.
#[derive(Clone, Debug)]
pub struct Classes {
    /// All of them.
    pub all: Vec<Class>,
    /// The likeliest class of each block; `None` where nothing is seen.
    pub of: Vec<Option<u8>>,
    /// What is the light.
    pub light: Light,
}

/// Brightness, hue and grain of a block under even light.
pub fn feature(grain: &Grain, light: &Light, k: usize) -> Feature {
    let [r, g, b] = std::array::from_fn(|c| grain.log[k][c] - light[k][c]);
    let s = grain.spread[k];
    let together = ((s[0] * s[0] + 2.0 * s[1] * s[1] + 2.0 * s[2] * s[2]) / 3.0).sqrt();
    [
        (r + g + b) / 3.0,
        (r - b) / 2.0,
        (2.0 * g - r - b) / 4.0,
        (together + GRAIN_FLOOR).ln(),
    ]
}

fn apart(a: &Feature, b: &Feature, weak: f64) -> f64 {
    let unit = |i: usize| if i == 0 { UNIT[i] * weak } else { UNIT[i] };
    (0..FEATURES)
        .map(|i| ((a[i] - b[i]) / unit(i)).powi(2))
        .sum()
}

/// The places that are sorted: every second block either way, with the chances of the classes.
struct Places {
    across: usize,
    /// Block of each place that is seen.
    block: Vec<usize>,
    /// Number of the place among those seen, row by row; `usize::MAX` where nothing is seen.
    number: Vec<usize>,
    features: Vec<Feature>,
    chances: Vec<[f32; MOST]>,
}

impl Places {
    fn of(blocks: &Blocks, grain: &Grain) -> Self {
        let [nx, ny] = blocks.size;
        let across = nx.div_ceil(STRIDE);
        let (mut block, mut number) = (Vec::new(), Vec::new());
        for y in (0..ny).step_by(STRIDE) {
            for x in (0..nx).step_by(STRIDE) {
                let k = y * nx + x;
                if grain.log[k][0].is_nan() || grain.spread[k][0].is_nan() {
                    number.push(usize::MAX);
                } else {
                    number.push(block.len());
                    block.push(k);
                }
            }
        }
        Places {
            across,
            features: Vec::new(),
            chances: vec![[0.0; MOST]; block.len()],
            block,
            number,
        }
    }

    /// Sums of the chances of the eight neighbours of the place at this column and row.
    fn field(&self, chances: &[[f32; MOST]], column: usize, row: usize) -> [f32; MOST] {
        let mut sum = [0f32; MOST];
        let down = self.number.len() / self.across.max(1);
        for j in row.saturating_sub(1)..(row + 2).min(down) {
            for i in column.saturating_sub(1)..(column + 2).min(self.across) {
                let n = self.number[j * self.across + i];
                if n != usize::MAX && (i, j) != (column, row) {
                    for (s, v) in sum.iter_mut().zip(&chances[n]) {
                        *s += v;
                    }
                }
            }
        }
        sum
    }
}

/// Sort the blocks into classes.
pub fn fit(blocks: &Blocks, grain: &Grain) -> Classes {
    let mut places = Places::of(blocks, grain);
    let mut light = vec![[0.0; 3]; blocks.count()];
    let mut all: Vec<Class> = Vec::new();
    for round in 0..LIGHTS {
        let weak = if round == 0 { FIRST_WEAK } else { 1.0 };
        places.features = places
            .block
            .par_iter()
            .map(|k| feature(grain, &light, *k))
            .collect();
        if round < 2 {
            let centres = seeds(&places.features, weak);
            for (f, chances) in places.features.iter().zip(&mut places.chances) {
                *chances = [0.0; MOST];
                chances[nearest(&centres, f, weak)] = 1.0;
            }
        }
        all = mixture(grain, &light, &mut places, weak);
        if round + 1 < LIGHTS {
            let mut colour = vec![None; blocks.count()];
            for (k, chances) in places.block.iter().zip(&places.chances) {
                colour[*k] = best(chances, all.len()).map(|m| all[m].log);
            }
            light = light::by_classes(blocks, &|k| colour[k], false);
        }
    }
    let of = every_block(blocks, grain, &light, &places, &all);
    Classes { all, of, light }
}

/// The likeliest class of every block: by its own looks and those of the places around.
fn every_block(
    blocks: &Blocks,
    grain: &Grain,
    light: &Light,
    places: &Places,
    all: &[Class],
) -> Vec<Option<u8>> {
    let densities = Density::of_all(all, 1.0);
    (0..blocks.count())
        .into_par_iter()
        .map(|k| {
            if grain.log[k][0].is_nan() || grain.spread[k][0].is_nan() {
                return None;
            }
            let (column, row) = (k % blocks.size[0] / STRIDE, k / blocks.size[0] / STRIDE);
            let field = places.field(&places.chances, column, row);
            let scores = scores(&densities, &field, &feature(grain, light, k));
            best(&scores, all.len()).map(|m| m as u8)
        })
        .collect()
}

/// The largest of the first `count`.
fn best(chances: &[f32; MOST], count: usize) -> Option<usize> {
    (0..count).max_by(|a, b| chances[*a].total_cmp(&chances[*b]))
}

fn nearest(centres: &[Feature], f: &Feature, weak: f64) -> usize {
    (0..centres.len())
        .min_by(|a, b| apart(&centres[*a], f, weak).total_cmp(&apart(&centres[*b], f, weak)))
        .unwrap_or(0)
}

/// Places to begin from: the middle of all, then again and again one of the farthest from those
/// before (not the very farthest, so that a few odd blocks make no class), each time moved to the
/// mean of what is near.
fn seeds(features: &[Feature], weak: f64) -> Vec<Feature> {
    let stride = features.len().div_ceil(4000).max(1);
    let sample: Vec<Feature> = features.iter().step_by(stride).copied().collect();
    if sample.is_empty() {
        return Vec::new();
    }
    let middle = std::array::from_fn(|i| {
        let mut v: Vec<f64> = sample.iter().map(|f| f[i]).collect();
        v.sort_by(f64::total_cmp);
        v[v.len() / 2]
    });
    let mut centres: Vec<Feature> = vec![middle];
    while centres.len() < MOST {
        let mut order: Vec<(f64, usize)> = sample
            .iter()
            .enumerate()
            .map(|(i, f)| {
                let d = centres.iter().map(|c| apart(c, f, weak));
                (d.fold(f64::INFINITY, f64::min), i)
            })
            .collect();
        order.sort_by(|a, b| a.0.total_cmp(&b.0));
        let (d, i) = order[(order.len() - 1) * 995 / 1000];
        if d < 1.5 {
            break;
        }
        centres.push(sample[i]);
        for _ in 0..4 {
            let mut sums = vec![([0.0; FEATURES], 0.0); centres.len()];
            for f in &sample {
                let (sum, n) = &mut sums[nearest(&centres, f, weak)];
                (0..FEATURES).for_each(|i| sum[i] += f[i]);
                *n += 1.0;
            }
            for (c, (sum, n)) in centres.iter_mut().zip(sums) {
                if n > 0.0 {
                    *c = sum.map(|s| s / n);
                }
            }
        }
    }
    centres
}

fn mixture(grain: &Grain, light: &Light, places: &mut Places, weak: f64) -> Vec<Class> {
    let mut kept: Vec<usize> = (0..MOST).collect();
    let mut all = Vec::new();
    for _ in 0..ROUNDS {
        all = moments(grain, light, places, &kept);
        let large: Vec<usize> = (0..all.len())
            .filter(|m| all[*m].share >= LEAST_SHARE)
            .collect();
        if large.len() < all.len() && !large.is_empty() {
            all = large.iter().map(|m| all[*m].clone()).collect();
            kept = (0..all.len()).collect();
            // Those of a class that goes are told anew below; their neighbours' say begins from
            // nothing.
            for chances in &mut places.chances {
                *chances = std::array::from_fn(|m| large.get(m).map_or(0.0, |o| chances[*o]));
            }
        } else {
            kept = (0..all.len()).collect();
        }
        let old = places.chances.clone();
        let at: Vec<usize> = (0..places.number.len())
            .filter(|p| places.number[*p] != usize::MAX)
            .collect();
        let across = places.across;
        let densities = Density::of_all(&all, weak);
        let next: Vec<[f32; MOST]> = at
            .par_iter()
            .zip(&places.features)
            .map(|(p, f)| {
                let field = places.field(&old, p % across, p / across);
                let mut chance = scores(&densities, &field, f);
                let top = (0..all.len())
                    .map(|m| chance[m])
                    .fold(f32::NEG_INFINITY, f32::max);
                let mut sum = 0.0;
                for (m, c) in chance.iter_mut().enumerate() {
                    *c = if m < all.len() { (*c - top).exp() } else { 0.0 };
                    sum += *c;
                }
                chance.map(|c| c / sum)
            })
            .collect();
        places.chances = next;
    }
    all
}

/// A class's density, with what does not hang on the place worked out once.
struct Density {
    mean: Feature,
    sd: Feature,
    /// Logarithm of the class's share.
    prior: f64,
    /// Logarithm of the product of its standard deviations.
    volume: f64,
}

impl Density {
    /// Of all classes; brightness counts `weak` times less.
    fn of_all(all: &[Class], weak: f64) -> Vec<Density> {
        all.iter()
            .map(|c| Density {
                mean: c.mean,
                sd: std::array::from_fn(|i| if i == 0 { c.sd[i] * weak } else { c.sd[i] }),
                prior: c.share.max(0.01).ln(),
                volume: c.sd.iter().map(|sd| sd.ln()).sum(),
            })
            .collect()
    }
}

/// Logarithm of each class's chance, up to a constant. The tails of a class are those of a
/// Student's t, so that what fits nowhere is not forced.
fn scores(all: &[Density], field: &[f32; MOST], f: &Feature) -> [f32; MOST] {
    const DEGREES: f64 = 6.0;
    std::array::from_fn(|m| {
        let Some(c) = all.get(m) else {
            return f32::NEG_INFINITY;
        };
        let square: f64 = (0..FEATURES)
            .map(|i| ((f[i] - c.mean[i]) / c.sd[i]).powi(2))
            .sum();
        let density = -c.volume - (DEGREES + FEATURES as f64) / 2.0 * (square / DEGREES).ln_1p();
        (c.prior + PULL * f64::from(field[m]) + density) as f32
    })
}

fn moments(grain: &Grain, light: &Light, places: &Places, kept: &[usize]) -> Vec<Class> {
    let total = places.block.len().max(1) as f64;
    kept.par_iter()
        .map(|&m| {
            let (mut n, mut sum, mut square) = (1e-9, [0.0; FEATURES], [0.0; FEATURES]);
            let (mut log, mut skew) = ([0.0; 3], 0.0);
            for ((k, f), chances) in places
                .block
                .iter()
                .zip(&places.features)
                .zip(&places.chances)
            {
                let w = f64::from(chances[m]);
                if w < 1e-3 {
                    continue;
                }
                n += w;
                for i in 0..FEATURES {
                    sum[i] += w * f[i];
                    square[i] += w * f[i] * f[i];
                }
                (0..3).for_each(|c| log[c] += w * (grain.log[*k][c] - light[*k][c]));
                skew += w * grain.skew[*k];
            }
            let mean = sum.map(|s| s / n);
            Class {
                mean,
                sd: std::array::from_fn(|i| {
                    let variance: f64 = square[i] / n - mean[i] * mean[i];
                    variance.max(0.0).sqrt().max(LEAST_SD[i])
                }),
                share: n / total,
                log: log.map(|v| v / n),
                skew: skew / n,
            }
        })
        .collect()
}
