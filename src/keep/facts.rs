//! What belongs to one kind of entry and not to the others.

use super::entry::Kind;
use crate::text::plain_mm;
use jiff::Timestamp;
use serde::{Deserialize, Serialize};
use std::ops::RangeInclusive;

/// How a panel was looked at before it was signed off.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Means {
    /// Guide coat, blocked.
    GuideCoat,
    /// A light held low along the skin.
    RakingLight,
}

/// What belongs to the kind of an entry; what does not apply is `None`. Saved as JSON.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Facts {
    /// Temperature of a post-cure, °C.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub temperature_c: Option<f64>,
    /// How long it was held, hours.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub hold_h: Option<f64>,
    /// Recipe of a filler or primer.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub recipe: Option<String>,
    /// Hours until it can be sanded, where the one who entered it said so.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub cure_h: Option<f64>,
    /// Batch it was mixed from, as on the card or the tin.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub batch: Option<String>,
    /// Mass put on, or weighed, g.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub mass_g: Option<f64>,
    /// Way it was done: spot-fill, full-skim, strips-and-bays, primer-only.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub way: Option<String>,
    /// Lowest temperature while it cured, °C.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub min_c: Option<f64>,
    /// Coats of primer.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub coats: Option<u32>,
    /// Base signed off at, mm.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub base_mm: Option<f64>,
    /// By what means it was signed off.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub means: Option<Means>,
    /// Where it was done, where not all over.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub at: Option<At>,
    /// End of a hold; without one it holds until released.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub until: Option<Timestamp>,
    /// Why held, released or struck.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub why: Option<String>,
}

/// A part of the panel that was worked on.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct At {
    /// As it was said: "H1", or its corners.
    pub said: String,
    /// Corners, mm, at least three of them each.
    pub outlines: Vec<Vec<[f64; 2]>>,
}

impl At {
    /// Whether a place lies in it.
    pub fn contains(&self, x: f64, y: f64) -> bool {
        self.outlines
            .iter()
            .any(|o| crate::panel::Polygon(o.clone()).contains(x, y))
    }
}

/// One of the [`Facts`].
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Fact {
    /// `temperature_c`
    Temperature,
    /// `hold_h`
    HoldHours,
    /// `recipe`
    Recipe,
    /// `cure_h`
    Cure,
    /// `batch`
    Batch,
    /// `mass_g`
    Grams,
    /// `way`
    Way,
    /// `min_c`
    Min,
    /// `coats`
    Coats,
    /// `base_mm`
    Base,
    /// `means`
    Means,
    /// `at`
    At,
    /// `until`
    Until,
    /// `why`
    Why,
}

impl Fact {
    /// All of them.
    pub const ALL: [Fact; 14] = [
        Fact::Temperature,
        Fact::HoldHours,
        Fact::Recipe,
        Fact::Cure,
        Fact::Batch,
        Fact::Grams,
        Fact::Way,
        Fact::Min,
        Fact::Coats,
        Fact::Base,
        Fact::Means,
        Fact::At,
        Fact::Until,
        Fact::Why,
    ];

    /// The option that gives it.
    pub fn option(self) -> &'static str {
        match self {
            Fact::Temperature => "--temperature",
            Fact::HoldHours => "--hold-hours",
            Fact::Recipe => "--recipe",
            Fact::Cure => "--cure",
            Fact::Batch => "--batch",
            Fact::Grams => "--grams",
            Fact::Way => "--way",
            Fact::Min => "--min",
            Fact::Coats => "--coats",
            Fact::Base => "--base",
            Fact::Means => "--means",
            Fact::At => "--at",
            Fact::Until => "--until",
            Fact::Why => "--why",
        }
    }
}

/// Temperatures that can be meant, °C: cold store to oven.
const CELSIUS: RangeInclusive<f64> = -40.0..=300.0;
/// Hours that can be meant.
const HOURS: RangeInclusive<f64> = 0.0..=1000.0;
/// Masses that can be meant, g: up to a tonne.
const GRAMS: RangeInclusive<f64> = 0.0..=1e6;
/// Bases that can be meant, mm, as in panel.toml.
const BASE_MM: RangeInclusive<f64> = 5.0..=100_000.0;
/// Most coats of primer.
const MOST_COATS: u32 = 100;
/// Longest word or name, characters.
pub(crate) const MOST_WORD: usize = 200;
/// Longest note, characters.
pub(crate) const MOST_NOTE: usize = 4000;

