//! Lows and highs: which connected nodes make one, and the volume to level.
//!
//! A low is a set of connected nodes lower than 0.05 mm that somewhere passes the node limit and
//! twice its own standard deviation; so noise on a fair panel is no filler. A high is the same
//! upside down.

use image::{GrayImage, Luma};
use imageproc::region_labelling::{Connectivity, connected_components};
use ndarray::Array2;

/// A part of a low counts as a low of its own when the way out of it rises by this share of its
/// depth, and by [`EDGE_MM`].
const OWN_SHARE: f64 = 0.3;

/// Where a region ends, mm: shallower than this is nobody's work (common practice, no source).
pub const EDGE_MM: f64 = 0.05;

/// Connected nodes deeper than [`EDGE_MM`] that somewhere pass `limit_mm` and twice their sd.
///
/// `depth` is positive into the low (or up the high), mm; NaN nodes belong to nothing. Returns
/// labels (0: none, 1…n in the order met, row by row) and n. Nodes that touch along a side are
/// connected.
pub fn label(
    depth: &Array2<f64>,
    sd: &dyn Fn(usize, usize) -> f64,
    limit_mm: f64,
) -> (Array2<u32>, usize) {
    let (ny, nx) = depth.dim();
    let mask = GrayImage::from_fn(nx as u32, ny as u32, |ix, iy| {
        Luma([u8::from(depth[[iy as usize, ix as usize]] > EDGE_MM)])
    });
    let pieces = connected_components(&mask, Connectivity::Four, Luma([0u8]));
    let most = pieces.pixels().map(|p| p.0[0]).max().unwrap_or(0) as usize;
    let mut passes = vec![false; most + 1];
    for (ix, iy, piece) in pieces.enumerate_pixels() {
        let (ix, iy) = (ix as usize, iy as usize);
        let d = depth[[iy, ix]];
        if d > limit_mm && d > 2.0 * sd(iy, ix) {
            passes[piece.0[0] as usize] = true;
        }
    }
    passes[0] = false;
    let mut number = vec![0u32; most + 1];
    let mut count = 0;
    for (piece, passed) in passes.iter().enumerate() {
        if *passed {
            count += 1;
            number[piece] = count;
        }
    }
    let labels = Array2::from_shape_fn((ny, nx), |(iy, ix)| {
        number[pieces.get_pixel(ix as u32, iy as u32).0[0] as usize]
    });
    (labels, count as usize)
}

/// Part labelled regions where shallow bridges join several lows.
///
/// Nodes are taken in order of depth, deepest first; each joins the basin of its deepest neighbour.
/// Where two basins meet they become one unless both go deeper than `limit_mm` and the shallower
/// one lies at least [`OWN_SHARE`] of its own depth, and [`EDGE_MM`], below the meeting place
/// (watershed with a least prominence, after Vincent and Soille, IEEE PAMI 13, 1991). The nodes
/// together stay the same. Returns new labels, 1…n.
pub fn part(labels: &Array2<u32>, depth: &Array2<f64>, limit_mm: f64) -> (Array2<u32>, usize) {
    let (ny, nx) = labels.dim();
    let mut order: Vec<usize> = (0..nx * ny)
        .filter(|k| labels[[k / nx, k % nx]] > 0)
        .collect();
    let at = |k: usize| depth[[k / nx, k % nx]];
    order.sort_by(|&a, &b| at(b).total_cmp(&at(a)).then(a.cmp(&b)));
    let mut basin_of: Vec<Option<usize>> = vec![None; nx * ny];
    let mut basins = Basins::default();
    for k in order {
        let (iy, ix) = (k / nx, k % nx);
        let near = [
            (ix > 0).then(|| k - 1),
            (ix + 1 < nx).then(|| k + 1),
            (iy > 0).then(|| k - nx),
            (iy + 1 < ny).then(|| k + nx),
        ];
        let met: Vec<(f64, usize)> = near
            .into_iter()
            .flatten()
            .filter_map(|n| Some((at(n), basins.root(basin_of[n]?))))
            .collect();
        // Whichever way the panel is turned: shallow basins join the deepest one met, and the node
        // goes downhill.
        let deepest = met
            .iter()
            .map(|m| m.1)
            .max_by(|&a, &b| basins.peaks[a].total_cmp(&basins.peaks[b]));
        if let Some(deepest) = deepest {
            for &(_, other) in &met {
                let (own, other) = (basins.root(deepest), basins.root(other));
                let rise = basins.peaks[other] - at(k);
                let apart = basins.peaks[other] > limit_mm
                    && rise >= EDGE_MM.max(OWN_SHARE * basins.peaks[other]);
                if own != other && !apart {
                    basins.join(own, other);
                }
            }
        }
        let downhill = met.iter().max_by(|a, b| a.0.total_cmp(&b.0)).map(|m| m.1);
        basin_of[k] = Some(downhill.unwrap_or_else(|| basins.new_one(at(k))));
    }
    let mut number = std::collections::BTreeMap::new();
    let parted = Array2::from_shape_fn((ny, nx), |(iy, ix)| {
        basin_of[iy * nx + ix].map_or(0, |b| {
            let next = number.len() as u32 + 1;
            *number.entry(basins.root(b)).or_insert(next)
        })
    });
    (parted, number.len())
}

