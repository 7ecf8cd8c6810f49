//! The trend of one panel.

use super::advice::{Advice, advice};
use super::cycle::{Cycle, cycles};
use super::forecast::{Step, steps};
use crate::judge::repeats::Repeat;
use crate::keep::recent::Other;
use crate::keep::{Book, Entry, SurveyResult};
use crate::problem::Error;

/// What became of a panel over its cycles, and what to do.
pub struct Trend {
    /// Its name.
    pub name: String,
    /// One a survey that stands.
    pub cycles: Vec<Cycle>,
    /// What to do next.
    pub advice: Advice,
    /// Why the last survey no longer holds.
    pub stale: Option<String>,
    /// Pitches that repeat in the last survey's readings.
    pub repeats: Vec<Repeat>,
    /// Names of the references that surveys were judged against, in order, where not all were
    /// judged against the same.
    pub references: Vec<String>,
}

/// The trend of a panel of the book, learned from it and from the book's other panels.
///
/// # Errors
/// A book that cannot be read; no such panel.
pub fn trend(book: &Book, panel: &str) -> Result<Trend, Error> {
    let entries = book.entries(panel)?;
    let surveys = book.results(panel)?;
    let shop = shop_steps(book, panel)?;
    let name = book.panel(panel)?.name;
    Ok(of(&name, &entries, &surveys, &shop))
}

/// What all panels of a book teach, read once: for trends of many panels.
pub struct Shop(Vec<(i64, Vec<Step>)>);

impl Shop {
    /// Of the latest surveys of all panels.
    ///
    /// # Errors
    /// A book that cannot be read.
    pub fn of(book: &Book) -> Result<Shop, Error> {
        let all = book.recent(NO_PANEL, MOST_OTHERS)?;
        let panel = |o: &Other| o.entries.first().map_or(NO_PANEL, |e| e.panel);
        Ok(Shop(all.iter().map(|o| (panel(o), steps_of(o))).collect()))
    }

    /// Steps of all panels but one.
    pub fn without(&self, panel: i64) -> Vec<Step> {
        let others = self.0.iter().filter(|(of, _)| *of != panel);
        others.flat_map(|(_, steps)| steps.clone()).collect()
    }
}

/// The row of no panel: they are counted from 1.
const NO_PANEL: i64 = 0;

/// The trend of entries and surveys at hand.
pub fn of(
    name: &str,
    entries: &[Entry],
    surveys: &[(Entry, SurveyResult)],
    shop: &[Step],
) -> Trend {
    let cycles = cycles(entries, surveys);
    Trend {
        name: name.to_string(),
        advice: advice(&cycles, entries, shop),
        stale: crate::keep::standing::stale(entries),
        repeats: surveys.last().map_or(Vec::new(), |(_, found)| {
            let kept = found.summary.repeats.iter();
            kept.map(|r| r.found()).collect()
        }),
        references: references(surveys),
        cycles,
    }
}

/// The references in the order they came, each once; none where all are the same.
fn references(surveys: &[(Entry, SurveyResult)]) -> Vec<String> {
    let mut names: Vec<String> = Vec::new();
    for (_, found) in surveys {
        if !names.contains(&found.summary.reference) {
            names.push(found.summary.reference.clone());
        }
    }
    if names.len() > 1 { names } else { Vec::new() }
}

/// Surveys of other panels that the forecast learns from: the latest.
const MOST_OTHERS: i64 = 300;

/// Steps of the book's other panels, from summaries alone.
fn shop_steps(book: &Book, panel: &str) -> Result<Vec<Step>, Error> {
    let own = book.panel(panel)?.id;
    let others = book.recent(own, MOST_OTHERS)?;
    Ok(others.iter().flat_map(steps_of).collect())
}

fn steps_of(o: &Other) -> Vec<Step> {
    let surveys: Vec<(Entry, SurveyResult)> = o
        .surveys
        .iter()
        .map(|(e, s)| (e.clone(), SurveyResult::of_numbers(s.clone())))
        .collect();
    steps(&cycles(&o.entries, &surveys))
}
