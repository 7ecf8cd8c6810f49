//! Coat cells into domes: what the outline of a coated patch lets one expect of the depth inside
//! it.
//!
//! A low is coated out to where it is as shallow as the block's reach. How deep it is inside, the
//! outline does not say, but it says where it is deepest and how the depth falls away from there.
//! With φ the solution of −Δφ = 1 inside the outline and φ = 0 on it, φ over its peak is 1 − ρ² for
//! any ellipse, ρ = 0 in the middle and 1 on the outline. A [`Dome`] is a power of that, spread
//! over the surface's splines; its height is an unknown of the fit, so that the readings say how
//! deep such patches are here.

use super::basis::Basis;
use super::smooth::smoothed;
use crate::photo::CoatCells;

/// Smoothing of the coat before its outline is taken, mm: specks and the grain of the cells.
const GRAIN_MM: f64 = 12.0;
/// Patches narrower than this across are specks, not lows, mm.
const SPECK_MM: f64 = 40.0;
/// Where the panel's edge cuts a patch, φ falls to nothing this far beyond it, mm.
const BEYOND_EDGE_MM: f64 = 130.0;
/// Two peaks of φ are one low when the way between them falls by less than this share of the lower
/// one.
const OWN_SHARE: f64 = 0.02;
/// Over what length one low's share of a patch passes into its neighbour's, mm.
const PASSING_MM: f64 = 30.0;
/// Most lows with a height of their own: the largest.
const MOST_LOWS: usize = 100;
/// Certainty below which a cell is taken as not seen.
pub const LEAST_SURE: f64 = 0.5;
/// Most cells the outline is worked out on.
const MOST_CELLS: usize = 60_000;
/// Powers of φ over its peak that all lows share: a bowl, and ever sharper middles.
pub const COMMON_POWERS: [f64; 3] = [1.0, 2.0, 4.0];
/// Power of a low's own dome: that of a Gaussian low 0.25-1.3 mm deep cut off at 0.03 mm, within
/// some 3 % of its depth.
const OWN_POWER: f64 = 2.3;
/// Standard deviation of the height that is common to all lows, and of one low's own on top of it,
/// mm.
const COMMON_SD_MM: f64 = 2.0;
const OWN_SD_MM: f64 = 0.5;

/// One dome: a column of the fit.
#[derive(Clone, Debug)]
pub struct Dome {
    /// Spline coefficients; negative, since lows are.
    pub coefficients: Vec<f64>,
    /// Standard deviation of its height, mm.
    pub sd_mm: f64,
}

/// Coat on a grid of cells that is no larger than need be. Indexed ix·ny + iy, as splines are.
#[derive(Clone, Debug)]
pub struct Picture {
    /// Cells along x and y.
    pub count: [usize; 2],
    /// Side of a cell, mm.
    pub cell_mm: f64,
    /// Share of coat; NaN where nothing is seen.
    pub share: Vec<f64>,
    /// Share of the cell that is seen, times how sure that is.
    pub seen: Vec<f64>,
}

impl Picture {
    /// The cells in blocks of `block` × `block`.
    pub fn new(cells: &CoatCells, block: usize) -> Self {
        let (ny, nx) = cells.coat.dim();
        let count = [nx.div_ceil(block), ny.div_ceil(block)];
        let mut share = vec![f64::NAN; count[0] * count[1]];
        let mut seen = vec![0.0; share.len()];
        for k in 0..share.len() {
            let (bx, by) = (k / count[1] * block, k % count[1] * block);
            let (mut coated, mut looked) = (0.0, 0.0);
            for iy in by..(by + block).min(ny) {
                for ix in bx..(bx + block).min(nx) {
                    let (c, s) = (
                        cells.coat[[iy, ix]],
                        cells.seen.get([iy, ix]).copied().unwrap_or(0.0),
                    );
                    // What the photo is not sure of is not seen.
                    let sure = cells.sure.get([iy, ix]).copied().unwrap_or(0.0);
                    if c.is_finite() && s > 0.0 && sure >= LEAST_SURE {
                        let weight = s.min(1.0) * sure.min(1.0);
                        coated += c.clamp(0.0, 1.0) * weight;
                        looked += weight;
                    }
                }
            }
            seen[k] = looked / (block * block) as f64;
            if looked > 0.0 {
                share[k] = coated / looked;
            }
        }
        Picture {
            count,
            cell_mm: cells.cell_mm * block as f64,
            share,
            seen,
        }
    }

    /// Middle of cell k, mm.
    pub fn middle(&self, k: usize) -> [f64; 2] {
        let at = |i: usize| (i as f64 + 0.5) * self.cell_mm;
        [at(k / self.count[1]), at(k % self.count[1])]
    }

