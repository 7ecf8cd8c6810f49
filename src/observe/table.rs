//! The table form of a readings file, for programs: a header naming the columns, then one reading a
//! row.
//!
//! ```text
//! placing,tool,x,y,reading
//! A1,straightedge,0,100,0.00
//! ,,50,100,0.10
//! ```
//!
//! Columns, separators and blanks are told in `docs/formats.md`. The `csv` crate takes a line apart
//! at a time, since its own positions skip comments and count bytes.

use super::names::Names;
use super::notes::two_tools;
use super::sound::{self, FARTHEST_MM, LINE_SLACK_MM, Line};
use super::{FileRead, MOST_LINE, MOST_READINGS, Placing, Reading, Tool};
use crate::panel::Panel;
use crate::problem::Warning;
use crate::text::{Faults, did_you_mean, lines, plain_mm, quoted};
use crate::units;
use std::collections::HashMap;

const REQUIRED: [&str; 5] = ["placing", "tool", "x", "y", "reading"];
const OPTIONAL: [&str; 4] = ["base", "toward", "sd", "note"];
/// Two readings of a placing closer than this are one spot read twice, mm.
pub const SAME_SPOT_MM: f64 = 0.1;

/// Rows taken apart at a time.
const BATCH: usize = 1000;

/// Reads the text of a table file. `file` is its name as the user wrote it; `earlier` are the
/// placings of the files read before it, whose names are taken.
pub fn parse(text: &str, file: &str, panel: &Panel, earlier: &[Placing]) -> FileRead {
    let mut reader = Reader {
        file,
        panel,
        names: Names::of(earlier),
        faults: Faults::of(file),
        read: FileRead::default(),
        groups: Vec::new(),
        by_label: HashMap::new(),
        by_name: HashMap::new(),
        above: None,
        tool_above: None,
    };
    let mut rows = lines(text).filter(|(_, l)| {
        let l = l.trim();
        !l.is_empty() && !l.starts_with('#')
    });
    match rows.next() {
        None => reader.faults.add(
            0,
            0,
            "holds only remarks; expected a header such as placing,tool,x,y,reading",
        ),
        Some((number, header)) => {
            if let Some(columns) = reader.header(number, header) {
                let count = reader.rows(rows, &columns);
                if count == 0 {
                    reader.faults.add(
                        number,
                        0,
                        "a header without rows; expected one reading a row below it",
                    );
                }
                reader.finish();
            }
        }
    }
    reader.read.faults = reader.faults.into_list();
    reader.read
}

/// A cell: its text, trimmed, and the column of its first character.
pub(crate) struct Cell {
    pub(crate) text: String,
    pub(crate) column: usize,
}

/// Cells of one line; `None` when a quote is not closed on it.
pub(crate) fn cells(line: &str, separator: char) -> Option<Vec<Cell>> {
    cells_of(&[line], separator).pop().flatten()
}

/// Cells of a header by the separator that gives the most known columns: how many they are, the
/// separator, and the cells; `None` when no column is known.
pub(crate) fn header_cells(
    line: &str,
    known: impl Fn(&str) -> bool,
) -> Option<(usize, char, Vec<Cell>)> {
    ['\t', ';', ',']
        .into_iter()
        .filter_map(|s| cells(line, s).map(|c| (s, c)))
        .map(|(s, c)| (c.iter().filter(|c| known(&c.text)).count(), s, c))
        .max_by_key(|(n, _, c)| (*n, c.len()))
        .filter(|best| best.0 > 0)
}

