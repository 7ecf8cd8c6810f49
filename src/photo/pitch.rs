//! A pitch that repeats in the coat: ribs, planks or a core printing through.
//!
//! Lows strewn anywhere have strong waves too, but their phase changes from place to place. A
//! print-through keeps step over the whole panel. So the panel is cut into tiles; for each wave
//! (direction and length) the amplitudes A of J tiles are compared: R = |ΣA|² / (J·Σ|A|²) is 1 when
//! all keep step, and when they do not, P(R > r) ≈ (1 − r)^(J−1) (as for the periodogram's share of
//! J complex Gaussian amplitudes; R. A. Fisher, Proc. R. Soc. A 125, 1929; from memory). A wave is
//! told of when that is below 10⁻⁴ over all waves tried, and when it carries a fair share of what
//! varies.

use super::CoatCells;
use super::blocks::box_sum;
use rayon::prelude::*;
use serde::Serialize;
use std::f64::consts::TAU;

/// Side of a tile, mm, about.
const TILE_MM: f64 = 200.0;
/// Shortest pitch that is looked for, mm and cells.
const SHORTEST_MM: f64 = 25.0;
const SHORTEST_CELLS: f64 = 2.5;
/// Fewest repeats along the panel's shorter side.
const FEWEST_REPEATS: f64 = 4.0;
/// Longest pitch, mm: longer waves are taken off beforehand.
const LONGEST_MM: f64 = 300.0;
/// Waves that are independent of each other, about; for the chance of a false one.
const WAVES: f64 = 300.0;
const CHANCE: f64 = 1e-4;
/// Least share of the variance that the wave carries.
const LEAST_SHARE: f64 = 0.03;

/// A pitch that repeats.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Pitch {
    /// From one stripe to the next, mm.
    pub pitch_mm: f64,
    /// Direction in which it repeats (across the stripes), degrees from x towards y, −90 to 90.
    pub direction_deg: f64,
    /// Where, mm: x from, y from, x to, y to.
    pub extent_mm: [f64; 4],
    /// Share of what varies in the coat (at less than some 300 mm) that this wave carries, 0 to 1.
    pub strength: f64,
}

struct Field {
    size: [usize; 2],
    cell_mm: f64,
    values: Vec<f64>,
    variance: f64,
}

/// The strongest pitch that keeps step over the panel or half of it; `None` where there is none, or
/// too little is seen.
pub fn find(cells: &CoatCells) -> Option<Pitch> {
    let field = Field::of(cells)?;
    let shortest = SHORTEST_MM.max(SHORTEST_CELLS * field.cell_mm);
    let sides = field.size.map(|n| n as f64 * field.cell_mm);
    let longest = LONGEST_MM.min(sides[0].min(sides[1]) / FEWEST_REPEATS);
    if longest <= shortest {
        return None;
    }
    let tiles = sides.map(|s| (s / TILE_MM).round().max(1.0) as usize);
    let step = 0.6 / sides[0].max(sides[1]);
    let count = (1.0 / shortest / step).ceil() as isize;
    let up: Vec<Vec<Complex>> = (-count..=count)
        .map(|j| turns(j as f64 * step, field.size[1], field.cell_mm))
        .collect();
    (0..=count)
        .into_par_iter()
        .filter_map(|i| {
            best_of_column(
                &field,
                tiles,
                i as f64 * step,
                step,
                &up,
                [shortest, longest],
            )
        })
        .max_by(|a, b| a.strength.total_cmp(&b.strength))
}

impl Field {
    /// Coat with its slow part taken off (Gaussian of some 85 mm); cells not seen are 0.
    fn of(cells: &CoatCells) -> Option<Self> {
        let (ny, nx) = cells.coat.dim();
        let known: Vec<f64> = cells
            .coat
            .iter()
            .map(|c| f64::from(u8::from(!c.is_nan())))
            .collect();
        let own: Vec<f64> = cells
            .coat
            .iter()
            .map(|c| if c.is_nan() { 0.0 } else { *c })
            .collect();
        let radius = (80.0 / cells.cell_mm).round().max(1.0) as usize;
        let (mut slow, mut weight) = (own.clone(), known.clone());
        for _ in 0..3 {
            box_sum(&mut slow, nx, radius);
            box_sum(&mut weight, nx, radius);
        }
        let values: Vec<f64> = (0..own.len())
            .map(|k| {
                if known[k] > 0.0 {
                    own[k] - slow[k] / weight[k].max(1e-9)
                } else {
                    0.0
                }
            })
            .collect();
        let variance =
            values.iter().map(|v| v * v).sum::<f64>() / (known.iter().sum::<f64>().max(1.0));
        // Less than a few cells of coat: nothing to repeat.
        (nx >= 8 && ny >= 8 && variance > 1e-3).then_some(Field {
            size: [nx, ny],
            cell_mm: cells.cell_mm,
            values,
            variance,
        })
    }
}

