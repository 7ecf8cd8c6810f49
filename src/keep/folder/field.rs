//! The nodes of a survey as a table, every number with all its digits.

use crate::keep::result::{Field, plain};
use std::fmt::Write;

const HEADER: &str = "x_mm,y_mm,deviation_mm,fairness_mm,sd_mm,height_mm";

/// The table; blank where a node is off the panel.
pub(super) fn text(field: &Field) -> String {
    let mut text = String::from(HEADER);
    text.push('\n');
    let lists = [&field.deviation, &field.fairness, &field.sd, &field.height];
    for node in 0..field.nx * field.ny {
        let (ix, iy) = (node % field.nx, node / field.nx);
        let [x, y] = [ix, iy].map(|i| i as f64 * field.step_mm);
        let _ = write!(text, "{x},{y}");
        for list in lists {
            match list.get(node).filter(|v| !v.is_nan()) {
                Some(value) => {
                    let _ = write!(text, ",{value}");
                }
                None => text.push(','),
            }
        }
        text.push('\n');
    }
    text
}

/// The nodes from their table.
///
/// # Errors
/// Line and sentence of the first thing that is wrong.
pub(super) fn read(
    text: &str,
    step_mm: f64,
    [nx, ny]: [usize; 2],
) -> Result<Field, (usize, String)> {
    let mut field = Field {
        step_mm,
        nx,
        ny,
        deviation: Vec::new(),
        fairness: Vec::new(),
        sd: Vec::new(),
        height: Vec::new(),
    };
    let mut lines = text.lines();
    if lines.next() != Some(HEADER) {
        return Err((1, format!("expected the header {HEADER}")));
    }
    let mut nodes = 0;
    for (k, line) in lines.enumerate() {
        let place = [k % nx.max(1), k / nx.max(1)].map(|i| i as f64 * step_mm);
        row(line, place, &mut field).map_err(|what| (k + 2, what))?;
        nodes = k + 1;
    }
    if Some(nodes) != nx.checked_mul(ny) {
        return Err((0, format!("has {nodes} nodes; expected {nx} by {ny}")));
    }
    Ok(field)
}

fn row(line: &str, [x, y]: [f64; 2], field: &mut Field) -> Result<(), String> {
    let cells: Vec<&str> = line.split(',').collect();
    let [at_x, at_y, values @ ..] = cells.as_slice() else {
        return Err("expected 6 cells".into());
    };
    let there =
        |cell: &str, place: f64| cell.parse::<f64>().is_ok_and(|v| (v - place).abs() < 1e-6);
    if values.len() != 4 || !there(at_x, x) || !there(at_y, y) {
        return Err(format!("expected 6 cells, of the node at x {x} y {y}"));
    }
    let lists = [
        &mut field.deviation,
        &mut field.fairness,
        &mut field.sd,
        &mut field.height,
    ];
    for (cell, list) in values.iter().zip(lists) {
        list.push(number(cell)?);
    }
    Ok(())
}

fn number(cell: &str) -> Result<f32, String> {
    if cell.is_empty() {
        return Ok(f32::NAN);
    }
    let value = cell.parse::<f32>();
    value
        .map(plain)
        .map_err(|_| format!("{} is no number", crate::text::quoted(cell)))
}
