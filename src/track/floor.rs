//! The floor sheet: one row a panel, its stage, who holds it, what can be done now, and how long until primer.

use super::ready;
use super::stage::{self, Stage};
use crate::judge::Interval;
use crate::keep::{Kind, Standing};
use crate::panel::Panel;
use crate::plan::shop::Shop;
use jiff::Timestamp;
use serde::Serialize;

/// One panel.
#[derive(Clone, Debug, Serialize)]
pub struct Row {
    /// Its name.
    pub name: String,
    /// Its stage, in words.
    pub stage: &'static str,
    /// Who holds it, with why; null when nobody does.
    pub held_by: Option<String>,
    /// When it can be worked on again: the end of a cure, a rest or a hold; null: now.
    pub free_at: Option<String>,
    /// What comes next.
    pub next: String,
    /// Hands-on hours to primer, a range.
    pub hands_on_hours: Interval,
    /// Waiting hours to primer, a range.
    pub waiting_hours: Interval,
    /// Worst gap over its limit at the last survey, with that base and date; null without one.
    pub worst: Option<String>,
    /// Why the last survey no longer holds; null while it does.
    pub stale: Option<String>,
    /// Whether this panel holds the rest back.
    pub holds_back: bool,
}

/// Hands-on hours of the stages after filling: pinholes, primer and its blocking (common practice, no source).
const TO_PRIMER_H: f64 = 2.0;
/// Hands-on hours of one cycle where the book knows none (common practice, no source).
const CYCLE_H: f64 = 3.0;
/// How far hours may be off either way, as a factor (common practice, no source).
const FACTOR: f64 = 2.0;
/// Share of worst over limit left by a cycle, for counting cycles (common practice, no source; a trend learns its own).
const LEFT: f64 = 0.45;
/// Cycles counted on where nothing was surveyed yet (common practice, no source).
const UNSEEN_CYCLES: f64 = 2.0;

/// All rows, in the order of the book; `panels` reads a panel's file.
pub fn rows(
    standings: &[Standing],
    panels: &dyn Fn(&Standing) -> Option<Panel>,
    shop: &Shop,
    now: Timestamp,
) -> Vec<Row> {
    let mut all: Vec<(Row, f64)> = standings
        .iter()
        .map(|s| row(s, panels(s).as_ref(), shop, now))
        .collect();
    let longest = all.iter().map(|r| r.1).fold(0.0, f64::max);
    if let Some((row, _)) = all.iter_mut().find(|r| longest > 0.0 && r.1 == longest) {
        row.holds_back = true;
    }
    all.into_iter().map(|r| r.0).collect()
}

/// A row, and the hours until primer by which panels are compared.
fn row(s: &Standing, panel: Option<&Panel>, shop: &Shop, now: Timestamp) -> (Row, f64) {
    let is_ready = panel.is_some_and(|p| ready::is_ready(&ready::list(s, p, shop, now)));
    let at = stage::stands(s, shop, now, is_ready);
    let (hands, waiting) = hours(s, at.stage, shop);
    let hold = s.held.as_ref().and_then(|h| h.until);
    let free = [at.free_at, hold].into_iter().flatten().max();
    let still = free.map_or(0.0, |t| (t.as_second() - now.as_second()) as f64 / 3600.0);
    let row = Row {
        name: s.panel.name.clone(),
        stage: at.stage.word(),
        held_by: s.held.as_ref().map(ToString::to_string),
        free_at: free.map(crate::keep::standing::by_the_clock),
        next: at.next,
        hands_on_hours: hands,
        waiting_hours: Interval {
            value: waiting.value + still,
            low: waiting.low + still,
            high: waiting.high + still,
        },
        worst: worst(s),
        stale: s.stale.clone(),
        holds_back: false,
    };
    let total = hands.value + waiting.value + still;
    (
        row,
        if at.stage == Stage::ReadyForPrimer {
            0.0
        } else {
            total
        },
    )
}

/// "0.41 of 0.30 mm under 300 mm, 2026-03-14".
fn worst(s: &Standing) -> Option<String> {
    let summary = s.summary.as_ref()?;
    let l = summary
        .limits
        .iter()
        .filter(|l| l.state != "not-checked" && l.quantity != "slope")
        .filter(|l| l.worst.is_some())
        .max_by(|a, b| ratio(a).total_cmp(&ratio(b)))?;
    Some(format!(
        "{:.2} of {:.2} mm under {:.0} mm",
        l.worst?, l.allowed, l.base_mm
    ))
}

fn ratio(l: &crate::keep::result::SavedLimit) -> f64 {
    l.worst.unwrap_or(0.0) / l.allowed
}

/// Hands-on and waiting hours until primer, from the stage, the worst gap, and what cycles of this panel took.
fn hours(s: &Standing, stage: Stage, shop: &Shop) -> (Interval, Interval) {
    let none = Interval::default();
    if stage == Stage::ReadyForPrimer {
        return (none, none);
    }
    let left = cycles_left(s, stage);
    let cycle_h = own_cycle_h(s).unwrap_or(CYCLE_H);
    let cure = |name: &str| shop.recipe(name).map_or(0.0, |r| r.sandable_h_at(r.at_c));
    let primed = s
        .entries
        .iter()
        .any(|e| e.kind == Kind::Prime && e.stands());
    let finish = if stage == Stage::BuildPrimer && primed {
        0.5
    } else {
        1.0
    };
    let hands = left * cycle_h + finish * TO_PRIMER_H;
    let waiting = left * cure(&shop.filler) + (finish - 0.5) * 2.0 * cure(&shop.primer);
    let range = |v: f64, low: f64| Interval {
        value: v,
        low,
        high: v * FACTOR,
    };
    (
        range(hands, hands / FACTOR),
        range(waiting, waiting / FACTOR),
    )
}

/// Fill-and-sand cycles that are still to come.
fn cycles_left(s: &Standing, stage: Stage) -> f64 {
    match stage {
        Stage::Pinholes | Stage::BuildPrimer | Stage::ReadyForPrimer => 0.0,
        _ => {
            let Some(summary) = &s.summary else {
                return UNSEEN_CYCLES;
            };
            let worst = summary
                .limits
                .iter()
                .filter(|l| l.state != "not-checked" && l.quantity != "slope")
                .map(ratio)
                .fold(0.0, f64::max);
            let from_survey = if worst <= 1.0 {
                0.5
            } else {
                (worst.ln() / (1.0 / LEFT).ln()).ceil().max(1.0)
            };
            // Filled since: that cycle is on its way, its blocking and survey are left.
            let filled = s.stale.is_some();
            if filled {
                (from_survey - 0.5).max(0.5)
            } else {
                from_survey
            }
        }
    }
}

/// Mean hands-on hours between two surveys of this panel.
fn own_cycle_h(s: &Standing) -> Option<f64> {
    let entries = stage::standing_entries(&s.entries);
    let surveys = entries.iter().filter(|e| e.kind == Kind::Survey).count();
    let first = entries.iter().position(|e| e.kind == Kind::Survey)?;
    let hours: f64 = entries[first + 1..].iter().filter_map(|e| e.hours).sum();
    (surveys > 1 && hours > 0.0).then(|| hours / (surveys - 1) as f64)
}
