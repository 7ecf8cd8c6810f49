//! What a place looks like from near: its mean colour, and how grainy it is.
//!
//! Coat that is left is no paint: it is powder in scratches, or dots of mist, with bare filler
//! between. So a place is told by the mean of its linear light (the mean first, whatever is decided
//! later), and by its grain: the spread of the square root of light at 1 and 2 mm about a mean of
//! 12 mm. The root has noise that is about even from black to white. Medians over blocks make
//! scratches, pencil lines and the edge between two fillers no grain.

use super::blocks::Blocks;
use super::rectified::Raster;
use rayon::prelude::*;

/// Sides of the means whose spread is grain, mm: fine, middling, and for coarse dots.
const SCALES_MM: [f64; 3] = [1.0, 2.0, 4.0];
/// Side of the mean about which they spread, mm.
const ABOUT_MM: f64 = 12.0;
/// Blocks either way over which colours are averaged and the median of grain is taken: 25 mm.
pub const REACH: usize = 2;

/// Colour and grain of each block.
#[derive(Clone, Debug)]
pub struct Grain {
    /// Logarithm of linear light averaged over some 25 mm; NaN where too little is seen.
    pub log: Vec<[f64; 3]>,
    /// Spread of the square root of light in that surrounding, at each scale.
    pub spread: Vec<[f64; 3]>,
    /// Skew of it at the finest scale: below 0 where few dark dots lie on light.
    pub skew: Vec<f64>,
}

/// Colour and grain of the blocks of a raster.
pub fn of(raster: &Raster, blocks: &Blocks) -> Grain {
    let width = raster.size[0];
    let root: Vec<f32> = raster
        .light
        .par_iter()
        .zip(&raster.seen)
        .map(|(l, s)| {
            if *s {
                ((l[0] + l[1] + l[2]) / 3.0).max(0.0).sqrt()
            } else {
                0.0
            }
        })
        .collect();
    let side = |mm: f64| ((mm / raster.step_mm - 1.0) / 2.0).round().max(0.0) as usize;
    let weight: Vec<f32> = raster
        .seen
        .par_iter()
        .map(|s| f32::from(u8::from(*s)))
        .collect();
    let about = mean(&root, &weight, width, side(ABOUT_MM));
    let mut each = Vec::new();
    for mm in SCALES_MM {
        let fine = match side(mm) {
            0 => root.clone(),
            radius => mean(&root, &weight, width, radius),
        };
        each.push(moments(raster, blocks, &fine, &about));
    }
    let spread = (0..blocks.count())
        .into_par_iter()
        .map(|k| std::array::from_fn(|s| surrounding_median(blocks, k, |n| each[s][n][0]).sqrt()))
        .collect();
    let skew = (0..blocks.count())
        .into_par_iter()
        .map(|k| {
            let (mut two, mut three) = (0.0, 0.0);
            for n in surrounding(blocks, k).filter(|n| !each[0][*n][0].is_nan()) {
                two += each[0][n][0];
                three += each[0][n][1];
            }
            let count = surrounding(blocks, k).count().max(1) as f64;
            let sd = (two / count).max(1e-9).sqrt();
            (three / count / sd.powi(3)).clamp(-3.0, 3.0)
        })
        .collect();
    Grain {
        log: wide_colour(blocks),
        spread,
        skew,
    }
}

/// Mean over squares of 2·`radius` + 1 pixels, of what has weight.
fn mean(values: &[f32], weight: &[f32], width: usize, radius: usize) -> Vec<f32> {
    let (top, bottom) = rayon::join(
        || box_sum(values, width, radius),
        || box_sum(weight, width, radius),
    );
    top.into_par_iter()
        .zip(bottom)
        .map(|(t, b)| if b > 0.0 { t / b } else { 0.0 })
        .collect()
}

