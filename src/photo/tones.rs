//! Filler and coat as the two ends of a scale, pixel by pixel.
//!
//! A pixel partly covered with coat is a mixture of the two colours in linear light, so its tone is
//! its place on the straight line between them: 0 at the lighter colour, 1 at the darker. Which way
//! to look along that line is Fisher's linear discriminant (1936; from memory): noise that both
//! colours share is looked past.

use super::blocks::Blocks;
use super::colours::{self, Colour};
use super::light::{self, Gain, Light};
use super::rectified::Raster;
use nalgebra::{Matrix3, Vector3};
use rayon::prelude::*;

/// Rounds of colours and light, each made from the other.
const ROUNDS: usize = 5;
/// How near to one of two colours, as a share of their distance, a block is plainly of it.
const PLAIN: f64 = 0.35;
/// Noise of light common to red, green and blue that is put up with, as a share of the light, and
/// that of each by itself.
const COMMON_NOISE: f64 = 0.08;
const OWN_NOISE: f64 = 0.03;
/// How many such standard deviations off the line between the two colours is a third thing.
const THIRD: f64 = 5.0;

/// The two colours, the light on them, and each pixel's place between them.
#[derive(Clone, Debug)]
pub struct Tones {
    /// Linear light of the lighter colour under even light.
    pub lighter: [f64; 3],
    /// The same of the darker.
    pub darker: [f64; 3],
    /// The light.
    pub light: Light,
    /// 0 at the lighter colour, 1 at the darker, not clamped; NaN where nothing is seen. One for
    /// each raster pixel.
    pub tone: Vec<f32>,
    /// Standard deviations between the two colours, pixel by pixel.
    pub contrast: f64,
}

/// Fit the two colours and the light together, and place every pixel between them.
pub fn fit(raster: &Raster, blocks: &Blocks, start: Light, pair: [&Colour; 2]) -> Tones {
    let mut logs = pair.map(|c| c.log);
    if logs[0].iter().sum::<f64>() < logs[1].iter().sum::<f64>() {
        logs.swap(0, 1);
    }
    let mut light = start;
    let mut kinds = plain_kinds(blocks, &light, logs);
    for round in 0..ROUNDS {
        let known = |k: usize| kinds[k].map(|m| logs[m]);
        light = light::by_classes(blocks, &known, round + 2 >= ROUNDS);
        for m in 0..2 {
            if let Some(mean) = mean_log(blocks, &light, &kinds, m) {
                logs[m] = mean;
            }
        }
        kinds = plain_kinds(blocks, &light, logs);
    }
    let gain = Gain::of(blocks, &light, raster);
    let amid = |k: usize| {
        let kind = kinds[k]?;
        blocks
            .around(k)
            .all(|n| kinds[n] == Some(kind))
            .then_some(kind)
    };
    let inner: Vec<Option<usize>> = (0..blocks.count()).into_par_iter().map(amid).collect();
    let [lighter, darker, axis] = discriminant(raster, blocks, &gain, &inner, logs);
    let (axis_32, from) = (axis.map(|v| v as f32), lighter.map(|v| v as f32));
    let tone = gain.map(raster, |own| {
        (0..3).map(|c| axis_32[c] * (own[c] - from[c])).sum()
    });
    let contrast = spread(raster, blocks, &inner, &tone);
    Tones {
        lighter,
        darker,
        light,
        tone,
        contrast,
    }
}

/// 0 for blocks plainly of the first colour, 1 of the second.
fn plain_kinds(blocks: &Blocks, light: &Light, logs: [[f64; 3]; 2]) -> Vec<Option<usize>> {
    let near = PLAIN * colours::distance(logs[0], logs[1]);
    (0..blocks.count())
        .into_par_iter()
        .map(|k| {
            if !blocks.is_seen(k) {
                return None;
            }
            let own = colours::of_block(blocks, light, k);
            (0..2).find(|m| colours::distance(own, logs[*m]) < near)
        })
        .collect()
}

fn mean_log(blocks: &Blocks, light: &Light, kinds: &[Option<usize>], m: usize) -> Option<[f64; 3]> {
    let (mut sum, mut count) = ([0.0; 3], 0.0);
    for k in (0..blocks.count()).filter(|k| kinds[*k] == Some(m)) {
        let own = colours::of_block(blocks, light, k);
        (0..3).for_each(|c| sum[c] += own[c]);
        count += 1.0;
    }
    (count > 0.0).then(|| sum.map(|s| s / count))
}