/// Cells of some lines. Lines with an open quote are kept from the `csv` reader, so that each of
/// the others is one record; many lines share a reader, since making one takes longer than reading
/// a hundred lines.
fn cells_of(lines: &[&str], separator: char) -> Vec<Option<Vec<Cell>>> {
    let starts: Vec<Option<Vec<usize>>> = lines.iter().map(|l| starts(l, separator)).collect();
    let sound: String = lines
        .iter()
        .zip(&starts)
        .filter(|(_, s)| s.is_some())
        .flat_map(|(l, _)| [*l, "\n"])
        .collect();
    let mut csv = csv::ReaderBuilder::new()
        .has_headers(false)
        .flexible(true)
        .delimiter(separator as u8)
        .terminator(csv::Terminator::Any(b'\n'))
        .from_reader(sound.as_bytes());
    let mut records = csv.records();
    starts
        .into_iter()
        .map(|starts| {
            let starts = starts?;
            let record = records.next().and_then(Result::ok)?;
            let cell = |(text, column): (&str, usize)| Cell {
                text: text.trim().to_string(),
                column,
            };
            Some(record.iter().zip(starts).map(cell).collect())
        })
        .collect()
}

/// Column in characters, from 1, of the first non-blank character of each cell.
fn starts(line: &str, separator: char) -> Option<Vec<usize>> {
    let mut starts = vec![1];
    let mut at_start = true;
    let mut inside = false;
    let mut lead = true;
    let mut just_closed = false;
    for (i, c) in line.chars().enumerate() {
        if inside {
            // A doubled quote closes and opens again: the same in the end.
            inside = c != '"';
            just_closed = !inside;
            continue;
        }
        if c == separator {
            starts.push(i + 2);
            (at_start, lead, just_closed) = (true, true, false);
            continue;
        }
        if lead && c.is_whitespace() {
            if let Some(last) = starts.last_mut() {
                *last = i + 2;
            }
        } else {
            lead = false;
        }
        inside = c == '"' && (at_start || just_closed);
        (at_start, just_closed) = (false, false);
    }
    (!inside).then_some(starts)
}

/// Where each known column stands in a row.
pub(crate) struct Columns {
    pub(crate) separator: char,
    pub(crate) count: usize,
    pub(crate) at: HashMap<&'static str, usize>,
}

impl Columns {
    /// What is wrong with a row of more cells than the header has: where, and the sentence.
    pub(crate) fn surplus(&self, cells: &[Cell]) -> Option<(usize, String)> {
        let first = cells.get(self.count)?;
        let comma = if self.separator == ',' {
            "; a decimal comma needs semicolons or tabs between the cells"
        } else {
            ""
        };
        Some((
            first.column,
            format!(
                "{} cells in this row, {} in the header{comma}",
                cells.len(),
                self.count
            ),
        ))
    }

    /// Text and column of a row's cell under a heading; blank, past the line's end, where the row
    /// is too short.
    pub(crate) fn cell<'c>(&self, cells: &'c [Cell], line: &str, name: &str) -> (&'c str, usize) {
        let found = self.at.get(name).and_then(|i| cells.get(*i));
        (
            found.map_or("", |c| c.text.as_str()),
            found.map_or(line.chars().count() + 1, |c| c.column),
        )
    }
}

/// Direction of a wave gauge's feet, unit vector.
type Direction = [f64; 2];

/// One row understood.
struct Row {
    reading: Reading,
    x_column: usize,
}

/// The rows of one placing.
struct Group {
    name: String,
    again: bool,
    turned: bool,
    tool: Tool,
    base_mm: Option<f64>,
    toward: Option<Direction>,
    rows: Vec<Row>,
    line: usize,
    broken: bool,
}

struct Reader<'a> {
    file: &'a str,
    panel: &'a Panel,
    names: Names<'a>,
    faults: Faults,
    read: FileRead,
    groups: Vec<Group>,
    /// Place in `groups` of each label ("A1 again"), and of the first of each name ("A1").
    by_label: HashMap<String, usize>,
    by_name: HashMap<String, usize>,
    above: Option<String>,
    tool_above: Option<Tool>,
}

