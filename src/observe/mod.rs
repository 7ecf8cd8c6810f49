//! Readings files into a [`Survey`]: placings of readings that know the file, line and column they came from.
//!
//! In: the text of one or more readings files (notes form or table form) and the [`Panel`](crate::panel::Panel).
//! Out: one [`Survey`], lengths in mm, every reading as it was written. Nothing is altered or dropped here.

pub mod notes;
pub mod table;

use serde::Serialize;

/// The measuring tools, each a row of one linear system (see `fit::tools`).
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Tool {
    /// Gap under a straightedge, ≥ 0.
    Straightedge,
    /// Height copied by pins, outward positive.
    ProfileGauge,
    /// Gap under a sprung batten that touches at two or more points (gap 0).
    Batten,
    /// Centre dial between two feet, hump positive.
    WaveGauge,
    /// Height against one fixed bridge, rail or scanner, up positive.
    Bridge,
}

impl Tool {
    /// All tools, in the order of the handbook.
    pub const ALL: [Tool; 5] = [
        Tool::Straightedge,
        Tool::ProfileGauge,
        Tool::Batten,
        Tool::WaveGauge,
        Tool::Bridge,
    ];

    /// The word used in files and on screen.
    pub fn word(self) -> &'static str {
        match self {
            Tool::Straightedge => "straightedge",
            Tool::ProfileGauge => "profile-gauge",
            Tool::Batten => "batten",
            Tool::WaveGauge => "wave-gauge",
            Tool::Bridge => "bridge",
        }
    }

    /// The tool that a word names.
    pub fn from_word(word: &str) -> Option<Tool> {
        Tool::ALL.into_iter().find(|t| t.word() == word)
    }

    /// Whether its readings are gaps, which cannot be negative.
    pub fn reads_gaps(self) -> bool {
        matches!(self, Tool::Straightedge | Tool::Batten)
    }
}

/// One number taken in a placing, or the place of one not taken.
#[derive(Clone, Debug, PartialEq)]
pub struct Reading {
    /// Place on the panel, mm.
    pub x: f64,
    /// Place on the panel, mm.
    pub y: f64,
    /// What was read, mm, sign as the tool has it; `None` for `?` or a blank (not taken).
    pub value_mm: Option<f64>,
    /// The smallest step the way of writing shows, mm (0.05 written as `0.05`: 0.01), used only for echo.
    pub written: String,
    /// Standard uncertainty if the file gives one, mm.
    pub sd_mm: Option<f64>,
    /// Line in the file, from 1.
    pub line: usize,
    /// Column in the file in characters, from 1.
    pub column: usize,
}

/// One setting-down of a tool, with its readings in order along it.
#[derive(Clone, Debug, PartialEq)]
pub struct Placing {
    /// Name as written ("A1"); a repeat has the same name.
    pub name: String,
    /// The tool.
    pub tool: Tool,
    /// Length of the edge, gauge or batten in mm; for a wave gauge the distance between its feet. 0 when not known.
    pub base_mm: f64,
    /// Unit direction along the placing, (dx, dy). For a wave gauge: from foot to foot.
    pub toward: [f64; 2],
    /// Repeat number: 0 for the first setting-down under this name, 1 for the first `again`, …
    pub repeat: usize,
    /// Repeated with the edge end for end.
    pub turned: bool,
    /// The readings.
    pub readings: Vec<Reading>,
    /// The file it was written in, as the user named it.
    pub file: String,
    /// Line of the file where it begins.
    pub line: usize,
}

impl Placing {
    /// Readings that were taken.
    pub fn taken(&self) -> impl Iterator<Item = &Reading> {
        self.readings.iter().filter(|r| r.value_mm.is_some())
    }

    /// How it is named to the user: "A1", "A1 again", "A1 turned".
    pub fn label(&self) -> String {
        match (self.turned, self.repeat) {
            (true, _) => format!("{} turned", self.name),
            (false, 0) => self.name.clone(),
            (false, 1) => format!("{} again", self.name),
            (false, n) => format!("{} again ({n})", self.name),
        }
    }
}

/// What was noted about a survey beside its readings.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct Conditions {
    /// Panel name written in the file, if any.
    pub panel: Option<String>,
    /// Date, YYYY-MM-DD.
    pub date: Option<String>,
    /// Who measured.
    pub by: Option<String>,
    /// Skin temperature in °C.
    pub skin_c: Option<f64>,
    /// Where the panel was supported, as written.
    pub supports: Option<String>,
}

/// All placings of one survey, in the order in which they were written.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Survey {
    /// The placings.
    pub placings: Vec<Placing>,
    /// Date, person, temperature, supports.
    pub conditions: Conditions,
    /// The files it was read from, as the user named them.
    pub files: Vec<String>,
    /// Things to mention: slips foreseen, things that look odd but are not refused.
    pub warnings: Vec<crate::problem::Warning>,
}

impl Survey {
    /// Number of readings taken.
    pub fn taken(&self) -> usize {
        self.placings.iter().map(|p| p.taken().count()).sum()
    }
}
