//! Readings files into a [`Survey`]: placings of readings that know the file, line and column they
//! came from.
//!
//! In: the text of one or more readings files (notes form or table form) and the
//! [`Panel`](crate::panel::Panel). Out: one [`Survey`], lengths in mm, every reading as it was
//! written. Nothing is altered or dropped here.

pub mod blank;
mod block;
mod names;
pub mod notes;
pub mod sound;
pub mod table;

pub use block::Block;
pub use sound::check_carries;

use crate::panel::Panel;
use crate::problem::{Error, Fault, Warning};
use crate::text::{self, Given};
use serde::Serialize;
use std::path::{Path, PathBuf};

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
    /// The smallest step the way of writing shows, mm (0.05 written as `0.05`: 0.01), used only for
    /// echo.
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
    /// Length of the edge, gauge or batten in mm; for a wave gauge the distance between its feet. 0
    /// when not known.
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

    /// Middle distance between neighbouring readings, mm; `None` with fewer than two.
    pub fn pitch_mm(&self) -> Option<f64> {
        let mut along: Vec<f64> = self
            .taken()
            .map(|r| r.x * self.toward[0] + r.y * self.toward[1])
            .collect();
        along.sort_by(f64::total_cmp);
        let mut gaps: Vec<f64> = along.windows(2).map(|w| w[1] - w[0]).collect();
        gaps.sort_by(f64::total_cmp);
        gaps.get(gaps.len() / 2).copied().filter(|g| *g > 0.0)
    }

    /// Middle distance between neighbouring readings along x and along y, mm, where the readings of
    /// a placing spread over an area (a bridge's or a scan's grid): neighbours are those in one
    /// row, within a millimetre. `None` where no row holds two.
    pub fn grid_pitch_mm(&self) -> [Option<f64>; 2] {
        if self.tool != Tool::Bridge || sound::line_of(self).is_some() {
            return [None, None];
        }
        [0, 1].map(|axis| {
            let mut places: Vec<[f64; 2]> = self
                .taken()
                .map(|r| if axis == 0 { [r.y, r.x] } else { [r.x, r.y] })
                .map(|[row, at]| [row.round(), at])
                .collect();
            places.sort_by(|a, b| a[0].total_cmp(&b[0]).then(a[1].total_cmp(&b[1])));
            let mut gaps: Vec<f64> = places
                .windows(2)
                .filter(|w| w[0][0] == w[1][0])
                .map(|w| w[1][1] - w[0][1])
                .filter(|gap| *gap > 0.0)
                .collect();
            gaps.sort_by(f64::total_cmp);
            gaps.get(gaps.len() / 2).copied()
        })
    }

    /// How it is named to the user: "A1", "A1 again", "A1 turned".
    pub fn label(&self) -> String {
        match (self.turned, self.repeat) {
            (true, 2..) => format!("{} turned ({})", self.name, self.repeat),
            (true, _) => format!("{} turned", self.name),
            (false, 0) => self.name.clone(),
            (false, 1) => format!("{} again", self.name),
            (false, n) => format!("{} again ({n})", self.name),
        }
    }

    /// The placing in a line, readings as they were written: "A1: 13 readings, 0.00 to 0.60, one
    /// not taken".
    pub fn echo(&self) -> String {
        let total = self.readings.len();
        let mut line = format!("{}: {total} readings", self.label());
        let by_value = |a: &&Reading, b: &&Reading| {
            let value = |r: &Reading| r.value_mm.unwrap_or(0.0);
            value(a).total_cmp(&value(b))
        };
        if let (Some(least), Some(most)) =
            (self.taken().min_by(by_value), self.taken().max_by(by_value))
        {
            line.push_str(&format!(", {} to {}", least.written, most.written));
        }
        match total - self.taken().count() {
            0 => {}
            1 => line.push_str(", one not taken"),
            n => line.push_str(&format!(", {n} not taken")),
        }
        line
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
    /// What the guide coat was blocked with.
    pub block: Option<Block>,
}

impl Conditions {
    /// Takes over what is not yet known from another file; what differs is told by name, with both
    /// values.
    ///
    /// Of two temperatures the first stays, as of everything else.
    fn merge(&mut self, other: Conditions) -> Vec<(&'static str, String, String)> {
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
        match (self.skin_c, other.skin_c) {
            (Some(a), Some(b)) if skins_differ(a, b) => {
                differing.push(("skin", degrees(a), degrees(b)));
            }
            (None, b) => self.skin_c = b,
            _ => {}
        }
        match (self.block, other.block) {
            (Some(a), Some(b)) if a != b => {
                differing.push(("block", a.words().into(), b.words().into()));
            }
            (mine, theirs) => self.block = mine.or(theirs),
        }
        differing
    }
}

/// Two temperatures of a skin within one survey that differ by more than this move a panel by what
/// is measured here, °C: sun on one side is worth 0.1 to 0.5 mm on thin skins (common practice, no
/// source).
const SKINS_DIFFER_C: f64 = 5.0;

/// Whether two temperatures of one survey are in conflict.
pub(crate) fn skins_differ(a_c: f64, b_c: f64) -> bool {
    (a_c - b_c).abs() > SKINS_DIFFER_C
}

/// "12 °C".
pub(crate) fn degrees(c: f64) -> String {
    format!("{c:.0} °C")
}

