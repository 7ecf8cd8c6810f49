//! Shares of coat and substrate in cells, and the cells of several photos of one panel as one.

use super::CoatCells;
use crate::panel::Panel;
use crate::problem::Error;
use ndarray::{Array2, Zip};

/// Least share of a cell that must be seen to say what is on it.
pub const LEAST_SEEN: f64 = 0.2;
/// Weight of a photo that is not sure of a cell, against one that is.
const LEAST_WEIGHT: f64 = 1e-3;

/// What a pixel of the raster is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Pixel {
    /// Hidden, off the panel, or outside the photo.
    NotSeen,
    /// Filler that the block reached.
    Bare,
    /// Coat that it did not reach.
    Coat,
    /// Substrate showing through.
    Substrate,
}

/// Shares in cells of `per` × `per` pixels; `width` pixels to the row. All that is seen is as
/// certain as `sure` says, 0 to 1.
pub fn shares(
    panel: &Panel,
    pixels: &[Pixel],
    width: usize,
    per: usize,
    cell_mm: f64,
    sure: f64,
) -> CoatCells {
    let across = (panel.length_mm / cell_mm).ceil().max(1.0) as usize;
    let down = (panel.width_mm / cell_mm).ceil().max(1.0) as usize;
    let mut counts = Array2::from_elem((down, across), [0usize; 3]);
    for (iy, row) in pixels.chunks_exact(width.max(1)).enumerate() {
        for (cell, part) in row.chunks(per).enumerate() {
            let Some(c) = counts.get_mut((iy / per, cell)) else {
                continue;
            };
            for pixel in part {
                match pixel {
                    Pixel::NotSeen => {}
                    Pixel::Bare => c[0] += 1,
                    Pixel::Coat => c[1] += 1,
                    Pixel::Substrate => c[2] += 1,
                }
            }
        }
    }
    let all = (per * per) as f64;
    let seen = counts.mapv(|c| (c.iter().sum::<usize>() as f64 / all).min(1.0));
    let share = |kind: usize| {
        Zip::from(&counts).and(&seen).map_collect(|c, s| {
            if *s < LEAST_SEEN {
                f64::NAN
            } else {
                c[kind] as f64 / c.iter().sum::<usize>() as f64
            }
        })
    };
    CoatCells {
        cell_mm,
        coat: share(1),
        substrate: share(2).mapv(|v| if v.is_nan() { 0.0 } else { v }),
        sure: seen.mapv(|s| if s < LEAST_SEEN { 0.0 } else { sure }),
        seen,
    }
}

/// Several photos of one panel as one: shares are means weighted by what each photo sees of the
/// cell and how surely; the share seen is that of the photo that sees most of it, the certainty
/// that of the surest that weighs.
///
/// # Errors
/// [`Error::Calculation`] when there is none, or when the cells are not those of one panel.
pub fn merge(photos: &[CoatCells]) -> Result<CoatCells, Error> {
    let first = photos
        .first()
        .ok_or_else(|| Error::Calculation("no photo's cells to put together".into()))?;
    if photos
        .iter()
        .any(|p| p.coat.dim() != first.coat.dim() || p.cell_mm != first.cell_mm)
    {
        return Err(Error::Calculation(
            "cells of photos of different panels cannot be put together".into(),
        ));
    }
    let dim = first.coat.dim();
    // A photo that is not sure speaks only where no other does.
    let weight = |p: &CoatCells, at: (usize, usize)| {
        if p.coat[at].is_nan() {
            0.0
        } else {
            p.seen[at] * p.sure[at].max(LEAST_WEIGHT)
        }
    };
    let mean = |of: &dyn Fn(&CoatCells, (usize, usize)) -> f64, none: f64| {
        Array2::from_shape_fn(dim, |at| {
            let total: f64 = photos.iter().map(|p| weight(p, at)).sum();
            if total <= 0.0 {
                return none;
            }
            let seeing = photos.iter().filter(|p| weight(p, at) > 0.0);
            seeing.map(|p| weight(p, at) * of(p, at)).sum::<f64>() / total
        })
    };
    Ok(CoatCells {
        cell_mm: first.cell_mm,
        coat: mean(&|p, at| p.coat[at], f64::NAN),
        substrate: mean(&|p, at| p.substrate[at], 0.0),
        sure: Array2::from_shape_fn(dim, |at| {
            let seeing = photos.iter().filter(|p| weight(p, at) > 0.0);
            seeing.map(|p| p.sure[at]).fold(0.0, f64::max)
        }),
        seen: Array2::from_shape_fn(dim, |at| {
            photos.iter().map(|p| p.seen[at]).fold(0.0, f64::max)
        }),
    })
}
