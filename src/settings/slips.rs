//! Slips of syntax in a settings file: where they are, what to say, and what to pass over to read
//! the rest.

use crate::text::quoted;
use std::ops::Range;

/// A slip of syntax: where, what to say, and the bytes to blank so that the rest can be read.
pub(super) struct Slip {
    pub at: usize,
    pub message: String,
    pub cut: Range<usize>,
}

impl Slip {
    /// What a fault of the parser means.
    pub fn of(text: &str, fault: &toml::de::Error) -> Slip {
        let span = fault.span().unwrap_or(0..0);
        let line = line_around(text, span.start);
        let to_end = text.get(span.start..line.end).unwrap_or("");
        let found = match text.get(span.clone()) {
            Some(found) if !found.is_empty() => found,
            _ => to_end.split('#').next().unwrap_or("").trim(),
        };
        let said = fault.message();
        if said.contains("array") && !said.contains("array table") {
            return Slip::in_list(text, &line, span.start);
        }
        let curly = to_end.contains(['\u{201c}', '\u{201d}', '\u{201e}']);
        let message = match said {
            _ if curly => {
                "curly quotes; a settings file wants straight ones, such as \"12 in\": save it as plain text".into()
            }
            "duplicate key" => format!("{} is given twice; keep one", quoted(found)),
            m if m.starts_with("string values must be quoted") || m.starts_with("invalid boolean") => format!(
                "{} is neither a number nor text in quotes; words and numbers with a unit stand in quotes, such as \
                 \"12 in\", numbers in a list are parted by commas",
                quoted(found)
            ),
            m if m.starts_with("key with no value") => {
                "no \"=\" behind the key; expected key = value, such as width = 1200".into()
            }
            m if m.starts_with("unexpected key or value") => {
                "something stands behind the value; expected one key = value a line, a point as decimal mark and no \
                 comma for thousands"
                    .into()
            }
            m if m.contains("string") => "a quote is not closed on this line".into(),
            m => format!("not TOML: {m}; expected key = value, such as width = 1200"),
        };
        // The keys below a broken [header] belong to nothing that is known.
        let header = text
            .get(line.clone())
            .is_some_and(|l| l.trim_start().starts_with('['));
        let cut = if header {
            line.start..next_header(text, line.end)
        } else {
            line
        };
        Slip {
            at: span.start,
            message,
            cut,
        }
    }

    /// A list that is not closed or lacks a comma: told where it opens, cut up to the next key.
    fn in_list(text: &str, line: &Range<usize>, at: usize) -> Slip {
        let before = text.get(..at).unwrap_or("");
        let opens = before
            .rfind("= [")
            .map(|i| i + 2)
            .or(before.rfind("=[").map(|i| i + 1))
            .unwrap_or(at);
        let start = line_around(text, opens).start;
        let next_key =
            start < line.start && text.get(line.clone()).is_some_and(|l| l.contains('='));
        let end = if next_key { line.start } else { line.end };
        Slip {
            at: opens,
            message: "this list is not closed, or lacks a comma; expected such as [[0, 0], [1800, 0], [1800, 1200]]"
                .into(),
            cut: start..end,
        }
    }
}

/// Bytes of the line that holds a byte, without its end.
fn line_around(text: &str, byte: usize) -> Range<usize> {
    let byte = byte.min(text.len());
    let start = text
        .get(..byte)
        .and_then(|b| b.rfind('\n'))
        .map_or(0, |i| i + 1);
    let end = text
        .get(byte..)
        .and_then(|b| b.find('\n'))
        .map_or(text.len(), |i| byte + i);
    start..end
}

fn next_header(text: &str, from: usize) -> usize {
    text.get(from..)
        .and_then(|rest| rest.find("\n["))
        .map_or(text.len(), |i| from + i)
}

/// The text with spaces for everything but line ends in a range of bytes that begins and ends with
/// lines.
pub(super) fn blanked(text: &str, cut: Range<usize>) -> String {
    match (
        text.get(..cut.start),
        text.get(cut.clone()),
        text.get(cut.end..),
    ) {
        (Some(before), Some(slip), Some(after)) => {
            let spaces: String = slip
                .bytes()
                .map(|b| if b == b'\n' { '\n' } else { ' ' })
                .collect();
            format!("{before}{spaces}{after}")
        }
        _ => text.to_string(),
    }
}
