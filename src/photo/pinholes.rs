//! Pinholes: dots of coat on bare filler, told of where they line up or cluster.
//!
//! A single dot may be dust; rows and nests of them are air in the filler. What is denser than
//! chance is found against a Poisson distribution of dots strewn evenly: in a disc of 25 mm, and in
//! strips of 120 × 6 mm in 36 directions.

use super::cells::Pixel;
use rayon::prelude::*;
use serde::Serialize;
use std::collections::HashMap;

/// How much more coat 3 × 3 pixels on a dot show than those round it, at least; and that many times
/// the noise.
const LEAST_TOP: f32 = 0.06;
const TIMES_NOISE: f32 = 4.0;
/// A dot is smaller than this across, mm: a circle of this radius round it is bare.
const CLEAR_MM: f64 = 3.0;
const DISC_MM: f64 = 25.0;
const STRIP_MM: [f64; 2] = [60.0, 3.0];
const DIRECTIONS: usize = 36;
/// Fewest dots that are told of together.
const FEWEST: usize = 6;
/// Past this many dots the surface is rough all over, and nothing stands out.
const MOST: usize = 20_000;
/// Chance of a single false cluster on a panel of evenly strewn dots.
const CHANCE: f64 = 1e-3;

/// Whether dots lie in a row or in a nest.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Shape {
    /// In a row.
    Line,
    /// In a nest.
    Nest,
}

/// Pinholes that belong together.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Cluster {
    /// Row or nest.
    pub shape: Shape,
    /// How many.
    pub count: usize,
    /// Their middle, mm.
    pub place_mm: [f64; 2],
    /// Length and width of what they cover, mm.
    pub size_mm: [f64; 2],
    /// Smallest box around them, mm: x from, y from, x to, y to.
    pub extent_mm: [f64; 4],
}

/// Rows and nests of pinholes, the largest first. `coat` is each pixel's tone, 0 bare to 1 coat;
/// `width` pixels to the row. None are found where a pixel is larger than 2.5 mm: it cannot show
/// them.
pub fn find(pixels: &[Pixel], coat: &[f32], width: usize, step_mm: f64) -> Vec<Cluster> {
    if step_mm > 2.5 || width == 0 {
        return Vec::new();
    }
    let dots = dots(pixels, coat, width, step_mm);
    if dots.len() < FEWEST || dots.len() > MOST {
        return Vec::new();
    }
    let bare = pixels.iter().filter(|p| **p == Pixel::Bare).count() as f64 * step_mm * step_mm;
    let near = Near::of(&dots);
    let groups = grouped(&dots, &near, bare);
    let mut clusters: Vec<Cluster> = groups
        .iter()
        .filter(|g| g.len() >= FEWEST)
        .map(|g| told(&g.iter().map(|i| dots[*i]).collect::<Vec<_>>()))
        .collect();
    clusters.sort_by_key(|c| std::cmp::Reverse(c.count));
    clusters
}

/// Middles of the dots, mm: tops of the tone's mean over 3 × 3 pixels that stand out of the circle
/// round them, all of it bare.
fn dots(pixels: &[Pixel], coat: &[f32], width: usize, step_mm: f64) -> Vec<[f64; 2]> {
    let height = pixels.len() / width;
    let mean = mean_of_nine(pixels, coat, width);
    let offsets = |radius: f64| -> Vec<isize> {
        let to_offset = |(dx, dy): (isize, isize)| dy * width as isize + dx;
        ring(radius.max(2.0)).into_iter().map(to_offset).collect()
    };
    let circle = offsets(CLEAR_MM / step_mm);
    let edge = (CLEAR_MM / step_mm).ceil().max(2.0) as usize + 1;
    let near: Vec<isize> = [-1isize, 0, 1]
        .iter()
        .flat_map(|dy| [-1isize, 0, 1].map(|dx| dy * width as isize + dx))
        .filter(|o| *o != 0)
        .collect();
    let rows: Vec<usize> = (edge..height.saturating_sub(edge)).collect();
    let candidates: Vec<(usize, f32)> = rows
        .par_iter()
        .flat_map_iter(|y| {
            let (mean, circle, near) = (&mean, &circle, &near);
            (edge..width.saturating_sub(edge)).filter_map(move |x| {
                let k = y * width + x;
                let own = mean[k];
                let other = |o: &isize| mean[k.wrapping_add_signed(*o)];
                let top = own > LEAST_TOP
                    && near.iter().all(|o| {
                        if *o < 0 {
                            other(o) < own
                        } else {
                            other(o) <= own
                        }
                    });
                if !top {
                    return None;
                }
                let round: Vec<f32> = circle.iter().map(other).collect();
                let around = lower_median(&round)?;
                let excess = own - around;
                // A scratch leaves on opposite sides; a blot is all round. A neighbour in a nest is
                // on one side.
                let high = |i: usize| round[i % round.len()] > around + 0.5 * excess;
                let half = round.len() / 2;
                let scratch = (0..half).any(|i| high(i) && (high(i + half) || high(i + half + 1)));
                let blot = (0..round.len()).filter(|i| high(*i)).count() * 5 > 2 * round.len();
                (!scratch && !blot).then_some((k, excess))
            })
        })
        .collect();
    let noise = spread(&mean);
    candidates
        .into_iter()
        .filter(|(_, excess)| *excess > LEAST_TOP.max(TIMES_NOISE * noise))
        .map(|(k, _)| {
            [
                ((k % width) as f64 + 0.5) * step_mm,
                ((k / width) as f64 + 0.5) * step_mm,
            ]
        })
        .collect()
}

