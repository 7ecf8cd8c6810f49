//! Coat at the foot of a high.
//!
//! A board that rests on a high reaches neither flank of it, so coat stays round its foot on fair
//! skin ("ring: a proud patch or its edge", trade practice). Where the top shows substrate, a small
//! patch of coat beside it therefore tells of no low, and what it says of depth is left out.

use super::CoatCells;
use std::collections::VecDeque;

/// A patch of coat no part of which is further than this from substrate may be a high's foot, mm.
/// A board of 300 mm on a high of 0.3 mm clears coat of 0.05 mm from 50 to 100 mm on, as stiff as
/// it is.
const FOOT_MM: f64 = 100.0;

/// The cells with every patch of coat that may be the foot of a high made unsure.
pub fn unsure_at_feet(cells: &CoatCells) -> CoatCells {
    let mut out = cells.clone();
    let bare: Vec<[usize; 2]> = cells
        .substrate
        .indexed_iter()
        .filter(|(at, share)| **share >= 0.5 && cells.seen[*at] > 0.0)
        .map(|((iy, ix), _)| [iy, ix])
        .collect();
    if bare.is_empty() {
        return out;
    }
    let far = |at: [usize; 2]| {
        let apart = |b: &[usize; 2]| {
            let d: [f64; 2] = std::array::from_fn(|i| at[i].abs_diff(b[i]) as f64);
            d[0].hypot(d[1]) * cells.cell_mm
        };
        bare.iter().all(|b| apart(b) > FOOT_MM)
    };
    for patch in patches(cells) {
        if !patch.iter().any(|at| far(*at)) {
            for at in patch {
                out.sure[at] = 0.0;
            }
        }
    }
    out
}

/// Connected cells that are mostly coat.
fn patches(cells: &CoatCells) -> Vec<Vec<[usize; 2]>> {
    let (ny, nx) = cells.coat.dim();
    let mut waiting = cells.coat.mapv(|share| share >= 0.5);
    let mut all = Vec::new();
    for start in (0..ny * nx).map(|k| [k / nx, k % nx]) {
        if !waiting[start] {
            continue;
        }
        waiting[start] = false;
        let (mut patch, mut next) = (Vec::new(), VecDeque::from([start]));
        while let Some([iy, ix]) = next.pop_front() {
            patch.push([iy, ix]);
            for jy in iy.saturating_sub(1)..(iy + 2).min(ny) {
                for jx in ix.saturating_sub(1)..(ix + 2).min(nx) {
                    if std::mem::take(&mut waiting[[jy, jx]]) {
                        next.push_back([jy, jx]);
                    }
                }
            }
        }
        all.push(patch);
    }
    all
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