    /// The neighbours of cell k along x and y; `None` beyond the panel.
    pub fn around(&self, k: usize) -> [Option<usize>; 4] {
        let [nx, ny] = self.count;
        let (ix, iy) = (k / ny, k % ny);
        [
            (ix > 0).then(|| k - ny),
            (ix + 1 < nx).then(|| k + ny),
            (iy > 0).then(|| k - 1),
            (iy + 1 < ny).then(|| k + 1),
        ]
    }

    /// Coat with what was not seen filled in from around, as a soap film would (Laplace's
    /// equation).
    fn filled(&self) -> Vec<f64> {
        let mut share = self.share.clone();
        let hidden: Vec<usize> = (0..share.len()).filter(|&k| share[k].is_nan()).collect();
        if hidden.len() == share.len() {
            return vec![0.0; share.len()];
        }
        // From the rim inward first, so that the film begins near its end.
        let mut left = hidden.clone();
        while !left.is_empty() {
            let known: Vec<(usize, f64)> = left
                .iter()
                .filter_map(|&k| Some((k, self.mean_around(k, &share)?)))
                .collect();
            if known.is_empty() {
                break;
            }
            for (k, v) in known {
                share[k] = v;
            }
            left.retain(|&k| share[k].is_nan());
        }
        for _ in 0..200 {
            for &k in &hidden {
                if let Some(mean) = self.mean_around(k, &share) {
                    share[k] = mean;
                }
            }
        }
        share
    }

    fn mean_around(&self, k: usize, share: &[f64]) -> Option<f64> {
        let near = self.around(k).into_iter().flatten().map(|n| share[n]);
        let (sum, n) = near
            .filter(|v| v.is_finite())
            .fold((0.0, 0.0), |(s, n), v| (s + v, n + 1.0));
        (n > 0.0).then(|| sum / n)
    }

    /// −Δφ = 1 within the mask, φ = 0 along its rim and [`BEYOND_EDGE_MM`] beyond the panel, mm².
    /// By conjugate gradients, which end well before their bound on patches of any size that a
    /// panel holds.
    fn stress(&self, mask: &[bool]) -> Vec<f64> {
        let h = self.cell_mm;
        let edge = h / (BEYOND_EDGE_MM + h / 2.0);
        let inside: Vec<usize> = (0..mask.len()).filter(|&k| mask[k]).collect();
        let diagonal: Vec<f64> = inside
            .iter()
            .map(|&k| {
                let face = |n: Option<usize>| match n {
                    None => edge,
                    Some(n) if mask[n] => 1.0,
                    // The rim is half a cell away.
                    Some(_) => 2.0,
                };
                self.around(k).into_iter().map(face).sum()
            })
            .collect();
        let mut phi = vec![0.0; mask.len()];
        let mut residual = vec![0.0; mask.len()];
        for &k in &inside {
            residual[k] = h * h;
        }
        let mut direction = residual.clone();
        let square = |v: &[f64]| inside.iter().map(|&k| v[k] * v[k]).sum::<f64>();
        let mut now = square(&residual);
        let enough = now * 1e-10;
        let mut image = vec![0.0; mask.len()];
        for _ in 0..800 {
            if now <= enough {
                break;
            }
            for (&k, d) in inside.iter().zip(&diagonal) {
                let near = self.around(k).into_iter().flatten().map(|n| direction[n]);
                image[k] = d * direction[k] - near.sum::<f64>();
            }
            let along: f64 = inside.iter().map(|&k| direction[k] * image[k]).sum();
            let step = now / along;
            for &k in &inside {
                phi[k] += step * direction[k];
                residual[k] -= step * image[k];
            }
            let next = square(&residual);
            for &k in &inside {
                direction[k] = residual[k] + next / now * direction[k];
            }
            now = next;
        }
        phi
    }

    /// The peak that each cell of φ > 0 belongs to, as a cell number; `None` outside.
    fn peaks(&self, phi: &[f64]) -> Vec<Option<usize>> {
        let mut order: Vec<usize> = (0..phi.len()).filter(|&k| phi[k] > 0.0).collect();
        order.sort_by(|&a, &b| phi[b].total_cmp(&phi[a]).then(a.cmp(&b)));
        let mut parent: Vec<Option<usize>> = vec![None; phi.len()];
        fn root(parent: &[Option<usize>], mut k: usize) -> usize {
            // A parent is always at least as high, and earlier in the order: this ends.
            while let Some(p) = parent[k].filter(|p| *p != k) {
                k = p;
            }
            k
        }
        for &k in &order {
            let mut met: Vec<usize> = self
                .around(k)
                .into_iter()
                .flatten()
                .filter(|&n| parent[n].is_some())
                .map(|n| root(&parent, n))
                .collect();
            met.sort_by(|&a, &b| phi[b].total_cmp(&phi[a]).then(a.cmp(&b)));
            met.dedup();
            let Some((&highest, others)) = met.split_first() else {
                parent[k] = Some(k);
                continue;
            };
            for &other in others {
                if phi[other] - phi[k] < OWN_SHARE * phi[other] {
                    parent[other] = Some(highest);
                }
            }
            let uphill = self
                .around(k)
                .into_iter()
                .flatten()
                .filter(|&n| parent[n].is_some())
                .max_by(|&a, &b| phi[a].total_cmp(&phi[b]));
            parent[k] = Some(uphill.map_or(highest, |n| root(&parent, n)));
        }
        (0..phi.len())
            .map(|k| parent[k].map(|_| root(&parent, k)))
            .collect()
    }
}