/// Sums over squares, cut off at the edges.
fn box_sum(values: &[f32], width: usize, radius: usize) -> Vec<f32> {
    let width = width.max(1);
    let height = values.len() / width;
    let mut across = vec![0f32; values.len()];
    across
        .par_chunks_mut(width)
        .zip(values.par_chunks(width))
        .for_each(|(out, row)| {
            let mut sum: f32 = row.iter().take(radius).sum();
            for ix in 0..row.len() {
                sum += row.get(ix + radius).copied().unwrap_or(0.0);
                if ix > radius {
                    sum -= row[ix - radius - 1];
                }
                out[ix] = sum;
            }
        });
    let mut sums = vec![0f32; values.len()];
    const BAND: usize = 64;
    sums.par_chunks_mut(width * BAND)
        .enumerate()
        .for_each(|(band, out)| {
            let first = band * BAND;
            let mut total = vec![0f32; width];
            let row = |y: usize| &across[y * width..(y + 1) * width];
            for y in first.saturating_sub(radius)..(first + radius).min(height) {
                total.iter_mut().zip(row(y)).for_each(|(t, v)| *t += v);
            }
            for (i, out) in out.chunks_mut(width).enumerate() {
                let y = first + i;
                if y + radius < height {
                    total
                        .iter_mut()
                        .zip(row(y + radius))
                        .for_each(|(t, v)| *t += v);
                }
                if i > 0 && y > radius {
                    total
                        .iter_mut()
                        .zip(row(y - radius - 1))
                        .for_each(|(t, v)| *t -= v);
                }
                out.copy_from_slice(&total);
            }
        });
    sums
}

/// Second and third moment of one picture about another, block by block; NaN where a block is not
/// seen.
fn moments(raster: &Raster, blocks: &Blocks, fine: &[f32], about: &[f32]) -> Vec<[f64; 2]> {
    let width = raster.size[0];
    (0..blocks.count())
        .into_par_iter()
        .map(|k| {
            if !blocks.is_seen(k) {
                return [f64::NAN; 2];
            }
            let (bx, by) = (k % blocks.size[0], k / blocks.size[0]);
            let (mut two, mut three, mut count) = (0f32, 0f32, 0f32);
            let columns = bx * blocks.per..((bx + 1) * blocks.per).min(width);
            for iy in by * blocks.per..((by + 1) * blocks.per).min(raster.size[1]) {
                for at in iy * width + columns.start..iy * width + columns.end {
                    if raster.seen[at] {
                        let d = fine[at] - about[at];
                        two += d * d;
                        three += d * d * d;
                        count += 1.0;
                    }
                }
            }
            [two, three].map(|s| f64::from(s / count.max(1.0)))
        })
        .collect()
}

fn surrounding(blocks: &Blocks, k: usize) -> impl Iterator<Item = usize> + '_ {
    let [nx, ny] = blocks.size;
    let (x, y) = (k % nx, k / nx);
    (y.saturating_sub(REACH)..(y + REACH + 1).min(ny)).flat_map(move |j| {
        (x.saturating_sub(REACH)..(x + REACH + 1).min(nx)).map(move |i| j * nx + i)
    })
}

fn surrounding_median(blocks: &Blocks, k: usize, of: impl Fn(usize) -> f64) -> f64 {
    const MOST: usize = (2 * REACH + 1) * (2 * REACH + 1);
    if !blocks.is_seen(k) {
        return f64::NAN;
    }
    let (mut values, mut count) = ([0.0; MOST], 0);
    for v in surrounding(blocks, k).map(of).filter(|v| !v.is_nan()) {
        values[count] = v;
        count += 1;
    }
    if count == 0 {
        return f64::NAN;
    }
    let values = &mut values[..count];
    *values.select_nth_unstable_by(count / 2, f64::total_cmp).1
}

/// Logarithm of the light averaged over the surrounding of each block.
fn wide_colour(blocks: &Blocks) -> Vec<[f64; 3]> {
    let linear: Vec<[f64; 3]> = blocks.log.iter().map(|l| l.map(f64::exp)).collect();
    (0..blocks.count())
        .into_par_iter()
        .map(|k| {
            if !blocks.is_seen(k) {
                return [f64::NAN; 3];
            }
            let (mut sum, mut count) = ([0.0; 3], 0.0);
            for n in surrounding(blocks, k).filter(|n| blocks.is_seen(*n)) {
                (0..3).for_each(|c| sum[c] += linear[n][c]);
                count += 1.0;
            }
            sum.map(|s| (s / count).ln())
        })
        .collect()
}
