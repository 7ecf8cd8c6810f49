//! `targets.csv`: places on the panel and where they are seen in the photo, one target a row.
//!
//! ```text
//! x,y,px,py,name
//! 0,0,412,2816,lower left corner
//! ```
//!
//! Cells, separators and the decimal comma as in the table form of readings (`observe::table`).

use super::Seen;
use crate::observe::table::{Cell, Columns, cells, header_cells};
use crate::panel::{Panel, TARGET_SLACK_MM};
use crate::problem::{Fault, Warning};
use crate::text::{Faults, did_you_mean, lines, plain_mm, quoted};
use crate::units;
use std::collections::HashMap;

const COLUMNS: [&str; 5] = ["x", "y", "px", "py", "name"];
const REQUIRED: [&str; 4] = ["x", "y", "px", "py"];
/// Most targets of one file.
pub const MOST_TARGETS: usize = 200;
const MOST_LINE: usize = 10_000;
/// Two targets closer than this on the panel (mm), or in the photo (px), are one.
const SAME_PLACE: f64 = 1.0;

/// Reads the text of a targets file. `file` is its name as the user wrote it, `size` the columns
/// and rows of the upright photo.
///
/// Whole numbers of px name pixels, counted from 0 at the top left as picture viewers show them:
/// 412 means the middle of pixel 412, which is 412.5 inside the program; fractions count on from
/// there.
///
/// # Errors
/// Everything wrong in the file.
pub fn parse(
    text: &str,
    file: &str,
    panel: &Panel,
    size: [u32; 2],
) -> Result<(Vec<Seen>, Vec<Warning>), Vec<Fault>> {
    let mut reader = Reader {
        file,
        panel,
        size,
        faults: Faults::of(file),
        warnings: Vec::new(),
        rows: Vec::new(),
    };
    let mut written = lines(text)
        .map(|(n, l)| {
            (
                n,
                if n == 1 {
                    l.trim_start_matches('\u{feff}')
                } else {
                    l
                },
            )
        })
        .filter(|(_, l)| {
            let l = l.trim();
            !l.is_empty() && !l.starts_with('#')
        });
    match written.next() {
        None => reader.faults.add(
            0,
            0,
            "holds only remarks; expected a header x,y,px,py and four targets or more",
        ),
        Some((number, header)) => {
            if let Some(columns) = reader.header(number, header) {
                for (number, line) in written {
                    reader.row(number, line, &columns);
                }
                reader.check_all();
            }
        }
    }
    if reader.faults.is_empty() {
        Ok((
            reader.rows.into_iter().map(|r| r.seen).collect(),
            reader.warnings,
        ))
    } else {
        Err(reader.faults.into_list())
    }
}

struct Row {
    seen: Seen,
    line: usize,
    x_column: usize,
    px_column: usize,
}

struct Reader<'a> {
    file: &'a str,
    panel: &'a Panel,
    size: [u32; 2],
    faults: Faults,
    warnings: Vec<Warning>,
    rows: Vec<Row>,
}

