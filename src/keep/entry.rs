//! One entry of the book: what was done to a panel, when, by whom.

use super::facts::{self, Fact, Facts, MOST_NOTE, MOST_WORD};
use super::result::SurveyResult;
use crate::text;
use jiff::Timestamp;
use jiff::civil::Date;

/// What was done.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Kind {
    /// A repair of the structure.
    Repair,
    /// Baked: warmed and held.
    PostCure,
    /// Cleaned.
    Clean,
    /// Filler spread.
    Fill,
    /// Sanded.
    Sand,
    /// Blocked: sanded with a long board.
    Block,
    /// Guide coat dusted on.
    GuideCoat,
    /// Surveyed: readings, photos, or both.
    Survey,
    /// Pinholes filled.
    Pinholes,
    /// Primed.
    Prime,
    /// Weighed.
    Weigh,
    /// Balanced.
    Balance,
    /// Signed off at a base.
    SignOff,
    /// Put on other supports.
    ReProp,
    /// Held by somebody: wet, being worked on.
    Hold,
    /// No longer held.
    Release,
    /// Strikes another entry.
    Strike,
    /// A remark.
    Note,
}

use Kind::*;

impl Kind {
    /// All kinds, in the order in which a job meets them.
    pub const ALL: [Kind; 18] = [
        Repair, PostCure, Clean, Fill, Sand, Block, GuideCoat, Survey, Pinholes, Prime, Weigh,
        Balance, SignOff, ReProp, Hold, Release, Strike, Note,
    ];

    /// The word for it.
    pub fn word(self) -> &'static str {
        match self {
            Repair => "repair",
            PostCure => "post-cure",
            Clean => "clean",
            Fill => "fill",
            Sand => "sand",
            Block => "block",
            GuideCoat => "guide-coat",
            Survey => "survey",
            Pinholes => "pinholes",
            Prime => "prime",
            Weigh => "weigh",
            Balance => "balance",
            SignOff => "sign-off",
            ReProp => "re-prop",
            Hold => "hold",
            Release => "release",
            Strike => "strike",
            Note => "note",
        }
    }

    /// The word on screen, where it is another than the book's.
    pub fn shown(self) -> &'static str {
        match self {
            Hold => "hands-off",
            Release => "free",
            other => other.word(),
        }
    }

    /// The kind that a word names: the book's or that on screen.
    ///
    /// # Errors
    /// A sentence with the nearest kind, or all of them.
    ///
    /// ```
    /// use lowspot::keep::Kind;
    /// assert_eq!(Kind::from_word("post-cure"), Ok(Kind::PostCure));
    /// assert!(Kind::from_word("blok").unwrap_err().contains("did you mean block?"));
    /// ```
    pub fn from_word(word: &str) -> Result<Kind, String> {
        let named = |k: &Kind| k.shown() == word || k.word() == word;
        if let Some(kind) = Kind::ALL.into_iter().find(named) {
            return Ok(kind);
        }
        let words = || Kind::ALL.into_iter().map(Kind::shown);
        let advice = match text::closest(word, words()) {
            Some(near) => format!("did you mean {near}?"),
            None => format!("kinds are {}", words().collect::<Vec<_>>().join(", ")),
        };
        Err(format!(
            "{} is no kind of entry; {advice}",
            text::quoted(word)
        ))
    }

    /// The facts that it must have, and those that it may have.
    pub fn facts(self) -> (&'static [Fact], &'static [Fact]) {
        match self {
            PostCure => (&[Fact::Temperature, Fact::HoldHours], &[]),
            Fill => (
                &[],
                &[
                    Fact::Recipe,
                    Fact::Cure,
                    Fact::Batch,
                    Fact::Grams,
                    Fact::Way,
                    Fact::Min,
                ],
            ),
            Prime => (
                &[],
                &[
                    Fact::Recipe,
                    Fact::Cure,
                    Fact::Batch,
                    Fact::Coats,
                    Fact::Grams,
                ],
            ),
            Sand | Block => (&[], &[Fact::At]),
            Weigh => (&[Fact::Grams], &[]),
            SignOff => (&[Fact::Base, Fact::Means], &[]),
            Hold => (&[], &[Fact::Until, Fact::Why]),
            Release => (&[], &[Fact::Why]),
            Strike => (&[Fact::Why], &[]),
            Repair | Clean | GuideCoat | Survey | Pinholes | Balance | ReProp | Note => (&[], &[]),
        }
    }

    /// Whether it changes the surface or how it lies, so that the survey before it no longer holds.
    pub fn makes_stale(self) -> bool {
        matches!(
            self,
            Fill | Sand | Block | PostCure | Repair | Prime | ReProp
        )
    }
}

