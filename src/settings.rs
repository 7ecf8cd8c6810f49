//! Settings files in TOML: values that know their place in the text, every fault named at once.
//!
//! A file is walked as a tree, so that a wrong key, a wrong value and a slip of syntax are all
//! reported with line and column. What the keys mean stands with whoever reads them:
//! `panel/file.rs`, `plan/shop.rs`.

mod slips;

use crate::problem::Warning;
use crate::text::{self, Faults, plain_mm, quoted};
use crate::units;
use slips::{Slip, blanked};
use std::ops::Range;
use toml::Spanned;
use toml::de::{DeTable, DeValue};

const MOST_NAME: usize = 80;
/// Most slips of syntax that are looked for in one file.
const MOST_SLIPS: usize = 20;

/// One file while it is read: what is wrong and what is worth saying, gathered.
pub(crate) struct Reader<'t> {
    pub(crate) text: &'t str,
    file: &'t str,
    pub(crate) faults: Faults,
    pub(crate) warnings: Vec<Warning>,
    /// Corners of outlines so far.
    pub(crate) corners: usize,
    syntax_sound: bool,
}

/// A value with its place.
pub(crate) type Value<'v, 'i> = &'v Spanned<DeValue<'i>>;

/// The value of a key.
pub(crate) fn get<'v, 'i>(table: &'v DeTable<'i>, key: &str) -> Option<Value<'v, 'i>> {
    table
        .iter()
        .find(|(k, _)| k.get_ref().as_ref() == key)
        .map(|(_, v)| v)
}

impl<'t> Reader<'t> {
    /// Of the text of a file; `file` is its name as the user wrote it.
    pub(crate) fn new(text: &'t str, file: &'t str) -> Self {
        Reader {
            text,
            file,
            faults: Faults::of(file),
            warnings: Vec::new(),
            corners: 0,
            syntax_sound: true,
        }
    }
}

