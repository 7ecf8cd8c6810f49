//! surface.csv: every node of the grid, row by row.

use crate::judge::Nodes;
use std::fmt::Write;

/// `x_mm,y_mm,height_mm,reference_mm,deviation_mm,sd_mm,state`: y outer, x inner, both rising; five decimals
/// (places: as many as they need). Numbers that are not known, and everything outside the outline, are empty.
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

/// Places come from multiples of a step: rounding takes off what binary fractions add (0.30000000000000004).
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