/// What a stored file was for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Role {
    /// Readings of a survey.
    Readings,
    /// A photo of the guide coat.
    Photo,
    /// Targets of the photo before it, named by hand.
    Targets,
}

impl Role {
    /// The word in the book.
    pub fn word(self) -> &'static str {
        match self {
            Role::Readings => "readings",
            Role::Photo => "photo",
            Role::Targets => "targets",
        }
    }

    pub(super) fn from_word(word: &str) -> Option<Role> {
        [Role::Readings, Role::Photo, Role::Targets]
            .into_iter()
            .find(|r| r.word() == word)
    }
}

/// One entry, as it stands in the book.
#[derive(Clone, Debug, PartialEq)]
pub struct Entry {
    /// Its number in the book, from 1.
    pub number: i64,
    /// Row of its panel, see [`super::PanelRow`].
    pub panel: i64,
    /// Row of the panel's version that was the newest when it was entered.
    pub version: i64,
    /// What was done.
    pub kind: Kind,
    /// Day of the work.
    pub date: Date,
    /// When it was entered.
    pub entered_at: Timestamp,
    /// Who did it.
    pub who: Option<String>,
    /// Hours of work.
    pub hours: Option<f64>,
    /// Skin temperature, °C.
    pub skin_c: Option<f64>,
    /// Where the panel was supported.
    pub supports: Option<String>,
    /// A remark.
    pub note: Option<String>,
    /// What belongs to the kind.
    pub facts: Facts,
    /// The entry that this one strikes.
    pub strikes: Option<i64>,
    /// Number of the entry by which this one stands struck.
    pub struck_by: Option<i64>,
}

impl Entry {
    /// Whether it counts: no entry that counts strikes it.
    pub fn stands(&self) -> bool {
        self.struck_by.is_none()
    }

    /// By day of the work, then by number.
    pub fn order(&self) -> (Date, i64) {
        (self.date, self.number)
    }
}

/// Tells which entries stand struck. They come in the order of their numbers.
pub(super) fn resolve_strikes(entries: &mut [Entry]) {
    for at in (0..entries.len()).rev() {
        let Some((later, earlier)) = entries
            .get(at)
            .filter(|e| e.stands())
            .and_then(|e| Some((e.number, e.strikes?)))
        else {
            continue;
        };
        if let Ok(found) = entries.binary_search_by_key(&earlier, |e| e.number)
            && let Some(struck) = entries.get_mut(found)
        {
            struck.struck_by = Some(later);
        }
    }
}

/// A file to be stored with an entry.
#[derive(Clone, Debug, PartialEq)]
pub struct NewFile {
    /// What it was for.
    pub role: Role,
    /// Its name, without a folder.
    pub name: String,
    /// Its bytes as they came in.
    pub bytes: Vec<u8>,
}

/// A file as stored.
#[derive(Clone, Debug, PartialEq)]
pub struct StoredFile {
    /// The entry it belongs to.
    pub entry: i64,
    /// What it was for.
    pub role: Role,
    /// Its name, without a folder.
    pub name: String,
    /// SHA-256 of its bytes.
    pub sha256: String,
    /// Its bytes as they came in.
    pub bytes: Vec<u8>,
}