/// Middle value; `None` when any is not bare.
fn lower_median(values: &[f32]) -> Option<f32> {
    if values.iter().any(|v| v.is_nan()) {
        return None;
    }
    let mut sorted = values.to_vec();
    sorted.sort_by(f32::total_cmp);
    sorted.get(sorted.len() / 2).copied()
}

/// Mean tone over 3 × 3 pixels; NaN where one of them is not bare.
fn mean_of_nine(pixels: &[Pixel], coat: &[f32], width: usize) -> Vec<f32> {
    let height = pixels.len() / width;
    let bare: Vec<f32> = pixels
        .iter()
        .zip(coat)
        .map(|(p, v)| if *p == Pixel::Bare { *v } else { f32::NAN })
        .collect();
    (0..pixels.len())
        .into_par_iter()
        .map(|k| {
            let (x, y) = (k % width, k / width);
            if x == 0 || y == 0 || x + 1 >= width || y + 1 >= height {
                return f32::NAN;
            }
            let row = |k: usize| bare[k - 1] + bare[k] + bare[k + 1];
            (row(k - width) + row(k) + row(k + width)) / 9.0
        })
        .collect()
}

/// Standard deviation of what is plain: the median of differences between places six pixels apart,
/// every seventeenth.
fn spread(mean: &[f32]) -> f32 {
    let mut steps: Vec<f32> = (0..mean.len().saturating_sub(6))
        .step_by(17)
        .map(|k| (mean[k + 6] - mean[k]).abs())
        .filter(|v| !v.is_nan())
        .collect();
    steps.sort_by(f32::total_cmp);
    // The median of |a − b| of two normal values is 0.6745·√2 standard deviations.
    steps.get(steps.len() / 2).copied().unwrap_or(0.0) / (0.6745 * std::f32::consts::SQRT_2)
}

fn ring(radius: f64) -> Vec<(isize, isize)> {
    let count = (2.0 * std::f64::consts::PI * radius).ceil().max(8.0);
    let mut places: Vec<(isize, isize)> = (0..count as usize)
        .map(|i| {
            let a = i as f64 / count * std::f64::consts::TAU;
            (
                (radius * a.cos()).round() as isize,
                (radius * a.sin()).round() as isize,
            )
        })
        .collect();
    places.dedup();
    places
}

/// Dots by squares of 60 mm.
struct Near {
    squares: HashMap<(i64, i64), Vec<usize>>,
}

impl Near {
    fn square(p: [f64; 2]) -> (i64, i64) {
        (
            (p[0] / STRIP_MM[0]).floor() as i64,
            (p[1] / STRIP_MM[0]).floor() as i64,
        )
    }

    fn of(dots: &[[f64; 2]]) -> Self {
        let mut squares: HashMap<(i64, i64), Vec<usize>> = HashMap::new();
        for (i, p) in dots.iter().enumerate() {
            squares.entry(Self::square(*p)).or_default().push(i);
        }
        Near { squares }
    }

    /// Dots in the square of a place and in those around it.
    fn candidates(&self, p: [f64; 2]) -> impl Iterator<Item = usize> + '_ {
        let (sx, sy) = Self::square(p);
        (-1..=1)
            .flat_map(move |dy| (-1..=1).map(move |dx| (sx + dx, sy + dy)))
            .filter_map(|key| self.squares.get(&key))
            .flatten()
            .copied()
    }
}

/// Chance of at least `k` where `mean` are expected (Poisson).
fn chance_of_at_least(k: usize, mean: f64) -> f64 {
    let mut term = (-mean).exp();
    for i in 1..=k {
        term *= mean / i as f64;
    }
    let mut sum = 0.0;
    for i in k..k + 200 {
        sum += term;
        term *= mean / (i + 1) as f64;
    }
    sum
}

