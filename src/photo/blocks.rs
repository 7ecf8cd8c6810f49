//! Means of the raster over blocks of about 5 mm: the grain of the light and of the colours;
//! speckle and noise are averaged out.

use super::rectified::Raster;
use rayon::prelude::*;

/// Side of a block, mm, as near as whole pixels allow.
const BLOCK_MM: f64 = 5.0;
/// Added to linear light before the logarithm: below it a camera shows noise.
const FLOOR: f64 = 0.002;

/// Block means; block (bx, by) holds the pixels bx·`per` to (bx + 1)·`per`.
#[derive(Clone, Debug)]
pub struct Blocks {
    /// Raster pixels along a side.
    pub per: usize,
    /// Side, mm.
    pub mm: f64,
    /// Blocks along x and y.
    pub size: [usize; 2],
    /// Natural logarithm of the mean linear light in red, green, blue; NaN where less than 60 % of
    /// the block is seen.
    pub log: Vec<[f64; 3]>,
}

impl Blocks {
    /// Of a raster.
    pub fn of(raster: &Raster) -> Blocks {
        let per = ((BLOCK_MM / raster.step_mm).round() as usize).max(1);
        let size = [raster.size[0].div_ceil(per), raster.size[1].div_ceil(per)];
        let log = (0..size[0] * size[1])
            .into_par_iter()
            .map(|k| {
                let (bx, by) = (k % size[0], k / size[0]);
                let (mut sum, mut count) = ([0.0f64; 3], 0usize);
                for iy in by * per..((by + 1) * per).min(raster.size[1]) {
                    for ix in bx * per..((bx + 1) * per).min(raster.size[0]) {
                        let at = iy * raster.size[0] + ix;
                        if raster.seen[at] {
                            count += 1;
                            for (s, v) in sum.iter_mut().zip(raster.light[at]) {
                                *s += f64::from(v);
                            }
                        }
                    }
                }
                if 5 * count < 3 * per * per {
                    [f64::NAN; 3]
                } else {
                    sum.map(|s| (s / count as f64 + FLOOR).ln())
                }
            })
            .collect();
        Blocks {
            per,
            mm: per as f64 * raster.step_mm,
            size,
            log,
        }
    }

    /// Block of each raster pixel, found once: dividing anew in every pass costs more than the
    /// passes.
    pub fn of_pixels(&self, raster: &Raster) -> Vec<u32> {
        let mut map = vec![0u32; raster.light.len()];
        map.par_chunks_mut(raster.size[0])
            .enumerate()
            .for_each(|(iy, row)| {
                let first = iy / self.per * self.size[0];
                for (bx, part) in row.chunks_mut(self.per).enumerate() {
                    part.fill((first + bx) as u32);
                }
            });
        map
    }

    /// Number of blocks.
    pub fn count(&self) -> usize {
        self.log.len()
    }

    /// Whether a block is seen well enough to have a colour.
    pub fn is_seen(&self, k: usize) -> bool {
        !self.log[k][0].is_nan()
    }

    /// Blocks around one, with those across a corner; fewer at the edge of the raster.
    pub fn around(&self, k: usize) -> impl Iterator<Item = usize> + '_ {
        let [nx, ny] = self.size.map(|n| n as isize);
        let (bx, by) = ((k % self.size[0]) as isize, (k / self.size[0]) as isize);
        (-1..=1)
            .flat_map(move |dy| (-1..=1).map(move |dx| (dx, dy)))
            .filter(|d| *d != (0, 0))
            .map(move |(dx, dy)| (bx + dx, by + dy))
            .filter(move |(x, y)| *x >= 0 && *y >= 0 && *x < nx && *y < ny)
            .map(move |(x, y)| (y * nx + x) as usize)
    }
}

/// Mean over a square of 2·`radius` + 1 blocks or pixels a side, of all that lies within the
/// raster, as sums: three sweeps come near a Gaussian. Values are `width` to the row.
pub fn box_sum(values: &mut [f64], width: usize, radius: usize) {
    let height = values.len() / width.max(1);
    let run = |line: &[f64]| -> Vec<f64> {
        let n = line.len();
        let mut total = vec![0.0; n + 1];
        for (i, v) in line.iter().enumerate() {
            total[i + 1] = total[i] + v;
        }
        (0..n)
            .map(|i| total[(i + radius + 1).min(n)] - total[i.saturating_sub(radius)])
            .collect()
    };
    values
        .par_chunks_mut(width.max(1))
        .for_each(|row| row.copy_from_slice(&run(row)));
    let columns: Vec<Vec<f64>> = (0..width)
        .into_par_iter()
        .map(|x| {
            run(&(0..height)
                .map(|y| values[y * width + x])
                .collect::<Vec<_>>())
        })
        .collect();
    for (k, v) in values.iter_mut().enumerate() {
        *v = columns[k % width][k / width];
    }
}
