//! What can go wrong, and what is merely worth saying.
//!
//! A [`Fault`] is something wrong in a file, at a line and a column. All faults of a file are
//! gathered before anything is refused. An [`Error`] stops a command; a [`Warning`] is data that
//! travels with the result.

use serde::Serialize;
use std::path::PathBuf;

/// Something wrong in a file: where, what was found, what was expected, how to mend it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Fault {
    /// The file as the user named it.
    pub file: String,
    /// Line, from 1; 0 when the whole file is meant.
    pub line: usize,
    /// Column in characters, from 1; 0 when the whole line is meant.
    pub column: usize,
    /// Value found, what was expected and how to mend it, in one sentence.
    pub message: String,
}

impl std::fmt::Display for Fault {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match (self.line, self.column) {
            (0, _) => write!(f, "{}: {}", self.file, self.message),
            (line, 0) => write!(f, "{}:{}: {}", self.file, line, self.message),
            (line, column) => write!(f, "{}:{}:{}: {}", self.file, line, column, self.message),
        }
    }
}

fn lines_of(faults: &[Fault]) -> String {
    faults
        .iter()
        .map(Fault::to_string)
        .collect::<Vec<_>>()
        .join("\n")
}

/// Why a command could not do its work. Nothing has been written when one is returned.
#[derive(Debug, thiserror::Error)]
pub enum Error {
    /// Faults in the user's files, all of them.
    #[error("{}", lines_of(.0))]
    Faults(Vec<Fault>),
    /// A file or folder could not be read or written.
    #[error("{}: {source}; {advice}", .path.display())]
    File {
        /// The file or folder.
        path: PathBuf,
        /// What the system said.
        source: std::io::Error,
        /// How to mend it.
        advice: String,
    },
    /// The readings, each sound by itself, cannot carry a surface.
    #[error("{0}")]
    Survey(String),
    /// A photo cannot be used: its targets do not place the panel.
    #[error("{0}")]
    Photo(String),
    /// The calculation could not be finished; a fault of the program or an absurd input.
    #[error("the calculation failed: {0}")]
    Calculation(String),
    /// A fault of the program itself, caught at the top.
    #[error(
        "a fault of the program itself at {place} ({what}): nothing is half written; \
         please tell whoever keeps the program, with the files that led to it"
    )]
    Fault {
        /// Source file and line.
        place: String,
        /// Its own words, on one line.
        what: String,
    },
    /// A job book cannot be used as asked: in use, damaged, no such panel.
    #[error("{}: {what}", .path.display())]
    Book {
        /// The book.
        path: PathBuf,
        /// What is the matter, and what to do.
        what: String,
    },
    /// The command line asks for something that does not fit together.
    #[error("{0}")]
    Usage(String),
}

impl Error {
    /// Whether the command line itself was wrong (exit status 2, not 1).
    pub fn is_usage(&self) -> bool {
        matches!(self, Error::Usage(_))
    }
}

/// Something a person should know although the work went on.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize)]
pub struct Warning {
    /// Where it was met: `file:line:column`, or empty.
    pub place: String,
    /// What it is and what to do about it.
    pub text: String,
    /// What must stand across the top of everything that is made in spite of it; `None` for what is
    /// merely worth knowing.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub pressing: Option<Pressing>,
}

/// How a pressing warning stands at the top.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Pressing {
    /// A word or two: "TOUCHED SINCE", "HANDS OFF".
    pub label: &'static str,
    /// The rest, without those words.
    pub text: String,
    /// The same with its label, where there is room for half a line.
    #[serde(skip)]
    pub short: String,
}

impl Warning {
    /// A warning that belongs to no line of a file.
    pub fn new(text: impl Into<String>) -> Self {
        Warning {
            text: text.into(),
            ..Warning::default()
        }
    }

    /// One that must stand at the top of everything made in spite of it.
    pub fn pressing(text: impl Into<String>, how: Pressing) -> Self {
        Warning {
            pressing: Some(how),
            ..Warning::new(text)
        }
    }

    /// Whether it must stand at the top.
    pub fn is_pressing(&self) -> bool {
        self.pressing.is_some()
    }
}

impl std::fmt::Display for Warning {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        if self.place.is_empty() {
            f.write_str(&self.text)
        } else {
            write!(f, "{}: {}", self.place, self.text)
        }
    }
}