/// An entry to be made.
#[derive(Clone, Debug, PartialEq)]
pub struct NewEntry {
    /// What was done.
    pub kind: Kind,
    /// Day of the work.
    pub date: Date,
    /// Who did it.
    pub who: Option<String>,
    /// Hours of work.
    pub hours: Option<f64>,
    /// Skin temperature, °C.
    pub skin_c: Option<f64>,
    /// Where the panel was supported.
    pub supports: Option<String>,
    /// A remark.
    pub note: Option<String>,
    /// What belongs to the kind.
    pub facts: Facts,
    /// The entry that this one strikes.
    pub strikes: Option<i64>,
    /// Files to store with it.
    pub files: Vec<NewFile>,
    /// What a survey found, and the row of the panel's version that it was judged by.
    pub result: Option<(i64, SurveyResult)>,
}

impl NewEntry {
    /// An entry of which only kind and day are told.
    pub fn new(kind: Kind, date: Date) -> Self {
        NewEntry {
            kind,
            date,
            who: None,
            hours: None,
            skin_c: None,
            supports: None,
            note: None,
            facts: Facts::default(),
            strikes: None,
            files: Vec::new(),
            result: None,
        }
    }

    /// Words in which something is hidden from the eye, a sentence each. Asked when an entry is
    /// made, not of those made before.
    pub(super) fn hidden(&self) -> Vec<String> {
        let own = [&self.who, &self.supports, &self.note];
        let own = own.into_iter().flatten().cloned();
        let files = self.files.iter().map(|f| f.name.clone());
        let facts = match serde_json::to_value(&self.facts) {
            Ok(serde_json::Value::Object(facts)) => facts,
            _ => serde_json::Map::new(),
        };
        let facts = facts
            .into_iter()
            .filter_map(|(_, v)| v.as_str().map(str::to_string));
        own.chain(files)
            .chain(facts)
            .filter(|words| words.chars().any(crate::text::is_hidden))
            .map(|words| {
                format!(
                    "{} holds characters that cannot be seen; type it anew",
                    crate::text::visible(&words)
                )
            })
            .collect()
    }

    /// What of it cannot be meant, a sentence each; empty when all is well.
    pub fn faults(&self) -> Vec<String> {
        let kind = self.kind;
        let mut faults = self.facts.faults(kind);
        let needs =
            |missing: bool, what: &str| (missing).then(|| format!("{} needs {what}", kind.shown()));
        faults.extend(needs(
            kind == Hold && self.who.is_none(),
            "--by: who is at it?",
        ));
        faults.extend(needs(
            kind == ReProp && self.supports.is_none(),
            "--supports: where does it lie now?",
        ));
        faults.extend(needs(
            matches!(kind, Balance | Note) && self.note.is_none(),
            "--note",
        ));
        faults.extend(needs(
            kind == Strike && self.strikes.is_none(),
            "the number of the entry to strike",
        ));
        if kind != Strike && self.strikes.is_some() {
            faults.push(format!("{} strikes nothing", kind.word()));
        }
        let kept = !self.files.is_empty() || self.result.is_some();
        if kind != Survey && kept {
            faults.push(format!("files belong to a survey, not to {}", kind.word()));
        }
        faults.extend(facts::number(
            "--hours",
            self.hours,
            facts::HOURS_OF_WORK,
            "hours",
        ));
        faults.extend(facts::number("--skin", self.skin_c, facts::SKIN_C, "°C"));
        faults.extend(facts::wordy("--by", self.who.as_deref(), MOST_WORD));
        faults.extend(facts::wordy(
            "--supports",
            self.supports.as_deref(),
            MOST_NOTE,
        ));
        faults.extend(facts::wordy("--note", self.note.as_deref(), MOST_NOTE));
        faults
    }
}
