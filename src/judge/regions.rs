//! Lows and highs: which connected nodes make one, and the volume to level.
//!
//! A low is a set of connected nodes lower than 0.05 mm that somewhere passes the node limit and twice its own
//! standard deviation; so noise on a fair panel is no filler. A high is the same upside down.

use image::{GrayImage, Luma};
use imageproc::region_labelling::{Connectivity, connected_components};
use ndarray::Array2;

/// Where a region ends, mm: shallower than this is nobody's work (common practice, no source).
pub const EDGE_MM: f64 = 0.05;

/// Connected nodes deeper than [`EDGE_MM`] that somewhere pass `limit_mm` and twice their sd.
///
/// `depth` is positive into the low (or up the high), mm; NaN nodes belong to nothing. Returns labels (0: none,
/// 1…n in the order met, row by row) and n. Nodes that touch along a side are connected.
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
