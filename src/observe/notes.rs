//! The notes form of a readings file, as a person writes it beside the panel: one placing a line,
//! header lines that hold until changed.
//!
//! ```text
//! panel cabin roof
//! date  2026-03-14   by K   skin 19 C   supports x 300 900 1500
//! tool  straightedge 600   step 50   unit mm
//! A1  x 0 to 600   y 100       : 0.00 0.10 0.25 ? 0.60 0.55 0.40 0.30 0.25 0.15 0.10 0.05 0.00
//! A1  again                    : 0.00 0.10 0.20 0.40 0.60 0.55 0.40 0.30 0.25 0.15 0.10 0.05 0.00
//! ```
//!
//! The whole grammar, with every default, stands in `docs/formats.md`.

mod ends;
mod header;
mod words;

use self::ends::{ends_of, whole_steps, wrong_count};
use self::header::Unit;
use self::words::{EXAMPLE, HEADERS, Marked, Token, is_reading, tokens, without_spare_blanks};
use super::names::Names;
use super::sound;
use super::{FileRead, MOST_LINE, Placing, Reading, Tool};
use crate::panel::Panel;
use crate::problem::Warning;
use crate::text::{Faults, did_you_mean, lines, quoted};
use crate::units;
use std::collections::HashSet;

/// Distance between readings unless `step` says otherwise, mm.
pub const DEFAULT_STEP_MM: f64 = 50.0;
/// Most readings of one placing.
pub const MOST_READINGS: usize = 10_000;

const RESERVED: [&str; 5] = ["x", "y", "to", "again", "turned"];
/// Reads the text of a notes file. `file` is its name as the user wrote it; `earlier` are the
/// placings of the files read before it, whose names are taken and may be repeated with `again`.
pub fn parse(text: &str, file: &str, panel: &Panel, earlier: &[Placing]) -> FileRead {
    let mut reader = Reader {
        file,
        panel,
        names: Names::of(earlier),
        faults: Faults::of(file),
        read: FileRead::default(),
        broken: HashSet::new(),
        spots: 0,
        now: Now::default(),
    };
    if let Some((line, advice)) = other_form(text) {
        reader.faults.add(line, 0, advice);
    } else {
        let mut anything = false;
        let mut all = lines(text).peekable();
        while let Some((number, line)) = all.next() {
            if line.len() > MOST_LINE {
                anything = true;
                reader.faults.add(number, 0, super::too_long());
                continue;
            }
            let mut tokens = tokens(number, line);
            anything |= !tokens.is_empty();
            // Readings one below the other: those of the placing above them.
            if tokens.iter().any(|t| t.text == ":") {
                while let Some((below, more)) = all.peek()
                    && more.len() <= MOST_LINE
                    && let further = words::tokens(*below, more)
                    && further.iter().all(|t| is_reading(t.text))
                {
                    tokens.extend(further);
                    all.next();
                }
            }
            reader.line(number, &tokens);
            if reader.spots > super::MOST_READINGS {
                reader.faults.add(number, 0, super::too_many());
                break;
            }
        }
        if !anything {
            reader.faults.add(
                0,
                0,
                format!("holds only remarks; expected placings such as {EXAMPLE}"),
            );
        }
    }
    reader.read.faults = reader.faults.into_list();
    reader.read
}

/// Advice when the text is plainly a table or a panel file.
fn other_form(text: &str) -> Option<(usize, &'static str)> {
    let (number, first) = lines(text).find(|(_, l)| {
        let l = l.trim();
        !l.is_empty() && !l.starts_with('#')
    })?;
    let words: Vec<&str> = first.split([',', ';', '\t']).map(str::trim).collect();
    if words.len() > 2 && (words.contains(&"reading") || words.contains(&"placing")) {
        return Some((
            number,
            "this is the table form; give the file a name ending in .csv",
        ));
    }
    let toml = first.contains('=') && !first.contains(':') || first.trim_start().starts_with('[');
    toml.then_some((
        number,
        "this looks like a panel file, not readings; the panel's file is named first, then the readings",
    ))
}

/// What the header lines say at this point of the file.
struct Now {
    tool: Tool,
    base_mm: f64,
    step_mm: f64,
    unit: Option<Unit>,
    sd_mm: Option<f64>,
    /// The last `tool` line was faulty: what depends on it is not complained about again.
    tool_broken: bool,
    unit_broken: bool,
}

