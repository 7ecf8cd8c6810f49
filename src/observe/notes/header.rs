//! Header lines of the notes form: what they say and what holds for the placings below them.

use super::Reader;
use super::words::{
    HEADERS, Marked, Token, blanks_used, block_of, degrees, free_text, joined, length_at,
    same_words, unquoted, value_of,
};
use crate::observe::{Block, Tool, conflict, degrees as degrees_c, skins_differ};
use crate::text::{did_you_mean, plain_mm, quoted};
use crate::units;

/// The unit of the readings that follow.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Unit {
    Length(f64),
    Hundredths,
    Thou,
}

impl Unit {
    const WORDS: [&str; 5] = ["mm", "hundredths", "thou", "in", "cm"];

    fn from_word(word: &str) -> Option<Unit> {
        Some(match word.to_lowercase().as_str() {
            "mm" => Unit::Length(1.0),
            "cm" => Unit::Length(10.0),
            "in" | "inch" | "inches" => Unit::Length(units::MM_PER_INCH),
            "hundredths" => Unit::Hundredths,
            "thou" => Unit::Thou,
            _ => return None,
        })
    }

    /// mm of a number as written. Hundredths are whole; thou whole or, above 1, half, as feelers
    /// come.
    pub fn mm(self, value: f64) -> Result<f64, &'static str> {
        match self {
            Unit::Length(factor) => Ok(value * factor),
            Unit::Hundredths if value.fract() != 0.0 => {
                Err("is not a whole number of hundredths; 0.25 mm is written 25, or write unit mm")
            }
            // Divided, not multiplied by 0.01: 25 is then exactly 0.25.
            Unit::Hundredths => Ok(value / 100.0),
            Unit::Thou
                if value.fract() != 0.0 && (value.abs() < 1.0 || (2.0 * value).fract() != 0.0) =>
            {
                Err(
                    "is not a whole or half number of thou; 0.010 in is written 10, or write unit in",
                )
            }
            Unit::Thou => Ok(value * units::MM_PER_INCH / 1000.0),
        }
    }
}

impl Reader<'_> {
    /// One header line, word by word.
    pub(super) fn header(&mut self, number: usize, tokens: &[Token]) -> Marked<()> {
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
                    self.supports(number, key, text);
                    used
                }
                "block" => self.block(key, rest)?,
                "skin" => self.skin(number, key, rest)?,
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

    /// A panel's name runs to the end of the line, or to a header word after two blanks; or it is
    /// quoted.
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
        let (name, used) = match unquoted(first.text) {
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

    /// Supports as noted; a second note that differs is told, and the first stays.
    fn supports(&mut self, number: usize, key: &Token, text: Option<String>) {
        let Some(text) = text else {
            return;
        };
        let before = self
            .read
            .conditions
            .supports
            .get_or_insert(text.clone())
            .clone();
        if same_words(&before) != same_words(&text) {
            self.conflict(number, key.column, ("supports", &before, &text));
        }
    }

    fn conflict(&mut self, number: usize, column: usize, (what, first, other): (&str, &str, &str)) {
        let advice = conflict(what).unwrap_or_default();
        self.warn(
            number,
            column,
            format!("{what} is {other} here and {first} before in one survey: {advice}"),
        );
    }

    /// What the coat was blocked with.
    fn block(&mut self, key: &Token, rest: &[Token]) -> Marked<usize> {
        let Some(token) = value_of(rest) else {
            return Ok(blanks_used(rest));
        };
        let Some((block, used)) = block_of(rest) else {
            let known: Vec<&str> = Block::ALL.iter().map(|b| b.words()).collect();
            return Err((
                token.column.max(key.column),
                format!(
                    "block {} is not known; expected {}",
                    quoted(&joined(rest.get(..2).unwrap_or(rest))),
                    known.join(", ")
                ),
            ));
        };
        self.read.conditions.block = Some(block);
        Ok(used)
    }

    fn skin(&mut self, number: usize, key: &Token, rest: &[Token]) -> Marked<usize> {
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
                let before = *self.read.conditions.skin_c.get_or_insert(c);
                if skins_differ(before, c) {
                    self.conflict(
                        number,
                        token.column,
                        ("skin", &degrees_c(before), &degrees_c(c)),
                    );
                }
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
        let (tool, mut used) = match (
            Tool::from_word(word.text),
            two.as_deref().and_then(Tool::from_word),
        ) {
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
            let written =
                length_at(rest.get(used..).unwrap_or(&[])).map_err(|why| (token.column, why))?;
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
        let written =
            length_at(rest).map_err(|why| (rest.first().map_or(key.column, |t| t.column), why))?;
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
        let written =
            length_at(rest).map_err(|why| (rest.first().map_or(key.column, |t| t.column), why))?;
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
}

fn tool_words() -> String {
    Tool::ALL.map(Tool::word).join(", ")
}