fn grouped(dots: &[[f64; 2]], near: &Near, bare_mm2: f64) -> Vec<Vec<usize>> {
    let mut parent: Vec<usize> = (0..dots.len()).collect();
    let density = strewn_density(dots, near, bare_mm2);
    let disc = density * std::f64::consts::PI * DISC_MM * DISC_MM;
    let strip = density * 4.0 * STRIP_MM[0] * STRIP_MM[1];
    let rare = |count: usize, mean: f64, tries: f64| {
        count >= FEWEST
            && chance_of_at_least(count - 1, mean) < CHANCE / (dots.len() as f64 * tries)
    };
    for (i, p) in dots.iter().enumerate() {
        let offsets: Vec<(usize, f64, f64)> = near
            .candidates(*p)
            .map(|j| (j, dots[j][0] - p[0], dots[j][1] - p[1]))
            .collect();
        let within: Vec<usize> = offsets
            .iter()
            .filter(|(_, dx, dy)| dx.hypot(*dy) <= DISC_MM)
            .map(|o| o.0)
            .collect();
        if rare(within.len(), disc, 1.0) {
            within.iter().for_each(|j| join(&mut parent, i, *j));
        }
        for d in 0..DIRECTIONS {
            let (sin, cos) = (d as f64 * std::f64::consts::PI / DIRECTIONS as f64).sin_cos();
            let row: Vec<usize> = offsets
                .iter()
                .filter(|(_, dx, dy)| {
                    (dx * cos + dy * sin).abs() <= STRIP_MM[0]
                        && (dy * cos - dx * sin).abs() <= STRIP_MM[1]
                })
                .map(|o| o.0)
                .collect();
            if rare(row.len(), strip, DIRECTIONS as f64) {
                row.iter().for_each(|j| join(&mut parent, i, *j));
            }
        }
    }
    let mut groups: HashMap<usize, Vec<usize>> = HashMap::new();
    for i in 0..dots.len() {
        groups.entry(root(&mut parent, i)).or_default().push(i);
    }
    let mut groups: Vec<Vec<usize>> = groups.into_values().collect();
    groups.sort_unstable();
    groups
}

/// Dots a mm² where they are merely strewn: by the median number of neighbours, so that clusters do
/// not raise it, and by no less than a fifth of the mean.
fn strewn_density(dots: &[[f64; 2]], near: &Near, bare_mm2: f64) -> f64 {
    let mean = dots.len() as f64 / bare_mm2.max(1.0);
    let mut counts: Vec<usize> = dots
        .iter()
        .map(|p| {
            let close = |j: &usize| (dots[*j][0] - p[0]).hypot(dots[*j][1] - p[1]) <= STRIP_MM[0];
            near.candidates(*p).filter(close).count() - 1
        })
        .collect();
    counts.sort_unstable();
    let median =
        counts[counts.len() / 2] as f64 / (std::f64::consts::PI * STRIP_MM[0] * STRIP_MM[0]);
    median.min(mean).max(0.2 * mean)
}

fn root(parent: &mut [usize], mut i: usize) -> usize {
    while parent[i] != i {
        parent[i] = parent[parent[i]];
        i = parent[i];
    }
    i
}

fn join(parent: &mut [usize], i: usize, j: usize) {
    let (a, b) = (root(parent, i), root(parent, j));
    if a != b {
        parent[a.max(b)] = a.min(b);
    }
}

fn told(dots: &[[f64; 2]]) -> Cluster {
    let n = dots.len() as f64;
    let mean = [0, 1].map(|k| dots.iter().map(|p| p[k]).sum::<f64>() / n);
    let (mut xx, mut xy, mut yy) = (0.0, 0.0, 0.0);
    let mut extent = [
        f64::INFINITY,
        f64::INFINITY,
        f64::NEG_INFINITY,
        f64::NEG_INFINITY,
    ];
    for p in dots {
        let (dx, dy) = (p[0] - mean[0], p[1] - mean[1]);
        xx += dx * dx;
        xy += dx * dy;
        yy += dy * dy;
        extent = [
            extent[0].min(p[0]),
            extent[1].min(p[1]),
            extent[2].max(p[0]),
            extent[3].max(p[1]),
        ];
    }
    let (sin, cos) = (0.5 * (2.0 * xy).atan2(xx - yy)).sin_cos();
    let span = |a: f64, b: f64| {
        let (low, high) = dots
            .iter()
            .fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), p| {
                let s = p[0] * a + p[1] * b;
                (l.min(s), h.max(s))
            });
        high - low
    };
    let size_mm = [span(cos, sin), span(-sin, cos)];
    Cluster {
        shape: if size_mm[1] <= 0.25 * size_mm[0] {
            Shape::Line
        } else {
            Shape::Nest
        },
        count: dots.len(),
        place_mm: mean,
        size_mm,
        extent_mm: extent,
    }
}