impl Default for Now {
    fn default() -> Self {
        Now {
            tool: Tool::Straightedge,
            base_mm: 0.0,
            step_mm: DEFAULT_STEP_MM,
            unit: None,
            sd_mm: None,
            tool_broken: false,
            unit_broken: false,
        }
    }
}

struct Reader<'a> {
    file: &'a str,
    panel: &'a Panel,
    names: Names<'a>,
    faults: Faults,
    read: FileRead,
    /// Names of placings that had faults, so that a repeat of one is not complained about as well.
    broken: HashSet<String>,
    /// Readings so far, with those not taken.
    spots: usize,
    now: Now,
}

impl Reader<'_> {
    fn line(&mut self, number: usize, tokens: &[Token]) {
        let Some(first) = tokens.first() else {
            return;
        };
        let like_placing =
            tokens.iter().any(|t| t.text == "to") && tokens.iter().any(|t| t.text == ":");
        let result = match (HEADERS.contains(&first.text), like_placing) {
            (true, true) => Err((
                first.column,
                format!(
                    "a placing cannot be called {}, which begins a header line; give it another name",
                    first.text
                ),
            )),
            (true, false) => self.header(number, tokens),
            (false, _) => self.placing(number, tokens),
        };
        if let Err((column, message)) = result {
            self.faults.add(number, column, message);
        }
    }

    fn warn(&mut self, line: usize, column: usize, text: String) {
        self.read.warnings.push(Warning {
            place: format!("{}:{line}:{column}", self.file),
            text,
            ..Warning::default()
        });
    }

    // Placing lines.

    fn placing(&mut self, number: usize, tokens: &[Token]) -> Marked<()> {
        let Some(name) = tokens.first() else {
            return Ok(());
        };
        let Some(colon) = tokens.iter().rposition(|t| t.text == ":") else {
            return Err((name.column, no_colon(tokens)));
        };
        let faults_before = self.faults.count();
        let result = self.placing_at(number, name, tokens, colon);
        if result.is_err() || self.faults.count() > faults_before {
            self.broken.insert(name.text.to_lowercase());
        }
        result
    }

    fn placing_at(
        &mut self,
        number: usize,
        name: &Token,
        tokens: &[Token],
        colon: usize,
    ) -> Marked<()> {
        if RESERVED.contains(&name.text) || name.text == ":" {
            return Err((
                name.column,
                format!("a placing needs a name before its ends; expected such as {EXAMPLE}"),
            ));
        }
        let written = tokens.get(colon + 1..).unwrap_or(&[]);
        let mut ends = tokens.get(1..colon).unwrap_or(&[]);
        if ends.first().is_some_and(|t| t.text == ":") {
            ends = ends.get(1..).unwrap_or(&[]);
        }
        let repeats = ends.iter().any(|t| matches!(t.text, "again" | "turned"));
        let (mut placing, spots) = if repeats {
            match self.repeated(name, ends)? {
                Some(found) => found,
                None => return Ok(()),
            }
        } else {
            self.first_time(name, ends)?
        };
        self.spots += spots.len();
        placing.line = number;
        placing.file = self.file.to_string();
        let (readings, sound) = self.readings(number, &placing, &spots, written);
        if !sound {
            return Ok(());
        }
        placing.readings = readings;
        let places: Vec<(usize, usize)> = placing
            .readings
            .iter()
            .map(|r| (r.line, r.column))
            .collect();
        sound::check(&placing, &places, self.panel, &mut self.faults);
        self.names.add(&placing, self.read.placings.len());
        self.read.placings.push(placing);
        Ok(())
    }

    /// The placing of an `again` or `turned` line and its spots; `None` when the first one had
    /// faults.
    fn repeated(
        &mut self,
        name: &Token,
        words: &[Token],
    ) -> Marked<Option<(Placing, Vec<[f64; 2]>)>> {
        let Some(first) = self.names.first(name.text, &self.read.placings) else {
            if self.broken.contains(&name.text.to_lowercase()) {
                return Ok(None);
            }
            return Err((
                name.column,
                format!(
                    "{} again, but no {} stands above it; write its ends, such as {EXAMPLE}",
                    name.text, name.text
                ),
            ));
        };
        if first.tool != self.now.tool && !self.now.tool_broken {
            return Err((name.column, two_tools(first, self.now.tool)));
        }
        let spots: Vec<[f64; 2]> = first.readings.iter().map(|r| [r.x, r.y]).collect();
        same_ends(name, words, &spots)?;
        let placing = Placing {
            repeat: self.names.count(name.text),
            turned: words.iter().any(|t| t.text == "turned"),
            readings: Vec::new(),
            ..first.clone()
        };
        Ok(Some((placing, spots)))
    }

    /// A placing with its ends, without readings yet, and the spots where they lie.
    fn first_time(&mut self, name: &Token, ends: &[Token]) -> Marked<(Placing, Vec<[f64; 2]>)> {
        let (from, to) = ends_of(name, ends)?;
        if let Some(first) = self.names.first(name.text, &self.read.placings) {
            if first.tool != self.now.tool {
                return Err((name.column, two_tools(first, self.now.tool)));
            }
            return Err((
                name.column,
                format!(
                    "{} stands already at {}:{}; give this one another name, or write {} again : … for a repeat",
                    name.text, first.file, first.line, name.text
                ),
            ));
        }
        let span = (to[0] - from[0]).hypot(to[1] - from[1]);
        let column = ends.first().map_or(name.column, |t| t.column);
        let steps = whole_steps(from, to, self.now.step_mm)
            .map_err(|why| (column, format!("{}: {why}", name.text)))?;
        let toward = [(to[0] - from[0]) / span, (to[1] - from[1]) / span];
        let spots = (0..=steps)
            .map(|i| {
                let t = i as f64 / steps as f64;
                [
                    from[0] + t * (to[0] - from[0]),
                    from[1] + t * (to[1] - from[1]),
                ]
            })
            .collect();
        let placing = Placing {
            name: name.text.to_string(),
            tool: self.now.tool,
            base_mm: self.now.base_mm,
            toward,
            repeat: 0,
            turned: false,
            readings: Vec::new(),
            file: String::new(),
            line: 0,
        };
        Ok((placing, spots))
    }

    /// The readings of a placing, and whether they can be used: as many as there are spots, all
    /// numbers.
    fn readings(
        &mut self,
        number: usize,
        placing: &Placing,
        spots: &[[f64; 2]],
        written: &[Token],
    ) -> (Vec<Reading>, bool) {
        let written = without_spare_blanks(written, spots.len());
        let any_taken = written.iter().any(|t| !matches!(t.text, "_" | "?"));
        if any_taken && self.now.unit.is_none() {
            if !self.now.unit_broken {
                self.faults.add(
                    number,
                    written.first().map_or(0, |t| t.column),
                    "no unit yet: write unit mm, unit hundredths (25 is 0.25 mm), unit thou, unit in or unit cm on a \
                     line above; it is never guessed",
                );
                // Said once for the file, not once a placing.
                self.now.unit_broken = true;
            }
            return (Vec::new(), false);
        }
        // The same slip many times over is said once, at its first place.
        let mut slips: Vec<(&Token, String, usize)> = Vec::new();
        let mut remark = false;
        let values: Vec<Option<Option<f64>>> = written
            .iter()
            .map(|token| match self.value(token) {
                Ok(value) => Some(value),
                Err(_) if remark => None,
                Err(why) => {
                    match slips.iter_mut().find(|(_, said, _)| *said == why) {
                        Some((_, _, times)) => *times += 1,
                        None => slips.push((token, why, 1)),
                    }
                    remark = is_remark(written, token);
                    None
                }
            })
            .collect();
        let odd = values.iter().any(Option::is_none);
        for (token, why, times) in slips {
            let more = match times {
                1 if is_remark(written, token) => {
                    "; the words behind it are no readings either: a remark begins with #".into()
                }
                1 => String::new(),
                n => format!(" ({n} times in this placing)"),
            };
            self.faults
                .add(token.line, token.column, format!("{why}{more}"));
        }
        if odd && is_remark_anywhere(written) {
            return (Vec::new(), false);
        }
        if !written.is_empty() && written.len() != spots.len() {
            self.faults.add(
                number,
                written.first().map_or(0, |t| t.column),
                wrong_count(placing, spots, written.len()),
            );
            return (Vec::new(), false);
        }
        let sound = values.iter().all(Option::is_some);
        let readings = spots
            .iter()
            .enumerate()
            .map(|(i, spot)| Reading {
                x: spot[0],
                y: spot[1],
                value_mm: values.get(i).copied().flatten().flatten(),
                written: written.get(i).map_or("_", |t| t.text).to_string(),
                sd_mm: self.now.sd_mm,
                line: written.get(i).map_or(number, |t| t.line),
                column: written.get(i).map_or(0, |t| t.column),
            })
            .collect();
        (readings, sound)
    }

    fn value(&self, token: &Token) -> Result<Option<f64>, String> {
        if matches!(token.text, "_" | "?") {
            return Ok(None);
        }
        let plain = token.text.replace('\u{2212}', "-");
        let unit = self.now.unit.unwrap_or(Unit::Length(1.0));
        let inches = unit == Unit::Length(units::MM_PER_INCH);
        let bare = plain.trim_end_matches(['"', '\u{2033}', '\u{201d}']);
        let value = match units::number(&plain) {
            None if inches => units::number(bare).or_else(|| units::fraction(bare)),
            value => value,
        };
        let Some(value) = value else {
            return Err(not_a_number(token.text, &plain));
        };
        unit.mm(value)
            .map(Some)
            .map_err(|why| format!("reading {} {why}", quoted(token.text)))
    }
}