/// The domes of a photo's coat on these splines: those common to all lows first, then one for each
/// low.
pub fn domes(cells: &CoatCells, basis: &Basis) -> Vec<Dome> {
    let (ny, nx) = cells.coat.dim();
    let mut block = 1;
    while nx.div_ceil(block) * ny.div_ceil(block) > MOST_CELLS {
        block += 1;
    }
    let picture = Picture::new(cells, block);
    let spacing = [picture.cell_mm; 2];
    let coat = smoothed(picture.count, spacing, &picture.filled(), GRAIN_MM);
    let mask: Vec<bool> = coat.iter().map(|c| *c > 0.5).collect();
    let phi = picture.stress(&mask);
    let peaks = picture.peaks(&phi);
    let lows = lows(&phi, &peaks);
    if lows.is_empty() {
        return Vec::new();
    }
    // Each low's share of the cells, passing smoothly from one to the next.
    let mut shares: Vec<Vec<f64>> = lows
        .iter()
        .map(|&peak| {
            let own: Vec<f64> = peaks
                .iter()
                .map(|p| f64::from(u8::from(*p == Some(peak))))
                .collect();
            smoothed(picture.count, spacing, &own, PASSING_MM)
        })
        .collect();
    let mut rise = vec![0.0; phi.len()];
    for k in 0..phi.len() {
        let sum: f64 = shares.iter().map(|s| s[k]).sum();
        if phi[k] <= 0.0 || sum <= 0.0 || !peaks[k].is_some_and(|p| lows.contains(&p)) {
            shares.iter_mut().for_each(|s| s[k] = 0.0);
            continue;
        }
        let mut log = 0.0;
        for (share, &peak) in shares.iter_mut().zip(&lows) {
            share[k] /= sum;
            log += share[k] * phi[peak].ln();
        }
        rise[k] = (phi[k] / log.exp()).min(1.0);
    }
    let common = COMMON_POWERS.iter().map(|power| Dome {
        coefficients: picture.on_splines(basis, &|k| -rise[k].powf(*power)),
        sd_mm: COMMON_SD_MM,
    });
    let own = shares.iter().map(|share| Dome {
        coefficients: picture.on_splines(basis, &|k| -share[k] * rise[k].powf(OWN_POWER)),
        sd_mm: OWN_SD_MM,
    });
    common.chain(own).collect()
}

/// The peaks that are lows, not specks, the largest first.
fn lows(phi: &[f64], peaks: &[Option<usize>]) -> Vec<usize> {
    let mut lows: Vec<usize> = (0..phi.len())
        // A disc of radius R has φ = R²/4 in its middle.
        .filter(|&k| peaks[k] == Some(k) && 4.0 * phi[k] > (SPECK_MM / 2.0).powi(2))
        .collect();
    lows.sort_by(|&a, &b| phi[b].total_cmp(&phi[a]).then(a.cmp(&b)));
    lows.truncate(MOST_LOWS);
    lows
}

impl Picture {
    /// Spline coefficients of a function of the cells, read between their middles.
    fn on_splines(&self, basis: &Basis, value: &dyn Fn(usize) -> f64) -> Vec<f64> {
        let [nx, ny] = self.count;
        let grid: Vec<f64> = (0..nx * ny).map(value).collect();
        let between = |at: f64, n: usize| {
            let p = (at / self.cell_mm - 0.5).clamp(0.0, (n - 1) as f64);
            let i = (p.floor() as usize).min(n.saturating_sub(2));
            (i, (i + 1).min(n - 1), p - i as f64)
        };
        basis.carry(&|x, y| {
            let ((x0, x1, tx), (y0, y1, ty)) = (between(x, nx), between(y, ny));
            let row = |ix: usize| grid[ix * ny + y0] * (1.0 - ty) + grid[ix * ny + y1] * ty;
            row(x0) * (1.0 - tx) + row(x1) * tx
        })
    }
}
