//! How a panel stands: is its survey still good, is somebody holding it.

use super::entry::{Entry, Kind};
use super::panels::PanelRow;
use super::result::Summary;
use crate::problem::{Pressing, Warning};
use jiff::Timestamp;

/// Somebody has a panel to himself for a while.
#[derive(Clone, Debug, PartialEq)]
pub struct Hold {
    /// The entry that says so.
    pub entry: i64,
    /// Who holds it.
    pub by: String,
    /// Since when.
    pub since: Timestamp,
    /// Until when; `None`: until released.
    pub until: Option<Timestamp>,
    /// Why.
    pub why: Option<String>,
}

/// One panel as a list of all panels shows it.
#[derive(Clone, Debug, PartialEq)]
pub struct Standing {
    /// The panel.
    pub panel: PanelRow,
    /// Its entries in the order of their numbers, struck ones too.
    pub entries: Vec<Entry>,
    /// The last survey that stands.
    pub survey: Option<Entry>,
    /// What that survey found.
    pub summary: Option<Summary>,
    /// Why that survey no longer holds; `None` while it does, or where there is none.
    pub stale: Option<String>,
    /// Who holds it now.
    pub held: Option<Hold>,
}

/// The last survey that stands, by day, then by number.
pub fn last_survey(entries: &[Entry]) -> Option<&Entry> {
    entries
        .iter()
        .filter(|e| e.kind == Kind::Survey && e.stands())
        .max_by_key(|e| e.order())
}

/// Why the last survey no longer holds: the first piece of work after it that changed the panel.
/// Work counts as after it when it was done on a later day, or on the same day and entered later.
pub fn stale(entries: &[Entry]) -> Option<String> {
    let (survey, work) = outdated(entries)?;
    Some(format!(
        "entry {} ({}, {}) came after the survey of {} (entry {}): survey it again",
        work.number,
        work.kind.word(),
        work.date,
        survey.date,
        survey.number
    ))
}

/// The last survey and the first piece of work after it that changed the panel.
fn outdated(entries: &[Entry]) -> Option<(&Entry, &Entry)> {
    let survey = last_survey(entries)?;
    let work = entries
        .iter()
        .filter(|e| e.kind.makes_stale() && e.stands() && e.order() > survey.order())
        .min_by_key(|e| e.order())?;
    Some((survey, work))
}

/// What must be said across the top of everything made of the last survey: that it no longer holds,
/// that somebody holds the panel.
pub fn pressing(entries: &[Entry], now: Timestamp) -> Vec<Warning> {
    let stale = outdated(entries)
        .zip(stale(entries))
        .map(|((_, work), why)| {
            let short = format!(
                "TOUCHED SINCE: entry {}, {}, came after",
                work.number,
                work.kind.word()
            );
            Warning::pressing(
                format!("touched since: {why}"),
                Pressing {
                    label: "TOUCHED SINCE",
                    text: why,
                    short,
                },
            )
        });
    let held = held(entries, now).map(|hold| {
        let all = hold.to_string();
        let text = all.clone();
        let short = match hold.until {
            Some(until) => format!(
                "HANDS OFF: {} is at it until {}",
                hold.by,
                by_the_clock(until)
            ),
            None => format!("HANDS OFF: {} is at it", hold.by),
        };
        let short = short.replace(char::is_control, "?");
        Warning::pressing(
            all,
            Pressing {
                label: "HANDS OFF",
                text,
                short,
            },
        )
    });
    stale.into_iter().chain(held).collect()
}

/// Who holds a panel at `now`. A hold past its end has run out.
pub fn held(entries: &[Entry], now: Timestamp) -> Option<Hold> {
    let last = entries
        .iter()
        .rfind(|e| matches!(e.kind, Kind::Hold | Kind::Release) && e.stands())
        .filter(|e| e.kind == Kind::Hold)?;
    let hold = Hold {
        entry: last.number,
        by: last.who.clone().unwrap_or_default(),
        since: last.entered_at,
        until: last.facts.until,
        why: last.facts.why.clone(),
    };
    hold.until.is_none_or(|until| now < until).then_some(hold)
}

impl std::fmt::Display for Hold {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{} is at it", self.by)?;
        if let Some(until) = self.until {
            write!(f, " until {}", by_the_clock(until))?;
        }
        match &self.why {
            Some(why) => write!(f, ": {why}"),
            None => Ok(()),
        }
    }
}

/// A moment by the clock of the shop: "2026-03-14 14:00".
pub fn by_the_clock(moment: Timestamp) -> String {
    let at = super::local(moment);
    format!("{} {:02}:{:02}", at.date(), at.hour(), at.minute())
}
