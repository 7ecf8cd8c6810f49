//! The notes form of a readings file, as a person writes it beside the panel: one placing a line, header
//! lines that hold until changed.
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

use super::names::Names;
use super::sound::{self, FARTHEST_MM};
use super::{Conditions, FileRead, MOST_LINE, Placing, Reading, Tool};
use crate::panel::Panel;
use crate::problem::Warning;
use crate::text::{Faults, did_you_mean, lines, plain_mm, quoted};
use crate::units;
use std::collections::HashSet;

/// Distance between readings unless `step` says otherwise, mm.
pub const DEFAULT_STEP_MM: f64 = 50.0;
/// How far the ends of a placing along an axis may miss a whole number of steps, mm.
pub const STEP_SLACK_MM: f64 = 0.5;
/// How far the ends of a diagonal may miss it, as a part of its length: its ends are taped, its steps are not.
pub const DIAGONAL_SLACK: f64 = 0.01;
/// Most readings of one placing.
pub const MOST_READINGS: usize = 10_000;

const HEADERS: [&str; 9] = [
    "panel", "date", "by", "skin", "supports", "tool", "step", "unit", "sd",
];
const RESERVED: [&str; 5] = ["x", "y", "to", "again", "turned"];
const EXAMPLE: &str = "A1 x 0 to 600 y 100 : 0.00 0.10 0.25";

/// Reads the text of a notes file. `file` is its name as the user wrote it; `earlier` are the placings of
/// the files read before it, whose names are taken and may be repeated with `again`.
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
        for (number, line) in lines(text) {
            if line.len() > MOST_LINE {
                anything = true;
                reader.faults.add(number, 0, super::too_long());
                continue;
            }
            let tokens = tokens(line);
            anything |= !tokens.is_empty();
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

/// A word of a line: its text, its column in characters from 1, and the blanks before it.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Token<'t> {
    text: &'t str,
    column: usize,
    blanks: usize,
}

/// Words of a line up to a remark. A colon is a word of its own; `"…"` is one word with its quotes.
fn tokens(line: &str) -> Vec<Token<'_>> {
    let mut found = Vec::new();
    let mut rest = line;
    let mut column = 1;
    loop {
        let body = rest.trim_start();
        let blank = rest.strip_suffix(body).unwrap_or("");
        let blanks: usize = blank
            .chars()
            .map(|c| if c == '\t' { 2 } else { 1 })
            .sum();
        column += blank.chars().count();
        let starts_remark = body.starts_with('#') && (blanks > 0 || found.is_empty());
        if body.is_empty() || starts_remark {
            return found;
        }
        let length = word_length(body);
        let (text, after) = body.split_at(length);
        found.push(Token {
            text,
            column,
            blanks,
        });
        column += text.chars().count();
        rest = after;
    }
}

/// Bytes of the first word of a text that does not begin with a blank; at least one character.
fn word_length(body: &str) -> usize {
    if body.starts_with(':') {
        return 1;
    }
    if let Some(inside) = body.strip_prefix('"')
        && let Some(end) = inside.find('"')
    {
        return end + 2;
    }
    body.find(|c: char| c.is_whitespace() || c == ':')
        .unwrap_or(body.len())
}

/// The unit of the readings that follow.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Unit {
    Length(f64),
    Hundredths,
    Thou,
}

impl Unit {
    const WORDS: [&str; 5] = ["mm", "hundredths", "thou", "in", "cm"];

    fn from_word(word: &str) -> Option<Unit> {
        Some(match word {
            "mm" => Unit::Length(1.0),
            "cm" => Unit::Length(10.0),
            "in" => Unit::Length(units::MM_PER_INCH),
            "hundredths" => Unit::Hundredths,
            "thou" => Unit::Thou,
            _ => return None,
        })
    }

    /// mm of a number as written. Hundredths are whole; thou whole or, above 1, half, as feelers come.
    fn mm(self, value: f64) -> Result<f64, &'static str> {
        match self {
            Unit::Length(factor) => Ok(value * factor),
            Unit::Hundredths if value.fract() != 0.0 => {
                Err("is not a whole number of hundredths; 0.25 mm is written 25, or write unit mm")
            }
            // Divided, not multiplied by 0.01: 25 is then exactly 0.25.
            Unit::Hundredths => Ok(value / 100.0),
            Unit::Thou if value.fract() != 0.0 && (value.abs() < 1.0 || (2.0 * value).fract() != 0.0) => {
                Err("is not a whole or half number of thou; 0.010 in is written 10, or write unit in")
            }
            Unit::Thou => Ok(value * units::MM_PER_INCH / 1000.0),
        }
    }
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

