//! The squares of a target read against its own dark border and white margin.

use super::edges::grey_at;
use super::quad::{self, Point};
use crate::photo::marker::{self, BITS, CELLS, Recognised};
use image::GrayImage;

/// Least step between the dark border and the white margin, grey levels.
const LEAST_CONTRAST: f64 = 14.0;
/// Squares of the border that may look white (a scratch, a reflection), of 28.
const MOST_PALE_BORDER: usize = 2;
/// Places of the white margin that may look dark (a tape over it), of 32.
const MOST_DARK_MARGIN: usize = 8;
/// How far outside the border the margin is looked at, squares.
const MARGIN_AT: f64 = 0.55;

/// The number of the target with these corners (clockwise in the picture) and which of them is its
/// own top left one. `None` when the border is not dark, the margin not white, or the pattern not
/// known.
pub fn read(grey: &GrayImage, corners: &[Point; 4]) -> Option<(Recognised, usize)> {
    let h = quad::from_unit_square(corners)?;
    let at = |x: f64, y: f64| {
        let (x, y) = (x / CELLS as f64, y / CELLS as f64);
        let part = |r: [f64; 3]| r[0] * x + r[1] * y + r[2];
        let w = part(h[2]);
        grey_at(grey, [part(h[0]) / w, part(h[1]) / w])
    };
    let square = |column: usize, row: usize| {
        const INSIDE: [f64; 3] = [0.3, 0.5, 0.7];
        let sum: f64 = INSIDE
            .iter()
            .flat_map(|dy| INSIDE.map(|dx| at(column as f64 + dx, row as f64 + dy)))
            .sum();
        sum / 9.0
    };
    let margin: Vec<(Point, f64)> = margin_places().map(|p| (p, at(p[0], p[1]))).collect();
    let border: Vec<(Point, f64)> = border_squares()
        .map(|(c, r)| ([c as f64 + 0.5, r as f64 + 0.5], square(c, r)))
        .collect();
    let (white, dark) = (Shade::over(&margin), Shade::over(&border));
    let level = |p: Point| (white.at(p) + dark.at(p)) / 2.0;
    if white.middle - dark.middle < LEAST_CONTRAST {
        return None;
    }
    let pale = border.iter().filter(|(p, v)| *v > level(*p)).count();
    let dim = margin.iter().filter(|(p, v)| *v < level(*p)).count();
    if pale > MOST_PALE_BORDER || dim > MOST_DARK_MARGIN {
        return None;
    }
    let mut pattern = 0;
    for row in 1..=BITS {
        for column in 1..=BITS {
            let bit = square(column, row) > level([column as f64 + 0.5, row as f64 + 0.5]);
            pattern = pattern << 1 | u64::from(bit);
        }
    }
    let recognised = marker::recognise(pattern)?;
    Some((recognised, recognised.quarter_turns))
}

/// Places in the middle of the white margin, eight a side.
fn margin_places() -> impl Iterator<Item = Point> {
    let far = CELLS as f64 + MARGIN_AT;
    (0..CELLS)
        .map(|i| i as f64 + 0.5)
        .flat_map(move |i| [[i, -MARGIN_AT], [far, i], [i, far], [-MARGIN_AT, i]])
}

/// The squares of the border, (column, row).
fn border_squares() -> impl Iterator<Item = (usize, usize)> {
    let last = CELLS - 1;
    (0..last).flat_map(move |i| [(i, 0), (last, i), (last - i, last), (0, last - i)])
}

/// A grey level that changes evenly over the target: light is not the same everywhere.
struct Shade {
    middle: f64,
    along: [f64; 2],
}

impl Shade {
    /// Least squares over places that lie evenly round the middle of the target; values far from
    /// the rest count less.
    fn over(places: &[(Point, f64)]) -> Shade {
        let half = CELLS as f64 / 2.0;
        let mut values: Vec<f64> = places.iter().map(|(_, v)| *v).collect();
        values.sort_by(f64::total_cmp);
        let quantile = |share: f64| {
            values
                .get((share * (values.len() as f64 - 1.0)) as usize)
                .copied()
                .unwrap_or(0.0)
        };
        let (low, high) = (quantile(0.1), quantile(0.9));
        let (mut sum, mut moment, mut square) = (0.0, [0.0; 2], [0.0; 2]);
        for (p, v) in places {
            let v = v.clamp(low, high);
            sum += v;
            for k in 0..2 {
                moment[k] += (p[k] - half) * v;
                square[k] += (p[k] - half) * (p[k] - half);
            }
        }
        Shade {
            middle: sum / places.len().max(1) as f64,
            along: [0, 1].map(|k| moment[k] / f64::max(square[k], 1e-9)),
        }
    }

    fn at(&self, p: Point) -> f64 {
        let half = CELLS as f64 / 2.0;
        self.middle + self.along[0] * (p[0] - half) + self.along[1] * (p[1] - half)
    }
}