/// What to make of conditions that are in conflict within one survey.
pub(crate) fn conflict(what: &str) -> Option<&'static str> {
    Some(match what {
        "date" => "was the panel touched between them?",
        "panel" => "the right files?",
        "supports" => "a panel on other supports has another shape",
        "block" => "the first is taken",
        "skin" => {
            "a panel moves as it warms (sun on one side: 0.1 to 0.5 mm on thin skins), so these may not be one shape: which is right, or \
             take one of them again at the other's temperature"
        }
        _ => return None,
    })
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

    /// The first reading that is not 0: shown in full, a wrong unit is seen at once.
    pub fn first_reading(&self) -> Option<FirstReading> {
        let placing_and_reading = self.placings.iter().find_map(|p| {
            p.taken()
                .find(|r| r.value_mm.is_some_and(|v| v != 0.0))
                .map(|r| (p, r))
        });
        let (placing, reading) = placing_and_reading?;
        let start = placing.readings.first()?;
        Some(FirstReading {
            label: placing.label(),
            value_mm: reading.value_mm?,
            along_mm: (reading.x - start.x).hypot(reading.y - start.y),
        })
    }
}

/// A reading by its placing.
#[derive(Clone, Debug, PartialEq)]
pub struct FirstReading {
    /// The placing's label.
    pub label: String,
    /// What was read, mm.
    pub value_mm: f64,
    /// Distance along the placing from its first reading, mm.
    pub along_mm: f64,
}

/// What one readings file holds, sound or not.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct FileRead {
    /// Its placings, also those of which nothing or little has been taken yet. Those with faults
    /// may be missing.
    pub placings: Vec<Placing>,
    /// What its header lines say.
    pub conditions: Conditions,
    /// Things to mention.
    pub warnings: Vec<Warning>,
    /// Everything wrong in it, in the order of the file.
    pub faults: Vec<Fault>,
}

/// Largest readings file that is read, bytes.
pub const MOST_BYTES: u64 = 200_000_000;

/// Most readings of one file, with those not taken.
pub const MOST_READINGS: usize = 1_000_000;
/// Longest line of a readings file, bytes.
pub const MOST_LINE: usize = 1_000_000;

/// Reads one survey from its files, in the order in which they are named: `.csv` as a table, all
/// others as notes.
///
/// Placings not yet taken are left out; of those begun with a single reading so far a warning
/// tells.
///
/// # Errors
/// [`Error::Faults`] with everything wrong in all files. Whether the readings can carry a surface
/// is asked separately, by [`check_carries`].
pub fn load(paths: &[PathBuf], panel: &Panel) -> Result<Survey, Error> {
    survey_of(&given(paths), panel)
}

/// The files of a survey as they are, or why one cannot be read. One that is named twice is a
/// fault.
pub fn given(paths: &[PathBuf]) -> Vec<Result<Given, Fault>> {
    let twice = |file: &PathBuf| Fault {
        file: file.display().to_string(),
        line: 0,
        column: 0,
        message: "is named twice; name each readings file once".into(),
    };
    paths
        .iter()
        .enumerate()
        .map(|(i, path)| match paths.iter().take(i).any(|p| p == path) {
            true => Err(twice(path)),
            false => text::typed(path, MOST_BYTES),
        })
        .collect()
}

/// Reads one survey from files that are in memory, as [`load`] does.
///
/// # Errors
/// [`Error::Faults`] with everything wrong in all files, and with those that could not be read.
pub fn survey_of(files: &[Result<Given, Fault>], panel: &Panel) -> Result<Survey, Error> {
    let mut survey = Survey::default();
    let mut faults = Vec::new();
    let mut all: Vec<Placing> = Vec::new();
    for file in files {
        let decoded = file.as_ref().map_err(Fault::clone);
        let decoded = decoded.and_then(|f| Ok((&f.name, text::decode(&f.bytes, &f.name)?)));
        let (file, text) = match decoded {
            Ok(decoded) => decoded,
            Err(fault) => {
                faults.push(fault);
                continue;
            }
        };
        let table = Path::new(file)
            .extension()
            .is_some_and(|e| e.eq_ignore_ascii_case("csv"));
        let read = if table {
            table::parse(text, file, panel, &all)
        } else {
            notes::parse(text, file, panel, &all)
        };
        faults.extend(read.faults);
        survey.warnings.extend(read.warnings);
        survey.merge_conditions(read.conditions, file);
        survey.files.push(file.clone());
        all.extend(read.placings);
    }
    if !faults.is_empty() {
        return Err(Error::Faults(faults));
    }
    for placing in all {
        survey.take_in(placing);
    }
    survey.warnings.extend(sound::suspicions(&survey, panel));
    Ok(survey)
}

fn too_long() -> String {
    format!("this line is longer than {MOST_LINE} characters; is this a readings file?")
}

fn too_many() -> String {
    format!(
        "more than {MOST_READINGS} readings in one file; thin them out, every second or third is enough"
    )
}

impl Survey {
    fn merge_conditions(&mut self, conditions: Conditions, file: &str) {
        for (what, first, other) in self.conditions.merge(conditions) {
            let Some(advice) = conflict(what) else {
                continue;
            };
            self.warnings.push(Warning {
                place: file.to_string(),
                text: format!("{what} is {other} here and {first} in the files before: {advice}"),
                ..Warning::default()
            });
        }
    }

    /// Adds a placing unless it is still to be taken, wholly or but for one reading.
    fn take_in(&mut self, placing: Placing) {
        let contacts = placing.taken().filter(|r| r.value_mm == Some(0.0)).count();
        let unfinished = match placing.taken().count() {
            0 => return,
            1 => Some("one reading so far"),
            _ if placing.tool == Tool::Batten && contacts < 2 => {
                Some("fewer than two contacts so far")
            }
            _ => None,
        };
        match unfinished {
            None => self.placings.push(placing),
            Some(so_far) => self.warnings.push(Warning {
                place: format!("{}:{}", placing.file, placing.line),
                text: format!("{}: {so_far}, not used yet", placing.label()),
                ..Warning::default()
            }),
        }
    }
}