/// Whether a remark without its # begins at this word: it and all behind it are words, two at
/// least.
fn is_remark(written: &[Token], from: &Token) -> bool {
    let word =
        |t: &Token| t.text.chars().any(char::is_alphabetic) && units::length(t.text).is_err();
    let behind = || {
        written
            .iter()
            .skip_while(|t| (t.line, t.column) != (from.line, from.column))
    };
    behind().count() > 1 && behind().all(word)
}

fn is_remark_anywhere(written: &[Token]) -> bool {
    written.iter().any(|t| is_remark(written, t))
}

/// A repeat may name its ends, as a copied line does: they must be those of the first.
fn same_ends(name: &Token, words: &[Token], spots: &[[f64; 2]]) -> Marked<()> {
    let rest: Vec<Token> = words
        .iter()
        .copied()
        .filter(|t| !matches!(t.text, "again" | "turned"))
        .collect();
    // "again x" names no place.
    if rest.iter().all(|t| matches!(t.text, "x" | "y")) {
        return Ok(());
    }
    let (from, to) = ends_of(name, &rest)?;
    let (Some(first), Some(last)) = (spots.first(), spots.last()) else {
        return Ok(());
    };
    let near = |a: [f64; 2], b: [f64; 2]| (a[0] - b[0]).hypot(a[1] - b[1]) < 1.0;
    if near(from, *first) && near(to, *last) {
        return Ok(());
    }
    Err((
        name.column,
        format!(
            "{} again, but its ends are not those of {}, which ran {}; leave them out, or give this one another name",
            name.text,
            name.text,
            ends::run(*first, *last)
        ),
    ))
}