impl Facts {
    /// Which are given.
    pub fn given(&self) -> Vec<Fact> {
        let given = [
            self.temperature_c.is_some(),
            self.hold_h.is_some(),
            self.recipe.is_some(),
            self.cure_h.is_some(),
            self.batch.is_some(),
            self.mass_g.is_some(),
            self.way.is_some(),
            self.min_c.is_some(),
            self.coats.is_some(),
            self.base_mm.is_some(),
            self.means.is_some(),
            self.at.is_some(),
            self.until.is_some(),
            self.why.is_some(),
        ];
        Fact::ALL
            .into_iter()
            .zip(given)
            .filter_map(|(fact, given)| given.then_some(fact))
            .collect()
    }

    /// What of them cannot be meant for an entry of this kind, a sentence each.
    pub fn faults(&self, kind: Kind) -> Vec<String> {
        let (must, may) = kind.facts();
        let given = self.given();
        let of = kind.shown();
        let missing = must
            .iter()
            .filter(|f| !given.contains(f))
            .map(|f| format!("{of} needs {}", f.option()));
        let odd = given
            .iter()
            .filter(|f| !must.contains(f) && !may.contains(f))
            .map(|f| format!("{} does not belong to {of}{}", f.option(), known(must, may)));
        missing.chain(odd).chain(self.out_of_range()).collect()
    }

    fn out_of_range(&self) -> Vec<String> {
        let coats = self.coats.map(f64::from);
        let numbers = [
            ("--temperature", self.temperature_c, CELSIUS, "°C"),
            ("--hold-hours", self.hold_h, HOURS, "hours"),
            ("--cure", self.cure_h, HOURS, "hours"),
            ("--grams", self.mass_g, GRAMS, "g"),
            ("--min", self.min_c, CELSIUS, "°C"),
            ("--base", self.base_mm, BASE_MM, "mm"),
            ("--coats", coats, 1.0..=f64::from(MOST_COATS), "coats"),
        ];
        let words = [
            ("--recipe", self.recipe.as_deref(), MOST_WORD),
            ("--batch", self.batch.as_deref(), MOST_WORD),
            ("--way", self.way.as_deref(), MOST_WORD),
            ("--why", self.why.as_deref(), MOST_NOTE),
        ];
        let numbers = numbers
            .into_iter()
            .filter_map(|(name, value, range, unit)| number(name, value, range, unit));
        let words = words
            .into_iter()
            .filter_map(|(name, words, most)| wordy(name, words, most));
        numbers.chain(words).collect()
    }
}

fn known(must: &[Fact], may: &[Fact]) -> String {
    let all: Vec<&str> = must.iter().chain(may).map(|f| f.option()).collect();
    if all.is_empty() {
        return String::new();
    }
    format!("; its own are {}", all.join(", "))
}

/// A number that cannot be meant, in a sentence.
pub(super) fn number(
    name: &str,
    value: Option<f64>,
    range: RangeInclusive<f64>,
    unit: &str,
) -> Option<String> {
    let value = value.filter(|v| !range.contains(v))?;
    Some(format!(
        "{name} {}: expected {} to {} {unit}",
        plain_mm(value),
        plain_mm(*range.start()),
        plain_mm(*range.end())
    ))
}

/// Words that are empty, too long or hold what cannot be printed, in a sentence. Line ends are
/// allowed.
pub(super) fn wordy(name: &str, words: Option<&str>, most: usize) -> Option<String> {
    let words = words?;
    let odd = words
        .chars()
        .any(|c| c.is_control() && c != '\n' && c != '\t');
    if words.trim().is_empty() || words.chars().count() > most || odd {
        return Some(format!(
            "{name} {}: expected 1 to {most} characters that can be printed",
            crate::text::quoted(words)
        ));
    }
    None
}

pub(super) const HOURS_OF_WORK: RangeInclusive<f64> = HOURS;
/// Skin temperatures that can be meant, °C, as in readings.
pub(super) const SKIN_C: RangeInclusive<f64> = -40.0..=120.0;