type Complex = [f64; 2];

fn times(a: Complex, b: Complex) -> Complex {
    [a[0] * b[0] - a[1] * b[1], a[0] * b[1] + a[1] * b[0]]
}

fn square(a: Complex) -> f64 {
    a[0] * a[0] + a[1] * a[1]
}

fn turns(frequency: f64, count: usize, cell_mm: f64) -> Vec<Complex> {
    (0..count)
        .map(|i| {
            let (sin, cos) = (-TAU * frequency * (i as f64 + 0.5) * cell_mm).sin_cos();
            [cos, sin]
        })
        .collect()
}

/// The strongest wave of one frequency along x.
fn best_of_column(
    field: &Field,
    tiles: [usize; 2],
    fx: f64,
    step: f64,
    all_up: &[Vec<Complex>],
    lengths: [f64; 2],
) -> Option<Pitch> {
    let [nx, ny] = field.size;
    let count = all_up.len() as isize / 2;
    let along = turns(fx, nx, field.cell_mm);
    // Each row's amplitude, tile column by tile column.
    let mut rows = vec![[0.0; 2]; ny * tiles[0]];
    for (k, v) in field.values.iter().enumerate().filter(|(_, v)| **v != 0.0) {
        let (ix, iy) = (k % nx, k / nx);
        let sum = &mut rows[iy * tiles[0] + ix * tiles[0] / nx];
        sum[0] += v * along[ix][0];
        sum[1] += v * along[ix][1];
    }
    let from = if fx > 0.0 { -count } else { 1 };
    let mut best: Option<Pitch> = None;
    for j in from..=count {
        let fy = j as f64 * step;
        let f = fx.hypot(fy);
        if f < 1.0 / lengths[1] || f > 1.0 / lengths[0] {
            continue;
        }
        let up = &all_up[(j + count) as usize];
        let mut amplitudes = vec![[0.0; 2]; tiles[0] * tiles[1]];
        for (ty, sums) in amplitudes.chunks_exact_mut(tiles[0]).enumerate() {
            for iy in (ty * ny).div_ceil(tiles[1])..((ty + 1) * ny).div_ceil(tiles[1]) {
                let row = &rows[iy * tiles[0]..(iy + 1) * tiles[0]];
                for (sum, own) in sums.iter_mut().zip(row) {
                    let part = times(*own, up[iy]);
                    sum[0] += part[0];
                    sum[1] += part[1];
                }
            }
        }
        let wave = judged(field, tiles, &amplitudes, [fx, fy]);
        if wave
            .as_ref()
            .is_some_and(|w| best.as_ref().is_none_or(|b| w.strength > b.strength))
        {
            best = wave;
        }
    }
    best
}

/// The wave over the whole panel, or the half in which it keeps step.
fn judged(field: &Field, tiles: [usize; 2], amplitudes: &[Complex], f: [f64; 2]) -> Option<Pitch> {
    let [tx, ty] = tiles;
    let parts = [
        [0, 0, tx, ty],
        [0, 0, tx.div_ceil(2), ty],
        [tx / 2, 0, tx, ty],
        [0, 0, tx, ty.div_ceil(2)],
        [0, ty / 2, tx, ty],
    ];
    // A half is told of only where the whole does not keep step.
    parts.into_iter().find_map(|[x0, y0, x1, y1]| {
        let own: Vec<Complex> = (y0..y1)
            .flat_map(|y| (x0..x1).map(move |x| amplitudes[y * tx + x]))
            .collect();
        let tiles_in = own.len() as f64;
        let total: f64 = own.iter().map(|a| square(*a)).sum();
        let sum = own.iter().fold([0.0; 2], |s, a| [s[0] + a[0], s[1] + a[1]]);
        let keeps_step = square(sum) / (tiles_in * total).max(1e-12);
        let cells = field.size[0] as f64 * field.size[1] as f64 * tiles_in / (tx * ty) as f64;
        let strength = 2.0 * square(sum) / (cells * cells * field.variance);
        let chance = (1.0 - keeps_step).max(0.0).powf(tiles_in - 1.0) * WAVES;
        let side =
            |i: usize, n: usize, cells: usize| i as f64 / n as f64 * cells as f64 * field.cell_mm;
        (chance < CHANCE && strength >= LEAST_SHARE).then(|| {
            let angle = f[1].atan2(f[0]).to_degrees();
            Pitch {
                pitch_mm: 1.0 / f[0].hypot(f[1]),
                direction_deg: if angle > 90.0 { angle - 180.0 } else { angle },
                extent_mm: [
                    side(x0, tx, field.size[0]),
                    side(y0, ty, field.size[1]),
                    side(x1, tx, field.size[0]),
                    side(y1, ty, field.size[1]),
                ],
                strength: strength.min(1.0),
            }
        })
    })
}