/// A number with the unit written behind it, if any: mm in one of it.
struct Written {
    number: f64,
    factor: Option<f64>,
    used: usize,
}

impl Written {
    fn mm(&self) -> f64 {
        self.number * self.factor.unwrap_or(1.0)
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

type Marked<T> = Result<T, (usize, String)>;

impl Reader<'_> {
    fn line(&mut self, number: usize, tokens: &[Token]) {
        let Some(first) = tokens.first() else {
            return;
        };
        let like_placing = tokens.iter().any(|t| t.text == "to") && tokens.iter().any(|t| t.text == ":");
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
        });
    }

    // Header lines.

    fn header(&mut self, number: usize, tokens: &[Token]) -> Marked<()> {
        let mut at = 0;
        while let Some(key) = tokens.get(at) {
            let mut from = at + 1;
            if tokens.get(from).is_some_and(|t| t.text == ":") {
                from += 1;
            }
            let rest = tokens.get(from..).unwrap_or(&[]);
            let used = match key.text {
                "panel" => self.panel_name(number, rest),
                "date" => self.date(number, key, rest)?,
                "by" => {
                    let (text, used) = free_text(rest);
                    self.read.conditions.by = text.or(self.read.conditions.by.take());
                    used
                }
                "supports" => {
                    let (text, used) = free_text(rest);
                    self.read.conditions.supports = text.or(self.read.conditions.supports.take());
                    used
                }
                "skin" => self.skin(key, rest)?,
                "tool" => self.tool(key, rest)?,
                "step" => self.step(key, rest)?,
                "unit" => self.unit(key, rest)?,
                "sd" => self.sd(key, rest)?,
                other => {
                    return Err((
                        key.column,
                        format!(
                            "{} is not understood here; expected one of {}{}",
                            quoted(other),
                            HEADERS.join(", "),
                            did_you_mean(other, HEADERS)
                        ),
                    ));
                }
            };
            at = from + used;
        }
        Ok(())
    }

    /// A panel's name runs to the end of the line, or to a header word after two blanks; or it is quoted.
    fn panel_name(&mut self, number: usize, rest: &[Token]) -> usize {
        let end = rest
            .iter()
            .enumerate()
            .skip(1)
            .find(|(_, t)| t.blanks >= 2 && HEADERS.contains(&t.text))
            .map_or(rest.len(), |(i, _)| i);
        let Some(first) = rest.first() else {
            return 0;
        };
        let quoted_name = first
            .text
            .strip_prefix('"')
            .and_then(|t| t.strip_suffix('"'));
        let (name, used) = match quoted_name {
            Some(name) => (name.to_string(), 1),
            None => (joined(rest.get(..end).unwrap_or(rest)), end),
        };
        if name == "_" {
            return used;
        }
        if same_words(&name) != same_words(&self.panel.name) {
            self.warn(
                number,
                first.column,
                format!(
                    "the readings are of panel {}, the panel file is of {}: the right two files?",
                    quoted(&name),
                    quoted(&self.panel.name)
                ),
            );
        }
        self.read.conditions.panel.get_or_insert(name);
        used
    }

    fn date(&mut self, number: usize, key: &Token, rest: &[Token]) -> Marked<usize> {
        let Some(token) = value_of(rest) else {
            return Ok(blanks_used(rest));
        };
        let shape = |w: &str| {
            w.len() == 10
                && w.bytes().enumerate().all(|(i, b)| {
                    if i == 4 || i == 7 {
                        b == b'-'
                    } else {
                        b.is_ascii_digit()
                    }
                })
        };
        if !shape(token.text) {
            return Err((
                token.column.max(key.column),
                format!(
                    "date {} is not year-month-day; expected such as 2026-03-14",
                    quoted(token.text)
                ),
            ));
        }
        if token.text.parse::<jiff::civil::Date>().is_err() {
            return Err((
                token.column,
                format!(
                    "date {} is not in the calendar; expected year-month-day",
                    quoted(token.text)
                ),
            ));
        }
        let before = self
            .read
            .conditions
            .date
            .get_or_insert(token.text.to_string())
            .clone();
        if before != token.text {
            self.warn(
                number,
                token.column,
                format!(
                    "readings of two days, {before} and {}, in one survey: was the panel touched between them?",
                    token.text
                ),
            );
        }
        Ok(1)
    }

    fn skin(&mut self, key: &Token, rest: &[Token]) -> Marked<usize> {
        let Some(token) = value_of(rest) else {
            let used = blanks_used(rest);
            let unit = rest.get(used).filter(|t| degrees(t.text).is_some());
            return Ok(used + usize::from(used > 0 && unit.is_some()));
        };
        let split = token
            .text
            .find(|c: char| !(c.is_ascii_digit() || "+-.,\u{2212}".contains(c)))
            .unwrap_or(token.text.len());
        let (digits, attached) = token.text.split_at(split);
        let next = rest
            .get(1)
            .filter(|t| attached.is_empty() && degrees(t.text).is_some());
        let unit = next.map_or(attached, |t| t.text);
        let celsius = units::number(&digits.replace('\u{2212}', "-")).and_then(|v| {
            Some(match (unit, degrees(unit)) {
                ("", _) | (_, Some(true)) => v,
                (_, Some(false)) => (v - 32.0) / 1.8,
                (_, None) => return None,
            })
        });
        match celsius {
            Some(c) if (-40.0..=120.0).contains(&c) => {
                self.read.conditions.skin_c = Some(c);
                Ok(1 + usize::from(next.is_some()))
            }
            _ => Err((
                token.column.max(key.column),
                format!(
                    "skin {} is no temperature of a panel; expected such as 19 C or 66 F",
                    quoted(token.text)
                ),
            )),
        }
    }

    fn tool(&mut self, key: &Token, rest: &[Token]) -> Marked<usize> {
        self.now.tool_broken = true;
        let Some(word) = rest.first() else {
            return Err((
                key.column,
                format!("tool what? expected one of {}", tool_words()),
            ));
        };
        let two = rest.get(1).map(|t| format!("{}-{}", word.text, t.text));
        let (tool, mut used) = match (Tool::from_word(word.text), two.as_deref().and_then(Tool::from_word)) {
            (Some(tool), _) => (tool, 1),
            (None, Some(tool)) => (tool, 2),
            (None, None) => {
                return Err((
                    word.column,
                    format!(
                        "tool {} is not known; expected one of {}{}",
                        quoted(word.text),
                        tool_words(),
                        did_you_mean(word.text, Tool::ALL.map(Tool::word))
                    ),
                ));
            }
        };
        self.now.tool = tool;
        self.now.base_mm = 0.0;
        let length = rest.get(used).filter(|t| !HEADERS.contains(&t.text));
        if let Some(token) = length {
            let written = length_at(rest.get(used..).unwrap_or(&[])).map_err(|why| (token.column, why))?;
            if !(5.0..=20_000.0).contains(&written.mm()) {
                return Err((
                    token.column,
                    format!(
                        "{} {} mm long cannot be meant; expected 5 to 20000 mm, or write the unit, such as 24 in",
                        tool.word(),
                        plain_mm(written.mm())
                    ),
                ));
            }
            self.now.base_mm = written.mm();
            used += written.used;
        } else if tool == Tool::WaveGauge {
            return Err((
                word.column,
                "a wave-gauge needs the distance between its feet; write it such as tool wave-gauge 50".into(),
            ));
        }
        self.now.tool_broken = false;
        Ok(used)
    }

    fn step(&mut self, key: &Token, rest: &[Token]) -> Marked<usize> {
        let written = length_at(rest).map_err(|why| (rest.first().map_or(key.column, |t| t.column), why))?;
        if !(0.5..=10_000.0).contains(&written.mm()) {
            return Err((
                key.column,
                format!(
                    "a step of {} mm cannot be meant; expected 0.5 to 10000 mm, such as step 50",
                    plain_mm(written.mm())
                ),
            ));
        }
        self.now.step_mm = written.mm();
        Ok(written.used)
    }

    fn unit(&mut self, key: &Token, rest: &[Token]) -> Marked<usize> {
        let word = rest.first().map_or("", |t| t.text);
        self.now.unit = Unit::from_word(word);
        self.now.unit_broken = self.now.unit.is_none();
        if self.now.unit_broken {
            return Err((
                rest.first().map_or(key.column, |t| t.column),
                format!(
                    "unit {} is not known; expected mm, hundredths (25 is 0.25 mm), thou, in or cm{}",
                    quoted(word),
                    did_you_mean(word, Unit::WORDS)
                ),
            ));
        }
        Ok(1)
    }

    fn sd(&mut self, key: &Token, rest: &[Token]) -> Marked<usize> {
        if rest.first().is_some_and(|t| t.text == "none") {
            self.now.sd_mm = None;
            return Ok(1);
        }
        let written = length_at(rest).map_err(|why| (rest.first().map_or(key.column, |t| t.column), why))?;
        if !(0.001..=10.0).contains(&written.mm()) {
            return Err((
                key.column,
                format!(
                    "sd {} mm cannot be meant; expected 0.001 to 10 mm, such as sd 0.05 mm, or sd none",
                    plain_mm(written.mm())
                ),
            ));
        }
        self.now.sd_mm = Some(written.mm());
        Ok(written.used)
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

    fn placing_at(&mut self, number: usize, name: &Token, tokens: &[Token], colon: usize) -> Marked<()> {
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
        let repeats = ends
            .iter()
            .all(|t| matches!(t.text, "again" | "turned" | "x" | "y"))
            && ends.iter().any(|t| matches!(t.text, "again" | "turned"));
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

    /// The placing of an `again` or `turned` line and its spots; `None` when the first one had faults.
    fn repeated(&mut self, name: &Token, words: &[Token]) -> Marked<Option<(Placing, Vec<[f64; 2]>)>> {
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
                [from[0] + t * (to[0] - from[0]), from[1] + t * (to[1] - from[1])]
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

    /// The readings of a placing, and whether they can be used: as many as there are spots, all numbers.
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
        let values: Vec<Option<Option<f64>>> = written
            .iter()
            .map(|token| match self.value(token) {
                Ok(value) => Some(value),
                Err(why) => {
                    self.faults.add(number, token.column, why);
                    None
                }
            })
            .collect();
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
                line: number,
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
        let Some(value) = units::number(&plain) else {
            return Err(not_a_number(token.text, &plain));
        };
        let unit = self.now.unit.unwrap_or(Unit::Length(1.0));
        unit.mm(value)
            .map(Some)
            .map_err(|why| format!("reading {} {why}", quoted(token.text)))
    }
}

/// Why a reading is no number, with the slips that are foreseen.
pub(super) fn not_a_number(written: &str, plain: &str) -> String {
    let shown = quoted(written);
    let lower = plain.to_lowercase();
    if ["nan", "inf", "infinity"].contains(&lower.trim_start_matches(['+', '-'])) {
        return format!("reading {shown} is not a number a tool can show; write ? for a reading not taken");
    }
    if units::length(plain).is_ok() {
        return format!("reading {shown} has its unit attached; write the number alone, the unit stands in the unit line");
    }
    if plain.matches(',').count() > 1 || plain.contains(',') && plain.contains('.') {
        return format!("reading {shown} is not a number; part readings by spaces, such as 0.10 0.25");
    }
    if ["-", "–", "—", "--", "x", "/"].contains(&plain) {
        return format!("reading {shown} is not a number; write ? for a reading not taken");
    }
    format!("reading {shown} is not a number; expected such as 1.30, or ? if not taken")
}

fn tool_words() -> String {
    Tool::ALL.map(Tool::word).join(", ")
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
    let placing = tokens.iter().any(|t| matches!(t.text, "x" | "y" | "again" | "turned"));
    if placing {
        return format!("no colon between the ends of {first} and its readings; expected such as {EXAMPLE}");
    }
    format!(
        "this line is neither a header nor a placing{}; a placing is written such as {EXAMPLE}, a remark begins with #",
        did_you_mean(first, HEADERS)
    )
}

fn wrong_count(placing: &Placing, spots: &[[f64; 2]], found: usize) -> String {
    let (Some(from), Some(to)) = (spots.first(), spots.last()) else {
        return String::new();
    };
    let count = spots.len();
    let steps = count.saturating_sub(1).max(1) as f64;
    let step = (to[0] - from[0]).hypot(to[1] - from[1]) / steps;
    let why = if found > count {
        "one written twice, or the step or an end wrong?"
    } else {
        "one left out (write ? for a reading not taken), or the step or an end wrong?"
    };
    format!(
        "{}: {} in steps of {} mm is {count} readings, {found} found: {why}",
        placing.label(),
        run(*from, *to),
        plain_mm(step)
    )
}

/// "0 to 600" along an axis, "x 0 to 424, y 0 to 424" on a diagonal.
fn run(from: [f64; 2], to: [f64; 2]) -> String {
    let range = |a: usize| format!("{} to {}", plain_mm(from[a]), plain_mm(to[a]));
    match (from[0] != to[0], from[1] != to[1]) {
        (true, true) => format!("x {}, y {}", range(0), range(1)),
        (false, true) => range(1),
        _ => range(0),
    }
}

/// Number of steps between two ends.
fn whole_steps(from: [f64; 2], to: [f64; 2], step: f64) -> Result<usize, String> {
    let span = (to[0] - from[0]).hypot(to[1] - from[1]);
    if span < STEP_SLACK_MM {
        return Err("both ends are the same spot; write from where to where, such as x 0 to 600 y 100".into());
    }
    let diagonal = from[0] != to[0] && from[1] != to[1];
    let slack = if diagonal {
        STEP_SLACK_MM.max(DIAGONAL_SLACK * span)
    } else {
        STEP_SLACK_MM
    };
    let steps = (span / step).round();
    if steps > MOST_READINGS as f64 {
        return Err(format!(
            "{} in steps of {} mm is more than {MOST_READINGS} readings; the step or an end wrong?",
            run(from, to),
            plain_mm(step)
        ));
    }
    if steps >= 1.0 && (span - steps * step).abs() <= slack {
        return Ok(steps as usize);
    }
    let fitting = |n: f64| {
        let end = |a: usize| from[a] + (to[a] - from[a]) * n * step / span;
        run(from, [end(0), end(1)].map(|v| (v * 10.0).round() / 10.0))
    };
    let below = (span / step).floor();
    let choices = if below >= 1.0 {
        format!("{} or {}", fitting(below), fitting(below + 1.0))
    } else {
        fitting(1.0)
    };
    Err(format!(
        "{} is not a whole number of steps of {} mm; {choices} would be: an end or the step wrong?",
        run(from, to),
        plain_mm(step)
    ))
}

/// Ends of a placing: `x A to B y C`, `x C y A to B`, or both from-to on a diagonal.
fn ends_of(name: &Token, tokens: &[Token]) -> Marked<([f64; 2], [f64; 2])> {
    let mut axes: [Option<(f64, f64)>; 2] = [None, None];
    let mut rest = tokens;
    while let Some((axis, after)) = rest.split_first() {
        let which = match axis.text {
            "x" | "X" => 0,
            "y" | "Y" => 1,
            other => {
                return Err((
                    axis.column,
                    format!(
                        "{} is not understood in the ends of {}; expected such as x 0 to 600 y 100, then a colon",
                        quoted(other),
                        name.text
                    ),
                ));
            }
        };
        let (range, used) = range_at(axis, after)?;
        if axes[which].replace(range).is_some() {
            return Err((
                axis.column,
                format!("{} stands twice in the ends of {}", axis.text, name.text),
            ));
        }
        rest = after.get(used..).unwrap_or(&[]);
    }
    match axes {
        [Some(x), Some(y)] => Ok(([x.0, y.0], [x.1, y.1])),
        [None, None] => Err((
            name.column,
            format!("{} has no ends; expected such as {EXAMPLE}", name.text),
        )),
        [x, _] => Err((
            name.column,
            format!(
                "{} has no {}; both are needed, such as x 0 to 600 y 100",
                name.text,
                if x.is_none() { "x" } else { "y" }
            ),
        )),
    }
}

/// `A` or `A to B`, each with its unit; a unit behind B holds for a bare A too.
fn range_at(axis: &Token, tokens: &[Token]) -> Marked<((f64, f64), usize)> {
    let at = |i: usize| tokens.get(i..).unwrap_or(&[]);
    let column = |i: usize| tokens.get(i).map_or(axis.column, |t| t.column);
    let from = length_at(tokens).map_err(|why| (column(0), why))?;
    if from.mm().abs() > FARTHEST_MM {
        return Err((
            column(0),
            no_place(tokens.first()),
        ));
    }
    if tokens.get(from.used).is_none_or(|t| t.text != "to") {
        return Ok(((from.mm(), from.mm()), from.used));
    }
    let to = length_at(at(from.used + 1)).map_err(|why| (column(from.used + 1), why))?;
    if to.mm().abs() > FARTHEST_MM {
        return Err((
            column(from.used + 1),
            no_place(tokens.get(from.used + 1)),
        ));
    }
    let factor = from.factor.or(to.factor).unwrap_or(1.0);
    let used = from.used + 1 + to.used;
    Ok(((from.number * factor, to.mm()), used))
}

fn no_place(token: Option<&Token>) -> String {
    format!(
        "{} is no place on a panel; decimal mark or unit wrong?",
        quoted(token.map_or("", |t| t.text))
    )
}

/// A length at the head of the tokens: `600`, `600mm` or `24 in`.
fn length_at(tokens: &[Token]) -> Result<Written, String> {
    let Some(token) = tokens.first() else {
        return Err("a length is missing here; expected a number such as 600 or 24 in".into());
    };
    let plain = token.text.replace('\u{2212}', "-");
    if let Some(number) = units::number(&plain) {
        let factor = tokens.get(1).and_then(|t| units::mm_per(t.text));
        return Ok(Written {
            number,
            factor,
            used: 1 + usize::from(factor.is_some()),
        });
    }
    units::length(&plain).map(|mm| Written {
        number: mm,
        factor: Some(1.0),
        used: 1,
    })
}

/// Readings without the `_` left over behind a full row: typed in front of the blanks of a form.
fn without_spare_blanks<'a, 't>(written: &'a [Token<'t>], wanted: usize) -> &'a [Token<'t>] {
    let mut row = written;
    while row.len() > wanted
        && let Some((last, before)) = row.split_last()
        && last.text == "_"
    {
        row = before;
    }
    row
}

