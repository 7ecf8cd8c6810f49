//! surface.csv: every node of the grid, row by row; coat.csv: what photos tell of the coat.

use crate::judge::Nodes;
use crate::photo::CoatCells;
use std::fmt::Write;

/// `x_mm,y_mm,height_mm,reference_mm,deviation_mm,sd_mm,state`: y outer, x inner, both rising; five
/// decimals (places: as many as they need). Numbers that are not known, and everything outside the
/// outline, are empty.
pub fn surface(nodes: &Nodes) -> String {
    let mut out = String::with_capacity(60 * nodes.state.len() + 64);
    out.push_str("x_mm,y_mm,height_mm,reference_mm,deviation_mm,sd_mm,state\n");
    for ((iy, ix), state) in nodes.state.indexed_iter() {
        let (x, y) = (nodes.grid.x(ix), nodes.grid.y(iy));
        // Writing to a String cannot fail.
        let _ = write!(out, "{},{},", round(x), round(y));
        for values in [&nodes.height, &nodes.reference, &nodes.deviation, &nodes.sd] {
            if let Some(value) = values
                .get([iy, ix])
                .filter(|v| v.is_finite() && !state.word().is_empty())
            {
                number(&mut out, *value);
            }
            out.push(',');
        }
        out.push_str(state.word());
        out.push('\n');
    }
    out
}

/// Cells of coat.csv along a side, in the photo stage's cells: 20 mm.
const PER_SIDE: usize = 2;

/// `x_mm,y_mm,coat,sure` for cells of 20 mm, y outer, x inner, both rising, places at the middles:
/// the share of the cell that is coat and how certain that is, 0 to 1; both empty where no photo
/// shows enough of the cell.
pub fn coat(cells: &CoatCells) -> String {
    let (ny, nx) = cells.coat.dim();
    let side = PER_SIDE as f64 * cells.cell_mm;
    let mut out = String::from("x_mm,y_mm,coat,sure\n");
    for iy in 0..ny.div_ceil(PER_SIDE) {
        for ix in 0..nx.div_ceil(PER_SIDE) {
            let (mut weight, mut coat, mut sure) = (0.0, 0.0, 0.0);
            for y in iy * PER_SIDE..((iy + 1) * PER_SIDE).min(ny) {
                for x in ix * PER_SIDE..((ix + 1) * PER_SIDE).min(nx) {
                    let (share, seen) = (cells.coat[[y, x]], cells.seen[[y, x]]);
                    if !share.is_nan() {
                        weight += seen;
                        coat += seen * share;
                        sure += seen * cells.sure[[y, x]];
                    }
                }
            }
            let place = |i: usize| round((i as f64 + 0.5) * side);
            // Writing to a String cannot fail.
            let _ = write!(out, "{},{},", place(ix), place(iy));
            // Half of one cell in four must be seen.
            if weight > 0.5 {
                let _ = write!(out, "{:.2},{:.2}", coat / weight, sure / weight);
            } else {
                out.push(',');
            }
            out.push('\n');
        }
    }
    out
}

/// Places come from multiples of a step: rounding takes off what binary fractions add
/// (0.30000000000000004).
fn round(mm: f64) -> f64 {
    (mm * 1e6).round() / 1e6
}

fn number(out: &mut String, value: f64) {
    let from = out.len();
    let _ = write!(out, "{value:.5}");
    if out.get(from..) == Some("-0.00000") {
        out.truncate(from);
        out.push_str("0.00000");
    }
}
