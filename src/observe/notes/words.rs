//! Words of a line of the notes form: with their columns, and as lengths with their units.

use crate::observe::Block;
use crate::units;

/// Words that begin a header line.
pub(super) const HEADERS: [&str; 10] = [
    "panel", "date", "by", "skin", "supports", "block", "tool", "step", "unit", "sd",
];
/// A placing line as shown in messages.
pub(super) const EXAMPLE: &str = "A1 x 0 to 600 y 100 : 0.00 0.10 0.25";

/// A result or a fault: its column and what to say.
pub(super) type Marked<T> = Result<T, (usize, String)>;

/// A word of a line: its text, its column in characters from 1, and the blanks before it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Token<'t> {
    pub text: &'t str,
    pub column: usize,
    pub blanks: usize,
    /// Its line, from 1.
    pub line: usize,
}

/// Whether a word is a reading or stands in for one: what may stand on a line of its own below its
/// placing.
pub(super) fn is_reading(word: &str) -> bool {
    matches!(word, "_" | "?") || units::number(&word.replace('\u{2212}', "-")).is_some()
}

/// Words of a line up to a remark. A colon is a word of its own; `"…"` is one word with its quotes,
/// straight or curly.
pub(super) fn tokens(number: usize, line: &str) -> Vec<Token<'_>> {
    let mut found = Vec::new();
    let mut rest = line;
    let mut column = 1;
    loop {
        let body = rest.trim_start();
        let blank = rest.strip_suffix(body).unwrap_or("");
        let blanks: usize = blank.chars().map(|c| if c == '\t' { 2 } else { 1 }).sum();
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
            line: number,
        });
        column += text.chars().count();
        rest = after;
    }
}

/// Bytes of the first word of a text that does not begin with a blank; at least one character.
pub(super) fn word_length(body: &str) -> usize {
    if body.starts_with(':') {
        return 1;
    }
    let mut letters = body.chars();
    if let Some(open) = letters.next().filter(|c| QUOTES.contains(c)) {
        let inside = letters.as_str();
        if let Some((end, close)) = inside.char_indices().find(|(_, c)| QUOTES.contains(c)) {
            return open.len_utf8() + end + close.len_utf8();
        }
    }
    body.find(|c: char| c.is_whitespace() || c == ':')
        .unwrap_or(body.len())
}

/// Quotes, as typed and as word processors and phones make them.
pub(super) const QUOTES: [char; 4] = ['"', '\u{201c}', '\u{201d}', '\u{201e}'];

/// What stands between the quotes of a word, if it is quoted.
pub(super) fn unquoted(word: &str) -> Option<&str> {
    let inside = word.strip_prefix(QUOTES)?;
    inside.strip_suffix(QUOTES)
}

/// A number with the unit written behind it, if any: mm in one of it.
pub(super) struct Written {
    pub number: f64,
    pub factor: Option<f64>,
    pub used: usize,
}

impl Written {
    /// The length in mm; a bare number is mm.
    pub fn mm(&self) -> f64 {
        self.number * self.factor.unwrap_or(1.0)
    }
}

/// A length at the head of the tokens: `600`, `600mm` or `24 in`.
pub(super) fn length_at(tokens: &[Token]) -> Result<Written, String> {
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
pub(super) fn without_spare_blanks<'a, 't>(
    written: &'a [Token<'t>],
    wanted: usize,
) -> &'a [Token<'t>] {
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
pub(super) fn free_text(rest: &[Token]) -> (Option<String>, usize) {
    let end = (0..rest.len())
        .find(|&k| begins_header(rest.get(k..).unwrap_or(&[])))
        .unwrap_or(rest.len());
    let text = joined(rest.get(..end).unwrap_or(rest));
    ((!text.is_empty() && text != "_").then_some(text), end)
}

/// Whether these words begin another header. A panel may lie on a block: only a block of the known
/// words is a header within text.
fn begins_header(words: &[Token]) -> bool {
    words.first().is_some_and(|first| match first.text {
        "block" => match words.get(1).map(|t| t.text) {
            Some("_" | ":") => true,
            _ => block_of(words.get(1..).unwrap_or(&[])).is_some(),
        },
        word => HEADERS.contains(&word),
    })
}

/// The block that the first words name, and how many words that takes.
pub(super) fn block_of(words: &[Token]) -> Option<(Block, usize)> {
    [2, 1].into_iter().find_map(|n| {
        let some = words.get(..n)?;
        Some((Block::from_words(&joined(some))?, n))
    })
}

pub(super) fn joined(tokens: &[Token]) -> String {
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
pub(super) fn value_of<'a, 't>(rest: &'a [Token<'t>]) -> Option<&'a Token<'t>> {
    rest.first()
        .filter(|t| t.text != "_" && !HEADERS.contains(&t.text))
}

pub(super) fn blanks_used(rest: &[Token]) -> usize {
    usize::from(rest.first().is_some_and(|t| t.text == "_"))
}

/// Whether a word means °C (true) or °F (false).
pub(super) fn degrees(word: &str) -> Option<bool> {
    match word {
        "C" | "c" | "°C" => Some(true),
        "F" | "f" | "°F" => Some(false),
        _ => None,
    }
}

/// A name without regard to capitals and number of blanks.
pub(super) fn same_words(name: &str) -> String {
    name.split_whitespace()
        .collect::<Vec<_>>()
        .join(" ")
        .to_lowercase()
}