/// Basins that are joined as they meet.
#[derive(Default)]
struct Basins {
    parents: Vec<usize>,
    peaks: Vec<f64>,
}

impl Basins {
    fn new_one(&mut self, peak: f64) -> usize {
        self.parents.push(self.parents.len());
        self.peaks.push(peak);
        self.parents.len() - 1
    }

    /// The basin that stands for all that were joined with this one.
    fn root(&self, mut basin: usize) -> usize {
        // Parents always point to smaller numbers, so this ends.
        while self.parents[basin] != basin {
            basin = self.parents[basin];
        }
        basin
    }

    fn join(&mut self, a: usize, b: usize) {
        let (first, second) = (a.min(b), a.max(b));
        self.parents[second] = first;
        self.peaks[first] = self.peaks[first].max(self.peaks[second]);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Two lows of the same depth, joined by a bridge of the given depth.
    fn two_lows(bridge: f64) -> Array2<f64> {
        Array2::from_shape_fn((5, 21), |(iy, ix)| {
            if iy != 2 {
                return 0.0;
            }
            match ix {
                3..=6 | 14..=17 => 0.5,
                7..=13 => bridge,
                _ => 0.0,
            }
        })
    }

    fn regions(depth: &Array2<f64>) -> (Array2<u32>, usize) {
        let (labels, _) = label(depth, &|_, _| 0.01, 0.15);
        part(&labels, depth, 0.15)
    }

    #[test]
    fn two_lows_joined_by_a_shallow_bridge_are_two() {
        let depth = two_lows(0.1);
        let (labels, count) = regions(&depth);
        assert_eq!(count, 2);
        assert_ne!(labels[[2, 4]], labels[[2, 15]]);
        // No node is lost: all that is deeper than the edge belongs to one of them.
        let nodes = labels.iter().filter(|l| **l > 0).count();
        assert_eq!(nodes, depth.iter().filter(|d| **d > EDGE_MM).count());
    }

    #[test]
    fn parting_is_the_same_in_a_mirror() {
        let depth = Array2::from_shape_fn((30, 40), |(iy, ix)| {
            let (x, y) = (ix as f64, iy as f64);
            let dip = |cx: f64, cy: f64, d: f64| {
                d * (-((x - cx).powi(2) + (y - cy).powi(2)) / 20.0).exp()
            };
            dip(8.2, 10.7, 0.9) + dip(19.1, 18.4, 0.6) + dip(30.6, 9.3, 0.7)
        });
        let mirror = Array2::from_shape_fn(depth.dim(), |(iy, ix)| depth[[iy, 39 - ix]]);
        let ((a, n), (b, m)) = (regions(&depth), regions(&mirror));
        assert_eq!((n, m), (3, 3));
        let size = |labels: &Array2<u32>, ix: usize, iy: usize| {
            labels.iter().filter(|l| **l == labels[[iy, ix]]).count()
        };
        for (ix, iy) in [(8, 11), (19, 18), (31, 9)] {
            assert_eq!(size(&a, ix, iy), size(&b, 39 - ix, iy), "{ix} {iy}");
        }
    }

    #[test]
    fn a_low_with_a_gentle_waist_stays_one() {
        assert_eq!(regions(&two_lows(0.45)).1, 1);
    }

    #[test]
    fn a_low_within_its_own_uncertainty_is_none() {
        let depth = two_lows(0.1);
        let (_, count) = label(&depth, &|_, _| 0.3, 0.15);
        assert_eq!(count, 0);
    }
}