/// Why a reading is no number, with the slips that are foreseen.
pub(super) fn not_a_number(written: &str, plain: &str) -> String {
    let shown = quoted(written);
    let lower = plain.to_lowercase();
    if ["nan", "inf", "infinity"].contains(&lower.trim_start_matches(['+', '-'])) {
        return format!(
            "reading {shown} is not a number a tool can show; write ? for a reading not taken"
        );
    }
    if let Some(below) = plain.strip_prefix('<').and_then(units::number) {
        return format!(
            "reading {shown} is no number; where the edge touches or nothing thinner goes under write 0.00, else the thinnest leaf that went under ({below})"
        );
    }
    if plain.contains('/') && units::length(plain).is_ok() {
        return format!(
            "reading {shown} is a fraction of an inch; write unit in on a line above and fractions such as 3/32, or write mm"
        );
    }
    if units::length(plain).is_ok() {
        return format!(
            "reading {shown} has its unit attached; write the number alone, the unit stands in the unit line"
        );
    }
    if plain.matches(',').count() > 1 || plain.contains(',') && plain.contains('.') {
        return format!(
            "reading {shown} is not a number; part readings by spaces, such as 0.10 0.25"
        );
    }
    if ["-", "–", "—", "--", "x", "/"].contains(&plain) {
        return format!("reading {shown} is not a number; write ? for a reading not taken");
    }
    format!("reading {shown} is not a number; expected such as 1.30, or ? if not taken")
}

pub(super) fn two_tools(first: &Placing, tool: Tool) -> String {
    format!(
        "{} was placed with {} at {}:{}, here with {}; give this one another name",
        first.name,
        first.tool.word(),
        first.file,
        first.line,
        tool.word()
    )
}

fn no_colon(tokens: &[Token]) -> String {
    let first = tokens.first().map_or("", |t| t.text);
    let placing = tokens
        .iter()
        .any(|t| matches!(t.text, "x" | "y" | "again" | "turned"));
    if placing {
        return format!(
            "no colon between the ends of {first} and its readings; expected such as {EXAMPLE}"
        );
    }
    format!(
        "this line is neither a header nor a placing{}; a placing is written such as {EXAMPLE}, a remark begins with #",
        did_you_mean(first, HEADERS)
    )
}
