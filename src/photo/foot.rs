//! Coat at the foot of a high.
//!
//! A board that rests on a high reaches neither flank of it, so coat stays round its foot on fair
//! skin ("ring: a proud patch or its edge", trade practice). Where the top shows substrate, a small
//! patch of coat beside it therefore tells of no low, and what it says of depth is left out.

use super::CoatCells;
use super::areas::{Area, Kind};
use crate::panel::Polygon;
use image::{GrayImage, Luma};
use imageproc::distance_transform::euclidean_squared_distance_transform;
use imageproc::region_labelling::{Connectivity, connected_components};
use ndarray::Array2;
use std::collections::HashSet;

/// A patch of coat no part of which is further than this from substrate may be a high's foot, mm.
/// A board of 300 mm on a high of 0.3 mm clears coat of 0.05 mm from 50 to 100 mm on, as stiff as
/// it is.
const FOOT_MM: f64 = 100.0;
/// Share of a cell from which it counts as coat, or as substrate.
const COATED: f64 = 0.5;

/// The cells with every patch of coat that may be the foot of a high made unsure.
pub fn unsure_at_feet(cells: &CoatCells) -> CoatCells {
    let mut out = cells.clone();
    if let Some(feet) = feet(cells) {
        out.sure.zip_mut_with(&feet, |sure, foot| {
            if *foot {
                *sure = 0.0;
            }
        });
    }
    out
}

/// The areas less those of coat that may be the foot of a high by the cells they lie on.
pub fn areas_but_feet(cells: &CoatCells, areas: Vec<Area>) -> Vec<Area> {
    let Some(feet) = feet(cells) else {
        return areas;
    };
    let at_foot = |area: &Area| {
        let outline = Polygon(area.outline_mm.clone());
        let mut coat = feet.indexed_iter().filter(|((iy, ix), _)| {
            let [x, y] = cells.middle(*ix, *iy);
            let [x0, y0, x1, y1] = area.extent_mm;
            let near = x0 <= x && x <= x1 && y0 <= y && y <= y1;
            near && cells.coat[[*iy, *ix]] >= COATED && outline.contains(x, y)
        });
        // An area that fills no cell is judged by none.
        coat.next()
            .is_some_and(|(_, foot)| *foot && coat.all(|(_, foot)| *foot))
    };
    areas
        .into_iter()
        .filter(|a| a.kind != Kind::Coat || !at_foot(a))
        .collect()
}

/// Which cells lie in a patch of coat that may be the foot of a high; nothing where no substrate
/// shows.
fn feet(cells: &CoatCells) -> Option<Array2<bool>> {
    let mask = |of: &dyn Fn([usize; 2]) -> bool| {
        let (ny, nx) = cells.coat.dim();
        GrayImage::from_fn(nx as u32, ny as u32, |ix, iy| {
            Luma([u8::from(of([iy as usize, ix as usize])) * 255])
        })
    };
    let bare = mask(&|at| cells.substrate[at] >= COATED && cells.seen[at] > 0.0);
    if bare.pixels().all(|p| p.0[0] == 0) {
        return None;
    }
    // Squares of the distances to the nearest cell of substrate, in cells.
    let apart = euclidean_squared_distance_transform(&bare);
    let coat = mask(&|at| cells.coat[at] >= COATED);
    let patches = connected_components(&coat, Connectivity::Eight, Luma([0]));
    let reach = (FOOT_MM / cells.cell_mm).powi(2);
    let beyond: HashSet<u32> = patches
        .pixels()
        .zip(apart.pixels())
        .filter(|(_, apart)| apart.0[0] > reach)
        .map(|(patch, _)| patch.0[0])
        .collect();
    Some(Array2::from_shape_fn(cells.coat.dim(), |(iy, ix)| {
        let patch = patches.get_pixel(ix as u32, iy as u32).0[0];
        patch > 0 && !beyond.contains(&patch)
    }))
}

#[cfg(test)]
mod tests {
    use super::*;

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
        let area = |x: [f64; 2], y: [f64; 2], kind: Kind| Area {
            kind,
            place_mm: [x[0], y[0]],
            extent_mm: [x[0], y[0], x[1], y[1]],
            outline_mm: vec![[x[0], y[0]], [x[1], y[0]], [x[1], y[1]], [x[0], y[1]]],
            area_cm2: (x[1] - x[0]) * (y[1] - y[0]) / 100.0,
            give_or_take_cm2: 0.0,
            cut_off: false,
            least_filler_cc: 0.0,
        };
        let areas = vec![
            area([140.0, 170.0], [90.0, 130.0], Kind::Coat),
            area([100.0, 300.0], [150.0, 180.0], Kind::Coat),
            area([100.0, 120.0], [100.0, 120.0], Kind::Substrate),
        ];
        let left: Vec<f64> = areas_but_feet(&cells, areas)
            .iter()
            .map(|a| a.extent_mm[2])
            .collect();
        assert_eq!(left, [300.0, 120.0]);
        let out = unsure_at_feet(&cells);
        assert_eq!(out.sure[[10, 15]], 0.0);
        assert_eq!(out.sure[[16, 11]], 1.0);
        assert_eq!(out.sure[[31, 51]], 1.0);
        assert_eq!(out.sure[[10, 10]], 1.0);
        assert_eq!((out.coat, out.seen), (cells.coat, cells.seen));
    }
}