/// Colours of the two kinds and the axis along which a pixel's tone is read.
fn discriminant(
    raster: &Raster,
    blocks: &Blocks,
    gain: &Gain,
    inner: &[Option<usize>],
    logs: [[f64; 3]; 2],
) -> [[f64; 3]; 3] {
    let mut sums = [[0.0; 3]; 2];
    let mut squares = [Matrix3::<f64>::zeros(); 2];
    let mut counts = [0.0; 2];
    for (kind, at) in inner_pixels(raster, blocks, inner) {
        let own = Vector3::from(
            gain.even(raster.light[at], at % raster.size[0], at / raster.size[0])
                .map(f64::from),
        );
        (0..3).for_each(|c| sums[kind][c] += own[c]);
        squares[kind] += own * own.transpose();
        counts[kind] += 1.0;
    }
    let mut within = Matrix3::<f64>::zeros();
    let mut means = [[0.0; 3]; 2];
    for kind in 0..2 {
        means[kind] = if counts[kind] >= 30.0 {
            sums[kind].map(|s| s / counts[kind])
        } else {
            logs[kind].map(f64::exp)
        };
        if counts[kind] >= 30.0 {
            let mean = Vector3::from(means[kind]);
            within += squares[kind] / counts[kind] - mean * mean.transpose();
        }
    }
    let way = Vector3::from(means[1]) - Vector3::from(means[0]);
    let floor = 1e-4 * way.norm_squared() + 1e-9;
    let within = within + Matrix3::identity() * floor;
    let axis = within.try_inverse().map_or(way, |inverse| inverse * way);
    let length = axis.dot(&way);
    let axis = if length.abs() > 1e-12 {
        axis / length
    } else {
        axis
    };
    [means[0], means[1], [axis[0], axis[1], axis[2]]]
}

/// Every third pixel of blocks amid their own kind, with the kind.
fn inner_pixels<'a>(
    raster: &'a Raster,
    blocks: &'a Blocks,
    inner: &'a [Option<usize>],
) -> impl Iterator<Item = (usize, usize)> + 'a {
    let [nx, ny] = raster.size;
    (0..ny).step_by(3).flat_map(move |iy| {
        (0..nx).step_by(3).filter_map(move |ix| {
            let kind = inner[iy / blocks.per * blocks.size[0] + ix / blocks.per]?;
            let at = iy * nx + ix;
            raster.seen[at].then_some((kind, at))
        })
    })
}

/// How many standard deviations of a pixel lie between the two colours.
fn spread(raster: &Raster, blocks: &Blocks, inner: &[Option<usize>], tone: &[f32]) -> f64 {
    let (mut sum, mut count) = (0.0, 0.0);
    for (kind, at) in inner_pixels(raster, blocks, inner) {
        sum += (f64::from(tone[at]) - kind as f64).powi(2);
        count += 1.0;
    }
    if count > 0.0 && sum > 0.0 {
        (count / sum).sqrt()
    } else {
        0.0
    }
}

impl Tones {
    /// What a block would show under even light.
    pub fn even(&self, blocks: &Blocks, k: usize) -> [f64; 3] {
        colours::of_block(blocks, &self.light, k).map(f64::exp)
    }

    /// Whether a block is neither of the two colours nor a mixture of them.
    ///
    /// Off the line by more than five standard deviations, the noise being 8 % in brightness and 3
    /// % in each colour by itself: e'Σ⁻¹e with Σ = 0.08² rr' + diag((0.03 r)²), r the nearest point
    /// of the line.
    pub fn is_third(&self, blocks: &Blocks, k: usize) -> bool {
        let own = self.even(blocks, k);
        (0..=20).all(|i| {
            let t = f64::from(i) / 20.0;
            let (mut ee, mut er, mut rr) = (0.0, 0.0, 0.0);
            for c in 0..3 {
                let r = self.lighter[c] + t * (self.darker[c] - self.lighter[c]);
                let variance = (OWN_NOISE * r).powi(2) + 0.002f64.powi(2);
                let e = own[c] - r;
                ee += e * e / variance;
                er += e * r / variance;
                rr += r * r / variance;
            }
            let a = COMMON_NOISE * COMMON_NOISE;
            ee - a * er * er / (1.0 + a * rr) > THIRD * THIRD
        })
    }
}
