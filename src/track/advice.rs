//! Whether another cycle is worth it, with the reason.

use super::cycle::{Cycle, Told};
use super::forecast::{Forecast, Step, forecast};
use crate::keep::Entry;
use crate::keep::standing;
use serde::Serialize;

/// What to do next.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Do {
    /// Another cycle is worth it.
    AnotherCycle,
    /// Stop: fair, or nothing more to be gained this way.
    Stop,
    /// Measure first.
    MeasureMore,
}

impl Do {
    /// The word in files.
    pub fn word(self) -> &'static str {
        match self {
            Do::AnotherCycle => "another-cycle",
            Do::Stop => "stop",
            Do::MeasureMore => "measure-more",
        }
    }
}

/// The advice.
#[derive(Clone, Debug)]
pub struct Advice {
    /// What to do.
    pub what: Do,
    /// Why.
    pub why: Why,
    /// What another cycle would leave.
    pub forecast: Option<Forecast>,
}

/// Why an advice is given.
#[derive(Clone, Debug, PartialEq)]
pub enum Why {
    /// No survey yet.
    NoSurvey,
    /// The last survey no longer holds.
    Stale(String),
    /// Inside the limit at every base that could be checked.
    Inside {
        /// What is left is smaller than one reading repeats to.
        below_repeatability: bool,
        /// What the last cycle bought.
        bought: Option<Bought>,
    },
    /// The form told does not fit the panel.
    Misfit,
    /// What was measured does not decide.
    Undecided,
    /// The last cycle bought next to nothing, and a limit is still exceeded.
    Stuck {
        /// What the last cycle bought.
        bought: Bought,
        /// What a reading repeats to, mm.
        repeats_mm: f64,
    },
    /// Another cycle is worth it, by [`Advice::forecast`].
    Worth,
    /// A limit is exceeded, and nothing is known of what a cycle does.
    Exceeded,
}

/// What the last cycle did to the worst.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Bought {
    /// Before, mm.
    pub from_mm: f64,
    /// After, mm.
    pub to_mm: f64,
    /// Whether that is more than surveys repeat to.
    pub told: Told,
    /// Hours it took; 0 where none were entered.
    pub hours: f64,
}

/// Advice after these cycles. `entries`: all of the panel's, to see whether the last survey still
/// holds; `shop`: steps of other panels.
pub fn advice(cycles: &[Cycle], entries: &[Entry], shop: &[Step]) -> Advice {
    let forecast = forecast(cycles, shop);
    let (what, why) = reason(cycles, entries, forecast.is_some());
    Advice {
        what,
        why,
        forecast,
    }
}

fn reason(cycles: &[Cycle], entries: &[Entry], foreseen: bool) -> (Do, Why) {
    let Some(last) = cycles.last() else {
        return (Do::MeasureMore, Why::NoSurvey);
    };
    if let Some(stale) = standing::stale(entries) {
        return (Do::MeasureMore, Why::Stale(stale));
    }
    let bought = bought(cycles);
    match last.verdict.as_str() {
        "fair" => {
            let below = matches!((last.sq_mm, last.repeatability_mm), (Some(sq), Some(repeat)) if sq < repeat);
            (
                Do::Stop,
                Why::Inside {
                    below_repeatability: below,
                    bought,
                },
            )
        }
        "another-cycle" => match stuck(last, bought) {
            Some(why) => (Do::Stop, why),
            None if foreseen => (Do::AnotherCycle, Why::Worth),
            None => (Do::AnotherCycle, Why::Exceeded),
        },
        "not-judged" => (Do::MeasureMore, Why::Misfit),
        _ => (Do::MeasureMore, Why::Undecided),
    }
}

/// A cycle that bought less than this many times what a reading repeats to did not help (common
/// practice, no source).
const TIMES: f64 = 2.0;
/// Repeatability where none is known, mm: straightedge and feeler (common practice, no source).
const USUAL_MM: f64 = 0.05;

/// A limit is exceeded, and the last cycle bought next to nothing.
fn stuck(last: &Cycle, bought: Option<Bought>) -> Option<Why> {
    let bought = bought?;
    let repeats_mm = last.repeatability_mm.unwrap_or(USUAL_MM);
    let little = bought.from_mm - bought.to_mm < TIMES * repeats_mm;
    (little && !last.work.is_empty() && bought.told != Told::NotComparable)
        .then_some(Why::Stuck { bought, repeats_mm })
}

/// What the last cycle did to the worst.
fn bought(cycles: &[Cycle]) -> Option<Bought> {
    let last = cycles.last()?;
    let change = last.change.as_ref()?.worst.as_ref()?;
    Some(Bought {
        from_mm: change.from_mm,
        to_mm: change.to_mm,
        told: change.told,
        hours: last.hours,
    })
}