impl Reader<'_> {
    fn header(&mut self, number: usize, line: &str) -> Option<Columns> {
        let known = |word: &str| COLUMNS.into_iter().find(|k| word.eq_ignore_ascii_case(k));
        let header = (line.len() <= MOST_LINE)
            .then(|| header_cells(line, |w| known(w).is_some()))
            .flatten();
        let Some((_, separator, cells)) = header else {
            self.faults.add(
                number,
                0,
                "the first line names no known column; expected the header x,y,px,py",
            );
            return None;
        };
        if cells.iter().any(|c| c.text.eq_ignore_ascii_case("reading")) {
            self.faults.add(
                number,
                0,
                "these are readings, not targets; a file of targets has the header x,y,px,py",
            );
            return None;
        }
        let mut at = HashMap::new();
        for (i, cell) in cells.iter().enumerate() {
            match known(&cell.text) {
                Some(name) => {
                    if at.insert(name, i).is_some() {
                        self.faults.add(
                            number,
                            cell.column,
                            format!("column {name} stands twice; keep one"),
                        );
                    }
                }
                None => self.unknown_column(number, cell),
            }
        }
        for name in REQUIRED.into_iter().filter(|n| !at.contains_key(n)) {
            self.faults.add(
                number,
                0,
                format!("no column {name}; the header needs x and y (place on the panel) and px and py (pixel in the photo)"),
            );
        }
        self.faults.is_empty().then_some(Columns {
            separator,
            count: cells.len(),
            at,
        })
    }

    fn unknown_column(&mut self, number: usize, cell: &Cell) {
        let near = did_you_mean(&cell.text, COLUMNS.into_iter().filter(|c| c.len() > 1));
        if near.is_empty() {
            self.warnings.push(Warning {
                place: format!("{}:{number}:{}", self.file, cell.column),
                text: format!("column {} is not used", quoted(&cell.text)),
                ..Warning::default()
            });
        } else {
            self.faults.add(
                number,
                cell.column,
                format!("column {} is not known{near}", quoted(&cell.text)),
            );
        }
    }

    fn row(&mut self, number: usize, line: &str, columns: &Columns) {
        if self.rows.len() >= MOST_TARGETS {
            self.faults.add(
                number,
                0,
                format!(
                    "more than {MOST_TARGETS} targets; a dozen is plenty, is it the right file?"
                ),
            );
            return;
        }
        let cells = if line.len() > MOST_LINE {
            None
        } else {
            cells(line, columns.separator)
        };
        let Some(cells) = cells else {
            self.faults.add(
                number,
                0,
                "a quote is not closed on this line, or it is longer than a target's can be",
            );
            return;
        };
        if let Some((column, message)) = columns.surplus(&cells) {
            self.faults.add(number, column, message);
            return;
        }
        let cell = |name: &str| columns.cell(&cells, line, name);
        let x = self.place(number, "x", cell("x"));
        let y = self.place(number, "y", cell("y"));
        let px = self.pixel(number, "px", cell("px"), self.size[0]);
        let py = self.pixel(number, "py", cell("py"), self.size[1]);
        let (Some(x), Some(y), Some(px), Some(py)) = (x, y, px, py) else {
            return;
        };
        let name = match cell("name").0 {
            "" => format!("the target on line {number}"),
            name => format!("target {}", quoted(name)),
        };
        let row = Row {
            seen: Seen {
                name,
                on_panel: [x, y],
                in_photo: [px, py],
            },
            line: number,
            x_column: cell("x").1,
            px_column: cell("px").1,
        };
        self.check(&row);
        self.rows.push(row);
    }

    fn place(&mut self, number: usize, axis: &str, (text, column): (&str, usize)) -> Option<f64> {
        let why = match units::length(&text.replace('\u{2212}', "-")) {
            Ok(mm) => return Some(mm),
            Err(_) if text.is_empty() => {
                format!("{axis} is blank; every target needs its place on the panel, in mm")
            }
            Err(_) => format!(
                "{axis} {} is not a number; expected a place in mm such as 450, or with a unit such as 12 in",
                quoted(text)
            ),
        };
        self.faults.add(number, column, why);
        None
    }

    fn pixel(
        &mut self,
        number: usize,
        axis: &str,
        (text, column): (&str, usize),
        most: u32,
    ) -> Option<f64> {
        let why = match units::number(&text.replace('\u{2212}', "-")) {
            Some(px) if px > -0.5 && px < f64::from(most) => return Some(px + 0.5),
            Some(_) => format!(
                "{axis} {} is outside the photo, which is {} x {} pixels as it is seen upright; pixels count from the top left",
                quoted(text),
                self.size[0],
                self.size[1]
            ),
            None if text.is_empty() => {
                format!("{axis} is blank; every target needs its pixel in the photo")
            }
            None => format!(
                "{axis} {} is not a number; expected pixels from the top left of the photo, such as 1203",
                quoted(text)
            ),
        };
        self.faults.add(number, column, why);
        None
    }

    /// On the panel, and neither its place nor its pixel those of a target above.
    fn check(&mut self, row: &Row) {
        let [x, y] = row.seen.on_panel;
        if !self.panel.carries_target(x, y) {
            let off = self.panel.outline.distance_to_edge(x, y);
            self.faults.add(
                row.line,
                row.x_column,
                format!(
                    "x {}, y {} is {off:.0} mm off the panel, more than {TARGET_SLACK_MM} mm; decimal mark or unit wrong?",
                    plain_mm(x),
                    plain_mm(y)
                ),
            );
        }
        let near = |a: [f64; 2], b: [f64; 2]| (a[0] - b[0]).hypot(a[1] - b[1]) < SAME_PLACE;
        let same = self
            .rows
            .iter()
            .find(|r| near(r.seen.on_panel, row.seen.on_panel));
        if let Some(other) = same {
            let message = format!(
                "x {}, y {} stands already on line {}; keep one",
                plain_mm(x),
                plain_mm(y),
                other.line
            );
            self.faults.add(row.line, row.x_column, message);
        }
        let same = self
            .rows
            .iter()
            .find(|r| near(r.seen.in_photo, row.seen.in_photo));
        if let Some(other) = same {
            let message = format!(
                "this pixel is that of the target on line {}; two targets are not seen at one pixel",
                other.line
            );
            self.faults.add(row.line, row.px_column, message);
        }
    }

    /// What all rows must do together.
    fn check_all(&mut self) {
        if self.rows.len() < 4 && self.faults.is_empty() {
            let targets = if self.rows.len() == 1 {
                "target"
            } else {
                "targets"
            };
            self.faults.add(
                0,
                0,
                format!("{} {targets}; four or more are needed, no three of them in line, best near the corners", self.rows.len()),
            );
        }
    }
}