impl Reader<'_> {
    fn header(&mut self, number: usize, line: &str) -> Option<Columns> {
        if line.len() > MOST_LINE {
            self.faults.add(number, 0, super::too_long());
            return None;
        }
        let known = |word: &str| {
            REQUIRED
                .into_iter()
                .chain(OPTIONAL)
                .find(|k| word.eq_ignore_ascii_case(k))
        };
        let Some((found, separator, cells)) = header_cells(line, |w| known(w).is_some()) else {
            self.faults.add(number, 0, no_header(line));
            return None;
        };
        let photo = cells.iter().any(|c| c.text == "px") && found < 4;
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
                None if photo => {}
                None => self.unknown_column(number, cell),
            }
        }
        for name in REQUIRED.into_iter().filter(|n| !at.contains_key(n)) {
            let advice = if photo {
                "these look like photo targets, not readings"
            } else {
                "the header needs placing, tool, x, y and reading, in any order"
            };
            self.faults
                .add(number, 0, format!("no column {name}; {advice}"));
        }
        self.faults.is_empty().then_some(Columns {
            separator,
            count: cells.len(),
            at,
        })
    }

    /// A near miss is a fault; any other column of the user's own is passed over, and said so.
    fn unknown_column(&mut self, number: usize, cell: &Cell) {
        let near = did_you_mean(&cell.text, REQUIRED.into_iter().chain(OPTIONAL));
        let unit_in_name = cell
            .text
            .split_once(['_', ' ', '('])
            .map(|(stem, _)| stem)
            .filter(|stem| REQUIRED.contains(stem) || OPTIONAL.contains(stem));
        if let Some(stem) = unit_in_name {
            self.faults.add(
                number,
                cell.column,
                format!(
                    "column {} is not known; call it {stem}: bare numbers are mm, another unit is written in each \
                     cell, such as 10 thou",
                    quoted(&cell.text)
                ),
            );
        } else if near.is_empty() {
            self.read.warnings.push(Warning {
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

    /// All rows, in batches; gives their number.
    fn rows<'t>(
        &mut self,
        mut rows: impl Iterator<Item = (usize, &'t str)>,
        columns: &Columns,
    ) -> usize {
        let mut count = 0;
        loop {
            let batch: Vec<(usize, &str)> = rows.by_ref().take(BATCH).collect();
            let Some((number, _)) = batch.first() else {
                return count;
            };
            count += batch.len();
            if count > MOST_READINGS {
                self.faults.add(*number, 0, super::too_many());
                return count;
            }
            let (batch, long): (Vec<_>, Vec<_>) =
                batch.into_iter().partition(|(_, l)| l.len() <= MOST_LINE);
            for (number, _) in long {
                self.faults.add(number, 0, super::too_long());
            }
            let lines: Vec<&str> = batch.iter().map(|(_, l)| *l).collect();
            let cells = cells_of(&lines, columns.separator);
            for ((number, line), cells) in batch.into_iter().zip(cells) {
                self.row(number, line, cells, columns);
            }
        }
    }

    fn row(&mut self, number: usize, line: &str, cells: Option<Vec<Cell>>, columns: &Columns) {
        let Some(cells) = cells else {
            self.faults.add(
                number,
                0,
                "a quote is not closed on this line; a note stands on one line",
            );
            return;
        };
        if let Some((column, message)) = columns.surplus(&cells) {
            self.faults.add(number, column, message);
            return;
        }
        let cell = |name: &str| columns.cell(&cells, line, name);
        let before = self.faults.count();
        let name = self.name(number, cell("placing"));
        let tool = self.tool(number, cell("tool"));
        let x = self.place(number, "x", cell("x"));
        let y = self.place(number, "y", cell("y"));
        let value = self.reading(number, cell("reading"));
        let base = self.length(number, "base", cell("base"), 5.0, 20_000.0);
        let toward = self.toward(number, cell("toward"));
        let sd = self.length(number, "sd", cell("sd"), 0.001, 10.0);
        let sound = self.faults.count() == before;
        let Some(name) = name else {
            return;
        };
        let group = self.group(number, &name, tool);
        let Some(group) = group.and_then(|g| self.groups.get_mut(g)) else {
            return;
        };
        group.broken |= !sound;
        let (Some(tool), Some(x), Some(y), Some(value)) = (tool, x, y, value) else {
            group.broken = true;
            return;
        };
        let clash = if group.tool != tool {
            Some((
                cell("tool").1,
                format!(
                    "{name} is placed with {} on line {}, here with {}; give this one another name",
                    group.tool.word(),
                    group.line,
                    tool.word()
                ),
            ))
        } else if let (Some(a), Some(b)) = (group.base_mm, base)
            && (a - b).abs() > 0.01
        {
            Some((
                cell("base").1,
                format!(
                    "{name} has base {} mm above, here {}; one placing has one base",
                    plain_mm(a),
                    plain_mm(b)
                ),
            ))
        } else if let (Some(a), Some(b)) = (group.toward, toward)
            && (a[0] - b[0]).hypot(a[1] - b[1]) > 1e-6
        {
            Some((
                cell("toward").1,
                format!("{name} has two directions in toward; one placing has one"),
            ))
        } else {
            None
        };
        if let Some((column, message)) = clash {
            group.broken = true;
            self.faults.add(number, column, message);
            return;
        }
        group.base_mm = group.base_mm.or(base);
        group.toward = group.toward.or(toward);
        let (written, column) = cell("reading");
        group.rows.push(Row {
            reading: Reading {
                x,
                y,
                value_mm: value,
                written: written.to_string(),
                sd_mm: sd,
                line: number,
                column,
            },
            x_column: cell("x").1,
        });
    }

    // Cells.

    fn name(&mut self, number: usize, (text, column): (&str, usize)) -> Option<String> {
        if !text.is_empty() {
            self.above = Some(text.to_string());
        } else if self.above.is_none() {
            self.faults.add(
                number,
                column,
                "no placing named yet; the first row needs one, such as A1",
            );
        }
        self.above.clone()
    }

    fn tool(&mut self, number: usize, (text, column): (&str, usize)) -> Option<Tool> {
        if text.is_empty() {
            if self.tool_above.is_none() {
                self.faults.add(
                    number,
                    column,
                    format!(
                        "no tool named yet; expected one of {}",
                        Tool::ALL.map(Tool::word).join(", ")
                    ),
                );
            }
            return self.tool_above;
        }
        let tool = Tool::from_word(text);
        if tool.is_none() {
            self.faults.add(
                number,
                column,
                format!(
                    "tool {} is not known; expected one of {}{}",
                    quoted(text),
                    Tool::ALL.map(Tool::word).join(", "),
                    did_you_mean(text, Tool::ALL.map(Tool::word))
                ),
            );
        }
        self.tool_above = tool.or(self.tool_above);
        tool
    }

    fn place(&mut self, number: usize, axis: &str, (text, column): (&str, usize)) -> Option<f64> {
        let why = match units::length(&text.replace('\u{2212}', "-")) {
            Ok(mm) if mm.abs() <= FARTHEST_MM => return Some(mm),
            Ok(_) => format!(
                "{axis} {} is no place on a panel; decimal mark or unit wrong?",
                quoted(text)
            ),
            Err(_) if text.is_empty() => {
                format!("{axis} is blank; every row needs its place, in mm")
            }
            Err(_) => format!(
                "{axis} {} is not a number; expected a place in mm such as 450, or with a unit such as 12 in",
                quoted(text)
            ),
        };
        self.faults.add(number, column, why);
        None
    }

    /// The reading in mm; the inner `None` is one not taken.
    fn reading(&mut self, number: usize, (text, column): (&str, usize)) -> Option<Option<f64>> {
        if matches!(text, "" | "?" | "_") {
            return Some(None);
        }
        let plain = text.replace('\u{2212}', "-");
        match units::length(&plain) {
            Ok(mm) if mm.is_finite() => Some(Some(mm)),
            _ => {
                self.faults.add(number, column, not_a_number(text, &plain));
                None
            }
        }
    }

    fn length(
        &mut self,
        number: usize,
        what: &str,
        (text, column): (&str, usize),
        least: f64,
        most: f64,
    ) -> Option<f64> {
        if text.is_empty() {
            return None;
        }
        let why = match units::length(text) {
            Ok(mm) if (least..=most).contains(&mm) => return Some(mm),
            Ok(_) => format!(
                "{what} {} cannot be meant; expected {least} to {most} mm",
                quoted(text)
            ),
            Err(why) => format!("{what}: {why}"),
        };
        self.faults.add(number, column, why);
        None
    }

    fn toward(&mut self, number: usize, (text, column): (&str, usize)) -> Option<Direction> {
        match text {
            "" => return None,
            "x" | "X" => return Some([1.0, 0.0]),
            "y" | "Y" => return Some([0.0, 1.0]),
            _ => {}
        }
        let degrees = text.trim_end_matches("deg").trim_end_matches('°').trim();
        let angle = units::number(&degrees.replace('\u{2212}', "-")).filter(|a| a.abs() <= 360.0);
        if angle.is_none() {
            self.faults.add(
                number,
                column,
                format!(
                    "toward {} is no direction; expected x, y, or degrees from x towards y such as 45",
                    quoted(text)
                ),
            );
        }
        angle.map(|a| [a.to_radians().cos(), a.to_radians().sin()])
    }

    // Placings.

    /// The group of a placing's rows, made when its first row is met; `None` when its name is
    /// taken.
    fn group(&mut self, number: usize, label: &str, tool: Option<Tool>) -> Option<usize> {
        let key = label.to_lowercase();
        if let Some(at) = self.by_label.get(&key) {
            return Some(*at);
        }
        let tool = tool?;
        let (name, again, turned) = parts_of(label);
        let mut group = Group {
            name: name.to_string(),
            again,
            turned,
            tool,
            base_mm: None,
            toward: None,
            rows: Vec::new(),
            line: number,
            broken: false,
        };
        let taken = self.names.labelled(label);
        let other_tool = self.names.first(name, &[]).filter(|p| p.tool != tool);
        if let Some(first) = other_tool {
            self.faults.add(number, 0, two_tools(first, tool));
            group.broken = true;
        } else if let Some(first) = taken {
            self.faults.add(
                number,
                0,
                format!(
                    "{label} stands already at {}:{}; give this one another name, or call it {name} again",
                    first.file, first.line
                ),
            );
            group.broken = true;
        }
        let plain = name.to_lowercase();
        let same_name = self
            .by_name
            .get(&plain)
            .and_then(|g| self.groups.get(*g))
            .filter(|g| g.tool != tool);
        if let Some(first) = same_name.filter(|_| !group.broken) {
            self.faults.add(
                number,
                0,
                format!(
                    "{label} is placed with {}, but {} with {} on line {}; give this one another name",
                    tool.word(),
                    first.name,
                    first.tool.word(),
                    first.line
                ),
            );
            group.broken = true;
        }
        let at = self.groups.len();
        self.groups.push(group);
        self.by_label.insert(key, at);
        self.by_name.entry(plain).or_insert(at);
        Some(at)
    }

    fn finish(&mut self) {
        for group in std::mem::take(&mut self.groups) {
            if !group.broken
                && let Some(placing) = self.placing(group)
            {
                self.names.add(&placing, self.read.placings.len());
                self.read.placings.push(placing);
            }
        }
    }

    fn placing(&mut self, mut group: Group) -> Option<Placing> {
        if self.twice(&group) || self.crooked(&group) {
            return None;
        }
        let spots: Vec<[f64; 2]> = group.rows.iter().map(spot).collect();
        let toward = in_order(&mut group.rows, &spots);
        if group.tool == Tool::WaveGauge && group.base_mm.is_none() {
            self.faults.add(
                group.line,
                0,
                format!(
                    "{} has no base; a wave-gauge needs the distance between its feet in the column base",
                    group.name
                ),
            );
            return None;
        }
        if group.tool == Tool::WaveGauge
            && group.toward.is_none()
            && spots.len() > 2
            && self.scattered(&group)
        {
            return None;
        }
        let repeat = self.names.count(&group.name);
        let repeat = if group.again || group.turned {
            repeat.max(1)
        } else {
            0
        };
        let places: Vec<(usize, usize)> = group
            .rows
            .iter()
            .map(|r| (r.reading.line, r.x_column))
            .collect();
        let own_direction = group.toward.filter(|_| group.tool == Tool::WaveGauge);
        let placing = Placing {
            name: group.name,
            tool: group.tool,
            base_mm: group.base_mm.unwrap_or(0.0),
            toward: own_direction.unwrap_or(toward),
            repeat,
            turned: group.turned,
            readings: group.rows.into_iter().map(|r| r.reading).collect(),
            file: self.file.to_string(),
            line: group.line,
        };
        sound::check(&placing, &places, self.panel, &mut self.faults);
        Some(placing)
    }

    /// Whether a spot was read twice in one placing; each is told with both its lines.
    fn twice(&mut self, group: &Group) -> bool {
        let mut seen: HashMap<(i64, i64), usize> = HashMap::new();
        let mut any = false;
        for row in &group.rows {
            let r = &row.reading;
            let cell = |v: f64| (v / SAME_SPOT_MM).round() as i64;
            if let Some(line) = seen.insert((cell(r.x), cell(r.y)), r.line) {
                any = true;
                self.faults.add(
                    r.line,
                    row.x_column,
                    format!(
                        "{}: x {}, y {} was read already on line {line}; keep one, or name the second placing {} again",
                        group.name,
                        plain_mm(r.x),
                        plain_mm(r.y),
                        group.name
                    ),
                );
            }
        }
        any
    }

    /// Whether an edge's readings do not lie on one line.
    fn crooked(&mut self, group: &Group) -> bool {
        let edge = matches!(
            group.tool,
            Tool::Straightedge | Tool::ProfileGauge | Tool::Batten
        );
        edge && self.scattered(group)
    }

    fn scattered(&mut self, group: &Group) -> bool {
        let spots: Vec<[f64; 2]> = group.rows.iter().map(spot).collect();
        let Some((odd, off)) = off_the_line(&spots) else {
            return false;
        };
        let Some(row) = group.rows.get(odd) else {
            return false;
        };
        self.faults.add(
            row.reading.line,
            row.x_column,
            format!(
                "{}: x {}, y {} lies {} mm off the line of its other readings; the readings of a {} lie on one line",
                group.name,
                plain_mm(row.reading.x),
                plain_mm(row.reading.y),
                plain_mm(off.round()),
                group.tool.word()
            ),
        );
        true
    }
}

/// The spot farthest off the line of the others, and how far, if that is more than
/// [`LINE_SLACK_MM`].
fn off_the_line(spots: &[[f64; 2]]) -> Option<(usize, f64)> {
    if spots.len() < 3 {
        return None;
    }
    let line = Line::through(spots)?;
    let (odd, off) = farthest(&line, spots)?;
    if off <= LINE_SLACK_MM {
        return None;
    }
    // One wrong spot drags the line along. Leaving out one spot after another finds it; costly only
    // in placings of many readings, where the plain farthest one is told instead.
    let without = |i: usize| -> Option<(f64, f64)> {
        let others: Vec<[f64; 2]> = spots
            .iter()
            .enumerate()
            .filter(|(j, _)| *j != i)
            .map(|(_, p)| *p)
            .collect();
        let line = Line::through(&others)?;
        let worst = farthest(&line, &others)?.1;
        Some((worst, line.beside(*spots.get(i)?)))
    };
    let candidates = if spots.len() <= 200 {
        0..spots.len()
    } else {
        odd..odd + 1
    };
    candidates
        .filter_map(|i| without(i).map(|(worst, off)| (i, worst, off)))
        .min_by(|a, b| a.1.total_cmp(&b.1))
        .filter(|(_, worst, _)| *worst <= LINE_SLACK_MM)
        .map(|(i, _, off)| (i, off))
        .or(Some((odd, off)))
}

fn farthest(line: &Line, spots: &[[f64; 2]]) -> Option<(usize, f64)> {
    spots
        .iter()
        .map(|p| line.beside(*p))
        .enumerate()
        .max_by(|a, b| a.1.total_cmp(&b.1))
}

fn spot(row: &Row) -> [f64; 2] {
    [row.reading.x, row.reading.y]
}

/// Puts the rows in order along their line and gives its direction. Rows already in order, either
/// way, stay as they were written.
fn in_order(rows: &mut [Row], spots: &[[f64; 2]]) -> Direction {
    let Some(line) = Line::through(spots) else {
        return [1.0, 0.0];
    };
    let along = |r: &Row| line.along(spot(r));
    let backwards = rows.len() > 1
        && rows
            .windows(2)
            .all(|w| w.iter().map(along).is_sorted_by(|a, b| a >= b));
    if backwards {
        return line.toward.map(|t| if t == 0.0 { 0.0 } else { -t });
    }
    rows.sort_by(|a, b| along(a).total_cmp(&along(b)));
    line.toward
}

/// A name as written in the column: "A1", "A1 again", "A1 again (2)", "A1 turned".
fn parts_of(label: &str) -> (&str, bool, bool) {
    let plain = match label.rsplit_once(" (") {
        Some((before, n)) if n.trim_end_matches(')').parse::<u32>().is_ok() => before,
        _ => label,
    };
    if let Some(name) = plain.strip_suffix(" again") {
        return (name.trim(), true, false);
    }
    if let Some(name) = plain.strip_suffix(" turned") {
        return (name.trim(), false, true);
    }
    (label, false, false)
}

fn not_a_number(written: &str, plain: &str) -> String {
    let unit = plain.split_whitespace().nth(1);
    match unit {
        Some(unit)
            if units::mm_per(unit).is_none()
                && units::length(plain).is_err_and(|w| w.contains("no unit")) =>
        {
            format!(
                "reading {} has no known unit; expected mm, cm, m, in, thou or ft",
                quoted(written)
            )
        }
        _ => super::notes::not_a_number(written, plain),
    }
}

fn no_header(line: &str) -> String {
    let notes = line.contains(" to ") && line.contains(':')
        || ["panel", "date", "tool", "unit"]
            .iter()
            .any(|w| line.split_whitespace().next() == Some(w));
    if notes {
        return "this is the notes form; give the file a name ending in .txt".into();
    }
    if line.contains('=') || line.trim_start().starts_with('[') {
        return "this looks like a panel file, not readings; the panel's file is named first, then the readings".into();
    }
    "the first line names no known column; expected a header such as placing,tool,x,y,reading"
        .into()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn cells_know_their_columns_in_characters() {
        let check = |line: &str, separator, expected: &[(&str, usize)]| {
            let found: Vec<(String, usize)> = cells(line, separator)
                .unwrap_or_default()
                .into_iter()
                .map(|c| (c.text, c.column))
                .collect();
            let expected: Vec<(String, usize)> =
                expected.iter().map(|(t, c)| (t.to_string(), *c)).collect();
            assert_eq!(found, expected, "{line:?}");
        };
        check(
            "A1,é, 12 ,,0.5",
            ',',
            &[("A1", 1), ("é", 4), ("12", 7), ("", 11), ("0.5", 12)],
        );
        check("\"a,\"\"b\";c", ';', &[("a,\"b", 1), ("c", 9)]);
        check("12\",3", ',', &[("12\"", 1), ("3", 5)]);
        assert!(cells("a,\"open", ',').is_none());
    }

    #[test]
    fn one_wrong_spot_is_named_even_at_the_end_of_the_line() {
        let spots = [[0., 0.], [50., 0.], [100., 0.], [150., 80.]];
        assert_eq!(off_the_line(&spots), Some((3, 80.0)));
        assert_eq!(off_the_line(&spots[..3]), None);
    }
}