impl Reader<'_> {
    // Places and messages.

    pub(crate) fn fault(&mut self, span: Range<usize>, message: impl Into<String>) {
        let (line, column) = if self.faults.full() {
            (0, 0)
        } else {
            text::place(self.text, span.start)
        };
        self.faults.add(line, column, message);
    }

    pub(crate) fn warn(&mut self, span: Option<Range<usize>>, text: impl Into<String>) {
        let place = span.map_or(self.file.to_string(), |s| {
            let (line, column) = text::place(self.text, s.start);
            format!("{}:{line}:{column}", self.file)
        });
        self.warnings.push(Warning {
            place,
            text: text.into(),
            ..Warning::default()
        });
    }

    /// The text with every line blanked that is not TOML, each told as a fault. The parser loses
    /// what follows a slip, so it is asked again after each; places stay the same.
    pub(crate) fn without_slips(&mut self) -> String {
        let mut text = self.text.to_string();
        for _ in 0..MOST_SLIPS {
            let (_, faults) = DeTable::parse_recoverable(&text);
            let first = faults
                .iter()
                .min_by_key(|f| f.span().map_or(0, |s| s.start));
            let Some(slip) = first.map(|f| Slip::of(&text, f)) else {
                break;
            };
            self.syntax_sound = false;
            self.fault(slip.at..slip.at, slip.message);
            let mended = blanked(&text, slip.cut);
            if mended == text {
                break;
            }
            text = mended;
        }
        text
    }

    pub(crate) fn check_keys<'k>(
        &mut self,
        table: &DeTable,
        known: impl Iterator<Item = &'k str> + Clone,
        of: &str,
    ) {
        for (key, _) in table.iter() {
            let word: &str = key.get_ref();
            if known.clone().any(|k| k == word) {
                continue;
            }
            let advice = match text::closest(word, known.clone()) {
                Some(near) => format!("did you mean {near}?"),
                None => format!(
                    "known keys: {}",
                    known.clone().collect::<Vec<_>>().join(", ")
                ),
            };
            self.fault(
                key.span(),
                format!("{} is no key of {of}; {advice}", quoted(word)),
            );
        }
    }

    /// A key that must be there. Not asked for where a slip of syntax may have swallowed it.
    pub(crate) fn wanted<'v, 'i>(
        &mut self,
        table: &'v DeTable<'i>,
        key: &str,
        example: &str,
    ) -> Option<Value<'v, 'i>> {
        let found = get(table, key);
        let written = || {
            self.text
                .lines()
                .any(|l| l.trim_start().trim_start_matches('"').starts_with(key))
        };
        if found.is_none() && (self.syntax_sound || !written()) {
            self.faults.add(
                0,
                0,
                format!("{key} is missing; add a line such as {example}"),
            );
        }
        found
    }

    pub(crate) fn wrong_kind(&mut self, value: Value, what: &str, expected: &str) {
        let shown = self.text.get(value.span()).unwrap_or("").to_string();
        self.fault(
            value.span(),
            format!("{what} {} is not {expected}", quoted(&shown)),
        );
    }

    // Single values.

    pub(crate) fn words<'v>(
        &mut self,
        value: &'v Spanned<DeValue>,
        what: &str,
        example: &str,
    ) -> Option<&'v str> {
        let words = value.get_ref().as_str();
        if words.is_none() {
            self.wrong_kind(value, what, &format!("text in quotes, such as {example}"));
        }
        words
    }

    pub(crate) fn name(&mut self, value: Value) -> Option<String> {
        let name = self.words(value, "name", "\"cabin roof\"")?.trim();
        let long = name.chars().count() > MOST_NAME;
        if name.is_empty() || long || name.chars().any(char::is_control) {
            self.fault(
                value.span(),
                format!(
                    "name {} is no name; expected one line of 1 to {MOST_NAME} letters",
                    quoted(name)
                ),
            );
            return None;
        }
        Some(name.to_string())
    }

    pub(crate) fn flag(&mut self, table: &DeTable, key: &str) -> bool {
        let Some(value) = get(table, key) else {
            return false;
        };
        let flag = value.get_ref().as_bool();
        if flag.is_none() {
            self.wrong_kind(value, key, "true or false, written without quotes");
        }
        flag.unwrap_or(false)
    }

    /// A bare number as written; integers in any TOML radix, no NaN, no infinity.
    pub(crate) fn bare(value: Value) -> Option<f64> {
        match value.get_ref() {
            DeValue::Integer(i) => i64::from_str_radix(i.as_str(), i.radix())
                .ok()
                .map(|v| v as f64),
            DeValue::Float(f) => f.as_str().parse().ok().filter(|v: &f64| v.is_finite()),
            _ => None,
        }
    }

    /// A length in mm: a bare number, or text with its unit.
    pub(crate) fn length(&mut self, value: Value, what: &str) -> Option<f64> {
        if let Some(mm) = Self::bare(value) {
            return Some(mm);
        }
        match value.get_ref().as_str() {
            Some(words) => match units::length(words) {
                Ok(mm) => Some(mm),
                Err(why) => {
                    self.fault(value.span(), format!("{what}: {why}"));
                    None
                }
            },
            None => {
                self.wrong_kind(
                    value,
                    what,
                    "a length; expected mm such as 300, or text with a unit such as \"12 in\"",
                );
                None
            }
        }
    }

    pub(crate) fn length_between(
        &mut self,
        value: Value,
        what: &str,
        least: f64,
        most: f64,
    ) -> Option<f64> {
        let mm = self.length(value, what)?;
        if (least..=most).contains(&mm) {
            return Some(mm);
        }
        self.fault(
            value.span(),
            format!(
                "{what} {} mm cannot be meant; expected {} to {} mm, or write the unit",
                plain_mm(mm),
                plain_mm(least),
                plain_mm(most)
            ),
        );
        None
    }
}
