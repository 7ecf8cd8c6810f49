//! Coat at the foot of a high.
//!
//! A board that rests on a high reaches neither flank of it, so coat stays round its foot on fair
//! skin ("ring: a proud patch or its edge", trade practice). Where the top shows substrate, a small
//! patch of coat beside it therefore tells of no low, and what it says of depth is left out.

use super::CoatCells;
use image::{GrayImage, Luma};
use imageproc::distance_transform::euclidean_squared_distance_transform;
use imageproc::region_labelling::{Connectivity, connected_components};
use std::collections::HashSet;

/// A patch of coat no part of which is further than this from substrate may be a high's foot, mm.
/// A board of 300 mm on a high of 0.3 mm clears coat of 0.05 mm from 50 to 100 mm on, as stiff as
/// it is.
const FOOT_MM: f64 = 100.0;

/// The cells with every patch of coat that may be the foot of a high made unsure.
pub fn unsure_at_feet(cells: &CoatCells) -> CoatCells {
    let mut out = cells.clone();
    let mask = |of: &dyn Fn([usize; 2]) -> bool| {
        let (ny, nx) = cells.coat.dim();
        GrayImage::from_fn(nx as u32, ny as u32, |ix, iy| {
            Luma([u8::from(of([iy as usize, ix as usize])) * 255])
        })
    };
    let bare = mask(&|at| cells.substrate[at] >= 0.5 && cells.seen[at] > 0.0);
    if bare.pixels().all(|p| p.0[0] == 0) {
        return out;
    }
    // Squares of the distances to the nearest cell of substrate, in cells.
    let apart = euclidean_squared_distance_transform(&bare);
    let coat = mask(&|at| cells.coat[at] >= 0.5);
    let patches = connected_components(&coat, Connectivity::Eight, Luma([0]));
    let reach = (FOOT_MM / cells.cell_mm).powi(2);
    let beyond: HashSet<u32> = patches
        .pixels()
        .zip(apart.pixels())
        .filter(|(_, apart)| apart.0[0] > reach)
        .map(|(patch, _)| patch.0[0])
        .collect();
    for (ix, iy, patch) in patches.enumerate_pixels() {
        if patch.0[0] > 0 && !beyond.contains(&patch.0[0]) {
            out.sure[[iy as usize, ix as usize]] = 0.0;
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use ndarray::Array2;

    /// Cells of 10 mm: substrate on four of them, a patch of coat 30 mm beside it, and one 200 mm
    /// long that begins there.
    #[test]
    fn a_small_patch_beside_substrate_is_unsure_and_a_long_one_is_not() {
        let within = |rows: std::ops::Range<usize>, columns: std::ops::Range<usize>, value: f64| {
            Array2::from_shape_fn((40, 60), move |(iy, ix)| {
                let inside = rows.contains(&iy) && columns.contains(&ix);
                if inside { value } else { 0.0 }
            })
        };
        let beside = within(9..13, 14..17, 0.9);
        let long = within(15..18, 10..30, 0.9);
        let away = within(30..33, 50..53, 0.9);
        let cells = CoatCells {
            cell_mm: 10.0,
            coat: beside + long + away,
            seen: Array2::ones((40, 60)),
            substrate: within(10..12, 10..12, 1.0),
            sure: Array2::ones((40, 60)),
        };
        let out = unsure_at_feet(&cells);
        assert_eq!(out.sure[[10, 15]], 0.0);
        assert_eq!(out.sure[[16, 11]], 1.0);
        assert_eq!(out.sure[[31, 51]], 1.0);
        assert_eq!(out.sure[[10, 10]], 1.0);
        assert_eq!((out.coat, out.seen), (cells.coat, cells.seen));
    }
}