/// Words up to the next header word; `_` is a blank still to fill.
fn free_text(rest: &[Token]) -> (Option<String>, usize) {
    let end = rest
        .iter()
        .position(|t| HEADERS.contains(&t.text))
        .unwrap_or(rest.len());
    let text = joined(rest.get(..end).unwrap_or(rest));
    ((!text.is_empty() && text != "_").then_some(text), end)
}

fn joined(tokens: &[Token]) -> String {
    tokens
        .iter()
        .enumerate()
        .map(|(i, t)| match (i, t.blanks) {
            (0, _) | (_, 0) => t.text.to_string(),
            _ => format!(" {}", t.text),
        })
        .collect()
}

/// The value of a header word, or `None` if it is blank.
fn value_of<'a, 't>(rest: &'a [Token<'t>]) -> Option<&'a Token<'t>> {
    rest.first()
        .filter(|t| t.text != "_" && !HEADERS.contains(&t.text))
}

fn blanks_used(rest: &[Token]) -> usize {
    usize::from(rest.first().is_some_and(|t| t.text == "_"))
}

/// Whether a word means °C (true) or °F (false).
fn degrees(word: &str) -> Option<bool> {
    match word {
        "C" | "c" | "°C" => Some(true),
        "F" | "f" | "°F" => Some(false),
        _ => None,
    }
}

/// A name without regard to capitals and number of blanks.
fn same_words(name: &str) -> String {
    name.split_whitespace()
        .collect::<Vec<_>>()
        .join(" ")
        .to_lowercase()
}

impl Conditions {
    /// Takes over what is not yet known from another file; what differs is told by name, with both values.
    pub(super) fn merge(&mut self, other: Conditions) -> Vec<(&'static str, String, String)> {
        let mut differing = Vec::new();
        let fields = [
            ("date", &mut self.date, other.date),
            ("panel", &mut self.panel, other.panel),
            ("by", &mut self.by, other.by),
            ("supports", &mut self.supports, other.supports),
        ];
        for (name, mine, theirs) in fields {
            match (mine.as_ref(), theirs) {
                (Some(a), Some(b)) if *a != b => differing.push((name, a.clone(), b)),
                (None, b) => *mine = b,
                _ => {}
            }
        }
        self.skin_c = self.skin_c.or(other.skin_c);
        differing
    }
}
