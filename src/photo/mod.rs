//! Guide-coat photos into coat cells: what a photo after blocking tells of the panel.
//!
//! Coat stays where the block did not reach. In: a photo and its targets. Out: [`CoatCells`] in the
//! panel frame, by way of a [`placement::Placement`] (where the panel lies in the photo). A photo
//! gives the place of a low and its outline, never a depth.

pub mod areas;
pub mod blocks;
pub mod cells;
pub mod classes;
pub mod coat;
pub mod colours;
pub mod finder;
pub mod foot;
mod glare;
pub mod grain;
pub mod layout;
pub mod light;
pub mod marker;
pub mod mask;
pub mod naming;
pub mod otsu;
pub mod page;
pub mod picture;
pub mod pinholes;
pub mod pitch;
pub mod placement;
pub mod polarity;
pub mod rectified;
pub mod take;
pub mod targets;
pub mod things;
pub mod tones;

use ndarray::Array2;

/// What photos tell of the coat, cell by cell. Cell `[iy, ix]` covers x from ix·`cell_mm` to (ix +
/// 1)·`cell_mm`, y likewise; the cells begin at the datum corner and cover the panel's length ×
/// width.
#[derive(Clone, Debug)]
pub struct CoatCells {
    /// Side of a cell, mm.
    pub cell_mm: f64,
    /// Share of the cell's seen area that is covered with coat, 0 to 1; NaN where too little is
    /// seen to tell.
    pub coat: Array2<f64>,
    /// Share of the cell that is seen, 0 to 1: not glare, deep shadow, tape, targets, hands, or off
    /// the panel.
    pub seen: Array2<f64>,
    /// Share of the cell's seen area that shows substrate, 0 to 1.
    pub substrate: Array2<f64>,
    /// How certain the coat share is, 0 to 1: with this chance it is as read, and with the rest
    /// nothing is known of the cell. 0 where nothing is seen. Whoever reasons from a cell weighs it
    /// by this.
    pub sure: Array2<f64>,
}

impl CoatCells {
    /// Middle of a cell in the panel frame, mm.
    pub fn middle(&self, ix: usize, iy: usize) -> [f64; 2] {
        [
            (ix as f64 + 0.5) * self.cell_mm,
            (iy as f64 + 0.5) * self.cell_mm,
        ]
    }

    /// Whether most of the cell at this place is seen; false off the cells.
    pub fn is_seen(&self, x: f64, y: f64) -> bool {
        self.at(&self.seen, x, y).is_some_and(|share| share >= 0.5)
    }

    /// Mean share of coat, times how sure it is, of the cells seen in a square of this side about a
    /// place; 0 where none is seen.
    pub fn coat_around(&self, at: [f64; 2], side_mm: f64) -> f64 {
        let (ny, nx) = self.coat.dim();
        let span = |middle: f64, count: usize| {
            let index = |mm: f64| (mm / self.cell_mm).floor().clamp(0.0, count as f64) as usize;
            let first = index(middle - side_mm / 2.0).min(count.saturating_sub(1));
            first..index(middle + side_mm / 2.0).max(first + 1).min(count)
        };
        let (mut coated, mut seen) = (0.0, 0.0);
        for iy in span(at[1], ny) {
            for ix in span(at[0], nx) {
                let share = self.coat[[iy, ix]];
                if share.is_finite() {
                    coated += share * self.sure[[iy, ix]] * self.seen[[iy, ix]];
                    seen += self.seen[[iy, ix]];
                }
            }
        }
        if seen > 0.0 { coated / seen } else { 0.0 }
    }

    /// Value of the cell at this place; `None` off the cells.
    pub fn at(&self, values: &Array2<f64>, x: f64, y: f64) -> Option<f64> {
        if !(x >= 0.0 && y >= 0.0) {
            return None;
        }
        let [iy, ix] = [y, x].map(|v| (v / self.cell_mm) as usize);
        // The far edge belongs to the last cell.
        let (ny, nx) = values.dim();
        let inside = |i: usize, n: usize, v: f64| {
            if i == n && v <= n as f64 * self.cell_mm {
                n.saturating_sub(1)
            } else {
                i
            }
        };
        values.get([inside(iy, ny, y), inside(ix, nx, x)]).copied()
    }
}
